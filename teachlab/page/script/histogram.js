/**
 * On one axis of levels: errors at every level, and how far passes of every kind and gaps reach.
 *
 * @import {Hand, LevelName} from "./hand.js"
 */
import { cleared, colour, element, fitting, shown, textSize } from "./drawing.js";
import { countsAt, rankOf } from "./tables.js";

const MOST_KINDS = 12;
const BINS = 160;

export class Histogram {
  /** @param {Hand} hand */
  constructor(hand) {
    this.hand = hand;
    const { levels, arrays, facts } = hand;
    this.low = Math.min(levels[0], hand.on, hand.off);
    this.high = Math.max(levels[levels.length - 1], hand.on, hand.off);
    if (this.low === this.high) (this.low -= 1), (this.high += 1);
    this.rows = this.gathered(facts.switching.lightOn ? "high" : "low", arrays);
    this.left = 0;
    this.width = 1;
    const canvas = /** @type {HTMLCanvasElement} */ (element("spread"));
    /** @type {LevelName|null} */
    let held = null;
    const level = (/** @type {PointerEvent} */ event) =>
      this.low + ((event.clientX - canvas.getBoundingClientRect().left - this.left) / this.width) * (this.high - this.low);
    canvas.addEventListener("pointerdown", (event) => {
      const at = level(event);
      held = Math.abs(at - hand.on) < Math.abs(at - hand.off) || (hand.on === hand.off && at > hand.on) ? "on" : "off";
      canvas.setPointerCapture(event.pointerId);
      hand.snap(held, at);
    });
    canvas.addEventListener("pointermove", (event) => held !== null && hand.snap(held, level(event)));
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, () => (held = null));
    new ResizeObserver(() => this.draw()).observe(/** @type {HTMLElement} */ (canvas.parentElement));
    hand.listeners.push(() => this.draw());
  }

  /**
   * Rows of the histogram: a name, and how many reach each bin.
   * @param {string} strongest
   * @param {Record<string, ArrayLike<number>>} arrays
   */
  gathered(strongest, arrays) {
    const { kinds, switching } = this.hand.facts, weakest = strongest === "high" ? "low" : "high";
    const named = kinds.length > MOST_KINDS ? MOST_KINDS - 1 : kinds.length;
    const names = kinds.slice(0, named).map((/** @type {string} */ name) => name || "passes");
    if (kinds.length > named) names.push(`${kinds.length - named} other kinds`);
    const rows = [...names, "gaps"].map((name) => ({
      name, strong: new Float64Array(BINS), weak: new Float64Array(BINS), of: 0 }));
    const bin = (/** @type {number} */ x) =>
      Math.min(BINS - 1, Math.max(0, Math.floor(((x - this.low) / (this.high - this.low)) * BINS)));
    const put = (/** @type {typeof rows[0]} */ row, /** @type {number} */ strong, /** @type {number} */ weak) => {
      if (strong !== strong) return;
      row.of++;
      row.strong[bin(strong)]++;
      row.weak[bin(weak)]++;
    };
    for (let k = 0; k < arrays.kind.length; k++) {
      put(rows[Math.min(arrays.kind[k], names.length - 1)], arrays[`pass_${strongest}`][k], arrays[`pass_${weakest}`][k]);
    }
    const gaps = rows[rows.length - 1];
    for (let k = 0; k < arrays.gap_low.length; k++) put(gaps, arrays[`gap_${strongest}`][k], arrays[`gap_${weakest}`][k]);
    this.strongest = switching.lightOn ? "brightest" : "darkest";
    return rows;
  }

  /** Errors at every counted level with the hysteresis of the hand; at zero hysteresis where only that is counted. */
  errors() {
    const { levels, counted, facts } = this.hand, width = this.hand.on - this.hand.off;
    return Array.from(levels, (level, i) => {
      const j = facts.every_pair ? Math.min(i, rankOf(levels, level - width)) : i;
      const n = countsAt(counted, i, j);
      return n.lost + n.extra + n.false_trips + n.ignore_trips;
    });
  }

  draw() {
    const size = textSize(), line = size * 1.5, row = size * 2.2, curve = size * 7;
    const { pen, width } = cleared("spread", line * 2 + curve + this.rows.length * row + line * 1.5);
    const names = Math.min(width * 0.28, size * 11);
    this.left = names + size * 0.6;
    this.width = Math.max(1, width - this.left - size);
    const x = (/** @type {number} */ level) => this.left + ((level - this.low) / (this.high - this.low)) * this.width;
    const top = line * 2, bottom = top + curve;
    pen.textBaseline = "middle";
    // Errors on a root scale: one error stays visible beside thousands.
    const errors = this.hand.usual ? this.errors() : [], most = Math.max(1, ...errors);
    const y = (/** @type {number} */ n) => bottom - Math.sqrt(n / most) * curve * 0.92;
    pen.fillStyle = colour("quiet");
    pen.textAlign = "right";
    if (errors.length > 0) pen.fillText(shown(most), this.left - size * 0.4, y(most));
    pen.fillText("0", this.left - size * 0.4, bottom);
    pen.fillText("errors", this.left - size * 0.4, (y(most) + bottom) / 2);
    pen.strokeStyle = colour("line");
    pen.strokeRect(this.left, top, this.width, bottom - top);
    if (errors.length === 0) {
      pen.textAlign = "left";
      pen.fillText("not counted with this filter and these delays", this.left + size, (top + bottom) / 2);
    }
    pen.strokeStyle = colour("bad");
    pen.lineWidth = 1.5;
    pen.beginPath();
    errors.forEach((n, i) => {
      const at = x(this.hand.levels[i]);
      // Light between two levels acts as the upper one.
      if (i > 0) pen.lineTo(x(this.hand.levels[i - 1]), y(n));
      pen[i === 0 ? "moveTo" : "lineTo"](at, y(n));
    });
    pen.stroke();
    this.rows.forEach((one, k) => {
      const foot = bottom + line * 0.4 + (k + 1) * row;
      pen.fillStyle = colour("ink");
      pen.textAlign = "right";
      pen.fillText(fitting(pen, one.name, names), this.left - size * 0.4, foot - row * 0.4);
      const each = this.width / BINS;
      for (const [values, full] of /** @type {[Float64Array, boolean][]} */ ([[one.weak, false], [one.strong, true]])) {
        const top = Math.max(1, ...values);
        pen.fillStyle = pen.strokeStyle = colour(full ? "light" : "quiet");
        pen.lineWidth = 1;
        for (let b = 0; b < BINS; b++) {
          if (values[b] === 0) continue;
          const high = Math.max(2, Math.sqrt(values[b] / top) * row * 0.85);
          if (full) pen.fillRect(this.left + b * each, foot - high, Math.max(1, each - 0.5), high);
          else pen.strokeRect(this.left + b * each + 0.5, foot - high * 0.5, Math.max(1, each - 1), high * 0.5);
        }
      }
      pen.strokeStyle = colour("line");
      pen.beginPath();
      pen.moveTo(this.left, foot);
      pen.lineTo(this.left + this.width, foot);
      pen.stroke();
    });
    this.axis(pen, x, bottom + line * 0.4 + this.rows.length * row, line);
  }

  /**
   * Both levels through all rows, and the ends of the axis.
   * @param {CanvasRenderingContext2D} pen
   * @param {(level: number) => number} x
   * @param {number} foot
   * @param {number} line
   */
  axis(pen, x, foot, line) {
    const { hand } = this;
    pen.fillStyle = colour("quiet");
    pen.textAlign = "left";
    pen.fillText(shown(this.low), this.left, foot + line * 0.6);
    pen.textAlign = "right";
    pen.fillText(`${shown(this.high)} ${Array.from(hand.facts.unit).slice(0, 24).join("")}`, this.left + this.width, foot + line * 0.6);
    /** @type {LevelName[]} */ (["on", "off"]).forEach((name, k) => {
      const at = x(hand[name]), right = at > this.left + this.width / 2;
      pen.strokeStyle = pen.fillStyle = colour(name);
      pen.lineWidth = 2;
      pen.setLineDash(name === "on" ? [] : [6, 4]);
      pen.beginPath();
      pen.moveTo(at, line * k);
      pen.lineTo(at, foot);
      pen.stroke();
      pen.textAlign = right ? "right" : "left";
      pen.fillText(`${name} ${shown(hand[name])}`, at + (right ? -4 : 4), line * (k + 0.5));
    });
    pen.setLineDash([]);
  }
}
