/**
 * On one axis of levels: errors at every level, and how far passes of every kind and gaps reach.
 *
 * @import {Hand, LevelName} from "./hand.js"
 */
import { cleared, colour, eachFrame, element, fitting, font, levelText } from "./drawing.js";
import { nameOf, shown, textSize, threeTexts, whileHeld } from "./drawing.js";
import { errorsAt, errorsOf, rankOf } from "./tables.js";

const MOST_KINDS = 12;
const BINS = 160;

export class Histogram {
  /** @param {Hand} hand */
  constructor(hand) {
    this.hand = hand;
    const { levels } = hand;
    this.low = Math.min(levels[0], hand.on, hand.off);
    this.high = Math.max(levels[levels.length - 1], hand.on, hand.off);
    if (this.low === this.high) (this.low -= 1), (this.high += 1);
    this.passes = hand.passes;
    this.lightOn = hand.lightOn;
    this.rows = this.gathered();
    this.left = 0;
    this.width = 1;
    const canvas = /** @type {HTMLCanvasElement} */ (element("spread"));
    /** @type {LevelName} */
    let name = "on";
    const level = (/** @type {PointerEvent} */ event) =>
      this.low + ((event.clientX - canvas.getBoundingClientRect().left - this.left) / this.width) * (this.high - this.low);
    whileHeld(canvas, (event) => hand.snap(name, level(event)), (event) => {
      const at = level(event);
      name = Math.abs(at - hand.on) < Math.abs(at - hand.off) || (hand.on === hand.off && at > hand.on) ? "on" : "off";
    });
    new ResizeObserver(() => this.draw()).observe(/** @type {HTMLElement} */ (canvas.parentElement));
    hand.listeners.push(eachFrame(() => this.draw()));
  }

  /** Rows of the histogram: a name, and how many reach each bin. What the bars mean turns with the polarity. */
  gathered() {
    const [most, least] = this.hand.lightOn ? ["brightest", "darkest"] : ["darkest", "brightest"];
    element("spread-bars").textContent = `Full bars: the ${most} light of each pass or gap. Outlined: its ${least}.`;
    const { facts: { kinds }, passes, arrays, lightOn } = this.hand;
    const [strongest, weakest] = lightOn ? [passes.high, passes.low] : [passes.low, passes.high];
    const [gapStrongest, gapWeakest] = lightOn ? [arrays.gap_high, arrays.gap_low] : [arrays.gap_low, arrays.gap_high];
    const named = kinds.length > MOST_KINDS ? MOST_KINDS - 1 : kinds.length;
    const names = kinds.slice(0, named).map((/** @type {string} */ name) => (kinds.length > 1 ? nameOf(name) : name || "passes"));
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
    for (let k = 0; k < passes.kind.length; k++) put(rows[Math.min(passes.kind[k], names.length - 1)], strongest[k], weakest[k]);
    const gaps = rows[rows.length - 1];
    for (let k = 0; k < gapStrongest.length; k++) put(gaps, gapStrongest[k], gapWeakest[k]);
    return rows;
  }

  /**
   * Errors along levels: of all pairs those with the hysteresis of the hand, else of the rows that were counted, else of
   * pairs without hysteresis.
   * @returns {{level: LevelName, at: number[], errors: number[]}[]}
   */
  curves() {
    const { levels, counted, facts, known, moves: rows } = this.hand, width = this.hand.on - this.hand.off;
    if (rows.length > 0) {
      return rows.map((moves) => {
        /** @type {LevelName} */
        const level = moves === "off" ? "off" : "on", row = this.hand.chain(moves);
        return { level, at: row.map((one) => one[level]),
          errors: row.map(({ counts }) => errorsOf(counts)) };
      });
    }
    if (counted === null || !known) return [];
    const errors = Array.from(levels, (level, i) =>
      errorsAt(counted, i, facts.every_pair ? Math.min(i, rankOf(levels, level - width)) : i));
    return [{ level: "on", at: Array.from(levels), errors }];
  }

  /**
   * Room for the names of the rows beside them; null where one does not fit: then each stands above its row.
   * @param {number} size
   */
  names(size) {
    const canvas = /** @type {HTMLCanvasElement} */ (element("spread"));
    const room = Math.min(canvas.clientWidth * 0.28, size * 11);
    const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    pen.font = font();
    return this.rows.some(({ name }) => pen.measureText(name).width > room) ? null : room;
  }

  draw() {
    const { passes, lightOn } = this.hand;
    if (this.passes !== passes || this.lightOn !== lightOn) {
      (this.passes = passes), (this.lightOn = lightOn), (this.rows = this.gathered());
    }
    const size = textSize(), line = size * 1.5, tall = size * 2.2, curve = size * 7;
    // Errors on a root scale: one error stays visible beside thousands.
    const curves = this.curves(), most = Math.max(1, ...curves.map(({ errors }) => errors.reduce((a, b) => Math.max(a, b), 0)));
    const beside = this.names(size), row = beside === null ? tall + line * 0.8 : tall;
    const { pen, width } = cleared("spread", line * 2 + curve + this.rows.length * row + line * 1.5);
    const names = beside ?? Math.max(...["errors", shown(most)].map((text) => pen.measureText(text).width));
    this.left = names + size * 0.6;
    this.width = Math.max(1, width - this.left - size);
    const x = (/** @type {number} */ level) => this.left + ((level - this.low) / (this.high - this.low)) * this.width;
    const top = line * 2, bottom = top + curve;
    pen.textBaseline = "middle";
    const y = (/** @type {number} */ n) => bottom - Math.sqrt(n / most) * curve * 0.92;
    pen.fillStyle = colour("quiet");
    pen.textAlign = "right";
    if (curves.length > 0) pen.fillText(shown(most), this.left - size * 0.4, y(most));
    pen.fillText("0", this.left - size * 0.4, bottom);
    pen.fillText("errors", this.left - size * 0.4, (y(most) + bottom) / 2);
    pen.strokeStyle = colour("line");
    pen.strokeRect(this.left, top, this.width, bottom - top);
    if (curves.length === 0) {
      pen.textAlign = "left";
      pen.fillText(this.hand.known ? "not counted for this kind of setting" : this.hand.corrected ? "not counted for corrected passes"
        : "not counted with this filter, delays and polarity", this.left + size, (top + bottom) / 2);
    }
    pen.lineWidth = 1.5;
    for (const { level, at, errors } of curves) {
      pen.strokeStyle = colour(curves.length > 1 ? level : "bad");
      pen.setLineDash(level === "on" ? [] : [6, 4]);
      pen.beginPath();
      errors.forEach((n, i) => {
        // Light between two levels acts as the upper one.
        if (i > 0) pen.lineTo(x(at[i - 1]), y(n));
        pen[i === 0 ? "moveTo" : "lineTo"](x(at[i]), y(n));
      });
      pen.stroke();
    }
    pen.setLineDash([]);
    this.rows.forEach((one, k) => {
      const foot = bottom + line * 0.4 + (k + 1) * row;
      pen.fillStyle = colour("ink");
      pen.textAlign = beside === null ? "left" : "right";
      if (beside === null) pen.fillText(fitting(pen, one.name, this.width), this.left, foot - tall - line * 0.3);
      else pen.fillText(fitting(pen, one.name, names), this.left - size * 0.4, foot - tall * 0.4);
      const each = this.width / BINS;
      for (const [values, full] of /** @type {[Float64Array, boolean][]} */ ([[one.weak, false], [one.strong, true]])) {
        const tallest = Math.max(1, ...values);
        pen.fillStyle = pen.strokeStyle = colour(full ? "light" : "quiet");
        pen.lineWidth = 1;
        for (let b = 0; b < BINS; b++) {
          if (values[b] === 0) continue;
          const high = Math.max(2, Math.sqrt(values[b] / tallest) * tall * 0.85);
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
    const { hand } = this, told = (/** @type {number} */ level) => levelText(level, hand.facts.step);
    pen.fillStyle = colour("quiet");
    const unit = Array.from(hand.facts.unit).slice(0, 24).join("");
    threeTexts(pen, [told(this.low), unit, told(this.high)], this.left, this.width, foot + line * 0.6);
    /** @type {LevelName[]} */ (["on", "off"]).forEach((name, k) => {
      const at = x(hand[name]), text = `${hand.words[name]} ${told(hand[name])}`;
      // The name of the off-level stands away from the line of the on-level, where there is room.
      const right = name === "off" ? at - 4 > pen.measureText(text).width : at > this.left + this.width / 2;
      pen.strokeStyle = pen.fillStyle = colour(name);
      pen.lineWidth = 2;
      pen.setLineDash(name === "on" ? [] : [6, 4]);
      pen.beginPath();
      pen.moveTo(at, line * k);
      pen.lineTo(at, foot);
      pen.stroke();
      pen.textAlign = right ? "right" : "left";
      pen.fillText(text, at + (right ? -4 : 4), line * (k + 0.5));
    });
    pen.setLineDash([]);
  }
}
