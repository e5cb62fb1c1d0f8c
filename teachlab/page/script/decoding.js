/**
 * Arrays of the page: base64 of gzip of byte planes, some as differences.
 *
 * @typedef {Uint8Array|Int8Array|Uint16Array|Int16Array|Uint32Array|Int32Array|Float32Array|Float64Array} Numbers
 * @typedef {{dtype: string, shape: number[], differences: number}} ArrayFacts
 */

/** @type {Record<string, new (buffer: ArrayBuffer) => Numbers>} */
const KINDS = {
  u1: Uint8Array, i1: Int8Array, u2: Uint16Array, i2: Int16Array, u4: Uint32Array, i4: Int32Array,
  f4: Float32Array, f8: Float64Array,
};

/**
 * Bytes of a gzip stream in base64.
 * @param {string} text
 * @returns {Promise<Uint8Array>}
 */
async function inflated(text) {
  const packed = Uint8Array.from(atob(text.trim()), (c) => c.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

/**
 * Undo byte planes and differences.
 * @param {Uint8Array} planes
 * @param {ArrayFacts} facts
 * @returns {Numbers}
 */
export function unfolded(planes, facts) {
  const width = Number(facts.dtype[1]);
  const count = facts.shape.reduce((a, b) => a * b, 1);
  const bytes = new Uint8Array(planes.length);
  for (let plane = 0; plane < width; plane++) {
    for (let k = 0, from = plane * count, to = plane; k < count; k++, to += width) bytes[to] = planes[from + k];
  }
  const out = new KINDS[facts.dtype](bytes.buffer);
  // Sums wrap as the differences did: typed arrays keep the low bits.
  if (facts.differences >= 1) {
    const row = facts.shape[facts.shape.length - 1];
    for (let begin = 0; begin < count; begin += row) {
      for (let k = begin + 1; k < begin + row; k++) out[k] += out[k - 1];
    }
    if (facts.differences === 2) for (let k = row; k < count; k++) out[k] += out[k - row];
  }
  return out;
}

/**
 * Every array of the page by name.
 * @param {Record<string, ArrayFacts>} described
 * @param {(name: string) => string} textOf
 * @returns {Promise<Record<string, Numbers>>}
 */
export async function decoded(described, textOf) {
  const names = Object.keys(described);
  const planes = await Promise.all(names.map((name) => inflated(textOf(name))));
  return Object.fromEntries(names.map((name, k) => [name, unfolded(planes[k], described[name])]));
}
