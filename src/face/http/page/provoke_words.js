// The words of provocation, beside words.js: to translate the page, translate both.

import { W, chance, duration, number, plural } from "./words.js";

const STRESSORS = {
  warm: "Warm air", cold: "Cold", breath: "Breath", tap: "Tapping", flex: "Flexing", lamp: "A lamp on the infrared window",
  shade: "Covering the infrared window", brightness: "The backlight at its lowest", "remote-off": "Remotes without batteries",
  "hdmi-off": "HDMI unplugged", "mains-low": "Low mains",
};
const ALONE = "left alone";
const share = (part) => `${Math.round(100 * part)} %`;

const part = (place) => (W.partsSaid[place] ?? place.replace(/^other:/, "")).replace(/^One /, "").toLowerCase();

/** A stressor as it was written, in words: "Warm air at the key cable". */
export function stressor(name) {
  if (name.startsWith("other:")) return `“${name.slice(6)}”`;
  const [kind, place] = name.split("@");
  const words = STRESSORS[kind] ?? kind;
  return place ? `${words} at the ${part(place)}` : words;
}

const small = (words) => words.charAt(0).toLowerCase() + words.slice(1);

/** What one stressor did, in a sentence. */
function effect(name, does, found) {
  const counts = `${plural(found.episodes, "episode")} against ${found.alone} when ${ALONE}`;
  const luck = `Could be luck: ${chance(found.chance)}.`;
  const words = stressor(name);
  if (does === "calls") return `${words} brings the fault: ${counts}.`;
  if (does === "seems") return `${words} seems to bring the fault: ${counts}. ${luck}`;
  if (!found.episodes && !found.alone) return `No fault came, neither with ${small(words)} nor when ${ALONE}.`;
  return `Not shown that ${small(words)} brings the fault: ${counts}. ${luck}`;
}

/** Two figures are enough to act on; a bound that is beyond all numbers comes as null. */
const figure = (value) => (value === null ? W.none : number(Number(value.toPrecision(2))));

const times = (found) => {
  if (!found.episodes && !found.alone) return W.none;
  if (found.times === null) return `at least ${figure(found.times_low)}`;
  const range = found.times_high === null ? `at least ${figure(found.times_low)}`
    : `${figure(found.times_low)} to ${figure(found.times_high)}`;
  return `${figure(found.times)} (${range})`;
};

export const P = {
  title: "Make the fault come",
  lead: "For a fault that shows too seldom. Short blocks of leaving the set alone and of doing one thing to it, in an order drawn "
    + "at random. What makes the fault come shows in minutes.",
  what: "What you do",
  place: "Where",
  otherPlace: "another place",
  placeWords: "Which place",
  words: "What you do, in your words",
  wordsHint: "for example: stand swung",
  own: "Something else",
  add: "Add this",
  chosen: "Chosen",
  none: "Nothing is chosen yet.",
  remove: "Take out",
  removeThat: (name) => `Take out: ${stressor(name)}`,
  kinds: (kind) => STRESSORS[kind] ?? kind,
  minutes: "Minutes",
  plan: (p) => `${plural(p.blocks, "block")} of ${duration(p.block_s)}, ${duration(p.all_s)} in all.`,
  finds: (p) => (p.effect === null
    ? "It finds next to nothing at this rate. Give it more minutes, or choose less."
    : `It finds what brings the fault ${number(Math.ceil(p.effect))} times as often in 4 of 5 tries; in ${share(p.in_spells)} where the fault is`
      + ` away for minutes by itself${p.wash_out_s < 10 ? "" : `, in ${share(p.slow)} where its effect takes ${duration(2 * p.wash_out_s)} to build up`}.`),
  rate: (p) => (p.known ? `Expected when left alone: one episode in ${duration(60 / p.per_minute)}, as this job has shown.`
    : `No episode was seen yet; one in ${duration(60 / p.per_minute)} is assumed.`),
  next: "Go on to the cautions",
  begin: "Begin",
  noPort: "Choose a port first, on the bench.",
  cautions: "Before the first block",
  accept: "I have read these cautions: begin",
  refuse: "Not now",
  back: "Back to the bench",
  // While it runs.
  block: (now) => (now.block ? `Block ${now.block} of ${now.blocks}` : "First block"),
  left: (s) => `${duration(60 * Math.max(1, Math.ceil(s / 60)))} left`,
  waiting: ["Wait", "The first block begins."],
  done: ["Done", "The result is being worked out."],
  lost: ["No connection", "straykey does not answer. This page tries again by itself."],
  silent: "The set says nothing. Blocks in which nothing is heard do not count.",
  spoiled: "Round spoiled",
  spoiledHint: "Press when hands moved, or when it was not done as asked. This round is done again at the end.",
  why: "Reason",
  reasons: ["hands moved", "not done as asked", "something else disturbed"],
  pause: "Pause",
  resume: "Go on",
  stop: "Stop",
  stopTitle: "Stop now?",
  stopAsk: (now) => `${now.block} of ${now.blocks} blocks were begun. What was done stays in the job; the rest is not done.`,
  stopSure: "Stop it",
  goOn: "Let it go on",
  sound: (on) => (on ? "Sound is on" : "Sound is off"),
  struck: (round, why) => `Round ${round} does not count: ${why}. It is done again at the end.`,
  strip: "Blocks so far",
  alone: "alone",
  /** A word for a cell of the strip; with its place, or its words, where another one has the same. */
  short: (name, alike) => {
    const [kind, place] = name.startsWith("other:") ? ["own", name.slice(6)] : name.split("@");
    return alike ? `${kind} ${place.replace(/^other:/, "").slice(0, 12)}` : kind;
  },
  cell: (block) => [`Round ${block.round}`, block.stressor ? stressor(block.stressor) : ALONE,
    plural(block.episodes, "episode"), block.struck ? `does not count: ${block.struck}` : ""].filter(Boolean).join(", "),
  nowCell: "now",
  // What it showed.
  noRound: "No round was finished. Nothing can be said.",
  effect,
  rounds: (found) => `${found.rounds} of ${plural(found.planned, "round")} count; ${duration(found.counted_s)} of each kind.`,
  broken: (found, doing) => `It was broken off in round ${found.blocks.at(-1)?.round ?? 1}, during “${doing}”. What was done is kept. `
    + "To repeat what was broken off, begin again below: the same is chosen.",
  table: "What each one did",
  columns: ["What was done", "Episodes", "Left alone", "Times as often (95 %)", "Could be luck"],
  row: (found) => [stressor(found.stressor), String(found.episodes), String(found.alone), times(found), chance(found.chance)],
  blocks: "All blocks",
  blockColumns: ["Round", "What was done", "Episodes", "Left out, because"],
  blockRow: (block) => [String(block.round), block.stressor ? stressor(block.stressor) : ALONE, String(block.episodes),
    block.struck ?? ""],
  method: "How this was worked out",
  methodSaid: (found) => "Randomisation test on the order that was drawn: how often a random order would have shown as much or more, for all "
    + `that was done together and however often one looks. Order drawn by seed ${found.seed}. Each episode is counted once, and only `
    + "in the part of a block that counts.",
  cautionsRead: (found) => (found.cautions ? `Cautions of its stressors: ${found.cautions}.`
    : "Whether the cautions of its stressors were read is not in the job."),
  again: "Begin again",
  same: "The same blocks after the repair",
  sameHint: "What made the fault come before the last step, once more in another order: does it still?",
  against: (stage) => `Against stage ${stage}`,
  earlier: (n) => plural(n, "earlier provocation"),
  stage: (n) => `Stage ${n}`,
};
