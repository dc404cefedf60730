// The list of what to lay out keeps its ticks on this device.

function keyOf(list) {
  return `sumpwright-kit ${list.dataset.kit}`;
}

function kept(list) {
  try {
    return new Set(JSON.parse(localStorage.getItem(keyOf(list)) ?? "[]"));
  } catch {
    return new Set();
  }
}

function restore() {
  const list = document.querySelector("[data-kit]");
  if (!list) return;
  const ticked = kept(list);
  for (const box of list.querySelectorAll("input")) box.checked = ticked.has(box.dataset.what);
}

document.addEventListener("change", (event) => {
  const list = event.target.closest?.("[data-kit]");
  if (!list) return;
  const ticked = kept(list);
  const what = event.target.dataset.what;
  if (event.target.checked) ticked.add(what);
  else ticked.delete(what);
  try {
    localStorage.setItem(keyOf(list), JSON.stringify([...ticked]));
  } catch {
    // A private window keeps nothing; the ticks stay until the page is left.
  }
});
document.addEventListener("htmx:afterSwap", restore);
restore();
