/**
 * Passes corrected by hand: borders, kinds, lots, passes added, divided and taken out; every change can be undone.
 *
 * @import {Hand, NamedPasses} from "./hand.js"
 * @import {Trace} from "./trace.js"
 * @typedef {"start"|"end"|"detect"|"kind"|"lot"|"low"|"high"|"doubt"} Column
 * @typedef {{start: number, end: number, detect: number, kind: number, lot: number, low: number, high: number, doubt: number}} Pass
 * @typedef {{at: string, what: string, from: [number, number][], to: [number, number][]}} Edit
 */
import { download, element, moment, numberOf, say, shown } from "./drawing.js";
import { firstAt } from "./scoring.js";
import { tableOf } from "./serving.js";

const FIELDS = /** @type {Column[]} */ (["start", "end", "detect", "kind", "lot", "low", "high", "doubt"]);
/** What a spreadsheet takes for the begin of a formula; an apostrophe before keeps it a text. */
const FORMULA = ["=", "+", "-", "@"];

export class Corrections {
  /**
   * @param {Hand} hand
   * @param {Trace} trace
   */
  constructor(hand, trace) {
    this.hand = hand;
    this.trace = trace;
    /** The pass that is looked at, −1 for none. */
    this.row = -1;
    /** @type {Edit[]} */
    this.edits = [];
    /** What the passes were before each edit. @type {NamedPasses[]} */
    this.before = [];
    /** Begins of passes in doubt that were looked at. @type {Set<number>} */
    this.looked = new Set();
    trace.corrections = this;
    const acts = /** @type {Record<string, () => void>} */ ({
      "pass-doubtful": () => this.doubtful(), "pass-before": () => this.look(this.row - 1),
      "pass-after": () => this.look(this.row + 1), "pass-divide": () => this.divide(), "pass-out": () => this.takeOut(),
      "pass-add": () => this.add(), "pass-undo": () => this.undo(), "pass-save": () => void this.save(),
    });
    for (const [id, act] of Object.entries(acts)) element(id).addEventListener("click", act);
    for (const id of ["start", "end", "kind", "lot", "expect"]) element(`pass-${id}`).addEventListener("change", () => this.typed());
    this.kindsOffered();
    this.tell();
  }

  /** @param {string} id */
  input(id) {
    return /** @type {HTMLInputElement} */ (element(`pass-${id}`));
  }

  get count() {
    return this.hand.passes.start.length;
  }

  /** @param {number} k */
  pass(k) {
    const { passes } = this.hand;
    return /** @type {Pass} */ (Object.fromEntries(FIELDS.map((name) => [name, passes[name]?.[k] ?? -1])));
  }

  kindsOffered() {
    const { kinds, lots } = this.hand.facts;
    for (const [id, names] of [["known-kinds", kinds], ["known-lots", lots]]) {
      element(id).replaceChildren(...names.slice(0, 200).map((/** @type {string} */ name) => {
        const option = document.createElement("option");
        option.value = name;
        return option;
      }));
    }
  }

  /**
   * Look at one pass.
   * @param {number} row
   * @param {boolean} [visit]
   */
  look(row, visit = true) {
    if (this.count === 0) return say("There is no pass. Add one in view.");
    this.row = Math.min(Math.max(row, 0), this.count - 1);
    const { start, end } = this.pass(this.row);
    if (visit) this.trace.visit(start, end);
    this.tell();
    this.trace.plot.redraw(false, false);
  }

  /** Look at the pass most in doubt that was not looked at since. */
  doubtful() {
    const { passes, facts } = this.hand;
    let worst = -1;
    for (let k = 0; k < this.count; k++) {
      if (!this.looked.has(passes.start[k]) && passes.doubt[k] > (worst < 0 ? 0 : passes.doubt[worst])) worst = k;
    }
    if (worst < 0) return say("No further pass is in doubt by its light.");
    this.looked.add(passes.start[worst]);
    this.look(worst);
    const why = this.hand.corrected ? undefined : facts.doubts[String(worst)];
    say(`Pass ${shown(worst)} is in doubt by ${passes.doubt[worst]} %${why ? `: ${why}` : ""}.`);
  }

  /** Show the pass that is looked at in the inputs. */
  tell() {
    const { facts } = this.hand, one = this.row < 0 ? null : this.pass(this.row);
    for (const id of ["start", "end", "kind", "lot", "expect", "divide", "out"]) this.input(id).disabled = one === null;
    this.input("undo").disabled = this.input("save").disabled = this.edits.length === 0;
    element("pass-name").textContent = one === null ? "No pass is chosen. Choose one in the strip, or the most doubtful."
      : `Pass ${shown(this.row)} of ${shown(this.count)}, from ${moment(facts, one.start / facts.sample_rate_hz)}.`;
    element("pass-edits").textContent = this.edits.length === 0 ? "" : `${shown(this.edits.length)} `
      + `${this.edits.length === 1 ? "change" : "changes"}; the last: ${this.edits[this.edits.length - 1].what}.`;
    if (one === null) return;
    this.input("start").value = String(one.start);
    this.input("end").value = String(one.end);
    this.input("kind").value = facts.kinds[one.kind];
    this.input("lot").value = one.lot < 0 ? "" : facts.lots[one.lot];
    this.input("expect").value = one.detect ? "detect" : "ignore";
  }

  /** Take what was typed. */
  typed() {
    const one = this.pass(this.row), start = Number(this.input("start").value), end = Number(this.input("end").value);
    const kind = this.code("kinds", "labels", this.input("kind").value), lot = this.input("lot").value;
    const next = { ...one, start, end, kind, detect: this.input("expect").value === "detect" ? 1 : 0,
      lot: lot === "" && one.lot < 0 ? -1 : this.code("lots", "lot_names", lot) };
    const what = start !== one.start || end !== one.end ? "moved" : "renamed";
    this.change(what, this.row, 1, [next]);
  }

  /**
   * The code of a name, which is new where nothing bears it.
   * @param {"kinds"|"lots"} seen as shown
   * @param {"labels"|"lot_names"} names as in the file
   * @param {string} name
   */
  code(seen, names, name) {
    const { facts } = this.hand, known = facts[seen].indexOf(name);
    if (known >= 0) return known;
    facts[names] ??= [];
    facts[names].push(name);
    facts[seen].push(name);
    this.kindsOffered();
    return facts[seen].length - 1;
  }

  /**
   * Move one border of the pass that is looked at.
   * @param {"start"|"end"} border
   * @param {number} sample
   */
  moveBorder(border, sample) {
    this.change("moved", this.row, 1, [{ ...this.pass(this.row), [border]: sample }]);
  }

  divide() {
    const one = this.pass(this.row), middle = Math.round((one.start + one.end) / 2);
    if (middle <= one.start) return say("A pass of one sample cannot be divided.");
    this.change("divided", this.row, 1, [{ ...one, end: middle }, { ...one, start: middle }]);
    say("Divided in the middle. Move the two borders to where the objects are.");
  }

  takeOut() {
    this.change("taken out", this.row, 1, []);
  }

  /** A new pass in the middle of the view. */
  add() {
    const { from, to } = this.trace, { facts, passes } = this.hand, third = Math.max(1, Math.round((to - from) / 3));
    const start = Math.round(from) + third, end = start + third;
    let row = 0;
    while (row < this.count && passes.end[row] <= start) row++;
    const near = this.count > 0 ? this.pass(Math.min(row, this.count - 1)) : null;
    const kind = near ? near.kind : this.code("kinds", "labels", facts.labels[0] ?? "");
    this.change("added", row, 0, [{ start, end, detect: 1, kind, lot: near ? near.lot : -1, low: NaN, high: NaN, doubt: 0 }]);
  }

  /**
   * Put passes in the place of others.
   * @param {string} what
   * @param {number} row
   * @param {number} out how many go
   * @param {Pass[]} passes
   */
  change(what, row, out, passes) {
    const before = row > 0 ? this.hand.passes.end[row - 1] : 0;
    const after = row + out < this.count ? this.hand.passes.start[row + out] : this.hand.facts.samples;
    let free = before;
    for (const { start, end } of passes) {
      if (!(Number.isInteger(start) && Number.isInteger(end) && free <= start && start < end && end <= after)) {
        say(`A pass must lie within ${shown(before)} to ${shown(after)}, the samples free between its neighbours, and end after `
          + "its start.");
        return this.tell();
      }
      free = end;
    }
    const old = this.hand.passes, gone = Array.from({ length: out }, (_, k) => this.pass(row + k));
    if (out === passes.length && passes.every((one, k) => FIELDS.every((name) => Object.is(one[name], gone[k][name])))) return;
    const fresh = passes.map((one) => ({ ...one, ...this.reach(one.start, one.end), doubt: 0 }));
    const lots = old.lot !== null || fresh.some(({ lot }) => lot >= 0);
    const noLot = lots ? this.code("lots", "lot_names", "") : -1;
    const table = Object.fromEntries(FIELDS.map((name) => {
      const all = Array.from(old[name] ?? new Array(this.count).fill(noLot));
      all.splice(row, out, ...fresh.map((one) => (name === "lot" && one.lot < 0 ? noLot : one[name])));
      return [name, all];
    }));
    this.before.push(old);
    this.edits.push({ at: new Date().toISOString(), what, from: gone.map(({ start, end }) => [start, end]),
      to: fresh.map(({ start, end }) => [start, end]) });
    this.row = Math.min(row, this.count - 1 - out + fresh.length);
    this.hand.pass(/** @type {NamedPasses} */ ({ ...old, ...table, lot: lots ? table.lot : null }), true);
    this.tell();
  }

  undo() {
    const passes = this.before.pop();
    if (passes === undefined) return;
    this.edits.pop();
    this.hand.pass(passes, this.edits.length > 0);
    this.row = Math.min(this.row, this.count - 1);
    this.tell();
  }

  /**
   * Extremes of what is evaluated of a stretch; NaN where the light is not here.
   * @param {number} start
   * @param {number} end
   */
  reach(start, end) {
    const { light, clock } = this.hand;
    let low = Infinity, high = -Infinity;
    for (let i = firstAt(start, clock), to = light === null ? 0 : firstAt(end, clock); i < to; i++) {
      const sample = Math.floor((i * clock.numerator) / clock.denominator), x = light?.light[sample] ?? NaN;
      if (light?.invalid && light.invalid[sample]) continue;
      if (x < low) low = x;
      if (x > high) high = x;
    }
    return low > high ? { low: NaN, high: NaN } : { low, high };
  }

  /** Save with the history: by the server beside the old table, else as a download. */
  async save() {
    const { hand } = this, { facts } = hand;
    if (hand.server !== null) {
      const found = await hand.server.ask("passes", { passes: tableOf(hand), edits: this.edits });
      return say(typeof found === "string" ? found : `Saved as ${found.written}, with `
        + `${numberOf(this.edits.length, "change")} as its history. The old table is as it was. Use it: --truth ${found.written}`);
    }
    const name = `${facts.file}.corrected.passes.csv`;
    download(name, this.text(), "text/csv");
    say(`Saved as ${name}, with its history. Use it: --truth ${name}`);
  }

  /** The corrected passes as a table that every command reads. */
  text() {
    const { passes: document, command } = this.hand.facts, table = tableOf(this.hand);
    // Borders that were set on the light are labelled by the light: they may tune, and support no claim.
    const moved = this.edits.some(({ what }) => what !== "renamed");
    const head = { ...document, source: moved ? "self-labelled" : document.source };
    const history = { schema: 1, from: { recording: command.recording }, edits: this.edits };
    const cell = (/** @type {string} */ text) => {
      const bare = text.replaceAll(/[\r\n]+/g, " ");
      return `"${(FORMULA.includes(bare[0]) ? `'${bare}` : bare).replaceAll('"', '""')}"`;
    };
    const rows = table.start.map((start, k) => [start, table.end[k], cell(table.label[k]), table.detect[k] ? "detect" : "ignore",
      ...(table.lot === null ? [] : [cell(table.lot[k])])].join(","));
    return [`# teachlab.passes: ${JSON.stringify(head)}`, `# teachlab.history: ${JSON.stringify(history)}`,
      `start,end,label,expect${table.lot === null ? "" : ",lot"}`, ...rows, ""].join("\n");
  }
}
