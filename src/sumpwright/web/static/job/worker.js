// Keeps the job screens usable without network. KEPT and VERSION stand above this line.

const FILES = `files-${VERSION}`;
const PAGES = "pages";
const SCREEN = /^\/jobs\/[0-9a-f-]+\/(bay|seat)$/;
const PATIENCE = 2500;

self.addEventListener("install", (event) => {
  const keep = async () => {
    const cache = await caches.open(FILES);
    await cache.addAll(KEPT.map((path) => new Request(path, { cache: "no-cache" })));
    await self.skipWaiting();
  };
  event.waitUntil(keep());
});

self.addEventListener("activate", (event) => {
  const tidy = async () => {
    for (const name of await caches.keys()) {
      if (name !== FILES && name !== PAGES) await caches.delete(name);
    }
    await self.clients.claim();
  };
  event.waitUntil(tidy());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (request.mode === "navigate") {
    event.respondWith(page(request, url));
  } else if (url.pathname.startsWith("/static/")) {
    event.respondWith(file(request));
  }
});

/** Ask the network, but not for longer than somebody at the machine would wait. */
async function ask(request) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PATIENCE);
  try {
    return await fetch(request, { signal: stop.signal });
  } finally {
    clearTimeout(timer);
  }
}

async function page(request, url) {
  const screen = SCREEN.test(url.pathname);
  if (!screen) return fetch(request).catch(() => away());
  const cache = await caches.open(PAGES);
  try {
    const answer = await ask(request);
    if (answer.ok && !answer.redirected) await cache.put(url.pathname, answer.clone());
    return answer;
  } catch {
    return (await cache.match(url.pathname)) ?? away();
  }
}

async function file(request) {
  try {
    return await ask(request);
  } catch {
    const kept = await caches.match(request, { ignoreSearch: true });
    return kept ?? Response.error();
  }
}

function away() {
  const text =
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>No network · Sumpwright</title>' +
    '<meta name="viewport" content="width=device-width, initial-scale=1">' +
    '<link rel="stylesheet" href="/static/style.css"><main><h1>No network</h1>' +
    '<p class="lead">The server cannot be reached. A bay or seat screen that was open on this ' +
    "device before opens without network too.</p></main></html>";
  return new Response(text, {
    status: 503,
    headers: { "Content-Type": "text/html; charset=utf-8" },
  });
}
