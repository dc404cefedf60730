// What is done at a step: the big button, and where numbers are entered the pad (bay_pad.js).

import { Pad } from "./bay_pad.js";
import { AtStep } from "./bay_step.js";
import { h, keyboardIn, select, sign } from "./dom.js";
import { changed } from "./press.js";

const SEAT_WORDS = { on: "Engine runs", off: "Engine stopped", pulse: "Ran and stopped again" };

/** Draw the act of a step; nothing is drawn anew while the same step waits for the same thing. */
export function drawAct(view, now) {
  const { step, held, call, state } = now;
  const { bay } = view;
  const toSeat = step && (step.who === "seat" || step.entry.kind === "drive");
  const key = [step?.id, held.length, call?.event.id, call?.answer?.id,
    toSeat && [bay.others.seat.there, bay.online, call && bay.waits(call.event), bay.seatWasThere],
    step?.entry.kind === "decide" ? [now.cycles, bay.standing?.go_on] : 0,
    step?.entry.evens ? state.net : 0, bay.given.may_work, Boolean(state.closed)];
  const first = !("act" in view.drawn);
  const again = !first && view.actOf === step?.id ? keyboardIn(view.part("act")) : null;
  view.actOf = step?.id;
  const drawn = view.draw("act", key, () => {
    if (!step || state.closed) return [];
    if (!bay.given.may_work) return h("p", {}, "This device only looks on.");
    if (held.length) return [];
    return new Act(view, now).parts();
  });
  if (!drawn) return;
  again?.();
  if (!first) changed(view.part("act"));
}

class Act extends AtStep {
  parts() {
    const { kind } = this.entry;
    if (this.step.who === "seat" && kind !== "drive" && !this.answered()) return this.seat();
    if (kind === "tick" || kind === "acknowledge") return this.tick();
    if (kind === "decide") return this.decide();
    if (kind === "work") return this.work();
    if (kind === "sample") return this.sample();
    return new Pad(this.view, this.now).parts();
  }

  answered() {
    return this.entry.kind === "work" && Boolean(this.now.call?.answer);
  }

  tick() {
    return [h("div", { class: "acts" }, this.leave(),
      this.big("Done", () => this.bay.did(this.step)))];
  }

  /** A step of the seat: call it, see the answer, or take it as seen or heard. */
  seat() {
    const { bay, step, now } = this;
    const { seat } = bay.others;
    const clock = h("div", { id: "clock", class: "clock" });
    const word = SEAT_WORDS[step.turns] ?? (this.entry.kind === "work" ? "Worked through" : "Ready");
    const heard = () => (this.entry.kind === "work" ? this.enterWork() : bay.seen(step));
    const called = now.call && !now.call.answer;
    if (called) {
      const words = bay.online
        ? seat.there ? "Called: the seat has not answered yet." : "Called, but the seat is not there."
        : bay.waits(now.call.event)
          ? "No network: the call may not have left this device. Call by voice."
          : "No network: the call went out, no answer can come. Go by what you see.";
      return [clock, h("p", { class: "waiting", role: "status" }, sign("wait"), words),
        h("div", { class: "acts" },
          this.small(bay.online ? "Call again" : "Try again", () => bay.call(step)),
          this.big(`${word}: seen or heard`, heard, step.turns === "off" ? "stop" : ""))];
    }
    if (seat.there && bay.online) {
      return [clock, h("div", { class: "acts" }, this.small(`${word} already`, heard),
        this.big(step.turns === "off" ? "Call STOP" : `Call seat: ${step.title}`,
          () => bay.call(step), step.turns === "off" ? "stop" : ""))];
    }
    return [clock, h("p", { class: "waiting" }, sign("wait"),
      bay.seatWasThere
        ? "The seat screen is out of reach: call by voice, go on by what you see."
        : "No seat screen is there: call by voice, or do it yourself."),
      this.big(word, heard, step.turns === "off" ? "stop" : "")];
  }

  work() {
    return [h("p", { class: "waiting", role: "status" }, sign("live"), "The seat says: done."),
      this.big("Enter it", () => this.enterWork())];
  }

  enterWork() {
    const sweeps = Math.round(this.entry.expected?.[0] ?? 1);
    return this.bay.keep(this.bay.entry("worked", { sweeps, step: this.step.id },
      `worked through, ${sweeps} ${sweeps === 1 ? "sweep" : "sweeps"}`));
  }

  decide() {
    const { bay, step, now } = this;
    const { cycle } = step;
    const more = Math.max(now.cycles, cycle + 1);
    const keep = (cycles, words) => bay.keep(
      bay.entry("decided", { cycles, step: step.id }, words));
    const goOn = bay.standing?.go_on ?? cycle < now.cycles;
    const next = String(more) in this.given.orders
      ? this.big(`Go on: cycle ${cycle + 1}`,
        () => keep(more, `decided to go on, ${more} cycles in all`), goOn ? "" : "quiet")
      : null;
    return [h("div", { class: "acts" }, this.big(`Stop after ${cycle}`,
      () => keep(cycle, `decided to stop after ${cycle}`), goOn ? "quiet" : ""), next)];
  }

  sample() {
    const { step, entry, bay } = this;
    const vial = h("input", { id: "n-vial", type: "text", maxlength: "60", autocomplete: "off",
      value: this.typed.vial ?? entry.subject, input: (e) => { this.typed.vial = e.target.value; } });
    const look = h("input", { id: "n-look", type: "text", maxlength: "200", autocomplete: "off",
      value: this.typed.note ?? "", input: (e) => { this.typed.note = e.target.value; } });
    const places = this.given.forms.sampled.asks.find((ask) => ask.name === "taken_from");
    const place = entry.taken_from ? select("n-from", places.choices.filter(([value]) => value),
      this.typed.from ?? entry.taken_from, (value) => { this.typed.from = value; }) : null;
    return [
      place && h("div", { class: "dials words" },
        h("div", { class: "dial" }, h("label", { for: "n-from" }, "Taken from"), place)),
      h("div", { class: "dials n2 words" },
        h("div", { class: "dial" }, h("label", { for: "n-vial" }, "Label of the vial"), vial),
        h("div", { class: "dial" }, h("label", { for: "n-look" }, "What it looks like"), look)),
      h("div", { class: "acts" }, this.leave(), this.big("Vial filled", () => {
        const label = vial.value.trim();
        if (!label) return vial.focus();
        const body = { vial: label, cycle: entry.for_cycle, step: step.id };
        if (place) body.taken_from = place.value;
        if (look.value.trim()) body.note = look.value.trim();
        this.view.typed.delete(step.id);
        return bay.keep(bay.entry("sampled", body, `sample ${label}`));
      })),
    ];
  }
}
