// The lanes as a drawing: a pure function of what is known and what is in view. Strays are marked by shape (a
// triangle above), by a word where there is room, and by colour.

import { W, key, place } from "./words.js";

export const GUTTER = 92;
export const AXIS = 26;
export const LANES = [["keypad", 104], ["infrared", 46], ["cec", 46], ["menu", 50], ["system", 38]];
export const HEIGHT = LANES.reduce((sum, [, height]) => sum + height, AXIS);

/** Where the menu lane begins: its upper part is free for the names of the stages. */
const MENU_TOP = LANES.slice(0, 3).reduce((sum, [, height]) => sum + height, AXIS);

/** Colours of the theme, from the style sheet. */
export function palette() {
  const style = getComputedStyle(document.documentElement);
  const read = (name) => style.getPropertyValue(name).trim();
  return Object.fromEntries(["ink", "soft", "paper", "shade", "shade2", "rule", "lead", "stray", "strayback", "input",
    "inputback", "reading", "mark"].map((name) => [name, read(`--${name}`)]));
}

/** Horizontal place of a time. */
export const across = (view, t) => GUTTER + ((t - view.from) / (view.to - view.from)) * (view.width - GUTTER);
/** Time at a horizontal place. */
export const timeAt = (view, x) => view.from + ((x - GUTTER) / (view.width - GUTTER)) * (view.to - view.from);

/** The lane below a vertical place. */
export function laneAt(y) {
  let top = AXIS;
  for (const [name, height] of LANES) {
    if (y >= top && y < top + height) return name;
    top += height;
  }
  return null;
}

/** What an event is, in few words. */
export function label(event) {
  if (event.kind === "reading") return `${event.line ?? ""} ${event.counts ?? ""}`.trim();
  if (event.kind === "change") return `${event.item ?? ""}${event.value === undefined ? "" : ` = ${event.value}`}`;
  if (event.key) return key(event.key);
  if (event.kind === "fault" && event.note) return event.note;
  return event.note ? `${W.kinds[event.kind] ?? event.kind}: ${event.note}` : (W.kinds[event.kind] ?? event.kind);
}

const STEPS = [1e-3, 2e-3, 5e-3, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600,
  7200, 10800, 21600, 43200, 86400, 172800, 604800, 1209600];

function axis(c, view, colours) {
  const span = view.to - view.from;
  const room = Math.max(2, (view.width - GUTTER) / 110);
  const step = STEPS.find((s) => span / s <= room) ?? STEPS[STEPS.length - 1];
  c.fillStyle = colours.soft;
  c.textAlign = "center";
  for (let i = Math.ceil(view.from / step); i * step <= view.to; i += 1) {
    const x = Math.round(across(view, i * step)) + 0.5;
    if (x < GUTTER) continue;
    c.strokeStyle = colours.rule;
    c.beginPath();
    c.moveTo(x, AXIS - 6);
    c.lineTo(x, view.height);
    c.stroke();
    if (x > GUTTER + 24 && x < view.width - 30) c.fillText(place(i * step, step), x, 14);
  }
}

function captures(c, view, data, colours) {
  // Where nothing was recorded is hatched: empty is not the same as quiet.
  const spans = data.captures.map((k) => [k.start_s, k.end_s ?? view.edge, k]).sort((a, b) => a[0] - b[0]);
  // The last one goes on while something is recorded.
  if (view.live && spans.length) spans[spans.length - 1][1] = view.edge;
  let at = view.from;
  const gap = (from, to, ahead) => {
    const [x0, x1] = [Math.max(GUTTER, across(view, from)), Math.min(view.width, across(view, to))];
    if (x1 - x0 < 1) return;
    c.fillStyle = colours.shade2;
    c.fillRect(x0, AXIS, x1 - x0, view.height - AXIS);
    if (x1 - x0 > 120 && !ahead) {
      c.fillStyle = colours.soft;
      c.textAlign = "center";
      c.fillText(W.lanes.offSet, (x0 + x1) / 2, view.height - 12);
    }
  };
  for (const [start, end] of spans) {
    if (start > at) gap(at, Math.min(start, view.to));
    at = Math.max(at, Math.min(end, view.to));
  }
  if (at < view.to) gap(Math.max(at, view.from), view.to, at >= view.edge - 0.5);
  c.textAlign = "left";
  const begins = spans.map(([start, , capture]) => [across(view, start), capture.stage]).filter(([x]) => x >= GUTTER && x <= view.width);
  begins.forEach(([x, stage], i) => {
    c.fillStyle = colours.lead;
    c.fillRect(Math.round(x), AXIS, 2, view.height - AXIS);
    // The name where it has room up to the next one, else the number, else nothing.
    const room = (begins[i + 1]?.[0] ?? view.width) - x - 8;
    const said = [W.lanes.stage(stage), String(stage)].find((name) => c.measureText(name).width <= room);
    if (said) c.fillText(said, x + 5, MENU_TOP + 15);
  });
}

/** A triangle that points down at `x`: the shape of a stray. */
function triangle(c, x, y, size = 5) {
  c.beginPath();
  c.moveTo(x - size, y - size * 1.5);
  c.lineTo(x + size, y - size * 1.5);
  c.lineTo(x, y);
  c.closePath();
  c.fill();
}

function sums(c, view, lane, top, height, colours) {
  const { width_s: wide, counts, strays, readings } = lane.buckets;
  const from = lane.from_s;
  const most = Math.max(1, ...counts);
  const scale = (n) => (n ? Math.max(2, (Math.log1p(n) / Math.log1p(most)) * (height - 24)) : 0);
  const foot = top + height - 4;
  if (readings?.some(Boolean)) {
    const full = Math.max(255, ...readings.map((r) => r?.[1] ?? 0));
    c.fillStyle = colours.reading;
    c.globalAlpha = 0.5;
    readings.forEach((pair, i) => {
      const x = across(view, from + i * wide);
      const w = Math.max(1, across(view, from + (i + 1) * wide) - x);
      if (!pair || x + w < GUTTER || x > view.width) return;
      const y = (n) => foot - (n / full) * (height - 22);
      c.fillRect(Math.max(GUTTER, x), y(pair[1]) - 1, w, y(pair[0]) - y(pair[1]) + 2);
    });
    c.globalAlpha = 1;
  }
  let mark = -99;
  for (let i = 0; i < counts.length; i += 1) {
    if (!counts[i]) continue;
    const x0 = Math.max(GUTTER, across(view, from + i * wide));
    const x1 = across(view, from + (i + 1) * wide);
    if (x1 <= GUTTER || x0 > view.width) continue;
    const w = Math.max(1, x1 - x0 - (x1 - x0 > 3 ? 1 : 0));
    if (!readings?.[i] || counts[i] - strays[i] <= 0 || lane.name !== "keypad") {
      c.fillStyle = colours.input;
      c.fillRect(x0, foot - scale(counts[i]), w, scale(counts[i]));
    }
    if (!strays[i]) continue;
    const h = scale(strays[i]);
    c.fillStyle = colours.stray;
    c.fillRect(x0, foot - h, w, h);
    if (x0 - mark > 9) {
      triangle(c, x0 + w / 2, foot - h - 2, 4);
      mark = x0;
    }
  }
}

function lines(c, view, events, top, height, colours, full) {
  const lastOf = new Map();
  const foot = top + height - 4;
  const scale = (counts) => foot - (counts / full) * (height - 22);
  c.lineWidth = 1.5;
  c.strokeStyle = colours.reading;
  const named = [...new Set(events.filter((e) => e.line).map((e) => e.line))].sort();
  named.forEach((line, nth) => {
    c.setLineDash(nth === 0 ? [] : nth === 1 ? [5, 3] : [2, 2]);
    c.beginPath();
    let before = null;
    for (const event of events) {
      if (event.kind !== "reading" || event.line !== line || event.counts === undefined) continue;
      const [x, y] = [across(view, event.t), scale(event.counts)];
      if (before && event.capture === before.capture) { c.lineTo(x, lastOf.get(line)); c.lineTo(x, y); } else c.moveTo(x, y);
      lastOf.set(line, y);
      before = event;
    }
    if (before && view.live) c.lineTo(Math.min(view.width, across(view, view.edge)), lastOf.get(line));
    c.stroke();
  });
  c.setLineDash([]);
  c.lineWidth = 1;
}

function marks(c, view, name, events, top, height, colours) {
  const foot = top + height - 5;
  const tall = Math.min(18, height - 26);
  const all = events.filter((e) => e.kind !== "reading");
  const ends = new Map();
  for (let i = all.length - 1; i >= 0; i -= 1) {
    // A press lasts until its release; without one it is drawn to the present.
    const e = all[i];
    if (e.kind === "release") ends.set(e.key, e.t);
    if (e.kind === "press") { e.until = ends.get(e.key) ?? null; ends.delete(e.key); }
  }
  const shown = all.filter((e) => e.kind !== "release");
  for (let i = 0; i < shown.length; i += 1) {
    const event = shown[i];
    const x = across(view, event.t);
    const until = event.until ?? (event.kind === "press" && view.live && name === "keypad" && view.edge - event.t < 2
      ? view.edge : event.t);
    const x1 = Math.max(x + 3, across(view, until));
    if (x1 < GUTTER - 4 || x > view.width + 4) continue;
    const left = Math.max(GUTTER, x);
    const ink = event.stray ? colours.stray : name === "menu" || name === "system" ? colours.mark : colours.input;
    c.fillStyle = ink;
    if (event.kind === "press" || event.kind === "repeat") c.fillRect(left, foot - tall, x1 - left, tall);
    else if (event.kind === "change") c.fillRect(left - 1, foot - tall, 3, tall);
    else if (name === "system") c.fillRect(left - 1, top + 4, 2, height - 8);
    else {
      c.beginPath();
      c.arc(left, foot - tall / 2, 3.5, 0, 7);
      c.fill();
    }
    if (event.stray) triangle(c, Math.max(GUTTER + 5, x + 1.5), foot - tall - 1);
    if (event === view.selected || (view.selected && event.offset === view.selected.offset
      && event.capture === view.selected.capture && event.kind === view.selected.kind && event.t === view.selected.t)) {
      c.strokeStyle = colours.ink;
      c.lineWidth = 2;
      c.strokeRect(left - 4, foot - tall - 12, Math.max(10, x1 - left + 8), tall + 15);
      c.lineWidth = 1;
    }
    // A name stands inside its bar, or behind it as far as the next one leaves room.
    const next = i + 1 < shown.length ? across(view, shown[i + 1].t) - 6 : view.width - 2;
    if (Math.max(next, x1) - left < 24) continue;
    const text = `${label(event)}${event.stray ? ` · ${W.lanes.stray}` : ""}`;
    const room = c.measureText(text).width;
    const within = x1 - left > room + 8;
    if (!within && x1 + 4 + room > next) continue;
    c.fillStyle = within ? colours.paper : ink;
    c.textAlign = "left";
    c.fillText(text, within ? left + 4 : x1 + 4, foot - tall / 2 + 4);
  }
}

/** Draws everything: `view` {from, to, width, height, edge, live, selected}, `data` as the daemon gives it. */
export function draw(c, view, data, colours) {
  c.font = '13px "Source Sans 3","Noto Sans","Liberation Sans",Arial,sans-serif';
  c.fillStyle = colours.paper;
  c.fillRect(0, 0, view.width, view.height);
  if (data) captures(c, view, data, colours);
  axis(c, view, colours);
  c.save();
  c.beginPath();
  c.rect(GUTTER - 6, 0, view.width - GUTTER + 6, view.height);
  c.clip();
  let top = AXIS;
  const seen = [];
  for (const [name, height] of LANES) {
    const lane = data?.lanes[name];
    let strays = 0;
    if (lane?.buckets) {
      sums(c, view, { ...lane, name }, top, height, colours);
      strays = lane.buckets.strays.reduce((sum, n, i) => {
        const t = lane.from_s + i * lane.buckets.width_s;
        return t + lane.buckets.width_s > view.from && t < view.to ? sum + n : sum;
      }, 0);
    }
    if (lane?.events?.length) {
      if (name === "keypad") lines(c, view, lane.events, top, height, colours, data.full ?? 1023);
      marks(c, view, name, lane.events, top, height, colours);
      for (const e of lane.events) if (e.stray && e.t >= view.from && e.t <= view.to) strays += 1;
    }
    seen.push([name, top, height, strays]);
    top += height;
  }
  c.restore();
  for (const [name, at, height, strays] of seen) {
    c.strokeStyle = colours.rule;
    c.beginPath();
    c.moveTo(0, at + 0.5);
    c.lineTo(view.width, at + 0.5);
    c.stroke();
    c.fillStyle = colours.paper;
    c.fillRect(0, at + 1, GUTTER - 6, height - 1);
    c.textAlign = "left";
    c.fillStyle = colours.ink;
    c.font = '600 14px "Source Sans 3","Noto Sans","Liberation Sans",Arial,sans-serif';
    c.fillText(W.paths[name], 4, at + 18);
    c.font = '13px "Source Sans 3","Noto Sans","Liberation Sans",Arial,sans-serif';
    if (strays) {
      c.fillStyle = colours.stray;
      triangle(c, 9, at + 33, 4);
      c.fillText(W.lanes.strays(strays), 17, at + 34);
    }
  }
  if (view.live && view.edge >= view.from && view.edge <= view.to) {
    const x = Math.min(view.width - 1, across(view, view.edge));
    c.fillStyle = colours.lead;
    c.fillRect(x - 1, AXIS - 4, 2, view.height);
  }
}
