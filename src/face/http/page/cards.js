// What stands below the lanes: readings against key windows, patterns, before and after, the ladder, where the fault
// is. Each is a function from the job's state to elements; numbers carry their intervals, drawings a table beside them.

import { W, between, duration, key, number, quantity, share } from "./words.js";
import { el, svg, button, table } from "./dom.js";

/** Width of a drawing in its own units: what its place is wide, so that letters stay as large as the text; `most` at most. */
const fitting = (room, most) => Math.max(220, Math.min(most, room || most));

const text = (x, y, content, attributes = {}, kind = "") =>
  svg(`text${kind ? `.${kind}` : ""}`, { x, y, ...attributes }, content);

/** Each line as a scale from zero to full with its windows; `now` maps a line to its last counts; `room` is how wide it may be. */
export function readings(windows, now, room) {
  if (!windows) return [el("p", {}, W.readings.none)];
  if (!windows.lines.length) return [el("p", {}, W.readings.noLadder)];
  const rows = [];
  const drawings = windows.lines.map((line) => {
    const wide = fitting(room, 440);
    const at = (counts) => 8 + (counts / line.full_scale) * (wide - 16);
    const counts = now.get(line.line);
    const inside = line.windows.find((w) => counts >= w.low && counts <= w.high);
    const name = (w) => (w.key ? key(w.key) : W.readings.rest);
    const said = counts === undefined ? `${line.line}: ${W.readings.noneSince}`
      : W.readings.said(line.line, counts, inside ? name(inside) : W.readings.outside);
    const deep = wide < 360 ? 4 : 2;
    const drawing = svg("svg.windows", { viewBox: `0 0 ${wide} ${54 + 17 * deep}`, role: "img", "aria-label": said });
    let named = 0;
    line.windows.forEach((w, i) => {
      const [x0, x1] = [at(w.low), at(w.high)];
      rows.push([line.line, name(w), String(w.low), String(w.high), w.nominal === null ? W.none : number(w.nominal)]);
      const active = w === inside;
      drawing.append(svg(active ? "rect.window-now" : i % 2 ? "rect.window-odd" : "rect.window",
        { x: x0, y: 24, width: Math.max(1, x1 - x0), height: 26 }));
      if (w.nominal !== null && w.nominal !== undefined) {
        drawing.append(svg("path.nominal", { d: `M${at(w.nominal)} 24V50` }));
      }
      // Names stand in rows in turn, so that neighbours do not meet.
      if (w.key || w.nominal !== null) {
        const half = Math.min(wide / 2, 4.6 * name(w).length + 2);
        const x = Math.min(wide - half, Math.max(half, (x0 + x1) / 2));
        drawing.append(text(x, 66 + 17 * (named % deep), name(w), { "text-anchor": "middle" }, "small"));
        named += 1;
      }
    });
    if (counts !== undefined) {
      const x = at(Math.min(counts, line.full_scale));
      drawing.append(svg(inside?.key ? "path.needle-key" : "path.needle", { d: `M${x} 52V22M${x - 6} 13h12l-6 11z` }));
    }
    return el("div.line-now", {}, el("p.reading-said", {}, said), drawing);
  });
  return [...drawings, el("details", { id: "windows-table" }, el("summary", {}, W.readings.table),
    table(W.readings.title, W.readings.columns, rows, 2))];
}

/** Patterns of all stages; `act.goto(stage, pattern)`, `act.fold(stage, pattern)`. */
export function patterns(state, act) {
  const groups = state.stages.filter((stage) => stage.patterns.length);
  if (!groups.length) return [el("p", {}, W.patterns.none)];
  // The last stage first: it is the one on the bench.
  return [...groups].reverse().map((stage) => el("div", {},
    el("h3", {}, `${W.patterns.stage(stage.stage)}: ${stage.step}`),
    el("ul.plain", {}, stage.patterns.map((p) => el("li.pattern", {},
      el("div", {}, el("p.strong", {}, `▼ ${p.note}`), el("p.hint", {}, W.patterns.cover(p.coverage))),
      el("div.row", {}, button(W.patterns.occurrences, () => act.goto(stage, p),
        { "aria-label": W.patterns.goto(p.id), id: `goto-${stage.stage}-${p.id}` }),
      p.period_s !== null ? button(W.patterns.foldShort, () => act.fold(stage, p),
        { "aria-label": W.patterns.fold(p.id), id: `fold-${stage.stage}-${p.id}` }) : null))))));
}

/** Strays folded at a period: one row a stretch of twenty periods, a true period stands upright. */
export function folded(fold) {
  const points = fold.points ?? [];
  const wide = fitting(document.documentElement.clientWidth - 80, 620);
  const tall = Math.min(320, 40 + points.length * 2);
  const last = Math.max(1e-9, ...points.map((p) => p.t));
  const drawing = svg("svg.fold", { viewBox: `0 0 ${wide} ${tall + 30}`, role: "img", "aria-label": W.patterns.foldHelp });
  drawing.append(svg("rect.window", { x: 0, y: 0, width: wide, height: tall }));
  for (let i = 1; i < 4; i += 1) drawing.append(svg("path.grid", { d: `M${(wide * i) / 4} 0V${tall}` }));
  for (const p of points) {
    const x = (p.phase <= 1 ? p.phase : p.phase / fold.period_s) * wide;
    const y = 6 + (p.t / last) * (tall - 12);
    drawing.append(svg("path.stray-mark", { d: `M${(x - 4).toFixed(1)} ${(y - 5).toFixed(1)}h8l-4 7z` }));
  }
  [0, 0.25, 0.5, 0.75, 1].forEach((f) => drawing.append(text(Math.min(wide - 2, Math.max(2, f * wide)), tall + 20,
    `${number(f * fold.period_s)} s`, { "text-anchor": f === 0 ? "start" : f === 1 ? "end" : "middle" }, "small")));
  return [el("p.hint", {}, W.patterns.foldHelp), drawing];
}

/** The next 1, 2 or 5 with zeros: an axis ends at a round number. */
function round_up(value) {
  const ten = 10 ** Math.floor(Math.log10(value));
  return ten * ([1, 2, 5].find((n) => n * ten >= value * 0.999) ?? 10);
}

/** Rates of all watched stages with intervals, and the verdicts. */
export function compare(state, room) {
  const watched = state.stages.filter((stage) => stage.figures);
  if (!watched.length) return [el("p", {}, W.compare.none)];
  // A stage that was watched for a moment has an interval without end: it does not set the scale, its line has an arrow.
  const ends = Math.max(...watched.map((s) => s.figures.per_min_high));
  const most = round_up(Math.min(ends, 2.5 * Math.max(...watched.map((s) => s.figures.per_min)) || ends) || 1);
  const wide = fitting(room, 440);
  const left = 72;
  const at = (rate) => left + (Math.min(rate, most) / most) * (wide - left - 108);
  const tall = watched.length * 32 + 26;
  const drawing = svg("svg.rates", { viewBox: `0 0 ${wide} ${tall}`, role: "img",
    "aria-label": `${W.compare.title}: ${W.compare.axis}` });
  watched.forEach((stage, i) => {
    const y = 18 + i * 32;
    const f = stage.figures;
    const verdict = stage.comparison?.verdict;
    drawing.append(text(0, y + 5, W.lanes.stage(stage.stage)),
      svg("path.grid", { d: `M${left} ${y}H${wide - 108}` }),
      svg("path.whisker", { d: `M${at(f.per_min_low)} ${y}H${at(f.per_min_high)}M${at(f.per_min_low)} ${y - 6}v12${
        f.per_min_high > most ? `M${at(most) - 7} ${y - 5}l7 5-7 5` : `M${at(f.per_min_high)} ${y - 6}v12`}` }),
      svg(f.strays ? "circle.value" : "circle.value-none", { cx: at(f.per_min), cy: y, r: 5.5 }),
      text(wide - 100, y + 5, verdict ? (W.verdicts[verdict] ?? verdict) : `${number(f.per_min)}/min`));
  });
  const foot = tall - 4;
  drawing.append(text(left, foot, "0", {}, "small"),
    text(wide - 112, foot, `${number(most)}/min`, {}, "small"));
  const rows = state.stages.map((stage) => {
    const f = stage.figures;
    return [String(stage.stage), `${stage.step}${stage.kind ? ` (${W.stepKinds[stage.kind] ?? stage.kind})` : ""}`,
      f ? duration(f.observed_s) : W.compare.notWatched, f ? String(f.episodes) : W.none,
      f ? between(f.per_min, f.per_min_low, f.per_min_high) : W.none,
      stage.comparison ? `${W.verdicts[stage.comparison.verdict]} ${W.compare.against(stage.compared_with_stage)}` : W.none];
  });
  const last = [...watched].reverse().find((stage) => stage.comparison);
  return [last ? el("p", {}, el("span.strong", {}, `${W.lanes.stage(last.stage)}: `), last.headline) : null,
    el("p.hint", {}, W.compare.axis), drawing,
    el("details", { id: "stages-table" }, el("summary", {}, W.compare.table), table(W.compare.title, W.compare.columns, rows)),
    last ? el("details", { id: "compare-method" }, el("summary", {}, W.compare.method),
      el("p", {}, W.compare.ratio(last.comparison.ratio ?? Infinity, last.comparison.ratio_low, last.comparison.ratio_high ?? Infinity)),
      last.comparison.notes.map((note) => el("p", {}, note)), el("p.hint", {}, last.comparison.method)) : null,
    state.attribution ? el("details", { id: "credit" }, el("summary", {}, W.compare.credit),
      state.attribution.notes.map((note) => el("p", {}, note)),
      state.attribution.toggle?.sentence ? el("p", {}, state.attribution.toggle.sentence) : null) : null];
}

/** Places by probability, size of the fault, next test unless something else is to be done now. */
export function where(state, busy) {
  const causes = state.locate ? [state.locate, ...(state.locate.also ?? [])] : [undefined];
  return causes.flatMap((cause, i) => [cause?.path ? el("h3", {}, W.where.on(W.paths[cause.path] ?? cause.path)) : null,
    ...cause_of(state, cause, i ? `-${cause.path}` : "", busy)]);
}

function cause_of(state, located, suffix, busy) {
  const places = [...(located?.locations ?? [])].sort((a, b) => b.probability - a.probability);
  if (!places.length || !state.stages.some((stage) => stage.figures)) return [el("p", {}, W.where.none)];
  const bar = (place) => el("li.place", {},
    el("div.row.between", {}, el("span", {}, W.locations[place.location] ?? place.text ?? place.location),
      el("span.strong", {}, share(place.probability))),
    svg("svg.bar", { viewBox: "0 0 100 6", preserveAspectRatio: "none", "aria-hidden": "true" },
      svg("rect.window", { x: 0, y: 0, width: 100, height: 6 }),
      svg("rect.share", { x: 0, y: 0, width: Math.max(0.5, 100 * place.probability), height: 6 })));
  const size = located.ladder?.[0];
  const next = located.next?.[0];
  // One place at least; of the others those that are worth a thought.
  const first = Math.max(1, places.slice(0, 3).filter((place) => place.probability >= 0.01).length);
  return [el("ol.plain", {}, places.slice(0, first).map(bar)),
    size && size.value !== null ? el("p", {}, el("span.strong", {}, `${size.line}: `),
      `${size.short} (${quantity(size.low, size.unit)} to ${quantity(size.high, size.unit)})`) : null,
    el("details", { id: `all-places${suffix}` }, el("summary", {}, W.where.more),
      el("ol.plain", {}, places.slice(first).map(bar)), el("p", {}, places[0].because)),
    next && !state.hand_back && !busy ? el("p", {}, el("span.strong", {}, `${W.where.next}: `), next.text) : null,
    located.asks.map((ask) => el("p", {}, ask)),
    el("details", { id: `where-method${suffix}` }, el("summary", {}, W.where.method), located.notes.map((n) => el("p", {}, n)),
      (located.electrical ?? []).map((n) => el("p", {}, n)), el("p.hint", {}, located.method))];
}
