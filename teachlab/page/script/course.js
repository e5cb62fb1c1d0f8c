/**
 * Errors over the whole recording, and which part of it the trace shows.
 *
 * @import {Hand} from "./hand.js"
 * @import {Trace} from "./trace.js"
 */
import { cleared, colour, eachFrame, element, moment, numberOf, textSize, threeTexts, whileHeld } from "./drawing.js";

export class Course {
  /**
   * @param {Hand} hand
   * @param {Trace} trace
   */
  constructor(hand, trace) {
    this.hand = hand;
    this.trace = trace;
    const canvas = /** @type {HTMLCanvasElement} */ (element("course"));
    const follow = (/** @type {PointerEvent} */ event) => {
      const box = canvas.getBoundingClientRect(), { samples, from, to } = trace;
      const middle = ((event.clientX - box.left) / box.width) * samples, whole = to - from >= samples;
      const half = whole ? samples / 40 : (to - from) / 2;
      trace.show(Math.round(middle - half), Math.round(middle + half));
    };
    whileHeld(canvas, follow);
    new ResizeObserver(() => this.draw()).observe(/** @type {HTMLElement} */ (canvas.parentElement));
    hand.listeners.push(eachFrame(() => this.draw()));
  }

  draw() {
    const size = textSize(), high = size * 2.6, foot = size * 1.5;
    const { pen, width } = cleared("course", high + foot), faults = this.hand.faults(), { samples, from, to, rate } = this.trace;
    pen.fillStyle = colour("panel");
    pen.fillRect(0, 0, width, high);
    pen.fillStyle = colour("line");
    pen.fillRect((from / samples) * width, 0, Math.max(2, ((to - from) / samples) * width), high);
    const bins = Math.max(1, Math.floor(width / 4)), counts = new Int32Array(bins);
    for (const { sample } of faults ?? []) counts[Math.min(bins - 1, Math.floor((sample / samples) * bins))]++;
    const most = counts.reduce((a, b) => Math.max(a, b), 1);
    pen.fillStyle = colour("bad");
    counts.forEach((n, k) => {
      const bar = n === 0 ? 0 : Math.max(3, Math.sqrt(n / most) * (high - 2));
      pen.fillRect((k * width) / bins, high - bar, Math.max(2, width / bins - 1), bar);
    });
    pen.fillStyle = colour("quiet");
    pen.textBaseline = "bottom";
    const unknown = this.hand.resting === undefined ? "errors not known one by one here" : "…";
    const told = faults === null ? unknown : faults.length === 0 ? "no error"
      : `${numberOf(faults.length, "place")} with errors`;
    const ends = [0, samples / rate].map((at) => moment(this.hand.facts, at, 1));
    threeTexts(pen, [ends[0], told, ends[1]], 0, width, high + foot);
    element("course").setAttribute("aria-label", `Errors over the recording: ${told}`);
  }
}
