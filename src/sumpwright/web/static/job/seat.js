// The screen of the helper in the seat: one thing, large, answered by a tap.
// When the link is lost while the engine may run, it says to stop the engine.

import { keepPage } from "./again.js";
import * as db from "./db.js";
import { h, put, sign } from "./dom.js";
import { fold } from "./fold.js";
import { Link } from "./link.js";
import { changed, once } from "./press.js";
import { Queue } from "./queue.js";
import { send } from "./send.js";
import * as sound from "./sound.js";
import { uuid7 } from "./uuid7.js";

const ANSWERS = { on: "Engine runs", off: "Engine is off", pulse: "Ran, and is off again" };
const TITLES = { on: "Start engine", pulse: "Short start" };
const REMIND = 2000;
const AGAIN = 2000;

class Seat {
  constructor(job) {
    this.job = job;
    this.log = new Map();
    this.given = null;
    this.queue = new Queue(job, ({ kept = [], coming = false }) => {
      if (coming) return;
      for (const event of kept) if (!this.log.has(event.seq)) this.log.set(event.seq, event);
      this.render();
    });
    this.link = null;
    this.bay = { there: false, age: null };
    this.taken = false;
    this.hasStopped = false;
    this.alarmed = "";
    this.drawn = "";
    this.rung = null;
    this.paced = null;
  }

  async start() {
    await this.queue.load();
    while (!(await this.fetchGiven())) {
      put(document.getElementById("call"), h("h1", {}, "No network"),
        h("p", {}, "This job was not opened on this device before. It is tried again by itself."));
      await new Promise((go) => setTimeout(go, AGAIN));
    }
    const device = sessionStorage.getItem("device") ?? uuid7();
    sessionStorage.setItem("device", device);
    const after = Math.max(this.given.length, 0, ...this.log.keys());
    this.link = new Link({ job: this.job, screen: "seat", device, after, present: false }, {
      entry: (entry) => this.heard(entry),
      beat: (beat) => {
        this.bay = beat.bay;
        this.render();
      },
      state: () => {
        if (this.link.state === "live") {
          this.queue.flush();
          this.keepPage();
        }
        this.render();
      },
    });
    this.link.start();
    this.queue.flush();
    this.render();
    setInterval(() => this.ring(), 250);
    this.keepPage();
  }

  async keepPage() {
    this.opensAgain ||= await keepPage();
  }

  async fetchGiven() {
    const key = `seat ${this.job}`;
    try {
      const answer = await send(`/jobs/${this.job}/seat.json`, {}, 6);
      if (!answer.ok) throw new Error(String(answer.status));
      this.given = await answer.json();
      db.put("jobs", { job: key, given: this.given }).catch(() => null);
    } catch {
      this.given = (await db.get("jobs", key))?.given ?? null;
    }
    for (const event of this.given?.events ?? []) this.log.set(event.seq, event);
    return this.given !== null;
  }

  heard(entry) {
    this.log.set(entry.seq, entry);
    this.queue.known(new Set([entry.id]));
    this.render();
  }

  state() {
    const known = new Set([...this.log.values()].map((event) => event.id));
    const mine = this.queue.waiting.filter((e) => !e.refusal && !known.has(e.id));
    const events = [...this.log.values()].sort((a, b) => a.seq - b.seq);
    return fold([...events, ...mine], this.given);
  }

  /** What to show: the lost link first where it matters, then the call, then waiting. */
  scene() {
    const state = this.state();
    const calls = [...state.signals.values()].filter((s) => s.event.body.to === "seat");
    const call = calls.at(-1) ?? null;
    const running = state.engine !== "off";
    const lost = this.link.state !== "live" ? "link" : this.bay.there ? "" : "bay";
    if (state.closed) return { kind: "closed" };
    if (!this.may()) {
      const open = call && !call.settled ? call.event : null;
      return { kind: "looking", engine: state.engine, call: open, lost };
    }
    if (!running) {
      this.hasStopped = false;
      this.alarmed = "";
    }
    if (running && lost && !this.hasStopped && this.link.state !== "wait") this.alarmed = lost;
    // Once it was said, it stays until somebody says what became of it.
    if (this.alarmed) return { kind: "alarm", was: this.alarmed, lost };
    if (call && !call.settled && !(this.hasStopped && lost)) return { kind: "call", call: call.event, lost };
    if (this.hasStopped) return { kind: "stopped", lost };
    return { kind: running ? "running" : "idle", call: call?.answer ? call.event : null, lost };
  }

  render() {
    if (!this.given || !this.link) return;
    this.renderLink();
    const scene = this.taken ? this.scene() : { kind: this.may() ? "begin" : "lookOn" };
    const key = JSON.stringify([scene, this.queue.refused?.id, this.queue.trouble]);
    if (key === this.drawn) return;
    this.drawn = key;
    const { kind } = scene;
    document.getElementById("seat").dataset.scene = kind;
    if (kind === "alarm") sound.startAlarm();
    else sound.stopAlarm();
    if (kind !== "alarm" && kind !== "stopped") this.link.says = "";
    const [shown, answer] = this[kind](scene);
    put(document.getElementById("call"), shown);
    put(document.getElementById("answer"), answer);
    changed(document.getElementById("answer"));
    if (kind === "call" || kind === "alarm") answer[0]?.focus({ preventScroll: true });
  }

  renderLink() {
    const { state } = this.link;
    const kind = state !== "live" ? "lost" : this.bay.there ? "live" : "lost";
    const words = state === "wait" ? "Connecting" : state !== "live" ? "Link lost"
      : !this.bay.there ? "Bay is gone" : this.may() ? "Bay hears you" : "Only looking on";
    const chip = document.getElementById("link");
    if (chip.dataset.words === words) return;
    chip.dataset.words = words;
    chip.dataset.state = state === "wait" ? "wait" : kind;
    put(chip, sign(kind), h("span", {}, words));
  }

  button(words, act, kind = "") {
    return h("button", { type: "button", class: `giant ${kind}`, click: once(act) }, words);
  }

  /** Whoever may not answer is not in the seat, and must not be taken to be. */
  lookOn() {
    return [
      [h("h1", {}, "Look on"),
        h("p", {}, "This device only looks on: it shows what the seat is told, and cannot answer."),
        h("p", {}, "The bay does not count it as the seat. For the seat, pair a device that may " +
          "answer.")],
      [this.button("Look on", () => {
        this.taken = true;
        this.render();
      })],
    ];
  }

  looking({ engine, call, lost }) {
    const words = { off: "Engine off", called: "Engine called to start", running: "Engine running",
      stopping: "Stop called" }[engine];
    return [[h("p", { class: "say" }, "This device only looks on"), h("h1", {}, words),
      call ? h("p", { class: "do" }, `The seat is told: ${call.body.instruction}`) : null,
      lost ? h("p", { class: "lostline", role: "alert" }, sign("lost"), lost === "link"
        ? "The link is lost: this may be old." : "The bay screen is gone.") : null,
    ], []];
  }

  begin() {
    return [
      [h("h1", {}, "Take the seat"),
        h("p", {}, "This screen tells you what to do with engine and selector. Answer each call " +
          "with a tap. Do nothing that it, or the hand, did not call."),
        h("p", {}, "If it says that the link is lost while the engine runs: stop the engine.")],
      [this.button("I sit in the seat", () => {
        sound.unlock();
        sound.taken();
        sound.keepLit();
        document.documentElement.requestFullscreen?.().catch(() => null);
        this.taken = true;
        this.link.here();
        this.render();
      })],
    ];
  }

  idle({ lost, call }) {
    const away = lost ? h("p", { class: "lostline", role: "alert" }, sign("lost"),
      lost === "link" ? "The link is lost. Leave the engine off until it is back."
        : "The bay screen is gone. Leave the engine off until it is back.") : null;
    return [[h("p", { class: "say" }, "Wait"), h("h1", {}, "Engine off"),
      call ? h("p", { class: "quietly" }, `Last call: ${call.body.instruction}`) : null, away],
    []];
  }

  running({ call }) {
    return [[h("p", { class: "say" }, "Wait for the next call"), h("h1", {}, "Engine running"),
      h("p", {}, "Foot on the brake. Watch this screen and the hand."),
      call ? h("p", { class: "quietly" }, `Answered: ${call.body.instruction}`) : null],
    [this.button("I had to stop it", () => this.hadToStop(), "second")]];
  }

  call({ call, lost }) {
    const { body } = call;
    const stop = body.turns === "off";
    const words = body.answer ?? ANSWERS[body.turns] ?? (body.engine === "on" ? "Done" : "I am ready");
    return [[
      h("h1", { class: stop ? "stopword" : null }, stop ? [sign("stop"), "STOP"]
        : TITLES[body.turns] ?? body.instruction),
      h("p", { class: "do" }, body.text ?? ""),
      body.caution ? h("p", { class: "danger" }, sign("caution"),
        h("span", {}, h("span", { class: "unseen" }, "Caution: "), body.caution)) : null,
      body.pause ? this.pacer() : null,
      lost ? h("p", { class: "lostline", role: "alert" }, sign("lost"),
        lost === "link" ? "The link is lost: your answer is kept and sent later."
          : "The bay screen is gone.") : null,
    ], [this.button(words, () => this.answer(call), stop ? "stop" : "")]];
  }

  /** Paces the selector: a pause in each position, then on to the next; started by a tap. */
  pacer() {
    const box = h("div", { class: "pace" });
    const begin = h("button", { type: "button", class: "second giant", click: () => {
      this.paced = performance.now();
      put(box, h("p", { id: "pace", "aria-hidden": "true" }));
      this.pace();
    } }, "Pace me");
    put(box, begin);
    this.paced = null;
    return box;
  }

  pace() {
    const node = document.getElementById("pace");
    const call = this.scene().call;
    if (!node || !call || this.paced === null) return;
    const pause = Math.max(1, Math.round(call.body.pause));
    const second = Math.floor((performance.now() - this.paced) / 1000) % (pause + 2);
    const words = second < 2 ? "Next position" : `Hold ${pause + 2 - second}`;
    if (node.textContent === words) return;
    node.textContent = words;
    node.classList.toggle("move", second < 2);
    if (second < 2) sound.taken();
  }

  may() {
    return this.given.may_answer;
  }

  alarm({ lost, was }) {
    const why = was === "link" ? ["The link to the bay is lost.", "The link to the bay was lost."]
      : ["The bay screen is gone.", "The bay screen was gone."];
    return [[
      h("h1", { class: "stopword" }, sign("stop"), "STOP ENGINE"),
      h("p", { class: "do" }, why[lost ? 0 : 1]),
      h("p", {}, lost ? "Stop the engine now. Do not start it again until the hand says so."
        : "The bay hears you again. Stop the engine, unless the hand waves it on."),
    ], [this.button("Engine is off", () => this.hadToStop(), "stop"),
      lost ? null : this.button("It still runs, by the hand’s word", () => {
        this.alarmed = "";
        this.render();
      }, "second")]];
  }

  stopped({ lost }) {
    return [[h("p", { class: "say" }, "You stopped the engine"), h("h1", {}, "Leave it off"),
      h("p", {}, lost === "link" ? "The link to the bay is still lost."
        : lost ? "The bay screen is still gone." : "The bay is told. Wait for the next call."),
    ], []];
  }

  closed() {
    return [[h("h1", {}, "The job is closed"), h("p", {}, "Thank you.")], []];
  }

  answer(call) {
    const body = { signal: call.id };
    if (call.body.completes) body.step = call.body.step;
    sound.taken();
    if (call.body.turns === "on" || call.body.turns === "pulse") this.hasStopped = false;
    return this.queue.add([{ id: uuid7(), kind: "acknowledged", body, text: "answered",
      at: new Date().toISOString(), by: this.given.by }]);
  }

  /** The engine is off: that answers a call to stop, and otherwise the bay is told. */
  hadToStop() {
    const stop = [...this.state().signals.values()].findLast(
      (s) => s.event.body.to === "seat" && s.event.body.turns === "off" && !s.settled,
    );
    this.hasStopped = true;
    this.alarmed = "";
    this.link.say("stopped");
    this.render();
    return stop ? this.answer(stop.event) : null;
  }

  /** Ring until the call is answered. */
  ring() {
    this.render();
    if (!this.taken) return;
    const scene = this.scene();
    if (scene.kind === "call" && this.paced) {
      this.pace();
      return;
    }
    if (scene.kind !== "call") {
      this.paced = null;
      this.rung = null;
      return;
    }
    const now = performance.now();
    if (this.rung?.id === scene.call.id && now - this.rung.at < REMIND) return;
    this.rung = { id: scene.call.id, at: now };
    sound.call();
  }
}

const seat = new Seat(document.getElementById("seat").dataset.job);
seat.start();
