/**
 * Counts of every pair of levels, looked up.
 *
 * @import {Numbers} from "./decoding.js"
 * @typedef {"lost"|"merged"|"extra"|"false_trips"|"gaps_tripped"|"ignore_trips"|"ignore_tripped"|"touching"} TableName
 * @typedef {Record<TableName, number>} TableCounts
 * @typedef {{levels: Numbers, distinct: boolean, everyPair: boolean, tables: Record<TableName, Numbers>}} Counted
 */

/** @type {TableName[]} */
export const TABLES = ["lost", "merged", "extra", "false_trips", "gaps_tripped", "ignore_trips", "ignore_tripped", "touching"];

/**
 * Index of the first of ascending numbers at or above a value.
 * @param {ArrayLike<number>} levels
 * @param {number} value
 */
export function rankOf(levels, value) {
  let low = 0, high = levels.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (levels[middle] < value) low = middle + 1;
    else high = middle;
  }
  return low;
}

/**
 * Row and column whose counts are those of two levels; null where they were not counted.
 * @param {Counted} counted
 * @param {number} on
 * @param {number} off
 * @returns {[number, number]|null}
 */
export function cellOf({ levels, distinct, everyPair }, on, off) {
  const i = rankOf(levels, on), j = rankOf(levels, off);
  if (i >= levels.length || j > i || (!everyPair && i !== j)) return null;
  return distinct || (levels[i] === on && levels[j] === off) ? [i, j] : null;
}

/**
 * Counts of one cell.
 * @param {Counted} counted
 * @param {number} i
 * @param {number} j
 * @returns {TableCounts}
 */
export function countsAt({ levels, everyPair, tables }, i, j) {
  const at = everyPair ? i * levels.length + j : i;
  return /** @type {TableCounts} */ (Object.fromEntries(TABLES.map((name) => [name, tables[name][at]])));
}

/**
 * Errors: passes lost, but not those that merged with the one that they touch, and every switching too many.
 * @param {TableCounts} n
 */
export function errorsOf(n) {
  return n.lost - n.touching + n.extra + n.false_trips + n.ignore_trips;
}

/**
 * Errors of one cell.
 * @param {Counted} counted
 * @param {number} i
 * @param {number} j
 */
export function errorsAt({ levels, everyPair, tables }, i, j) {
  const at = everyPair ? i * levels.length + j : i;
  return tables.lost[at] - tables.touching[at] + tables.extra[at] + tables.false_trips[at] + tables.ignore_trips[at];
}

/**
 * Whether two cells hold the same counts.
 * @param {Counted} counted
 * @param {[number, number]} one
 * @param {[number, number]} other
 */
function same({ levels, everyPair, tables }, one, other) {
  const n = levels.length;
  const a = everyPair ? one[0] * n + one[1] : one[0], b = everyPair ? other[0] * n + other[1] : other[0];
  return TABLES.every((name) => tables[name][a] === tables[name][b]);
}

/**
 * The cell after a step of one level; null where there is none.
 * @param {Counted} counted
 * @param {[number, number]} cell
 * @param {boolean} on whether the on-level moves
 * @param {number} by
 * @returns {[number, number]|null}
 */
function stepped({ levels, everyPair }, [i, j], on, by) {
  const [a, b] = everyPair ? (on ? [i + by, j] : [i, j + by]) : [i + by, j + by];
  return b < 0 || a >= levels.length || b > a ? null : [a, b];
}

/**
 * The farthest cell in one direction whose counts are still the same, and the one after it.
 * @param {Counted} counted
 * @param {[number, number]} cell
 * @param {boolean} on
 * @param {number} by 1 or -1
 * @returns {{last: [number, number], next: [number, number]|null}}
 */
export function sameUntil(counted, cell, on, by) {
  let last = cell;
  for (;;) {
    const next = stepped(counted, last, on, by);
    if (next === null || !same(counted, cell, next)) return { last, next };
    last = next;
  }
}
