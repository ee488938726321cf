// The cautions: in the way until they were read, once for each job.

import { W } from "./words.js";
import { el, button } from "./dom.js";
import { get, jobPath, post } from "./link.js";
import { failed } from "./news.js";

/** Elements of the list; the first words of each are its title. */
export function cautionList(list) {
  return el("ol.cautions", {}, list.map((caution) => {
    if (typeof caution !== "string") return el("li", {}, el("span.strong", {}, `${caution.title}: `), caution.text);
    const [title, ...rest] = caution.split(": ");
    return rest.length && title.length < 40 ? el("li", {}, el("span.strong", {}, `${title}: `), rest.join(": "))
      : el("li", {}, caution);
  }));
}

/** Shows them; `read()` is called when they were acknowledged. */
export async function cautions(root, job, read, go) {
  const answer = await get("/cautions").catch(failed);
  const section = el("section.narrow", { "aria-labelledby": "cautions-title" },
    el("h1", { id: "cautions-title", tabindex: -1 }, `⚠ ${W.cautions.title}`),
    answer?.lead ? el("p.lead", {}, answer.lead) : null,
    cautionList(answer?.cautions ?? []),
    answer?.deference ? el("p", {}, answer.deference) : null,
    el("div.row", {}, button(W.cautions.accept, async () => {
      if (await post(jobPath(job, "/cautions"), { read: true }).catch(failed)) read();
    }, { id: "cautions-accept" }, "strong"), button(W.cautions.refuse, () => go("#/"), { id: "cautions-refuse" })),
    el("p.hint", {}, W.cautions.acceptHint));
  root.replaceChildren(section);
  document.getElementById("cautions-title")?.focus();
}
