/**
 * Reserves from the counts of all pairs of levels: where there is no replay, a stress is a walk of both levels through the table.
 *
 * @import {Counted} from "./tables.js"
 * @import {Path} from "./stress.js"
 * @typedef {{value: number|null, sure: "exact"|"at least"|"below"}} Bound null: an error without any stress
 */
import { cellOf, countsAt, errorsAt } from "./tables.js";
import { breakOf, comeFar } from "./stress.js";

/**
 * Errors of one cell where products that touch were apart before: merging is the first thing that goes wrong with them.
 * @param {Counted} counted
 * @param {number} i
 * @param {number} j
 */
function wrongAt(counted, i, j) {
  return errorsAt(counted, i, j) + countsAt(counted, i, j).touching;
}

/**
 * How far one stress can go before the first error; null where the table does not say.
 * @param {Counted} counted
 * @param {Path} path
 * @returns {Bound|null}
 */
export function tableReserve(counted, path) {
  const cell = cellOf(counted, path.on, path.off), together = path.on === path.off;
  if (cell === null || !(counted.everyPair || together)) return null;
  if (errorsAt(counted, ...cell) > 0) return { value: null, sure: "exact" };
  // Two that touch and merge count as one: when they would part again no table says.
  if (countsAt(counted, ...cell).touching > 0) return null;
  if (!counted.distinct) return together ? thinned(counted, path, cell[0]) : null;
  const { levels } = counted, by = path.gain ? 1 : -1, behind = path.gain ? 0 : 1;
  let [i, j] = cell, at = path.start;
  for (;;) {
    // With less light the level is next below the light that it was reached by; with more, light below it reaches it next.
    const k = i - behind, l = j - behind;
    const on = k < 0 || k >= levels.length ? null : breakOf(path, path.on, levels[k], at, path.end);
    const off = l < 0 || l >= levels.length ? null : breakOf(path, path.off, levels[l], at, path.end);
    const ends = [on, off].filter((one) => one !== null).map((one) => one.far);
    if (ends.length === 0) return { value: comeFar(path.end, path), sure: "exact" };
    const next = path.gain ? Math.max(...ends) : Math.min(...ends);
    if (on !== null && on.far === next) i += by;
    if (off !== null && off.far === next) j += by;
    at = next;
    // An on-level above all light: the output never switches, and every pass is lost.
    if (i >= levels.length || wrongAt(counted, i, j) > 0) {
      return { value: comeFar(/** @type {number} */ ([on, off].find((one) => one?.far === next)?.near), path), sure: "exact" };
    }
  }
}

/**
 * With fewer levels counted than the light has: the first of them that both levels meet and that makes an error.
 * @param {Counted} counted
 * @param {Path} path
 * @param {number} from
 * @returns {Bound|null}
 */
function thinned(counted, path, from) {
  const { levels } = counted, by = path.gain ? 1 : -1;
  for (let k = from + by; k >= 0 && k < levels.length; k += by) {
    const met = breakOf(path, path.on, levels[k], path.start, path.end);
    if (met === null) return null;
    if (wrongAt(counted, k, k) > 0) return { value: comeFar(path.gain ? met.near : met.far, path), sure: "below" };
  }
  return null;
}
