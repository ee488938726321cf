// Provocation: chosen, forecast, its cautions read, then one instruction at a time in letters for the other side of the bench.

import { P, stressor } from "./provoke_words.js";
import { W } from "./words.js";
import { el, button, field, redraw, say, sure } from "./dom.js";
import { ask, bench, get, jobPath, on, post, Refused } from "./link.js";
import { cautionList } from "./cautions.js";
import { command } from "./keys.js";
import { broken, found, strip } from "./blocks.js";
import { failed, news } from "./news.js";
import { chosenPort, runningPort } from "./port.js";
import { tone } from "./tone.js";

/** Shows the provocation of a job in `root`. */
export function provocation(root, job, go) {
  const path = (rest = "") => jobPath(job, `/provoke${rest}`);
  const panel = el("section.check", { id: "provoke", "aria-labelledby": "provoke-title" });
  root.replaceChildren(panel);
  let view = () => {};
  let gone = false;
  let loading = false;
  let again = null;

  const shows = (make) => { view(); view = make(); };
  const back = () => button(P.back, () => go(`#/job/${encodeURIComponent(job)}`), { id: "provoke-back" });

  /** Shows what the daemon says: the one that runs, or what was found and a new one. */
  async function load(focus) {
    loading = true;
    clearTimeout(again);
    const state = await get(path()).catch((error) => (error instanceof Refused && error.status !== 408 ? failed(error) : null));
    loading = false;
    if (gone) return;
    // An answer that is late or lost is asked for again: the result must not be missed for it.
    if (!state) { again = setTimeout(() => load(focus), 1000); return; }
    shows(() => (state.running ? run(panel, job, path, state.running, load)
      : choose(panel, job, path, state, back(), load)));
    if (focus) document.getElementById("provoke-title")?.focus();
  }
  load(true);
  const ends = [
    on("reset", () => load(false)),
    // Begun on another page.
    on("ports", () => { if (runningPort(job)?.provoke && !panel.classList.contains("runs") && !loading) load(true); }),
  ];
  return () => { gone = true; clearTimeout(again); view(); ends.forEach((end) => end()); };
}

/** What was found so far, and the choice of the next. */
function choose(panel, job, path, { provocations: done, repeatable, compared }, back, begun) {
  panel.className = "check chooses";
  const last = done.at(-1);
  const against = compared.find((one) => one.capture === last?.capture);
  const chosen = [...(last?.stressors ?? [])].map((one) => one.stressor);
  const whole = last?.blocks.find((block) => !block.struck);
  const long = whole ? Math.ceil((last.planned * (chosen.length + 1) * (whole.to_s - whole.from_s)) / 60) : 15;
  const minutes = el("input", { type: "number", id: "provoke-minutes", min: 1, max: 10000, inputmode: "numeric", value: String(long) });
  const kind = el("select", { id: "provoke-kind" });
  const place = el("select", { id: "provoke-place" });
  const placeWords = el("input", { type: "text", id: "provoke-place-words", maxlength: 60, autocomplete: "off" });
  const words = el("input", { type: "text", id: "provoke-words", maxlength: 100, autocomplete: "off" });
  const list = el("ul.plain", { id: "provoke-chosen" });
  const promise = el("div.notice", { role: "status", id: "provoke-promise" });
  const next = button(P.next, cautions, { id: "provoke-next" }, "strong");
  const [atPlace, atOther, own] = [field(P.place, place), field(P.placeWords, placeWords), field(P.words, words, P.wordsHint)];
  let all = [];
  let plan = null;
  let wanted = null;
  let timer = null;
  let asked = 0;

  function fields() {
    const known = all.find((one) => one.name === kind.value);
    atPlace.hidden = !known?.place;
    atOther.hidden = !known?.place || place.value !== "other";
    own.hidden = kind.value !== "other";
  }
  function add() {
    const known = all.find((one) => one.name === kind.value);
    const needed = kind.value === "other" ? words : known?.place && place.value === "other" ? placeWords : null;
    if (!known || (needed && !needed.value.trim())) { needed?.focus(); return; }
    const where = place.value === "other" ? `other:${placeWords.value.trim()}` : place.value;
    const name = kind.value === "other" ? `other:${words.value.trim()}` : known.place ? `${kind.value}@${where}` : kind.value;
    if (!chosen.includes(name)) chosen.push(name);
    words.value = "";
    listed();
  }
  function listed() {
    redraw(list, chosen.length ? chosen.map((name, i) => el("li.row.between", {}, el("span.strong", {}, stressor(name)),
      button(P.remove, () => { chosen.splice(chosen.indexOf(name), 1); listed(); next.focus(); },
        { id: `provoke-out-${i}`, "aria-label": P.removeThat(name) })))
      : el("li", {}, P.none));
    forecast();
  }
  /** What so many minutes can show, once the choice rests. */
  function forecast() {
    plan = null;
    next.disabled = true;
    clearTimeout(timer);
    promise.hidden = !chosen.length;
    if (!chosen.length) return;
    timer = setTimeout(async () => {
      const mine = ++asked;
      const body = { stressors: chosen, minutes: Number(minutes.value) || 0 };
      const answer = await post(path("/forecast"), body).catch((error) => error);
      if (mine !== asked) return;
      if (answer instanceof Error) {
        redraw(promise, el("p", {}, `! ${answer.message.charAt(0).toUpperCase()}${answer.message.slice(1)}.`), answer.remedy ? el("p.strong", {}, W.link.remedy(answer.remedy)) : null);
        return;
      }
      [plan, wanted] = [answer, body];
      next.disabled = false;
      say(next, plan.cautions.length ? P.next : P.begin);
      redraw(promise, el("p.strong", {}, P.plan(plan)), el("p", {}, P.finds(plan)), el("p.hint", {}, P.rate(plan)));
    }, 300);
  }
  /** The plan of the stage before the repair once more. */
  async function same() {
    const body = { again: true };
    const answer = await post(path("/forecast"), body).catch(failed);
    if (!answer) return;
    [plan, wanted] = [answer, body];
    cautions();
  }
  function cautions() {
    if (!plan) return;
    if (!chosenPort(job)) { news({ text: P.noPort, keep: true, bad: true }); return; }
    if (!plan.cautions.length) { begin(); return; }
    panel.className = "narrow";
    panel.replaceChildren(el("h1", { id: "provoke-title", tabindex: -1 }, `⚠ ${P.cautions}`), cautionList(plan.cautions),
      el("p", {}, W.provoke.deference),
      el("div.row", {}, button(P.accept, begin, { id: "provoke-accept" }, "strong"),
        button(P.refuse, () => { draw(); listed(); }, { id: "provoke-refuse" })));
    document.getElementById("provoke-title").focus();
  }
  async function begin() {
    if (await post(path(), { port: chosenPort(job), ...wanted, read: true }).catch(failed)) begun(true);
  }
  function draw() {
    panel.className = "check chooses";
    const result = last ? found(last, "found") : null;
    const at = last?.blocks.at(-1)?.stressor;
    panel.replaceChildren(...(result ? [el("h1", { id: "provoke-title", tabindex: -1 }, result.answer),
      broken(last) ? el("p.notice", { id: "provoke-broken" }, P.broken(last, at ? stressor(at) : W.provoke.alone)) : null,
      against ? el("div.notice", { id: "provoke-against" }, el("p.strong", {}, P.against(against.before_stage)),
        against.said.map((line) => el("p", {}, line))) : null,
      ...result.rest.flat(2),
      done.length > 1 ? el("details", { id: "provoke-earlier" }, el("summary", {}, P.earlier(done.length - 1)),
        done.slice(0, -1).reverse().map((one) => el("p", {}, `${P.stage(one.stage)}: ${found(one, "").answer}`))) : null,
      el("h2", {}, P.again)].filter(Boolean)
      : [el("h1", { id: "provoke-title", tabindex: -1 }, P.title), el("p.lead", {}, P.lead)]),
    ...(repeatable ? [el("div.row", {}, button(P.same, same, { id: "provoke-same" }), el("p.hint", {}, P.sameHint))] : []),
    el("div.choose", {}, el("div", {}, field(P.what, kind), atPlace, atOther, own,
      el("div.row", {}, button(P.add, add, { id: "provoke-add" }))),
    el("div", {}, el("h2", {}, P.chosen), list, field(P.minutes, minutes))), promise,
    el("div.row", {}, next, back));
  }

  draw();
  listed();
  kind.addEventListener("change", fields);
  place.addEventListener("change", fields);
  minutes.addEventListener("input", forecast);
  get("/stressors").then((answer) => {
    all = answer.stressors;
    kind.append(...all.map((one) => el("option", { value: one.name }, one.name === "other" ? P.own : P.kinds(one.name))));
    place.append(...answer.places.map((part) => el("option", { value: part }, W.partsSaid[part] ?? part)),
      el("option", { value: "other" }, P.otherPlace));
    place.value = "key-cable";
    fields();
  }).catch(failed);
  return () => { clearTimeout(timer); asked += 1; };
}

/** One instruction at a time, until it is over. */
function run(panel, job, path, first, over) {
  panel.className = "check runs";
  const place = el("p.do-place", { id: "provoke-block" });
  const big = el("p.do", { id: "provoke-do", "aria-live": "assertive" });
  const how = el("p.do-how", { id: "provoke-how" });
  const left = el("p.do-left", { id: "provoke-left", "aria-hidden": "true" });
  const said = el("p.do-said", { id: "provoke-said", role: "status" });
  const blocks = el("div.do-strip", { id: "provoke-strip" });
  const why = el("select", { id: "provoke-why", "aria-label": P.why }, P.reasons.map((reason) => el("option", {}, reason)));
  const spoil = button(P.spoiled, spoiled, { id: "provoke-spoiled", "aria-keyshortcuts": "x", "aria-describedby": "provoke-hint" });
  const rest = button(P.pause, pause, { id: "provoke-pause", "aria-keyshortcuts": "p" });
  const sound = button("", () => { tone.turn(!tone.isOn()); sounded(); }, { id: "provoke-sound" });
  let live = first;
  let until = 0;
  let busy = 0;
  let spoiledSaid = "";

  const sounded = () => { say(sound, P.sound(tone.isOn())); sound.setAttribute("aria-pressed", String(tone.isOn())); };

  function take(fresh) {
    const began = fresh.block !== live.block && fresh.instruction;
    live = fresh;
    until = live.left_s === null ? 0 : performance.now() + 1000 * live.left_s;
    const struck = live.shown.blocks.slice(0, live.instruction ? -1 : undefined).findLast((block) => block.struck);
    spoiledSaid = struck && !live.paused && live.round - struck.round <= 1 ? P.struck(struck.round, struck.struck) : "";
    redraw(blocks, live.shown.blocks.length ? strip(live.shown.blocks, Boolean(live.instruction)) : null);
    blocks.firstChild?.scrollTo?.(0, 1e6);
    if (began) tone.sound(live.stressor ? 880 : 587);
    show();
  }
  function show() {
    const port = runningPort(job);
    const lost = bench.link === "lost";
    const away = port?.state === "gone";
    const doing = lost ? P.lost : live.over ? P.done : W.provoke.doing(live, away) ?? P.waiting;
    panel.dataset.kind = lost || away || live.paused ? "wait" : live.stressor ? "does" : "alone";
    say(big, doing[0]);
    say(how, doing[1]);
    say(place, live.paused ? P.block(live) : `${P.block(live)} · ${P.left(live.all_left_s - (live.left_s ?? 0) + remaining())}`);
    say(left, live.left_s === null || lost || away || live.paused ? "" : String(Math.ceil(remaining())));
    say(said, port?.state === "silent" ? P.silent : spoiledSaid);
    const idle = !live.instruction || lost || away || performance.now() < busy;
    spoil.disabled = idle;
    say(rest, live.paused ? P.resume : P.pause);
  }
  const remaining = () => (until ? Math.max(0, (until - performance.now()) / 1000) : 0);

  async function order(rest, body) {
    const fresh = await post(path(rest), body).catch(failed);
    if (fresh && !fresh.over) take(fresh);
  }
  function spoiled() {
    if (spoil.disabled) return;
    // A second touch by the same hand is not meant for the next round.
    busy = performance.now() + 2000;
    order("/strike", { why: why.value, round: live.round });
    show();
  }
  function pause() { order(live.paused ? "/resume" : "/pause"); }
  function stop() {
    sure(P.stopTitle, P.stopAsk(live), P.stopSure, P.goOn, async () => {
      if (await ask("DELETE", path()).catch(failed)) over(true);
    });
  }

  panel.replaceChildren(el("h1.unseen", { id: "provoke-title", tabindex: -1 }, P.title), place, big, how, left, said, blocks, spoil,
    el("p.hint.centre", { id: "provoke-hint" }, P.spoiledHint),
    el("div.row.centre", {}, why, rest, sound, button(P.stop, stop, { id: "provoke-stop" })));
  sounded();
  take(first);
  // Nobody touches a screen that is looked at from two metres: it must not go dark.
  let [lit, ended] = [null, false];
  const light = async () => {
    const lock = document.hidden ? null : await navigator.wakeLock?.request("screen").catch(() => null);
    if (ended) lock?.release();
    else lit = lock;
  };
  light();
  document.addEventListener("visibilitychange", light);
  const ends = [
    () => { ended = true; document.removeEventListener("visibilitychange", light); lit?.release(); },
    on("provoke", (message) => {
      if (message.job !== job) return;
      take(message.provoke);
      if (live.over) over(true);
    }),
    on("ports", show), on("link", show), command("x", spoiled), command("p", pause),
  ];
  const tick = setInterval(show, 200);
  return () => { clearInterval(tick); panel.classList.remove("runs"); delete panel.dataset.kind; ends.forEach((end) => end()); };
}
