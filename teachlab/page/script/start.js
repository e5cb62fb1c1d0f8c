/**
 * Put the page to work.
 *
 * @import {LevelName} from "./hand.js"
 * @import {TableCounts} from "./tables.js"
 */
import { decoded } from "./decoding.js";
import { element, shown } from "./drawing.js";
import { Hand } from "./hand.js";
import { Histogram } from "./histogram.js";
import { SurfaceMap } from "./map.js";
import { countInterval, shareInterval } from "./intervals.js";
import { remembered, settingText } from "./setting_text.js";
import { Strip } from "./strip.js";
import { Trace } from "./trace.js";

/** @type {LevelName[]} */
const LEVELS = ["on", "off"];

/** @param {number} value */
function percent(value) {
  return Number((100 * value).toPrecision(3));
}

/**
 * One row of the table of counts: name, count, interval.
 * @typedef {{name: string, of: (n: TableCounts) => number, interval?: (n: TableCounts) => string, side?: boolean}} CountRow
 * @param {any} facts
 * @returns {CountRow[]}
 */
function countRows(facts) {
  const { confidence } = facts.rules;
  const share = (/** @type {number} */ events, /** @type {number} */ trials) => {
    const [low, high] = shareInterval(events, trials, confidence);
    return `${percent(low)} to ${percent(high)} % of ${shown(trials)}`;
  };
  const perHour = (/** @type {number} */ events) => {
    const [low, high] = countInterval(events, facts.running_hours, confidence);
    return `${shown(Number(low.toPrecision(3)))} to ${shown(Number(high.toPrecision(3)))} per h`;
  };
  /** @type {CountRow[]} */
  const rows = [
    { name: "passes lost", of: (n) => n.lost, interval: (n) => share(n.lost, facts.detect_trials) },
    { name: "missed", of: (n) => n.lost - n.merged, side: true },
    { name: "merged", of: (n) => n.merged, side: true },
    { name: "counted more than once", of: (n) => n.extra },
    { name: "false trips", of: (n) => n.false_trips, interval: (n) => perHour(n.false_trips) },
    { name: "gaps tripped", of: (n) => n.gaps_tripped, interval: (n) => share(n.gaps_tripped, facts.gap_trials), side: true },
  ];
  if (facts.ignore_trials > 0) {
    rows.push({ name: "trips on passes to be ignored", of: (n) => n.ignore_trips });
    rows.push({ name: "ignored passes tripped", of: (n) => n.ignore_tripped,
      interval: (n) => share(n.ignore_tripped, facts.ignore_trials), side: true });
  }
  return rows;
}

/**
 * The counts in one sentence.
 * @param {TableCounts|null} n
 * @param {any} facts
 */
function sentence(n, facts) {
  if (n === null) return "Not counted at this pair of levels.";
  const trips = n.false_trips + n.ignore_trips;
  return `${shown(n.lost)} of ${shown(facts.detect_trials)} passes lost, ${shown(trips)} false `
    + `${trips === 1 ? "trip" : "trips"}, ${shown(n.extra)} counted more than once.`;
}

/** @param {Hand} hand */
function tell(hand) {
  const { facts, now, start } = hand, body = /** @type {HTMLElement} */ (element("table").querySelector("tbody"));
  body.replaceChildren(...countRows(facts).map((row) => {
    const line = document.createElement("tr"), head = document.createElement("th");
    head.scope = "row";
    head.textContent = row.side ? `\u2003${row.name}` : row.name;
    const here = now.counts === null ? null : row.of(now.counts), before = start.counts === null ? null : row.of(start.counts);
    const change = here === null || before === null ? "–" : here === before ? "0" : `${here > before ? "+" : "−"}${shown(Math.abs(here - before))}`;
    const texts = [here === null ? "not counted" : shown(here),
      now.counts === null || !row.interval ? "" : row.interval(now.counts), before === null ? "–" : shown(before), change];
    line.append(head, ...texts.map((text, k) => {
      const cell = document.createElement("td");
      cell.textContent = text;
      if (k === 0) cell.className = "now";
      return cell;
    }));
    return line;
  }));
  element("sum").textContent = sentence(now.counts, facts);
  element("basis").textContent = now.basis === "table" ? "Counted beforehand from the whole recording, exactly."
    : now.basis === "replay" ? "Replayed here over every sample, exactly."
      : "This pair was not counted, and the light is not in this page: run teachlab replay with the saved setting.";
  const { levels } = hand, unit = facts.unit;
  const low = Math.min(levels[0], hand.off), high = Math.max(levels[levels.length - 1], hand.on);
  for (const name of LEVELS) {
    const knob = element(name), value = hand[name];
    knob.style.left = `${high > low ? (100 * (value - low)) / (high - low) : 50}%`;
    knob.setAttribute("aria-valuemin", String(low));
    knob.setAttribute("aria-valuemax", String(high));
    knob.setAttribute("aria-valuenow", String(value));
    knob.setAttribute("aria-valuetext", `${shown(value)} ${unit}: ${sentence(now.counts, facts)}`);
    element(`${name}-value`).textContent = `${shown(value)} ${unit.length > 16 ? "" : unit}`;
    const same = hand.same(name);
    element(`${name}-same`).textContent = same === null ? "Where counts change next is not known here."
      : same.above === null ? `Same counts at every level up to ${shown(same.to)}.`
        : facts.distinct ? `Same counts above ${shown(same.above)} up to ${shown(same.to)}.`
          : `Same counts at the levels counted from ${shown(same.above)} to ${shown(same.to)}.`;
  }
}

/**
 * What stands above the counts, and does not move with the hand.
 * @param {any} facts
 */
function introduce(facts) {
  const { verdict, rules } = facts;
  const lead = verdict.rehearsal ? "Rehearsal on synthetic light, no evidence about a real line. " : "";
  const word = verdict.decision[0].toUpperCase() + verdict.decision.slice(1);
  element("decision").textContent = facts.given ? `${lead}${word}: ${facts.words}.` : `${lead}${word}.`;
  element("claim").textContent = [...verdict.conditions.map((/** @type {string} */ t) => `Limit: ${t}`),
    verdict.claim && (facts.given ? `Claim: ${verdict.claim}` : verdict.claim)].filter(Boolean).join(" ");
  element("reasons").replaceChildren(...verdict.reasons.map((/** @type {string} */ text) => {
    const item = document.createElement("li");
    item.textContent = text;
    return item;
  }));
  element("why").hidden = verdict.reasons.length === 0;
  element("interval-head").textContent = `${percent(rules.confidence)} % interval`;
  element("before-head").textContent = facts.given ? "setting" : "at the start";
  element("foot").textContent = `${facts.recording}: ${shown(facts.samples)} samples at ${shown(facts.sample_rate_hz)} Hz, `
    + `${shown(facts.detect_trials)} passes to be detected, ${shown(facts.gap_trials)} gaps. Intervals take passes as `
    + `independent.${facts.note ? ` ${facts.note}` : ""}`;
  element("legend").textContent = "Drag a level. Drag across to look nearer. Shaded: passes; hatched and named: errors. "
    + "Triangles at the foot: onsets up, releases down."
    + (facts.light.raw ? "" : ` Light in blocks of ${facts.light.block} samples; the light itself is not in this page.`);
  element("map").hidden = !facts.every_pair;
  element("map-note").textContent = mapNote(facts);
  element("spread-note").textContent = "Full bars: the strongest light of each pass or gap. Outlined: its weakest. Heights "
    + "on a root scale. " + (facts.every_pair ? "Errors at every level with the hysteresis of the hand."
      : "Errors at every level without hysteresis.");
}

/**
 * What stands below the map.
 * @param {any} facts
 */
function mapNote({ every_pair: every, cloud, best, given }) {
  if (!every) return "With filter or delays only pairs without hysteresis are counted beforehand: there is no map.";
  const lands = cloud === null ? "" : ` Small squares: where ${cloud.strategy} lands in ${cloud.told}`;
  return `The fuller, the more errors. A cross: the hand. A ring: the fewest errors; ${shown(best.equally_good)} pairs are as `
    + `good. A square: ${given ? "the setting" : "the start"}.${lands}`;
}

/** Inputs of filter and delays: id, and name in the address and in a switching. */
const MEMORY = /** @type {["consecutive"|"on-delay"|"off-delay", "consecutive"|"onDelayMs"|"offDelayMs"][]} */ (
  [["consecutive", "consecutive"], ["on-delay", "onDelayMs"], ["off-delay", "offDelayMs"]]);

/** @param {string} id */
function input(id) {
  return /** @type {HTMLInputElement} */ (element(id));
}

/**
 * Filter and delays as they stand in the inputs, where all of them are valid.
 * @param {Hand} hand
 */
function takeMemory(hand) {
  if (!MEMORY.every(([id]) => input(id).value !== "" && input(id).checkValidity())) {
    return say("Filter: a whole number from 1. Delays: 0 ms or more. Until then the counts stay as they are.");
  }
  const { consecutive, onDelayMs, offDelayMs } = hand.switching, memory = { consecutive, onDelayMs, offDelayMs };
  for (const [id, name] of MEMORY) memory[name] = input(id).valueAsNumber;
  say("");
  hand.remember(memory);
}

/** @param {Hand} hand */
function tellMemory(hand) {
  for (const [id, name] of MEMORY) {
    if (document.activeElement !== input(id)) input(id).value = String(hand.switching[name]);
  }
}

/** @param {Hand} hand */
function address(hand) {
  const memory = hand.usual ? "" : MEMORY.map(([id, name]) => `&${id}=${hand.switching[name]}`).join("");
  return `#on=${hand.on}&off=${hand.off}${memory}`;
}

/** @param {Hand} hand */
function fromAddress(hand) {
  const asked = new URLSearchParams(location.hash.slice(1));
  if (hand.light !== null && MEMORY.every(([id]) => asked.has(id))) {
    for (const [id] of MEMORY) input(id).value = asked.get(id) ?? "";
    takeMemory(hand);
  }
  const on = Number(asked.get("on") ?? NaN), off = Number(asked.get("off") ?? NaN);
  if (Number.isFinite(on) && Number.isFinite(off) && off <= on) hand.take(on, off);
}

/**
 * @param {Hand} hand
 * @param {Trace} trace
 */
function nextFault(hand, trace) {
  hand.settle();
  const faults = hand.faults();
  if (faults === null) return say("Errors are known one by one only at the levels that the page began with: the light is not in this page.");
  if (faults.length === 0) return say("No error at these levels.");
  const middle = (trace.from + trace.to) / 2, whole = trace.to - trace.from >= hand.facts.samples;
  const after = whole ? 0 : faults.findIndex((one) => (one.sample + one.end) / 2 > middle + 1);
  const k = Math.max(after, 0), one = faults[k];
  trace.visit(one.sample, one.end);
  const of = one.row < 0 ? "" : `, pass ${shown(one.row)}`;
  say(`Error ${k + 1} of ${faults.length}: ${one.what}${of}, at ${shown(one.sample / hand.facts.sample_rate_hz)} s.`);
}

/** @param {string} text */
function say(text) {
  element("said").textContent = text;
}

/** @param {Hand} hand */
function save(hand) {
  const { facts } = hand;
  const moved = settingText(facts.texts.template, hand.on, hand.off);
  const text = hand.atStart && facts.given ? facts.texts.given : hand.usual ? moved : remembered(moved, hand.switching);
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  link.download = `${facts.file}.setting.json`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  say(`Saved as ${link.download}. Confirm it on passes that it was not chosen on.`);
}

/** @param {Hand} hand */
async function copy(hand) {
  const { facts } = hand, tolerance = facts.rules.tolerance_ms;
  const saved = `'${`${facts.file}.setting.json`.replaceAll("'", "'\"'\"'")}'`;
  const setting = hand.atStart && facts.command.setting ? facts.command.setting : saved;
  const line = `teachlab replay ${facts.command.recording} --setting ${setting}`
    + (tolerance ? ` --tolerance-ms ${tolerance}` : "");
  const first = setting === saved ? " Save the setting first." : "";
  try {
    await navigator.clipboard.writeText(line);
    say(`Copied: ${line}${first}`);
  } catch {
    say(`Copy this: ${line}${first}`);
  }
}

/**
 * Keys and drags of both sliders.
 * @param {Hand} hand
 */
function holdSliders(hand) {
  for (const name of LEVELS) {
    const knob = element(name), track = /** @type {HTMLElement} */ (knob.parentElement);
    knob.addEventListener("keydown", (event) => {
      const by = event.shiftKey ? 10 : 1, { levels } = hand;
      /** @type {Record<string, () => void>} */
      const keys = {
        ArrowRight: () => hand.step(name, by), ArrowUp: () => hand.step(name, by),
        ArrowLeft: () => hand.step(name, -by), ArrowDown: () => hand.step(name, -by),
        PageUp: () => hand.change(name, 1), PageDown: () => hand.change(name, -1),
        Home: () => hand.move(name, levels[0]), End: () => hand.move(name, levels[levels.length - 1]),
      };
      if (!(event.key in keys) || event.altKey || event.ctrlKey || event.metaKey) return;
      event.preventDefault();
      keys[event.key]();
    });
    let held = false;
    const follow = (/** @type {PointerEvent} */ event) => {
      const box = track.getBoundingClientRect(), { levels } = hand;
      const low = Math.min(levels[0], hand.off), high = Math.max(levels[levels.length - 1], hand.on);
      hand.snap(name, low + ((event.clientX - box.left) / box.width) * (high - low));
    };
    track.addEventListener("pointerdown", (event) => {
      held = true;
      track.setPointerCapture(event.pointerId);
      knob.focus();
      follow(event);
    });
    track.addEventListener("pointermove", (event) => held && follow(event));
    for (const end of ["pointerup", "pointercancel"]) track.addEventListener(end, () => (held = false));
  }
}

async function start() {
  const facts = JSON.parse(element("facts").textContent ?? "");
  introduce(facts);
  const arrays = await decoded(facts.arrays, (name) => element(`array-${name}`).textContent ?? "");
  const hand = new Hand(facts, arrays);
  const trace = new Trace(hand, element("trace"));
  new Histogram(hand);
  if (facts.every_pair) new SurfaceMap(hand);
  new Strip(hand, (row) => trace.visit(hand.passes.start[row], hand.passes.end[row]));
  /** @type {number|undefined} */
  let quiet;
  hand.listeners.push(() => {
    tell(hand);
    clearTimeout(quiet);
    // Spoken, and put into the address, once the hand rests.
    quiet = setTimeout(() => {
      element("live").textContent = sentence(hand.now.counts, facts);
      history.replaceState(null, "", address(hand));
    }, 250);
  });
  trace.told = () => {
    const a = shown(Number((trace.from / trace.rate).toPrecision(7))), b = shown(Number((trace.to / trace.rate).toPrecision(7)));
    element("span").textContent = `${a} to ${b} s`;
  };
  trace.told();
  tell(hand);
  holdSliders(hand);
  element("memory").hidden = hand.light === null;
  tellMemory(hand);
  hand.listeners.push(() => tellMemory(hand));
  for (const [id] of MEMORY) input(id).addEventListener("input", () => takeMemory(hand));
  fromAddress(hand);
  addEventListener("hashchange", () => fromAddress(hand));
  /** @type {Record<string, () => void>} */
  const buttons = {
    best: () => {
      if (!hand.usual) hand.remember(facts.switching);
      hand.take(facts.best.on, facts.best.off);
    },
    back: () => {
      if (!hand.usual) hand.remember(facts.switching);
      hand.take(facts.hand.on, facts.hand.off);
    },
    next: () => nextFault(hand, trace), save: () => save(hand), copy: () => void copy(hand),
    nearer: () => trace.zoom(0.5), wider: () => trace.zoom(2), earlier: () => trace.pan(-0.5),
    later: () => trace.pan(0.5), whole: () => trace.show(0, trace.samples),
  };
  for (const [id, act] of Object.entries(buttons)) element(id).addEventListener("click", act);
  addEventListener("keydown", (event) => {
    if (event.key.toLowerCase() === "n" && !(event.target instanceof HTMLInputElement) && !event.ctrlKey && !event.altKey && !event.metaKey) nextFault(hand, trace);
  });
  for (const query of ["(prefers-color-scheme: dark)", "print"]) {
    matchMedia(query).addEventListener("change", () => {
      trace.plot.redraw(true, true);
      for (const told of hand.listeners) told();
    });
  }
  document.body.dataset.ready = "yes";
}

start().catch((fault) => {
  element("decision").textContent = `This page cannot be shown: ${fault.message}. Use a browser of 2023 or later.`;
});
