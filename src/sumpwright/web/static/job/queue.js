// Entries made on this device, kept until the server has them: sent in order, each once.

import * as db from "./db.js";
import { Unreachable, send, sendJson } from "./send.js";

const AT_ONCE = 50;
const PATIENCE = 20;

export class Queue {
  /**
   * @param {string} job
   * @param {(change: object) => void} tell what happened: {kept: events}, {coming: true} when
   *   something is being kept, or {} when the queue itself changed
   */
  constructor(job, tell) {
    this.job = job;
    this.tell = tell;
    this.waiting = [];
    this.pictures = [];
    this.coming = 0;
    this.trouble = "";
    this.sending = null;
    this.timer = null;
    this.wait = 1;
  }

  /** Read what an earlier visit left. */
  async load() {
    await this.read();
    db.hearOthers((job) => {
      if (job === this.job) this.reread();
    });
  }

  /** Another page of this device changed what is waiting. */
  async reread() {
    await this.read();
    this.tell({});
  }

  async read() {
    this.waiting = await db.ofJob("waiting", this.job);
    this.pictures = await db.ofJob("pictures", this.job);
  }

  /** How many entries and photographs the server does not have yet. */
  get unsent() {
    return this.coming + this.waiting.length + this.pictures.length;
  }

  /** The entry that the server refused, if one was; those after it wait for it. */
  get refused() {
    const first = this.waiting[0];
    return first?.refusal ? first : null;
  }

  /** Keep entries on the device, then send them. */
  async add(entries) {
    await this.keep("waiting", entries.map((entry) => ({ ...entry, job: this.job, refusal: null })));
  }

  /** Keep a photograph on the device, then send it. */
  async addPicture(picture) {
    await this.keep("pictures", [{ ...picture, job: this.job }]);
  }

  /** From the press on, nobody is told that all has been sent. */
  async keep(store, records) {
    this.coming += records.length;
    this.tell({ coming: true });
    try {
      await db.add(store, records);
      await this.read();
    } finally {
      this.coming -= records.length;
    }
    this.tell({});
    db.tellOthers(this.job);
    this.flush();
  }

  /** Put a corrected entry in place of the refused one, and another one before it. */
  async correct(entry, before = null) {
    const first = this.waiting[0];
    if (before) {
      await db.put("waiting", { ...before, n: first.n - 0.5, job: this.job, refusal: null });
    }
    await db.put("waiting", { ...first, ...entry, refusal: null });
    await this.reload();
    this.flush();
  }

  /** Take the refused entry out of the queue; what else should be kept goes to its end. */
  async discard(instead) {
    const first = this.waiting[0];
    await this.add(instead);
    await db.remove("waiting", [first.n]);
    await this.reload();
    this.flush();
  }

  async reload() {
    await this.reread();
    db.tellOthers(this.job);
  }

  /** Entries that the server tells of are no longer waiting. */
  async known(ids) {
    const gone = this.waiting.filter((entry) => ids.has(entry.id));
    if (!gone.length) return;
    await db.remove("waiting", gone.map((entry) => entry.n));
    await this.reload();
  }

  /** Send what is waiting, now if possible and later if not. */
  flush() {
    this.sending ??= this.run().finally(() => {
      this.sending = null;
    });
    return this.sending;
  }

  /** Try again soon, waiting longer each time. */
  later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.flush(), this.wait * 1000);
    this.wait = Math.min(this.wait * 2, 15);
  }

  async run() {
    clearTimeout(this.timer);
    try {
      while (this.waiting.length && !this.refused) {
        if (!(await this.step())) return;
      }
      while (this.pictures.length && !this.waiting.length) {
        if (!(await this.picture())) return;
      }
      this.wait = 1;
    } catch (error) {
      // An answer cut off in the middle is as good as none: the entries are sent again.
      if (!(error instanceof Unreachable)) console.warn(error);
      this.later();
    }
  }

  async step() {
    const batch = this.waiting.slice(0, AT_ONCE);
    const events = batch.map(({ id, kind, body, at, by }) => ({ id, kind, body, at, by }));
    const answer = await sendJson(
      `/api/jobs/${this.job}/events?standing=false`,
      { events },
      PATIENCE,
    );
    if (answer.status !== 200 && answer.status !== 422) return this.stand(answer);
    const said = await answer.json();
    this.trouble = "";
    const kept = new Set((said.added ?? []).map((added) => added.event.id));
    await db.remove(
      "waiting",
      batch.filter((entry) => kept.has(entry.id)).map((entry) => entry.n),
    );
    if (said.error) {
      const first = batch.find((entry) => !kept.has(entry.id));
      await db.put("waiting", { ...first, refusal: said.error });
    }
    const texts = new Map(batch.map((entry) => [entry.id, entry.text]));
    this.waiting = await db.ofJob("waiting", this.job);
    db.tellOthers(this.job);
    this.tell({
      kept: (said.added ?? []).map(({ event }) => ({ ...event, text: texts.get(event.id) })),
    });
    return !said.error;
  }

  /** The server answers, but not to this: say so, keep everything, try again. */
  async stand(answer) {
    const said = await answer.json().catch(() => null);
    this.trouble =
      answer.status === 401 || answer.status === 403
        ? `Not taken: ${said?.error?.what ?? "this device may not"}. ${said?.error?.do ?? ""}`
        : `The server cannot take entries now (${answer.status}).`;
    this.tell({});
    this.later();
    return false;
  }

  async picture() {
    const first = this.pictures[0];
    const form = new FormData();
    form.append("photograph", first.file, "photograph");
    for (const key of ["id", "at", "by", "caption", "step"]) form.append(key, first[key] ?? "");
    const answer = await send(
      `/jobs/${this.job}/photographs`,
      { method: "POST", body: form, headers: { Accept: "application/json" } },
      120,
    );
    if (answer.ok) {
      this.trouble = "";
    } else if (answer.status < 500 && answer.status !== 401 && answer.status !== 403) {
      const said = await answer.json().catch(() => null);
      this.trouble = `A photograph was not taken: ${said?.error?.what ?? answer.status}.`;
    } else {
      return this.stand(answer);
    }
    await db.remove("pictures", [first.n]);
    await this.reload();
    return true;
  }
}
