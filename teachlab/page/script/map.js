/**
 * Errors of every pair of levels as a map, the on-level across; the hand, the best pair and where a strategy lands are points on it.
 *
 * @import {Hand} from "./hand.js"
 * @import {Counted} from "./tables.js"
 */
import { cleared, colour, eachFrame, element, levelText, textSize, threeTexts, whileHeld } from "./drawing.js";
import { errorsAt, rankOf } from "./tables.js";

/** Cells of the picture along one axis. */
const CELLS = 180;

export class SurfaceMap {
  /**
   * @param {Hand} hand
   * @param {Counted} counted
   */
  constructor(hand, counted) {
    this.hand = hand;
    this.counted = counted;
    const { levels } = hand;
    this.low = Math.min(levels[0], hand.off);
    this.high = Math.max(levels[levels.length - 1], hand.on);
    if (this.low === this.high) this.high += 1;
    this.errors = this.gathered();
    /** @type {{colours: string, canvas: HTMLCanvasElement}|null} */
    this.drawn = null;
    // As many errors as passes is full: an output that never switches makes no more.
    this.most = Math.max(1, Math.min(this.errors.reduce((a, b) => Math.max(a, b), 1), hand.facts.trials.detect || Infinity));
    const canvas = element("map");
    const follow = (/** @type {PointerEvent} */ event) => {
      const box = canvas.getBoundingClientRect(), { left, side, top } = this.frame();
      const span = this.high - this.low;
      const on = this.low + ((event.clientX - box.left - left) / side) * span;
      const off = this.high - ((event.clientY - box.top - top) / side) * span;
      const at = (/** @type {number} */ level) => levels[Math.min(rankOf(levels, level), levels.length - 1)];
      hand.take(at(on), Math.min(at(off), at(on)));
    };
    whileHeld(canvas, follow);
    new ResizeObserver(() => this.draw()).observe(/** @type {HTMLElement} */ (canvas.parentElement));
    hand.listeners.push(eachFrame(() => this.draw()));
  }

  /** Errors at the middle of every cell of the picture, as the pair of levels there acts; −1 where the off-level is above the on-level. */
  gathered() {
    const { hand: { levels }, counted } = this, span = this.high - this.low;
    const ranks = Array.from({ length: CELLS }, (_, c) =>
      Math.min(rankOf(levels, this.low + ((c + 0.5) / CELLS) * span), levels.length - 1));
    const out = new Int32Array(CELLS * CELLS).fill(-1);
    for (let y = 0; y < CELLS; y++) {
      for (let x = 0; x <= y; x++) {
        out[y * CELLS + x] = errorsAt(counted, ranks[y], ranks[x]);
      }
    }
    return out;
  }

  frame() {
    const size = textSize(), width = element("map").clientWidth, left = size * 5;
    return { left, top: size, side: Math.max(60, Math.min(width - left - size, 420)) };
  }

  draw() {
    const size = textSize(), { left, top, side } = this.frame();
    const { pen } = cleared("map", top + side + size * 3);
    const span = this.high - this.low, told = (/** @type {number} */ level) => levelText(level, this.hand.facts.step);
    const place = (/** @type {number} */ on, /** @type {number} */ off) => /** @type {[number, number]} */ (
      [left + ((on - this.low) / span) * side, top + side - ((off - this.low) / span) * side]);
    if (this.hand.known) {
      pen.imageSmoothingEnabled = false;
      pen.drawImage(this.picture(), left, top, side, side);
    } else {
      pen.fillStyle = colour("quiet");
      const why = this.hand.corrected ? "for corrected passes" : "with this filter, delays and polarity";
      pen.fillText(`not counted ${why}`, left + size, top + side * 0.9);
    }
    pen.strokeStyle = colour("line");
    pen.strokeRect(left, top, side, side);
    const { cloud, best, setting: { on_level: beginOn, off_level: beginOff } } = this.hand.facts;
    pen.strokeStyle = colour("trip");
    pen.lineWidth = 1;
    for (let k = 0; cloud !== null && k < cloud.on.length; k++) {
      const [x, y] = place(cloud.on[k], cloud.off[k]);
      pen.strokeRect(x - 2, y - 2, 4, 4);
    }
    this.point(pen, place(best.on, best.off), "ink", "ring");
    this.point(pen, place(beginOn, beginOff), "off", "square");
    this.point(pen, place(this.hand.on, this.hand.off), "on", "cross");
    pen.fillStyle = colour("quiet");
    pen.textBaseline = "top";
    threeTexts(pen, [told(this.low), "on-level", told(this.high)], left, side, top + side + 4);
    pen.textAlign = "right";
    pen.fillText("off-level", left - 6, top + side / 2);
    pen.fillText(told(this.high), left - 6, top);
  }

  /** All cells, one pixel each: made once, and again where colours change. */
  picture() {
    const none = colour("good"), some = colour("light");
    if (this.drawn?.colours === none + some) return this.drawn.canvas;
    const canvas = document.createElement("canvas"), pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    canvas.width = canvas.height = CELLS;
    // The fuller the more errors: one hue, so that it survives grey print.
    for (let y = 0; y < CELLS; y++) {
      for (let x = 0; x <= y; x++) {
        const n = this.errors[y * CELLS + x];
        pen.globalAlpha = n === 0 ? 1 : 0.12 + 0.88 * Math.sqrt(Math.min(n / this.most, 1));
        pen.fillStyle = n === 0 ? none : some;
        pen.fillRect(y, CELLS - 1 - x, 1, 1);
      }
    }
    this.drawn = { colours: none + some, canvas };
    return canvas;
  }

  /**
   * @param {CanvasRenderingContext2D} pen
   * @param {[number, number]} at
   * @param {string} ink
   * @param {"ring"|"square"|"cross"} shape
   */
  point(pen, [x, y], ink, shape) {
    for (const [stroke, width] of /** @type {[string, number][]} */ ([[colour("paper"), 5], [colour(ink), 2]])) {
      pen.strokeStyle = stroke;
      pen.lineWidth = width;
      pen.beginPath();
      if (shape === "ring") pen.arc(x, y, 7, 0, 7);
      if (shape === "square") pen.rect(x - 5, y - 5, 10, 10);
      if (shape === "cross") pen.moveTo(x - 9, y), pen.lineTo(x + 9, y), pen.moveTo(x, y - 9), pen.lineTo(x, y + 9);
      pen.stroke();
    }
  }
}
