// The band that answers within two seconds' look: is it misbehaving, is it fixed, what to do next. The state comes from the
// evidence of the soak, else of the job, never from the last second alone. It is said by shape, word and colour together.

import { W, chance, clock, duration, key } from "./words.js";
import { el, say, svg } from "./dom.js";
import { bench, on } from "./link.js";
import { label } from "./draw.js";

/** A stray counts as present for this long, seconds: twice the pause of a usual auto-repeat of half a second. */
const PRESENT = 4;

const SHAPES = {
  quiet: () => svg("circle", { cx: 24, cy: 24, r: 17 }),
  fixed: () => svg("path", { d: "M6 26l12 12L42 10", fill: "none", "stroke-width": 8, stroke: "currentColor" }),
  stray: () => svg("path", { d: "M4 8h40L24 44z" }),
  recording: () => svg("path", { d: "M6 24h8l5-14 9 28 6-14h8", fill: "none", "stroke-width": 5, stroke: "currentColor" }),
  blind: () => svg("path", { d: "M4 24c10-16 30-16 40 0M8 8l32 32", fill: "none", "stroke-width": 5, stroke: "currentColor" }),
  gone: () => svg("path", { d: "M8 8l32 32M40 8L8 40", fill: "none", "stroke-width": 7, stroke: "currentColor" }),
  off: () => svg("path", { d: "M12 10h8v28h-8zM28 10h8v28h-8z" }),
};

/** Makes the band of a job; `here` names the place on its way at which it stands, `go` shows that. */
export function glance(job, here, go) {
  const shape = el("span.shape", { "aria-hidden": "true" });
  const word = el("p.state-word", { id: "state-word" });
  const detail = el("p.state-detail", { id: "state-detail" });
  const fact = (id, title) => {
    const value = el("dd", { id }, W.none);
    const small = el("dd.small");
    return { box: el("div", {}, el("dt", {}, title), value, small), value, small };
  };
  const verdict = fact("soak-verdict", W.glance.verdict);
  const quiet = fact("quiet-anyway", W.glance.quietAnyway);
  const needed = fact("still-needed", W.glance.needed);
  const strays = fact("stray-count", W.glance.strays);
  const next = el("p.next-text", { id: "next-text" });
  const nextButton = el("a.button", { id: "next-go", href: "#" });
  nextButton.addEventListener("click", (event) => { event.preventDefault(); go(); });
  const spoken = el("p.unseen", { role: "status" });
  const root = el("section.glance", { id: "glance", "aria-label": W.bench },
    el("div.state", {}, shape, el("div", {}, word, detail)),
    el("dl.facts", {}, strays.box, verdict.box, quiet.box, needed.box),
    el("div.next", {}, nextButton, next), spoken);

  let state = null;
  let lastStray = null;
  let lastPress = null;
  let held = new Map();
  let soak = null;
  let soakAt = 0;
  let shown = "";

  const live = () => state?.live?.[0] ?? null;
  const port = () => {
    const running = [...bench.ports.values()].find((p) => p.job === job);
    return running ?? (live() ? bench.ports.get(live().port) : null);
  };
  const seconds = (at) => (performance.now() - at) / 1000;

  function condition() {
    const p = port();
    if (bench.link === "lost") return ["gone", ...W.glance.lost];
    if (state?.closed) return ["off", ...W.glance.closed];
    if (!p || p.state === "off") return standing();
    if (p.state === "gone") return ["gone", W.glance.gone[0], p.why ? `${W.glance.gone[1]} (${p.why})` : W.glance.gone[1]];
    if (p.state === "failed" || p.state === "busy") return ["gone", W.glance.failed, p.why ?? W.port.states[p.state]];
    if (p.provoke && p.capture) {
      const [words, more] = W.provoke.doing(p.provoke, false) ?? [W.glance.recording, ""];
      return ["recording", words, [more, W.provoke.block(p.provoke)].filter(Boolean).join("; ")];
    }
    const s = soak ?? p.soak;
    if (!s || !p.capture) {
      const pressed = lastPress && seconds(lastPress.at) < PRESENT ? `${label(lastPress.event)}; ` : "";
      const on = p.state === "silent" ? W.glance.silent : W.glance.bytes(p.bytes_per_s ?? 0);
      return ["recording", W.glance.recording, `${pressed}${W.glance.handsOn}; ${on}`];
    }
    if (s.ask) return ["recording", W.glance.ask, s.ask];
    // Time in which nothing could be seen is never shown as quiet.
    if (s.blind_now?.length) {
      const from = Math.min(...s.blind_now.map((blind) => blind.since_s));
      return ["blind", W.glance.blind(clock(from)), s.blind_now.map((blind) => blind.sentence).join("; ")];
    }
    const time = `${clock(elapsed())} ${W.glance.of(clock(s.limit_s))}`;
    if (s.strays) {
      const down = lastStray && held.get(lastStray.event.key)?.stray;
      const now = lastStray && (down || seconds(lastStray.at) < PRESENT) ? W.glance.now : W.glance.last;
      const which = lastStray ? `${now}: ${label(lastStray.event)} ${W.glance.on(W.paths[lastStray.event.path])}` : "";
      return ["stray", W.glance.misbehaving(s.episodes), [which, down ? W.glance.held : "", time].filter(Boolean).join("; ")];
    }
    if (!s.observed_s) return ["recording", ...W.glance.notYet];
    return ["quiet", W.glance.quiet(time), s.done ? W.soak.done : W.glance.handsOff];
  }

  /** What the job's evidence says while nothing is recorded. */
  function standing() {
    const stage = state?.stages?.at(-1);
    if (state?.hand_back) return ["fixed", W.glance.fixed, stage?.headline ?? ""];
    if (!stage?.figures || !stage.observed_s) return ["off", ...W.glance.off];
    const said = `${W.glance.stage(stage.stage, stage.step)} ${W.glance.off[0]}.`;
    return stage.strays ? ["stray", W.glance.misbehaving(stage.figures.episodes), said]
      : ["past", W.glance.quiet(clock(stage.observed_s)), state.resting?.length ? state.advice.text : said];
  }

  // Between two messages the clock goes on by itself, but only while something is seen.
  const sees = () => port()?.state === "open" && !soak?.blind_now?.length && soak?.observed_s > 0;
  const elapsed = () => (soak ? soak.observed_s + (sees() ? Math.min(seconds(soakAt), 2) : 0) : 0);

  function show() {
    const [kind, words, more] = condition();
    if (shown !== kind) {
      root.dataset.state = kind;
      shape.replaceChildren(svg("svg", { viewBox: "0 0 48 48" }, (SHAPES[kind] ?? SHAPES.off)()));
      shown = kind;
      say(spoken, kind === "stray" ? `${words}: ${more}` : words);
    }
    say(word, words);
    say(detail, more);
    const s = soak;
    verdict.box.hidden = !s;
    strays.box.hidden = !s?.strays;
    // Of quiet there is nothing to say while strays come.
    const planned = s && (s.soak_more_s !== null || s.quiet_anyway < 1);
    quiet.box.hidden = needed.box.hidden = !s || s.strays > 0 || (!planned && (state?.stages?.length ?? 1) < 2);
    const place = here();
    const soaking = s && port()?.capture;
    const provoke = port()?.capture ? port().provoke : null;
    say(nextButton, provoke ? W.provoke.show : soaking ? W.glance.doing : W.glance.does[place]);
    if (s) {
      say(strays.value, String(s.strays));
      say(strays.small, W.glance.inEpisodes(s.episodes));
      say(verdict.value, W.verdicts[s.verdict] ?? s.verdict);
      verdict.value.className = `verdict ${s.verdict}`;
      say(verdict.small, s.elapsed_s - s.observed_s > 2 ? W.glance.notSeen(duration(Math.floor(s.elapsed_s - s.observed_s))) : "");
      say(quiet.value, chance(s.quiet_anyway));
      say(quiet.small, W.glance.quietAnywaySaid);
      const more = (left) => (left === null ? W.glance.outOfReach : left > 0 ? duration(Math.ceil(left)) : W.glance.reached);
      say(needed.value, more(s.soak_more_s));
      say(needed.small, W.glance.needed95(more(s.soak_more_95_s)));
    }
    else for (const box of [strays, verdict, quiet, needed]) say(box.value, W.none);
    const gone = port()?.state === "gone";
    const asked = provoke && (W.provoke.doing(provoke, gone) ?? [W.glance.recording]);
    say(next, asked ? asked.filter(Boolean).join(": ") : soaking ? (gone ? W.glance.plugIn : s.ask ?? W.glance.wait) : state?.advice?.text ?? "");
  }

  function take(events) {
    for (const event of events) {
      if (event.kind === "press" && event.key) held.set(event.key, event);
      if (event.kind === "release") held.delete(event.key);
      if (event.kind === "press" || event.kind === "change") lastPress = { event, at: performance.now() };
      if (event.stray && event.kind !== "release") {
        const fresh = !lastStray || seconds(lastStray.at) > PRESENT;
        lastStray = { event, at: performance.now() };
        if (fresh) say(spoken, `${W.glance.now}: ${key(event.key)}`);
      }
    }
    show();
  }

  const ends = [
    on("events", (message) => { if (message.job === job) take(message.events); }),
    on("soak", (message) => {
      const p = port();
      // The last word of a soak may come after the port has said that it is over.
      if (message.job !== job || (p && !p.capture)) return;
      soak = message.soak;
      soakAt = performance.now();
      show();
    }),
    on("ports", () => {
      const p = port();
      if (!p || !p.capture) { soak = null; held = new Map(); }
      else if (p.soak && !soak) { soak = p.soak; soakAt = performance.now(); }
      show();
    }),
    on("link", show),
    on("reset", () => { lastStray = null; held = new Map(); }),
  ];
  const beat = setInterval(show, 500);
  return {
    root,
    update(fresh) {
      state = fresh;
      const p = port();
      // What was asked for before a soak ended may come after its end.
      const running = p && !p.capture ? null : live()?.soak ?? p?.soak ?? null;
      if (!running) soak = null;
      else if (!soak) { soak = running; soakAt = performance.now(); }
      if (!live() && !p) lastStray = null;
      show();
    },
    soaking: () => Boolean(soak),
    /** The last press with the moment of its arrival. */
    end() { clearInterval(beat); ends.forEach((end) => end()); },
  };
}
