// The key check: one key after the other, asked for in letters that are read from the other side of the bench.

import { W, key } from "./words.js";
import { el, button, field, redraw, say, table } from "./dom.js";
import { get, jobPath, on, post } from "./link.js";
import { failed } from "./news.js";
import { chosenPort } from "./port.js";

/** Seconds that a key is waited for; the analysis counts an answer within ten. */
const PATIENCE = 10;

/** Shows the key check in `root`. */
export function keyCheck(root, job, go) {
  const panel = el("section.check", { "aria-labelledby": "check-title" });
  root.replaceChildren(panel);
  let keys = [];
  let turn = -1;
  let answered = null;
  let tick = null;
  let begun = 0;
  const results = [];
  const big = el("p.prompt", { id: "prompt", "aria-live": "assertive" });
  const seen = el("p.prompt-seen", { id: "prompt-seen", role: "status" });
  const left = el("p.prompt-left", { "aria-hidden": "true" });

  async function first() {
    const windows = await get(jobPath(job, "/windows")).catch(() => ({ lines: [] }));
    const names = [...new Set(windows.lines.flatMap((line) => line.windows.map((w) => w.key)).filter(Boolean))];
    const boxes = names.map((name) => el("label.tick", {},
      el("input", { type: "checkbox", id: `check-${name}`, value: name, checked: true }), key(name)));
    const list = el("input", { type: "text", id: "check-keys", autocomplete: "off", maxlength: 2000 });
    redraw(panel, el("h1", { id: "check-title" }, W.check.title), el("p.lead", {}, W.check.lead),
      names.length ? el("fieldset", {}, el("legend", {}, W.check.keys), el("div.row", {}, boxes))
        : field(W.check.keys, list, W.check.noKeys),
      el("div.row", {}, button(W.check.begin, () => {
        keys = names.length ? boxes.map((box) => box.firstChild).filter((box) => box.checked).map((box) => box.value)
          : list.value.split(/[\s,]+/).filter(Boolean);
        if (keys.length) begin();
      }, { id: "check-begin" }, "strong"), back()));
  }

  const back = () => button(W.check.back, () => go(`#/job/${encodeURIComponent(job)}`), { id: "check-back" });

  function begin() {
    results.length = 0;
    turn = -1;
    redraw(panel, el("h1.unseen", { id: "check-title" }, W.check.title), el("p.prompt-word", {}, W.check.press), big, seen, left,
      el("div.row.centre", {}, button(W.check.skip, () => next(null), { id: "check-skip" }),
        button(W.check.stop, finish, { id: "check-stop" })));
    next();
  }

  async function next(answer) {
    if (turn >= 0 && answer === null) results.push([keys[turn], null]);
    turn += 1;
    answered = null;
    clearInterval(tick);
    if (turn >= keys.length) { finish(); return; }
    const port = chosenPort(job);
    if (!port) { failed(new Error(W.check.noPort)); finish(); return; }
    big.className = "prompt";
    say(big, "…");
    say(seen, `${turn + 1} / ${keys.length}`);
    // Asked once it is on the record, so that no answer comes before its question.
    const asked = await post(jobPath(job, "/prompt"), { port, key: keys[turn] }).catch(failed);
    if (!asked) { finish(); return; }
    say(big, key(keys[turn]));
    begun = performance.now();
    tick = setInterval(() => {
      const rest = PATIENCE - (performance.now() - begun) / 1000;
      say(left, W.check.wait(Math.max(0, Math.ceil(rest))));
      if (rest <= 0) { say(seen, W.check.missing); next(null); }
    }, 200);
  }

  const ends = [on("events", (message) => {
    if (message.job !== job || turn < 0 || turn >= keys.length || answered) return;
    const press = message.events.find((e) => e.kind === "press" && e.key);
    // What comes before the prompt is on the record is not its answer.
    if (!press || performance.now() - begun < 100 || !tick) return;
    answered = press.key;
    const right = press.key === keys[turn];
    big.className = right ? "prompt right" : "prompt wrong";
    say(seen, `${right ? "✓" : "✗"} ${W.check.seen(key(press.key))}${right ? "" : `, ${W.check.wrong}`}`);
    results.push([keys[turn], press.key]);
    clearInterval(tick);
    tick = null;
    setTimeout(() => { if (answered) next(); }, 900);
  })];

  async function finish() {
    clearInterval(tick);
    tick = null;
    turn = keys.length;
    answered = null;
    const port = chosenPort(job);
    if (port) await post(`/ports/${encodeURIComponent(port)}/close`).catch(failed);
    const judged = await get(jobPath(job, "/keycheck")).catch(failed);
    const last = judged?.checks?.at(-1);
    redraw(panel, el("h1", { id: "check-title", tabindex: -1 }, W.check.done),
      last ? [el("p.lead", {}, W.check.result(last.right, last.wrong, last.missing)),
        last.strays?.length ? el("p.notice", {}, `▼ ${W.check.strays(last.strays.length)}`) : null,
        table(W.check.title, W.check.columns, last.table.map((row) =>
          [key(row.asked), row.seen ? key(row.seen) : W.check.missing, String(row.count)])),
        (last.notes ?? []).map((note) => el("p", {}, note))]
        : table(W.check.title, W.check.columns.slice(0, 2), results.map(([asked, saw]) =>
          [key(asked), saw ? key(saw) : W.check.missing])),
      el("div.row", {}, button(W.check.again, begin, { id: "check-again" }), back()));
    document.getElementById("check-title")?.focus();
  }

  first();
  return () => { clearInterval(tick); tick = null; ends.forEach((end) => end()); };
}
