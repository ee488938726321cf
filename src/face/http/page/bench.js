// The bench of one job: the glance on top, the way of the job at the side, lanes and cards beside it.

import { W, motif } from "./words.js";
import { el, button, redraw, dialog } from "./dom.js";
import { bench, get, jobPath, on, Refused } from "./link.js";
import { failed } from "./news.js";
import { cautionList, cautions } from "./cautions.js";
import { command } from "./keys.js";
import { glance } from "./glance.js";
import { lanes } from "./lanes.js";
import { detail } from "./detail.js";
import { keyCheck } from "./check.js";
import { portTask, runningPort } from "./port.js";
import { handBackTask, isolateTask, measured, soakTask, stepTask } from "./tasks.js";
import { compare, folded, patterns, readings, where } from "./cards.js";

const PLACES = ["port", "baseline", "isolate", "repair", "soak", "report"];

/** Where the job stands on its way. */
function standing(state, running) {
  const watched = state.stages.some((stage) => stage.figures);
  if (state.advice.action === "closed" || state.advice.action === "hand-back") return "report";
  if (running?.provoke) return "isolate";
  // While a soak runs the job stands at it, whatever the findings already advise.
  if (running?.hands === "off") return state.stages.length < 2 ? "baseline" : "soak";
  if (!watched) return running || state.live?.length ? "baseline" : "port";
  if (state.stages.length < 2 && state.advice.action === "soak") return "baseline";
  return { soak: "soak", test: "isolate", repeat: "repair", restore: "repair" }[state.advice.action] ?? "isolate";
}

/** Opens a job in `root`; gives a function that ends it. */
export function openJob(root, job, view, go) {
  let end = () => {};
  let over = false;
  (async () => {
    let state = await get(jobPath(job)).catch((error) => (error instanceof Refused ? failed(error) : null));
    while (!state && bench.link === "lost" && !over) {
      await new Promise((wake) => { setTimeout(wake, 500); });
      state = await get(jobPath(job)).catch(() => null);
    }
    if (over) return;
    if (!state) { go("#/"); return; }
    const open = async () => {
      // What few jobs need is fetched when one does.
      const { provocation } = view === "provoke" ? await import("./provoke.js") : {};
      if (over) return;
      end = provocation ? provocation(root, job, go) : view === "keys" ? keyCheck(root, job, go) : board(root, job, state, go);
    };
    if (state.cautions_read) open();
    else cautions(root, job, () => { state.cautions_read = true; open(); }, go);
  })();
  return () => { over = true; end(); };
}

function board(root, job, first, go) {
  let state = first;
  let place = standing(state, runningPort(job));
  let chosenByHand = false;
  let chosenAt = -1e9;
  let stood = place;
  let task = null;
  let draft = {};
  let windows = null;
  const now = new Map();
  let readingsDue = false;
  let ran = Boolean(runningPort(job));
  const current = () => state;

  const here = () => standing(state, runningPort(job));
  const provoke = () => go(`#/job/${encodeURIComponent(job)}/provoke`);
  // To be shown where the job stands is no wish to stay there.
  const band = glance(job, here, () => {
    if (runningPort(job)?.provoke) { provoke(); return; }
    show(here(), true);
    chosenByHand = false;
  });
  const facts = detail(job);
  const lane = lanes(job, (event, focus) => facts.show(event, focus));
  const way = el("ol.way");
  const panel = el("div.panel", { id: "task" });
  const card = (id, title) => {
    const body = el("div");
    return { root: el("section.card", { id, "aria-labelledby": `${id}-title` }, el("h2", { id: `${id}-title` }, title), body), body };
  };
  const cards = {
    readings: card("readings", W.readings.title), patterns: card("patterns", W.patterns.title),
    compare: card("compare", W.compare.title), where: card("where", W.where.title), ladder: card("ladder", W.ladder.title),
  };
  root.replaceChildren(el("h1.unseen", {}, W.jobTitle(job, first.set)), band.root, el("div.work", {},
    el("aside.way-side", { "aria-label": W.route.title }, el("nav", { "aria-label": W.route.title }, way), panel,
      el("div.row", {}, button(`⚠ ${W.cautions.again}`, showCautions, { id: "show-cautions" }))),
    el("div.board", {}, lane.root, el("div.cards", {},
      el("div.column", {}, cards.readings.root, cards.where.root),
      el("div.column", {}, cards.compare.root, facts.root),
      el("div.column.third", {}, cards.patterns.root, cards.ladder.root)))));

  async function showCautions() {
    const answer = await get("/cautions").catch(failed);
    if (answer) dialog(W.cautions.title, W.close, cautionList(answer.cautions));
  }

  /** Whether the present moves on in the lanes: not while the cable is gone or the daemon is silent. */
  function receiving() {
    const port = runningPort(job) ?? bench.ports.get(state.live?.[0]?.port);
    return bench.link !== "lost" && Boolean(port?.capture) && !["gone", "failed", "busy"].includes(port.state);
  }

  function make(name) {
    if (name === "port") return portTask(job, current, () => show("baseline", true));
    if (name === "baseline" || name === "soak") return soakTask(job, current, name === "baseline", provoke);
    if (name === "isolate") {
      return isolateTask(job, current, (test) => {
        if (measured(test)) { go(`#/job/${encodeURIComponent(job)}/keys`); return; }
        draft = { text: test.text, kind: test.kind === "repair" ? "repair" : "isolate", parts: [] };
        show("repair", true);
      }, () => { draft = {}; show("repair", true); }, provoke);
    }
    if (name === "repair") {
      return stepTask(job, current, draft, () => { draft = {}; chosenByHand = false; refresh().then(() => show("soak", true)); });
    }
    return handBackTask(job, current, go);
  }

  function show(name, byHand) {
    chosenByHand ||= byHand;
    if (byHand) chosenAt = performance.now();
    if (name !== place || !task) {
      task?.end();
      place = name;
      task = make(name);
      panel.replaceChildren(task.root);
    } else {
      task.update();
    }
    drawWay();
    if (byHand) panel.querySelector("h2")?.scrollIntoView({ block: "nearest" });
  }

  function drawWay() {
    const at = standing(state, runningPort(job));
    const watched = state.stages.filter((stage) => stage.figures).length;
    const done = {
      port: watched > 0 || Boolean(runningPort(job)), baseline: watched > 0,
      isolate: state.stages.some((s) => s.kind === "isolate"), repair: state.stages.some((s) => s.kind === "repair"),
      soak: watched > 1, report: Boolean(state.closed),
    };
    redraw(way, PLACES.map((name, i) => {
      const words = name === at ? W.route.now : done[name] ? W.route.done : "";
      const mark = name === at ? "▶" : done[name] ? "✓" : String(i + 1);
      return el("li", {}, el("button", { type: "button", id: `way-${name}`, onclick: () => show(name, true),
        "aria-current": name === place ? "step" : null, "aria-keyshortcuts": String(i + 1) },
      el("span.way-mark", { "aria-hidden": "true" }, mark), el("span", {}, W.route[name]),
      words ? el("span.way-word", {}, words) : null));
    }));
  }

  async function gotoPattern(stage, pattern) {
    const capture = lane.captures().find((c) => c.stage === stage.stage);
    const start = capture?.start_s ?? 0;
    await lane.strayFrom(start + pattern.first_t);
    document.getElementById("lanes").focus();
  }

  async function showFold(stage, pattern) {
    const query = new URLSearchParams({ pattern: `p${pattern.id}`, stage: String(stage.stage) });
    const fold = await get(jobPath(job, `/fold?${query}`)).catch(failed);
    if (fold) dialog(W.patterns.foldTitle(motif(pattern.motif), fold.period_s), W.close, folded(fold));
  }

  function drawReadings() {
    redraw(cards.readings.body, readings(windows, now, cards.readings.body.clientWidth));
  }

  /** What is drawn as wide as its card. */
  function drawFitting() {
    redraw(cards.compare.body, compare(state, cards.compare.body.clientWidth));
    drawReadings();
    drawLadder();
  }

  function drawLadder() {
    const dark = document.documentElement.dataset.theme === "dark"
      || (!document.documentElement.dataset.theme && matchMedia("(prefers-color-scheme: dark)").matches);
    if (!windows?.lines.length) { redraw(cards.ladder.body, el("p", {}, W.ladder.none)); return; }
    // The mark behind # makes the browser ask again after a change.
    const wide = Math.max(300, cards.ladder.body.clientWidth - cards.ladder.body.clientWidth % 20);
    const query = `theme=${dark ? "dark" : "light"}&wide=${wide}#${state.revision ?? 0}`;
    const src = `/api/v1${jobPath(job, `/ladder.svg?${query}`)}`;
    if (cards.ladder.body.querySelector("img")?.getAttribute("src") === src) return;
    const image = el("img.ladder", { src, alt: W.ladder.alt });
    image.addEventListener("error", () => redraw(cards.ladder.body, el("p", {}, W.ladder.none)));
    redraw(cards.ladder.body, image);
  }

  /** When the job has moved on, so does the way, also where another page moved it. */
  function follow(noted) {
    const at = standing(state, runningPort(job));
    if (at === stood) return;
    stood = at;
    // Whoever has just chosen a place, or writes down a step, stays.
    const busy = performance.now() - chosenAt < 3000 || (place === "repair" && chosenByHand && !noted);
    if (!busy) chosenByHand = false;
  }

  function drawAll() {
    band.update(state);
    redraw(cards.patterns.body, patterns(state, { goto: gotoPattern, fold: showFold }));
    redraw(cards.where.body, where(state, Boolean(runningPort(job)?.provoke)));
    drawFitting();
    lane.running(receiving());
    const at = standing(state, runningPort(job));
    show(chosenByHand ? place : at, false);
  }

  async function loadWindows() {
    windows = await get(jobPath(job, "/windows")).catch(() => ({ lines: [] }));
    const full = Math.max(0, ...windows.lines.map((line) => line.full_scale));
    if (full) lane.setFull(full);
    drawReadings();
    drawLadder();
  }

  let asking = false;
  let again = false;
  let freshAt = performance.now();
  let cost = 0;
  async function refresh() {
    if (asking) { again = true; return; }
    asking = true;
    const begun = performance.now();
    const fresh = await get(jobPath(job)).catch(() => null);
    freshAt = performance.now();
    cost = freshAt - begun;
    asking = false;
    if (fresh) {
      const noted = fresh.stages.length !== state.stages.length;
      state = fresh;
      follow(noted);
      if (!windows?.lines.length) loadWindows();
      drawAll();
    }
    if (again) { again = false; await refresh(); }
  }

  const ends = [
    on("job", (message) => { if (message.job === job) refresh(); }),
    on("reset", refresh),
    on("link", () => lane.running(receiving())),
    on("ports", () => {
      const runs = Boolean(runningPort(job));
      lane.running(receiving());
      follow(false);
      if (runs !== ran && !chosenByHand) show(standing(state, runningPort(job)), false);
      else drawWay();
      ran = runs;
    }),
    on("events", (message) => {
      if (message.job !== job) return;
      for (const e of message.events) if (e.kind === "reading") now.set(e.line, e.counts);
      if (readingsDue) return;
      readingsDue = true;
      // Four times a second is as fast as one reads a needle.
      setTimeout(() => { readingsDue = false; drawReadings(); }, 250);
    }),
    // To the soak; to begin and to end one is a button, so that no key that was touched by chance ends a night.
    command("s", () => {
      if (!task?.atButton) show(state.stages.some((s) => s.figures) ? "soak" : "baseline", true);
      task?.atButton?.();
    }),
    ...PLACES.map((name, i) => command(String(i + 1), () => { show(name, true); panel.querySelector("button, input, textarea")?.focus(); })),
  ];
  // While something is recorded, patterns and rates follow; the dearer they are, the more seldom.
  const beat = setInterval(() => {
    if (bench.link === "open" && runningPort(job) && performance.now() - freshAt > Math.max(8000, cost * 20)) refresh();
  }, 1000);
  const theme = () => drawLadder();
  document.addEventListener("theme", theme);
  window.addEventListener("resize", drawFitting);
  lane.begin(receiving());
  drawAll();
  loadWindows();
  return () => {
    document.removeEventListener("theme", theme);
    window.removeEventListener("resize", drawFitting);
    clearInterval(beat);
    task?.end();
    lane.end();
    band.end();
    ends.forEach((end) => end());
  };
}
