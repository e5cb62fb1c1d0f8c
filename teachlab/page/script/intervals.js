/**
 * Exact intervals: Clopper–Pearson for shares, Garwood for counts.
 *
 * The incomplete beta function by its continued fraction (NIST Digital Library of Mathematical Functions, 8.17.22), the
 * incomplete gamma function by series and continued fraction (8.11.4, 8.9.2), the logarithm of gamma by Stirling's
 * series (5.11.1).
 */

/**
 * @param {number} x above 0
 * @returns {number}
 */
function logGamma(x) {
  let shift = 0;
  for (; x < 15; x++) shift -= Math.log(x);
  const i = 1 / (x * x);
  const series = (1 / 12 - i * (1 / 360 - i * (1 / 1260 - i * (1 / 1680 - i / 1188)))) / x;
  return shift + (x - 0.5) * Math.log(x) - x + 0.5 * Math.log(2 * Math.PI) + series;
}

/**
 * A continued fraction b0 + a1/(b1 + a2/(b2 + …)), by Lentz.
 * @param {number} b0
 * @param {(k: number) => [number, number]} term
 */
function continued(b0, term) {
  let f = b0 || 1e-300, c = f, d = 0;
  for (let k = 1; k < 20000; k++) {
    const [a, b] = term(k);
    d = 1 / (b + a * d || 1e-300);
    c = b + a / c || 1e-300;
    f *= c * d;
    if (Math.abs(c * d - 1) < 1e-15) break;
  }
  return f;
}

/**
 * The incomplete beta function I_x(a, b).
 * @param {number} x
 * @param {number} a
 * @param {number} b
 * @returns {number}
 */
function betaShare(x, a, b) {
  if (x <= 0) return 0;
  if (x >= 1) return 1;
  if (x > (a + 1) / (a + b + 2)) return 1 - betaShare(1 - x, b, a);
  const front = a * Math.log(x) + b * Math.log1p(-x) + logGamma(a + b) - logGamma(a) - logGamma(b);
  const fraction = continued(1, (k) => {
    const m = k >> 1;
    const over = k % 2 === 0 ? m * (b - m) : -(a + m) * (a + b + m);
    return [(over * x) / ((a + k - 1) * (a + k)), 1];
  });
  return Math.exp(front) / (a * fraction);
}

/**
 * The incomplete gamma function P(a, x).
 * @param {number} a
 * @param {number} x
 * @returns {number}
 */
function gammaShare(a, x) {
  if (x <= 0) return 0;
  const front = Math.exp(a * Math.log(x) - x - logGamma(a));
  if (x < a + 1) {
    let term = 1 / a, sum = term;
    for (let k = 1; k < 20000 && term > sum * 1e-17; k++) sum += term *= x / (a + k);
    return front * sum;
  }
  return 1 - front / continued(x + 1 - a, (k) => [k * (a - k), x + 2 * k + 1 - a]);
}

/**
 * Where a rising function reaches a value.
 * @param {(x: number) => number} rising
 * @param {number} value
 * @param {number} top
 */
function reached(rising, value, top) {
  let low = 0, high = top;
  for (let k = 0; k < 100; k++) {
    const middle = (low + high) / 2;
    if (rising(middle) < value) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/**
 * Two-sided Clopper–Pearson interval of a share; [0, 1] without trials.
 * @param {number} events
 * @param {number} trials
 * @param {number} confidence
 * @returns {[number, number]}
 */
export function shareInterval(events, trials, confidence) {
  if (trials === 0) return [0, 1];
  const tail = (1 - confidence) / 2, rest = trials - events;
  const low = events === 0 ? 0 : reached((x) => betaShare(x, events, rest + 1), tail, 1);
  const high = rest === 0 ? 1 : reached((x) => betaShare(x, events + 1, rest), 1 - tail, 1);
  return [low, high];
}

/**
 * Two-sided Garwood interval of a count per exposure; [0, ∞] without exposure.
 * @param {number} events
 * @param {number} exposure
 * @param {number} confidence
 * @returns {[number, number]}
 */
export function countInterval(events, exposure, confidence) {
  if (exposure === 0) return [0, Infinity];
  const tail = (1 - confidence) / 2, top = events + 20 + 10 * Math.sqrt(events + 1) - 5 * Math.log(tail);
  const low = events === 0 ? 0 : reached((x) => gammaShare(events, x), tail, top);
  return [low / exposure, reached((x) => gammaShare(events + 1, x), 1 - tail, top) / exposure];
}

/**
 * One-sided upper bound of a share whose events may be parts of a trial.
 * @param {number} events
 * @param {number} trials
 * @param {number} confidence
 */
export function shareUpper(events, trials, confidence) {
  return events >= trials ? 1 : reached((x) => betaShare(x, events + 1, trials - events), confidence, 1);
}
