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
  return inFigures(value, 6);
}

/**
 * A number with its noun.
 * @param {number} n
 * @param {string} one
 * @param {string} [more]
 */
export function numberOf(n, one, more = `${one}s`) {
  return `${shown(n)} ${n === 1 ? one : more}`;
}

/**
 * A number with so many significant digits, as `in_figures` of the package writes it: without signs of programmers.
 * @param {number} value finite
 * @param {number} digits
 */
export function inFigures(value, digits) {
  const longer = value.toExponential(digits), [, last] = longer.split(/(?=[0-9]e)/);
  // Where a value lies exactly between two, the package takes the even one.
  const tie = last[0] === "5" && Number(longer) === value && Number.isInteger(value * 2 ** 20) && /[02468]\.?5e/.test(longer);
  const [mantissa, power] = (tie ? longer.replace(/\.?5e/, "e") : value.toExponential(digits - 1)).split("e");
  const figures = mantissa.replace(/[-.]/g, "").replace(/0+$/, ""), sign = value < 0 ? "-" : "", exponent = Number(power);
  if (figures === "") return "0";
  if (exponent < -7 || exponent >= 15) {
    const head = figures.length > 1 ? `${figures[0]}.${figures.slice(1)}` : figures;
    return `${sign}${head === "1" ? "" : `${head}·`}10^${exponent}`;
  }
  if (exponent < 0) return `${sign}0.${"0".repeat(-exponent - 1)}${figures}`;
  const whole = figures.slice(0, exponent + 1).padEnd(exponent + 1, "0"), rest = figures.slice(exponent + 1);
  return `${sign}${whole}${rest && `.${rest}`}`;
}

/**
 * A number cut towards 0 to so many digits, as `cut` of the package does.
 * @param {number} value finite
 * @param {number} digits
 */
export function cutTo(value, digits) {
  const told = Number(value.toPrecision(digits));
  if (Math.abs(told) <= Math.abs(value)) return told;
  const place = Math.floor(Math.log10(Math.abs(value))) - digits + 1;
  return Number((told - Math.sign(value) * 10 ** place).toPrecision(digits));
}

/**
 * A level to the smallest step of the light, as `level_text` of the package writes it.
 * @param {number} level
 * @param {number|null} step null: none is visible
 */
export function levelText(level, step) {
  if (step === null || Math.abs(level) >= step * 2 ** 53) {
    return Math.abs(level) < 1e9 && Number.isInteger(level) ? String(level) : inFigures(level, 5);
  }
  const digits = Math.max(0, -Math.floor(Math.log10(step * (1 + 1e-6)))), unit = 10 ** digits;
  const told = Number(level.toFixed(digits)) === level ? level : Math.floor(Math.ceil(level / step - 1e-6) * step * unit + 1e-6) / unit;
  return told.toFixed(digits);
}

/** Size of drawn letters, in those of the page. */
const TEXT = 0.78;

/**
 * A canvas ready to be drawn on, in CSS pixels.
 * @param {string} id
 * @param {number} height
 */
export function cleared(id, height) {
  const canvas = /** @type {HTMLCanvasElement} */ (element(id));
  const width = canvas.clientWidth, scale = devicePixelRatio || 1;
  // In letters, not in pixels: paper, with its smaller letters, is divided into sheets before anything is drawn for it.
  canvas.style.height = `${(TEXT * height) / textSize()}rem`;
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.scale(scale, scale);
  pen.font = font();
  return { canvas, pen, width };
}

/** Every drawing that follows the hand. @type {(() => void)[]} */
const drawings = [];

/** Make all drawings at once: paper does not wait for the next frame. */
export function drawAll() {
  for (const draw of drawings) draw();
}

/**
 * Take hold of something by mouse, pen or finger, and follow until it is let go.
 * @param {HTMLElement} target
 * @param {(event: PointerEvent) => void} follow
 * @param {(event: PointerEvent) => void} [begin] what comes before, when it is taken
 */
export function whileHeld(target, follow, begin = () => {}) {
  let held = false;
  target.addEventListener("pointerdown", (event) => {
    held = true;
    target.setPointerCapture(event.pointerId);
    begin(event);
    follow(event);
  });
  target.addEventListener("pointermove", (event) => held && follow(event));
  for (const end of ["pointerup", "pointercancel"]) target.addEventListener(end, () => (held = false));
}

/**
 * A drawing that is made at most once a frame, however often it is asked for.
 * @param {() => void} draw
 */
export function eachFrame(draw) {
  let waiting = false;
  drawings.push(draw);
  return () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      draw();
    });
  };
}

/** Text of canvases grows with that of the page. */
export function textSize() {
  return TEXT * parseFloat(getComputedStyle(document.documentElement).fontSize);
}

/** In whole pixels: the plot library takes the digits before "px" as the size, and on fine screens "12.48px" would stay small. */
export function font() {
  return `${Math.round(textSize())}px system-ui, sans-serif`;
}

/**
 * One line of text: an end on either side, and a middle; where they do not fit beside each other, the middle alone.
 * @param {CanvasRenderingContext2D} pen
 * @param {[string, string, string]} texts
 * @param {number} left
 * @param {number} width
 * @param {number} y
 */
export function threeTexts(pen, [first, middle, last], left, width, y) {
  const fits = pen.measureText(`${first}  ${middle}  ${last}`).width < width;
  pen.textAlign = "center";
  pen.fillText(fitting(pen, middle, width), left + width / 2, y);
  if (!fits) return;
  pen.textAlign = "left";
  pen.fillText(first, left, y);
  pen.textAlign = "right";
  pen.fillText(last, left + width, y);
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

/** Text longer than that is cut where it stands, and shown in full where the mouse rests on it. */
const LONG_NAME = 40;

/**
 * Text in its place; all of it can be read, however long it is.
 * @param {HTMLElement} place
 * @param {string} text
 */
export function fill(place, text) {
  place.textContent = text;
  if (Array.from(text).length <= LONG_NAME) return;
  const whole = document.createElement("span");
  (whole.className = "long"), (whole.textContent = whole.title = text);
  place.replaceChildren(whole);
}

/**
 * The name of a kind or lot for people: one of spaces alone is put in quotation marks.
 * @param {string} name
 */
export function nameOf(name) {
  return name === "" ? "without a name" : name.trim() === "" ? `"${name}"` : name;
}

/**
 * One row of a table: its head, and cells as text.
 * @param {string} name
 * @param {string[]} texts
 */
export function rowOf(name, texts) {
  const line = document.createElement("tr"), head = document.createElement("th");
  head.scope = "row";
  fill(head, name);
  line.append(head, ...texts.map((text, k) => {
    const cell = document.createElement("td");
    fill(cell, text);
    if (k === 0) cell.className = "now";
    return cell;
  }));
  return line;
}

/** @param {string} text what happened, or what to do */
export function say(text) {
  element("said").textContent = text;
}

/** Recordings from this length on, seconds, are read in hours and minutes. */
const LONG_S = 600;

/** Steps of an axis that is read in hours and minutes, seconds. */
const CLOCK_STEPS = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600,
  7200, 10800, 21600, 43200, ...[1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000].map((days) => 86400 * days)];

/**
 * Numbers at an axis, written as everywhere on the page and not as the language of the browser would.
 * @param {any} _u
 * @param {number[]} at
 */
export function plainTicks(_u, at) {
  return at.map((value) => inFigures(value, 12));
}

/**
 * What an axis of time says: time of day, hours and minutes from the start, or, for short recordings, seconds.
 * @param {any} facts
 */
export function timeAxis(facts) {
  if (facts.began === null && facts.samples / facts.sample_rate_hz < LONG_S) return { label: "s from the start", values: plainTicks };
  const values = (/** @type {any} */ _u, /** @type {number[]} */ at) =>
    at.map((seconds) => moment(facts, seconds, at.length > 1 ? at[1] - at[0] : 1));
  const label = facts.began === null ? "time from the start" : "time of day";
  return { label, values, space: 110, incrs: CLOCK_STEPS };
}

/**
 * When a moment of the recording was: time of day where the recording knows it, else from the start, as in the terminal.
 * @param {any} facts
 * @param {number} seconds
 * @param {number} [step] what is told apart, seconds
 */
export function moment(facts, seconds, step = 0.001) {
  const whole = facts.samples / facts.sample_rate_hz;
  const places = Number.isInteger(step) ? 0 : 3;
  if (facts.began === null) {
    if (whole < LONG_S) return `${shown(Number(seconds.toPrecision(7)))} s`;
    const told = Math.floor(seconds * 10 ** places + 1e-6) / 10 ** places;
    const two = (/** @type {number} */ value, /** @type {number} */ digits) => value.toFixed(digits).padStart(digits ? 3 + digits : 2, "0");
    return `${Math.floor(told / 3600)}:${two(Math.floor(told / 60) % 60, 0)}:${two(told % 60, places)}`;
  }
  // Read and shown as one and the same zone: the clock of the line.
  const at = new Date(Date.parse(`${facts.began.slice(0, 23)}Z`) + 1000 * seconds).toISOString();
  return (whole >= 86400 ? `${at.slice(0, 10)} ` : "") + at.slice(11, places === 0 ? 19 : 23);
}

/**
 * Offer a text as a file.
 * @param {string} name
 * @param {string} text
 * @param {string} type
 */
export function download(name, text, type) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}
