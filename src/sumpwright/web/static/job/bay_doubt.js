// What in an entry cannot be, or looks like a slip, in words.

import { doubts, mostPossible } from "./fold.js";
import { shown } from "./numbers.js";

const SLACK = 1e-9;
/** What is asked where an entry looks like a slip. */
const ASKS = {
  over: ["More than was in it by the sheet", "Why did more come out: was it filled too high?"],
  most: ["More than is safe", "Why did more come out than the largest safe discharge?"],
  torque: ["Far from what is given", "Why was it tightened to another torque?"],
  seal: ["No new seal", "Why was no new seal fitted?"],
  fluid: ["Another fluid", "Why does another fluid go in than the sheet asks for?"],
  high: ["More than was in it", "Why does more go in than came out?"],
  less: ["Less than before", "Why does it read less than before?"],
};

/** Say how far a value lies from what is given. */
export function offWords(off) {
  return off >= 1 ? `${(1 + off).toFixed(1)} times`
    : `${Math.round(Math.abs(off) * 100)} % ${off > 0 ? "above" : "below"}`;
}

/** Why what was typed cannot have come out; empty when it can. */
export function impossible(kind, body, state, given) {
  const most = mostPossible(kind, state.net, given.limits);
  if (most === null || !(body.volume > most * (1 + SLACK))) return "";
  const { volume } = given.units;
  return `${shown(body.volume, volume, given.comma)} cannot have come out: at most ` +
    `${shown(most, volume, given.comma)} can be in there now.`;
}

/** What looks like a slip in an entry, in words, with what is asked about it; null when nothing. */
export function doubted(kind, body, state, given, most) {
  const found = doubts(kind, body, state, given, most);
  if (!found.length) return null;
  const { units, comma } = given;
  const words = {
    over: ({ held }) => `More than was in it by the sheet, ${shown(held, units.volume, comma)} at ` +
      "most. If it really came out, say why: was it filled too high?",
    most: () => `More than the largest safe discharge of ${shown(most, units.volume, comma)}: ` +
      "the pump may have drawn air. If it really came out, say why.",
    torque: ({ off, range }) => `${shown(body.torque, units.torque, comma)} is ${offWords(off)} ` +
      `what is given, ${shown(range[off > 0 ? 1 : 0], units.torque, comma)}. If it is so, say why.`,
    seal: ({ seal }) => `The ${body.plug} plug has a seal (${seal}): tick “New seal”, or say why not.`,
    fluid: ({ asked }) => `The sheet asks for ${asked}, and this is ${body.fluid}. A wrong fluid can ` +
      "ruin the system. If it is right, say why.",
    high: ({ above }) => `That is ${shown(above, units.volume, comma)} more than stood in it at the ` +
      "start: it may be overfilled. If it is so, say why.",
    less: ({ before }) => `That is less than before, ${shown(before,
      body.what === "hours" ? units.time : units.distance, comma)}. If it is so, say why.`,
  };
  const asks = found.map(({ condition }) => ASKS[condition]);
  return {
    conditions: found.map(({ condition }) => condition),
    words: found.map((each) => words[each.condition](each)).join(" "),
    asks: [asks.map(([title]) => title).join("; "), asks.map(([, question]) => question).join(" ")],
  };
}

/** The entry that keeps the reason for what looks like a slip. */
export function overDoubt(here, { conditions }, reason) {
  const [step, ...also] = conditions.map((condition) => `${here}/${condition}`);
  return also.length ? { step, also, reason } : { step, reason };
}
