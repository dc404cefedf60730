// Requests that change something: they carry the token of the page, and a new one if it is stale.

let token = document.querySelector('meta[name="csrf-token"]')?.content ?? "";

/** The server did not answer: no network, or it is not running. */
export class Unreachable extends Error {}

async function renew() {
  const answer = await fetch("/settings", { cache: "no-store" });
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  token = page.querySelector('meta[name="csrf-token"]')?.content ?? token;
}

async function once(address, options, seconds) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), seconds * 1000);
  try {
    return await fetch(address, {
      ...options,
      headers: { ...options.headers, "X-CSRF-Token": token },
      credentials: "same-origin",
      cache: "no-store",
      signal: stop.signal,
    });
  } catch (error) {
    throw new Unreachable(String(error));
  } finally {
    clearTimeout(timer);
  }
}

/** Send a request; a stale token is renewed once. */
export async function send(address, options, seconds = 10) {
  const answer = await once(address, options, seconds);
  if (answer.status !== 403) return answer;
  const said = await answer.clone().json().catch(() => null);
  if (said?.error?.field !== "csrf_token") return answer;
  await renew();
  return once(address, options, seconds);
}

/** Send JSON. */
export function sendJson(address, value, seconds, more = {}) {
  return send(
    address,
    {
      method: "POST",
      headers: { "Content-Type": "application/json", Accept: "application/json" },
      body: JSON.stringify(value),
      ...more,
    },
    seconds,
  );
}
