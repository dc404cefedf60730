// Steps at which numbers are entered: the fields, the pad, and the entry made of them.

import { doubted, impossible, overDoubt } from "./bay_doubt.js";
import { AtStep, LEVEL, liveLevel } from "./bay_step.js";
import { h, sign } from "./dom.js";
import { bare, shown, toSI, whyNot, wrenchSetting } from "./numbers.js";
import { once } from "./press.js";

export class Pad extends AtStep {
  fields() {
    const { entry, given } = this;
    const { units } = given;
    if (entry.kind === "volume out" || entry.kind === "volume in" || entry.kind === "exchange") {
      return [{ name: "volume", label: "Volume", unit: units.volume, needed: true }];
    }
    if (entry.kind === "purge") {
      return [{ name: "volume", label: "Caught", unit: units.volume, needed: true }];
    }
    if (entry.kind === "temperature") {
      return [{ name: "value", label: "Temperature", unit: units.temperature, needed: true }];
    }
    if (entry.kind === "reading") {
      return [
        { name: "odometer", label: "Odometer", unit: units.distance },
        { name: "hours", label: "Hours", unit: units.time },
      ];
    }
    if (entry.kind === "torque") {
      const own = !entry.expected;
      return [
        own ? { name: "target", label: "Manual says", unit: units.torque, needed: true } : null,
        { name: "torque", label: own ? "Applied" : "Torque", unit: units.torque, needed: true },
      ].filter(Boolean);
    }
    if (entry.kind === "drive") {
      return [
        { name: "distance", label: "Distance", unit: units.distance },
        { name: "minutes", label: "Minutes", unit: { label: "min", scale: 1, shift: 0, places: 0,
          comma: this.given.comma } },
      ];
    }
    return [];
  }

  parts() {
    const fields = this.fields();
    const parts = [];
    this.said = h("p", { class: "said", role: "status", "aria-live": "polite" });
    const row = h("div", { class: `dials n${fields.length}` },
      fields.map((field, place) => this.field(field, place)));
    const aside = this.aside();
    parts.push(aside ? h("div", { class: "beside" }, row, aside) : row, this.said);
    const ticks = this.ticks();
    if (ticks) parts.push(ticks);
    parts.push(this.keys(), this.buttons());
    this.check();
    return parts;
  }

  /** What else helps with the number. */
  aside() {
    if (this.entry.kind === "torque") {
      return this.small("Wrench…", () => this.view.sheets.wrench(this.typed, this.wanted(),
        () => this.check()));
    }
    return LEVEL.has(this.step.id) ? liveLevel(this.bay) : null;
  }

  field(field, place) {
    const id = `n-${field.name}`;
    const input = h("input", { id, type: "text", inputmode: "none", autocomplete: "off",
      enterkeyhint: "done", maxlength: "16", value: this.typed[field.name] ?? "",
      "aria-describedby": `u-${field.name}`,
      focus: () => { this.active = place; this.mark(); },
      input: () => { this.typed[field.name] = input.value; this.check(); },
      keydown: (event) => { if (event.key === "Enter") once(() => this.enter())(); } });
    this.inputs.push({ ...field, input });
    return h("div", { class: "dial" }, h("label", { for: id }, field.label),
      input, h("span", { class: "unit", id: `u-${field.name}` }, field.unit.label));
  }

  mark() {
    this.inputs.forEach(({ input }, place) =>
      input.parentElement.classList.toggle("active", place === this.active));
  }

  keys() {
    const point = this.given.comma ? "," : ".";
    const rows = ["1", "2", "3", "erase", "4", "5", "6", point, "7", "8", "9", "0"];
    this.mark();
    return h("div", { class: "keys", role: "group", "aria-label": "Number pad" },
      rows.map((key) => h("button", { type: "button", class: "key",
        "aria-label": key === "erase" ? "Erase" : key === point ? "Decimal sign" : null,
        click: () => this.press(key) }, key === "erase" ? sign("erase") : key)));
  }

  press(key) {
    const { name, input } = this.inputs[this.active];
    const point = this.given.comma ? "," : ".";
    if (key === "erase") input.value = input.value.slice(0, -1);
    else if (key === point && /[.,]/.test(input.value)) return;
    else if (input.value.length < 9) input.value += key;
    this.typed[name] = input.value;
    this.check();
  }

  ticks() {
    if (this.entry.kind !== "torque") return null;
    return h("div", { class: "ticks" }, [["new_seal", "New seal"], ["marked", "Paint mark"]].map(
      ([name, label]) => h("label", {}, h("input", { type: "checkbox",
        checked: this.typed[name] === true,
        change: (event) => {
          this.typed[name] = event.target.checked;
          this.check();
        } }), label)));
  }

  value(name) {
    const field = this.inputs.find((each) => each.name === name);
    return field && field.input.value.trim() ? toSI(field.input.value, field.unit) : null;
  }

  /** One tap instead of typing, where the number is known: what came out goes in again. */
  hint() {
    const { entry, now, given } = this;
    if (entry.evens && now.state.net < -1e-5) return -now.state.net;
    if (entry.kind === "torque" && entry.expected?.[0] === entry.expected?.[1]) {
      return entry.expected?.[0] ?? null;
    }
    return entry.kind === "exchange" ? given.mark : null;
  }

  buttons() {
    const { entry } = this;
    const parts = [];
    const hint = this.hint();
    if (hint !== null) {
      const field = this.inputs.find(({ name }) => name === "volume" || name === "torque");
      parts.push(this.small(shown(hint, field.unit, this.given.comma), () => {
        field.input.value = bare(hint, field.unit, this.given.comma);
        this.typed[field.name] = field.input.value;
        this.check();
      }));
    }
    if (entry.may_be_none) {
      parts.push(this.small(entry.kind === "volume in" ? "None needed" : "None came",
        () => this.bay.did(this.step)));
    } else if (entry.kind === "drive") {
      parts.push(this.callDrive());
    }
    if (!entry.may_be_none) parts.push(this.leave());
    this.go = this.big("", () => this.enter());
    parts.push(this.go);
    return h("div", { class: "acts" }, parts.filter(Boolean));
  }

  callDrive() {
    const { seat } = this.bay.others;
    if (!seat.there || !this.bay.online) return null;
    return this.now.call
      ? h("p", { class: "waiting" }, this.now.call.answer ? "Seat: back again" : "Seat is told")
      : this.small("Tell the seat", () => this.bay.call(this.step));
  }

  /** Say what is thought of the numbers so far, and what the button would enter. */
  check() {
    const { entry, given, now } = this;
    const { volume, torque } = given.units;
    const bad = this.inputs.find(({ input, unit }) => whyNot(input.value, unit, given.comma));
    for (const { input } of this.inputs) {
      input.toggleAttribute("aria-invalid", input === bad?.input);
    }
    let words = this.expected();
    let wrong = "";
    let warn = false;
    const amount = this.value("volume");
    this.over = null;
    if (bad) wrong = `${bad.label}: ${whyNot(bad.input.value, bad.unit, given.comma)}.`;
    else if (amount && impossible(entry.event, { volume: amount, leaned: entry.leaned },
      now.state, given)) {
      wrong = impossible(entry.event, { volume: amount, leaned: entry.leaned }, now.state, given);
    } else if (this.slip()) {
      this.over = this.slip();
      wrong = this.over.words;
    } else if (amount !== null && entry.evens && now.state.net < 0 && amount > -now.state.net * 1.02) {
      words = `That is more than the ${shown(-now.state.net, volume, given.comma)} that are missing.`;
      warn = true;
    } else if (entry.kind === "temperature" && this.outside()) {
      words = this.outside();
      warn = true;
    } else if (entry.kind === "torque") words = this.torqueWords(torque) ?? words;
    this.said.textContent = wrong || words;
    this.said.classList.toggle("bad", Boolean(wrong));
    this.said.classList.toggle("warn", warn && !wrong);
    if (this.go) {
      this.go.textContent = this.over ? "Enter with a reason…" : this.label();
      this.go.classList.toggle("idle", !this.ready());
    }
    this.wrong = wrong;
  }

  /** A temperature outside the window: it may be entered, but the level waits. */
  outside() {
    const { entry } = this;
    const value = this.value("value");
    const [low, high] = entry.expected ?? [];
    if (value === null || low === undefined || (value >= low && value <= high)) return "";
    return `${value < low ? "Below" : "Above"} the window: ${this.expected().toLowerCase()
      .replace("°c", "°C").replace("°f", "°F")} The level waits until it is inside.`;
  }

  /** What looks like a slip in what was typed so far. */
  slip() {
    const { entry, now, given } = this;
    const look = (kind, body) => doubted(kind, body, now.state, given, entry.most);
    if (entry.kind === "torque" && this.value("torque")) {
      return look("tightened", { plug: entry.subject, torque: this.value("torque"),
        target: this.value("target") ?? undefined, new_seal: this.typed.new_seal === true });
    }
    if (entry.kind === "volume out" && this.value("volume") !== null) {
      return look(entry.event, { volume: this.value("volume"), leaned: entry.leaned });
    }
    if (entry.kind !== "reading") return null;
    return ["odometer", "hours"].map((what) => this.value(what) !== null
      ? look("read", { what, value: this.value(what) }) : null).find(Boolean) ?? null;
  }

  expected() {
    const { entry, given } = this;
    if (!entry.expected || (entry.evens && this.hint() !== null)) return "";
    const units = { "volume out": "volume", "volume in": "volume", exchange: "volume",
      purge: "volume", temperature: "temperature", torque: "torque" };
    const unit = given.units[units[entry.kind]];
    if (!unit) return "";
    const [low, high] = entry.expected.map((v) => bare(v, unit, given.comma));
    const range = low === high ? low : `${low}–${high}`;
    return `${entry.kind === "torque" ? "The sheet says" : "Expected"} ${range} ${unit.label}.`;
  }

  /** The torque that is wanted at the plug: what was typed, else what is asked for. */
  wanted() {
    const { entry } = this;
    return this.value("torque") ?? (entry.expected
      ? (entry.expected[0] + entry.expected[1]) / 2 : this.value("target"));
  }

  torqueWords(unit) {
    const { given, typed } = this;
    const want = this.wanted();
    const set = wrenchSetting(want, typed.wrench_length, typed.extension);
    return set === null ? null : `Set the wrench to ${shown(set, unit, given.comma)}.`;
  }

  label() {
    const { entry, given } = this;
    const torque = this.value("torque");
    if (entry.kind === "torque" && torque !== null) {
      return `Enter ${shown(torque, given.units.torque, given.comma)}`;
    }
    const verbs = { "volume out": "out", "volume in": "in", exchange: "through", purge: "caught" };
    const amount = this.value("volume");
    if (verbs[entry.kind]) {
      return amount === null ? `Enter what ${{ "volume in": "went in", exchange: "went through" }[entry.kind] ?? "came out"}`
        : `Enter ${shown(amount, given.units.volume, given.comma)} ${verbs[entry.kind]}`;
    }
    if (entry.kind === "temperature" && this.value("value") !== null) {
      return `Enter ${shown(this.value("value"), given.units.temperature, given.comma)}`;
    }
    return { temperature: "Enter the temperature", reading: "Enter the reading",
      torque: "Enter the torque", drive: "Driven" }[entry.kind] ?? "Enter";
  }

  ready() {
    const { entry } = this;
    if (entry.kind === "reading") return this.inputs.some(({ input }) => input.value.trim());
    return this.inputs.every(({ needed, input, unit }) => !needed || toSI(input.value, unit) !== null);
  }

  async enter() {
    this.check();
    if (!this.ready()) {
      const missing = this.inputs.find(({ needed, input, unit }) => needed && toSI(input.value, unit) === null)
        ?? this.inputs[0];
      this.said.textContent = missing.input.value.trim() ? this.wrong
        : `${missing.label} is missing: enter a number.`;
      this.said.classList.add("bad");
      missing.input.focus();
      return;
    }
    if (this.over) {
      const [title, question] = this.over.asks;
      const { over } = this;
      this.view.sheets.reason(title, question, (reason) => this.keep(this.bay.entry("overrode",
        overDoubt(this.step.id, over, reason), `${title.toLowerCase()}: ${reason}`)));
      return;
    }
    if (!this.wrong) await this.keep();
  }

  keep(...before) {
    const made = this.made();
    if (!made.length) return null;
    this.view.typed.delete(this.step.id);
    return this.bay.keep(...before, ...made);
  }

  made() {
    const { entry, step, given, bay } = this;
    const amount = this.value("volume");
    const one = (kind, body, text) => [bay.entry(kind, { ...body, step: step.id }, text)];
    const vol = amount === null ? "" : shown(amount, given.units.volume, given.comma);
    if (entry.kind === "volume out") {
      if (amount === 0) return this.nothing();
      const body = { volume: amount };
      if (entry.leaned) body.leaned = true;
      const seconds = entry.event === "discharged" && step.cycle ? bay.lastRun() : null;
      if (seconds !== null) body.seconds = Math.round(seconds * 10) / 10;
      if (entry.event === "discharged") sessionStorage.removeItem("run");
      return one(entry.event, body, `${entry.event} ${vol}`);
    }
    if (entry.kind === "volume in" || entry.kind === "exchange") {
      if (amount === 0) return this.nothing();
      return one(entry.event, { volume: amount, fluid: entry.subject || given.fluid },
        `${entry.event} ${vol}`);
    }
    if (entry.kind === "purge") {
      const share = given.loop > 0 ? Math.min(1, amount / given.loop) : 1;
      if (amount === 0) return this.nothing();
      return one("purged", { volume: amount, share }, `blown out, ${vol} caught`);
    }
    if (entry.kind === "temperature") {
      const value = this.value("value");
      return one("read", { what: "temperature", value, unit: "K" },
        `read temperature: ${shown(value, given.units.temperature, given.comma)}`);
    }
    if (entry.kind === "reading") return this.readings();
    if (entry.kind === "torque") return this.tightened();
    const body = {};
    if (this.value("distance") !== null) body.distance = this.value("distance");
    if (this.value("minutes") !== null) body.seconds = this.value("minutes") * 60;
    return one("drove", body, "drove");
  }

  nothing() {
    if (this.entry.may_be_none) return [this.bay.entry("did", { step: this.step.id },
      `done: ${this.step.title}`)];
    this.said.textContent = "Nothing is no entry here: enter what was measured.";
    this.said.classList.add("bad");
    return [];
  }

  readings() {
    const { step, given, bay } = this;
    const units = { odometer: "m", hours: "s" };
    return ["odometer", "hours"].filter((what) => this.value(what) !== null).map((what) => {
      const field = this.inputs.find((each) => each.name === what);
      return bay.entry("read", { what, value: this.value(what), unit: units[what], step: step.id },
        `read ${what}: ${shown(this.value(what), field.unit, given.comma)}`);
    });
  }

  tightened() {
    const { entry, step, given, bay, typed } = this;
    const body = { plug: entry.subject, torque: this.value("torque"), step: step.id };
    if (this.value("target") !== null) body.target = this.value("target");
    for (const name of ["wrench_length", "extension"]) {
      if (typed[name] !== undefined) body[name] = typed[name];
    }
    const set = wrenchSetting(body.torque, body.wrench_length, body.extension);
    if (set !== null) body.wrench_set = set;
    for (const name of ["new_seal", "marked"]) if (typed[name]) body[name] = true;
    for (const name of ["as_found", "tool", "calibrated"]) {
      if (typed[name] !== undefined && typed[name] !== "") body[name] = typed[name];
    }
    return [bay.entry("tightened", body,
      `tightened ${entry.subject}: ${shown(body.torque, given.units.torque, given.comma)}`)];
  }
}
