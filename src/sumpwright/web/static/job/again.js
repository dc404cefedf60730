// Keeps the page of a screen itself, so that it opens again without network.

const PAGES = "pages";

/**
 * Keep this page where the worker looks for it.
 * @returns {Promise<boolean>} whether it will open without network
 */
export async function keepPage() {
  if (!navigator.serviceWorker) return false;
  try {
    await navigator.serviceWorker.register("/sw.js");
    // A worker that is ready has kept the files; the page that it did not see coming it has not.
    await navigator.serviceWorker.ready;
    const cache = await caches.open(PAGES);
    const path = location.pathname;
    if (await cache.match(path)) return true;
    const answer = await fetch(path, { credentials: "same-origin", cache: "no-store" });
    if (!answer.ok || answer.redirected) return false;
    await cache.put(path, answer);
    return true;
  } catch {
    return false;
  }
}
