// The link to the server: news as they come, a beat back, and a clear word when it is lost.

import { sendJson } from "./send.js";

const SILENCE = 3500;
const BEAT = 1500;
const AGAIN = 1500;
const MISSES = 2;

export class Link {
  /**
   * @param {object} about job, screen ("bay" or "seat"), device, after (place in the log)
   * @param {object} hears entry, standing, beat, state: functions
   */
  constructor(about, hears) {
    Object.assign(this, about);
    this.hears = hears;
    this.says = "";
    this.state = "wait";
    this.heard = performance.now();
    this.source = null;
    this.opened = -AGAIN;
    this.missed = 0;
    this.present = about.present ?? true;
  }

  /** Whether somebody is at this screen who can act on what it says. */
  here() {
    this.present = true;
    this.beat();
  }

  start() {
    this.open();
    this.beat();
    setInterval(() => this.watch(), 250);
    setInterval(() => this.beat(), BEAT);
    addEventListener("online", () => this.open());
    addEventListener("pagehide", () => this.leave());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible") this.watch();
    });
  }

  open() {
    this.source?.close();
    this.opened = performance.now();
    const estimate = this.screen === "bay" ? "&estimate=true" : "";
    const source = new EventSource(`/jobs/${this.job}/live?after=${this.after}${estimate}`);
    this.source = source;
    const on = (kind, take) =>
      source.addEventListener(kind, (event) => {
        if (source !== this.source) return;
        this.heard = performance.now();
        if (this.missed < MISSES) this.set("live");
        take(JSON.parse(event.data));
      });
    on("entry", (entry) => {
      this.after = Math.max(this.after, entry.seq);
      this.hears.entry(entry);
    });
    on("standing", (standing) => this.hears.standing?.(standing));
    on("beat", (beat) => this.hears.beat?.(beat));
    on("gone", () => this.set("gone"));
  }

  /** Whether both ways worked lately; if not, the link is lost and opened anew. */
  watch() {
    const now = performance.now();
    if (now - this.heard < SILENCE && this.missed < MISSES) return;
    this.set("lost");
    if (now - this.opened > AGAIN + SILENCE / 2) this.open();
  }

  set(state) {
    if (state === this.state) return;
    this.state = state;
    this.hears.state?.(state);
  }

  /** Tell the others that this screen is there, and what it has to say. */
  async beat() {
    const { device, says } = this;
    const screen = this.present ? this.screen : "none";
    try {
      await sendJson(`/jobs/${this.job}/beat`, { screen, device, says }, 3);
      this.missed = 0;
    } catch {
      this.missed += 1;
      this.watch();
    }
  }

  say(text) {
    this.says = text;
    this.beat();
  }

  leave() {
    const { screen, device } = this;
    sendJson(`/jobs/${this.job}/beat`, { screen, device, leaves: true }, 4, {
      keepalive: true,
    }).catch(() => null);
  }
}
