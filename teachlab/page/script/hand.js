/**
 * Both levels under the hand, and what they count.
 *
 * @import {Numbers} from "./decoding.js"
 * @import {Clock, Output, Switching} from "./switching.js"
 * @import {Passes} from "./scoring.js"
 * @import {Counted, TableCounts, TableName} from "./tables.js"
 * @typedef {"on"|"off"} LevelName
 * @typedef {{counts: TableCounts|null, basis: "table"|"replay"|"none", output: Output|null, scored: Trials|null}} Now
 * @typedef {{passes: ArrayLike<number>, again: ArrayLike<number>, gaps: ArrayLike<number>, gapStart: number[],
 *   gapStop: number[]}} Trials
 * @typedef {{sample: number, end: number, what: string, row: number}} Fault
 */
import { invalidRuns, switched } from "./switching.js";
import { MERGED, MISS, TRIPPED, scored, windowsOf } from "./scoring.js";
import { TABLES, cellOf, countsAt, rankOf, sameUntil } from "./tables.js";

/** Most time to look for the next change by replay, ms. */
const PATIENCE = 400;
/** Evaluations from which a hand that moves is not kept waiting for the replay: counts come from the tables, at once. */
const LONG = 1e6;
/** How long the hand rests before what became of every pass is replayed there, ms. */
const REST = 80;

export class Hand {
  /**
   * @param {any} facts
   * @param {Record<string, Numbers>} arrays
   */
  constructor(facts, arrays) {
    this.facts = facts;
    this.arrays = arrays;
    this.levels = arrays.levels;
    /** @type {Clock} */
    this.clock = facts.clock;
    /** @type {Switching} */
    this.switching = { ...facts.switching, on: 0, off: 0 };
    /** @type {Counted} */
    this.counted = {
      levels: arrays.levels, distinct: facts.distinct, everyPair: facts.every_pair,
      tables: /** @type {Record<TableName, Numbers>} */ (
        Object.fromEntries(TABLES.map((name) => [name, arrays[`table_${name}`]]))),
    };
    /** @type {Passes} */
    this.passes = {
      start: arrays.start, end: arrays.end, detect: arrays.detect, leftOut: arrays.left_out,
      doubtSamples: facts.uncertainty_samples, toleranceMs: facts.rules.tolerance_ms,
    };
    this.light = facts.light.raw
      ? { light: arrays.light, invalid: /** @type {Uint8Array|null} */ (arrays.invalid ?? null) } : null;
    this.invalid = this.light === null ? [] : invalidRuns(this.light, this.clock);
    /** @type {number|undefined} */
    this.resting = undefined;
    this.on = facts.hand.on;
    this.off = facts.hand.off;
    /** @type {(() => void)[]} */
    this.listeners = [];
    this.start = this.counts(this.on, this.off);
    /** @type {Now} */
    this.now = this.start;
  }

  /** Whether the levels are those that the page began with. */
  get atStart() {
    return this.usual && this.on === this.facts.hand.on && this.off === this.facts.hand.off;
  }

  /** Whether filter and delays are those that the tables were counted with. */
  get usual() {
    const { consecutive, onDelayMs, offDelayMs } = this.facts.switching, own = this.switching;
    return own.consecutive === consecutive && own.onDelayMs === onDelayMs && own.offDelayMs === offDelayMs;
  }

  /**
   * Take another filter and other delays; they are replayed here.
   * @param {{consecutive: number, onDelayMs: number, offDelayMs: number}} memory
   */
  remember(memory) {
    Object.assign(this.switching, memory);
    this.now = this.counts(this.on, this.off);
    for (const told of this.listeners) told();
  }

  /** Whether only pairs without hysteresis can be counted. */
  get together() {
    return !this.facts.every_pair && this.light === null;
  }

  /**
   * What two levels count.
   * @param {number} on
   * @param {number} off
   * @returns {Now}
   */
  counts(on, off) {
    const cell = this.usual ? cellOf(this.counted, on, off) : null;
    const counts = cell === null ? null : countsAt(this.counted, ...cell);
    if (this.light === null) {
      const known = on === this.facts.hand.on && off === this.facts.hand.off;
      return { counts, basis: counts === null ? "none" : "table", output: null, scored: known ? this.known() : null };
    }
    const output = switched(this.light, this.clock, { ...this.switching, on, off }, this.invalid);
    if (output === null) return { counts, basis: counts === null ? "none" : "table", output, scored: null };
    const found = scored(output, this.passes, this.clock), n = found.counts;
    const replayed = {
      lost: n.misses + n.merged, merged: n.merged, extra: n.extra, false_trips: n.false_trips,
      gaps_tripped: n.gaps_tripped, ignore_trips: n.ignore_false_trips, ignore_tripped: n.ignore_tripped,
    };
    return { counts: counts ?? replayed, basis: counts === null ? "replay" : "table", output, scored: found };
  }

  /**
   * What became of every trial at the levels that the page began with, as it was counted beforehand.
   * @returns {Trials}
   */
  known() {
    const { start_passes: passes, start_again: again, start_gaps: gaps } = this.arrays;
    const { gapStart, gapStop } = windowsOf(this.passes, this.clock, this.facts.lag);
    return { passes, again, gaps, gapStart, gapStop };
  }

  /**
   * Take both levels.
   * @param {number} on
   * @param {number} off
   */
  take(on, off) {
    if (on === this.on && off === this.off) return;
    this.on = on;
    this.off = off;
    const cell = this.usual && this.clock.count > LONG && this.light !== null ? cellOf(this.counted, on, off) : null;
    clearTimeout(this.resting);
    this.resting = undefined;
    if (cell === null) this.now = this.counts(on, off);
    else {
      this.now = { counts: countsAt(this.counted, ...cell), basis: "table", output: null, scored: null };
      this.resting = setTimeout(() => this.settle(), REST);
    }
    for (const told of this.listeners) told();
  }

  /** Replay what a moving hand left out. */
  settle() {
    if (this.resting === undefined) return;
    clearTimeout(this.resting);
    this.resting = undefined;
    this.now = this.counts(this.on, this.off);
    for (const told of this.listeners) told();
  }

  /**
   * Move one level; the other gives way, since off must not exceed on.
   * @param {LevelName} name
   * @param {number} level
   */
  move(name, level) {
    if (this.together) this.take(level, level);
    else if (name === "on") this.take(level, Math.min(level, this.off));
    else this.take(Math.max(level, this.on), level);
  }

  /**
   * Move one level to the counted level nearest to a value.
   * @param {LevelName} name
   * @param {number} value
   */
  snap(name, value) {
    const { levels } = this, k = Math.min(rankOf(levels, value), levels.length - 1);
    this.move(name, k > 0 && value - levels[k - 1] < levels[k] - value ? levels[k - 1] : levels[k]);
  }

  /**
   * Move one level by so many counted levels.
   * @param {LevelName} name
   * @param {number} by
   */
  step(name, by) {
    const { levels } = this, value = this[name];
    let k = rankOf(levels, value);
    // Between two levels, one step down is the one below.
    if (by > 0 && levels[k] !== value) k--;
    this.move(name, levels[Math.min(Math.max(k + by, 0), levels.length - 1)]);
  }

  /**
   * Move one level to where any count changes next; as far as was looked where none does.
   * @param {LevelName} name
   * @param {number} by 1 or -1
   */
  change(name, by) {
    const cell = this.usual ? cellOf(this.counted, this.on, this.off) : null;
    if (cell !== null && this.facts.every_pair) {
      const { last, next } = sameUntil(this.counted, cell, name === "on", by);
      const [i, j] = next ?? last;
      const blocked = next === null && (name === "on" ? by < 0 && i === j : by > 0 && i === j);
      if (!blocked) {
        this.take(name === "on" ? this.levels[i] : this.on, name === "off" ? this.levels[j] : this.off);
        return;
      }
      // The other level is in the way: both go on together.
      this.take(this.levels[i], this.levels[j]);
    }
    const before = JSON.stringify(this.now.counts), until = performance.now() + PATIENCE;
    while (performance.now() < until && JSON.stringify(this.now.counts) === before) {
      const { on, off } = this;
      this.step(name, by);
      if (on === this.on && off === this.off) return;
    }
  }

  /**
   * Lowest and highest counted level with the same counts; null where it is not known.
   * @param {LevelName} name
   * @returns {{above: number|null, to: number}|null}
   */
  same(name) {
    const cell = this.usual ? cellOf(this.counted, this.on, this.off) : null;
    if (cell === null) return null;
    const index = name === "on" ? 0 : 1;
    const low = sameUntil(this.counted, cell, name === "on", -1).last[index];
    const high = sameUntil(this.counted, cell, name === "on", 1).last[index];
    // Where all distinct levels are known, what lies between two of them acts as the upper one.
    const above = this.facts.distinct ? (low > 0 ? this.levels[low - 1] : null) : this.levels[low];
    return { above, to: this.levels[high] };
  }

  /** Everything that goes wrong at these levels, in time order; null where the light is not in the page. */
  faults() {
    const { scored: found } = this.now;
    if (found === null) return null;
    /** @type {Fault[]} */
    const out = [];
    for (let k = 0; k < found.passes.length; k++) {
      const o = found.passes[k];
      const what = o === MISS ? "missed" : o === MERGED ? "merged" : o === TRIPPED ? "trip on a pass to be ignored"
        : found.again[k] ? "counted more than once" : "";
      if (what) out.push({ sample: this.passes.start[k], end: this.passes.end[k], what, row: k });
    }
    const ratio = this.clock.numerator / this.clock.denominator;
    for (let k = 0; k < found.gaps.length; k++) {
      if (found.gaps[k] !== TRIPPED) continue;
      const sample = Math.floor(found.gapStart[k] * ratio), end = Math.ceil(found.gapStop[k] * ratio);
      out.push({ sample, end, what: "false trip", row: -1 });
    }
    return out.sort((a, b) => a.sample - b.sample);
  }
}
