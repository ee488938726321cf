// The lanes on the page: what is in view, how one moves in it (wheel, drag, pinch, keys, buttons), search and filter,
// and the same as a table for those who cannot see the drawing. The drawing follows at once with what is known; the
// finer answer of the daemon replaces it when it comes.

import { W, place } from "./words.js";
import { el, button, say, redraw, table } from "./dom.js";
import { on } from "./link.js";
import { AXIS, GUTTER, HEIGHT, across, draw, label, laneAt, palette, timeAt } from "./draw.js";
import { Span } from "./span.js";
import { command } from "./keys.js";
import { hands } from "./pointer.js";

const NARROWEST = 0.005;
const STILL = matchMedia("(prefers-reduced-motion: reduce)");

/** Makes the lanes of a job; `choose(event)` is called for a chosen event. */
export function lanes(job, choose) {
  const span = new Span(job);
  const view = { from: 0, to: 60, width: 800, height: HEIGHT, edge: 0, live: false, selected: null };
  let follow = true;
  let cursor = null;
  let colours = palette();
  let asked = null;
  let due = false;
  let fetchedAt = 0;
  let ran = false;

  const canvas = el("canvas", { role: "img", "aria-label": W.lanes.title });
  const frame = el("div.lanes", { id: "lanes", tabindex: 0, role: "group", "aria-label": W.lanes.region }, canvas);
  const where = el("span.where", { id: "lanes-view" });
  const latest = el("span.latest", { id: "latest" });
  const followButton = button("", () => setFollow(!follow), { id: "follow", "aria-pressed": "true", "aria-keyshortcuts": "f" });
  const search = el("input", { type: "search", id: "search", placeholder: W.lanes.search, "aria-label": W.lanes.search,
    maxlength: 100, autocomplete: "off" });
  const only = el("input", { type: "checkbox", id: "only-strays" });
  const paths = Object.entries(W.paths).map(([name, words]) => {
    const box = el("input", { type: "checkbox", id: `path-${name}`, checked: true });
    box.addEventListener("change", filtered);
    return el("label.tick", {}, box, words);
  });
  only.addEventListener("change", filtered);
  let typing = null;
  search.addEventListener("input", () => { clearTimeout(typing); typing = setTimeout(filtered, 250); });
  const sieve = el("details", { id: "sieve" }, el("summary", {}, W.lanes.filter), el("div.row.tools", {}, search, ...paths));
  const rows = el("div");
  const unfolded = el("details", { id: "lanes-table" }, el("summary", {}, W.lanes.table), rows);
  unfolded.addEventListener("toggle", () => listed());

  const root = el("section.board-lanes", { "aria-labelledby": "lanes-title" },
    el("div.row.between", {}, el("h2", { id: "lanes-title" }, W.lanes.title), el("span.legend", {},
      el("span.stray-ink", {}, W.lanes.legend.stray), el("span.input-ink", {}, W.lanes.legend.input),
      el("span.reading-ink", {}, W.lanes.legend.read), el("span.mark-ink", {}, W.lanes.legend.menu))),
    frame,
    el("div.row", {}, where, latest),
    el("div.row.tools", {}, followButton,
      button(W.lanes.all, all, { id: "all", "aria-keyshortcuts": "0" }),
      button("−", () => zoom(2), { "aria-label": W.lanes.zoomOut, id: "zoom-out" }),
      button("+", () => zoom(0.5), { "aria-label": W.lanes.zoomIn, id: "zoom-in" }),
      button("←", () => pan(-0.4), { "aria-label": W.lanes.back, id: "earlier" }),
      button("→", () => pan(0.4), { "aria-label": W.lanes.forth, id: "later" }),
      button(`▼ ${W.lanes.lastStray}`, () => jump(-1), { id: "previous-stray", "aria-keyshortcuts": "p" }),
      button(`▼ ${W.lanes.nextStray}`, () => jump(1), { id: "next-stray", "aria-keyshortcuts": "n" }),
      el("label.tick", {}, only, W.lanes.onlyStrays)),
    el("div.row.folds", {}, sieve, unfolded));

  function filtered() {
    span.filter.search = search.value.trim();
    span.filter.strays = only.checked;
    span.filter.paths = new Set(Object.keys(W.paths).filter((name) =>
      paths.some((tick) => tick.firstChild.id === `path-${name}` && tick.firstChild.checked)));
    span.merged = null;
    load(true);
  }

  function size() {
    const width = Math.max(280, Math.floor(frame.clientWidth));
    const ratio = Math.min(3, devicePixelRatio || 1);
    if (canvas.width !== Math.round(width * ratio) || view.width !== width) {
      view.width = width;
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(HEIGHT * ratio);
    }
    const c = canvas.getContext("2d", { alpha: false });
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    return c;
  }

  /** Draws in the next frame, once however often it is asked for. */
  function paint() {
    if (due) return;
    due = true;
    requestAnimationFrame(() => {
      due = false;
      if (!root.isConnected) return;
      view.edge = span.edge();
      view.live = span.running;
      if (follow && view.live) {
        // The present runs into the view from the left until the view is full.
        const wide = view.to - view.from;
        view.to = Math.max(view.edge + wide * 0.03, wide);
        view.from = view.to - wide;
      }
      draw(size(), view, span.all(), colours);
      said();
    });
  }

  function said() {
    const wide = view.to - view.from;
    const data = span.all();
    let total = 0;
    let strays = 0;
    for (const lane of Object.values(data.lanes)) {
      for (const e of lane.events ?? []) {
        if (e.t >= view.from && e.t <= view.to) { total += 1; strays += e.stray ? 1 : 0; }
      }
      lane.buckets?.counts.forEach((n, i) => {
        const t = lane.from_s + (i + 0.5) * lane.buckets.width_s;
        if (t >= view.from && t <= view.to) { total += n; strays += lane.buckets.strays[i]; }
      });
    }
    const text = `${W.lanes.view(place(view.from, wide / 50), place(view.to, wide / 50), total)}, ${W.lanes.strays(strays)}`;
    say(where, text);
    if (canvas.getAttribute("aria-label") !== text) canvas.setAttribute("aria-label", text);
    say(followButton, follow ? W.lanes.followOn : W.lanes.follow);
    followButton.setAttribute("aria-pressed", String(follow));
  }

  /** Asks the daemon for what is in view, unless it is known well enough; one question at a time. */
  function load(force) {
    paint();
    if (!force && span.covers(view.from, view.to)) return;
    clearTimeout(asked);
    asked = setTimeout(async () => {
      fetchedAt = performance.now();
      const done = await span.fetch(view.from, view.to, view.width - GUTTER).catch(() => false);
      if (done) { paint(); if (unfolded.open) listed(); }
    }, force ? 0 : 60);
  }

  function move(from, to, keepFollow) {
    const wide = Math.min(Math.max(to - from, NARROWEST), Math.max(span.edge() * 1.5, 3600));
    let start = Number.isFinite(from) ? from : 0;
    start = Math.max(-wide * 0.1, Math.min(start, Math.max(span.edge() - wide * 0.1, 0)));
    [view.from, view.to] = [start, start + wide];
    if (!keepFollow) follow = false;
    load();
  }

  function zoom(factor, x) {
    // While it follows, the present stays in place.
    const pivot = x === undefined ? (follow ? view.to : cursor !== null && cursor > view.from && cursor < view.to
      ? cursor : (view.from + view.to) / 2) : timeAt(view, Math.max(GUTTER, x));
    const wide = Math.max(NARROWEST, (view.to - view.from) * factor);
    const share = (pivot - view.from) / (view.to - view.from);
    move(pivot - share * wide, pivot + (1 - share) * wide, follow && x === undefined);
  }

  function pan(share) {
    const by = (view.to - view.from) * share;
    move(view.from + by, view.to + by);
  }

  async function all() {
    follow = false;
    // Asked anew: what is known here may be from before a loss of the connection.
    const end = Math.max(await span.end().catch(() => 0), span.edge(), 10);
    if (!span.running && span.edge() < end) await span.fetch(0, end * 1.01, view.width - GUTTER).catch(() => false);
    move(0, end * 1.01);
  }

  function setFollow(value) {
    follow = value;
    if (follow) {
      const wide = Math.min(view.to - view.from, 60);
      view.to = Math.max(span.edge(), wide);
      view.from = view.to - wide;
      load(true);
    }
    paint();
  }

  function select(event, centre) {
    view.selected = event;
    cursor = event.t;
    if (centre || event.t < view.from || event.t > view.to) {
      const wide = centre && view.to - view.from > 120 ? 20 : view.to - view.from;
      move(event.t - wide / 2, event.t + wide / 2);
    }
    paint();
    choose(event);
  }

  async function jump(way) {
    const from = cursor ?? (way > 0 ? view.from : view.to);
    const found = await span.stray(from, way, span.edge() + 1).catch(() => null);
    if (found) select(found, true);
  }

  /** The event in view that comes next after the chosen one, or before it. */
  function neighbour(way) {
    const list = Object.entries(span.all().lanes).flatMap(([path, lane]) => (lane.events ?? []).map((e) => ({ path, ...e })))
      .filter((e) => e.t >= view.from && e.t <= view.to).sort((a, b) => a.t - b.t);
    const at = list.findIndex((e) => view.selected && e.t === view.selected.t && e.offset === view.selected.offset
      && e.kind === view.selected.kind && e.capture === view.selected.capture);
    const found = list.at(at < 0 ? (way > 0 ? 0 : -1) : Math.min(list.length - 1, Math.max(0, at + way)));
    if (found) select(found, false);
  }

  function click(x, y) {
    const name = laneAt(y);
    if (!name) return;
    const lane = span.all().lanes[name];
    let best = null;
    for (const e of lane?.events ?? []) {
      const [x0, x1] = [across(view, e.t), across(view, e.until ?? e.t)];
      const far = x < x0 ? x0 - x : x > x1 ? x - x1 : 0;
      const rank = far + (e.kind === "reading" ? 6 : 0);
      if (far < 12 && (!best || rank < best.rank)) best = { rank, e };
    }
    if (best) select({ path: name, ...best.e }, false);
    else if (lane?.buckets) zoom(0.2, x);
  }

  hands(canvas, {
    zoom, click,
    pan: (dx) => pan(-dx / (view.width - GUTTER)),
    inside: (x, y) => x > GUTTER - 6 || y < AXIS,
  });

  frame.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const act = {
      ArrowLeft: () => pan(-0.2), ArrowRight: () => pan(0.2), ArrowUp: () => zoom(0.7), ArrowDown: () => zoom(1 / 0.7),
      "+": () => zoom(0.7), "-": () => zoom(1 / 0.7), Home: all, End: () => setFollow(true),
      Enter: () => (view.selected ? choose(view.selected, true) : jump(1)),
    }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });

  function listed() {
    if (!unfolded.open) return;
    const data = span.all();
    const list = [];
    for (const [name, lane] of Object.entries(data.lanes)) {
      for (const e of lane.events ?? []) {
        if (e.t >= view.from && e.t <= view.to) list.push([e.t, name, `${W.kinds[e.kind] ?? e.kind}: ${label(e)}`, e.stray]);
      }
      lane.buckets?.counts.forEach((n, i) => {
        const t = lane.from_s + i * lane.buckets.width_s;
        if (n && t + lane.buckets.width_s > view.from && t < view.to) {
          list.push([t, name, W.lanes.bucketRow(n, lane.buckets.strays[i]), lane.buckets.strays[i] > 0]);
        }
      });
    }
    list.sort((a, b) => a[0] - b[0]);
    const wide = Math.min(1, (view.to - view.from) / 50);
    redraw(rows, list.length
      ? table(W.lanes.table, W.lanes.tableColumns, list.slice(0, 200).map(([t, name, what, stray]) =>
        [place(t, wide), W.paths[name], what, stray ? `▼ ${W.lanes.stray}` : W.none]))
      : el("p", {}, W.lanes.none), list.length > 200 ? el("p", {}, W.lanes.tableMore(200)) : null);
  }

  const theme = () => { colours = palette(); paint(); };
  document.addEventListener("theme", theme);
  const resized = new ResizeObserver(() => load());
  resized.observe(frame);

  const ends = [
    on("events", (message) => {
      if (message.job !== job) return;
      span.push(message);
      const last = message.events[message.events.length - 1];
      if (last) {
        const text = `${W.lanes.latest}: ${place(last.t, 1)} ${W.paths[last.path]} ${label(last)}${last.stray ? ` ▼ ${W.lanes.stray}` : ""}`;
        say(latest, text);
        latest.dataset.offset = last.offset ?? "";
      }
      paint();
    }),
    on("reset", () => { span.live = []; load(true); }),
    on("job", (message) => { if (message.job === job) load(true); }),
    command("f", () => setFollow(!follow)),
    command("0", all),
    command(".", () => neighbour(1)),
    command(",", () => neighbour(-1)),
    command("n", () => jump(1)),
    command("p", () => jump(-1)),
    command("/", () => { sieve.open = true; search.focus(); }),
    command("l", () => frame.focus()),
  ];
  const beat = setInterval(() => {
    if (!span.running) return;
    paint();
    // While it follows over a stretch longer than what came by the stream, the past is fetched anew now and then.
    const late = performance.now() - fetchedAt > Math.max(2000, (view.to - view.from) * 50);
    if (follow && late && view.to - view.from > 30) load(true);
    if (unfolded.open) listed();
  }, STILL.matches ? 1000 : 100);

  return {
    root,
    /** Shows the whole job, or follows when something runs. */
    async begin(live) {
      const end = Math.max(10, await span.end().catch(() => 0));
      ran = live;
      if (live) span.setClock(end);
      if (live) setFollow(true);
      else { follow = false; [view.from, view.to] = [0, end * 1.01]; load(true); }
    },
    /** Whether a capture of the job runs. */
    running(live) {
      if (live && !span.running) {
        span.setClock(span.edge());
        // Whoever looks at the past is left there.
        if (!ran) [view.from, view.to] = [0, 60];
        if (!ran || follow) setFollow(true);
        ran = true;
      }
      if (!live && span.running) {
        span.setClock(null);
        load(true);
      }
    },
    /** The full scale of the key readings, counts. */
    setFull(full) { span.full = full; span.merged = null; paint(); },
    /** Goes to the first stray from a moment on. */
    async strayFrom(t) {
      const found = await span.stray(t - 0.01, 1, span.edge() + 1).catch(() => null);
      if (found) select(found, true);
    },
    captures: () => span.data?.captures ?? [],
    edge: () => span.edge(),
    end() {
      clearInterval(beat);
      clearTimeout(asked);
      resized.disconnect();
      document.removeEventListener("theme", theme);
      ends.forEach((end) => end());
    },
  };
}
