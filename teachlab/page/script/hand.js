/**
 * Both levels under the hand, and what they count.
 *
 * @import {Numbers} from "./decoding.js"
 * @import {Clock, Setting} from "./switching.js"
 * @import {Passes} from "./scoring.js"
 * @import {Counted, TableCounts, TableName} from "./tables.js"
 * @import {Server} from "./serving.js"
 * @typedef {"on"|"off"} LevelName
 * @typedef {{detect: number, ignore: number, gaps: number, hours: number}} TrialCounts
 * @typedef {{counts: TableCounts|null, basis: "table"|"replay"|"server"|"waiting"|"none", trials: TrialCounts,
 *   output: {output: ArrayLike<number>}|null, scored: Trials|null}} Now
 * @typedef {{passes: ArrayLike<number>, again: ArrayLike<number>, gaps: ArrayLike<number>, gapStart: ArrayLike<number>,
 *   gapStop: ArrayLike<number>, inverted: boolean}} Trials inverted: the output is active for most of the gap time
 * @typedef {{sample: number, end: number, what: string, row: number}} Fault
 * @typedef {{on: number, off: number, counts: TableCounts}} RowEntry
 * @typedef {Passes & {kind: ArrayLike<number>, lot: ArrayLike<number>|null, low: ArrayLike<number>,
 *   high: ArrayLike<number>, doubt: ArrayLike<number>}} NamedPasses
 */
import { invalidRuns, switched } from "./switching.js";
import { JOINED, MERGED, MISS, TRIPPED, firstAfter, scored, toldApart, windowsOf } from "./scoring.js";
import { TABLES, cellOf, countsAt, rankOf, sameUntil } from "./tables.js";

/** Most time to look for the next change by replay, ms. */
const PATIENCE = 400;
/** Evaluations from which a hand that moves is not kept waiting for the replay: counts come from the tables, at once. */
const LONG = 2e5;
/** How long the hand rests before what became of every pass is replayed there, ms. */
const SETTLE = 80;
/** Filter and delays. */
export const MEMORY = /** @type {("consecutive"|"on_delay_ms"|"off_delay_ms")[]} */ (["consecutive", "on_delay_ms", "off_delay_ms"]);
/** What the hand may change besides the levels. */
export const KEPT = /** @type {const} */ ([...MEMORY, "polarity"]);

/** @param {string} text as one word of a command line */
function quoted(text) {
  return `'${text.replaceAll("'", "'\"'\"'")}'`;
}

export class Hand {
  /**
   * @param {any} facts
   * @param {Record<string, Numbers>} arrays
   * @param {Server|null} server
   */
  constructor(facts, arrays, server) {
    this.facts = facts;
    this.arrays = arrays;
    this.server = server;
    this.levels = arrays.levels;
    /** @type {Clock} */
    this.clock = facts.clock;
    /** @type {Setting} */
    this.setting = facts.setting;
    /** @type {Counted|null} */
    this.counted = facts.tables ? {
      levels: arrays.levels, distinct: facts.distinct, everyPair: facts.every_pair,
      tables: /** @type {Record<TableName, Numbers>} */ (
        Object.fromEntries(TABLES.map((name) => [name, arrays[`table_${name}`]]))),
    } : null;
    /** Rows of settings that were looked up, by what moves and the delays. @type {Map<string, RowEntry[]>} */
    this.rows = new Map();
    /** @type {NamedPasses} */
    this.passes = {
      start: arrays.start, end: arrays.end, detect: arrays.detect, leftOut: arrays.left_out, kind: arrays.kind,
      lot: arrays.lot ?? null, low: arrays.pass_low, high: arrays.pass_high, doubt: arrays.doubt,
      doubtSamples: facts.uncertainty_samples, toleranceMs: facts.rules.tolerance_ms,
    };
    /** Whether passes were corrected here: what was counted beforehand holds no longer. */
    this.corrected = false;
    this.light = facts.light.raw
      ? { light: arrays.light, invalid: /** @type {Uint8Array|null} */ (arrays.invalid ?? null) } : null;
    this.invalid = this.light === null ? [] : invalidRuns(this.light, this.clock);
    /** @type {number|undefined} */
    this.resting = undefined;
    /** @type {(() => void)[]} */
    this.listeners = [];
    this.start = this.counts();
    /** @type {Now} */
    this.now = this.start;
    if (this.now.scored === null) this.rest();
  }

  get on() {
    return this.setting.on_level;
  }

  get off() {
    return this.setting.off_level;
  }

  /** Distance of both levels, without the last digits of the computer. */
  get hysteresis() {
    return Number((this.on - this.off).toPrecision(12));
  }

  /** The command that replays what is seen, and what must be saved first. */
  command() {
    const { facts } = this, { tolerance_ms: tolerance, confidence } = facts.rules;
    const given = this.atStart && facts.command.setting, saved = quoted(`${facts.file}.setting.json`);
    const first = [given ? "" : "the setting", this.corrected ? "the passes" : ""].filter(Boolean);
    const line = `teachlab replay ${facts.command.recording}`
      + (this.corrected ? ` --truth ${quoted(`${facts.file}.corrected.passes.csv`)}` : facts.command.truth)
      + ` --setting ${given || saved}${tolerance ? ` --tolerance-ms ${tolerance}` : ""}`
      + (confidence === 0.95 ? "" : ` --confidence ${confidence}`);
    return { line, first };
  }

  /** What the levels are called where there is room for one word. @type {Record<LevelName, string>} */
  get words() {
    return this.setting.kind === "window" ? { on: "upper", off: "lower" } : { on: "on", off: "off" };
  }

  get lightOn() {
    return this.setting.polarity === "light-on";
  }

  /** Whether the levels are those that the page began with. */
  get atStart() {
    const { on_level: on, off_level: off } = this.facts.setting;
    return this.usual && this.on === on && this.off === off;
  }

  /** Whether filter, delays and polarity are those that were counted with. */
  get usual() {
    return KEPT.every((name) => this.setting[name] === this.facts.setting[name]);
  }

  /** Whether what was counted beforehand is about this filter, these delays and these passes. */
  get known() {
    return this.usual && !this.corrected;
  }

  /** Whether any setting can be replayed: by the script or by the server. */
  get replays() {
    return this.light !== null || this.server !== null;
  }

  /** Number of the pair of delays among those that were counted beforehand; null where it is not. */
  get delays() {
    const { facts: { delays, setting }, corrected } = this;
    if (delays === null || corrected || this.setting.consecutive !== setting.consecutive) return null;
    if (this.setting.polarity !== setting.polarity) return null;
    const on = delays.on_delay_ms.indexOf(this.setting.on_delay_ms), off = delays.off_delay_ms.indexOf(this.setting.off_delay_ms);
    return on < 0 || off < 0 ? null : on * delays.off_delay_ms.length + off;
  }

  /** What moves along the rows that were counted with this filter, these delays and these passes. @type {string[]} */
  get moves() {
    if (this.known) return this.facts.chains;
    return this.delays === null ? [] : this.facts.delays.rows.map((/** @type {[string, number]} */ one) => one[0]);
  }

  /** Along what both levels move, where nothing else is counted; null where they move apart. @type {RowEntry[]|null} */
  get together() {
    if (this.replays || (this.known && this.counted !== null && this.facts.every_pair)) return null;
    if (this.moves.includes("both")) return this.chain("both");
    if (this.counted === null || !this.known) return null;
    const { counted } = this;
    return Array.from(this.levels, (level, k) => ({ on: level, off: level, counts: countsAt(counted, k, k) }));
  }

  /** Row and column of the tables, where they hold these levels. */
  get cell() {
    return this.known && this.counted !== null ? cellOf(this.counted, this.on, this.off) : null;
  }

  /**
   * One row of settings that were counted beforehand with this filter and these delays.
   * @param {string} moves
   * @returns {RowEntry[]}
   */
  chain(moves) {
    const { known, delays } = this, name = `${moves} ${known ? "" : delays}`, seen = this.rows.get(name);
    if (seen !== undefined) return seen;
    const { arrays, facts } = this;
    let from = 0, to = 0, first = 0, prefix = "delayed";
    if (known) (prefix = `chain_${moves}`), (to = arrays[`${prefix}_on`].length);
    else {
      for (const [one, length] of facts.delays.rows) {
        from = to;
        to += length;
        if (one === moves) break;
      }
      first = (delays ?? 0) * arrays.delayed_on.length;
    }
    const on = arrays[`${prefix}_on`].slice(from, to), off = arrays[`${prefix}_off`].slice(from, to);
    const row = Array.from(on, (level, k) => ({
      on: level, off: off[k],
      counts: /** @type {TableCounts} */ (Object.fromEntries(TABLES.map((of) => [of, arrays[`${prefix}_${of}`][first + from + k]]))),
    }));
    this.rows.set(name, row);
    return row;
  }

  /** Counts that were made beforehand; null where there are none. */
  looked() {
    const { cell } = this;
    if (cell !== null && this.counted !== null) return countsAt(this.counted, ...cell);
    for (const moves of this.moves) {
      const found = this.chain(moves).find(({ on, off }) => on === this.on && off === this.off);
      if (found !== undefined) return found.counts;
    }
    return this.atStart && !this.corrected ? this.facts.counts : null;
  }

  /** Trials behind counts that were made beforehand. @returns {TrialCounts} */
  get trials() {
    const { facts, delays } = this;
    if (this.cell !== null) return facts.table_trials;
    if (this.known || delays === null) return facts.trials;
    const all = this.arrays.delayed_trials, each = all.length / 3;
    return { detect: all[delays], ignore: all[each + delays], gaps: all[2 * each + delays], hours: facts.trials.hours };
  }

  /**
   * What the setting of the hand counts.
   * @returns {Now}
   */
  counts() {
    const counts = this.looked(), { trials } = this;
    const output = this.light === null ? null : switched(this.light, this.clock, this.setting, this.invalid);
    if (output === null) {
      const known = this.atStart && !this.corrected && this.arrays.start_passes ? this.outcomesAtStart() : null;
      const basis = counts !== null ? "table" : this.server ? "waiting" : "none";
      return { counts, basis, trials, output: known && { output: this.arrays.start_runs }, scored: known };
    }
    const found = scored(output, this.passes, this.clock), n = found.counts, inverted = 2 * n.false_active > n.gap_evaluations;
    found.passes = toldApart(found.passes, this.passes);
    const replayed = {
      lost: n.misses + n.merged, merged: n.merged, extra: n.extra, false_trips: n.false_trips,
      gaps_tripped: n.gaps_tripped, ignore_trips: n.ignore_false_trips, ignore_tripped: n.ignore_tripped,
      touching: found.passes.reduce((sum, one) => sum + Number(one === JOINED), 0),
    };
    return {
      counts: counts ?? replayed, basis: counts === null ? "replay" : "table", output, scored: { ...found, inverted },
      trials: counts !== null ? trials : {
        detect: n.detect_passes - n.excluded_passes, ignore: n.ignore_passes - n.excluded_ignore_passes, gaps: n.gaps,
        hours: this.clock.count / this.clock.rate / 3600,
      },
    };
  }

  /**
   * What became of every trial at the levels that the page began with, as it was counted beforehand.
   * @returns {Trials}
   */
  outcomesAtStart() {
    const { start_passes, start_again: again, start_gaps: gaps } = this.arrays, passes = toldApart(start_passes, this.passes);
    const { gapStart, gapStop } = windowsOf(this.passes, this.clock, this.facts.lag);
    return { passes, again, gaps, gapStart, gapStop, inverted: false };
  }

  /** Passes lost of each kind; null where that is not known. */
  lostByKind() {
    const { scored: found } = this.now, { cell } = this, lost = new Int32Array(this.facts.kinds.length);
    if (found !== null) {
      for (let k = 0; k < found.passes.length; k++) {
        if (found.passes[k] === MISS || found.passes[k] === MERGED) lost[this.passes.kind[k]]++;
      }
      return lost;
    }
    if (cell === null || !this.arrays.kind_lost_0) return null;
    const at = this.facts.every_pair ? cell[0] * this.levels.length + cell[1] : cell[0];
    return lost.map((_, k) => this.arrays[`kind_lost_${k}`][at]);
  }

  /**
   * Take a setting.
   * @param {Setting} setting
   */
  use(setting) {
    this.setting = setting;
    clearTimeout(this.resting);
    this.resting = undefined;
    const counts = this.clock.count > LONG && this.light !== null ? this.looked() : null;
    if (counts === null) this.now = this.counts();
    else this.now = { counts, basis: "table", trials: this.trials, output: null, scored: null };
    if (this.now.scored === null) this.rest();
    this.tell();
  }

  tell() {
    for (const told of this.listeners) told();
  }

  /** Find what became of every pass once the hand rests: by replay here, else by the server. */
  rest() {
    if (this.replays) this.resting = setTimeout(() => this.settle(), SETTLE);
  }

  /** Replay what a moving hand left out. */
  settle() {
    if (this.resting === undefined) return;
    clearTimeout(this.resting);
    this.resting = undefined;
    if (this.light === null && this.server !== null) return void this.ask(this.server);
    this.now = this.counts();
    this.tell();
  }

  /**
   * Let the server replay; an answer that comes after the hand has moved on is dropped.
   * @param {Server} server
   */
  async ask(server) {
    const { setting, passes } = this;
    const found = await server.count(setting, this.corrected ? this : null);
    if (this.setting !== setting || this.passes !== passes) return;
    this.now = typeof found === "string" ? { ...this.now, basis: this.now.counts === null ? "none" : "table" }
      : { ...found, scored: found.scored && { ...found.scored, passes: toldApart(found.scored.passes, passes) } };
    this.tell();
  }

  /**
   * Take other passes.
   * @param {NamedPasses} passes
   * @param {boolean} corrected
   */
  pass(passes, corrected) {
    this.passes = passes;
    this.corrected = corrected;
    this.use(this.setting);
  }

  /**
   * Take both levels.
   * @param {number} on
   * @param {number} off
   */
  take(on, off) {
    const setting = this.settingAt(on, off);
    if (setting.on_level !== this.on || setting.off_level !== this.off) this.use(setting);
  }

  /**
   * The setting with other levels; the releases of a window keep their distances.
   * @param {number} on
   * @param {number} off
   * @returns {Setting}
   */
  settingAt(on, off) {
    const begin = this.facts.setting;
    if (begin.kind !== "window") return { ...this.setting, on_level: on, off_level: off };
    const high = on - (begin.on_level - begin.high_release), low = off + (begin.low_release - begin.off_level);
    return { ...this.setting, on_level: on, off_level: off, high_release: high, low_release: low };
  }

  /**
   * Whether a setting of the kind may have these levels.
   * @param {number} on
   * @param {number} off
   */
  allowed(on, off) {
    const { kind, reference, high_release: high, low_release: low } = /** @type {any} */ (this.settingAt(on, off));
    if (kind === "window") return off <= low && low <= high && high <= on;
    if (kind === "turning-point") return on === this.on && off === this.off;
    return off <= on && (kind !== "following" || (this.lightOn ? reference < off : reference >= on));
  }

  /**
   * Move one level; the other gives way as far as it must.
   * @param {LevelName} name
   * @param {number} level
   */
  move(name, level) {
    const { together } = this;
    if (together !== null) {
      const nearest = together.reduce((a, b) => (Math.abs(b[name] - level) < Math.abs(a[name] - level) ? b : a));
      return this.take(nearest.on, nearest.off);
    }
    const other = name === "on" ? this.off : this.on;
    const pair = (/** @type {number} */ o) => /** @type {[number, number]} */ (name === "on" ? [level, o] : [o, level]);
    if (this.allowed(...pair(other))) return this.take(...pair(other));
    if (this.allowed(...pair(level))) return this.take(...pair(level));
    // The counted level nearest to the other one with which the pair is a setting.
    const { levels } = this, by = name === "on" ? -1 : 1;
    for (let k = Math.min(rankOf(levels, other), levels.length - 1); k >= 0 && k < levels.length; k += by) {
      if (this.allowed(...pair(levels[k]))) return this.take(...pair(levels[k]));
    }
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
    const { together } = this, levels = together === null ? this.levels : together.map((one) => one[name]), value = this[name];
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
    const { cell, counted } = this;
    if (cell !== null && counted !== null && this.facts.every_pair) {
      const { last, next } = sameUntil(counted, cell, name === "on", by);
      const [i, j] = next ?? last;
      const blocked = next === null && i === j && (name === "on" ? by < 0 : by > 0);
      if (!blocked) return this.take(name === "on" ? this.levels[i] : this.on, name === "off" ? this.levels[j] : this.off);
      // The other level is in the way: both go on together.
      this.take(this.levels[i], this.levels[j]);
    }
    for (const moves of this.moves.filter((one) => one === name || one === "both")) {
      const row = this.chain(moves), at = row.findIndex(({ on, off }) => on === this.on && off === this.off);
      if (at < 0) continue;
      const text = JSON.stringify(row[at].counts);
      let k = at;
      while (row[k + by] && JSON.stringify(row[k].counts) === text) k += by;
      return this.take(row[k].on, row[k].off);
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
    const { cell, counted } = this;
    if (cell === null || counted === null) return null;
    const index = name === "on" ? 0 : 1;
    const low = sameUntil(counted, cell, name === "on", -1).last[index];
    const high = sameUntil(counted, cell, name === "on", 1).last[index];
    // Where all distinct levels are known, what lies between two of them acts as the upper one.
    const above = this.facts.distinct ? (low > 0 ? this.levels[low - 1] : null) : this.levels[low];
    return { above, to: this.levels[high] };
  }

  /** Everything that goes wrong at these levels, in time order; null where it is not known. */
  faults() {
    const { scored: found, output } = this.now, runs = output === null ? [] : output.output;
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
      const first = runs[firstAfter(runs, found.gapStart[k])];
      const known = first !== undefined && first >= found.gapStart[k] && first < found.gapStop[k];
      const sample = Math.floor((known ? first : found.gapStart[k]) * ratio);
      const end = known ? sample + 1 : Math.ceil(found.gapStop[k] * ratio);
      out.push({ sample, end, what: "false trip", row: -1 });
    }
    return out.sort((a, b) => a.sample - b.sample);
  }
}
