/** Put the page to work. */
import { decoded } from "./decoding.js";
import { Corrections } from "./corrections.js";
import { percent, sentence, tellCounts, tellReserves } from "./counts.js";
import { Course } from "./course.js";
import { download, drawAll, element, inFigures, levelText, moment, numberOf, say, shown } from "./drawing.js";
import { Hand, KEPT, MEMORY } from "./hand.js";
import { Histogram } from "./histogram.js";
import { SurfaceMap } from "./map.js";
import { ReserveSearch } from "./reserves.js";
import { Server, tableOf } from "./serving.js";
import { settingText } from "./setting_text.js";
import { holdSliders, nameSliders, tellSliders } from "./sliders.js";
import { Strip } from "./strip.js";
import { Trace } from "./trace.js";

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
    verdict.claim && (facts.given && facts.claims ? `Claim: ${verdict.claim}` : verdict.claim)].filter(Boolean).join(" ");
  element("reasons").replaceChildren(...verdict.reasons.map((/** @type {string} */ text) => {
    const item = document.createElement("li");
    item.textContent = text;
    return item;
  }));
  const why = /** @type {HTMLDetailsElement} */ (element("why"));
  [why.hidden, why.open] = [verdict.reasons.length === 0, verdict.open];
  element("title").title = facts.title;
  element("interval-head").textContent = `${percent(rules.confidence)} % interval`;
  for (const id of ["before-head", "kind-before-head"]) element(id).textContent = facts.given ? "setting" : "at the start";
  element("foot").textContent = `${facts.recording}: ${shown(facts.samples)} samples at ${inFigures(facts.sample_rate_hz, 6)} Hz, `
    + `${numberOf(facts.trials.detect, "pass", "passes")} to be detected, ${numberOf(facts.trials.gaps, "gap")}. The intervals `
    + `assume independent passes.${facts.note ? ` ${facts.note}` : ""}`;
  element("legend").textContent = (facts.setting.kind === "turning-point" ? "" : "Drag a level. ")
    + "Drag across to look nearer. Shaded: passes; hatched and named: errors. "
    + (facts.arrays.logged_runs ? "Bars at the foot: where the output is active, as the sensor's own was logged and as replayed."
      : "Triangles at the foot: onsets up, releases down.");
  element("map-section").hidden = !facts.every_pair;
  element("map-note").textContent = facts.every_pair ? mapNote(facts) : "";
  element("best").hidden = facts.best === null;
  element("spread-note").textContent = "Heights grow with the square root of the count, so that one stays visible. " + spreadNote(facts);
}

/** @param {any} facts */
function spreadNote({ chains, every_pair: every, setting: { kind } }) {
  if (chains.length > 1) return "Errors as one threshold moves and the other stays where it was at the start: upper in full, lower dashed.";
  if (chains.length > 0) return "Errors as both levels move at the distance that they had at the start.";
  return every ? "Errors at every level with the hysteresis that is set above." : kind ? "" : "Errors at every level without hysteresis.";
}

/**
 * What stands beside the map.
 * @param {any} facts
 */
function mapNote({ cloud, best, given }) {
  const lands = cloud === null ? "" : ` Small squares: where ${cloud.strategy} lands in ${cloud.told}`;
  return "The stronger the shade, the more errors. A cross: the levels now. A ring: the fewest errors; "
    + `${shown(best.equally_good)} pairs have as few. A square: ${given ? "the setting" : "the start"}.${lands}`;
}

/**
 * The input of a filter or delay, or the list of those that were counted; its id is also its name in the address.
 * @param {string} name
 */
function input(name) {
  return /** @type {HTMLInputElement|HTMLSelectElement} */ (element(idOf(name)));
}

/**
 * Put the delays that were counted beforehand in the place of free inputs.
 * @param {any} facts
 */
function listDelays({ delays, setting }) {
  /** @type {HTMLElement} */ (input("consecutive").parentElement).hidden = true;
  for (const name of MEMORY.slice(1)) {
    const list = document.createElement("select");
    list.id = idOf(name);
    for (const ms of delays[name]) {
      const one = document.createElement("option");
      (one.textContent = shown(ms)), (one.value = String(ms));
      list.add(one);
    }
    input(name).replaceWith(list);
  }
  const note = element("memory-note");
  note.hidden = false;
  note.textContent = `${delays.on_delay_ms.length} on-delays and ${delays.off_delay_ms.length} off-delays were counted beforehand`
    + `${setting.consecutive > 1 ? `, with a filter of ${shown(setting.consecutive)} evaluations` : ""}. `
    + "For any other filter or delay, open the page with --serve.";
}

/** @param {string} name */
function idOf(name) {
  return name.replace("_ms", "").replace("_", "-");
}

/**
 * Filter and delays as they stand in the inputs, where all of them are valid.
 * @param {Hand} hand
 */
function takeMemory(hand) {
  if (!KEPT.every((name) => input(name).value !== "" && input(name).checkValidity())) {
    return say("Filter: a whole number from 1. Delays: 0 ms or more. Until then the counts stay as they are.");
  }
  say("");
  const memory = Object.fromEntries(MEMORY.map((name) => [name, Number(input(name).value)]));
  hand.use({ ...hand.setting, ...memory, polarity: input("polarity").value });
  if (hand.together === null || hand.now.counts !== null) return;
  hand.move("on", hand.on);
  const [on, off] = [hand.on, hand.off].map((level) => levelText(level, hand.facts.step));
  say(`Moved to the nearest levels that are counted with these delays: ${on} and ${off} ${hand.facts.unit}.`);
}

/** @param {Hand} hand */
function tellMemory(hand) {
  for (const name of KEPT) {
    if (document.activeElement !== input(name)) input(name).value = String(hand.setting[name]);
  }
}

/** @param {Hand} hand */
function address(hand) {
  const memory = hand.usual ? "" : KEPT.map((name) => `&${idOf(name)}=${hand.setting[name]}`).join("");
  return `#on=${hand.on}&off=${hand.off}${memory}`;
}

/** @param {Hand} hand */
function fromAddress(hand) {
  const asked = new URLSearchParams(location.hash.slice(1));
  if (!element("memory").hidden && MEMORY.every((name) => asked.has(idOf(name)))) {
    for (const name of KEPT) input(name).value = asked.get(idOf(name)) ?? hand.facts.setting[name];
    takeMemory(hand);
  }
  const on = Number(asked.get("on") ?? NaN), off = Number(asked.get("off") ?? NaN);
  if (Number.isFinite(on) && Number.isFinite(off) && hand.allowed(on, off)) hand.take(on, off);
}

/**
 * @param {Hand} hand
 * @param {Trace} trace
 */
function nextFault(hand, trace) {
  hand.settle();
  const faults = hand.faults();
  if (faults === null) {
    return say(hand.server !== null ? "The whole recording is being replayed: try again in a moment."
      : "Errors are named one by one only at the levels of the start: the light is not in this page.");
  }
  if (faults.length === 0) return say("No error at these levels.");
  const middle = (trace.from + trace.to) / 2, whole = trace.to - trace.from >= hand.facts.samples;
  const after = whole ? 0 : faults.findIndex((one) => (one.sample + one.end) / 2 > middle + 1);
  const k = Math.max(after, 0), one = faults[k];
  trace.visit(one.sample, one.end);
  const of = one.row < 0 ? "" : `, pass ${shown(one.row)}`;
  const at = moment(hand.facts, one.sample / hand.facts.sample_rate_hz);
  say(`Place ${k + 1} of ${faults.length} with errors: ${one.what}${of}, at ${at}.`);
}

/** @param {Hand} hand */
function save(hand) {
  const { facts } = hand, name = `${facts.file}.setting.json`;
  download(name, hand.atStart && facts.given ? facts.texts.given : settingText(facts.texts.moved, hand.setting), "application/json");
  say(`Saved as ${name}. Confirm it on passes that it was not chosen on.`);
}

/** @param {Hand} hand */
async function copy(hand) {
  const { line, first } = hand.command();
  const before = first.length > 0 ? ` Save ${first.join(" and ")} first.` : "";
  try {
    await navigator.clipboard.writeText(line);
    say(`Copied: ${line}${before}`);
  } catch {
    // Where the browser refuses its clipboard, the line is selected: one key copies it.
    const code = document.createElement("code");
    code.textContent = line;
    element("said").replaceChildren("Copy this line: ", code, before);
    document.getSelection()?.selectAllChildren(code);
  }
}

/**
 * Take levels with the filter, delays and polarity of the start.
 * @param {Hand} hand
 * @param {number} on
 * @param {number} off
 */
function back(hand, on, off) {
  hand.use(hand.settingAt(on, off));
  if (!hand.usual) hand.use({ ...hand.setting, ...Object.fromEntries(KEPT.map((name) => [name, hand.facts.setting[name]])) });
}

/** @param {Hand} hand */
async function askReserve(hand) {
  element("reserve").textContent = "Reserves: being counted …";
  const { setting, passes } = hand;
  const found = await hand.server?.ask("reserve", { setting, passes: hand.corrected ? tableOf(hand) : null });
  if (hand.setting === setting && hand.passes === passes) element("reserve").textContent = typeof found === "string" ? found : found.text;
}

async function start() {
  const facts = JSON.parse(element("facts").textContent ?? "");
  introduce(facts);
  const arrays = await decoded(facts.arrays, (name) => element(`array-${name}`).textContent ?? "");
  const hand = new Hand(facts, arrays, facts.served ? new Server() : null);
  const trace = new Trace(hand, element("trace")), corrections = new Corrections(hand, trace), course = new Course(hand, trace);
  new Histogram(hand);
  if (hand.counted !== null && facts.every_pair) new SurfaceMap(hand, hand.counted);
  new Strip(hand, (row) => corrections.look(row));
  element("memory").hidden = !hand.replays && facts.delays === null;
  if (!hand.replays && facts.delays !== null) listDelays(facts);
  // Levels that follow lie on the side of the background that their polarity asks for.
  /** @type {HTMLElement} */ (input("polarity").parentElement).hidden = !hand.replays || facts.setting.kind === "following";
  const reserves = new ReserveSearch(hand, () => tellReserves(hand, reserves));
  /** @type {number|undefined} */
  let quiet;
  const tell = () => {
    tellCounts(hand);
    tellReserves(hand, reserves);
    tellSliders(hand);
    tellMemory(hand);
  };
  hand.listeners.push(tell, () => {
    clearTimeout(quiet);
    // Spoken, and put into the address, once the hand rests.
    quiet = setTimeout(() => {
      element("live").textContent = sentence(hand);
      history.replaceState(null, "", address(hand));
    }, 250);
  });
  trace.told = () => {
    const at = (/** @type {number} */ sample) => moment(facts, sample / trace.rate);
    element("span").textContent = `${at(trace.from)} to ${at(trace.to)}`
      + (trace.coarse && hand.server === null ? `, in blocks of ${facts.light.block} samples: the light itself is not here` : "");
    course.draw();
  };
  trace.told();
  nameSliders(hand);
  tell();
  holdSliders(hand);
  for (const name of KEPT) input(name).addEventListener("input", () => takeMemory(hand));
  fromAddress(hand);
  addEventListener("hashchange", () => fromAddress(hand));
  /** @type {Record<string, () => void>} */
  const buttons = {
    best: () => back(hand, facts.best.on, facts.best.off), back: () => back(hand, facts.setting.on_level, facts.setting.off_level),
    next: () => nextFault(hand, trace), save: () => save(hand), copy: () => void copy(hand), "ask-reserve": () => void askReserve(hand),
    nearer: () => trace.zoom(0.5), wider: () => trace.zoom(2), earlier: () => trace.pan(-0.5),
    later: () => trace.pan(0.5), whole: () => trace.show(0, trace.samples),
  };
  for (const [id, act] of Object.entries(buttons)) element(id).addEventListener("click", act);
  addEventListener("keydown", ({ key, target, ctrlKey, altKey, metaKey }) => {
    const typing = target instanceof HTMLInputElement || target instanceof HTMLSelectElement;
    if (key.toLowerCase() === "n" && !typing && !ctrlKey && !altKey && !metaKey) nextFault(hand, trace);
  });
  for (const query of ["(prefers-color-scheme: dark)", "print"]) {
    matchMedia(query).addEventListener("change", drawAll);
  }
  document.body.dataset.ready = "yes";
}

start().catch((fault) => {
  element("decision").textContent = `This page cannot be shown: ${fault.message}. Use a browser of 2023 or later.`;
});
