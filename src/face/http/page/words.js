// All words of the page but those of provoke_words.js, and how numbers are said. To translate the page, translate both.
// Numbers have a decimal point and no grouping; dates are year-month-day: nothing depends on where one reads.

const NOT_KNOWN = "–";

/** Three significant figures, decimal point, no grouping. */
export function number(value) {
  if (value === null || value === undefined || !Number.isFinite(value)) return NOT_KNOWN;
  const size = Math.abs(value);
  if (size === 0) return "0";
  if (size < 1e-6 || size >= 1e9) return value.toExponential(2);
  const whole = Math.floor(Math.log10(size * 1.0005));
  const text = value.toFixed(whole >= 2 ? 0 : 2 - whole);
  return text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text;
}

/** A duration in the two largest units that say it. */
export function duration(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds) || seconds < 0) return NOT_KNOWN;
  if (seconds < 59.5) return `${number(seconds)} s`;
  const whole = Math.round(seconds);
  const pair = whole < 3600 ? [whole / 60, "min", whole % 60, "s"]
    : whole < 86400 ? [whole / 3600, "h", (whole % 3600) / 60, "min"]
      : [whole / 86400, "d", (whole % 86400) / 3600, "h"];
  const [large, small] = [Math.floor(pair[0]), Math.floor(pair[2])];
  return small === 0 ? `${large} ${pair[1]}` : `${large} ${pair[1]} ${small} ${pair[3]}`;
}

/** An amount of bytes; rounded down, since it may be a promise. */
const amount = (bytes) => {
  const [unit, size] = bytes < 1e6 ? ["kB", 1e3] : ["MB", 1e6];
  return `${(Math.floor((bytes / size) * 10) / 10).toFixed(1)} ${unit}`;
};

/** A running clock: 4:05 or 1:04:05. */
export function clock(seconds) {
  if (!Number.isFinite(seconds) || seconds < 0) return NOT_KNOWN;
  const whole = Math.floor(seconds);
  const two = (n) => String(n).padStart(2, "0");
  const rest = `${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
  return whole >= 3600 ? `${Math.floor(whole / 3600)}:${rest}` : rest.replace(/^0/, "");
}

/** A chance in per cent, small ones as a bound. */
export function chance(value) {
  if (value === null || value === undefined || !Number.isFinite(value)) return NOT_KNOWN;
  if (value >= 0.0995) return `${(100 * value).toFixed(0)} %`;
  if (value >= 0.000995) return `${(100 * value).toFixed(1)} %`;
  return "less than 0.1 %";
}

/** A probability of a place: never 0 % or 100 % unless it is exactly that. */
export function share(value) {
  if (value === null || value === undefined || !(value >= 0 && value <= 1)) return NOT_KNOWN;
  if (value > 0 && value < 0.01) return "below 1 %";
  if (value > 0.99 && value < 1) return "over 99 %";
  return `${Math.round(100 * value)} %`;
}

/** A count with its noun. */
export function plural(count, one) {
  return `${count} ${one}${count === 1 ? "" : one.endsWith("s") ? "es" : "s"}`;
}

/** A value with its interval. */
export const between = (value, low, high) => `${number(value)} (${number(low)} to ${number(high)})`;

/** Resistance with its unit. */
export function quantity(value, unit) {
  if (unit !== "ohm") return `${number(value)} ${unit === "ratio" ? "of nominal" : unit}`;
  if (value >= 1e6) return `${number(value / 1e6)} MΩ`;
  return value >= 1e3 ? `${number(value / 1e3)} kΩ` : `${number(value)} Ω`;
}

/** Wall time, RFC 3339 in, `2026-03-04 17:05` in the bench's own zone out. */
export function moment(text) {
  const when = new Date(text ?? "");
  if (Number.isNaN(when.getTime())) return NOT_KNOWN;
  const two = (n) => String(n).padStart(2, "0");
  const day = `${when.getFullYear()}-${two(when.getMonth() + 1)}-${two(when.getDate())}`;
  return `${day} ${two(when.getHours())}:${two(when.getMinutes())}`;
}

/** A place on the timeline, with as many digits as the width in view deserves. */
export function place(seconds, width) {
  const sign = seconds < 0 ? "−" : "";
  const all = Math.abs(seconds);
  const digits = width < 0.02 ? 4 : width < 0.2 ? 3 : width < 2 ? 2 : width < 20 ? 1 : 0;
  const rounded = Number(all.toFixed(digits));
  const days = Math.floor(rounded / 86400);
  const hours = Math.floor(rounded / 3600) % 24;
  const minutes = Math.floor(rounded / 60) % 60;
  const rest = (rounded % 60).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  if (rounded < 60) return `${sign}${Number(rest).toFixed(digits)} s`;
  const two = (n) => String(n).padStart(2, "0");
  const hour = rounded >= 3600 ? `${hours}:${two(minutes)}` : `${minutes}`;
  return `${sign}${days ? `${days} d ` : ""}${hour}:${rest}`;
}

const KEYS = {
  KEY_VOLUMEUP: "Volume up", KEY_VOLUMEDOWN: "Volume down", KEY_CHANNELUP: "Channel up",
  KEY_CHANNELDOWN: "Channel down", KEY_MENU: "Menu", KEY_POWER: "Power", KEY_POWER2: "Power", KEY_OK: "OK",
  KEY_ENTER: "Enter", KEY_SELECT: "Select", KEY_UP: "Up", KEY_DOWN: "Down", KEY_LEFT: "Left",
  KEY_RIGHT: "Right", KEY_BACK: "Back", KEY_EXIT: "Exit", KEY_MUTE: "Mute", KEY_SOURCE: "Source",
  KEY_VIDEO: "Source", KEY_INPUT: "Input", KEY_HOME: "Home", KEY_INFO: "Info", KEY_SLEEP: "Sleep",
  KEY_SWITCHVIDEOMODE: "Video mode", KEY_CONFIG: "Settings", KEY_SETUP: "Setup", KEY_PLAYPAUSE: "Play, pause",
};

/** Words for a key by its Linux input name. */
export function key(name) {
  if (!name) return W.noKey;
  if (KEYS[name]) return KEYS[name];
  const plain = String(name).replace(/^(KEY|BTN)_/, "").replace(/_/g, " ").toLowerCase();
  return plain.charAt(0).toUpperCase() + plain.slice(1);
}

/** What the strays of a pattern are: press of a key, change of a menu item. */
export const motif = (list) => list.map((part) => (part.key ? key(part.key) : part.item ? W.item(part.item) : part.kind))
  .join(" → ");

export const W = {
  product: "straykey",
  bench: "bench",
  jobTitle: (job, set) => `Job ${job}: ${set}`,
  noKey: "no key",
  item: (name) => `menu item ${name}`,
  none: NOT_KNOWN,
  yes: "yes",
  close: "Close",
  jobs: "Jobs",
  keysButton: "Help",
  themeNames: { auto: "As the computer", light: "Light", dark: "Dark" },
  theme: (name) => `Theme: ${name}`,
  paths: { keypad: "Keypad", infrared: "Infrared", cec: "CEC", menu: "Menu", system: "System" },
  kinds: {
    press: "press", release: "release", repeat: "repeat", reading: "reading", frame: "frame", change: "change",
    noise: "noise", boot: "boot", standby: "standby", fault: "fault",
  },
  stepKinds: { isolate: "isolate", repair: "repair", restore: "restore" },
  stepKindsSaid: {
    isolate: "Isolate: unplugged, covered or swapped, to find the place",
    repair: "Repair: cleaned, tightened or replaced",
    restore: "Restore: an earlier step undone",
  },
  parts: ["key-board", "key-cable", "key-switch", "main-board", "ground-bond", "infrared-receiver", "remote", "hdmi-cable",
    "software"],
  partsSaid: {
    "key-board": "Key board", "key-cable": "Key cable", "key-switch": "One switch", "main-board": "Main board",
    "ground-bond": "Ground bond", "infrared-receiver": "Infrared receiver", remote: "Remote",
    "hdmi-cable": "HDMI cable or box", software: "Software",
  },
  verdicts: {
    gone: "✓ gone", reduced: "↓ reduced", unchanged: "= unchanged", worse: "↑ worse", undecided: "? undecided",
  },
  locations: {
    "key-switch": "Key switch", "key-board": "Key board", "key-cable": "Key cable or connector",
    "main-board-input": "Main board, key input", "ground-bond": "Ground bond",
    "supply-reference": "Supply or reference", "infrared-ambient": "Infrared in the room",
    "infrared-receiver": "Infrared receiver", remote: "Remote", "cec-peer": "Box on HDMI-CEC", software: "Software",
    none: "No fault",
  },
  risks: { low: "low risk", medium: "medium risk", high: "high risk" },
  glance: {
    off: ["Not watching", "Nothing is recorded at the moment."],
    quiet: (time) => `Quiet ${time}`,
    of: (limit) => `of ${limit}`,
    blind: (from) => `Blind since ${from}`,
    misbehaving: (times) => `Misbehaving ${times === 1 ? "once" : `${times} times`}`,
    fixed: "Fixed",
    now: "Now",
    last: "Last",
    notYet: ["Waiting", "Hands off. Nothing was seen from the set yet."],
    handsOff: "Hands off the set and its remote.",
    wait: "Hands off, wait. The soak ends by itself.",
    plugIn: "Plug the adapter in again. The soak goes on by itself.",
    doing: "Show the soak",
    does: {
      port: "Choose the port", baseline: "Soak", isolate: "Test", repair: "Note the repair", soak: "Soak",
      report: "Write the report",
    },
    stage: (n, step) => `Stage ${n}, ${step}.`,
    ask: "Press a key",
    notSeen: (time) => `${time} not seen`,
    recording: "Recording",
    gone: ["Cable gone", "The adapter is not there. Nothing recorded is lost; it goes on by itself when it is back."],
    failed: "Port trouble",
    lost: ["No connection", "straykey does not answer. What it recorded is on disk; this page tries again by itself."],
    closed: ["Closed", "Nothing can be added."],
    handsOn: "hands on: presses are not called stray",
    silent: "the set says nothing at the moment",
    on: (path) => `on the ${path} path`,
    held: "held down",
    verdict: "Verdict so far",
    quietAnyway: "Could be luck",
    quietAnywaySaid: "chance of such quiet without a repair",
    needed: "Still needed",
    reached: "reached",
    outOfReach: "not by quiet alone",
    needed95: (text) => `${text} for 95 %`,
    strays: "Strays",
    inEpisodes: (episodes) => `in ${plural(episodes, "episode")}`,
    bytes: (n) => `${number(n)} bytes/s`,
  },
  link: {
    lost: "Connection lost. What is on disk stays; at most the last moment before it is missing. Trying again …",
    back: "Connection is back. The page is up to date again; nothing recorded is lost.",
    restarted: "straykey was restarted. What was on disk is here; the last moment before the end may be missing.",
    recovered: (list) => `After the start: ${list.join(" ")}`,
    gap: "The page fell behind and has loaded everything again. Nothing recorded is lost.",
    noToken: "This page has no key to the bench yet",
    noTokenSaid: "Open the link that straykey serve printed in its terminal. It sets the key for this browser.",
    failed: (what) => `That did not work: ${what}`,
    remedy: (what) => `What to do: ${what}`,
    diskLow: (said) => said || "The disk is getting full.",
    protocols: (said) => `A protocol file is broken; the last good one is in use. ${said}`,
  },
  list: {
    title: "Jobs on this bench",
    empty: "No job yet. A job is one set on the bench, from first look to hand-back.",
    columns: ["Job", "Set", "Chassis", "Stages", "Verdict", "Next", "Begun"],
    open: (name) => `Open ${name}`,
    closed: "closed",
    locked: (who) => `in use by ${who}`,
    newTitle: "New job",
    set: "Which set",
    setHint: "as on your ticket, for example: bedroom set, ticket 1187",
    chassis: "Chassis",
    chassisAuto: "not known: recognise it",
    complaint: "What the customer complains of",
    technician: "Your name",
    name: "Short name (letters, digits, . _ -)",
    nameHint: "left empty: made from the set",
    make: "Begin this job",
    ports: "Ports",
    noPorts: "No port is bound. Open a job and choose one.",
    actions: { soak: "soak", test: "next test", repeat: "repair, then soak", restore: "put it back", "hand-back": "hand back", closed: "closed" },
  },
  cautions: {
    title: "Before you touch an open set",
    accept: "I have read these cautions",
    acceptHint: "Kept with the job, asked once for each job.",
    again: "Cautions",
    refuse: "Not now: back to the jobs",
  },
  route: {
    title: "The way of this job",
    port: "Port and chassis",
    baseline: "Baseline soak",
    isolate: "Isolation tests",
    repair: "Repair step",
    soak: "Soak and verdict",
    report: "Report, hand back",
    now: "now",
    done: "done",
  },
  port: {
    title: "Port and chassis",
    lead: "Connect ground first, then receive only. Choose the port that the set's debug output is on.",
    states: {
      off: "not open", open: "receiving", silent: "open, silent", gone: "cable gone", busy: "in use elsewhere",
      failed: "failed",
    },
    bound: "Ports that straykey knows",
    found: "Plugged in, not bound yet",
    look: "Look for adapters",
    bind: "Bind this port",
    bindName: "Name for it", bindDevice: "Device", bindBaud: "Bits per second",
    noneFound: "Nothing else is plugged in.",
    chosen: (name) => `Chosen: ${name}`,
    watch: "Begin watching, hands on",
    watchHint: "Shows what the set receives. Presses are not called stray; a soak does that.",
    stop: "End this recording",
    stopAsk: "A soak runs on this port. What was seen stays in the job; the soak does not go on.",
    find: "Find the rate",
    finding: "Listening at several rates …",
    foundRate: (baud, framing) => `Best: ${baud} ${framing}.`,
    notFound: "No rate fits: is the wire on the set's transmit pin, and does the set print anything?",
    chassis: (name, why) => (name ? `Chassis ${name}${why ? `: ${why}` : ""}` : "Chassis not known yet"),
    inUse: (job) => `records for job ${job}`,
    recorded: (bytes, safe) => `recorded ${amount(bytes)}, safe to ${amount(safe)}`,
    go: "To the baseline soak",
  },
  soak: {
    baseline: "Baseline soak",
    baselineLead: "Watch the set as it came in, hands off, before anything is touched. Without strays in the baseline, " +
      "no repair can be proved later.",
    title: "Soak and verdict",
    lead: "Hands off. Every input in a soak is stray.",
    minutes: "Minutes",
    onFor: "Set has been on for (minutes), if you know",
    full: "Always run the full time",
    start: "Start the soak, hands off",
    stop: "End the soak",
    stopAsk: (at, of) => `${at} of ${of} are seen. What was seen stays in the job; the soak does not go on.`,
    stopSure: "End it now",
    goOn: "Let it go on",
    running: (port) => `A soak runs on port ${port}. Keep hands off the set and its remote.`,
    noPort: "Choose a port first.",
    done: "The verdict is certain; the soak may end.",
    ended: (verdict) => `Soak ended: ${verdict}.`,
  },
  isolate: {
    title: "Isolation tests",
    lead: "The test that tells most for its time stands first. One thing at a time.",
    none: "No test is proposed yet: soak first.",
    minutes: (m) => `about ${number(Math.ceil(m))} min`,
    before: "Before you begin",
    cautions: "Cautions",
    did: "I did this",
    measure: "To the key check",
    measureHint: "A reading is taken in a key check: press what is asked for, once.",
    alone: "Repair instead",
    more: (n) => `${n} more tests`,
  },
  step: {
    title: "Repair step",
    titleTest: "Note the test as a step",
    lead: "One step, one part. Then soak. So you will know which one did it.",
    text: "What you did",
    textHint: "for example: key board cleaned",
    kind: "Kind",
    parts: "Part that you touched",
    otherPart: "Another part",
    note: "Note this step",
    several: "Two parts in one step: if the set is quiet afterwards, nobody can tell which of them did it, and the " +
      "report can claim neither. Do one, soak, then the other.",
    anyway: "These cannot be done separately: note them as one step",
    needText: "Say what you did.",
    noted: (stage) => `Noted. Stage ${stage} begins; soak now, hands off.`,
  },
  report: {
    title: "Report and hand-back",
    lead: "The report is one file for the customer, the next technician and the warranty claim.",
    write: "Write the report",
    writing: "Writing …",
    written: (bytes) => `Written, ${number(bytes / 1000)} kB.`,
    open: "Open the report",
    keycheck: "Key check of all keys",
    keycheckHint: "Before hand-back: every key once.",
    close: "Close this job",
    closeSure: "Close for good",
    closeHint: "Seals all recordings with checksums.",
    closeAsk: "A closed job takes no more captures and steps. Close it?",
    closed: (at) => `Closed on ${at}.`,
  },
  lanes: {
    title: "Live lanes",
    region: "Timeline lanes. Arrow keys move and zoom, F follows, 0 shows all, N and P go to the next and previous stray, "
      + "Enter shows the bytes.",
    follow: "Follow",
    followOn: "Following",
    all: "Show all",
    zoomIn: "Zoom in", zoomOut: "Zoom out", back: "Earlier", forth: "Later",
    nextStray: "Next stray", lastStray: "Previous stray",
    search: "Search in events",
    filter: "Search and paths",
    onlyStrays: "Strays only",
    stray: "stray",
    strays: (n) => plural(n, "stray"),
    view: (from, to, total) => `${from} to ${to}: ${plural(total, "event")} in view`,
    table: "In view, as a table",
    tableColumns: ["Time", "Path", "What", "Stray"],
    tableMore: (n) => `The first ${n} are listed; zoom in for the others.`,
    bucketRow: (n, s) => `${plural(n, "event")}, ${plural(s, "stray")}`,
    none: "no event",
    latest: "Latest",
    offSet: "between captures",
    stage: (n) => `stage ${n}`,
    legend: { stray: "▼ stray", input: "▬ press, held", read: "∿ reading", menu: "▮ other event" },
  },
  detail: {
    title: "One event",
    bytes: "Bytes as they came from the set",
    from: (capture, offset, length) => `${capture}, ${plural(length, "byte")} from byte ${offset}`,
    pick: "Choose an event in the lanes (click, or N and Enter) to see the bytes behind it.",
    fields: {
      t: "Time", path: "Path", kind: "Kind", key: "Key", item: "Menu item", value: "Value", line: "Line",
      counts: "Counts", volts: "Volts", held: "Held", format: "Format", address: "Address", command: "Command",
      initiator: "From", destination: "To", opcode: "Opcode", note: "Note", stray: "Stray", capture: "Capture",
    },
  },
  readings: {
    title: "Key readings and their windows",
    none: "No reading yet.",
    noneSince: "nothing read since this page was opened",
    noLadder: "This chassis has no key ladder.",
    said: (line, counts, window) => `${line} reads ${counts} counts: ${window}`,
    outside: "outside every window",
    rest: "no key",
    columns: ["Line", "Window", "From", "To", "Nominal"],
    table: "Windows as a table",
  },
  ladder: {
    title: "Ladder, nominal and measured",
    alt: "Drawing of the key ladder: nominal and measured levels of each key; the same numbers stand in the table of windows and in the list below.",
    none: "No ladder yet: it needs a chassis with a key ladder and readings.",
  },
  patterns: {
    title: "Patterns",
    none: "No repeating stray yet.",
    stage: (n) => `Stage ${n}`,
    goto: (n) => `Go to the occurrences of pattern ${n}`,
    foldShort: "Fold",
    fold: (n) => `Fold at the period of pattern ${n}`,
    foldTitle: (what, period) => `${what}, folded at ${number(period)} s`,
    foldHelp: "Each row is a part of the recording, each mark a stray at its place in the period. A true period makes upright columns.",
    occurrences: "Occurrences",
    cover: (c) => `covers ${share(c)} of the strays`,
  },
  compare: {
    title: "Before and after",
    none: "Two watched stages are needed.",
    axis: "episodes a minute, with 95 % interval",
    columns: ["Stage", "What was done", "Watched", "Episodes", "A minute (95 %)", "Verdict"],
    ratio: (r, l, h) => `Before the step strays came ${number(r)} times as often as after it (95 %: ${number(l)} to ${number(h)}).`,
    against: (n) => `against stage ${n}`,
    method: "Method",
    credit: "Which step did it",
    table: "Stages as a table",
    notWatched: "not watched yet",
  },
  where: {
    title: "Where the fault is",
    on: (path) => `Strays on ${path}`,
    none: "Nothing to say yet: a baseline soak comes first.",
    next: "Next test",
    more: "All places",
    method: "Method",
  },
  provoke: {
    title: "Make the fault come",
    hint: "For a fault that shows too seldom: warm, tap, cool, in short blocks. Minutes in place of days.",
    to: "Make the fault come",
    against: (test) => `${W.isolate.minutes(test.minutes)}, ${test.soak_minutes === null ? "where no soak would be long enough"
      : `in place of ${duration(60 * test.soak_minutes)} of soak`} · ${W.risks[test.risk] ?? test.risk}`,
    show: "Show what to do",
    running: (port) => `The fault is being made to come on port ${port}. Nothing else can be begun there; stop it first.`,
    stopAsk: "The fault is being made to come on this port. What was done stays in the job; the rest is not done.",
    alone: "leave alone",
    deference: "Local electrical codes, the service manual and your licence come first. If any point cannot be met, stop.",
    /** What is to be done now, the short of it first; null before the first block. */
    doing: (now, away) => {
      if (away) return ["Cable gone", "Plug the adapter in again. It goes on by itself; the round is done again at the end."];
      if (now.paused) return ["Paused", "Nothing is asked for. When you go on, the round is done again at the end."];
      if (!now.instruction) return null;
      const [, short, more] = /^([^,:]+)[,:]?\s*(.*)$/.exec(now.instruction) ?? ["", now.instruction, ""];
      return [short, more];
    },
    block: (now) => `Block ${now.block} of ${now.blocks}`,
  },
  check: {
    title: "Key check",
    lead: "straykey asks for one key after the other. Press what is asked for, once, on the set itself.",
    begin: "Begin the key check",
    press: "Press",
    seen: (name) => `seen: ${name}`,
    wrong: "another key",
    missing: "not seen",
    wait: (s) => `${s} s`,
    skip: "Skip this key",
    stop: "Stop",
    again: "Once more",
    done: "Key check done",
    result: (right, wrong, missing) => `${right} right, ${wrong} seen as another key, ${missing} not seen`,
    columns: ["Asked for", "Seen", "Times"],
    keys: "Keys to ask for",
    noKeys: "This chassis names no keys; type Linux input names, with commas between.",
    noPort: "No port is chosen for this job.",
    soaking: "A soak is running on this port. End it first.",
    back: "Back to the bench",
    strays: (n) => `${n === 1 ? "1 press" : `${n} presses`} that nobody asked for`,
  },
  help: {
    title: "Keys and words",
    single: "Single keys act",
    words: "What the words mean",
    list: [
      ["?", "keys and words"], ["g j", "all jobs"], ["g b", "the bench of this job"], ["g k", "key check"],
      ["g p", "make the fault come"], ["x", "this round was spoiled (while the fault is made to come)"], ["p", "pause, go on (there)"],
      ["1 … 6", "the six places on the way of the job"], ["s", "to the soak"], ["t", "light or dark"],
      ["/", "search in events"], ["l", "to the lanes"], ["← →", "earlier, later (lanes)"],
      ["↑ ↓ or + −", "zoom in, out (lanes)"], ["f", "follow what comes in"], ["0", "show all"],
      ["n p", "next, previous stray"], [". ,", "next, previous event in view"], ["Enter", "bytes of the chosen event (lanes)"], ["Esc", "close"],
    ],
  },
};
