/**
 * The light over time, with both levels, passes and gaps by outcome, onsets and releases.
 *
 * @import {Hand, LevelName} from "./hand.js"
 */
import { colour, font, shown, textSize } from "./drawing.js";
import { EXCLUDED, HELD, HIT, MERGED, MISS, TRIPPED } from "./scoring.js";

/** Passes in view that are drawn one by one; of more, those without errors are left out. */
const MOST_DRAWN = 1500;
/** Onsets and releases in view that are marked. */
const MOST_EDGES = 200;
const GRIP = 9;
/** @type {Record<number, string>} */
const NAMED = { [MISS]: "missed", [MERGED]: "merged", [EXCLUDED]: "no trial", [TRIPPED]: "trip", [HELD]: "held" };

export class Trace {
  /**
   * @param {Hand} hand
   * @param {HTMLElement} place
   */
  constructor(hand, place) {
    this.hand = hand;
    this.place = place;
    this.rate = hand.facts.sample_rate_hz;
    this.samples = hand.facts.samples;
    this.from = 0;
    this.to = this.samples;
    /** @type {(() => void)|undefined} */
    this.told = undefined;
    const { light, low, high } = hand.arrays;
    const { levels } = hand;
    let bottom = Math.min(levels[0], hand.on, hand.off), top = Math.max(levels[levels.length - 1], hand.on, hand.off);
    for (const values of light ? [light] : [low, high]) {
      for (let k = 0; k < values.length; k++) {
        const x = values[k];
        if (Number.isFinite(x)) (bottom = x < bottom ? x : bottom), (top = x > top ? x : top);
      }
    }
    const room = (top - bottom || 1) * 0.06;
    this.range = [bottom - room, top + room * 2];
    this.plot = this.made();
    new ResizeObserver(() => this.resized()).observe(place);
    hand.listeners.push(() => this.plot.redraw(false, false));
  }

  height() {
    return Math.round(Math.min(360, Math.max(220, innerHeight * 0.4)));
  }

  resized() {
    const width = this.place.clientWidth;
    if (width !== this.plot.width) this.plot.setSize({ width, height: this.height() }), this.show(this.from, this.to);
  }

  made() {
    const ink = () => colour("light"), quiet = () => colour("quiet"), line = () => colour("line");
    const axis = { stroke: quiet, font: font(), grid: { stroke: line, width: 0.5 }, ticks: { stroke: line } };
    const unit = this.hand.facts.unit;
    const plot = new uPlot({
      width: this.place.clientWidth, height: this.height(), legend: { show: false },
      cursor: { drag: { x: true, y: false, setScale: false }, points: { show: false }, y: false },
      scales: { x: { time: false }, y: { range: () => this.range } },
      series: [{}, { stroke: ink, width: 1, points: { show: false } }, { stroke: ink, width: 1, points: { show: false } }],
      bands: [{ series: [2, 1], fill: ink }],
      axes: [
        { ...axis, label: "s from the start", labelFont: font(), labelSize: textSize() * 1.6, size: textSize() * 2.6 },
        { ...axis, label: Array.from(unit).slice(0, 30).join(""), labelFont: font(), labelSize: textSize() * 1.6,
          size: (/** @type {any} */ _u, /** @type {string[]|null} */ texts) =>
            12 + textSize() * 0.6 * Math.max(3, ...(texts ?? []).map((t) => t.length)) },
      ],
      hooks: {
        drawClear: [(/** @type {any} */ u) => this.shade(u)],
        draw: [(/** @type {any} */ u) => this.mark(u)],
        setSelect: [(/** @type {any} */ u) => this.selected(u)],
      },
    }, this.folded(), this.place);
    this.holdable(plot);
    plot.setScale("x", { min: this.from / this.rate, max: this.to / this.rate });
    return plot;
  }

  /** Time, lowest and highest light of every column in view. */
  folded() {
    const { light, invalid, low, high } = this.hand.arrays, block = light ? 1 : this.hand.facts.light.block;
    const bottom = light ?? low, top = light ?? high;
    const first = Math.max(0, Math.floor(this.from / block) - 1);
    const last = Math.min(bottom.length, Math.ceil(this.to / block) + 1);
    const columns = Math.max(1, Math.min(last - first, 1200));
    /** @type {(number|null)[]} */
    const x = [];
    /** @type {(number|null)[]} */
    const least = [];
    /** @type {(number|null)[]} */
    const most = [];
    for (let c = 0; c < columns; c++) {
      const begin = first + Math.floor((c * (last - first)) / columns);
      const end = first + Math.floor(((c + 1) * (last - first)) / columns);
      let a = Infinity, b = -Infinity;
      for (let k = begin; k < end; k++) {
        if (invalid && invalid[k]) continue;
        if (bottom[k] < a) a = bottom[k];
        if (top[k] > b) b = top[k];
      }
      x.push((begin * block) / this.rate);
      least.push(Number.isFinite(a) ? a : null);
      most.push(Number.isFinite(b) ? b : null);
    }
    return [x, least, most];
  }

  /**
   * Show samples [from, to).
   * @param {number} from
   * @param {number} to
   */
  show(from, to) {
    const length = Math.min(this.samples, Math.max(to - from, Math.min(20, this.samples)));
    this.from = Math.max(0, Math.min(from, this.samples - length));
    this.to = this.from + length;
    this.plot.batch(() => {
      this.plot.setData(this.folded(), false);
      this.plot.setScale("x", { min: this.from / this.rate, max: this.to / this.rate });
    });
    this.told?.();
  }

  /** @param {number} factor */
  zoom(factor) {
    const middle = (this.from + this.to) / 2, half = ((this.to - this.from) * factor) / 2;
    this.show(Math.round(middle - half), Math.round(middle + half));
  }

  /** @param {number} share of what is in view */
  pan(share) {
    const by = Math.round((this.to - this.from) * share);
    this.show(this.from + by, this.to + by);
  }

  /**
   * Show one stretch with what is around it.
   * @param {number} start
   * @param {number} end
   */
  visit(start, end) {
    const around = Math.max(4 * (end - start), 60);
    this.show(Math.round(start - around), Math.round(end + around));
  }

  /** @param {any} plot */
  selected(plot) {
    const { left, width } = plot.select;
    if (width < 4) return;
    const from = plot.posToVal(left, "x") * this.rate, to = plot.posToVal(left + width, "x") * this.rate;
    plot.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    // Not from within the plot's own hook: it would draw axes of two views.
    queueMicrotask(() => this.show(Math.floor(from), Math.ceil(to)));
  }

  /**
   * Let both levels be dragged.
   * @param {any} plot
   */
  holdable(plot) {
    /** @type {LevelName|null} */
    let held = null;
    const over = /** @type {HTMLElement} */ (plot.over);
    const near = (/** @type {PointerEvent} */ event) => {
      const y = event.clientY - over.getBoundingClientRect().top;
      const on = plot.valToPos(this.hand.on, "y"), off = plot.valToPos(this.hand.off, "y");
      if (Math.min(Math.abs(y - on), Math.abs(y - off)) > GRIP) return null;
      if (on === off) return y <= on ? "on" : "off";
      return Math.abs(y - on) <= Math.abs(y - off) ? "on" : "off";
    };
    over.addEventListener("pointerdown", (event) => {
      held = near(event);
      if (held !== null) over.setPointerCapture(event.pointerId);
    });
    over.addEventListener("mousedown", (event) => {
      if (held !== null) event.stopImmediatePropagation();
    }, true);
    over.addEventListener("pointermove", (event) => {
      over.style.cursor = held !== null || near(event) !== null ? "ns-resize" : "crosshair";
      if (held === null) return;
      this.hand.snap(held, plot.posToVal(event.clientY - over.getBoundingClientRect().top, "y"));
    });
    for (const end of ["pointerup", "pointercancel"]) over.addEventListener(end, () => (held = null));
    over.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      this.zoom(event.deltaY > 0 ? 1.3 : 1 / 1.3);
    }, { passive: false });
  }

  /**
   * Passes and tripped gaps behind the light.
   * @param {any} plot
   */
  shade(plot) {
    const { scored: found } = this.hand.now, { start, end, detect } = this.hand.passes;
    const pen = /** @type {CanvasRenderingContext2D} */ (plot.ctx), { top, height } = plot.bbox;
    const scale = devicePixelRatio || 1;
    const x = (/** @type {number} */ sample) => plot.valToPos(sample / this.rate, "x", true);
    pen.save();
    pen.beginPath();
    pen.rect(plot.bbox.left, top, plot.bbox.width, height);
    pen.clip();
    pen.font = `${textSize() * scale}px system-ui, sans-serif`;
    pen.textBaseline = "top";
    pen.textAlign = "left";
    let first = 0, last = start.length;
    while (first < last && end[first] < this.from) first++;
    while (last > first && start[last - 1] > this.to) last--;
    const every = last - first <= MOST_DRAWN;
    let written = -Infinity;
    const box = (/** @type {number} */ a, /** @type {number} */ b, /** @type {string} */ fill, /** @type {string} */ word) => {
      const left = x(a), width = Math.max(x(b) - left, scale);
      pen.globalAlpha = word ? 0.22 : 0.75;
      pen.fillStyle = fill;
      pen.fillRect(left, top, width, height);
      pen.globalAlpha = 1;
      if (!word) return;
      // Errors are hatched and named: they show without colour.
      pen.strokeStyle = fill;
      pen.lineWidth = scale;
      pen.save();
      pen.beginPath();
      pen.rect(left, top, width, height);
      pen.clip();
      pen.beginPath();
      for (let d = left - height; d < left + width; d += 7 * scale) {
        pen.moveTo(d, top + height);
        pen.lineTo(d + height, top);
      }
      pen.globalAlpha = 0.6;
      if (width > 4 * scale) pen.stroke();
      pen.restore();
      pen.fillStyle = fill;
      pen.fillRect(left, top, width, 3 * scale);
      if (left > written) {
        pen.fillStyle = colour("ink");
        pen.fillText(word, left + 2 * scale, top + 5 * scale);
        written = left + pen.measureText(word).width + 6 * scale;
      }
    };
    const good = colour("good"), bad = colour("bad"), trip = colour("trip"), line = colour("line");
    for (let k = first; k < last; k++) {
      const o = found === null ? HIT : found.passes[k], wrong = o === MISS || o === MERGED || o === TRIPPED;
      if (!wrong && !every) continue;
      const word = found !== null && found.again[k] ? "counted more than once" : NAMED[o] ?? "";
      const fill = wrong || (found !== null && found.again[k]) ? (o === TRIPPED ? trip : bad)
        : found !== null && detect[k] && o === HIT ? good : line;
      box(start[k], end[k], fill, word);
    }
    if (found !== null) {
      const ratio = this.hand.clock.numerator / this.hand.clock.denominator;
      for (let k = 0; k < found.gaps.length; k++) {
        const a = found.gapStart[k] * ratio, b = found.gapStop[k] * ratio;
        if (found.gaps[k] === TRIPPED && b > this.from && a < this.to) box(a, b, trip, "false trip");
      }
    }
    pen.restore();
  }

  /**
   * Levels, onsets and releases over the light.
   * @param {any} plot
   */
  mark(plot) {
    const pen = /** @type {CanvasRenderingContext2D} */ (plot.ctx), { left, top, width, height } = plot.bbox;
    const scale = devicePixelRatio || 1;
    pen.save();
    pen.font = `600 ${textSize() * scale}px system-ui, sans-serif`;
    pen.textAlign = "right";
    for (const name of /** @type {LevelName[]} */ (["on", "off"])) {
      const y = plot.valToPos(this.hand[name], "y", true), ink = colour(name);
      // On paper first: over dense light a line alone is hardly seen.
      for (const [stroke, wide, dash] of /** @type {[string, number, number[]][]} */ (
        [[colour("paper"), 5, []], [ink, 2, name === "on" ? [] : [8, 5]]])) {
        pen.strokeStyle = stroke;
        pen.lineWidth = wide * scale;
        pen.setLineDash(dash.map((length) => length * scale));
        pen.beginPath();
        pen.moveTo(left, y);
        pen.lineTo(left + width, y);
        pen.stroke();
      }
      const text = `${name} ${shown(this.hand[name])}`, wide = pen.measureText(text).width + 8 * scale;
      const line = textSize() * 1.4 * scale, above = name === "on" ? y - line - 2 * scale : y + 2 * scale;
      const at = Math.min(Math.max(above, top), top + height - line);
      pen.fillStyle = colour("paper");
      pen.fillRect(left + width - wide, at, wide, line);
      pen.fillStyle = ink;
      pen.textBaseline = "middle";
      pen.fillText(text, left + width - 4 * scale, at + line / 2);
    }
    pen.setLineDash([]);
    this.edges(plot, pen, scale);
    pen.restore();
  }

  /**
   * A triangle up at every onset, down at every release.
   * @param {any} plot
   * @param {CanvasRenderingContext2D} pen
   * @param {number} scale
   */
  edges(plot, pen, scale) {
    const runs = this.hand.now.output?.output;
    if (!runs || runs.length > 400000) return;
    const { numerator, denominator, count } = this.hand.clock, ratio = numerator / denominator;
    const y = plot.bbox.top + plot.bbox.height, size = 5 * scale;
    pen.fillStyle = colour("ink");
    const seen = runs.map((at, k) => ({ at, up: k % 2 === 0, sample: Math.floor(at * ratio) }))
      .filter(({ at, sample }) => at !== 0 && at !== count && sample >= this.from && sample <= this.to);
    if (seen.length > MOST_EDGES) return; // they would run into a black line
    for (const { sample, up } of seen) {
      const x = plot.valToPos(sample / this.rate, "x", true);
      pen.beginPath();
      pen.moveTo(x - size * 0.7, up ? y : y - size);
      pen.lineTo(x + size * 0.7, up ? y : y - size);
      pen.lineTo(x, up ? y - size : y);
      pen.fill();
    }
  }
}
