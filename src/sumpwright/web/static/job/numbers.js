// Numbers as they are typed and shown; units come with the job, so that none is written here.

const SPACED = /^\d{1,3}(?:[\s'’]\d{3})+(?:[.,]\d+)?$/;
const THOUSANDS = /^\d{1,3}(?:(?:,\d{3}){2,}|(?:\.\d{3}){2,})$/;
const BOTH = /^\d{1,3}(?:(?:,\d{3})+\.\d+|(?:\.\d{3})+,\d+)$/;
const EITHER = /^([1-9]\d{0,2})([.,])(\d{3})$/;

/** The two numbers that digits can mean, if they can mean two here, as a plain form does. */
function twoMeanings(tidy, { comma, counted }) {
  const found = EITHER.exec(tidy);
  const own = comma ? "," : ".";
  if (!found || (found[2] === own && !counted)) return null;
  const [, whole, , rest] = found;
  return { small: `${whole}${own}${rest}`, large: `${whole}${rest}` };
}

/** Read a number with either decimal sign and thousands set apart; null when it is not one. */
export function readNumber(text, unit = {}) {
  let tidy = text.trim().replace(/(\d)[.,]$/, "$1");
  if (SPACED.test(tidy)) tidy = tidy.replace(/[\s'’]/g, "");
  else if (THOUSANDS.test(tidy)) tidy = tidy.replace(/[.,]/g, "");
  else if (BOTH.test(tidy)) tidy = tidy.replace(/[.,](?=.*[.,])/g, "");
  else if (twoMeanings(tidy, unit)) return null;
  tidy = tidy.replace(",", ".");
  return /^(\d+|\d*\.\d+)$/.test(tidy) ? Number(tidy) : null;
}

/** Reduce the spelling of a unit to what tells units apart, as the server does. */
function squeeze(text) {
  return text.normalize("NFKC").toLowerCase().replace(/[\s.·⋅•*×^_()[\]\-‐‑–]/g, "")
    .replace("⁄", "/").replace("º", "°");
}

/** Split what was typed into its number and, where one is written, its unit. */
function parts(text, unit) {
  const [, number, written] = /^([\d\s.,'’]*\d[.,]?|)\s*(.*)$/s.exec(text.trim());
  const value = readNumber(number, unit);
  if (value === null) return null;
  if (!written) return { value, own: null };
  const own = unit.words?.[squeeze(written)];
  return own ? { value, own } : null;
}

/** Turn what was typed into SI; null when it is not a number, or its unit is not known. */
export function toSI(text, unit) {
  const read = parts(text, unit);
  if (read === null) return null;
  const { value, own } = read;
  if (own) return inSI(value, own[1], own[0]);
  const power = Math.log10(unit.scale);
  if (unit.shift === 0 && Number.isInteger(power)) {
    // Through the decimal text, so that 4.1 L is the same float wherever it is typed.
    return Number(`${value}e${-power}`);
  }
  return (value - unit.shift) / unit.scale;
}

/** Through the decimal text where the factor is a power of ten, so that 12 cm is 0.12 m exactly. */
function inSI(value, offset, factor) {
  const power = Math.log10(factor);
  if (offset === 0 && Math.abs(power - Math.round(power)) < 1e-12) {
    return Number(`${value}e${Math.round(power)}`);
  }
  return value * factor + offset;
}

/** What is wrong with what was typed, in words; empty when nothing is. */
export function whyNot(text, unit, comma) {
  if (!text.trim() || toSI(text, unit) !== null) return "";
  if (/^\s*[-−–]/.test(text)) return "write a number above zero";
  const [number] = /^[\d\s.,'’]*/.exec(text.trim());
  const meant = twoMeanings(number.trim(), unit);
  if (meant) {
    const { small, large } = meant;
    return `‘${number.trim()}’ can mean ${small} or ${large}: ${unit.counted
      ? `write ${large}, or ${small}0 for the small one` : `write ${small} or ${large}`}`;
  }
  const written = /^[\d\s.,'’]*\d[.,]?\s*([^\d\s.,'’].*)$/s.exec(text.trim());
  const twofold = written && unit.twofold?.[squeeze(written[1])];
  if (twofold) return which(text.trim(), written[1], twofold, unit, comma);
  if (written) return `“${written[1].trim()}” is no unit for this: write it in ${unit.label}`;
  return `write a number such as ${comma ? "4,1" : "4.1"}`;
}

/** Ask which of two units is meant, as a plain form does. */
function which(text, written, { nouns, factors, clear }, unit, comma) {
  const number = readNumber(text.slice(0, -written.length), unit);
  if (number === null) return `write a number such as ${comma ? "4,1" : "4.1"}`;
  const [ours, theirs] = factors.map((factor) => {
    const value = number * factor * unit.scale;
    return shown(number * factor, unit, comma, Math.max(0, 2 - Math.floor(Math.log10(value || 1))));
  });
  return `‘${text}’ would be ${ours} as ${nouns[0]}; ${nouns[1]} would make it ${theirs}: ` +
    `write ‘${clear[0]}’ or ‘${clear[1]}’`;
}

/** Write an SI value in the device's unit and decimal sign, without the unit's label. */
export function bare(si, unit, comma, places = unit.places) {
  const value = si * unit.scale + unit.shift;
  const text = (Math.abs(value) < 0.5 * 10 ** -places ? 0 : value).toFixed(places);
  return comma ? text.replace(".", ",") : text;
}

/** Write an amount as it is read at a glance: two decimals up to a hundred, then fewer. */
export function amount(si, unit, comma) {
  const size = Math.abs(si * unit.scale);
  return bare(si, unit, comma, size < 99.995 ? 2 : size < 999.95 ? 1 : 0);
}

/** Write an SI value with its unit; thousands of what is counted are set apart. */
export function shown(si, unit, comma, places) {
  const [whole, ...rest] = bare(si, unit, comma, places).split(/(?=[.,])/);
  const apart = unit.counted ? whole.replace(/\B(?=(\d{3})+$)/g, " ") : whole;
  return `${apart}${rest.join("")} ${unit.label}`;
}

/** Setting of a torque wrench with an extension in line; null until all three are given. */
export function wrenchSetting(torque, wrench, extension) {
  if (!(torque > 0) || !(wrench > 0) || !(extension > 0)) return null;
  return (torque * wrench) / (wrench + extension);
}
