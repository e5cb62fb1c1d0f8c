/**
 * What the sensor would have done: comparator of every kind of setting, filter and delays, on runs of evaluations.
 *
 * A state is its runs: [begin, end, begin, end, …] of evaluations in which it is true. A run from 0 has been true for
 * ever: before the record everything is as at the first evaluation. A setting has the keys of its file.
 *
 * @typedef {{count: number, numerator: number, denominator: number, rate: number, sampleRate: number,
 *   samples: number}} Clock
 * @typedef {{light: ArrayLike<number>, invalid: Uint8Array|null}} Light
 * @typedef {{kind?: "window"|"following"|"turning-point", on_level: number, off_level: number, polarity: string, consecutive: number,
 *   on_delay_ms: number, off_delay_ms: number, delays_act_on: string}} FixedSetting
 * @typedef {FixedSetting & {high_release: number, low_release: number}} WindowSetting
 * @typedef {FixedSetting & {reference: number, low_limit: number, high_limit: number, follow: string, dark_level: number,
 *   time_constant_ms: number, update_evaluations: number, freeze: boolean, freeze_hold_ms: number, guard: number|null,
 *   slew_per_s: number|null, release_after_ms: number|null}} FollowingSetting
 * @typedef {FixedSetting & {form: string, direction: string, background: number, distance: number|null,
 *   share: number|null, return_share: number, dark_level: number}} TurningPointSetting
 * @typedef {FixedSetting & Partial<WindowSetting & FollowingSetting & TurningPointSetting>} Setting
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
 * A time in evaluations.
 * @param {number} ms
 * @param {Clock} clock
 */
function ceilingOf(ms, clock) {
  const [a, b] = exact(ms);
  const [c, d] = exact(clock.rate);
  return ceiling(a * c, b * d * 1000n);
}

/**
 * A delay in evaluations, no longer than the record.
 * @param {number} ms
 * @param {Clock} clock
 */
export function delayOf(ms, clock) {
  return Math.min(ceilingOf(ms, clock), clock.count);
}

/**
 * Go through all evaluations: their number, what they read, and whether that is valid.
 * @param {Light} light
 * @param {Clock} clock
 * @param {(i: number, x: number, valid: boolean) => void} seen
 */
function eachEvaluation({ light, invalid }, { numerator, denominator, count }, seen) {
  const step = Math.floor(numerator / denominator), rest = numerator % denominator;
  for (let i = 0, sample = 0, part = 0; i < count; i++) {
    const x = light[sample];
    seen(i, x, (invalid === null || invalid[sample] === 0) && x === x);
    sample += step;
    part += rest;
    if (part >= denominator) (part -= denominator), sample++;
  }
}

/**
 * Evaluations without a valid sample.
 * @param {Light} light
 * @param {Clock} clock
 * @returns {number[]}
 */
export function invalidRuns(light, clock) {
  /** @type {number[]} */
  const runs = [];
  eachEvaluation(light, clock, (i, _, valid) => {
    if (valid) return;
    if (runs.length > 0 && runs[runs.length - 1] === i) runs[runs.length - 1] = i + 1;
    else runs.push(i, i + 1);
  });
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

/** Runs of a state that is told at valid evaluations; what is invalid before takes the state of the first of them. */
class Runs {
  constructor() {
    /** @type {number[]} */
    this.runs = [];
    this.seen = this.state = false;
  }

  /**
   * @param {number} i
   * @param {boolean} state
   */
  tell(i, state) {
    if (state !== this.state) this.runs.push(this.seen ? i : 0);
    this.state = state;
    this.seen = true;
  }

  /**
   * The runs up to the end; null where nothing valid is evaluated.
   * @param {number} count
   */
  until(count) {
    if (this.state) this.runs.push(count);
    return this.seen ? this.runs : null;
  }
}

/**
 * Two thresholds: where the light is beyond one of them. Each side keeps its own state.
 * @param {Light} light
 * @param {Clock} clock
 * @param {WindowSetting} setting
 */
function beyondRuns(light, clock, { on_level: high, high_release: back, off_level: low, low_release: up }) {
  const runs = new Runs();
  let above = false, below = false;
  eachEvaluation(light, clock, (i, x, valid) => {
    if (!valid) return;
    above = x >= high || (above && x >= back);
    below = x < low || (below && x < up);
    runs.tell(i, above || below);
  });
  return runs.until(clock.count);
}

/**
 * Levels that move with a reference, in the order in which the arithmetic is written in SWITCHING.md.
 * @param {Light} light
 * @param {Clock} clock
 * @param {FollowingSetting} setting
 */
function followedRuns(light, clock, setting) {
  const { reference, dark_level: dark, update_evaluations: every, freeze, guard, slew_per_s: slew } = setting;
  const { low_limit: lowest, high_limit: highest, on_level: taughtOn, off_level: taughtOff } = setting;
  const lightOn = setting.polarity === "light-on", lag = (setting.time_constant_ms * clock.rate) / 1000;
  const hold = delayOf(setting.freeze_hold_ms, clock);
  const release = setting.release_after_ms === null ? Infinity : ceilingOf(setting.release_after_ms, clock);
  const most = slew === null ? Infinity : (slew * every) / clock.rate;
  const runs = new Runs();
  let b = reference, on = taughtOn, off = taughtOff, near = Infinity, object = -Infinity, waited = 0;
  let counted = 0, sum = 0, present = 0, total = 0;
  const move = () => {
    if (b === reference) (on = taughtOn), (off = taughtOff);
    else if (setting.follow === "offset") (on = taughtOn + (b - reference)), (off = taughtOff + (b - reference));
    else {
      const ratio = (b - dark) / (reference - dark);
      on = dark + (taughtOn - dark) * ratio;
      off = dark + (taughtOff - dark) * ratio;
    }
    near = guard === null ? Infinity : guard * Math.abs((lightOn ? on : off) - b);
  };
  const update = () => {
    let wanted = NaN;
    if (counted > 0) {
      waited = 0;
      const step = (sum / counted - b) * (counted / (counted + lag));
      wanted = b + (step > most ? most : step < -most ? -most : step);
    } else {
      waited += every;
      if (waited >= release && present > 0) {
        waited = 0;
        wanted = total / present;
      }
    }
    if (Number.isFinite(wanted)) {
      b = wanted < lowest ? lowest : wanted > highest ? highest : wanted;
      move();
    }
    counted = sum = present = total = 0;
  };
  move();
  eachEvaluation(light, clock, (i, x, valid) => {
    if (valid) {
      const state = runs.state ? !(x < off) : x >= on;
      runs.tell(i, state);
      if (state === lightOn) object = i;
      if (Number.isFinite(x)) {
        present++;
        total += x;
        if (!(freeze && i - object <= hold) && Math.abs(x - b) < near) counted++, (sum += x);
      }
    }
    if ((i + 1) % every === 0) update();
  });
  return runs.until(clock.count);
}

/**
 * Objects where the light has left its last turning point; those that rise are dips upside down.
 * @param {Light} light
 * @param {Clock} clock
 * @param {TurningPointSetting} setting
 */
function turningRuns(light, clock, { form, direction, background, distance, share, return_share: back, dark_level: dark }) {
  const rise = direction === "rise", runs = new Runs();
  let within = false, top = rise ? -background : background, bottom = 0, away = 0;
  eachEvaluation(light, clock, (i, value, valid) => {
    if (!valid) return;
    const x = rise ? -value : value;
    if (within) {
      bottom = x < bottom ? x : bottom;
      if (x - bottom >= back * away) (within = false), (top = x);
    } else {
      top = x > top ? x : top;
      away = form === "gain" ? Number(share) * ((top > dark ? top : background) - dark) : Number(distance);
      if (top - x > away) (within = true), (bottom = x);
    }
    runs.tell(i, within === rise);
  });
  return runs.until(clock.count);
}

/**
 * What the comparator of a setting says, whatever its kind.
 * @param {Light} light
 * @param {Clock} clock
 * @param {Setting} setting
 */
function comparedRuns(light, clock, setting) {
  if (setting.kind === "window") return beyondRuns(light, clock, /** @type {WindowSetting} */ (setting));
  if (setting.kind === "following") return followedRuns(light, clock, /** @type {FollowingSetting} */ (setting));
  if (setting.kind === "turning-point") return turningRuns(light, clock, /** @type {TurningPointSetting} */ (setting));
  return lightRuns(light, clock, setting.on_level, setting.off_level);
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
 * @param {Setting} setting
 * @param {number[]} [invalid] where they are known
 * @returns {Output|null}
 */
export function switched(light, clock, setting, invalid = invalidRuns(light, clock)) {
  const { count } = clock, lightOn = setting.polarity === "light-on", onLight = setting.delays_act_on === "light";
  const compared = comparedRuns(light, clock, setting);
  if (compared === null) return null;
  const steady = filtered(compared, invalid, setting.consecutive, count);
  const on = delayOf(setting.on_delay_ms, clock), off = delayOf(setting.off_delay_ms, clock);
  const polarised = (/** @type {number[]} */ runs) => (lightOn ? runs : complement(runs, count));
  const delayed = (/** @type {number[]} */ runs) => offDelayed(onDelayed(runs, on), off, count);
  const undelayed = polarised(steady);
  const output = onLight ? polarised(delayed(steady)) : delayed(undelayed);
  const lag = Math.min(setting.consecutive - 1, count) + (onLight && !lightOn ? off : on);
  return { undelayed, output, invalid, lag, count };
}
