/**
 * The light over time, with both levels, passes and gaps by outcome, onsets and releases.
 *
 * @import {Hand, LevelName} from "./hand.js"
 * @import {Corrections} from "./corrections.js"
 * @import {NearLight} from "./serving.js"
 * @typedef {{low: ArrayLike<number>, high: ArrayLike<number>, invalid: ArrayLike<number>|null, block: number, origin: number}} Folded
 */
import { colour, eachFrame, font, levelText, plainTicks, textSize, timeAxis } from "./drawing.js";
import { EXCLUDED, HELD, HIT, JOINED, MERGED, MISS, TRIPPED } from "./scoring.js";
import { rankOf } from "./tables.js";

/** Passes in view that are drawn one by one; of more, those without errors are left out. */
const MOST_DRAWN = 1500;
/** Onsets and releases in view that are marked. */
const MOST_EDGES = 200;
const GRIP = 9;
/** Columns of the picture, each with the extremes of what it covers. */
const COLUMNS = 1200;
/** How long the view rests before the server is asked for its light, ms. */
const QUIET_VIEW = 120;
/** @type {Record<number, string>} */
const NAMED = { [MISS]: "missed", [MERGED]: "merged", [EXCLUDED]: "no trial", [TRIPPED]: "trip", [HELD]: "held",
  [JOINED]: "touches, no error" };

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
    /** @type {Corrections|null} */
    this.corrections = null;
    /** A border that is being dragged. @type {{which: "start"|"end", sample: number}|null} */
    this.border = null;
    /** Light of a part in view, from the server. @type {NearLight|null} */
    this.near = null;
    /** @type {number|undefined} */
    this.asking = undefined;
    const { light, low, high } = hand.arrays;
    const { levels } = hand;
    let bottom = Math.min(levels[0], hand.on, hand.off), top = Math.max(levels[levels.length - 1], hand.on, hand.off);
    for (const values of light ? [light] : [low, high]) {
      for (let k = 0; k < values.length; k++) {
        const x = values[k];
        if (Number.isFinite(x)) (bottom = x < bottom ? x : bottom), (top = x > top ? x : top);
      }
    }
    this.paper = colour("paper");
    const room = (top - bottom || 1) * 0.06;
    // Where the sensor's own output was logged, two rows below the light hold it and the replayed one.
    this.range = [bottom - room * (hand.arrays.logged_runs ? 5 : 1), top + room * 2];
    this.plot = this.made();
    new ResizeObserver(() => this.resized()).observe(place);
    this.size = textSize();
    hand.listeners.push(eachFrame(() => this.redraw()));
  }

  /** The pass whose borders are in the hand; null where passes are not being corrected. */
  chosen() {
    const row = this.corrections?.row ?? -1;
    return row < 0 ? null : row;
  }

  height() {
    return Math.round(Math.min(360, Math.max(220, innerHeight * 0.4)));
  }

  resized() {
    const width = this.place.clientWidth;
    if (width !== this.plot.width) this.plot.setSize({ width, height: this.height() }), this.show(this.from, this.to);
    this.redraw();
  }

  /** Draw again; anew where the size of the text, or the paper, is another one. */
  redraw() {
    const size = textSize(), paper = colour("paper");
    if (size === this.size && paper === this.paper) return this.plot.redraw(false, false);
    this.size = size;
    this.paper = paper;
    this.plot.destroy();
    this.plot = this.made();
  }

  made() {
    const ink = () => colour("light"), quiet = () => colour("quiet"), line = () => colour("line");
    const axis = { stroke: quiet, font: font(), grid: { stroke: line, width: 0.5 }, ticks: { stroke: line } };
    const { unit } = this.hand.facts;
    const plot = new uPlot({
      width: this.place.clientWidth, height: this.height(), legend: { show: false },
      cursor: { drag: { x: true, y: false, setScale: false }, points: { show: false }, y: false },
      scales: { x: { time: false }, y: { range: () => this.range } },
      series: [{}, { stroke: ink, width: 1, points: { show: false } }, { stroke: ink, width: 1, points: { show: false } }],
      bands: [{ series: [2, 1], fill: ink }],
      axes: [
        { ...axis, ...timeAxis(this.hand.facts), labelFont: font(), labelSize: textSize() * 1.6, size: textSize() * 2.6 },
        { ...axis, values: plainTicks, label: Array.from(unit).slice(0, 30).join(""), labelFont: font(), labelSize: textSize() * 1.6,
          size: (/** @type {any} */ _u, /** @type {string[]|null} */ texts) =>
            18 + textSize() * 0.65 * Math.max(3, ...(texts ?? []).map((t) => t.length)) },
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

  /**
   * The finest light there is of what is in view: itself, what the server sent, what travels around errors, or blocks.
   * @returns {Folded}
   */
  source() {
    const { light, invalid, low, high, piece_start: starts, piece_end: ends, piece_light: pieces } = this.hand.arrays;
    const { near, from, to } = this;
    if (light) return { low: light, high: light, invalid: invalid ?? null, block: 1, origin: 0 };
    if (near !== null && near.from <= from && near.to >= to && (to - from) / near.block >= COLUMNS / 4) {
      return { low: near.low, high: near.high, invalid: null, block: near.block, origin: near.from };
    }
    for (let k = 0, at = 0; starts && k < starts.length; at += ends[k] - starts[k], k++) {
      if (starts[k] > from || ends[k] < to) continue;
      const until = at + ends[k] - starts[k], piece = pieces.subarray(at, until);
      return { low: piece, high: piece, invalid: this.hand.arrays.piece_invalid.subarray(at, until), block: 1, origin: starts[k] };
    }
    return { low, high, invalid: null, block: this.hand.facts.light.block, origin: 0 };
  }

  /** Whether the light in view is told by fewer blocks than there are columns, since it did not travel. */
  get coarse() {
    const { block } = this.source();
    return block > 1 && (this.to - this.from) / block < COLUMNS;
  }

  /** Time, lowest and highest light of every column in view. */
  folded() {
    const { low: bottom, high: top, invalid, block, origin } = this.source();
    const first = Math.max(0, Math.floor((this.from - origin) / block) - 1);
    const last = Math.min(bottom.length, Math.ceil((this.to - origin) / block) + 1);
    const columns = Math.max(1, Math.min(last - first, COLUMNS));
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
        if (invalid !== null && invalid[k]) continue;
        if (bottom[k] < a) a = bottom[k];
        if (top[k] > b) b = top[k];
      }
      x.push((origin + begin * block) / this.rate);
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
    this.draw();
    clearTimeout(this.asking);
    if (this.hand.server !== null && this.coarse) this.asking = setTimeout(() => void this.fetch(), QUIET_VIEW);
  }

  draw() {
    this.plot.batch(() => {
      this.plot.setData(this.folded(), false);
      this.plot.setScale("x", { min: this.from / this.rate, max: this.to / this.rate });
    });
    this.told?.();
  }

  /** Ask the server for the light in view and as much on either side. */
  async fetch() {
    const { from, to } = this, span = to - from;
    const found = await this.hand.server?.light(Math.max(0, from - span), Math.min(this.samples, to + span), 3 * COLUMNS);
    if (found === undefined || typeof found === "string" || this.from !== from || this.to !== to) return;
    this.near = found;
    this.draw();
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
    /** @type {LevelName|"start"|"end"|null} */
    let held = null;
    const over = /** @type {HTMLElement} */ (plot.over);
    const near = (/** @type {PointerEvent} */ event) => {
      const x = event.clientX - over.getBoundingClientRect().left;
      for (const border of /** @type {("start"|"end")[]} */ (this.chosen() === null ? [] : ["start", "end"])) {
        if (Math.abs(x - plot.valToPos(this.hand.passes[border][this.chosen() ?? 0] / this.rate, "x")) <= GRIP) return border;
      }
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
      const grip = held ?? near(event);
      over.style.cursor = grip === null ? "crosshair" : grip === "on" || grip === "off" ? "ns-resize" : "ew-resize";
      if (held === "on" || held === "off") this.hand.snap(held, plot.posToVal(event.clientY - over.getBoundingClientRect().top, "y"));
      else if (held !== null) {
        const x = event.clientX - over.getBoundingClientRect().left;
        this.border = { which: held, sample: Math.round(plot.posToVal(x, "x") * this.rate) };
        this.plot.redraw(false, false);
      }
    });
    for (const end of ["pointerup", "pointercancel"]) {
      over.addEventListener(end, () => {
        if (this.border && end === "pointerup") this.corrections?.moveBorder(this.border.which, this.border.sample);
        this.border = held = null;
      });
    }
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
    const first = rankOf(end, this.from), last = rankOf(start, this.to);
    const every = last - first <= MOST_DRAWN;
    /** Where the last name ended: of passes, and of gaps on a line of their own. */
    const written = [-Infinity, -Infinity];
    /** Written last: no shade of a later pass dims a name. @type {[string, number, number][]} */
    const names = [];
    const right = plot.bbox.left + plot.bbox.width;
    const box = (/** @type {number} */ a, /** @type {number} */ b, /** @type {string} */ fill, /** @type {string} */ word, row = 0) => {
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
      const long = pen.measureText(word).width, at = Math.min(left + 2 * scale, right - long - 2 * scale);
      if (at > written[row]) {
        names.push([word, at, top + (5 + row * 1.3 * textSize()) * scale]);
        written[row] = at + long + 4 * scale;
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
      for (let k = rankOf(found.gapStop, this.from / ratio); k < found.gaps.length && found.gapStart[k] * ratio < this.to; k++) {
        if (found.gaps[k] === TRIPPED) box(found.gapStart[k] * ratio, found.gapStop[k] * ratio, trip, "false trip", 1);
      }
    }
    pen.fillStyle = colour("ink");
    for (const [word, at, y] of names) pen.fillText(word, at, y);
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
      const text = `${this.hand.words[name]} ${levelText(this.hand[name], this.hand.facts.step)}`;
      const wide = pen.measureText(text).width + 8 * scale;
      const line = textSize() * 1.4 * scale, above = name === "on" ? y - line - 2 * scale : y + 2 * scale;
      const at = Math.min(Math.max(above, top), top + height - line);
      pen.fillStyle = colour("paper");
      pen.fillRect(left + width - wide, at, wide, line);
      pen.fillStyle = ink;
      pen.textBaseline = "middle";
      pen.fillText(text, left + width - 4 * scale, at + line / 2);
    }
    pen.setLineDash([]);
    if (this.hand.arrays.logged_runs) this.outputs(plot, pen, scale);
    else this.edges(plot, pen, scale);
    this.borders(plot, pen, scale);
    pen.restore();
  }

  /**
   * Both borders of the pass that is being corrected, with grips.
   * @param {any} plot
   * @param {CanvasRenderingContext2D} pen
   * @param {number} scale
   */
  borders(plot, pen, scale) {
    const row = this.chosen();
    if (row === null) return;
    const { top, height, left, width } = plot.bbox;
    pen.strokeStyle = pen.fillStyle = colour("focus");
    pen.lineWidth = 2 * scale;
    for (const border of /** @type {("start"|"end")[]} */ (["start", "end"])) {
      const sample = this.border?.which === border ? this.border.sample : this.hand.passes[border][row];
      const x = plot.valToPos(sample / this.rate, "x", true);
      if (x < left || x > left + width) continue;
      pen.beginPath();
      pen.moveTo(x, top);
      pen.lineTo(x, top + height);
      pen.stroke();
      pen.fillRect(x - 4 * scale, top + height / 2 - 9 * scale, 8 * scale, 18 * scale);
    }
  }

  /**
   * The output as the sensor's own was logged, and below it as it is replayed: a bar where it is active.
   * @param {any} plot
   * @param {CanvasRenderingContext2D} pen
   * @param {number} scale
   */
  outputs(plot, pen, scale) {
    const { left, top, width, height } = plot.bbox, { numerator, denominator } = this.hand.clock;
    const line = textSize() * 1.8 * scale, here = this.hand.facts.light.raw || this.hand.server !== null;
    /** @type {[string, ArrayLike<number>|undefined, number, string][]} */
    const rows = [["the sensor's output, as logged", this.hand.arrays.logged_runs, 1, "on"],
      [here ? "replay" : "replay: known at the first levels only", this.hand.now.output?.output, numerator / denominator, "ink"]];
    pen.save();
    pen.beginPath();
    pen.rect(left, top, width, height);
    pen.clip();
    pen.textAlign = "left";
    pen.textBaseline = "top";
    rows.forEach(([name, runs, ratio, ink], k) => {
      const y = top + height - (2 - k) * line, x = (/** @type {number} */ at) => plot.valToPos((at * ratio) / this.rate, "x", true);
      pen.fillStyle = colour("ink");
      pen.fillText(name, left + 4 * scale, y);
      pen.fillStyle = colour(ink);
      const last = runs ? rankOf(runs, this.to / ratio) : 0;
      let drawn = -Infinity;
      for (let j = runs ? Math.max(0, rankOf(runs, this.from / ratio) - 1) & ~1 : 0; runs && j <= last && j + 1 < runs.length; j += 2) {
        const begin = x(runs[j]), end = Math.max(x(runs[j + 1]), begin + scale);
        if (end < drawn + scale) continue; // in a column that is full already
        pen.fillRect(begin, y + line * 0.66, end - begin, line * 0.3);
        drawn = end;
      }
    });
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
    if (!runs) return;
    const { numerator, denominator, count } = this.hand.clock, ratio = numerator / denominator;
    const y = plot.bbox.top + plot.bbox.height, size = 5 * scale;
    pen.fillStyle = colour("ink");
    const first = rankOf(runs, this.from / ratio), last = rankOf(runs, this.to / ratio);
    if (last - first > MOST_EDGES) return; // they would run into a black line
    for (let k = first; k < last; k++) {
      if (runs[k] === 0 || runs[k] === count) continue;
      const x = plot.valToPos(Math.floor(runs[k] * ratio) / this.rate, "x", true), up = k % 2 === 0;
      pen.beginPath();
      pen.moveTo(x - size * 0.7, up ? y : y - size);
      pen.lineTo(x + size * 0.7, up ? y : y - size);
      pen.lineTo(x, up ? y - size : y);
      pen.fill();
    }
  }
}
