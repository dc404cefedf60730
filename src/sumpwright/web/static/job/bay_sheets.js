// Sheets that come up over the step: more, notes, photographs, other entries, the log, reasons.

import { h, put, select, sentence, sign } from "./dom.js";
import { doubted, impossible, overDoubt } from "./bay_doubt.js";
import { askedBy, conditionOf, mayBeLeftOut, reasons, saysEngine } from "./fold.js";
import { bare, shown, toSI, whyNot, wrenchSetting } from "./numbers.js";
import { PHASES } from "./phases.js";
import { once, rest } from "./press.js";
import { uuid7 } from "./uuid7.js";

const LARGEST = 25 * 1024 * 1024;
const DIMENSIONS = new Set(["volume", "temperature", "torque", "length", "distance"]);

export class Sheets {
  constructor(bay, view) {
    this.bay = bay;
    this.view = view;
    this.box = document.getElementById("sheet");
    this.redraw = null;
    this.title = "";
    this.box.addEventListener("close", () => {
      this.redraw = null;
      this.title = "";
      // What the sheet covered lies under the finger now.
      for (const id of ["act", "undo", "more"]) rest(document.getElementById(id));
    });
  }

  open(title, parts, redraw = null) {
    if (this.title !== title) rest(this.box);
    this.title = title;
    put(this.box, h("div", { class: "sheethead" }, h("h2", { id: "sheettitle" }, title),
      h("button", { type: "button", class: "quiet", click: () => this.box.close() }, "Close")),
    h("div", { class: "sheetbody" }, parts));
    this.redraw = redraw;
    if (!this.box.open) this.box.showModal();
  }

  refresh() {
    if (this.box.open && this.redraw) this.redraw();
  }

  done() {
    this.box.close();
  }

  more() {
    const { bay } = this;
    const { step, state } = this.view.now;
    const work = bay.given.may_work && !state.closed;
    const line = (words, act) => h("li", {}, h("button", { type: "button", class: "menuline",
      click: once(act) }, words));
    const link = (words, href) => h("li", {}, h("a", { class: "menuline", href }, words));
    this.open("More", h("ul", { class: "menu" },
      work ? line("Note…", () => this.note()) : null,
      work ? line("Photograph…", () => this.photograph()) : null,
      work ? line("Other entry…", () => this.others()) : null,
      line("All steps", () => this.steps()),
      line("Log", () => this.log()),
      work && bay.undone() ? line(`Bring back: ${bay.undone().text}`,
        () => { this.done(); return bay.redo(); }) : null,
      work && step && !step.optional && mayBeLeftOut(step, state)
        ? line("Leave this step out…", () => this.override(step, [])) : null,
      link("Seat screen", `/jobs/${bay.job}/seat`),
      link("Page of this job", `/jobs/${bay.job}`),
      work ? link("Close the job", `/jobs/${bay.job}/close`) : null));
  }

  // Texts

  text(title, label, button, act, { value = "", least = 1, lead = "" } = {}) {
    const area = h("textarea", { id: "s-text", rows: "3", maxlength: "2000" });
    area.value = value;
    const wrong = h("p", { class: "wrong", role: "alert", id: "s-wrong" });
    this.open(title, [
      lead ? h("p", {}, lead) : null,
      h("label", { for: "s-text" }, label), area, wrong,
      h("div", { class: "acts" }, h("button", { type: "button", class: "big", click: once(() => {
        const text = area.value.trim();
        if (text.length < least) {
          wrong.textContent = "Write a few words first.";
          area.focus();
          return null;
        }
        this.done();
        return act(text);
      }) }, button)),
    ]);
    area.focus();
  }

  note() {
    const { bay } = this;
    const { step } = this.view.now;
    this.text("Note", "What should be remembered", "Keep the note", (text) => {
      const body = step ? { text, step: step.id } : { text };
      return bay.queue.add([bay.entry("noted", body, `note: ${text.slice(0, 60)}`)]);
    }, { lead: step ? `At the step: ${step.title}.` : "" });
  }

  reason(title, lead, act) {
    this.text(title, "Reason, for the record", "Go on", act, { least: 3, lead });
  }

  /** Go on although something holds the step back, or without the step itself. */
  override(step, held) {
    const { bay } = this;
    if (!held.length) {
      this.reason("Leave this step out", `${step.title}: why is it left out?`, (reason) =>
        bay.override([step.id], reason, step.title));
      return;
    }
    const lead = `${reasons(held).join("; ")}. Why is it safe to go on all the same?`;
    this.reason("Go on without it", `${lead[0].toUpperCase()}${lead.slice(1)}`, (reason) =>
      bay.override(held.map((hold) => conditionOf(step, hold)), reason,
        `“${reasons(held).join("; ")}”`).then(() => bay.choose(step.id)));
  }

  /** Enter what a hold waits for. */
  meet(hold) {
    const { net } = this.view.now.state;
    if (hold.kind === "balance") this.form("filled", { body: net < 0 ? { volume: -net } : {} });
    else if (hold.kind === "excess") this.form("lost", { body: { volume: net } });
    else this.form("read", { body: { what: "temperature" } });
  }

  // Photographs

  photograph() {
    const { bay } = this;
    const { step } = this.view.now;
    const wrong = h("p", { class: "wrong", role: "alert" });
    const caption = h("input", { id: "s-caption", type: "text", maxlength: "200",
      autocomplete: "off" });
    const file = h("input", { id: "s-file", type: "file", accept: "image/*",
      capture: "environment" });
    this.open("Photograph", [
      h("label", { for: "s-file" }, "Photograph"), file,
      h("label", { for: "s-caption" }, "What it shows"), caption, wrong,
      h("p", { class: "hint" }, "Kept without the place and the device that cameras write into it."),
      h("div", { class: "acts" }, h("button", { type: "button", class: "big", click: once(() => {
        const [picture] = file.files;
        if (!picture || picture.size > LARGEST) {
          wrong.textContent = picture ? "Choose a file under 25 MB." : "Take or choose a photograph first.";
          return null;
        }
        this.done();
        return bay.queue.addPicture({ file: picture, caption: caption.value.trim(), id: uuid7(),
          at: new Date().toISOString(), by: bay.given.by, step: step?.id ?? "" });
      }) }, "Keep the photograph")),
    ]);
  }

  // Entries of any kind

  others() {
    const { forms } = this.bay.given;
    this.open("Other entry", h("ul", { class: "menu" },
      Object.entries(forms).filter(([kind]) => kind !== "noted").map(([kind, form]) =>
        h("li", {}, h("button", { type: "button", class: "menuline",
          click: () => this.form(kind) }, form.title)))));
  }

  /** A form for an entry; `keep` takes the body and its words. */
  form(kind, { body = {}, lead = "", keep = null, loose = false } = {}) {
    const { bay } = this;
    const { state, steps, step } = this.view.now;
    const form = bay.given.forms[kind];
    const inputs = form.asks.map((ask) => this.input(ask, body));
    const wrong = h("p", { class: "wrong", role: "alert" });
    // What is entered by itself waits for the same as the step that asks for it.
    const asked = keep ? { step: null, completes: false, held: [] }
      : askedBy(steps, state, step, kind);
    const why = h("textarea", { id: "s-why", rows: "2", maxlength: "2000" });
    const reasoned = h("div", { hidden: !asked.held.length },
      h("label", { for: "s-why" }, "Why is it so all the same? For the record."), why);
    const say = (words) => {
      wrong.textContent = words;
    };
    const go = () => {
      const made = { ...(body.step ? { step: body.step } : {}) };
      for (const { ask, read } of inputs) {
        const value = read();
        if (value === null) {
          const typed = document.getElementById(`s-${ask.name}`).value;
          const unit = this.unitOf(ask) ?? this.plain(ask);
          say(`${ask.label}: ${whyNot(typed, unit, bay.given.comma) ||
            (ask.needed ? "enter it" : "enter a number, or nothing")}.`);
          document.getElementById(`s-${ask.name}`).focus();
          return null;
        }
        Object.assign(made, value);
      }
      if (kind === "sampled") made.cycle = body.cycle ?? this.view.now.state.cycles;
      const cannot = loose ? "" : impossible(kind, made, this.view.now.state, bay.given);
      if (cannot) {
        say(cannot);
        return null;
      }
      const slip = doubted(kind, made, this.view.now.state, bay.given, bay.given.safe);
      const reason = why.value.trim();
      if ((slip || asked.held.length) && reason.length < 3) {
        say(slip ? slip.words : "Say why first.");
        reasoned.hidden = false;
        why.focus();
        return null;
      }
      if (asked.completes) made.step = asked.step.id;
      this.done();
      const text = this.words(kind, made);
      const over = this.overs(asked, slip, kind, reason);
      return keep ? keep(made, text, over)
        : bay.queue.add([...over, bay.entry(kind, made, text)]);
    };
    const firm = asked.held.some((hold) => hold.firm);
    this.open(form.title, [lead ? h("p", { class: "lead" }, lead) : null,
      asked.completes && !asked.held.length
        ? h("p", {}, `This is the step “${asked.step.title}”, and completes it.`) : null,
      asked.held.length ? h("div", { class: "held" }, sign("hold"), h("div", {},
        h("b", {}, "Not yet"), h("ul", {}, reasons(asked.held).map((why) => h("li", {}, why)))))
        : null,
      firm ? null : [inputs.map(({ parts }) => parts), reasoned, wrong,
        h("div", { class: "acts" }, h("button", { type: "button", class: "big", click: once(go) },
          form.button))]]);
  }

  /** The reasons that go on record with an entry. */
  overs({ step, held }, slip, kind, reason) {
    const { bay } = this;
    const out = [];
    if (held.length) {
      const [first, ...also] = held.map((hold) => conditionOf(step, hold));
      out.push(bay.entry("overrode", also.length ? { step: first, also, reason }
        : { step: first, reason }, `went past “${reasons(held).join("; ")}”: ${reason}`));
    }
    if (slip) {
      out.push(bay.entry("overrode", overDoubt(step?.id ?? kind, slip, reason),
        `${slip.asks[0].toLowerCase()}: ${reason}`));
    }
    return out;
  }

  /** What has no unit of the device's: seconds, money, a share. */
  plain(ask) {
    return { scale: 1, shift: 0, label: ask.unit, comma: this.bay.given.comma };
  }

  unitOf(ask) {
    return DIMENSIONS.has(ask.type) ? this.bay.given.units[ask.type] : null;
  }

  words(kind, body) {
    const { units, comma } = this.bay.given;
    const volume = body.volume ? ` ${shown(body.volume, units.volume, comma)}` : "";
    if (kind === "read") return `read ${body.what}`;
    if (kind === "tightened") return `tightened ${body.plug}`;
    if (kind === "sampled") return `sample ${body.vial}`;
    return `${kind}${volume}`;
  }

  input(ask, body) {
    const { given } = this.bay;
    const id = `s-${ask.name}`;
    const unit = this.unitOf(ask);
    const hint = ask.hint ? h("p", { class: "hint" }, ask.hint) : null;
    const label = h("label", { for: id }, ask.label,
      ask.needed ? h("span", { class: "need" }, " (needed)") : null);
    if (ask.type === "tick") {
      const box = h("input", { id, type: "checkbox", checked: body[ask.name] === true });
      return { ask, parts: h("div", { class: "ticks" }, h("label", { for: id }, box, ask.label)),
        read: () => (box.checked ? { [ask.name]: true } : {}) };
    }
    if (ask.type === "reading") return this.readingInput(ask, body, label);
    if (ask.type === "choice") {
      const list = select(id, ask.choices, body[ask.name] ?? "");
      return { ask, parts: [label, hint, list],
        read: () => (list.value ? { [ask.name]: list.value } : {}) };
    }
    const number = unit || ["seconds", "minutes", "money", "count", "share"].includes(ask.type);
    const start = ask.name === "fluid" ? body.fluid ?? given.fluid : body[ask.name];
    const input = h(ask.type === "long" ? "textarea" : "input", { id,
      type: ask.type === "long" ? null : ask.type === "date" ? "date" : "text",
      inputmode: number ? "decimal" : null, autocomplete: "off", maxlength: "400",
      list: ask.name === "plug" ? "s-plugs" : null });
    if (start !== undefined) {
      input.value = unit ? bare(start, unit, given.comma)
        : ask.type === "share" ? String(start * 100) : String(start);
    }
    const plugs = ask.name === "plug"
      ? h("datalist", { id: "s-plugs" }, given.plugs.map((name) => h("option", { value: name })))
      : null;
    return {
      ask,
      parts: [label, hint, h("span", { class: "entry" }, input,
        ask.unit ? h("span", { class: "unit" }, ask.unit) : null), plugs],
      read: () => this.readInput(ask, input.value.trim(), unit),
    };
  }

  readInput(ask, text, unit) {
    if (!text) return ask.needed ? null : {};
    if (unit) {
      const value = toSI(text, unit);
      return value === null ? null : { [ask.name]: value };
    }
    if (["seconds", "minutes", "money", "count", "share"].includes(ask.type)) {
      const value = toSI(text, this.plain(ask));
      if (value === null) return null;
      const scale = { minutes: 60, share: 0.01 }[ask.type] ?? 1;
      return { [ask.name]: ask.type === "count" ? Math.round(value) : value * scale };
    }
    return { [ask.name]: text };
  }

  readingInput(ask, body, label) {
    const { given } = this.bay;
    const what = h("select", { id: `s-${ask.name}` }, Object.entries(given.readings).map(
      ([name, { label: words }]) => h("option", { value: name }, words)));
    if (body.what in given.readings) what.value = body.what;
    const unitOf = () => given.units[given.readings[what.value].dimension];
    const unit = h("span", { class: "unit" }, unitOf().label);
    what.addEventListener("change", () => { unit.textContent = unitOf().label; });
    const value = h("input", { id: "s-value", type: "text", inputmode: "decimal",
      autocomplete: "off", value: body.value === undefined ? "" : bare(body.value, unitOf(), given.comma) });
    return {
      ask,
      parts: [label, what, h("label", { for: "s-value" }, "Value"),
        h("span", { class: "entry" }, value, unit)],
      read: () => {
        const read = toSI(value.value, unitOf());
        return read === null ? null
          : { what: what.value, value: read, unit: given.readings[what.value].unit };
      },
    };
  }

  /** The wrench: what to set it to with an extension, and what is kept about it. */
  wrench(typed, wanted, done) {
    const { units, comma } = this.bay.given;
    const number = (id, start, unit) => h("input", { id, type: "text", inputmode: "decimal",
      autocomplete: "off", maxlength: "9", value: start ? bare(start, unit, comma) : "",
      input: () => work() });
    const arm = number("s-arm", typed.wrench_length, units.length);
    const reach = number("s-reach", typed.extension, units.length);
    const found = number("s-found", typed.as_found, units.torque);
    const tool = h("input", { id: "s-tool", type: "text", maxlength: "80", autocomplete: "off",
      value: typed.tool ?? "" });
    const day = h("input", { id: "s-day", type: "date", value: typed.calibrated ?? "" });
    const set = h("p", { class: "setting", role: "status" });
    const fields = [["Length of the wrench", arm, units.length],
      ["Length of the extension", reach, units.length], ["Found at", found, units.torque]];
    const work = () => {
      const bad = fields.map(([label, input, unit]) => {
        const why = whyNot(input.value, unit, comma);
        input.toggleAttribute("aria-invalid", Boolean(why));
        return why && `${label}: ${why}.`;
      }).find(Boolean);
      set.classList.toggle("bad", Boolean(bad));
      if (bad) {
        put(set, bad);
        return false;
      }
      const lengths = [toSI(arm.value, units.length), toSI(reach.value, units.length)];
      const made = wrenchSetting(wanted, ...lengths);
      const half = (lengths[0] === null) !== (lengths[1] === null);
      put(set, made !== null
        ? ["Set the wrench to ", h("b", {}, shown(made, units.torque, comma)),
          ` for ${shown(wanted, units.torque, comma)} at the plug.`]
        : half ? "Give both lengths, or neither."
          : wanted ? "Without an extension the wrench is set to the value itself."
            : "Enter the torque first.");
      return !half;
    };
    const row = (id, label, input, unit = "") => [h("label", { for: id }, label),
      h("span", { class: "entry" }, input, unit ? h("span", { class: "unit" }, unit) : null)];
    this.open("Wrench", [
      row("s-arm", "Length of the wrench, square to middle of the grip", arm, units.length.label),
      row("s-reach", "Length of the extension, in line with it", reach, units.length.label), set,
      row("s-found", "Found at", found, units.torque.label),
      row("s-tool", "Which wrench", tool), row("s-day", "Calibrated on", day),
      h("div", { class: "acts" }, h("button", { type: "button", class: "big", click: () => {
        if (!work()) return;
        typed.wrench_length = toSI(arm.value, units.length) ?? undefined;
        typed.extension = toSI(reach.value, units.length) ?? undefined;
        typed.as_found = toSI(found.value, units.torque) ?? undefined;
        typed.tool = tool.value.trim();
        typed.calibrated = day.value;
        this.done();
        done();
      } }, "Keep")),
    ]);
    work();
  }

  // What the server refused

  correct(refused) {
    const { bay } = this;
    if (!(refused.kind in bay.given.forms)) {
      this.leaveOut(refused);
      return;
    }
    this.form(refused.kind, {
      body: refused.body,
      lead: `${sentence(refused.refusal.what)} ${sentence(refused.refusal.do)}`,
      keep: (body, text, [over]) => bay.queue.correct({ id: uuid7(), body, text }, over ?? null),
    });
  }

  /** Two entered the same step: both count, with a reason. */
  both(refused) {
    const { bay } = this;
    const { step, ...body } = refused.body;
    this.reason("Both count", `“${refused.text}” counts besides what was entered before. Why?`,
      (reason) => bay.queue.correct({ id: uuid7(), body, text: refused.text })
        .then(() => bay.queue.add([bay.entry("noted",
          { text: `both count: ${refused.text} (${reason})`, step }, "note: both count")])));
  }

  /** Two entered the same step: this one counts, and the other is taken back. */
  instead(refused) {
    const { bay } = this;
    const other = this.view.now.state.effective.findLast(
      (e) => e.body.step === refused.body.step && !["noted", "signal", "overrode"].includes(e.kind),
    );
    this.form(refused.kind, {
      body: refused.body,
      lead: other ? `In place of “${other.text}”.` : "",
      loose: true,
      keep: (body, text) => bay.queue.correct({ id: uuid7(), body, text },
        other ? bay.entry("reversed", { event: other.id }, `undid: ${other.text}`) : null),
    });
  }

  leaveOut(refused) {
    const { bay } = this;
    this.reason("Leave this entry out", `“${refused.text}” was not taken. Why is it left out?`,
      (reason) => bay.queue.discard([bay.entry("noted",
        { text: `left out: ${refused.text} (${reason})` }, `note: left out ${refused.text}`)]));
  }

  // Looking back and ahead

  steps() {
    const draw = () => {
      const { steps, state, step } = this.view.now;
      let heading = "";
      this.open("All steps", h("ol", { class: "menu steps" }, steps.map((each) => {
        const part = `${PHASES[each.phase] ?? each.phase}${
          each.cycle && each.phase !== "prepare" ? `, cycle ${each.cycle}` : ""}`;
        const head = part === heading ? null : h("h3", {}, part);
        heading = part;
        const passed = state.passed.has(each.id);
        const over = state.overridden.has(each.id);
        const word = over ? "left out" : passed ? "done" : each.id === step?.id ? "now" : "";
        const body = [h("span", { class: "what" }, each.title), h("span", { class: "word" }, word)];
        return h("li", { class: passed ? "passed" : null }, head,
          passed ? h("div", { class: "menuline" }, body)
            : h("button", { type: "button", class: "menuline", click: () => {
              this.done();
              this.bay.choose(each.id);
            } }, body));
      })), null);
    };
    draw();
  }

  log() {
    const draw = () => {
      const { state } = this.view.now;
      const { bay } = this;
      const inForce = new Set(state.effective.map((event) => event.id));
      const unsent = bay.unsent();
      const rows = [...bay.confirmed(), ...unsent].filter((e) => e.kind !== "reversed").reverse();
      this.open("Log", h("ol", { class: "menu log" }, rows.map((event) => {
        const undone = !inForce.has(event.id);
        const fixed = event.kind === "opened" || event.kind === "signal" || undone ||
          (event.kind === "acknowledged" && saysEngine(event, state.turned));
        return h("li", { class: undone ? "undone" : null },
          h("span", { class: "what" }, h("span", {}, event.text),
            h("small", {}, [event.by, clock(event.at), undone ? "undone" : "",
              unsent.includes(event) ? "not sent yet" : ""].filter(Boolean).join(", "))),
          fixed || !bay.given.may_work ? null
            : h("button", { type: "button", class: "quiet", click: once(() => bay.undo(event)) },
              sign("undo"), h("span", {}, "Undo")));
      })), draw);
    };
    draw();
  }
}

function clock(stamp) {
  return new Date(stamp).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
}
