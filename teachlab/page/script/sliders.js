/**
 * Both levels as sliders: keys, drags, and what they say.
 *
 * @import {Hand, LevelName} from "./hand.js"
 */
import { sentence } from "./counts.js";
import { element, levelText, whileHeld } from "./drawing.js";

/** @type {LevelName[]} */
const LEVELS = ["on", "off"];

/**
 * Lowest and highest level that a slider reaches.
 * @param {Hand} hand
 */
function reach({ levels, on, off }) {
  return [Math.min(levels[0], on, off), Math.max(levels[levels.length - 1], on, off)];
}

/** @param {Hand} hand */
export function tellSliders(hand) {
  const { facts: { unit, distinct, step }, together } = hand, [low, high] = reach(hand);
  const told = (/** @type {number} */ level) => levelText(level, step);
  for (const name of LEVELS) {
    const knob = element(name), value = hand[name], same = hand.same(name);
    knob.style.left = `${high > low ? (100 * (value - low)) / (high - low) : 50}%`;
    knob.setAttribute("aria-valuemin", String(low));
    knob.setAttribute("aria-valuemax", String(high));
    knob.setAttribute("aria-valuenow", String(value));
    knob.setAttribute("aria-valuetext", `${told(value)} ${unit}: ${sentence(hand)}`);
    element(`${name}-value`).textContent = `${told(value)} ${unit.length > 24 ? "" : unit}`;
    const apart = hand.hysteresis > 0 ? `with a hysteresis of ${told(hand.hysteresis)}` : "without hysteresis";
    element(`${name}-same`).textContent = (together === null || name === "off" ? ""
      : `Both levels move together: with this filter and these delays only pairs ${apart} are counted. `)
      + (same === null ? "" : same.above === null ? `The counts stay the same up to ${told(same.to)}.`
        : distinct ? `The counts stay the same above ${told(same.above)}, up to ${told(same.to)}.`
          : same.above === same.to ? "The counts change at the next level counted, above and below."
            : `The counts are the same at all counted levels from ${told(same.above)} to ${told(same.to)}.`);
  }
}

/**
 * Names of the levels, by the kind of the setting.
 * @param {Hand} hand
 */
export function nameSliders({ setting, facts }) {
  const [on, off] = setting.kind === "window" ? ["upper threshold", "lower threshold"]
    : setting.kind === "following" ? ["on-level at the start", "off-level at the start"] : ["on-level", "off-level"];
  element("on-name").textContent = on;
  element("off-name").textContent = off;
  const rest = setting.kind === "window" ? "Each threshold moves with its release."
    : setting.kind === "following" ? `Both levels follow the background. Shown: where they are at a background of `
      + `${levelText(facts.setting.reference, facts.step)}.`
      : setting.kind === "turning-point" ? "It switches where the light leaves its last turning point. There are no levels to drag. "
      + "Shown: where it would switch at the background that it was taught on." : "";
  const press = facts.best === null ? "" : " or press Fewest errors";
  element("kind-note").textContent = rest;
  element("keys").hidden = setting.kind === "turning-point";
  element("drag-note").textContent = setting.kind === "turning-point" ? ""
    : `Drag a level${press}: the counts follow. Save setting keeps what you see.`;
}

/** @param {Hand} hand */
export function holdSliders(hand) {
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
    const follow = (/** @type {PointerEvent} */ event) => {
      const box = track.getBoundingClientRect(), [low, high] = reach(hand);
      hand.snap(name, low + ((event.clientX - box.left) / box.width) * (high - low));
    };
    whileHeld(track, follow, () => knob.focus());
  }
}
