/** The bound on the mean rate of lots, as the package claims it. */
import { shareUpper } from "./intervals.js";

/** With fewer named lots a bound describes the recording and claims nothing beyond it; smaller lots join the next. */
const CLAIM_LOTS = 5, LOT_PASSES = 5;

/**
 * Losses by lots with their upper bound; null where fewer than five lots are named.
 * @param {ArrayLike<number>} lot code of every pass
 * @param {(row: number) => boolean|null} lost null: no trial
 * @param {number} confidence one-sided
 * @returns {{lots: number, withLoss: number, upper: number}|null}
 */
export function lotClaim(lot, lost, confidence) {
  /** @type {Map<number, [number, number]>} */
  const counted = new Map();
  for (let k = 0; k < lot.length; k++) {
    const what = lost(k), [events, trials] = counted.get(lot[k]) ?? [0, 0];
    counted.set(lot[k], what === null ? [events, trials] : [events + Number(what), trials + 1]);
  }
  /** @type {[number, number][]} */
  const joined = [];
  /** @type {[number, number]} */
  let waiting = [0, 0];
  for (const [e, n] of counted.values()) {
    waiting = [waiting[0] + e, waiting[1] + n];
    if (waiting[1] < LOT_PASSES) continue;
    joined.push(waiting);
    waiting = [0, 0];
  }
  // What is left over at the end joins the one before.
  if (joined.length > 0) joined.push(/** @type {[number, number]} */ (joined.pop()?.map((n, k) => n + waiting[k])));
  if (joined.length < CLAIM_LOTS) return null;
  const sum = joined.reduce((s, [e, n]) => s + e / n, 0);
  return { lots: joined.length, withLoss: joined.filter(([e]) => e > 0).length, upper: shareUpper(sum, joined.length, confidence) };
}
