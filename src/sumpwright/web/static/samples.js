// Outlines of the vials moved by finger, mouse or keys; the numbers in the form follow.

const svg = document.getElementById("row");
const field = document.getElementById("f-outlines");
const NS = "http://www.w3.org/2000/svg";
const CORNERS = ["top left", "top right", "bottom right", "bottom left"];
const [, , width, height] = svg.getAttribute("viewBox").split(" ").map(Number);

function parsed(text) {
  return text
    .split("\n")
    .filter((line) => line.trim())
    .map((line) => line.trim().split(/\s+/).map((point) => point.split(",").map(Number)));
}

let outlines = parsed(field.value);

/** Pixels of the photograph for a length on the screen. */
function scale() {
  return width / (svg.getBoundingClientRect().width || width);
}

/** A finger's reach, from its middle, in pixels of the screen. */
const FINGER = 24;

/** Radius of a drawn handle: clear to see, and never over that of another corner. */
function reach(at) {
  const away = outlines
    .flat()
    .filter((point) => point !== at)
    .map(([x, y]) => Math.hypot(x - at[0], y - at[1]));
  return Math.max(5 * scale(), Math.min(14 * scale(), 0.46 * Math.min(...away, Infinity)));
}

/** The corner nearest to a place, so that fingers' reaches may overlap where vials stand close. */
function nearest(x, y) {
  let best = null;
  outlines.forEach((points, index) =>
    points.forEach((point, corner) => {
      const away = Math.hypot(point[0] - x, point[1] - y);
      if (!best || away < best.away) best = { index, corner, away };
    }),
  );
  return best;
}

function place(event) {
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(
    svg.getScreenCTM().inverse(),
  );
  return [at.x, at.y];
}

const within = (value, most) => Math.round(10 * Math.min(Math.max(value, 0), most)) / 10;

function written(points) {
  return points.map((point) => point.join(",")).join(" ");
}

function changed() {
  field.value = outlines.map(written).join("\n");
  svg.classList.add("stale");
  document.getElementById("stale").textContent = "The outlines were moved: read again.";
  const keep = document.getElementById("keep");
  if (keep) keep.disabled = true;
}

function groupOf(index) {
  let group = svg.querySelector(`g[data-vial="${index + 1}"]`);
  if (!group) {
    group = document.createElementNS(NS, "g");
    group.classList.add("vial");
    group.dataset.vial = index + 1;
    group.append(document.createElementNS(NS, "polygon"));
    svg.append(group);
  }
  return group;
}

function draw(index) {
  const group = groupOf(index);
  group.querySelector("polygon").setAttribute("points", written(outlines[index]));
  for (const kind of ["reach", "corner"]) {
    group.querySelectorAll(`circle.${kind}`).forEach((circle, corner) => {
      const at = outlines[index][corner];
      circle.setAttribute("cx", at[0]);
      circle.setAttribute("cy", at[1]);
      circle.setAttribute("r", kind === "reach" ? FINGER * scale() : reach(at));
    });
  }
}

function move(index, corner, x, y) {
  outlines[index][corner] = [within(x, width), within(y, height)];
  draw(index);
  changed();
}

function addHandles(index) {
  const group = groupOf(index);
  outlines[index].forEach((_, corner) => {
    const around = document.createElementNS(NS, "circle");
    around.classList.add("reach");
    group.append(around);
    const handle = document.createElementNS(NS, "circle");
    handle.classList.add("corner");
    handle.setAttribute("tabindex", "0");
    handle.setAttribute("role", "button");
    const name = CORNERS[corner] ?? `corner ${corner + 1}`;
    handle.setAttribute("aria-label", `Vial ${index + 1}, ${name}: move with the arrow keys`);
    handle.addEventListener("keydown", (event) => {
      const step = (event.shiftKey ? 10 : 1) * Math.max(1, Math.round(scale()));
      const way = {
        ArrowLeft: [-step, 0],
        ArrowRight: [step, 0],
        ArrowUp: [0, -step],
        ArrowDown: [0, step],
      }[event.key];
      if (!way) return;
      event.preventDefault();
      const [x, y] = outlines[index][corner];
      move(index, corner, x + way[0], y + way[1]);
    });
    group.append(handle);
  });
  draw(index);
}

function addOutline() {
  const last = outlines[outlines.length - 1];
  const next = last
    ? last.map(([x, y]) => [within(x + 0.12 * width, width), y])
    : [
        [0.1, 0.3],
        [0.17, 0.3],
        [0.17, 0.7],
        [0.1, 0.7],
      ].map(([x, y]) => [within(x * width, width), within(y * height, height)]);
  outlines.push(next);
  addHandles(outlines.length - 1);
  changed();
}

function dropOutline() {
  if (!outlines.length) return;
  svg.querySelector(`g[data-vial="${outlines.length}"]`)?.remove();
  outlines.pop();
  changed();
}

let held = null;
svg.addEventListener("pointerdown", (event) => {
  if (!(event.target instanceof SVGCircleElement)) return;
  event.preventDefault();
  held = nearest(...place(event));
  svg.setPointerCapture(event.pointerId);
});
svg.addEventListener("pointermove", (event) => {
  if (held && svg.hasPointerCapture(event.pointerId)) {
    move(held.index, held.corner, ...place(event));
  }
});
svg.addEventListener("lostpointercapture", () => {
  held = null;
});

outlines.forEach((_, index) => addHandles(index));
document.getElementById("byfinger").hidden = false;
document.getElementById("more").hidden = false;
document.getElementById("addvial").addEventListener("click", addOutline);
document.getElementById("dropvial").addEventListener("click", dropOutline);
window.addEventListener("resize", () => outlines.forEach((_, index) => draw(index)));
field.addEventListener("change", () => {
  for (const group of svg.querySelectorAll("g.vial")) group.remove();
  outlines = parsed(field.value).filter((points) => points.length > 2);
  outlines.forEach((_, index) => addHandles(index));
  changed();
});
