// The place on the way where port and chassis are chosen.

import { W } from "./words.js";
import { el, button, field, redraw, say, sure } from "./dom.js";
import { bench, get, jobPath, on, post, ask } from "./link.js";
import { failed, news } from "./news.js";
import { chassisNames } from "./jobs.js";

/** The port that is chosen for a job, remembered by this browser. */
export function chosenPort(job) {
  const running = [...bench.ports.values()].find((p) => p.job === job);
  if (running) return running.name;
  let name = null;
  try { name = localStorage.getItem(`port:${job}`); } catch { /* none is remembered */ }
  if (name && bench.ports.has(name)) return name;
  return bench.ports.size === 1 ? [...bench.ports.keys()][0] : null;
}

const choose = (job, name) => { try { localStorage.setItem(`port:${job}`, name); } catch { /* for this look only */ } };

/** The panel. */
export function portTask(job, state, goOn) {
  const list = el("fieldset.ports");
  const found = el("div");
  const chassis = el("select", { id: "port-chassis" }, el("option", { value: "" }, W.list.chassisAuto));
  if (state().chassis) chassis.append(el("option", { value: state().chassis }, state().chassis));
  const watch = button(W.port.watch, begin, { id: "watch", "aria-describedby": "watch-hint" });
  const stop = button(W.port.stop, end, { id: "watch-stop" });
  const find = button(W.port.find, findRate, { id: "find-rate" });
  const said = el("p.hint", { role: "status" });
  let chosen = chosenPort(job);

  function ports() {
    const rows = [...bench.ports.values()];
    redraw(list, el("legend", {}, W.port.bound), rows.length ? rows.map((port) => {
      const box = el("input", { type: "radio", name: "port", id: `port-${port.name}`, value: port.name });
      box.checked = port.name === chosen;
      box.addEventListener("change", () => { chosen = port.name; choose(job, chosen); ports(); });
      const more = [port.device, `${port.baud} ${port.framing}`, W.port.states[port.state] ?? port.state,
        port.job && port.job !== job ? W.port.inUse(port.job) : null,
        port.capture ? W.port.recorded(port.bytes, port.safe_bytes) : null, port.why].filter(Boolean).join(" · ");
      return el("label.choice", { for: box.id }, box, el("span", {}, el("span.strong", {}, port.name),
        el("span.hint", {}, more), port.chassis ? el("span.hint", {}, W.port.chassis(port.chassis, port.recognised)) : null));
    }) : el("p", {}, W.list.noPorts));
    const mine = [...bench.ports.values()].find((p) => p.job === job && p.capture);
    stop.hidden = !mine;
    watch.hidden = Boolean(mine);
    watch.disabled = find.disabled = !chosen || Boolean(state().closed);
    find.hidden = Boolean(mine);
  }

  async function begin() {
    const body = { job, hands: "on" };
    if (chassis.value) body.chassis = chassis.value;
    await post(`/ports/${encodeURIComponent(chosen)}/open`, body).catch(failed);
  }
  async function end() {
    const mine = [...bench.ports.values()].find((p) => p.job === job && p.capture);
    if (!mine) return;
    const close = () => closePort(mine.name, mine.capture);
    const asks = mine.provoke ? W.provoke.stopAsk : mine.hands === "off" ? W.port.stopAsk : "";
    if (asks) sure(W.port.stop, asks, W.soak.stopSure, W.soak.goOn, close);
    else await close();
  }
  async function findRate() {
    say(said, W.port.finding);
    const answer = await post(`/ports/${encodeURIComponent(chosen)}/find`, {}).catch(failed);
    say(said, !answer ? "" : answer.best ? W.port.foundRate(answer.best.baud, answer.best.framing) : W.port.notFound);
  }
  async function look() {
    const answer = await get("/ports/found").catch(failed);
    if (!answer) return;
    const known = new Set([...bench.ports.values()].map((p) => p.device));
    const fresh = (answer.ports ?? []).filter((p) => !known.has(p.device ?? p.path ?? p.name));
    redraw(found, el("h3", {}, W.port.found), fresh.length ? fresh.map((p) => {
      const device = p.device ?? p.path ?? p.name;
      return el("div.row.between", {}, el("span", {}, device), button(W.port.bind, () => { where.value = device; name.focus(); }));
    }) : el("p", {}, W.port.noneFound));
  }

  const name = el("input", { type: "text", id: "bind-name", required: true, pattern: "[A-Za-z0-9_][A-Za-z0-9._\\-]{0,63}" });
  const where = el("input", { type: "text", id: "bind-device", required: true });
  const baud = el("input", { type: "number", id: "bind-baud", min: 50, max: 12000000, value: 115200, inputmode: "numeric" });
  const bind = async (event) => {
    event.preventDefault();
    const made = await ask("POST", "/ports", { name: name.value.trim(), device: where.value.trim(), baud: Number(baud.value) })
      .catch(failed);
    if (!made) return;
    bench.ports.set(made.name, made);
    chosen = made.name;
    choose(job, chosen);
    news({ text: W.port.chosen(chosen) });
    ports();
  };

  ports();
  chassisNames().then((names) => names.filter((n) => n !== state().chassis).forEach((n) =>
    chassis.append(el("option", { value: n }, n)))).then(() => { if (state().chassis) chassis.value = state().chassis; });
  return {
    root: el("div.task", {}, el("h2", {}, W.port.title), el("p.lead", {}, W.port.lead), list,
      field(W.list.chassis, chassis),
      el("div.row", {}, button(W.port.go, goOn, { id: "to-baseline" }, "strong")),
      el("div.row", {}, watch, stop, find), el("p.hint", { id: "watch-hint" }, W.port.watchHint), said,
      el("details", { id: "bind" }, el("summary", {}, W.port.found), el("div.row", {}, button(W.port.look, look, { id: "look" })),
        found, el("form", { onsubmit: bind }, field(W.port.bindName, name), field(W.port.bindDevice, where),
          field(W.port.bindBaud, baud), el("div.row", {}, el("button", { type: "submit", id: "bind-port" }, W.port.bind))))),
    update: ports,
    end: on("ports", ports),
  };
}

/** Ends this capture and no other one that has begun on the port since. */
export const closePort = (port, capture) => post(`/ports/${encodeURIComponent(port)}/close`, { capture }).catch(failed);
/** Whether something runs for the job; the port's state, or null. */
export const runningPort = (job) => [...bench.ports.values()].find((p) => p.job === job && p.capture) ?? null;
/** The path of a job's soak. */
export const soakPath = (job) => jobPath(job, "/soak");
