// One line at the head of the page for what happened: connection, errors, hints. Errors stay until they are closed.

import { W } from "./words.js";
import { el, button, redraw } from "./dom.js";
import { on } from "./link.js";

let timer = null;

/** Shows a line; `keep` until the next one, `bad` as an alert. */
export function news({ text, remedy, keep, bad }) {
  const root = document.getElementById("news");
  clearTimeout(timer);
  if (!text) { root.replaceChildren(); return; }
  redraw(root, el(bad ? "div.line.bad" : "div.line", {}, el("span", {}, bad ? "! " : null, text,
    remedy ? ` ${W.link.remedy(remedy)}` : ""),
  button(W.close, () => root.replaceChildren(), { id: "news-close" })));
  if (!keep) timer = setTimeout(() => root.replaceChildren(), 12000);
}

/** Shows an error of a request and gives null, for `.catch(failed)`. */
export function failed(error) {
  const at = error.at ? ` (${error.at})` : "";
  news({ text: W.link.failed(error.message + at), remedy: error.remedy, keep: true, bad: true });
  return null;
}

on("news", news);
