// Where everything begins: the head, the theme, the address, the keys.

import { W } from "./words.js";
import { el, button, say, dialog } from "./dom.js";
import { bench, connect, get, on } from "./link.js";
import { jobs } from "./jobs.js";
import { openJob } from "./bench.js";
import { news } from "./news.js";
import { acting, command, setActing, shortcuts } from "./keys.js";

const main = document.getElementById("main");
let end = null;
let shown = null;

const go = (hash) => { if (location.hash === hash) show(); else location.hash = hash; };

const THEMES = ["auto", "light", "dark"];
const remembered = () => { try { return localStorage.getItem("theme"); } catch { return null; } };

function setTheme(name) {
  const theme = THEMES.includes(name) ? name : "auto";
  if (theme === "auto") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme;
  try { localStorage.setItem("theme", theme); } catch { /* a page without storage follows the computer */ }
  say(themeButton, W.theme(W.themeNames[theme]));
  document.dispatchEvent(new CustomEvent("theme"));
  return theme;
}
const themeButton = button("", () => nextTheme(), { id: "theme" });
const nextTheme = () => setTheme(THEMES[(THEMES.indexOf(remembered() ?? "auto") + 1) % THEMES.length]);

const jobName = el("span.job-name");
document.getElementById("head").append(
  el("a.brand", { href: "#/" }, el("img", { src: "/mark.svg", alt: "", width: 28, height: 28 }), W.product),
  jobName,
  el("nav", { "aria-label": W.product }, el("a.quiet-link", { href: "#/", id: "to-jobs" }, W.jobs), themeButton,
    button(W.keysButton, help, { id: "help", "aria-keyshortcuts": "?" })));
document.getElementById("skip").addEventListener("click", (event) => { event.preventDefault(); main.focus(); });
setTheme(remembered() ?? "auto");
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () =>
  document.dispatchEvent(new CustomEvent("theme")));

function help() {
  if (document.querySelector("dialog[open]")) return;
  const single = el("input", { type: "checkbox", id: "single-keys" });
  single.checked = acting();
  single.addEventListener("change", () => setActing(single.checked));
  const meanings = el("dl");
  get("/words").then((words) => meanings.replaceChildren(...words.flatMap(([word, meaning]) =>
    [el("dt.strong", {}, word), el("dd", {}, meaning)]))).catch(() => {});
  dialog(W.help.title, W.close, el("label.tick", {}, single, W.help.single), el("dl.keys", {}, W.help.list.map(([keys, what]) =>
    el("div", {}, el("dt", {}, el("kbd", {}, keys)), el("dd", {}, what)))), el("h3", {}, W.help.words), meanings);
}

/** Shows what the address names. */
function show() {
  if (bench.link === "closed-out") {
    end?.();
    end = null;
    shown = null;
    main.replaceChildren(el("section.narrow", {}, el("h1", {}, W.link.noToken), el("p.lead", {}, W.link.noTokenSaid)));
    return;
  }
  if (bench.link === "waiting") return;
  const [, kind, name, view] = location.hash.split("/");
  const at = kind === "job" && name ? `job/${name}/${view ?? ""}` : "jobs";
  if (at === shown) return;
  end?.();
  shown = at;
  const job = at === "jobs" ? "" : decodeURIComponent(name);
  say(jobName, job);
  document.title = job ? `${job} – ${W.product}` : `${W.product} ${W.bench}`;
  end = job ? openJob(main, job, view ?? "", go) : jobs(main, go);
}

addEventListener("hashchange", () => { show(); main.focus({ preventScroll: true }); scrollTo(0, 0); });
on("link", () => { document.body.dataset.link = bench.link; show(); });
on("status", (status) => {
  if (status.disk && status.disk.level !== "plenty") {
    news({ text: W.link.diskLow(status.disk.sentence), keep: true, bad: status.disk.level === "full" });
  } else if (status.protocols?.error) {
    news({ text: W.link.protocols(status.protocols.error), keep: true });
  }
});
on("refused", () => { bench.link = "closed-out"; show(); });

command("?", help);
command("t", () => nextTheme());
command("g j", () => go("#/"));
const ofJob = (rest) => () => { const name = location.hash.split("/")[2]; if (name) go(`#/job/${name}${rest}`); };
command("g b", ofJob(""));
command("g k", ofJob("/keys"));
command("g p", ofJob("/provoke"));
shortcuts();
connect();
