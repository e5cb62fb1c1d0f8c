/**
 * All passes as small tiles: errors first, then the closest to the level.
 *
 * @import {Hand} from "./hand.js"
 */
import { cleared, colour, eachFrame, element, moment, nameOf, rowOf, shown } from "./drawing.js";
import { EXCLUDED, HIT, MERGED, MISS, QUIET, TRIPPED } from "./scoring.js";

const HEIGHT = 96;
const ROWS = 60;
const WORDS = ["hit", "missed", "merged", "no trial", "quiet", "trip", "held", "touches, no error"];

export class Strip {
  /**
   * @param {Hand} hand
   * @param {(row: number) => void} visit
   */
  constructor(hand, visit) {
    this.hand = hand;
    /** @type {number[]} */
    this.order = [];
    this.size = 12;
    this.across = 1;
    const canvas = /** @type {HTMLCanvasElement} */ (element("strip"));
    canvas.addEventListener("click", (event) => {
      const box = canvas.getBoundingClientRect();
      const column = Math.floor((event.clientX - box.left) / this.size);
      const k = Math.floor((event.clientY - box.top) / this.size) * this.across + column;
      if (column < this.across && k < this.order.length) visit(this.order[k]);
    });
    new ResizeObserver(() => this.draw()).observe(/** @type {HTMLElement} */ (canvas.parentElement));
    const draw = eachFrame(() => this.draw());
    /** @type {number|undefined} */
    let waiting;
    hand.listeners.push(() => {
      clearTimeout(waiting);
      // Very many passes are sorted when the hand rests.
      waiting = setTimeout(draw, hand.passes.start.length > 4000 ? 120 : 0);
    });
  }

  /** How far a pass reaches beyond the level that activates: below 0 it does not. */
  clearances() {
    const { lightOn, on, off, setting: { kind }, passes: { high, low } } = this.hand;
    // A window activates beyond either threshold.
    if (kind === "window" && lightOn) return Float64Array.from(high, (_, k) => Math.max(high[k] - on, off - low[k]));
    return Float64Array.from(high, (_, k) => (lightOn ? high[k] - on : off - low[k]));
  }

  draw() {
    const { passes, now } = this.hand, n = passes.start.length, found = now.scored;
    const width = element("strip").clientWidth;
    this.size = Math.max(5, Math.min(16, Math.floor(Math.sqrt((width * HEIGHT) / Math.max(n, 1)))));
    this.across = Math.max(1, Math.floor(width / this.size));
    const room = this.across * Math.floor(HEIGHT / this.size);
    const clear = this.clearances();
    const key = Float64Array.from(clear, (c, k) => {
      const o = found === null ? HIT : found.passes[k];
      const wrong = o === MISS || o === MERGED || o === TRIPPED || (found !== null && found.again[k] === 1);
      return wrong ? -1 : o === EXCLUDED || o === QUIET ? Infinity : c === c ? Math.abs(c) : Infinity;
    });
    const limit = n > room ? Float64Array.from(key).sort()[room - 1] : Infinity;
    /** @type {number[]} */
    const order = [];
    for (let k = 0; k < n; k++) if (key[k] <= limit) order.push(k);
    this.order = order.sort((a, b) => key[a] - key[b] || a - b).slice(0, room);
    const { pen } = cleared("strip", Math.max(this.size, Math.ceil(this.order.length / this.across) * this.size));
    this.order.forEach((row, k) => {
      const x = (k % this.across) * this.size, y = Math.floor(k / this.across) * this.size;
      this.tile(pen, x, y, this.size - 1, found === null ? QUIET : found.passes[row], found !== null && found.again[row] === 1);
    });
    const wrong = this.order.filter((row) => key[row] < 0).length;
    const left = n - this.order.length;
    element("strip-note").textContent = found === null && this.hand.light === null && this.hand.server === null
      ? "Which passes are lost is known only at the levels of the start: the light is not in this page."
      : `A cross is missed, two bars merged, a triangle a trip on a pass to be ignored, a ring counted more than once, a dash no `
        + `trial. A click shows the pass.${left > 0 ? ` ${shown(left)} more are farther from the level.` : ""}`;
    element("strip").setAttribute("aria-label", `All passes: ${wrong} with errors come first`);
    this.table(clear);
  }

  /**
   * One pass: shape tells what colour tells.
   * @param {CanvasRenderingContext2D} pen
   * @param {number} x
   * @param {number} y
   * @param {number} size
   * @param {number} outcome
   * @param {boolean} again
   */
  tile(pen, x, y, size, outcome, again) {
    const wrong = outcome === MISS || outcome === MERGED || outcome === TRIPPED || again;
    pen.fillStyle = colour(wrong ? "panel" : outcome === HIT ? "good" : "panel");
    pen.fillRect(x, y, size, size);
    pen.strokeStyle = pen.fillStyle = colour(outcome === TRIPPED ? "trip" : wrong ? "bad" : "line");
    pen.lineWidth = wrong ? 1.5 : 0.5;
    pen.strokeRect(x + 0.5, y + 0.5, size - 1, size - 1);
    const a = size * 0.25, b = size * 0.75, m = size / 2;
    pen.beginPath();
    if (outcome === MISS) pen.moveTo(x + a, y + a), pen.lineTo(x + b, y + b), pen.moveTo(x + b, y + a), pen.lineTo(x + a, y + b);
    if (outcome === MERGED) pen.moveTo(x + a, y + a), pen.lineTo(x + a, y + b), pen.moveTo(x + b, y + a), pen.lineTo(x + b, y + b);
    if (outcome === TRIPPED) pen.moveTo(x + m, y + a), pen.lineTo(x + b, y + b), pen.lineTo(x + a, y + b), pen.closePath();
    if (outcome === EXCLUDED) pen.moveTo(x + a, y + m), pen.lineTo(x + b, y + m);
    if (again) pen.arc(x + m, y + m, size * 0.28, 0, 7);
    pen.stroke();
  }

  /**
   * The first of them as a table.
   * @param {Float64Array} clear
   */
  table(clear) {
    const { facts, passes, now } = this.hand;
    const body = /** @type {HTMLElement} */ (element("first-passes").querySelector("tbody"));
    body.replaceChildren(...this.order.slice(0, ROWS).map((row) => {
      const what = now.scored === null ? "not counted" : now.scored.again[row] ? "counted more than once" : WORDS[now.scored.passes[row]];
      const kind = facts.kinds[passes.kind[row]];
      return rowOf(what, [shown(row), kind ? nameOf(kind) : "–", moment(facts, passes.start[row] / facts.sample_rate_hz),
        clear[row] === clear[row] ? shown(clear[row]) : "–"]);
    }));
  }
}
