// One event with its facts and the bytes behind it, as hexadecimal and as text. What the set printed is shown as text
// and is never interpreted.

import { W, duration, key, number } from "./words.js";
import { el, redraw } from "./dom.js";
import { get, jobPath } from "./link.js";

const spoken = (name, value) => {
  if (name === "path") return W.paths[value] ?? value;
  if (name === "kind") return W.kinds[value] ?? value;
  if (name === "key") return `${key(value)} (${value})`;
  if (name === "held") return duration(value);
  if (name === "t") return `${value.toFixed(3)} s`;
  if (name === "volts") return `${number(value)} V`;
  if (name === "stray") return value ? `▼ ${W.yes}` : null;
  return String(value);
};

const PER_ROW = 8;

function bytes(hex) {
  const out = [];
  for (let at = 0; at < hex.length; at += PER_ROW * 2) {
    const row = hex.slice(at, at + PER_ROW * 2).match(/../g) ?? [];
    const text = row.map((h) => { const n = parseInt(h, 16); return n > 31 && n < 127 ? String.fromCharCode(n) : "·"; });
    out.push(`${(at / 2).toString(16).padStart(4, "0")}  ${row.join(" ").padEnd(PER_ROW * 3)} ${text.join("")}`);
  }
  return out.join("\n");
}

/** The card; `show(event)` fills it. */
export function detail(job) {
  const body = el("div", {}, el("p.hint", {}, W.detail.pick));
  const root = el("section.card", { id: "detail", "aria-labelledby": "detail-title", tabindex: -1 },
    el("h2", { id: "detail-title" }, W.detail.title), body);
  let turn = 0;
  return {
    root,
    async show(event, focus) {
      turn += 1;
      const mine = turn;
      const facts = Object.entries(W.detail.fields)
        .filter(([name]) => event[name] !== undefined && event[name] !== null)
        .map(([name, title]) => [title, spoken(name, event[name])]).filter(([, value]) => value);
      const raw = el("pre.bytes", { tabindex: 0, "aria-label": W.detail.bytes }, "…");
      redraw(body, el("dl.facts-list", {}, facts.map(([title, value]) =>
        el("div", {}, el("dt", {}, title), el("dd", {}, value)))),
      event.capture !== undefined && event.offset !== undefined ? [
        el("h3", {}, W.detail.bytes),
        el("p.hint", {}, W.detail.from(event.capture, event.offset, event.length ?? 0)), raw] : null);
      if (focus) { root.focus(); root.scrollIntoView({ block: "nearest" }); }
      if (event.capture === undefined || event.offset === undefined) return;
      const query = new URLSearchParams({ capture: event.capture, offset: event.offset,
        length: Math.min(4096, Math.max(1, event.length ?? 64)) });
      const answer = await get(jobPath(job, `/raw?${query}`)).catch((error) => ({ failed: error.message }));
      if (mine === turn) raw.textContent = answer.failed ?? bytes(answer.hex ?? "");
    },
  };
}
