/**
 * Windows, and every onset and pass counted exactly once.
 *
 * @import {Clock, Output} from "./switching.js"
 * @typedef {{start: ArrayLike<number>, end: ArrayLike<number>, detect: ArrayLike<number>,
 *   leftOut: ArrayLike<number>, doubtSamples: number, toleranceMs: number}} Passes
 * @typedef {{hits: number, misses: number, merged: number, extra: number, excluded_passes: number,
 *   excluded_onsets: number, detect_passes: number, ignore_passes: number, ignore_false_trips: number,
 *   ignore_tripped: number, ignore_held: number, excluded_ignore_passes: number, gaps: number, gaps_tripped: number,
 *   false_trips: number, excluded_gaps: number, false_active: number, gap_evaluations: number}} Counts
 * @typedef {{counts: Counts, passes: Uint8Array, again: Uint8Array, gaps: Uint8Array,
 *   gapStart: number[], gapStop: number[]}} Scored
 */
import { ceiling, exact } from "./switching.js";

/** What became of a trial, as in the package. */
export const HIT = 0, MISS = 1, MERGED = 2, EXCLUDED = 3, QUIET = 4, TRIPPED = 5, HELD = 6;
const VOID_FROM = 6;

/** A pass that merged with the one that it touches: no level separates them, so it is no error. */
export const JOINED = 7;

/**
 * Outcomes in which passes that merged with the one that they touch are told apart.
 * @param {ArrayLike<number>} outcomes
 * @param {{start: ArrayLike<number>, end: ArrayLike<number>}} passes
 */
export function toldApart(outcomes, passes) {
  return Uint8Array.from(outcomes, (one, k) => (one === MERGED && passes.start[k] === passes.end[k - 1] ? JOINED : one));
}

/**
 * Index of the first run that ends after a place.
 * @param {ArrayLike<number>} runs
 * @param {number} place
 */
export function firstAfter(runs, place) {
  if (runs.length === 0) return 0;
  let low = 0, high = runs.length >> 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (runs[2 * middle + 1] > place) high = middle;
    else low = middle + 1;
  }
  return 2 * low;
}

/**
 * How many evaluations of [start, stop) a state is true in.
 * @param {number[]} runs
 * @param {number} start
 * @param {number} stop
 */
function within(runs, start, stop) {
  let sum = 0;
  for (let k = firstAfter(runs, start); k < runs.length && runs[k] < stop; k += 2) {
    sum += Math.max(0, Math.min(runs[k + 1], stop) - Math.max(runs[k], start));
  }
  return sum;
}

/**
 * Onsets in [start, stop): a run from 0 has none.
 * @param {number[]} runs
 * @param {number} start
 * @param {number} stop
 */
function onsetsIn(runs, start, stop) {
  let found = 0;
  for (let k = firstAfter(runs, start); k < runs.length && runs[k] < stop; k += 2) {
    if (runs[k] > 0 && runs[k] >= start) found++;
  }
  return found;
}

/**
 * The first evaluation that reads a sample at or after the one given.
 * @param {number} sample
 * @param {Clock} clock
 */
export function firstAt(sample, clock) {
  if (clock.numerator === clock.denominator) return sample;
  const product = sample * clock.denominator + clock.numerator - 1;
  if (product < Number.MAX_SAFE_INTEGER) return (product - (product % clock.numerator)) / clock.numerator;
  const over = BigInt(sample) * BigInt(clock.denominator), under = BigInt(clock.numerator);
  return Number((over + under - 1n) / under);
}

/**
 * Windows of passes, and the gaps that are left.
 * @param {Passes} passes
 * @param {Clock} clock
 * @param {number} lag
 */
export function windowsOf(passes, clock, lag) {
  const n = passes.start.length, { count } = clock;
  const [a, b] = exact(passes.toleranceMs), [c, d] = exact(clock.rate);
  const [e, f] = exact(passes.doubtSamples), [g, h] = exact(clock.sampleRate);
  // tolerance · rate / 1000 + doubt · rate / sample rate, one ceiling
  const one = [a * c, b * d * 1000n], other = [e * c * h, f * d * g];
  const border = Math.min(ceiling(one[0] * other[1] + other[0] * one[1], one[1] * other[1]), count);
  const from = new Float64Array(n), to = new Float64Array(n);
  const start = new Float64Array(n), stop = new Float64Array(n);
  let before = -1;
  for (let k = 0; k < n; k++) {
    from[k] = start[k] = stop[k] = firstAt(passes.start[k], clock);
    to[k] = firstAt(passes.end[k], clock);
    if (to[k] <= from[k]) continue; // seen by no evaluation: it divides nothing
    start[k] = from[k] - border;
    stop[k] = to[k] + border + lag;
    if (before >= 0 && stop[before] > start[k]) {
      const meet = Math.min(Math.floor((to[before] + from[k]) / 2) + lag, stop[before], to[k]);
      stop[before] = meet;
      start[k] = meet;
    }
    before = k;
  }
  /** @type {number[]} */
  const gapStart = [];
  /** @type {number[]} */
  const gapStop = [];
  let free = 0;
  for (let k = 0; k < n; k++) {
    if (to[k] <= from[k]) continue;
    start[k] = Math.min(Math.max(start[k], 0), count);
    stop[k] = Math.min(Math.max(stop[k], 0), count);
    if (start[k] > free) gapStart.push(free), gapStop.push(start[k]);
    free = stop[k];
  }
  if (count > free) gapStart.push(free), gapStop.push(count);
  return { from, to, start, stop, gapStart, gapStop };
}

/** @type {{passes: Passes, clock: Clock, lag: number, windows: ReturnType<typeof windowsOf>}|undefined} */
let kept;

/**
 * The windows of the last call, where nothing they depend on has changed: levels move, windows do not.
 * @param {Passes} passes
 * @param {Clock} clock
 * @param {number} lag
 */
function keptWindows(passes, clock, lag) {
  if (kept === undefined || kept.passes !== passes || kept.clock !== clock || kept.lag !== lag) {
    kept = { passes, clock, lag, windows: windowsOf(passes, clock, lag) };
  }
  return kept.windows;
}

/**
 * Score an output.
 * @param {Output} output
 * @param {Passes} passes
 * @param {Clock} clock
 * @returns {Scored}
 */
export function scored(output, passes, clock) {
  const windows = keptWindows(passes, clock, output.lag);
  const { from, to, start, stop, gapStart, gapStop } = windows;
  const n = start.length;
  /** @type {number[]} */
  const empty = [];
  for (let k = 0; k < output.invalid.length; k += 2) {
    const begin = output.invalid[k] + VOID_FROM - 1;
    if (begin < output.invalid[k + 1]) empty.push(begin, output.invalid[k + 1]);
  }
  /** @type {number[]} */
  const leftOut = [], samplesLeftOut = Array.from(passes.leftOut);
  for (let k = 0; k < passes.leftOut.length; k += 2) {
    const begin = firstAt(passes.leftOut[k], clock), end = firstAt(passes.leftOut[k + 1], clock);
    if (end > begin) leftOut.push(begin, end);
  }
  /** @type {Counts} */
  const counts = {
    hits: 0, misses: 0, merged: 0, extra: 0, excluded_passes: 0, excluded_onsets: 0, detect_passes: 0,
    ignore_passes: 0, ignore_false_trips: 0, ignore_tripped: 0, ignore_held: 0, excluded_ignore_passes: 0, gaps: 0,
    gaps_tripped: 0, false_trips: 0, excluded_gaps: 0, false_active: 0, gap_evaluations: 0,
  };
  const outcome = new Uint8Array(n), again = new Uint8Array(n), gaps = new Uint8Array(gapStart.length);
  for (let k = 0; k < n; k++) {
    const inside = onsetsIn(output.output, start[k], stop[k]);
    const covered = to[k] - from[k], detect = passes.detect[k] !== 0;
    const excluded =
      passes.start[k] === 0 || passes.end[k] === clock.samples || within(empty, start[k], stop[k]) > 0 ||
      (covered > 0 && within(empty, Math.max(start[k] - output.lag - 1, 0), start[k]) > 0) ||
      (covered > 0 && within(output.invalid, from[k], to[k]) === covered) ||
      within(leftOut, start[k], stop[k]) > 0 || within(samplesLeftOut, passes.start[k], passes.end[k]) > 0;
    counts[detect ? "detect_passes" : "ignore_passes"]++;
    if (excluded) {
      outcome[k] = EXCLUDED;
      counts[detect ? "excluded_passes" : "excluded_ignore_passes"]++;
      counts.excluded_onsets += inside;
    } else if (inside > 0) {
      outcome[k] = detect ? HIT : TRIPPED;
      if (detect) counts.hits++, (counts.extra += inside - 1), (again[k] = inside > 1 ? 1 : 0);
      else counts.ignore_tripped++, (counts.ignore_false_trips += inside);
    } else {
      const active = within(output.output, start[k], stop[k]) > 0;
      if (!detect) {
        outcome[k] = active ? HELD : QUIET;
        if (active) counts.ignore_held++;
      } else if (active && within(output.undelayed, start[k], stop[k]) > 0) {
        outcome[k] = MERGED;
        counts.merged++;
      } else {
        outcome[k] = MISS;
        counts.misses++;
      }
    }
  }
  for (let k = 0; k < gapStart.length; k++) {
    const inside = onsetsIn(output.output, gapStart[k], gapStop[k]);
    if (within(empty, gapStart[k], gapStop[k]) > 0 || within(leftOut, gapStart[k], gapStop[k]) > 0) {
      gaps[k] = EXCLUDED;
      counts.excluded_gaps++;
      counts.excluded_onsets += inside;
    } else {
      gaps[k] = inside > 0 ? TRIPPED : QUIET;
      counts.gaps++;
      counts.false_trips += inside;
      if (inside > 0) counts.gaps_tripped++;
      counts.gap_evaluations += gapStop[k] - gapStart[k];
      counts.false_active += within(output.undelayed, gapStart[k], gapStop[k]);
    }
  }
  return { counts, passes: outcome, again, gaps, gapStart, gapStop };
}
