/**
 * How far one stress can go before the first error, by replay: exact, with any filter and delays.
 *
 * The walk begins where everything comes out right. A stretch of it is settled where both ends are right and nothing between can be
 * wrong (`edges_between`); else it is divided where a sample meets a level, and its nearer part is settled first. So an error that
 * comes and goes is not stepped over, and the first one is found to the last bit.
 *
 * @import {Player, Played} from "./edges_between.js"
 * @import {Break, Path} from "./stress.js"
 * @import {Bound} from "./reserve_table.js"
 * @typedef {{start: number, stop: number, one: boolean}} Trial one onset in its window is right, or none
 */
import { Between } from "./edges_between.js";
import { firstAfter } from "./scoring.js";
import { breakOf, comeFar } from "./stress.js";

/** Replays after which a search ends with what is proven by then. */
const REPLAYS = 4000;
/** Trials, and samples of them, that are looked at for where to divide a stretch. */
const LOOKED_AT = 40, SAMPLES = 2000;

/**
 * Trials that come out wrong.
 * @param {Trial[]} trials
 * @param {number[]} runs
 */
function wrongOf(trials, runs) {
  return trials.filter(({ start, stop, one }) => {
    let found = 0;
    for (let k = firstAfter(runs, start); k < runs.length && runs[k] < stop && found < 2; k += 2) {
      if (runs[k] > 0 && runs[k] >= start) found++;
    }
    return found !== (one ? 1 : 0);
  });
}

/**
 * Where a stretch is divided: in the middle of the light that meets a level there; null where nothing does.
 * @param {Path} path
 * @param {Between} between
 * @param {Trial[]} trials
 * @param {number} from
 * @param {number} to
 * @returns {Break|null}
 */
function divided(path, between, trials, from, to) {
  /** @type {{x: number, on: boolean, near: number}[]} */
  const met = [], some = trials.slice(0, LOOKED_AT);
  const meet = (/** @type {number} */ x, /** @type {boolean} */ on) => {
    const level = on ? path.on : path.off;
    if (met.length < SAMPLES) met.push({ x, on, near: path.gain ? (path.dark - level) / (x - path.dark) : level - x });
  };
  for (const { start, stop } of some) between.meets(start - 1 - between.player.memory, stop, meet);
  // Where invalid samples or a filter hold a state for longer, what decides it came before.
  if (met.length === 0) for (const { stop } of some) between.meets(-1, stop, meet);
  met.sort((a, b) => a.near - b.near);
  const middle = met[met.length >> 1];
  return middle === undefined ? null : breakOf(path, middle.on ? path.on : path.off, middle.x, from, to);
}

/**
 * How far one stress can go before the first of some trials comes out wrong; after every replay the caller has a turn.
 * @param {Player} player
 * @param {Trial[]} trials
 * @returns {Generator<void, Bound, void>}
 */
export function* searchedReserve(player, trials) {
  const { path } = player, { start, end } = path;
  let replays = 0, stopped = false;
  const play = (/** @type {number} */ at) => (replays++, player.play(at));
  /**
   * The last point up to which nothing is wrong; null where nothing is wrong up to the end.
   * @param {number} from
   * @param {Played} here
   * @param {number} to
   * @param {Played} there
   * @param {Trial[]} open
   * @returns {Generator<void, number|null, void>}
   */
  function* last(from, here, to, there, open) {
    for (;;) {
      const wrong = wrongOf(open, there.output), between = new Between(player, here, there);
      if (wrong.length === 0) {
        open = open.filter((one) => !between.right(one.start, one.stop, one.one));
        if (open.length === 0) return null;
      }
      const middle = divided(path, between, wrong.length > 0 ? wrong : open, from, to);
      if (middle === null || replays > REPLAYS) {
        stopped = true;
        return from;
      }
      const near = play(middle.near);
      yield;
      if (wrongOf(open, near.output).length > 0) {
        [to, there] = [middle.near, near];
        continue;
      }
      const found = yield* last(from, here, middle.near, near, open);
      if (found !== null) return found;
      const far = play(middle.far);
      yield;
      if (wrongOf(open, far.output).length > 0) return middle.near;
      [from, here] = [middle.far, far];
    }
  }
  const here = play(start);
  yield;
  if (wrongOf(trials, here.output).length > 0) return { value: null, sure: "exact" };
  const there = play(end);
  yield;
  const found = yield* last(start, here, end, there, trials);
  return { value: comeFar(found ?? end, path), sure: stopped ? "at least" : "exact" };
}
