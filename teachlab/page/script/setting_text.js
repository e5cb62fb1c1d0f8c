/** A setting as the text of its file. */

/**
 * A float as Python prints it, and therefore as the package writes it.
 * @param {number} value finite
 * @returns {string}
 */
export function pythonFloat(value) {
  if (Object.is(value, -0)) return "-0.0";
  const [digits, power] = value.toExponential().split("e");
  const exponent = Number(power);
  if (value === 0 || (exponent >= -4 && exponent < 16)) {
    const text = String(value);
    if (!text.includes("e")) return text.includes(".") ? text : `${text}.0`;
    const places = Math.max(digits.replace("-", "").replace(".", "").length - 1 - exponent, 1);
    return value.toFixed(places);
  }
  return `${digits}e${exponent < 0 ? "-" : "+"}${String(Math.abs(exponent)).padStart(2, "0")}`;
}

/**
 * The text of a setting with another filter and other delays. Its keys stand at the beginning of lines, where no text of
 * a file can stand.
 * @param {string} text
 * @param {{consecutive: number, onDelayMs: number, offDelayMs: number}} memory
 */
export function remembered(text, { consecutive, onDelayMs, offDelayMs }) {
  return text.replace(/^  "consecutive": [^,\n]*/m, () => `  "consecutive": ${consecutive}`)
    .replace(/^  "on_delay_ms": [^,\n]*/m, () => `  "on_delay_ms": ${pythonFloat(onDelayMs)}`)
    .replace(/^  "off_delay_ms": [^,\n]*/m, () => `  "off_delay_ms": ${pythonFloat(offDelayMs)}`);
}

/**
 * The text of a setting with other levels.
 * @param {string[]} template what stands before, between and after the two levels
 * @param {number} on
 * @param {number} off
 */
export function settingText(template, on, off) {
  return template[0] + pythonFloat(on) + template[1] + pythonFloat(off) + template[2];
}
