// What every kind of step has at its foot: the big button, a small one, a way to leave it.

import { h } from "./dom.js";
import { rootOf } from "./fold.js";
import { once } from "./press.js";

/** Steps at which the live level helps. */
export const LEVEL = new Set(["temperature", "top-up", "level", "recheck"]);

/** The way to the live temperature and level. */
export function liveLevel(bay) {
  return h("a", { class: "button quiet", href: `/jobs/${bay.job}/level` }, "Live level");
}

export class AtStep {
  constructor(view, now) {
    Object.assign(this, { view, bay: view.bay, now, step: now.step, given: view.bay.given });
    this.entry = this.step.entry;
    if (!view.typed.has(this.step.id)) {
      view.typed.set(this.step.id, { ...now.state.adopted?.tools?.[rootOf(this.step.id)] });
    }
    this.typed = view.typed.get(this.step.id);
    this.inputs = [];
    this.active = 0;
  }

  big(words, act, kind = "") {
    return h("button", { type: "button", class: `big ${kind}`, click: once(act) }, words);
  }

  small(words, act) {
    return h("button", { type: "button", class: "quiet", click: once(act) }, words);
  }

  leave() {
    return this.step.optional ? this.small("Skip", () => this.bay.skip(this.step)) : null;
  }
}
