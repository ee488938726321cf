// What of a job's timeline is known to the page: the answer for a stretch around the view, and what came since by the
// stream. Memory is bounded: at most four thousand live events are kept, and one answer.

import { get, jobPath } from "./link.js";

const MOST_LIVE = 4000;
const identity = (e) => `${e.capture}:${e.offset}:${e.kind}:${e.t}`;

export class Span {
  constructor(job) {
    this.job = job;
    this.data = null;
    this.live = [];
    this.filter = { search: "", strays: false, paths: null };
    this.waiting = null;
    this.clock = null;
    this.merged = null;
    this.number = 0;
    this.full = 1023;
  }

  /** The end of what was recorded, on the job's timeline; grows by the page's own clock while a capture runs. */
  edge() {
    if (!this.clock) return this.data ? Math.max(0, ...this.data.captures.map((c) => c.end_s ?? 0)) : 0;
    return this.clock.t + (performance.now() - this.clock.at) / 1000;
  }

  /** Whether the clock runs. */
  get running() { return this.clock !== null; }

  /** A capture runs: `t` is the present on the job's timeline; null ends that. */
  setClock(t) {
    if (t === null) { this.clock = null; return; }
    const now = performance.now();
    // Delay is never negative: the earliest arrival seen is the best clock.
    if (!this.clock || t > this.clock.t + (now - this.clock.at) / 1000) this.clock = { t, at: now };
  }

  /** Takes events of the stream. */
  push(message) {
    for (const event of message.events) {
      if (event.capture === undefined) event.capture = message.capture;
      this.live.push(event);
    }
    const last = message.events[message.events.length - 1];
    if (last) this.setClock(last.t);
    if (this.live.length > MOST_LIVE) this.live.splice(0, this.live.length - MOST_LIVE);
    this.merged = null;
  }

  /** The end of what is recorded, as the daemon says it. */
  async end() {
    const answer = await get(jobPath(this.job, "/timeline?from=0&to=1&buckets=1"));
    return Math.max(0, ...answer.captures.map((c) => c.end_s ?? 0));
  }

  /** Asks for a stretch around `from` to `to`; resolves true when the answer is the one that was asked for last. */
  async fetch(from, to, width) {
    const pad = (to - from) / 2;
    const query = new URLSearchParams({
      from: String(Math.max(0, from - pad)), to: String(to + pad),
      buckets: String(Math.min(2000, Math.max(50, Math.round(width)))),
    });
    if (this.filter.search) query.set("search", this.filter.search);
    if (this.filter.strays) query.set("strays", "true");
    this.number += 1;
    const mine = this.number;
    const answer = await get(jobPath(this.job, `/timeline?${query}`));
    if (mine !== this.number) return false;
    for (const lane of Object.values(answer.lanes)) lane.from_s = answer.from_s;
    answer.edge = this.edge();
    this.data = answer;
    this.live = this.live.filter((e) => e.t > from - pad);
    this.merged = null;
    return true;
  }

  /** Whether the answer at hand serves a view well enough. */
  covers(from, to) {
    const d = this.data;
    if (!d) return false;
    const span = to - from;
    const known = d.to_s - d.from_s;
    return Math.max(0, from) >= d.from_s - 1e-6 && (to <= d.to_s + 1e-6 || d.from_s + known >= this.edge())
      && (known < span * 4.5 || Object.values(d.lanes).every((lane) => !lane.buckets));
  }

  /** Answer and live events as one, by lane. */
  all() {
    if (this.merged) return this.merged;
    const base = this.data ?? { captures: [], lanes: {}, total: 0, from_s: 0, to_s: 0 };
    const lanes = {};
    const shown = (name) => !this.filter.paths || this.filter.paths.has(name);
    const search = this.filter.search.toLowerCase();
    for (const name of ["keypad", "infrared", "cec", "menu", "system"]) {
      const lane = base.lanes[name] ?? { events: [] };
      if (!shown(name)) { lanes[name] = { events: [], from_s: base.from_s }; continue; }
      let fresh = this.live.filter((e) => e.path === name && (!this.filter.strays || e.stray)
        && (!search || JSON.stringify(e).toLowerCase().includes(search)));
      if (lane.events) {
        const known = new Set(lane.events.map(identity));
        fresh = fresh.filter((e) => !known.has(identity(e)));
      } else {
        fresh = fresh.filter((e) => e.t > base.edge);
      }
      const events = [...(lane.events ?? []), ...fresh];
      if (fresh.length) events.sort((a, b) => a.t - b.t);
      lanes[name] = { ...lane, events };
    }
    this.merged = { ...base, lanes, full: this.full };
    return this.merged;
  }

  /** The next stray after `t` (`way` 1) or the last before it (-1); null when there is none. */
  async stray(t, way, end) {
    let [from, to] = way > 0 ? [t + 1e-6, end] : [0, t - 1e-6];
    for (let round = 0; round < 12 && to > from; round += 1) {
      const query = new URLSearchParams({ from: String(from), to: String(to), buckets: "1000", strays: "true" });
      const answer = await get(jobPath(this.job, `/timeline?${query}`));
      const hits = [];
      const parts = [];
      for (const [path, lane] of Object.entries(answer.lanes)) {
        for (const e of lane.events ?? []) if (e.stray && e.t >= from && e.t <= to) hits.push({ path, ...e });
        (lane.buckets?.strays ?? []).forEach((n, i) => {
          if (n) parts.push([answer.from_s + i * lane.buckets.width_s, answer.from_s + (i + 1) * lane.buckets.width_s]);
        });
      }
      const best = (list, at) => list.reduce((a, b) => (a === null || (at(b) - at(a)) * way < 0 ? b : a), null);
      const hit = best(hits, (e) => e.t);
      const part = best(parts, (p) => p[0]);
      if (hit && (!part || (way > 0 ? hit.t <= part[1] : hit.t >= part[0]))) return hit;
      if (!part) return hit;
      if (way > 0) [from, to] = [Math.max(from, part[0]), Math.min(to, part[1])];
      else [from, to] = [Math.max(from, part[0] - 1e-6), Math.min(to, part[1])];
    }
    return null;
  }
}
