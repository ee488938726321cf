// The link to the daemon: requests, the stream of events, and what is known of the bench. Everything that the page
// shows comes from here, so that several pages agree: a change is told to the daemon and comes back by the stream.

import { W } from "./words.js";

const BASE = "/api/v1";

/** What a request met: `what`, `at`, `remedy` from the daemon, and the status. */
export class Refused extends Error {
  constructor(status, body) {
    const error = body?.error ?? {};
    super(error.what || `status ${status}`);
    Object.assign(this, { status, at: error.at ?? null, remedy: error.remedy ?? null, warning: error.warning ?? null });
  }
}

/** A request; JSON in and out. Throws `Refused`, or a TypeError where nobody answers. */
export async function ask(method, path, body) {
  const answer = await fetch(BASE + path, {
    method,
    headers: method === "GET" ? {} : { "Content-Type": "application/json" },
    body: method === "GET" ? undefined : JSON.stringify(body ?? {}),
    credentials: "same-origin",
  });
  const text = await answer.text();
  let value = null;
  try { value = text ? JSON.parse(text) : {}; } catch { value = null; }
  if (!answer.ok) throw new Refused(answer.status, value);
  return value;
}

export const get = (path) => ask("GET", path);
export const post = (path, body) => ask("POST", path, body);
export const jobPath = (job, rest = "") => `/jobs/${encodeURIComponent(job)}${rest}`;

const listeners = new Map();

/** Calls `listener` on each `kind`; returns a function that ends that. */
export function on(kind, listener) {
  if (!listeners.has(kind)) listeners.set(kind, new Set());
  listeners.get(kind).add(listener);
  return () => listeners.get(kind).delete(listener);
}

export function tell(kind, value) {
  for (const listener of [...(listeners.get(kind) ?? [])]) listener(value);
}

/** What is known: `link` is `waiting`, `open`, `lost` or `closed-out` (no token). */
export const bench = { link: "waiting", status: null, ports: new Map(), boot: null };

let source = null;
let retry = null;
let heard = 0;
let asked = false;

/** Opens the stream and keeps it open for as long as the page lives. */
export async function connect() {
  if (asked) return;
  asked = true;
  try {
    await refresh();
  } catch (error) {
    asked = false;
    if (error instanceof Refused && error.status === 401) return closedOut();
    return lost();
  }
  asked = false;
  listen();
}

/** Fetches status and ports; notices a daemon that was restarted. */
export async function refresh() {
  const [status, ports] = await Promise.all([get("/status"), get("/ports")]);
  const before = bench.boot;
  bench.status = status;
  bench.boot = status.boot;
  bench.ports = new Map(ports.ports.map((port) => [port.name, port]));
  const was = bench.link;
  bench.link = "open";
  tell("status", status);
  tell("ports");
  if (before && before !== status.boot) {
    const found = status.recovered?.length ? ` ${W.link.recovered(status.recovered)}` : "";
    tell("news", { text: W.link.restarted + found, keep: true });
    tell("reset");
  } else if (was === "lost") {
    tell("news", { text: W.link.back });
    tell("reset");
  }
  tell("link");
}

function closedOut() {
  bench.link = "closed-out";
  tell("link");
}

function listen() {
  source?.close();
  source = new EventSource(`${BASE}/stream`);
  heard = performance.now();
  source.onerror = () => lost();
  for (const kind of ["events", "soak", "check", "provoke", "port", "job", "status", "gap"]) {
    source.addEventListener(kind, (message) => {
      heard = performance.now();
      let value;
      try { value = JSON.parse(message.data); } catch { return; }
      if (kind === "port") {
        bench.ports.set(value.name, value);
        tell("ports");
      } else if (kind === "status") {
        bench.status = { ...bench.status, ...value };
        tell("status", bench.status);
      } else if (kind === "gap") {
        tell("news", { text: W.link.gap });
        refresh().then(() => tell("reset"), lost);
      } else {
        tell(kind, value);
      }
    });
  }
}

function lost() {
  source?.close();
  source = null;
  if (bench.link !== "lost") {
    bench.link = "lost";
    tell("news", { text: W.link.lost, keep: true });
    tell("link");
  }
  clearTimeout(retry);
  retry = setTimeout(connect, 700);
}

// A stream whose far end has silently gone is found by asking, since its comment lines do not reach scripts.
setInterval(() => {
  if (bench.link === "open" && performance.now() - heard > 15000) {
    heard = performance.now();
    refresh().catch((error) => (error instanceof Refused && error.status === 401 ? closedOut() : lost()));
  }
}, 5000);
