// The key check: one key after the other, asked for in letters that are read from the other side of the bench.

import { W, key } from "./words.js";
import { el, button, field, redraw, say, table } from "./dom.js";
import { get, jobPath, on, post } from "./link.js";
import { failed } from "./news.js";
import { chosenPort, closePort, runningPort } from "./port.js";
import { news } from "./news.js";

/** Shows the key check in `root`. */
export function keyCheck(root, job, go) {
  const panel = el("section.check", { "aria-labelledby": "check-title" });
  root.replaceChildren(panel);
  let running = null;
  let tick = null;
  let until = 0;
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
        const keys = names.length ? boxes.map((box) => box.firstChild).filter((box) => box.checked).map((box) => box.value)
          : list.value.split(/[\s,]+/).filter(Boolean);
        if (keys.length) begin(keys);
      }, { id: "check-begin" }, "strong"), back()));
  }

  const back = () => button(W.check.back, () => go(`#/job/${encodeURIComponent(job)}`), { id: "check-back" });

  async function begin(keys) {
    const port = chosenPort(job);
    if (!port) { failed(new Error(W.check.noPort)); return; }
    const busy = runningPort(job);
    const why = busy?.provoke ? W.provoke.running(busy.name) : busy?.hands === "off" ? W.check.soaking : "";
    if (why) { news({ text: why, keep: true, bad: true }); return; }
    running = { port, keys, capture: null, ended: false };
    redraw(panel, el("h1.unseen", { id: "check-title" }, W.check.title), el("p.prompt-word", {}, W.check.press), big, seen, left,
      el("div.row.centre", {}, button(W.check.skip, () => post(jobPath(job, "/keycheck/skip")).catch(failed), { id: "check-skip" }),
        button(W.check.stop, finish, { id: "check-stop" })));
    big.className = "prompt";
    say(big, "…");
    clearInterval(tick);
    tick = setInterval(() => say(left, until ? W.check.wait(Math.max(0, Math.ceil((until - performance.now()) / 1000))) : ""), 200);
    const begun = await post(jobPath(job, "/keycheck"), { port, keys }).catch(failed);
    if (!begun) { running = null; clearInterval(tick); first(); } else if (running) running.capture = begun.capture;
  }

  // Which key is asked for, and what came, the bench says.
  const ends = [on("check", (message) => {
    if (message.job !== job || !running) return;
    const check = message.check;
    if (check.over) { finish(); return; }
    if (!check.asked) return;
    until = check.left_s === null ? 0 : performance.now() + 1000 * check.left_s;
    say(big, key(check.asked));
    const right = check.seen === check.asked;
    big.className = check.seen ? (right ? "prompt right" : "prompt wrong") : "prompt";
    say(seen, check.seen ? `${right ? "✓" : "✗"} ${W.check.seen(key(check.seen))}${right ? "" : `, ${W.check.wrong}`}`
      : `${check.number} / ${check.all}`);
  })];

  async function finish() {
    clearInterval(tick);
    if (!running || running.ended) return;
    const { port, keys, capture } = running;
    running.ended = true;
    // Nothing that this page did not begin: a soak goes on.
    if (capture) await closePort(port, capture);
    running = null;
    const judged = await get(jobPath(job, "/keycheck")).catch(failed);
    const last = judged?.checks?.at(-1);
    redraw(panel, el("h1", { id: "check-title", tabindex: -1 }, W.check.done),
      last ? [el("p.lead", {}, W.check.result(last.right, last.wrong, last.missing)),
        last.strays?.length ? el("p.notice", {}, `▼ ${W.check.strays(last.strays.length)}`) : null,
        table(W.check.title, W.check.columns, last.table.map((row) =>
          [key(row.asked), row.seen ? key(row.seen) : W.check.missing, String(row.count)])),
        (last.notes ?? []).map((note) => el("p", {}, note))]
        : null,
      el("div.row", {}, button(W.check.again, () => begin(keys), { id: "check-again" }), back()));
    document.getElementById("check-title")?.focus();
  }

  first();
  return () => { clearInterval(tick); ends.forEach((end) => end()); };
}
