// What a log amounts to, as far as the screens need it without network.
// The server's own fold says the same; a test holds the two together.

/** Kinds of entry that complete the step at which they are made. */
const COMPLETING = new Set([
  "drained", "filled", "discharged", "exchanged", "purged", "worked", "drove", "circulated",
  "lost", "read", "tightened", "sampled", "did", "decided", "acknowledged",
]);
const NOT_UNDONE = new Set(["opened", "signal", "reversed"]);
const ROUNDING = 1e-9;
/** A volume as it is shown, and typed back, may lie this far beside itself [m³]. */
const MARK = 5e-6;
/** Step at which what the short run brought is entered: with its refill it is no cycle. */
const TRIAL = "outlet";
/** Step at which the level is set; what is missing or too much counts anew from there. */
const LEVEL = "level";
const SECOND_LOOK = "recheck";
/** What must have been open for an entry of a kind, at whatever step it was made. */
const OPENED_BY = { drained: ["drain"], filled: ["fill"], discharged: ["line"],
  exchanged: ["line", "fill"], purged: ["line"] };
const PLUGS = ["drain", "fill", "level"];
/** The look for leaks counts for nothing once something was opened after it. */
const LEAK_CHECK = "leak-check";
/** No reason stands for closing the line while it is open. */
const CLOSE_LINE = "line-closed";
/** Steps that say nothing else than how the engine stands. */
const ANSWERED = /^(start|stop|bump)(\.|$)/;

/** Ids out of force: a reversal counts only while it is itself in force. */
export function reversedIds(events) {
  const gone = new Set();
  for (const event of [...events].reverse()) {
    if (event.kind === "reversed" && !gone.has(event.id)) gone.add(event.body.event);
  }
  return gone;
}

/** Calls that were answered, or their step done, by what was undone: nobody is asked again by them. */
function withdrawnCalls(events, gone) {
  const calls = new Map();
  const out = new Set();
  for (const { id, kind, body } of events) {
    if (kind === "signal" && body.step) {
      calls.set(body.step, [...(calls.get(body.step) ?? []), id]);
    } else if (gone.has(id) && COMPLETING.has(kind)) {
      if (kind === "acknowledged") out.add(body.signal);
      else for (const call of calls.get(body.step) ?? []) out.add(call);
    }
  }
  return out;
}

/**
 * Fold a log.
 * @param {object[]} events entries kept by the server in their order, then those still waiting
 * @param {object} given what the server gave: turns by step id, volume of the cooler loop,
 *   the steps and the names of the plugs
 */
export function fold(events, given) {
  const gone = reversedIds(events);
  const effective = events.filter((e) => e.kind !== "reversed" && !gone.has(e.id));
  const state = {
    effective,
    done: [],
    overridden: new Map(),
    out: 0,
    in: 0,
    lost: 0,
    net: 0,
    cycles: 0,
    temperature: null,
    decided: null,
    adopted: null,
    closed: null,
    signals: new Map(),
    engine: "off",
    run: "",
    levelSet: false,
    opened: new Set(),
    readings: {},
    bottles: [],
  };
  const withdrawn = withdrawnCalls(events, gone);
  const known = new Map((given.steps ?? []).map((step) => [step.id, step]));
  const turned = new Map();
  let released = false;
  const release = (volume, trial = false) => {
    state.out += volume;
    state.net -= volume;
    if (!trial) released = true;
  };
  const putIn = (volume) => {
    state.in += volume;
    state.net += volume;
    if (released) state.cycles += 1;
    released = false;
  };
  for (const event of effective) {
    const { kind, body } = event;
    if (kind === "drained") release(body.volume, body.step === TRIAL);
    else if (kind === "discharged") {
      release(body.volume, body.step === TRIAL);
      state.bottles.push({ volume: body.volume, seconds: body.seconds ?? null });
    } else if (kind === "filled") putIn(body.volume);
    else if (kind === "exchanged") {
      release(body.volume);
      putIn(body.volume);
    } else if (kind === "purged") {
      release(body.volume ?? body.share * (given.loop ?? 0), body.step === TRIAL);
    }
    else if (kind === "lost") {
      state.lost += body.volume;
      state.net -= body.volume;
    } else if (kind === "read") {
      state.readings[body.what] = body.value;
      if (body.what === "temperature") state.temperature = body.value;
    }
    else if (kind === "overrode") {
      for (const step of [body.step, ...(body.also ?? [])]) state.overridden.set(step, body.reason);
    }
    else if (kind === "decided") state.decided = body.cycles;
    else if (kind === "adopted") state.adopted = body;
    else if (kind === "closed") state.closed = event;
    else if (kind === "signal") {
      turned.set(event.id, body.turns ?? "");
      if (!withdrawn.has(event.id)) {
        state.signals.set(event.id, { event, answer: null, settled: false });
        called(state, body);
      }
    } else if (kind === "acknowledged") {
      const signal = state.signals.get(body.signal);
      if (signal) Object.assign(signal, { answer: event, settled: true });
      answered(state, turned.get(body.signal) ?? "", body.step ?? "");
    }
    if (COMPLETING.has(kind) && body.step) {
      if (!state.done.includes(body.step)) state.done.push(body.step);
      settle(state, (step) => step === body.step);
      if (kind !== "acknowledged") answered(state, given.turns?.[body.step] ?? "", body.step);
      // What runs out at the look after the drive sets the level once more.
      if (body.step === LEVEL || (body.step === SECOND_LOOK && kind === "lost")) {
        state.net = 0;
        state.levelSet = true;
      }
    }
    openAndClose(state, event, known, given.plugs ?? []);
  }
  state.passed = new Set([...state.done, ...state.overridden.keys()]);
  if (state.opened.has("line")) state.passed.delete(CLOSE_LINE);
  const last = effective.filter((e) => !NOT_UNDONE.has(e.kind)).at(-1) ?? null;
  // How the engine stands is no slip to be taken back by one tap.
  state.turned = turned;
  state.undo = last && saysEngine(last, turned) ? null : last;
  return state;
}

/** Whether a reason lets a step be passed over: no decision, nor closing an open line. */
export function mayBeLeftOut(step, { opened }) {
  return step.entry.kind !== "decide" && !(step.id === CLOSE_LINE && opened.has("line"));
}

/** Whether an entry says how the engine stands: an answer of the seat, or as seen or heard. */
export function saysEngine({ kind, body }, turned) {
  if (kind === "did") return ANSWERED.test(body.step);
  return kind === "acknowledged" && Boolean(turned.get(body.signal));
}

const runOf = (step = "") => step.slice(step.indexOf(".") + 1);

/** Take note of a call to the seat. */
function called(state, { turns, step }) {
  if ((turns === "on" || turns === "pulse") && state.engine !== "running") {
    state.engine = "called";
    state.run = runOf(step);
  } else if (turns === "off" && state.engine !== "off") state.engine = "stopping";
}

/** Take note of how the engine stands; a stop out of turn makes what leads to the start due again. */
function answered(state, turns, step) {
  if (turns === "on") {
    state.engine = "running";
    state.run = runOf(step) || state.run;
  } else if (turns === "off" || turns === "pulse") {
    const { engine, run } = state;
    state.engine = "off";
    state.run = "";
    if (turns === "off" && !step && engine !== "off" && run) {
      again(state, ["check", "ready", "start"].map((root) => `${root}.${run}`));
    }
  }
}

/** Take note of what an entry shows to be open, and of what it closes. */
function openAndClose(state, { kind, body }, known, plugs) {
  const at = COMPLETING.has(kind) && body.step ? body.step : "";
  const opened = new Set([...(known.get(at)?.opens ?? []), ...(OPENED_BY[kind] ?? [])]);
  for (const opening of opened) {
    again(state, dueAgain(opening, at, [...state.done, ...state.overridden.keys()], known));
    state.opened.add(opening);
  }
  const closed = new Set(known.get(at)?.closes ?? []);
  if (kind === "tightened") for (const each of tighteningCloses(body.plug, plugs)) closed.add(each);
  if (kind === "overrode") {
    for (const leftOut of [body.step, ...(body.also ?? [])]) {
      for (const each of known.get(leftOut)?.closes ?? []) if (each !== "line") closed.add(each);
    }
  }
  for (const opening of closed) state.opened.delete(opening);
}

/** What is closed once a plug of that name is tight. */
function tighteningCloses(plug, plugs) {
  const names = plugs.map((name) => name.trim().toLowerCase());
  const tight = plug.trim().toLowerCase();
  return PLUGS.filter((opening) => {
    const meant = names.find((name) => name.includes(opening));
    return meant === undefined ? tight.includes(opening) : meant === tight;
  });
}

/** The steps that count for nothing any more once something is opened. */
function dueAgain(opening, at, passed, known) {
  const closing = passed.filter((id) => known.get(id)?.closes?.includes(opening));
  const cycle = cycleOf(at);
  const first = cycle + (opening === "chocks" ? 1 : 0);
  const last = closing.every(cycleOf) ? Math.max(0, ...closing.map(cycleOf)) : 0;
  const due = closing.filter((id) =>
    at ? !cycleOf(id) || (cycle && cycleOf(id) >= first) : cycleOf(id) === last);
  const leaks = [...PLUGS, "line"].includes(opening) && passed.includes(LEAK_CHECK);
  return leaks ? [...due, LEAK_CHECK] : due;
}

function cycleOf(id) {
  const tail = id.slice(id.indexOf(".") + 1);
  return id.includes(".") && !id.startsWith("torque.") && /^\d+$/.test(tail) ? Number(tail) : 0;
}

/** Make steps due again, with whatever was passed over at them. */
function again(state, steps) {
  state.done = state.done.filter((step) => !steps.includes(step));
  for (const passed of [...state.overridden.keys()]) {
    if (steps.includes(passed.split("/")[0])) state.overridden.delete(passed);
  }
  settle(state, (step) => steps.includes(step));
}

/** Take back the calls for steps that need none any more. */
function settle(state, meant) {
  for (const signal of state.signals.values()) {
    if (signal.event.body.step && meant(signal.event.body.step)) signal.settled = true;
  }
}

/** The id under which a hold is passed over with a reason. */
export function conditionOf(step, hold) {
  if (hold.opening) return `${step.id}/${hold.opening}`;
  return hold.kind === "step" ? hold.step : `${step.id}/${hold.kind}`;
}

/** The conditions that still hold a step back. */
export function holding(step, state) {
  const held = step.holds.filter((hold) => {
    if (!hold.firm && state.passed.has(conditionOf(step, hold))) return false;
    if (hold.opening) return state.opened.has(hold.opening);
    if (hold.kind === "step") return !state.passed.has(hold.step);
    if (hold.kind === "engine") return !engineMeets(step, hold, state.engine);
    if (hold.kind === "balance") return hold.low !== null && state.net < hold.low - ROUNDING;
    if (hold.kind === "excess") return hold.high !== null && state.net > hold.high + ROUNDING;
    if (state.temperature === null) return true;
    return (
      (hold.low !== null && state.temperature < hold.low) ||
      (hold.high !== null && state.temperature > hold.high)
    );
  });
  // What waits for the step that starts the engine need not be told twice.
  return held.length > 1 ? held.filter((hold) => hold.engine !== "on") : held;
}

/** What holds a step back in words, each once. */
export function reasons(held) {
  return [...new Set(held.map((hold) => hold.why))];
}

function engineMeets(step, hold, engine) {
  if (hold.engine === "on") return engine === "running" || engine === "stopping";
  const begins = step.turns === "on" || step.turns === "pulse";
  return engine === "off" || (begins && engine === "called");
}

/** Kinds of entry that belong to steps, whichever way they are entered. */
const TIED = new Set(["drained", "filled", "discharged", "exchanged", "purged", "worked", "drove"]);

/**
 * The step that an entry belongs to which was not made at one: the step that is on completes,
 * one more of its kind is held by the engine alone, and one too early waits as its step does.
 */
export function askedBy(steps, state, current, kind) {
  const asking = TIED.has(kind) ? steps.filter((step) => step.entry.event === kind) : [];
  if (!asking.length) return { step: null, completes: false, held: [] };
  if (asking.includes(current) && !state.passed.has(current.id)) {
    return { step: current, completes: true, held: holding(current, state) };
  }
  const before = asking.findLast((step) => state.passed.has(step.id));
  if (!before) return { step: asking[0], completes: false, held: holding(asking[0], state) };
  const held = holding(before, state).filter((hold) => hold.kind === "engine" && hold.firm);
  return { step: before, completes: false, held };
}

/** Capacities beyond which a volume is taken for a slip, however full it was. */
const ABSURD = 2;
const RELEASING = ["drained", "discharged", "lost"];

/** What cannot have come out however full it was [m³]; null when nobody knows. */
export function mostPossible(kind, net, limits) {
  if (![...RELEASING, "purged"].includes(kind) || limits.capacity === null) return null;
  return Math.max(0, ABSURD * limits.capacity + net);
}

/** The most that came out if the level at the start was that of the sheet [m³]. */
export function mostBySheet(kind, net, limits, leaned = false) {
  if (!RELEASING.includes(kind) || limits.capacity === null) return null;
  const sump = limits.sump !== null && (kind === "discharged" || (kind === "drained" && !leaned));
  return Math.max(0, (sump ? Math.min(limits.capacity, limits.sump) : limits.capacity) + net);
}

/** Relative distance of a torque from the nearest end of its range. */
export function torqueOff(torque, [low, high]) {
  const nearest = Math.min(Math.max(torque, low), high);
  return (torque - nearest) / nearest;
}

function oneName(name) {
  return name.trim().split(/\s+/).join(" ").toLowerCase();
}

/**
 * What looks like a slip in an entry: taken only with a word on why.
 * @returns {{condition: string, off?: number, range?: number[], seal?: string, before?: number,
 *   held?: number, asked?: string, above?: number}[]}
 */
export function doubts(kind, body, state, given, most = null) {
  if (kind === "tightened") {
    const plug = body.plug?.trim().toLowerCase();
    const range = body.target ? [body.target, body.target] : given.torques[plug] ?? null;
    const off = range ? torqueOff(body.torque, range) : 0;
    const tolerance = given.tolerance[range && range[0] < range[1] ? 1 : 0];
    const seal = given.seals?.[plug];
    return [
      ...(Math.abs(off) > tolerance ? [{ condition: "torque", off, range }] : []),
      ...(seal && !body.new_seal ? [{ condition: "seal", seal }] : []),
    ];
  }
  if (kind === "filled" || kind === "exchanged") {
    const other = given.asked && body.fluid && oneName(body.fluid) !== oneName(given.asked);
    const above = state.net + body.volume;
    const { above: most, capacity } = given.limits;
    const high = kind === "filled" && most !== null && above > most && above <= capacity;
    return [
      ...(other ? [{ condition: "fluid", asked: given.asked }] : []),
      ...(high ? [{ condition: "high", above }] : []),
    ];
  }
  if (RELEASING.includes(kind)) {
    const held = mostBySheet(kind, state.net, given.limits, body.leaned === true);
    return [
      ...(kind === "discharged" && most !== null && body.volume > most + MARK
        ? [{ condition: "most" }] : []),
      ...(held !== null && body.volume > held + MARK ? [{ condition: "over", held }] : []),
    ];
  }
  if (kind === "read" && ["odometer", "hours"].includes(body.what)) {
    const before = state.readings[body.what] ?? given.meters?.[body.what];
    if (body.value < before * (1 - ROUNDING)) return [{ condition: "less", before }];
  }
  return [];
}

/** The step to do next; null when all is done. */
export function upcoming(steps, passed, skipped) {
  const gone = passedBy(steps, passed);
  return steps.find((step) => !passed.has(step.id) &&
    !(step.optional && (gone.has(step.id) || skipped.has(step.id)))) ?? null;
}

/** The optional steps that a job has gone past: the next one that is not optional is passed. */
export function passedBy(steps, passed) {
  const gone = new Set();
  let over = false;
  for (const step of [...steps].reverse()) {
    if (!step.optional) over = passed.has(step.id);
    else if (over && !passed.has(step.id)) gone.add(step.id);
  }
  return gone;
}

/**
 * The steps of a job, with those that close what stands open, whatever was decided.
 * @param {object[]} order the steps for the cycles decided on
 * @param {object[]} longest those for the most cycles, in which every opening has its closing
 */
export function inForce(order, longest, { passed, opened }) {
  if (!opened.size) return order;
  const known = new Set(order.map((step) => step.id));
  const lacking = new Set([...opened].filter((opening) =>
    !order.some((step) => step.closes?.includes(opening) && !passed.has(step.id))));
  const more = [];
  for (const step of longest) {
    if (passed.has(step.id) || known.has(step.id)) continue;
    if (!step.closes?.some((each) => lacking.has(each))) continue;
    for (const each of step.closes) lacking.delete(each);
    more.push({ ...step, holds: step.holds.filter((h) => h.kind !== "step" || h.opening) });
  }
  const level = order.findIndex((step) => ["level", "finish"].includes(step.phase));
  const place = level < 0 ? order.length : level;
  const steps = [...order.slice(0, place), ...more, ...order.slice(place)];
  const closer = {};
  for (const step of steps) {
    if (!passed.has(step.id)) for (const each of step.closes ?? []) closer[each] ??= step.id;
  }
  return steps.map((step) => (step.holds.some((hold) => hold.opening in closer)
    ? { ...step, holds: step.holds.map((h) => ({ ...h, step: closer[h.opening] ?? h.step })) }
    : step));
}

/** What the id of a step is called in every cycle; numbered plugs are no cycles. */
export function rootOf(id) {
  const [name, tail = ""] = [id.split(".")[0], id.slice(id.indexOf(".") + 1)];
  return name === "torque" || !id.includes(".") || !/^\d/.test(tail) ? id : name;
}

/** Seconds from the start to the call that leaves so much in the bottle; null while unknown. */
export function secondsTo(volume, bottles) {
  const timed = bottles.filter((bottle) => bottle.seconds > 0);
  const seconds = timed.reduce((sum, bottle) => sum + bottle.seconds, 0);
  const sum = timed.reduce((total, bottle) => total + bottle.volume, 0);
  return timed.length ? (volume * seconds) / sum : null;
}
