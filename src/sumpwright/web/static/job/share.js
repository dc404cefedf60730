// Sharing a record as a file, where the device can; the links work without.

async function share(event) {
  const link = event.currentTarget;
  event.preventDefault();
  try {
    const answer = await fetch(link.href);
    const kind = link.dataset.share;
    const named = /filename="([^"]+)"/.exec(answer.headers.get("content-disposition") ?? "");
    const file = new File([await answer.blob()], named?.[1] ?? `record.${kind}`, {
      type: kind === "pdf" ? "application/pdf" : "application/json",
    });
    await navigator.share({ files: [file] });
  } catch (error) {
    if (error.name !== "AbortError") location.assign(link.href);
  }
}

const probe = new File(["x"], "record.pdf", { type: "application/pdf" });
if (navigator.canShare?.({ files: [probe] })) {
  for (const link of document.querySelectorAll("[data-share]")) {
    const kind = link.dataset.share;
    if (kind === "json" && !navigator.canShare({ files: [new File(["x"], "r.json", { type: "application/json" })] })) continue;
    const button = link.cloneNode(true);
    button.textContent = kind === "pdf" ? "Share the PDF" : "Share the data";
    button.addEventListener("click", share);
    link.after(" ", button);
  }
}
