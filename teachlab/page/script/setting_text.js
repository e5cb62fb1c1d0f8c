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

/** Keys of a setting that the page changes: a whole number and a word, and others. */
const WHOLE = ["consecutive", "polarity"], OTHERS = ["on_level", "off_level", "low_release", "high_release", "on_delay_ms", "off_delay_ms"];

/**
 * The text of a setting with what the hand changed. Its keys stand at the beginning of lines, where no text of a file can
 * stand.
 * @param {string} text of the file of a setting of the same kind
 * @param {Record<string, any>} setting
 */
export function settingText(text, setting) {
  let out = text;
  for (const key of [...WHOLE, ...OTHERS].filter((name) => name in setting)) {
    const value = OTHERS.includes(key) ? pythonFloat(setting[key]) : JSON.stringify(setting[key]);
    out = out.replace(new RegExp(`^ {2}"${key}": [^,\\n]*`, "m"), () => `  "${key}": ${value}`);
  }
  return out;
}
