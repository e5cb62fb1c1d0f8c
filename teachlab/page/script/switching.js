/**
 * What the sensor would have done: comparator, filter and delays, on runs of evaluations.
 *
 * A state is its runs: [begin, end, begin, end, …] of evaluations in which it is true. A run from 0 has been true for
 * ever: before the record everything is as at the first evaluation.
 *
 * @typedef {{count: number, numerator: number, denominator: number, rate: number, sampleRate: number,
 *   samples: number}} Clock
 * @typedef {{light: ArrayLike<number>, invalid: Uint8Array|null}} Light
 * @typedef {{on: number, off: number, lightOn: boolean, consecutive: number, onDelayMs: number, offDelayMs: number,
 *   delaysActOnLight: boolean}} Switching
 * @typedef {{undelayed: number[], output: number[], invalid: number[], lag: number, count: number}} Output
 */

/**
 * A number as a fraction of its shortest decimal: 0.1 is 1/10.
 * @param {number} value
 * @returns {[bigint, bigint]}
 */
export function exact(value) {
  const [digits, power = "0"] = String(value).split("e");
  const [whole, part = ""] = digits.split(".");
  const exponent = Number(power) - part.length;
  const number = BigInt(whole + part);
  return exponent >= 0 ? [number * 10n ** BigInt(exponent), 1n] : [number, 10n ** BigInt(-exponent)];
}

/**
 * The smallest whole number at or above a fraction less one millionth.
 * @param {bigint} over
 * @param {bigint} under
 * @returns {number}
 */
export function ceiling(over, under) {
  const top = over * 1000000n - under;
  const bottom = under * 1000000n;
  const floor = top / bottom - (top % bottom < 0n ? 1n : 0n);
  return Number(floor * bottom === top ? floor : floor + 1n);
}

/**
 * A delay in evaluations, no longer than the record.
 * @param {number} ms
 * @param {Clock} clock
 */
export function delayOf(ms, clock) {
  const [a, b] = exact(ms);
  const [c, d] = exact(clock.rate);
  return Math.min(ceiling(a * c, b * d * 1000n), clock.count);
}

/**
 * Evaluations without a valid sample.
 * @param {Light} light
 * @param {Clock} clock
 * @returns {number[]}
 */
export function invalidRuns({ light, invalid }, clock) {
  /** @type {number[]} */
  const runs = [];
  const { numerator, denominator, count } = clock;
  const step = Math.floor(numerator / denominator), rest = numerator % denominator;
  for (let i = 0, sample = 0, part = 0; i < count; i++) {
    const x = light[sample];
    if ((invalid !== null && invalid[sample] !== 0) || x !== x) {
      if (runs.length > 0 && runs[runs.length - 1] === i) runs[runs.length - 1] = i + 1;
      else runs.push(i, i + 1);
    }
    sample += step;
    part += rest;
    if (part >= denominator) (part -= denominator), sample++;
  }
  return runs;
}

/**
 * The comparator: light begins at x >= on, ends at x < off; null where nothing valid is evaluated.
 * @param {Light} light
 * @param {Clock} clock
 * @param {number} on
 * @param {number} off
 * @returns {number[]|null}
 */
export function lightRuns({ light, invalid }, clock, on, off) {
  /** @type {number[]} */
  const runs = [];
  const { numerator, denominator, count } = clock;
  const step = Math.floor(numerator / denominator), rest = numerator % denominator;
  let state = false, seen = false;
  for (let i = 0, sample = 0, part = 0; i < count; i++) {
    const x = light[sample];
    if ((invalid === null || invalid[sample] === 0) && x === x) {
      if (!seen) {
        seen = true;
        state = x >= on;
        if (state) runs.push(0); // what is invalid before takes the state of the first valid one
      } else if (state ? x < off : x >= on) {
        state = !state;
        runs.push(i);
      }
    }
    sample += step;
    part += rest;
    if (part >= denominator) (part -= denominator), sample++;
  }
  if (state) runs.push(count);
  return seen ? runs : null;
}

/**
 * Where a state is false.
 * @param {number[]} runs
 * @param {number} count
 */
export function complement(runs, count) {
  const out = runs[0] === 0 ? runs.slice(1) : [0, ...runs];
  if (out[out.length - 1] === count) out.pop();
  else out.push(count);
  return out.length === 2 && out[0] === out[1] ? [] : out;
}

/**
 * The state that changes only after so many valid evaluations in a row disagree with it.
 * @param {number[]} runs
 * @param {number[]} invalid
 * @param {number} consecutive
 * @param {number} count
 */
export function filtered(runs, invalid, consecutive, count) {
  if (consecutive === 1) return runs;
  let state = runs[0] === 0;
  /** @type {number[]} */
  const out = state ? [0] : [];
  const edges = runs.filter((edge) => edge > 0 && edge < count);
  let now = state;
  for (let k = 0, bad = 0; k < edges.length; k++) {
    now = !now;
    const stop = k + 1 < edges.length ? edges[k + 1] : count;
    if (now === state) continue;
    // The evaluation at which enough valid ones are reached: invalid ones in between do not count.
    let at = edges[k] + consecutive - 1;
    while (bad < invalid.length && invalid[bad + 1] <= edges[k]) bad += 2;
    for (let b = bad; b < invalid.length && invalid[b] <= at; b += 2) at += invalid[b + 1] - invalid[b];
    if (at < stop) {
      state = now;
      out.push(at);
    }
  }
  if (state) out.push(count);
  return out;
}

/**
 * Active only after its input was active for so long.
 * @param {number[]} runs
 * @param {number} wait
 */
export function onDelayed(runs, wait) {
  /** @type {number[]} */
  const out = [];
  for (let k = 0; k < runs.length; k += 2) {
    const begin = runs[k] === 0 ? 0 : runs[k] + wait;
    if (begin < runs[k + 1]) out.push(begin, runs[k + 1]);
  }
  return out;
}

/**
 * Active for so long after its input was.
 * @param {number[]} runs
 * @param {number} wait
 * @param {number} count
 */
export function offDelayed(runs, wait, count) {
  /** @type {number[]} */
  const out = [];
  for (let k = 0; k < runs.length; k += 2) {
    const end = Math.min(runs[k + 1] + wait, count);
    if (out.length > 0 && runs[k] <= out[out.length - 1]) out[out.length - 1] = end;
    else out.push(runs[k], end);
  }
  return out;
}

/**
 * The output of a setting; null where no evaluation is valid.
 * @param {Light} light
 * @param {Clock} clock
 * @param {Switching} setting
 * @param {number[]} [invalid] where they are known
 * @returns {Output|null}
 */
export function switched(light, clock, setting, invalid = invalidRuns(light, clock)) {
  const { count } = clock;
  const compared = lightRuns(light, clock, setting.on, setting.off);
  if (compared === null) return null;
  const steady = filtered(compared, invalid, setting.consecutive, count);
  const on = delayOf(setting.onDelayMs, clock), off = delayOf(setting.offDelayMs, clock);
  const polarised = (/** @type {number[]} */ runs) => (setting.lightOn ? runs : complement(runs, count));
  const delayed = (/** @type {number[]} */ runs) => offDelayed(onDelayed(runs, on), off, count);
  const undelayed = polarised(steady);
  const output = setting.delaysActOnLight ? polarised(delayed(steady)) : delayed(undelayed);
  const holdsBack = setting.delaysActOnLight && !setting.lightOn ? off : on;
  const lag = Math.min(setting.consecutive - 1, count) + holdsBack;
  return { undelayed, output, invalid, lag, count };
}
