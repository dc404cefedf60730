// Building elements: text is always text, so that nothing anybody typed becomes markup.

/** Make an element; attributes that are null or false are left out, functions listen. */
export function h(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") made.addEventListener(name, value);
    else if (name === "value") made.value = value;
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
  return made;
}

/** A list to choose one of, each as kept and as said. */
export function select(id, choices, chosen, changed = () => {}) {
  const made = h("select", { id, change: (event) => changed(event.target.value) },
    choices.map(([value, words]) => h("option", { value }, words)));
  made.value = chosen;
  return made;
}

/** Replace what an element holds. */
export function put(element, ...children) {
  element.replaceChildren(...children.flat(Infinity).filter(Boolean));
}

/** Note where the keyboard is in a part; gives what puts it there again in a new drawing. */
export function keyboardIn(part) {
  const here = document.activeElement;
  if (!part.contains(here)) return null;
  const name = (it) => it.id || it.getAttribute("aria-label") || it.innerText
    || it.parentElement.innerText;
  const [tag, known] = [here.tagName, name(here)];
  return () => [...part.querySelectorAll(tag)].find((it) => name(it) === known)
    ?.focus({ preventScroll: true });
}

/** A drawn sign, so that colour is never the only one. */
export function sign(name) {
  const paths = {
    caution: "M12 3 22 21H2ZM12 9v6M12 17.6v.9",
    hold: "M6 3h12M6 21h12M7 3v4l5 5 5-5V3M7 21v-4l5-5 5 5v4",
    live: "M4 13l5 5L20 6",
    lost: "M5 5l14 14M19 5 5 19",
    wait: "M12 4a8 8 0 1 0 .01 0M12 8v4l3 2",
    undo: "M9 7 4 12l5 5M4 12h10a5 5 0 0 1 0 10h-2",
    more: "M5 12h.01M12 12h.01M19 12h.01",
    stop: "M8 3h8l5 5v8l-5 5H8l-5-5V8Z",
    back: "M15 5l-7 7 7 7",
    erase: "M9 5h12v14H9l-6-7ZM12 9l6 6M18 9l-6 6",
  };
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("class", "sign");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", paths[name]);
  svg.append(path);
  return svg;
}

/** Make a sentence of words that begin small and end without a stop. */
export function sentence(words) {
  return words ? `${words[0].toUpperCase()}${words.slice(1)}.` : "";
}

const AMOUNT = /(\d) (US qt|mL|L|°C|°F|N·m|lbf·ft|km|mi|mm|in|min|s)(?![\p{L}])/gu;

/** Keep each number on one line with its unit. */
export function tied(words) {
  return words.replace(AMOUNT, (_, digit, unit) => `${digit}\u00a0${unit.replace(" ", "\u00a0")}`);
}
