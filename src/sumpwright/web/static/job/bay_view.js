// What the bay screen shows. Parts are drawn anew only when something in them changed,
// so that what is being typed stays.

import { drawAct } from "./bay_act.js";
import { Sheets } from "./bay_sheets.js";
import { LEVEL, liveLevel } from "./bay_step.js";
import { keeps } from "./db.js";
import { h, keyboardIn, put, sentence, sign, tied } from "./dom.js";
import { reasons, secondsTo } from "./fold.js";
import { amount, bare } from "./numbers.js";
import { PHASES } from "./phases.js";
import { once, rest } from "./press.js";
import * as sound from "./sound.js";

const FLUID = new Set(["drained", "filled", "discharged", "exchanged", "purged", "lost", "drove",
  "worked", "circulated", "reversed"]);

/** A time that runs, in the unit in which it says something. */
function span(seconds) {
  if (seconds < 600) return `${Math.floor(seconds)} s`;
  return seconds < 7200 ? `${Math.floor(seconds / 60)} min` : `${Math.floor(seconds / 3600)} h`;
}

const later = (count) => `${count} later ${count === 1 ? "entry waits" : "entries wait"} for it`;

export class View {
  constructor(bay) {
    this.bay = bay;
    this.drawn = {};
    this.typed = new Map();
    this.calledNow = null;
    this.reads = false;
    this.part = (id) => document.getElementById(id);
    this.sheets = new Sheets(bay, this);
  }

  /** Draw a part if what it shows is not what it showed. */
  draw(id, key, make) {
    const text = JSON.stringify(key);
    if (this.drawn[id] === text) return false;
    this.drawn[id] = text;
    put(this.part(id), make());
    return true;
  }

  impossible() {
    put(
      this.part("head"),
      h("h1", {}, "No network"),
      h("p", {}, "This job was not opened on this device before, so it cannot be shown now."),
      h("p", {}, "Go where there is network: it is tried again by itself."),
    );
  }

  render(now) {
    this.now = now;
    this.renderBar(now);
    this.renderBalance(now);
    this.renderAlerts(now);
    const { step, held, call, state } = now;
    this.draw("head", [step?.id, now.cycles, now.steps.length, Boolean(state.closed)],
      () => this.headParts(now));
    this.part("rest").hidden = false;
    const changed = this.draw(
      "step",
      [step?.id, held, call?.event.id, call?.answer?.id, state.engine, this.estimateKey(now),
        this.bay.others.seat.there, this.bay.chosen, step && this.bay.remark(step, state),
        Boolean(state.closed)],
      () => this.stepParts(now),
    );
    const stepChanged = this.shownStep !== step?.id;
    this.shownStep = step?.id;
    drawAct(this, now);
    if (changed && stepChanged) {
      this.part("rest").scrollTop = 0;
      const lost = document.activeElement === document.body || !document.activeElement;
      if (lost && this.settled) this.part("title")?.focus({ preventScroll: true });
    }
    this.settled = true;
    this.renderFoot(now);
    this.scrolls();
    this.sheets.refresh();
    this.tick();
  }

  /** Where there is more than fits, the keyboard reaches what scrolls. */
  scrolls() {
    const box = this.part("rest");
    box.tabIndex = box.scrollHeight > box.clientHeight ? 0 : -1;
  }

  renderBar() {
    const { bay } = this;
    const waiting = bay.queue.unsent;
    const state = bay.link?.state ?? "wait";
    const sending = state === "live" && waiting > 0;
    const refused = state === "live" && bay.queue.refused !== null;
    this.draw("link", [state, sending ? waiting : 0, refused], () => [
      sign(refused || !["live", "wait"].includes(state) ? "lost"
        : state === "live" && !sending ? "live" : "wait"),
      h("span", {}, refused ? "Not taken" : sending ? `Sending ${waiting}`
        : { live: "Live", wait: "Connecting" }[state] ?? "No network"),
    ]);
    this.part("link").dataset.state = refused ? "refused" : state;
    const { seat } = bay.others;
    const lost = bay.seatWasThere && !seat.there;
    const unknown = state !== "live" && bay.seatWasThere;
    const kind = unknown ? "unknown" : seat.there ? "there" : lost ? "lost" : "none";
    const words = { unknown: "Seat ?", there: "Seat here", lost: "Seat lost", none: "No seat" };
    this.draw("seatlink", [kind], () => [
      sign(kind === "there" ? "live" : kind === "none" ? "wait" : "lost"),
      h("span", {}, words[kind]),
    ]);
    this.part("seatlink").dataset.state = kind;
  }

  renderBalance({ state }) {
    const { bay } = this;
    const net = state.net;
    const even = state.levelSet ? "as set" : "even";
    const level = Math.abs(net) < 5e-6 ? even : net < 0 ? "missing" : "too much";
    const stale = this.stale(state);
    const { standing } = bay;
    const { units, comma } = bay.given;
    const volume = (m3) => amount(m3, units.volume, comma);
    const way = net < -5e-6 ? "−" : net > 5e-6 ? "+" : "";
    const values = [
      ["Out", volume(state.out), units.volume.label,
        state.lost > 0 ? `${volume(state.lost)} lost` : ""],
      ["In", volume(state.in), units.volume.label, ""],
      ["Level", `${way}${volume(Math.abs(net))}`, units.volume.label, level],
      [
        "Fresh",
        standing && standing.cycles ? standing.fresh_text : "–",
        "",
        !standing?.cycles
          ? "no refill"
          : stale
            ? "outdated"
            : standing.band_text,
      ],
    ];
    this.draw("balance", values, () =>
      values.map(([name, value, unit, more]) =>
        h("div", { class: "cell" }, h("dt", {}, name), h("dd", {},
          h("b", {}, value, unit ? [" ", h("span", { class: "unit" }, unit)] : null),
          h("small", {}, more))),
      ),
    );
  }

  /** Whether the estimate does not know all that was entered. */
  stale() {
    const { bay } = this;
    if (!bay.standing) return true;
    if (bay.unsent().some((entry) => FLUID.has(entry.kind))) return true;
    return bay.confirmed().some((e) => e.seq > bay.standing.length && FLUID.has(e.kind));
  }

  estimateKey({ step, state }) {
    if (!step) return [this.bay.queue.waiting.length, this.bay.online, Boolean(state.closed)];
    if (step.entry.kind !== "decide") return null;
    return [this.bay.standing, this.stale(state), this.bay.online];
  }

  renderAlerts({ state }) {
    const { bay } = this;
    const { refused } = bay.queue;
    const waiting = bay.queue.waiting.length + bay.queue.pictures.length;
    const running = state.engine !== "off";
    const seatLost = running && bay.online && bay.seatWasThere && !bay.others.seat.there;
    const strip = this.draw("engine", [state.engine, seatLost, bay.online, bay.seatWasThere],
      () => (running ? this.engineAlert(state, seatLost) : []));
    if (strip) rest(this.part("engine"));
    const key = [refused, bay.queue.trouble, state.engine, bay.link?.state, seatLost,
      bay.others.seat.says, Boolean(state.closed), bay.seatWasThere, bay.given.trouble, waiting,
      keeps(), bay.standing?.left_out, running, bay.opensAgain];
    const again = keyboardIn(this.part("alerts"));
    const drawn = this.draw("alerts", key, () => {
      const parts = [];
      if (bay.given.trouble) {
        parts.push(this.alert("hold", "There are no steps for this job.",
          `${bay.given.trouble}. Make entries under More.`));
      }
      if (bay.others.seat.says === "stopped" && running) {
        parts.push(this.alert("stop", "The seat says that it stopped the engine.", "",
          bay.given.may_work ? h("div", { class: "acts" }, h("button", { type: "button",
            click: once(() => bay.engineIsOff()) }, "Put it on record")) : null));
      }
      if (refused) parts.push(this.refusalAlert(refused));
      if (!running) parts.push(...this.leftOut());
      if (!keeps()) {
        parts.push(this.alert("caution", "This browser keeps nothing.",
          "Leave this page open until everything is sent."));
      }
      if (bay.queue.trouble) parts.push(this.alert("lost", bay.queue.trouble, ""));
      if (!bay.online && bay.link?.state === "lost" && !running) {
        const open = bay.opensAgain ? "" : " Leave this page open.";
        parts.push(this.alert("lost", "No network: go on.",
          `${waiting ? `${waiting} to be sent from this device.` : "Entries are kept here."}${open}`));
      }
      return parts;
    });
    if (drawn) again?.();
  }

  alert(kind, title, text, ...more) {
    return h("div", { class: `alert ${kind}`, role: "status" }, sign(kind),
      h("div", {}, h("b", {}, title), text ? h("span", {}, ` ${text}`) : null, ...more));
  }

  engineAlert(state, seatLost) {
    const { bay } = this;
    const words = { called: "Engine called to start", running: "Engine running",
      stopping: "Stop called, no answer yet" }[state.engine];
    const cannot = bay.seatWasThere && (!bay.online || seatLost);
    const stopping = state.engine === "stopping";
    const isOff = bay.given.may_work && (!bay.seatWasThere || stopping || cannot);
    // STOP stays where it is: who presses it again must not press what took its place.
    const stop = bay.given.may_work && bay.seatWasThere;
    return h("div", { class: `alert engine${isOff && stop ? " two" : ""}`, role: "status" },
      sign("stop"),
      h("div", { class: "grow" }, h("b", {}, words), cannot
        ? h("span", {}, " The seat cannot hear this screen: shout STOP or wave.") : null),
      isOff ? h("button", { type: "button", class: "isoff",
        click: once(() => bay.engineIsOff()) }, "It is off") : null,
      stop ? h("button", { type: "button", class: `stopnow${stopping ? " again" : ""}`,
        click: () => bay.callStop() }, "STOP") : null);
  }

  /** Samples that the estimate does not count; silent while the engine needs the eyes. */
  leftOut() {
    const out = this.bay.standing?.left_out ?? [];
    if (!out.length) return [];
    const [{ what, todo }] = out;
    const head = out.length > 1 ? `${out.length} samples are left out of the estimate` : what;
    // Who has opened it goes on reading while the strip is drawn anew.
    const toggles = () => {
      this.reads = !this.reads;
    };
    return [h("details", { class: "alert leftout", open: this.reads },
      h("summary", { click: toggles }, sign("caution"), h("span", {}, sentence(head))),
      out.length > 1 ? out.map((one) => h("p", {}, `${sentence(one.what)} ${sentence(one.todo)}`))
        : h("p", {}, sentence(todo)))];
  }

  refusalAlert(refused) {
    return h("div", { class: "alert refused", role: "alert" }, sign("caution"),
      h("div", { class: "grow" },
        h("b", {}, `Not taken: ${refused.text}`),
        h("span", {}, ` ${sentence(refused.refusal.what)} ${sentence(refused.refusal.do)}`),
        h("span", {}, this.bay.queue.waiting.length > 1
          ? ` ${later(this.bay.queue.waiting.length - 1)}.` : ""),
        h("div", { class: "acts" },
          refused.refusal.field === "step" ? [
            h("button", { type: "button", click: () => this.sheets.instead(refused) },
              "This one instead…"),
            h("button", { type: "button", class: "quiet", click: () => this.sheets.both(refused) },
              "Both count…")]
            : h("button", { type: "button", click: () => this.sheets.correct(refused) },
              "Correct…"),
          h("button", { type: "button", class: "quiet",
            click: () => this.sheets.leaveOut(refused) }, "Leave out…"))));
  }

  /** Where it is, its title and its caution: these stay, whatever else is on the screen. */
  headParts({ step, steps, state, cycles }) {
    if (!step || state.closed) {
      const title = state.closed ? "Closed" : this.bay.given.trouble ? "No steps" : "All steps done";
      return h("h1", { id: "title", tabindex: "-1" }, title);
    }
    const cycle = step.cycle ? `, cycle ${step.cycle} of ${cycles}` : "";
    return [
      h("p", { class: "kicker" }, `${PHASES[step.phase] ?? step.phase}${cycle}`,
        h("span", { class: "count" }, `${steps.indexOf(step) + 1} of ${steps.length}`)),
      h("h1", { id: "title", tabindex: "-1" }, step.title),
      step.caution ? h("p", { class: "danger" }, sign("caution"),
        h("span", {}, h("span", { class: "unseen" }, "Caution: "), tied(step.caution))) : null,
    ];
  }

  stepParts(now) {
    const { step, state, held } = now;
    if (!step || state.closed) return this.endParts(now);
    const { bay } = this;
    const parts = [h("p", { class: "instruction" }, tied(step.instruction))];
    const remark = bay.remark(step, state);
    if (remark) parts.push(h("p", { class: "remark" }, h("b", {}, "Remark "), remark));
    if (held.length) parts.push(this.heldParts(now));
    if (held.length && LEVEL.has(step.id)) parts.push(h("p", {}, liveLevel(bay)));
    if (step.entry.kind === "decide") parts.push(this.estimateParts(state));
    if (bay.chosen) {
      parts.push(h("p", {}, h("button", { type: "button", class: "quiet",
        click: () => bay.choose(null) }, "Back to the next step")));
    }
    return parts;
  }

  /** What meets the first hold, if one tap leads there. */
  way([first], { step, steps, state }) {
    const { bay } = this;
    const button = (words, act) => h("button", { type: "button", click: act }, words);
    if (first.kind === "step") return button("Do that first", () => bay.choose(first.step));
    if (first.kind !== "engine") {
      const words = { balance: "Enter a fill", excess: "Enter what was let out",
        window: "Enter a temperature" }[first.kind];
      return button(words, () => this.sheets.meet(first));
    }
    if (first.engine === "off") return null;
    const before = bay.beforeStart(step, steps, state);
    return before ? button(`First: ${before.title}`, () => bay.choose(before.id)) : null;
  }

  heldParts(now) {
    const { bay } = this;
    const { step, held } = now;
    return h("div", { class: "held" }, sign("hold"), h("div", {},
      h("b", {}, "Not yet"),
      h("ul", {}, reasons(held).map((why) => h("li", {}, why))),
      bay.given.may_work && h("div", { class: "acts" },
        this.way(held, now),
        held.some((hold) => hold.firm) ? null
          : h("button", { type: "button", class: "quiet",
            click: () => this.sheets.override(step, held) }, "Go on without it…"))));
  }

  estimateParts() {
    const { bay } = this;
    const s = bay.standing;
    if (!s || this.stale()) {
      return h("div", { class: "estimate" },
        h("p", {}, h("b", {}, bay.online ? "Working out the estimate…" : "Estimate not known."),
          bay.online ? null
            : " It is worked out by the server. You may go on as planned and see it later."));
    }
    return h("div", { class: "estimate" },
      h("p", { class: "big" }, h("b", {}, s.fresh_text), ` fresh (${s.band_text})`),
      h("p", {}, `Target ${s.target_text}: ${s.sure_text} sure.`),
      h("p", { class: "counsel" }, s.advice));
  }

  endParts({ state }) {
    const { bay } = this;
    if (state.closed) {
      return [
        h("p", { class: "instruction" }, "This job is closed. Undo its closing to go on with it."),
        h("p", {}, h("a", { class: "button big", href: `/jobs/${bay.job}/record` }, "Record")),
      ];
    }
    return [
      h("p", { class: "instruction" }, bay.given.trouble
        ? "Make the entries of this job under More."
        : "Look once more at the balance, then close the job."),
      !bay.given.may_work ? null : h("p", {}, bay.queue.waiting.length || !bay.online
        ? "The job is closed with network, once everything is sent."
        : h("a", { class: "button big", href: `/jobs/${bay.job}/close` }, "Close the job")),
    ].filter(Boolean);
  }

  renderFoot({ state }) {
    const { bay } = this;
    const last = state.undo;
    const first = !("undo" in this.drawn);
    const other = this.draw("undo", [last?.id, last?.text], () => [
      sign("undo"),
      h("span", {}, h("b", {}, "Undo"), last ? h("small", {}, last.text) : null),
    ]);
    // A tap that was meant for what stood here must not take back what has just come.
    if (other && !first) rest(this.part("undo"));
    this.part("undo").hidden = !bay.given.may_work;
    this.part("undo").disabled = !last;
    this.part("undo").onclick = once(() => {
      rest(this.part("undo"));
      return bay.undo(last);
    });
    this.part("more").onclick = () => this.sheets.more();
  }

  /** What runs by the clock: the time since the start, and when to call stop. */
  tick() {
    const node = this.part("clock");
    if (!node || !this.now) return;
    const { state, step } = this.now;
    const at = this.bay.startedAt(state);
    const running = state.engine === "running" || state.engine === "stopping";
    if (!running || at === null || step?.turns !== "off") {
      node.replaceChildren();
      return;
    }
    const elapsed = (Date.now() - at) / 1000;
    const bottle = /^stop\.\d+$/.test(step.id);
    const all = bottle ? secondsTo(this.bay.given.mark, state.bottles) : null;
    const key = [Math.floor(elapsed), all];
    if (JSON.stringify(key) === this.drawn.clock && node.childNodes.length) return;
    this.drawn.clock = JSON.stringify(key);
    put(node, this.clockParts(elapsed, all, bottle, state));
    if (all !== null && elapsed >= all && this.calledNow !== step.id) {
      this.calledNow = step.id;
      sound.now();
    }
  }

  clockParts(elapsed, all, bottle, state) {
    const { units, comma, mark } = this.bay.given;
    const runs = `engine runs ${span(elapsed)}`;
    const run = h("small", {}, runs);
    if (!bottle) return [run];
    if (all === null) {
      return [h("b", {}, "Watch the mark"), h("small", {},
        `no bottle was timed yet; ${runs}`)];
    }
    const left = Math.ceil(all - elapsed);
    const timed = state.bottles.filter((b) => b.seconds > 0).length;
    const rate = `${bare((mark / all) * 60, units.volume, comma)} ${units.volume.label}/min by ` +
      `${timed} ${timed === 1 ? "bottle" : "bottles"}; the mark decides`;
    return [h("b", { class: left <= 0 ? "due" : null },
      left > 0 ? `Call stop in ${left} s` : "Call stop now"), h("small", {}, rate), run];
  }
}
