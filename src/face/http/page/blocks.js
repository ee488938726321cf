// What a provocation shows, running or done: blocks in a strip, what each stressor did.

import { P } from "./provoke_words.js";
import { el, table } from "./dom.js";

/** The blocks in the order in which they were done; what is struck out stays to be seen. The one that is on shows no count: whoever
    calls a round spoiled must not do so by what it showed. */
export function strip(blocks, running) {
  const names = [...new Set(blocks.map((block) => block.stressor).filter(Boolean))];
  const alike = (name) => names.some((other) => other !== name && P.short(other) === P.short(name));
  const cells = blocks.map((block, i) => {
    const now = running && i === blocks.length - 1;
    const kind = `${block.stressor ? ".does" : ""}${now ? ".now" : block.struck ? ".struck" : ""}`;
    const word = block.stressor ? P.short(block.stressor, alike(block.stressor)) : P.alone;
    const count = now ? P.nowCell : block.struck ? `✗ ${block.episodes}` : block.episodes ? `▼ ${block.episodes}` : "0";
    return el(`li.cell${kind}`, { title: P.cell(block) }, el("span", {}, word), el("span.strong", {}, count));
  });
  return el("ol.strip", { "aria-label": P.strip, tabindex: 0 }, cells);
}

const ORDER = ["calls", "seems", "unshown"];

/** What was found, the surest first: the sentences, the table, the blocks, the method. */
export function found(shown, id) {
  const order = shown.stressors.map((one, i) => ({ one, does: shown.effects[i], beside: shown.beside[i] }))
    .sort((a, b) => ORDER.indexOf(a.does) - ORDER.indexOf(b.does) || a.one.chance - b.one.chance);
  const said = shown.rounds ? order.flatMap(({ one, does, beside }) => [P.effect(one.stressor, does, one), ...beside]) : [P.noRound];
  return {
    answer: said[0],
    rest: [said.slice(1).map((line) => el("p", {}, line)),
      shown.rounds ? [el("p.hint", {}, P.rounds(shown)), table(P.table, P.columns, order.map(({ one }) => P.row(one)), 1)] : [],
      shown.blocks.length ? strip(shown.blocks, false) : [],
      el("details", { id: `${id}-blocks` }, el("summary", {}, P.blocks),
        table(P.blocks, P.blockColumns, shown.blocks.map(P.blockRow))),
      el("details", { id: `${id}-method` }, el("summary", {}, P.method), el("p", {}, P.methodSaid(shown)), el("p", {}, P.cautionsRead(shown)))],
  };
}

/** Whether it was ended in a block, before its plan was done and before everything was certain. */
export const broken = (shown) => Boolean(shown.blocks.at(-1)?.struck) && shown.rounds < shown.planned
  && !shown.effects.every((does) => does === "calls");
