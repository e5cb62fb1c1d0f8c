/**
 * Reserves at the levels of the hand: how much light may be lost, and how much ambient light added, before the first error.
 *
 * @import {Numbers} from "./decoding.js"
 * @import {Hand, NamedPasses} from "./hand.js"
 * @import {Setting} from "./switching.js"
 * @import {Receiver} from "./stress.js"
 * @import {Bound} from "./reserve_table.js"
 * @import {Trial} from "./reserve_search.js"
 * @import {Passes} from "./scoring.js"
 * @typedef {{refused: boolean, loss: Bound|null, rise: Bound|null}} Reserves a bound is null where it was not searched
 */
import { cutTo, inFigures } from "./drawing.js";
import { Player } from "./edges_between.js";
import { EXCLUDED, JOINED, scored, toldApart, windowsOf } from "./scoring.js";
import { noShareOfLight, pathOf } from "./stress.js";
import { searchedReserve } from "./reserve_search.js";
import { tableReserve } from "./reserve_table.js";
import { switched } from "./switching.js";

/** Largest light to reckon with. */
const LARGEST = 1e60;
/** How long the search works before the page has a turn, ms. */
const SLICE = 12;
/** How long the hand rests before the search begins, ms: what became of every pass is replayed before. */
const REST = 200;

/**
 * The passes with those that touch the one before, and merge with it, joined to it: the two count as one.
 * @template {Passes} T
 * @param {T} passes
 * @param {number[]} rows
 * @returns {T}
 */
function joined(passes, rows) {
  if (rows.length === 0) return passes;
  const gone = new Set(rows), kept = Array.from(passes.start, (_, k) => k).filter((k) => !gone.has(k));
  const of = (/** @type {ArrayLike<number>} */ column) => kept.map((k) => column[k]);
  const last = kept.map((_, n) => (kept[n + 1] ?? passes.start.length) - 1);
  return { ...passes, start: of(passes.start), end: last.map((k) => passes.end[k]), detect: of(passes.detect) };
}

/**
 * Reserves by replay; after every replay the caller has a turn.
 * @param {{light: {light: ArrayLike<number>, invalid: Uint8Array|null}, clock: import("./switching.js").Clock, invalid: number[],
 *   passes: Passes, setting: Setting, receiver: Receiver}} asked
 * @returns {Generator<void, Reserves|null, void>} null where nothing is scored
 */
export function* searchedReserves({ light, clock, invalid, passes, setting, receiver }) {
  /** @type {Bound} */
  const nothing = { value: null, sure: "exact" };
  const none = { refused: false, loss: nothing, rise: nothing };
  const output = switched(light, clock, setting, invalid);
  if (output === null) return null;
  const first = scored(output, passes, clock), n = first.counts;
  if (n.detect_passes === n.excluded_passes) return null;
  /** @type {number[]} */
  const met = [];
  toldApart(first.passes, passes).forEach((one, k) => one === JOINED && met.push(k));
  if (n.misses + n.merged > met.length || n.extra || n.false_trips || n.ignore_false_trips) return none;
  const own = joined(passes, met), found = met.length > 0 ? scored(output, own, clock) : first;
  yield;
  const windows = windowsOf(own, clock, output.lag);
  /** @type {Trial[]} */
  const trials = [];
  windows.start.forEach((start, k) => {
    if (found.passes[k] !== EXCLUDED) trials.push({ start, stop: windows.stop[k], one: own.detect[k] !== 0 });
  });
  windows.gapStart.forEach((start, k) => {
    if (found.gaps[k] !== EXCLUDED) trials.push({ start, stop: windows.gapStop[k], one: false });
  });
  const { on_level: on, off_level: off } = setting, refused = noShareOfLight(receiver, off);
  const along = (/** @type {boolean} */ gain) =>
    searchedReserve(new Player(light, clock, setting, invalid, pathOf(gain, receiver, on, off)), trials);
  const loss = refused ? null : yield* along(true);
  const rise = yield* along(false);
  return loss?.value === null || rise.value === null ? none : { refused, loss, rise };
}

/**
 * Reserves in words, as the package says them.
 * @param {Reserves} reserves
 * @param {any} facts
 */
export function reserveWords({ refused, loss, rise }, { unit, receiver: { dark } }) {
  if (rise?.value === null || loss?.value === null) return "No reserve: there are errors already as recorded.";
  const told = [];
  // What is told is still without an error: cut, but for a limit that lies above it. A share is a difference that was rounded.
  const amount = (/** @type {Bound} */ { sure, value }, /** @type {number} */ size, /** @type {number} */ digits) => {
    const exactly = /** @type {number} */ (value) * size;
    return ({ exact: "", "at least": "at least ", below: "less than " })[sure]
      + inFigures(sure === "below" ? exactly : cutTo(exactly * (size === 1 ? 1 : 1 + 1e-12), digits), digits);
  };
  if (loss) told.push(`${amount(loss, 100, 3)} % of the light may be lost`);
  if (rise) told.push(`ambient light may rise by ${amount(rise, 1, 4)} ${unit}`);
  const share = refused ? ` No share of the light can be stated with the dark level of ${inFigures(dark, 6)} ${unit}.` : "";
  return `Reserves on this recording: ${told.join(", or ")}, before the first error.${share}`;
}

/** The reserves of the hand: looked up, or searched while the hand rests. */
export class ReserveSearch {
  /**
   * @param {Hand} hand
   * @param {() => void} told called with every answer
   */
  constructor(hand, told) {
    this.hand = hand;
    this.told = told;
    /** What was found. @type {{setting: Setting, passes: NamedPasses, text: string}|null} */
    this.found = null;
    /** What is searched. @type {{setting: Setting, passes: NamedPasses}|null} */
    this.sought = null;
    const { light, low, high } = hand.arrays;
    const usable = (/** @type {Numbers|undefined} */ all) =>
      !(all instanceof Float32Array || all instanceof Float64Array) || all.every((x) => !(Math.abs(x) > LARGEST));
    /** Whether the light can be reckoned with. */
    this.usable = usable(light) && usable(low) && usable(high);
  }

  /** The reserves at the hand; empty while they are searched, null where this page cannot find them. @returns {string|null} */
  text() {
    const { hand, found } = this, { facts, setting, passes } = hand;
    if (facts.setting.kind || !this.usable) return null;
    if (found !== null && found.setting === setting && found.passes === passes) return found.text;
    if (this.sought !== null && this.sought.setting === setting && this.sought.passes === passes) return "";
    this.sought = null;
    const known = hand.known ? facts.reserves.find((/** @type {any} */ one) => one.on === hand.on && one.off === hand.off) : undefined;
    const text = known ? known.text : hand.light === null ? this.looked() : "";
    if (text === "") this.begin();
    return text;
  }

  /** Reserves by the table of all pairs; null where it does not say. */
  looked() {
    const { hand, hand: { counted, facts: { receiver } } } = this;
    if (!hand.known || counted === null || hand.cell === null || hand.trials.detect === 0) return null;
    const refused = noShareOfLight(receiver, hand.off);
    const loss = refused ? null : tableReserve(counted, pathOf(true, receiver, hand.on, hand.off));
    const rise = tableReserve(counted, pathOf(false, receiver, hand.on, hand.off));
    if (loss === null && rise === null) return null;
    return reserveWords({ refused, loss, rise }, hand.facts);
  }

  /** Search once the hand rests, a slice at a time. */
  begin() {
    const { hand, hand: { setting, passes } } = this, sought = (this.sought = { setting, passes });
    /** @type {Generator<void, Reserves|null, void>|undefined} */
    let search;
    const go = () => {
      const { light, clock, invalid, facts: { receiver } } = hand;
      if (this.sought !== sought || hand.setting !== setting || hand.passes !== passes || light === null) return;
      search ??= searchedReserves({ light, clock, invalid, passes, setting, receiver });
      const until = performance.now() + SLICE;
      let step = search.next();
      while (!step.done && performance.now() < until) step = search.next();
      if (!step.done) return void setTimeout(go);
      const text = step.value === null ? "Reserves cannot be measured here: no pass is scored." : reserveWords(step.value, hand.facts);
      this.found = { setting, passes, text };
      this.sought = null;
      this.told();
    };
    setTimeout(go, REST);
  }
}
