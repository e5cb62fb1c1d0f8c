/**
 * What the levels count: one sentence, and tables of counts, kinds and lots.
 *
 * @import {Hand, TrialCounts} from "./hand.js"
 * @import {TableCounts} from "./tables.js"
 * @import {ReserveSearch} from "./reserves.js"
 */
import { element, nameOf, numberOf, rowOf, shown } from "./drawing.js";
import { countInterval, shareInterval } from "./intervals.js";
import { lotClaim } from "./lots.js";
import { HIT, MERGED, MISS } from "./scoring.js";

/** @param {number} value */
export function percent(value) {
  return Number((100 * value).toPrecision(3));
}

/**
 * One row of the table of counts: name, count, interval.
 * @typedef {{name: string, of: (n: TableCounts) => number, side?: boolean,
 *   interval?: (n: TableCounts, of: TrialCounts) => string}} CountRow
 * @param {any} facts
 * @param {number} touching passes that merge with the one that they touch
 * @returns {CountRow[]}
 */
function countRows(facts, touching) {
  const { confidence } = facts.rules;
  const share = (/** @type {number} */ events, /** @type {number} */ trials) => {
    const [low, high] = shareInterval(events, trials, confidence);
    return `${percent(low)} to ${percent(high)} % of ${shown(trials)}`;
  };
  // Nothing is told of a time more than ten times as long as the recording.
  const perTime = (/** @type {number} */ events, /** @type {number} */ hours) => {
    const of = 10 * hours >= 1 ? 1 : 600 * hours >= 1 ? 60 : 3600;
    const unit = of === 1 ? "h" : of === 60 ? "min" : "s";
    const [low, high] = countInterval(events, hours * of, confidence);
    return `${shown(Number(low.toPrecision(3)))} to ${shown(Number(high.toPrecision(3)))} per ${unit}`;
  };
  /** @type {CountRow[]} */
  const rows = [
    { name: "passes lost", of: (n) => n.lost - n.touching, interval: (n, of) => share(n.lost - n.touching, of.detect - n.touching) },
    { name: "missed", of: (n) => n.lost - n.merged, side: true },
    { name: "merged", of: (n) => n.merged - n.touching, side: true },
    { name: "extra switchings", of: (n) => n.extra },
    { name: "false trips", of: (n) => n.false_trips, interval: (n, of) => perTime(n.false_trips, of.hours) },
    { name: "gaps tripped", of: (n) => n.gaps_tripped, interval: (n, of) => share(n.gaps_tripped, of.gaps), side: true },
  ];
  // After what is lost, and no part of it: the name is short, since a longer one is cut.
  if (touching > 0) rows.splice(3, 0, { name: "touching, no error", of: (n) => n.touching });
  if (facts.trials.ignore > 0) {
    rows.push({ name: "trips on passes to be ignored", of: (n) => n.ignore_trips });
    rows.push({ name: "ignored passes tripped", of: (n) => n.ignore_tripped,
      interval: (n, of) => share(n.ignore_tripped, of.ignore), side: true });
  }
  return rows;
}

/**
 * The counts of the hand in one sentence.
 * @param {Hand} hand
 */
export function sentence({ now: { counts: n, trials, basis } }) {
  if (n === null) return basis === "waiting" ? "Counting …" : "Not counted at these levels.";
  const trips = n.false_trips + n.ignore_trips, met = n.touching;
  return `${shown(n.lost - met)} of ${numberOf(trials.detect - met, "pass", "passes")} lost, ${numberOf(trips, "false trip")}, `
    + `${numberOf(n.extra, "extra switching")}.`
    + (met === 0 ? "" : ` ${numberOf(met, "pass touches", "passes touch")} the one before and `
      + `${met === 1 ? "merges" : "merge"} with it: no error.`);
}

/** @type {Record<string, string>} */
const BASIS = {
  table: "Exact: counted beforehand over the whole recording.",
  replay: "Exact: replayed in this page over every sample.",
  server: "Exact: replayed by the server over the whole recording.",
  waiting: "The server replays the whole recording …",
  none: "Not counted: the light is not in this page. Save the setting, copy the command and run it; or open the page with --serve.",
};

/**
 * That the verdict is not on what the hand has set, and how to get one.
 * @param {Hand} hand
 */
function tellMoved(hand) {
  const { line, first } = hand.command(), moved = hand.facts.given && first.length > 0;
  element("moved").textContent = moved ? "This verdict is on the setting that was given, not on what is set below. For a verdict on "
    + `that, save ${first.join(" and ")}, then run: ${line}` : "";
}

/** @param {Hand} hand */
export function tellCounts(hand) {
  const { facts, now, start } = hand, body = /** @type {HTMLElement} */ (element("table").querySelector("tbody"));
  body.replaceChildren(...countRows(facts, Math.max(now.counts?.touching ?? 0, start.counts?.touching ?? 0)).map((row) => {
    const here = now.counts === null ? null : row.of(now.counts), before = start.counts === null ? null : row.of(start.counts);
    const more = here === null || before === null ? null : here - before;
    const change = more === null ? "–" : more === 0 ? "0" : `${more > 0 ? "+" : "−"}${shown(Math.abs(more))}`;
    return rowOf(row.side ? `\u2003${row.name}` : row.name, [here === null ? "not counted" : shown(here),
      now.counts === null || !row.interval ? "" : row.interval(now.counts, now.trials), before === null ? "–" : shown(before), change]);
  }));
  element("sum").textContent = sentence(hand);
  element("basis").textContent = BASIS[now.basis] + (hand.corrected ? " Against the corrected passes." : "");
  tellLots(hand);
  tellKinds(hand);
  tellMoved(hand);
}

/**
 * @param {Hand} hand
 * @param {ReserveSearch} search
 */
export function tellReserves(hand, search) {
  const found = search.text();
  element("reserve").textContent = found ?? reservesElsewhere(hand);
  if (found === "") element("reserve").textContent = "Reserves: being counted …";
  element("ask-reserve").hidden = found !== null || hand.server === null || hand.facts.setting.kind !== undefined;
}

/**
 * Where reserves are to be had that this page cannot count; nothing beside a server, which has a button for them.
 * @param {Hand} hand
 */
function reservesElsewhere(hand) {
  if (hand.facts.setting.kind) return "Reserves are measured for fixed levels only.";
  if (hand.server !== null) return "";
  const { line, first } = hand.command(), save = first.length > 0 ? `Save ${first.join(" and ")}, then run` : "Run";
  return `Reserves at these levels are not counted in this page. ${save}: ${line} --reserves`;
}

const INVERTED = "The output is active for most of the gap time: the level lies on the wrong side, or the polarity is inverted.";

/** @param {Hand} hand */
function tellLots({ now: { scored }, passes: { lot }, facts, atStart, corrected }) {
  if (scored?.inverted) return void (element("lots").textContent = INVERTED);
  const { confidence } = facts.rules, { passes } = scored ?? { passes: [] };
  const lost = (/** @type {number} */ k) => (passes[k] === HIT ? false : passes[k] === MISS || passes[k] === MERGED ? true : null);
  const claim = lot === null || facts.lot_names.includes("") || scored === null ? null : lotClaim(lot, lost, confidence);
  // The claim on the setting stands above: here it would be told twice.
  const told = !facts.claims || (facts.given && atStart && !corrected);
  element("lots").textContent = claim === null ? "" : `${shown(claim.withLoss)} of ${shown(claim.lots)} lots with a loss. `
    + (told ? "" : claim.upper > 0.995 ? "These lots show no upper bound below 100 %." : `At ${percent(confidence)} % confidence at most `
    + `${roundedUp(100 * claim.upper)} % of passes are lost on average over independent lots, `
    + "if the levels were not chosen on these passes.");
}

/**
 * Two digits, so that no less is told than is so.
 * @param {number} value above 0
 */
function roundedUp(value) {
  const step = 10 ** (Math.floor(Math.log10(value)) - 1);
  return Number((Math.ceil(value / step - 1e-9) * step).toPrecision(2));
}

/** @type {Int32Array|null} */
let lostAtStart = null;

/** @param {Hand} hand */
function tellKinds(hand) {
  const { facts, passes, now } = hand, body = /** @type {HTMLElement} */ (element("by-kind").querySelector("tbody"));
  element("kinds").hidden = facts.kinds.length < 2;
  if (facts.kinds.length < 2) return;
  const lost = hand.lostByKind(), of = new Int32Array(facts.kinds.length);
  if (now === hand.start) lostAtStart = lost;
  for (let k = 0; k < passes.kind.length; k++) if (passes.detect[k]) of[passes.kind[k]]++;
  body.replaceChildren(...facts.kinds.map((/** @type {string} */ name, /** @type {number} */ k) => rowOf(nameOf(name), [
    lost === null ? "not counted" : shown(lost[k]), lostAtStart === null ? "–" : shown(lostAtStart[k]), shown(of[k])])));
}
