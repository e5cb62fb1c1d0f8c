/**
 * What every setting between two settings does, known from those two alone.
 *
 * Along one axis of stress both levels move one way, so that what is light at the one is light at all settings up to the other, and
 * filter and delays keep that order. Where both agree, everything between agrees. Where they differ, there is a stretch: an edge
 * that moves, or a pulse that comes and goes. If the light of an edge cannot cross back, every setting between has one edge there.
 *
 * @import {Clock, Light, Setting} from "./switching.js"
 * @import {Path} from "./stress.js"
 * @typedef {{runs: number[][], output: number[], on: number, off: number}} Played runs of the comparator and after every stage
 * @typedef {{start: number[], end: number[], kind: number[], clean: Int8Array}} Stretches
 * @typedef {{of: (runs: number[]) => number[], reach: number, valid: boolean, swaps: boolean}} Stage a state from a state, how many
 *   evaluations back it looks, whether it counts valid ones only, and whether it turns true into false
 */
import { complement, delayOf, filtered, lightRuns, offDelayed, onDelayed } from "./switching.js";
import { firstAfter } from "./scoring.js";
import { levelAt, mayPart } from "./stress.js";

const RISE = 1, FALL = 2, OTHER = 3;
const UNKNOWN = 0, CLEAN = 1, MIXED = 2;

/**
 * Where one state is true and a smaller one is not.
 * @param {number[]} less
 * @param {number[]} more
 * @returns {Stretches}
 */
function stretchesOf(less, more) {
  /** @type {number[]} */
  const start = [];
  /** @type {number[]} */
  const end = [];
  /** @type {number[]} */
  const kind = [];
  const add = (/** @type {number} */ a, /** @type {number} */ b, /** @type {number} */ what) => {
    if (a < b) start.push(a), end.push(b), kind.push(what);
  };
  for (let m = 0, k = 0; m < more.length; m += 2) {
    const first = k;
    for (let from = more[m]; k <= less.length; k += 2) {
      const inside = k < less.length && less[k] < more[m + 1];
      if (!inside) {
        add(from, more[m + 1], k === first ? OTHER : FALL);
        break;
      }
      add(from, less[k], k === first ? RISE : OTHER);
      from = less[k + 1];
    }
  }
  return { start, end, kind, clean: new Int8Array(start.length) };
}

/**
 * Index of the first stretch that ends after a place.
 * @param {Stretches} stretches
 * @param {number} place
 */
function firstEnding({ end }, place) {
  let low = 0, high = end.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (end[middle] > place) high = middle;
    else low = middle + 1;
  }
  return low;
}

/**
 * The sample that an evaluation reads.
 * @param {number} i
 * @param {Clock} clock
 */
function sampleOf(i, { numerator, denominator }) {
  if (numerator === denominator) return i;
  const product = i * numerator;
  if (product < Number.MAX_SAFE_INTEGER) return (product - (product % denominator)) / denominator;
  return Number((BigInt(i) * BigInt(numerator)) / BigInt(denominator));
}

/** The same light, filter and delays at any point of a path. */
export class Player {
  /**
   * @param {Light} light
   * @param {Clock} clock
   * @param {Setting} setting of fixed levels
   * @param {number[]} invalid
   * @param {Path} path
   */
  constructor(light, clock, setting, invalid, path) {
    this.light = light;
    this.clock = clock;
    this.invalid = invalid;
    this.path = path;
    const { count } = clock, { consecutive } = setting;
    const on = delayOf(setting.on_delay_ms, clock), off = delayOf(setting.off_delay_ms, clock);
    /** What follows the comparator. @type {Stage[]} */
    this.stages = [];
    const add = (/** @type {(runs: number[]) => number[]} */ of, reach = 0, valid = false, swaps = false) => {
      this.stages.push({ of, reach, valid, swaps });
    };
    if (consecutive > 1) add((runs) => filtered(runs, invalid, consecutive, count), consecutive - 1, true);
    const turn = () => {
      if (setting.polarity !== "light-on") add((runs) => complement(runs, count), 0, false, true);
    };
    if (setting.delays_act_on !== "light") turn();
    if (on > 0) add((runs) => onDelayed(runs, on), on);
    if (off > 0) add((runs) => offDelayed(runs, off, count), off);
    if (setting.delays_act_on === "light") turn();
    this.memory = consecutive - 1 + on + off;
  }

  /**
   * Replay at one point of the path.
   * @param {number} at
   * @returns {Played}
   */
  play(at) {
    const on = levelAt(this.path, this.path.on, at), off = levelAt(this.path, this.path.off, at);
    const runs = [lightRuns(this.light, this.clock, on, off) ?? []];
    for (const stage of this.stages) runs.push(stage.of(runs[runs.length - 1]));
    return { runs, output: runs[runs.length - 1], on, off };
  }

  /**
   * The light at an evaluation; NaN where it is not valid.
   * @param {number} i
   */
  at(i) {
    const sample = sampleOf(i, this.clock), { light, invalid } = this.light;
    return invalid !== null && invalid[sample] !== 0 ? NaN : light[sample];
  }
}

/** All settings between two points of a path. */
export class Between {
  /**
   * @param {Player} player
   * @param {Played} one
   * @param {Played} other
   */
  constructor(player, one, other) {
    this.player = player;
    const less = one.on > other.on || (one.on === other.on && one.off >= other.off) ? one : other;
    /** Fewer evaluations are light at the higher levels. */
    this.less = less;
    this.more = less === one ? other : one;
    let swapped = false;
    /** After every stage, the state that is nowhere longer than any between, and the one that is nowhere shorter. */
    this.levels = [[less.runs[0], this.more.runs[0]]];
    player.stages.forEach((stage, k) => {
      if (stage.swaps) swapped = !swapped;
      this.levels.push(swapped ? [this.more.runs[k + 1], less.runs[k + 1]] : [less.runs[k + 1], this.more.runs[k + 1]]);
    });
    const ends = this.levels[this.levels.length - 1];
    this.shorter = ends[0];
    this.longer = ends[1];
    /** @type {(Stretches|undefined)[]} */
    this.known = [];
  }

  /**
   * Where the two differ after a stage; 0 is the comparator.
   * @param {number} stage
   */
  stretches(stage) {
    return (this.known[stage] ??= stretchesOf(this.levels[stage][0], this.levels[stage][1]));
  }

  /**
   * Whether every setting between has one edge in a stretch, and nothing else.
   * @param {number} stage
   * @param {number} k
   * @returns {boolean}
   */
  clean(stage, k) {
    const { start, end, kind, clean } = this.stretches(stage);
    if (clean[k] === UNKNOWN) {
      const sure = stage === 0 ? this.crossesOnce(start[k], end[k], kind[k] === RISE) : this.follows(stage, start[k], end[k]);
      clean[k] = kind[k] !== OTHER && sure ? CLEAN : MIXED;
    }
    return clean[k] === CLEAN;
  }

  /**
   * Whether the light of an edge of the comparator cannot cross back at any setting between.
   * @param {number} start
   * @param {number} end
   * @param {boolean} rises
   */
  crossesOnce(start, end, rises) {
    const { player, player: { path } } = this;
    let most = NaN;
    for (let i = start; i < end; i++) {
      const x = player.at(i);
      if (x !== x) continue;
      if (rises ? mayPart(path, most, x) : mayPart(path, x, most)) return false;
      most = most === most ? (rises ? Math.max(most, x) : Math.min(most, x)) : x;
    }
    return true;
  }

  /**
   * Whether an edge after a stage comes from one clean edge before it, and from nothing else.
   * @param {number} stage
   * @param {number} start
   * @param {number} end
   */
  follows(stage, start, end) {
    const { reach, valid } = this.player.stages[stage - 1], before = this.stretches(stage - 1), { invalid } = this.player;
    // The filter counts valid evaluations: with others among them it looks back farther.
    if (valid && invalid.some((place, k) => k % 2 === 0 && place < end && invalid[k + 1] > start - reach)) return false;
    const k = firstEnding(before, start - reach);
    if (k >= before.start.length || before.start[k] >= end) return false;
    return (k + 1 >= before.start.length || before.start[k + 1] >= end) && this.clean(stage - 1, k);
  }

  /**
   * Whether every setting between has the right number of onsets in [start, stop), where both ends have.
   * @param {number} start
   * @param {number} stop
   * @param {boolean} one one onset is right, else none
   */
  right(start, stop, one) {
    const from = Math.max(start - 1, 0), { shorter, longer } = this;
    // The earliest onsets that any course between both could have.
    const first = nextTrue(longer, nextFalse(shorter, from) + 1);
    if (!one && first >= stop) return true;
    const sure = nextTrue(shorter, nextFalse(longer, from)), second = nextTrue(longer, nextFalse(shorter, first + 1) + 1);
    if (one && sure < stop && second >= stop) return true;
    const last = this.levels.length - 1, found = this.stretches(last);
    for (let k = firstEnding(found, from); k < found.start.length && found.start[k] < stop; k++) {
      if (!this.clean(last, k)) return false;
      if (found.kind[k] === RISE && (found.start[k] < Math.max(start, 1) || found.end[k] >= stop)) return false;
    }
    return true;
  }

  /**
   * Light that meets a level between both settings in stretches of the comparator.
   * @param {number} from the stretches end after it
   * @param {number} stop and begin before it
   * @param {(x: number, on: boolean) => void} found
   */
  meets(from, stop, found) {
    const { player, less, more } = this, stretches = this.stretches(0);
    for (let k = firstEnding(stretches, from); k < stretches.start.length && stretches.start[k] < stop; k++) {
      for (let i = stretches.start[k]; i < stretches.end[k]; i++) {
        const x = player.at(i);
        if (x >= more.on && x < less.on) found(x, true);
        if (x >= more.off && x < less.off) found(x, false);
      }
    }
  }
}

/**
 * The first place from one on at which a state is true.
 * @param {number[]} runs
 * @param {number} place
 */
function nextTrue(runs, place) {
  const k = firstAfter(runs, place);
  return k < runs.length ? Math.max(runs[k], place) : Infinity;
}

/**
 * The first place from one on at which a state is false.
 * @param {number[]} runs
 * @param {number} place
 */
function nextFalse(runs, place) {
  const k = firstAfter(runs, place);
  return k < runs.length && runs[k] <= place ? runs[k + 1] : place;
}
