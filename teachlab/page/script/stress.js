/**
 * One axis of stress: what less light, or more ambient light, does to a sample and to a level, bit for bit as the package does it.
 *
 * A point of an axis is the gain, which falls from 1 to 0, or the ambient light, which rises from 0. Along either axis both levels,
 * seen from the light as it was recorded, move one way: so does every comparison with a sample.
 *
 * @typedef {{dark: number, full: number|null, low: number, high: number}} Receiver extremes are those of the recorded light
 * @typedef {{gain: boolean, dark: number, least: number, most: number, low: number, top: number, start: number, end: number,
 *   on: number, off: number}} Path
 * @typedef {{near: number, far: number}} Break the last point of a walk before samples compare otherwise, and the first one after
 */

/** Share of the range of the light that noise may reach below the dark level, and still a share of the light means something. */
const BELOW_DARK = 0.05;

/**
 * How far a walk came. The difference is rounded: taken from the start again, it must not lead beyond the last right point.
 * @param {number} last
 * @param {Path} path
 */
export function comeFar(last, { start }) {
  const far = Math.abs(last - start);
  // Only what lies above one half is rounded at all, and the numbers there are half an epsilon apart.
  return last < start && start - far < last ? far - Number.EPSILON / 2 : far;
}

/**
 * Whether a share of the light means nothing here.
 * @param {Receiver} receiver
 * @param {number} off
 */
export function noShareOfLight({ dark, low, high }, off) {
  return off <= dark || dark - low > BELOW_DARK * (high - low);
}

/** @param {number} value */
function above(value) {
  const bits = new DataView(new ArrayBuffer(8));
  bits.setFloat64(0, value === 0 ? 0 : value);
  bits.setBigInt64(0, value === 0 ? 1n : bits.getBigInt64(0) + (value > 0 ? 1n : -1n));
  return bits.getFloat64(0);
}

/**
 * The axis of one stress for two levels.
 * @param {boolean} gain
 * @param {Receiver} receiver
 * @param {number} on
 * @param {number} off
 * @returns {Path}
 */
export function pathOf(gain, { dark, full, low, high }, on, off) {
  const span = Math.max((full || high) - Math.min(low, dark), 0);
  return {
    gain, dark, least: full === null ? -Infinity : Math.min(0, dark, low), most: full === null ? Infinity : Math.max(full, high),
    low, top: above(high), start: gain ? 1 : 0, end: gain ? 0 : span, on, off,
  };
}

/**
 * Whether a sample reaches a level at a point of the axis.
 * @param {Path} path
 * @param {number} x
 * @param {number} at
 * @param {number} level
 */
export function reaches({ gain, dark, least, most }, x, at, level) {
  const moved = gain ? dark + at * (x - dark) : dark + (x - dark) + at;
  return (moved < least ? least : moved > most ? most : moved) >= level;
}

/**
 * The smallest number of a range at which a test holds that holds at its end and not at its beginning; and the one before it.
 * @param {number} low
 * @param {number} high
 * @param {(value: number) => boolean} test
 */
function firstTrue(low, high, test) {
  for (;;) {
    const middle = low + (high - low) / 2;
    if (!(middle > low && middle < high)) return { before: low, first: high };
    if (test(middle)) high = middle;
    else low = middle;
  }
}

/**
 * The level at which the light as it was recorded does what the stressed light does at a level.
 * @param {Path} path
 * @param {number} level
 * @param {number} at
 */
export function levelAt(path, level, at) {
  if (reaches(path, path.low, at, level)) return path.low;
  if (!reaches(path, path.top, at, level)) return path.top;
  return firstTrue(path.low, path.top, (x) => reaches(path, x, at, level)).first;
}

/**
 * Where between two points a sample begins to compare otherwise with a level; null where it does not.
 * @param {Path} path
 * @param {number} level
 * @param {number} x
 * @param {number} from
 * @param {number} to
 * @returns {Break|null}
 */
export function breakOf(path, level, x, from, to) {
  const low = Math.min(from, to), high = Math.max(from, to), before = reaches(path, x, low, level);
  if (low === high || before === reaches(path, x, high, level)) return null;
  const found = firstTrue(low, high, (at) => reaches(path, x, at, level) !== before);
  return path.gain ? { near: found.first, far: found.before } : { near: found.before, far: found.first };
}

/**
 * Whether a sample `x` that follows a sample `high` (or comes before it) can be below the off-level at a point of the axis at which
 * `high` reaches the on-level. With different levels in doubt: yes.
 * @param {Path} path
 * @param {number} high
 * @param {number} x
 */
export function mayPart({ gain, dark, on, off }, high, x) {
  if (x >= high) return false;
  if (on === off) return true;
  if (!gain) return x - off < high - on + 1e-9 * (Math.abs(x) + Math.abs(off) + Math.abs(high) + Math.abs(on));
  return !(x > dark) || (x - dark) * (on - dark) < (1 + 1e-9) * (off - dark) * (high - dark);
}
