// What every page shares; each page works without it.

/** The CSRF token of this page, for scripts that send by themselves. */
export function csrfToken() {
  return document.querySelector('meta[name="csrf-token"]')?.content ?? "";
}

function focusMarked(root) {
  root.querySelector("[data-focus]")?.focus();
}

function guardSize(event) {
  const input = event.target;
  if (!(input instanceof HTMLInputElement) || !input.dataset.largest) return;
  const largest = Number(input.dataset.largest);
  const tooLarge = [...input.files].some((file) => file.size > largest);
  input.setCustomValidity(
    tooLarge ? `Choose a file under ${Math.floor(largest / 1048576)} MB.` : "",
  );
  if (tooLarge) input.reportValidity();
}

// A slider that moves the number beside it; without script the number alone does.
function addSlider(input) {
  if (input.dataset.slid) return;
  input.dataset.slid = "yes";
  const slider = document.createElement("input");
  slider.type = "range";
  for (const key of ["min", "max", "step"]) {
    if (input.dataset[key]) slider[key] = input.dataset[key];
  }
  slider.setAttribute("aria-label", input.dataset.slider);
  const comma = input.dataset.comma === "yes";
  const read = () => {
    slider.value = input.value.replace(",", ".");
  };
  read();
  slider.addEventListener("input", () => {
    input.value = comma ? slider.value.replace(".", ",") : slider.value;
    input.dispatchEvent(new Event("input", { bubbles: true }));
  });
  slider.addEventListener("change", () => {
    input.dispatchEvent(new Event("change", { bubbles: true }));
  });
  input.addEventListener("input", read);
  input.closest(".field").querySelector(".sliderslot").append(slider);
}

// What a narrow screen folds away stands open where there is room.
function unfold(root) {
  if (!window.matchMedia("(min-width: 60rem)").matches) return;
  for (const folded of root.querySelectorAll("details.wideopen")) folded.open = true;
}

function enhance(root) {
  root.querySelectorAll("input[data-slider]").forEach(addSlider);
}

// What a live check says beside a field also marks the field.
function markWrong(slot) {
  const input = document.getElementById(`f-${slot.id.slice(2)}`);
  if (!input) return;
  const wrong = slot.querySelector(".wrong");
  input.closest(".field")?.classList.toggle("has-wrong", Boolean(wrong));
  const hint = document.getElementById(`h-${slot.id.slice(2)}`);
  const ids = [hint?.id, wrong?.id].filter(Boolean).join(" ");
  if (wrong) input.setAttribute("aria-invalid", "true");
  else input.removeAttribute("aria-invalid");
  if (ids) input.setAttribute("aria-describedby", ids);
  else input.removeAttribute("aria-describedby");
}

document.addEventListener("change", guardSize);
document.addEventListener("htmx:afterSettle", () => {
  document.querySelectorAll('[id^="w-"]').forEach(markWrong);
});
document.addEventListener("htmx:afterSwap", (event) => {
  enhance(event.target);
  focusMarked(event.target);
});
enhance(document);
unfold(document);
focusMarked(document);
