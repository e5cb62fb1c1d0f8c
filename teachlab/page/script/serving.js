/**
 * What the server beside the page adds: the whole light at any zoom, every setting replayed, passes saved.
 *
 * @import {ArrayFacts, Numbers} from "./decoding.js"
 * @import {Setting} from "./switching.js"
 * @import {Now, Hand} from "./hand.js"
 * @typedef {{from: number, to: number, block: number, low: Numbers, high: Numbers}} NearLight
 * @typedef {{start: number[], end: number[], detect: boolean[], label: string[], lot: string[]|null}} PassTable
 */
import { decoded } from "./decoding.js";

export class Server {
  /**
   * An answer; the text of a fault where there is none.
   * @param {string} what
   * @param {object} asked
   * @returns {Promise<any>}
   */
  async ask(what, asked) {
    try {
      const answer = await fetch(what, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(asked) });
      const found = await answer.json();
      return answer.ok ? found : String(found.error);
    } catch {
      return "The server does not answer: was it stopped? Start teachlab explore --serve again.";
    }
  }

  /**
   * @param {{arrays: Record<string, ArrayFacts>, texts: Record<string, string>}} found
   */
  arrays({ arrays, texts }) {
    return decoded(arrays, (name) => texts[name]);
  }

  /**
   * Replay a setting over the whole recording.
   * @param {Setting} setting
   * @param {Hand|null} corrected whose passes are scored, where they are not those of the file
   * @returns {Promise<Now|string>}
   */
  async count(setting, corrected) {
    const { on_level: on, off_level: off, ...rest } = setting;
    // A file of turning points holds no levels: they follow from the rest.
    const stated = setting.kind === "turning-point" ? rest : { ...rest, on_level: on, off_level: off };
    const found = await this.ask("count", { setting: stated, passes: corrected === null ? null : tableOf(corrected) });
    if (typeof found === "string") return found;
    const { passes, again, gaps, gap_start: gapStart, gap_stop: gapStop, runs } = await this.arrays(found);
    return {
      counts: found.counts, basis: "server", trials: found.trials, output: { output: runs },
      scored: { passes, again, gaps, gapStart, gapStop, inverted: found.inverted },
    };
  }

  /**
   * Extremes of the light between two samples.
   * @param {number} from
   * @param {number} to
   * @param {number} columns
   * @returns {Promise<NearLight|string>}
   */
  async light(from, to, columns) {
    const found = await this.ask("light", { from, to, columns });
    if (typeof found === "string") return found;
    const { low, high } = await this.arrays(found);
    return { from: found.from, to: found.to, block: found.block, low, high };
  }
}

/**
 * The passes of the hand with the names of the file.
 * @param {Hand} hand
 * @returns {PassTable}
 */
export function tableOf({ passes, facts }) {
  return {
    start: Array.from(passes.start), end: Array.from(passes.end), detect: Array.from(passes.detect, (d) => d !== 0),
    label: Array.from(passes.kind, (k) => facts.labels[k]),
    lot: passes.lot === null ? null : Array.from(passes.lot, (k) => facts.lot_names[k]),
  };
}
