// The level screen: parts come from the server as they change; what is silent says so.

const SILENCE = 2000;
const AGAIN = 2500;
const SENT = ["look"];

const root = document.querySelector("#level");
const lostLine = document.querySelector("#linklost");
let heard = performance.now();
let opened = heard;
let source = null;
let sending = 0;
let before = [];
let leaving = false;

function open() {
  source?.close();
  opened = performance.now();
  const made = new EventSource(`/jobs/${root.dataset.job}/level/live`);
  source = made;
  made.addEventListener("now", (event) => {
    if (made !== source || leaving) return;
    const news = JSON.parse(event.data);
    if (leave(news.source)) return;
    heard = performance.now();
    linked(true);
    show(news);
  });
}

/** Load the page anew when another source is read; nothing that stands here is called current by it. */
function leave(from) {
  const typing = [...root.querySelectorAll("input[type=text]")].some((field) => field.value);
  if (from === root.dataset.source || typing) return false;
  leaving = true;
  source.close();
  // What it has to say of the change stands above.
  scrollTo(0, 0);
  location.reload();
  return true;
}

/** Put in what changed; the server has escaped every text in it. */
function show({ parts, state, verdict, age: old, flow, engine }) {
  looked(flow, engine);
  for (const [id, html] of Object.entries(parts)) {
    const part = document.getElementById(id);
    if (part) part.innerHTML = html;
  }
  if (verdict === "fit" && root.dataset.verdict !== "fit") navigator.vibrate?.([200, 100, 200]);
  root.dataset.state = state;
  root.dataset.verdict = verdict;
  root.dataset.age = old ?? "";
}

/** Show what the hand, perhaps on another device, said of the port. */
function looked(flow, engine) {
  const form = document.getElementById("look");
  if (!form || sending) return;
  form.elements.engine.checked = engine;
  for (const button of form.querySelectorAll("[name=flow]")) {
    button.setAttribute("aria-pressed", String(button.value === flow));
  }
}

function linked(live) {
  if (live !== lostLine.hidden) {
    lostLine.hidden = live;
    root.toggleAttribute("data-unlinked", !live);
    for (const button of root.querySelectorAll("#fitted button")) button.disabled = !live;
    if (live) takeBack();
    else doubt();
  }
  if (!live) age();
}

/** Without the link nothing is current: the label and the conditions say so. */
function doubt() {
  const reading = document.getElementById("reading");
  const reasons = document.getElementById("reasons");
  before = [reading, reasons].filter(Boolean).map((part) => [part, part.innerHTML]);
  const words = document.getElementById("nolink").content.cloneNode(true);
  reading.querySelector(".state").replaceWith(words.querySelector(".state"));
  const conditions = reasons?.querySelectorAll("li") ?? [];
  for (const said of words.querySelectorAll("li")) {
    const condition = conditions[said.dataset.place];
    if (!condition) continue;
    const text = said.querySelector("[data-text]");
    if (text && !text.textContent) text.textContent = condition.dataset.text;
    condition.replaceWith(said);
  }
  age();
}

/** What stood here before; the news that came with the link are put in after it. */
function takeBack() {
  for (const [part, html] of before) part.innerHTML = html;
  before = [];
}

function age() {
  const line = document.querySelector("#reading .state small");
  if (root.dataset.age === "" || !line) return;
  const seconds = Number(root.dataset.age) + (performance.now() - heard) / 1000;
  line.textContent =
    seconds < 120 ? `${Math.round(seconds)} s ago` : `${Math.round(seconds / 60)} min ago`;
}

function watch() {
  const now = performance.now();
  if (now - heard < SILENCE) return;
  linked(false);
  if (now - opened > AGAIN && !leaving) open();
}

/** Keep the page where it is when the hand says what runs out. */
async function send(event) {
  event.preventDefault();
  const form = event.target;
  const body = new URLSearchParams(new FormData(form, event.submitter));
  for (const button of form.querySelectorAll("[name=flow]")) {
    if (event.submitter?.name === "flow") {
      button.setAttribute("aria-pressed", String(button === event.submitter));
    }
  }
  sending += 1;
  await fetch(form.action, { method: "POST", body, redirect: "manual" }).catch(() => null);
  // What is on its way was drawn before this was said.
  setTimeout(() => (sending -= 1), 400);
}

for (const id of SENT) {
  const form = document.getElementById(id);
  form?.addEventListener("submit", send);
  form?.addEventListener("change", () => form.requestSubmit());
}

/** Big keys for a typed reading. */
for (const button of document.querySelectorAll(".key")) {
  const input = document.getElementById("f-value");
  const { key } = button.dataset;
  button.addEventListener("click", () => {
    if (key === "erase") input.value = input.value.slice(0, -1);
    else if (key === "minus") {
      input.value = input.value.startsWith("-") ? input.value.slice(1) : `-${input.value}`;
    } else input.value += key;
  });
}

addEventListener("online", open);
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible") watch();
});
setInterval(watch, 200);
open();
navigator.wakeLock?.request("screen").catch(() => null);
