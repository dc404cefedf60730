// One press does one thing: of a double tap, the second finds nothing to press.

/** How long what has just come under the finger takes no tap [ms]; a double tap is over by then. */
const REST = 600;
const ends = new Map();
let keeping = null;

/** Do what a button does, unless what was pressed before is still being kept. */
export function once(act) {
  return async (...given) => {
    if (keeping) return;
    const mine = {};
    keeping = mine;
    try {
      await act(...given);
    } finally {
      if (keeping === mine) keeping = null;
    }
  };
}

/** Let the buttons of a part rest: a tap does nothing for a moment, the keyboard does. */
export function rest(part) {
  part.classList.add("resting");
  clearTimeout(ends.get(part));
  ends.set(part, setTimeout(() => part.classList.remove("resting"), REST));
}

/** Other buttons stand here now: they rest, and do not wait for what the former ones did. */
export function changed(part) {
  keeping = null;
  rest(part);
}
