/** Colours, numbers and text on canvases. */

/** @param {string} name of a colour in the style sheet */
export function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

/** @param {string} id */
export function element(id) {
  return /** @type {HTMLElement} */ (document.getElementById(id));
}

/**
 * A number for people: at most six digits, whole ones as they are, thousands apart.
 * @param {number} value
 */
export function shown(value) {
  if (!Number.isFinite(value)) return value > 0 ? "∞" : "−∞";
  if (Number.isInteger(value) && Math.abs(value) < 1e9) return value.toLocaleString("en-GB");
  return String(Number(value.toPrecision(6)));
}

/**
 * A canvas ready to be drawn on, in CSS pixels.
 * @param {string} id
 * @param {number} height
 */
export function cleared(id, height) {
  const canvas = /** @type {HTMLCanvasElement} */ (element(id));
  const width = canvas.clientWidth, scale = devicePixelRatio || 1;
  canvas.style.height = `${height}px`;
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.scale(scale, scale);
  pen.font = font();
  return { canvas, pen, width };
}

/** Text of canvases grows with that of the page. */
export function textSize() {
  return 0.78 * parseFloat(getComputedStyle(document.documentElement).fontSize);
}

export function font() {
  return `${textSize()}px system-ui, sans-serif`;
}

/**
 * Text cut to a width.
 * @param {CanvasRenderingContext2D} pen
 * @param {string} text
 * @param {number} width
 */
export function fitting(pen, text, width) {
  if (pen.measureText(text).width <= width) return text;
  let cut = Array.from(text).slice(0, 80);
  while (cut.length > 1 && pen.measureText(`${cut.join("")}…`).width > width) cut = cut.slice(0, -1);
  return `${cut.join("")}…`;
}
