// The list of jobs, and a new one.

import { W, moment } from "./words.js";
import { el, button, drawn, field, table, redraw } from "./dom.js";
import { bench, get, on, post } from "./link.js";
import { failed } from "./news.js";

/** Shows the list in `root`; returns a function that ends it. */
export function jobs(root, go) {
  const list = el("section", { "aria-labelledby": "jobs-title" });
  const make = el("section.card", { "aria-labelledby": "new-title" });
  const ports = el("section.card", { "aria-labelledby": "ports-title" });
  root.replaceChildren(el("div.desk", {}, list, el("div.side", {}, make, ports)));

  async function load() {
    const answer = await get("/jobs").catch(failed);
    if (!answer) return;
    const rows = answer.jobs.map((job) => [
      el("a.strong", { href: `#/job/${encodeURIComponent(job.name)}`, "aria-label": W.list.open(job.name) }, job.name),
      el("span", {}, job.set, job.locked_by ? el("span.hint", {}, ` ${W.list.locked(job.locked_by)}`) : null),
      job.chassis ?? W.none,
      String(job.stages ?? W.none),
      job.verdict ? el(`span.verdict.${job.verdict}`, {}, W.verdicts[job.verdict] ?? job.verdict) : W.none,
      job.closed ? W.list.closed : (W.list.actions[job.action] ?? W.none),
      moment(job.created),
    ]);
    redraw(list, el("h1", { id: "jobs-title" }, W.list.title),
      rows.length ? table(W.list.title, W.list.columns, rows) : el("p.lead", {}, W.list.empty));
    drawn();
  }

  async function form() {
    const set = el("input", { type: "text", required: true, autocomplete: "off", maxlength: 200 });
    const chassis = el("select", {}, el("option", { value: "" }, W.list.chassisAuto));
    const complaint = el("textarea", { rows: 2, maxlength: 1000 });
    const technician = el("input", { type: "text", autocomplete: "off", maxlength: 100 });
    const name = el("input", { type: "text", autocomplete: "off", pattern: "[A-Za-z0-9_][A-Za-z0-9._\\-]{0,63}" });
    const begin = async (event) => {
      event.preventDefault();
      const body = { set: set.value.trim() };
      if (!body.set) { set.focus(); return; }
      for (const [key, node] of Object.entries({ chassis, complaint, technician, name })) {
        if (node.value.trim()) body[key] = node.value.trim();
      }
      const made = await post("/jobs", body).catch(failed);
      if (made) go(`#/job/${encodeURIComponent(made.name)}`);
    };
    make.replaceChildren(el("h2", { id: "new-title" }, W.list.newTitle), el("form", { onsubmit: begin },
      field(W.list.set, set, W.list.setHint), field(W.list.chassis, chassis), field(W.list.complaint, complaint),
      field(W.list.technician, technician), field(W.list.name, name, W.list.nameHint),
      el("div.row", {}, el("button.strong", { type: "submit", id: "make-job" }, W.list.make))));
    for (const option of await chassisNames()) chassis.append(el("option", { value: option }, option));
  }

  function showPorts() {
    const rows = [...bench.ports.values()];
    redraw(ports, el("h2", { id: "ports-title" }, W.list.ports), rows.length
      ? el("ul.plain", {}, rows.map((port) => el("li", {}, el("span.strong", {}, port.name), " ",
        W.port.states[port.state] ?? port.state, port.job ? `, ${W.port.inUse(port.job)}` : "")))
      : el("p", {}, W.list.noPorts));
  }

  load();
  form();
  showPorts();
  const ends = [on("reset", load), on("job", load), on("ports", showPorts)];
  return () => ends.forEach((end) => end());
}

/** Names of the chassis that the program knows. */
export async function chassisNames() {
  const answer = await get("/protocols").catch(() => null);
  return (answer?.protocols ?? []).filter((p) => p.kind === "chassis").map((p) => p.name);
}
