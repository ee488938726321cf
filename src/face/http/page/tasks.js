// The places on the way of a job after the port: soak, isolation tests, repair step, report and hand-back. Each gives
// {root, update(), end()}.

import { W, clock, moment } from "./words.js";
import { el, button, field, redraw, say, sure } from "./dom.js";
import { ask, jobPath, on, post } from "./link.js";
import { failed, news } from "./news.js";
import { chosenPort, runningPort, soakPath } from "./port.js";

const nothing = () => {};

/** The way to make a rare fault come. */
const toProvoke = (provoke, state) => [el("h3", {}, W.provoke.title), el("p.hint", {}, W.provoke.hint),
  state.advice.provoke ? el("p.hint.provoke-risk", {}, W.provoke.against(state.advice.provoke)) : null,
  el("div.row", {}, button(W.provoke.to, provoke, { id: "to-provoke" }))];

/** A soak: the baseline, or the one after a step. */
export function soakTask(job, state, baseline, provoke) {
  const plan = () => [...state().stages].reverse().find((stage) => stage.plan?.episodes > 0)?.plan ?? null;
  const proposed = () => {
    const more = state().stages.at(-1)?.comparison?.soak_more_s;
    const needed = (more > 0 ? more : plan()?.certain_s) ?? null;
    return baseline || needed === null ? 20 : Math.max(5, Math.ceil((needed * 1.2) / 60));
  };
  const minutes = el("input", { type: "number", id: "soak-minutes", min: 1, max: 44640, step: 1, inputmode: "numeric" });
  minutes.value = String(proposed());
  const onFor = el("input", { type: "number", id: "soak-on-for", min: 0, max: 44640, inputmode: "numeric" });
  const full = el("input", { type: "checkbox", id: "soak-full" });
  const start = button(W.soak.start, begin, { id: "soak-start" }, "strong");
  const stop = button(W.soak.stop, askFirst, { id: "soak-stop" });
  const said = el("p.notice");
  const notes = el("ul.notes");
  const advice = el("p.notice", {}, "");
  let soak = null;

  async function begin() {
    const port = chosenPort(job);
    if (!port) { news({ text: W.soak.noPort, keep: true, bad: true }); return; }
    const body = { port, minutes: Number(minutes.value) || 20 };
    if (full.checked) body.full = true;
    if (onFor.value !== "") body.on_for_minutes = Number(onFor.value);
    start.disabled = true;
    await post(soakPath(job), body).catch(failed);
    start.disabled = false;
    update();
  }
  function askFirst() {
    const now = soak ?? runningPort(job)?.soak;
    if (!now) return;
    const said = W.soak.stopAsk(clock(now.observed_s), clock(now.limit_s));
    sure(W.soak.stop, said, W.soak.stopSure, W.soak.goOn, halt);
  }
  async function halt() {
    const answer = await ask("DELETE", soakPath(job)).catch(failed);
    if (answer?.soak) news({ text: W.soak.ended(W.verdicts[answer.soak.verdict] ?? answer.soak.verdict) });
    update();
  }
  function update() {
    const running = runningPort(job);
    const soaking = Boolean(running && (running.soak || soak));
    if (!running) soak = null;
    start.hidden = minutes.disabled = onFor.disabled = full.disabled = soaking;
    start.disabled = Boolean(state().closed || running?.provoke);
    stop.hidden = !soaking;
    say(said, soaking ? W.soak.running(running.name) : running?.provoke ? W.provoke.running(running.name) : "");
    said.hidden = !said.textContent;
    const lines = soaking ? (soak ?? running.soak)?.notes ?? [] : [];
    if (notes.dataset.said !== lines.join("\n")) {
      notes.dataset.said = lines.join("\n");
      redraw(notes, lines.map((line) => el("li", {}, line)));
    }
    const sentence = baseline ? "" : plan()?.advice ?? "";
    say(advice, sentence);
    advice.hidden = !sentence;
  }
  const ends = [on("ports", update), on("soak", (message) => {
    if (message.job === job) { soak = message.soak; update(); }
  })];
  update();
  return {
    root: el("div.task", {}, el("h2", {}, baseline ? W.soak.baseline : W.soak.title),
      el("p.lead", {}, baseline ? W.soak.baselineLead : W.soak.lead), advice, said, notes,
      field(W.soak.minutes, minutes), field(W.soak.onFor, onFor), el("label.tick", {}, full, W.soak.full), el("div.row", {}, start, stop),
      toProvoke(provoke, state()).filter(Boolean)),
    update,
    atButton: () => (stop.hidden ? start : stop).focus(),
    end: () => ends.forEach((end) => end()),
  };
}

/** Whether a test is a reading at a key, with the set as it stands: a key check, and no step. */
export const measured = (test) => test.kind === "measure" && !test.prerequisites?.length;

/** The isolation tests that are proposed, with their odds and cautions. */
export function isolateTask(job, state, did, repair, provoke) {
  const root = el("div.task");
  function one(test, first) {
    const risk = W.risks[test.risk] ?? test.risk;
    return el("li.test", {}, el("p.strong", {}, test.text),
      el("p.hint", {}, `${W.isolate.minutes(test.minutes)} · ${risk}`),
      test.prerequisites?.length ? el("div.notice", {}, el("h3", {}, W.isolate.before),
        el("ul", {}, test.prerequisites.map((line) => el("li", {}, line)))) : null,
      test.cautions?.length ? el("div.caution", {}, el("h3", {}, `⚠ ${W.isolate.cautions}`),
        el("ul", {}, test.cautions.map((line) => el("li", {}, line)))) : null,
      measured(test) ? el("p.hint", {}, W.isolate.measureHint) : null,
      el("div.row", {}, button(measured(test) ? W.isolate.measure : W.isolate.did, () => did(test),
        { id: first ? "did-first" : `did-${test.test}` }, first ? "strong" : "")));
  }
  function update() {
    const running = runningPort(job);
    if (running?.provoke) {
      redraw(root, el("h2", {}, W.provoke.title), el("p.notice", {}, W.provoke.running(running.name)),
        el("div.row", {}, button(W.provoke.show, provoke, { id: "to-provoke" }, "strong")));
      return;
    }
    const causes = [state().locate, ...(state().locate?.also ?? [])];
    const tests = causes.flatMap((cause) => cause?.next ?? []);
    redraw(root, el("h2", {}, W.isolate.title), el("p.lead", {}, W.isolate.lead),
      tests.length ? el("ol.plain", {}, one(tests[0], true)) : el("p.notice", {}, W.isolate.none),
      tests.length > 1 ? el("details", { id: "more-tests" }, el("summary", {}, W.isolate.more(tests.length - 1)),
        el("ol.plain", {}, tests.slice(1).map((test) => one(test, false)))) : null,
      el("div.row", {}, button(W.isolate.alone, repair, { id: "repair-instead" })), toProvoke(provoke, state()).filter(Boolean));
  }
  update();
  return { root, update, end: on("ports", update) };
}

/** A step: one part at a time, said gently and with why. */
export function stepTask(job, state, draft, noted) {
  const text = el("textarea", { id: "step-text", rows: 2, required: true, maxlength: 400 });
  text.value = draft.text ?? "";
  const kinds = Object.entries(W.stepKindsSaid).map(([kind, words]) => {
    const box = el("input", { type: "radio", name: "step-kind", id: `kind-${kind}`, value: kind });
    box.checked = kind === (draft.kind ?? "repair");
    box.addEventListener("change", warned);
    return el("label.choice", { for: box.id }, box, words);
  });
  const parts = W.parts.map((part) => {
    const box = el("input", { type: "checkbox", id: `part-${part}`, value: part });
    box.checked = (draft.parts ?? []).includes(part);
    box.addEventListener("change", warned);
    return el("label.choice.half", { for: box.id }, box, W.partsSaid[part] ?? part);
  });
  const other = el("input", { type: "text", id: "part-other", maxlength: 60, autocomplete: "off" });
  other.addEventListener("input", warned);
  const warning = el("div.caution", { role: "status", id: "several-warning" });
  const anyway = button(W.step.anyway, () => send(true), { id: "step-anyway" });
  const picked = () => {
    const list = parts.map((label) => label.firstChild).filter((box) => box.checked).map((box) => box.value);
    return [...list, ...other.value.split(",").map((part) => part.trim()).filter(Boolean).map((part) => `other:${part}`)];
  };
  const kind = () => kinds.map((label) => label.firstChild).find((box) => box.checked)?.value ?? "repair";

  function warned(said) {
    const several = kind() === "repair" && picked().length > 1;
    const words = typeof said === "string" ? said : several ? W.step.several : "";
    warning.hidden = !words;
    anyway.hidden = !words;
    if (warning.dataset.said === words) return;
    warning.dataset.said = words;
    redraw(warning, words ? el("p", {}, `⚠ ${words}`) : []);
  }
  async function send(sure) {
    const body = { text: text.value.trim(), kind: kind(), parts: picked() };
    if (!body.text) { news({ text: W.step.needText, keep: true, bad: true }); text.focus(); return; }
    if (sure) body.anyway = true;
    try {
      const answer = await post(jobPath(job, "/steps"), body);
      news({ text: [W.step.noted(answer.stage), ...(answer.warnings ?? [])].join(" ") });
      noted();
    } catch (error) {
      if (error.warning === "several-parts") {
        warned(error.message);
        anyway.focus();
      } else {
        failed(error);
      }
    }
  }
  warned();
  return {
    root: el("div.task", {}, el("h2", {}, draft.kind === "isolate" ? W.step.titleTest : W.step.title), el("p.lead", {}, W.step.lead),
      el("form", { onsubmit: (event) => { event.preventDefault(); send(false); } },
        field(W.step.text, text, W.step.textHint),
        el("fieldset", {}, el("legend", {}, W.step.kind), kinds),
        el("fieldset.parts", {}, el("legend", {}, W.step.parts), parts, field(W.step.otherPart, other)), warning,
        el("div.row", {}, el("button.strong", { type: "submit", id: "step-note" }, W.step.note), anyway))),
    update: nothing,
    end: nothing,
  };
}

/** Report, key check, closing. */
export function handBackTask(job, state, go) {
  const root = el("div.task");
  let written = null;
  const path = `/api/v1${jobPath(job, "/report")}`;
  let writing = false;
  async function write() {
    writing = true;
    update();
    written = await post(jobPath(job, "/report")).catch(failed);
    writing = false;
    update();
  }
  async function close() {
    if (await post(jobPath(job, "/close")).catch(failed)) update();
  }
  function update() {
    const closed = state().closed;
    const verdict = state().verdict;
    redraw(root, el("h2", {}, W.report.title), el("p.lead", {}, W.report.lead),
      verdict ? el("p", {}, el(`span.verdict.${verdict}`, {}, W.verdicts[verdict] ?? verdict)) : null,
      el("p.notice", {}, state().advice.text),
      el("div.row", {}, button(writing ? W.report.writing : W.report.write, write,
        { id: "report-write", disabled: writing }, "strong")),
      written ? el("div.row", {}, el("span", {}, W.report.written(written.bytes)),
        el("a.button", { href: path, target: "_blank", rel: "noopener", id: "report-open" }, W.report.open)) : null,
      el("h3", {}, W.report.keycheck), el("p.hint", {}, W.report.keycheckHint),
      el("div.row", {}, button(W.report.keycheck, () => go(`#/job/${encodeURIComponent(job)}/keys`), { id: "to-keycheck" })),
      closed ? el("p.notice", {}, W.report.closed(moment(closed)))
        : el("details", { id: "closing" }, el("summary", {}, W.report.close), el("p", {}, W.report.closeAsk),
          el("p.hint", {}, W.report.closeHint),
          el("div.row", {}, button(W.report.closeSure, close, { id: "close-sure" }))));
  }
  update();
  return { root, update, end: nothing };
}

