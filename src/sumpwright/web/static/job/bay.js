// The screen at the machine: one step at a time, with or without network.

import { keepPage } from "./again.js";
import * as db from "./db.js";
import { fold, holding, inForce, rootOf, upcoming } from "./fold.js";
import { Link } from "./link.js";
import { Queue } from "./queue.js";
import { send } from "./send.js";
import * as sound from "./sound.js";
import { uuid7 } from "./uuid7.js";
import { View } from "./bay_view.js";

const PATIENCE = 6;
/** Seconds to wait for a job of which this device has no copy to show instead. */
const FIRST = 30;
const AGAIN = 2000;

class Bay {
  constructor(job) {
    this.job = job;
    this.log = new Map();
    this.given = null;
    this.standing = null;
    this.queue = new Queue(job, (change) => this.changed(change));
    this.link = null;
    this.others = { bay: { there: false }, seat: { there: false, age: null, says: "" } };
    this.skipped = new Set();
    this.chosen = null;
    this.seatWasThere = false;
    this.opensAgain = false;
    this.view = new View(this);
  }

  async start() {
    await this.queue.load();
    while (!(await this.fetchGiven())) {
      this.view.impossible();
      await new Promise((go) => setTimeout(go, AGAIN));
    }
    const last = Math.max(0, ...this.log.keys());
    this.link = new Link(
      { job: this.job, screen: "bay", device: this.device(), after: last,
        present: this.given.may_work },
      {
        entry: (entry) => this.heard(entry),
        standing: (standing) => this.estimate(standing),
        beat: (beat) => this.beat(beat),
        state: (state) => this.linkState(state),
      },
    );
    this.link.start();
    this.queue.flush();
    this.render();
    setInterval(() => this.view.tick(), 200);
    sound.keepLit();
    this.keepPage();
  }

  /** See to it that this page opens again without network; until then it says to stay. */
  async keepPage() {
    if (this.opensAgain) return;
    this.opensAgain = await keepPage();
    this.render();
  }

  device() {
    let device = sessionStorage.getItem("device");
    if (!device) sessionStorage.setItem("device", (device = uuid7()));
    return device;
  }

  async fetchGiven() {
    const kept = await db.get("jobs", this.job);
    try {
      const answer = await send(`/jobs/${this.job}/bay.json`, {}, kept ? PATIENCE : FIRST);
      if (!answer.ok) throw new Error(String(answer.status));
      this.take(await answer.json());
      this.remember(0);
      return true;
    } catch {
      if (kept === null) return false;
      this.take(kept.given);
      return true;
    }
  }

  take(given) {
    this.given = given;
    given.turns = Object.fromEntries(
      given.steps.filter((s) => s.turns).map((s) => [s.id, s.turns]),
    );
    this.standing = given.standing;
    for (const event of given.events) this.log.set(event.seq, event);
    this.steps = Object.fromEntries(given.steps.map((step, place) => [place, step]));
  }

  /** Keep what is known now, for a visit without network. */
  remember(soon = 300) {
    clearTimeout(this.remembering);
    this.remembering = setTimeout(() => {
      const events = this.confirmed();
      const given = { ...this.given, events, standing: this.standing };
      db.put("jobs", { job: this.job, given }).catch(() => null);
    }, soon);
  }

  confirmed() {
    return [...this.log.values()].sort((a, b) => a.seq - b.seq);
  }

  /** Entries made here that the server does not have yet, the refused one left out. */
  unsent() {
    const known = new Set([...this.log.values()].map((event) => event.id));
    return this.queue.waiting.filter((entry) => !entry.refusal && !known.has(entry.id));
  }

  /** Whether an entry made here may not have reached the server. */
  waits(entry) {
    return this.unsent().some(({ id }) => id === entry.id);
  }

  // What happens

  heard(entry) {
    this.log.set(entry.seq, entry);
    this.queue.known(new Set([entry.id]));
    if (entry.kind === "acknowledged") sound.taken();
    this.render();
    this.remember();
  }

  changed({ kept = [], coming = false }) {
    // The step stands until the entry is kept: only the count goes on.
    if (coming) {
      this.view.renderBar();
      return;
    }
    for (const event of kept) if (!this.log.has(event.seq)) this.log.set(event.seq, event);
    if (kept.length) this.remember();
    if (this.given) this.render();
  }

  estimate(standing) {
    this.standing = standing;
    this.render();
    this.remember();
  }

  beat(beat) {
    this.others = beat;
    if (beat.seat.there) this.seatWasThere = true;
    this.render();
  }

  linkState(state) {
    if (state === "live") {
      this.queue.flush();
      this.keepPage();
    }
    this.render();
  }

  // What is so now

  now() {
    const state = fold([...this.confirmed(), ...this.unsent()], this.given);
    const cycles = state.decided ?? this.given.planned;
    const { orders } = this.given;
    const [order, longest] = [orders[String(cycles)] ?? [], Object.values(orders).at(-1) ?? []].map(
      (places) => places.map((place) => this.steps[place]));
    const steps = inForce(order, longest, state);
    let step = steps.find((s) => s.id === this.chosen && !state.passed.has(s.id)) ?? null;
    if (step === null) {
      this.chosen = null;
      step = upcoming(steps, state.passed, this.leftOut(steps, state));
    }
    return {
      state,
      cycles,
      steps,
      step,
      held: step ? holding(step, state) : [],
      call: step ? this.callFor(step, state) : null,
    };
  }

  /** Optional steps left out just now, or by the job whose steps were taken over. */
  leftOut(steps, state) {
    const roots = state.adopted?.skipped ?? [];
    const taught = steps.filter((s) => s.optional && roots.includes(rootOf(s.id)));
    return new Set([...this.skipped, ...taught.map((s) => s.id)]);
  }

  /** What an earlier job, or this one, remarked at a step. */
  remark(step, state) {
    const root = rootOf(step.id);
    const own = state.effective
      .filter((e) => e.kind === "noted" && e.body.step && rootOf(e.body.step) === root)
      .map((e) => e.body.text);
    return [state.adopted?.remarks?.[root], ...own].filter(Boolean).join("\n");
  }

  /** The last call to the seat for a step, if one was made and is not taken back. */
  callFor(step, state) {
    return [...state.signals.values()].filter(
      (s) => s.event.body.step === step.id && (s.answer || !s.settled),
    ).at(-1) ?? null;
  }

  get online() {
    return this.link?.state === "live";
  }

  /** When the engine started, on this device's own clock [ms]. */
  startedAt(state) {
    const start = [...state.effective]
      .reverse()
      .find((e) => e.body.step && this.given.turns[e.body.step] === "on" && e.kind !== "signal");
    if (!start) return null;
    const key = `started ${start.id}`;
    let at = Number(sessionStorage.getItem(key));
    if (!at) {
      at = Math.min(Date.now(), Math.max(Date.parse(start.at), Date.now() - 1500));
      if (Date.now() - Date.parse(start.at) > 60000) at = Date.parse(start.at);
      sessionStorage.setItem(key, String(at));
    }
    return at;
  }

  /** Seconds that the last run took to the call to stop; kept for the bottle's entry. */
  noteRun(state) {
    const at = this.startedAt(state);
    if (at !== null) sessionStorage.setItem("run", String((Date.now() - at) / 1000));
  }

  lastRun() {
    const seconds = Number(sessionStorage.getItem("run"));
    return seconds > 0 ? seconds : null;
  }

  // What the hand does

  entry(kind, body, text) {
    return {
      id: uuid7(),
      kind,
      body,
      text,
      at: new Date().toISOString(),
      by: this.given.by,
    };
  }

  async keep(...entries) {
    sound.unlock();
    this.chosen = null;
    await this.queue.add(entries);
  }

  did(step) {
    return this.keep(this.entry("did", { step: step.id }, `done: ${step.title}`));
  }

  skip(step) {
    this.skipped.add(step.id);
    this.chosen = null;
    this.render();
  }

  choose(id) {
    this.chosen = id;
    this.render();
  }

  undo(event) {
    return this.keep(this.entry("reversed", { event: event.id }, `undid: ${event.text}`));
  }

  /** What was undone last and can be brought back; null when nothing is. */
  undone() {
    const last = this.lastUndo();
    return last ? [...this.confirmed(), ...this.unsent()].find((e) => e.id === last.body.event)
      ?? null : null;
  }

  lastUndo() {
    const events = [...this.confirmed(), ...this.unsent()];
    const { effective } = fold(events, this.given);
    const inForce = new Set(effective.map((event) => event.id));
    const byId = new Map(events.map((event) => [event.id, event]));
    return events.findLast(
      (e) =>
        e.kind === "reversed" &&
        byId.get(e.body.event)?.kind !== "reversed" &&
        !inForce.has(e.body.event),
    ) ?? null;
  }

  /** Bring back what was undone last. */
  redo() {
    const last = this.lastUndo();
    if (!last) return null;
    const text = `in force again: ${this.undone()?.text ?? ""}`;
    return this.keep(this.entry("reversed", { event: last.id }, text));
  }

  /** Go past a step, or past several conditions at once, with one reason. */
  override([id, ...also], reason, title) {
    const body = also.length ? { step: id, also, reason } : { step: id, reason };
    return this.keep(this.entry("overrode", body, `went past ${title}: ${reason}`));
  }

  /** Call the seat to do a step. */
  call(step) {
    // A drive ends with the engine off, but its call is no call to stop.
    const drive = step.entry.kind === "drive";
    const body = {
      to: "seat",
      instruction: step.title,
      text: step.instruction,
      step: step.id,
      turns: drive ? "" : step.turns ?? "",
      engine: step.engine,
      completes: step.entry.kind === "acknowledge",
    };
    if (step.caution) body.caution = step.caution;
    if (drive) body.answer = "Back again";
    if (step.entry.pause) body.pause = step.entry.pause;
    if (body.turns === "off") this.noteRun(this.now().state);
    return this.queue.add([this.entry("signal", body, `told seat: ${step.title}`)]);
  }

  /** Call stop at any moment, whatever step is on. */
  callStop() {
    if (!this.stopping) {
      const { state } = this.now();
      if (state.engine !== "stopping") this.noteRun(state);
      this.stopping = this.queue.add([this.stopCall()]).finally(() => {
        this.stopping = null;
      });
    }
    return this.stopping;
  }

  /** The call to stop; at the step that stops the engine it is that step. */
  stopCall() {
    const { step } = this.now();
    const body = {
      to: "seat",
      instruction: "Stop",
      text: "Stop the engine now.",
      turns: "off",
      engine: "on",
    };
    const due = step?.entry.kind === "acknowledge" && ["off", "pulse"].includes(step.turns);
    if (due) Object.assign(body, { step: step.id, completes: true });
    return this.entry("signal", body, "told seat: Stop");
  }

  /** The hand sees or hears that the engine is off: the call to stop is answered. */
  engineIsOff() {
    const { state } = this.now();
    if (state.engine !== "stopping") this.noteRun(state);
    const open = [...state.signals.values()].findLast(
      (s) => s.event.body.turns === "off" && !s.settled,
    )?.event;
    const call = open ?? this.stopCall();
    const body = { signal: call.id };
    if (call.body.completes) body.step = call.body.step;
    const answer = this.entry("acknowledged", body, "engine off: seen or heard");
    return this.keep(...(open ? [] : [call]), answer);
  }

  /** The step with which the next start begins. */
  beforeStart(step, steps, state) {
    const place = steps.indexOf(step);
    const start = steps.findLast((s, n) => n < place && s.turns === "on");
    if (!start) return null;
    const run = start.id.slice(start.id.indexOf(".") + 1);
    return steps.find((s) => !state.passed.has(s.id) &&
      [`check.${run}`, `ready.${run}`, start.id].includes(s.id)) ?? null;
  }

  /** A seat's step seen or heard to be done, without its screen. */
  seen(step) {
    const { state } = this.now();
    if (step.turns === "off" && state.engine !== "stopping") this.noteRun(state);
    return this.did(step);
  }

  render() {
    if (this.given) this.view.render(this.now());
  }
}

const root = document.querySelector("#bay");
const bay = new Bay(root.dataset.job);
bay.start();

addEventListener("beforeunload", (event) => {
  const lost = !db.keeps() || (!bay.online && !bay.opensAgain);
  if (bay.queue.waiting.length && lost) event.preventDefault();
});
