"""What the page knows: facts, counts of every pair of levels, passes, and the light."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment.finding import off_lines
from teachlab.data.quality.labelling import propose_passes
from teachlab.data.quality.pass_doubts import pass_doubts
from teachlab.data.setting_files import setting_text
from teachlab.data.truth_files import truth_document
from teachlab.device.logged_edges import logged_runs
from teachlab.errors import InputError, TruthError
from teachlab.evidence.record_parts import Sources, source_name
from teachlab.evidence.wording import overall_text
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.draws import DRAWS, DrawOptions
from teachlab.model.following_and_window import without_kind
from teachlab.model.json_values import plain
from teachlab.model.margin import Margin
from teachlab.model.printable_text import cut, cut_percent, in_figures, number_of, printable, typed_again
from teachlab.model.recording import Origin, Recording
from teachlab.model.score import USUAL_RULES, Outcome, Rules, Score
from teachlab.model.setting import Setting, bare
from teachlab.model.setting_words import setting_in_words
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth, TruthSource
from teachlab.model.verdict import Verdict
from teachlab.page.assembly import page_html
from teachlab.page.chains import Chain, chains_of
from teachlab.page.delays import delay_rows
from teachlab.page.light import packed_light
from teachlab.page.packing import PackedArray, shortest, whole_numbers
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.stress.worth import worth_of
from teachlab.questions.surface.cloud import SurfaceCloud, check_family, taught_cloud
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.questions.surface.hindsight import Hindsight, best_of, errors_of, level_decision
from teachlab.questions.surface.values.levels import FirstReading, read_first, stated_levels
from teachlab.questions.surface.values.table import COUNTED, Surface
from teachlab.questions.verdict import FilesJudged, JudgedBy, setting_verdict
from teachlab.questions.verdict.nearness import light_step
from teachlab.scoring.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.sensor.output import Output, onset_lag
from teachlab.teaching.block import polarity_for
from teachlab.wording.notes import passes_note
from teachlab.wording.verdict import REFUSED, decision_text, verdict_of

MOST_KINDS = 12
"""Kinds of object of which each gets a table of its own."""
MOST_READ = 4e8
"""Samples that are read for tables of kinds: one reading each."""
MOST_STRESSED = 2e7
"""Samples up to which reserves are searched."""
MOST_DOUBTS = 2000
"""Passes whose doubt is told in words."""


@dataclass(frozen=True, slots=True, eq=False)
class PageContents:
    """What the page holds.

    `facts`: everything but arrays, plain.
    `verdict`: on the setting that was given.
    `setting`: at which the hand begins.
    `best`: of all pairs of fixed levels.
    """

    facts: dict[str, Any]
    arrays: dict[str, PackedArray]
    verdict: Verdict | None
    setting: Setting
    best: Hindsight | None

    def with_server(self) -> PageContents:
        """Return the same for a page beside which a server stands, that answers what is not in it."""
        return replace(self, facts={**self.facts, "served": True})

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form: what is told beside the page."""
        return {
            "schema": 1,
            "verdict": plain(self.verdict),
            "recording": self.facts["recording"],
            "setting": plain(self.setting),
            "hindsight": plain(self.best),
            "light_in_page": bool(self.facts["light"]["raw"]),
        }


def page_contents(
    recording: Recording,
    truth: Truth,
    setting: Setting | None = None,
    *,
    rules: Rules = USUAL_RULES,
    strategy: Strategy | None = None,
    draws: int = DRAWS,
    seed: int = 0,
    files: FilesJudged | None = None,
    judged: Verdict | None = None,
    progress: Callable[[float], None] | None = None,
) -> PageContents:
    """Count, judge and pack what the page shows of one recording.

    `setting`: of any kind; without one the hand begins at the pair of fixed levels with the fewest errors.
    `strategy`: whose draws are shown on the map.
    `draws`, `seed`: how often it is taught, and what picks what it is shown.
    `files`: what the files are called on the command line.
    `judged`: the verdict on the setting, if a record holds it already.
    Raises InputError if the pieces do not fit together.
    """
    files = files or FilesJudged(recording=recording.name)
    if not truth.detect.any():
        raise TruthError(
            f"{printable(recording.name)}: no pass is to be detected, and the page counts passes. Make passes first: "
            f"teachlab label {typed_again(files.recording)}"
        )
    hand = setting if setting is not None else _plain_setting(recording, truth)
    reading = read_first(recording, hand.evaluation_rate_hz)
    clock = reading.clock
    levels, distinct = _levels(reading, setting)
    best, found, arrays = None, None, {"levels": PackedArray.of(levels)}
    kinds = sorted(set(truth.label.tolist()), key=_natural)
    if type(hand) is Setting:
        found = surface(recording, truth, hand, levels=levels, rules=rules, progress=progress)
        best = best_of([found])
        hand = best.setting if setting is None else hand
        arrays |= _tables(found) | _tables_of_kinds(recording, truth, kinds, found, rules)
    chains = chains_of(recording, truth, hand, levels, rules=rules, progress=progress)
    for chain in chains:
        arrays |= chain.arrays()
    cloud = None
    if strategy is not None:
        options = DrawOptions(draws=draws, seed=seed, base=without_kind(hand).with_levels(0.0, 0.0), rules=rules)
        cloud = taught_cloud([(recording, truth)], strategy, options=options)
        check_family(cloud.settings, hand, of=f"what {strategy.name} teaches")
    seen = SettingReading(recording, truth, hand, rules=rules)
    output, measured = seen.output, seen.extremes
    result = score(output, truth, rules=rules)
    margin = seen.margin_where_known(result)
    verdict = None if setting is None else judged or _judged(seen, setting, result, files, margin)
    off = off_lines(seen.alignment()) if setting is None else []
    doubts, why = _doubts(recording, truth)
    arrays |= pass_arrays(truth, kinds, measured, doubts)
    light, how = packed_light(recording, clock, _places(truth, output, result, measured))
    arrays |= light
    delayed = None
    if not how["raw"]:
        delayed = delay_rows(recording, truth, hand, levels, clock, rules=rules)
        arrays |= {} if delayed is None else delayed.arrays()
        # Where the page cannot replay, it knows at least which passes and gaps go wrong at the levels it begins with.
        arrays |= {f"start_{name}": PackedArray.of(one) for name, one in outcomes(result).items()}
        arrays["start_runs"] = PackedArray.of(active_runs(output), differences=1)
    if (logged := logged_runs(recording)) is not None:
        arrays["logged_runs"] = PackedArray.of(whole_numbers(logged.ravel()), differences=1)
    facts = {
        "schema": 1,
        **_about(recording, truth, files),
        "rules": {"tolerance_ms": rules.tolerance_ms, "confidence": rules.confidence},
        "clock": clock_facts(clock),
        "light": how,
        **_about_setting(hand, setting, light_step(recording, margin)),
        "served": False,
        "verdict": _said(
            verdict, best, result.counts.scored_passes, off, synthetic=recording.info.origin is Origin.SYNTHETIC
        ),
        # Where nothing is claimed at the start, nothing is at other levels of the same passes.
        "claims": truth.source is not TruthSource.SELF_LABELLED and (
            verdict is None or (verdict.claim is not None and verdict.claim.upper is not None)
        ),
        "best": _best(best, chains),
        "receiver": receiver_facts(recording, reading),
        # Where the light travels the page searches reserves itself.
        "reserves": [] if how["raw"] else _reserves(recording, truth, hand, best, rules),
        **_about_passes(truth, kinds),
        "doubts": why,
        "cloud": None if cloud is None else _landed(cloud),
        "lag": onset_lag(hand, clock),
        "distinct": distinct,
        "every_pair": found is not None and found.every_pair,
        "tables": found is not None,
        "chains": [chain.moves for chain in chains],
        "delays": None if delayed is None else delayed.facts(),
        "counts": PairCounts.of(result, truth).by_table(),
        "trials": trials_of(result),
        "table_trials": None if found is None else {
            "detect": found.detect_trials, "ignore": found.ignore_trials, "gaps": found.gap_trials,
            "hours": found.running_hours,
        },
    }  # fmt: skip
    described = {name: one.as_dict() for name, one in arrays.items()}
    return PageContents(plain(facts) | {"arrays": described}, arrays, verdict, hand, best)


def _plain_setting(recording: Recording, truth: Truth) -> Setting:
    polarity = polarity_for(recording, truth)
    return Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0, polarity=polarity)


def _levels(reading: FirstReading, setting: Setting | None) -> tuple[NDArray[np.float64], bool]:
    """Return the levels that are counted, those of a setting among them, and whether they are all distinct ones."""
    marked = () if setting is None else (setting.on_level, setting.off_level)
    levels, distinct = stated_levels([reading])
    # Where all distinct levels are known a level acts as the next one above; beyond the last there is none.
    return np.union1d(levels, [level for level in marked if not distinct or level > levels[-1]]), distinct


def _judged(
    seen: SettingReading, setting: Setting, result: Score, files: FilesJudged, margin: Margin | None
) -> Verdict:
    by = JudgedBy(files=files, alignment=seen.alignment())
    return setting_verdict(seen, setting, result, by=by, about=by.setting_file, margin=margin)


def _natural(name: str) -> tuple[list[tuple[int, str]], str]:
    """Return a key by which kind 2 comes before kind 10."""
    parts = re.split(r"([0-9]{1,15})", name)
    return [(int(part), "") if k % 2 else (0, part.casefold()) for k, part in enumerate(parts)], name


def _about(recording: Recording, truth: Truth, files: FilesJudged) -> dict[str, Any]:
    info = recording.info
    return {
        "title": printable(info.title or recording.name),
        "recording": printable(recording.name),
        "command": _arguments(files),
        "file": printable(Path(files.recording).stem),
        "unit": printable(info.unit),
        "samples": recording.samples,
        "sample_rate_hz": info.sample_rate_hz,
        "uncertainty_samples": truth.uncertainty_samples,
        "note": passes_note(truth),
        "began": None if info.began is None else info.began.replace(tzinfo=None).isoformat(),
    }


def _about_setting(hand: Setting, given: Setting | None, step: float | None) -> dict[str, Any]:
    return {
        "setting": {**hand.as_dict(), "on_level": hand.on_level, "off_level": hand.off_level, "taught": None},
        "given": given is not None,
        "step": step,
        "words": setting_in_words(hand, step),
        "texts": {"given": setting_text(given or hand), "moved": setting_text(bare(hand))},
    }


def _about_passes(truth: Truth, kinds: list[str]) -> dict[str, Any]:
    lots = None if truth.lot is None else list(dict.fromkeys(truth.lot.tolist()))
    return {
        "kinds": [printable(name) for name in kinds],
        "labels": kinds,
        "lots": [printable(name) for name in lots or ()],
        "lot_names": lots,
        "passes": truth_document(truth, tied=False),
    }


def _arguments(files: FilesJudged) -> dict[str, str]:
    """Return what names recording and setting on a command line."""
    return {
        "recording": shlex.quote(files.recording),
        "truth": "" if files.truth is None else f" --truth {shlex.quote(files.truth)}",
        "setting": "" if files.setting is None else shlex.quote(files.setting),
    }


def _said(
    verdict: Verdict | None, best: Hindsight | None, passes: int, off: list[str], *, synthetic: bool
) -> dict[str, Any]:
    """Return the first line of the page: decision, claim, reasons.

    Without a setting: whether a fixed level works, and how passes lie off the light.
    """
    if verdict is None and best is not None:
        return {
            "decision": level_decision(best, passes - best.touching),
            "claim": f"No setting was given: the page starts at the pair of levels with the fewest errors, "
            f"{errors_of(best)}. {number_of(best.equally_good, 'pair has', 'pairs have')} as few. "
            "Nothing is claimed, since the pair was chosen on these same passes.",
            "reasons": [],
            "open": False,
            "conditions": [printable(text) for text in off],
            "rehearsal": synthetic,
        }
    assert verdict is not None  # noqa: S101 -- a page without a setting begins at the best pair
    return {
        "decision": decision_text(verdict.decision, verdict.tried),
        "claim": "" if verdict.claim is None else printable(verdict.claim.text),
        "reasons": [printable(reason.told if reason.better else reason.text) for reason in verdict.reasons[:3]],
        # A claim alone does not say why a setting is not to be used.
        "open": str(verdict.decision) in REFUSED,
        "conditions": [printable(text) for text in verdict.conditions[:1]],
        "rehearsal": verdict.rehearsal,
    }


def _best(best: Hindsight | None, chains: list[Chain]) -> dict[str, Any] | None:
    """Return the fewest errors that were counted beforehand, and where: of all pairs, or along the rows."""
    if best is not None and not chains:
        return {
            "on": best.setting.on_level, "off": best.setting.off_level, "equally_good": best.equally_good,
            "counts": {**best.counts, "touching": best.touching}, "of": "all pairs",
        }  # fmt: skip
    rows = [(one, counts) for chain in chains for one, counts in zip(chain.settings, chain.counts, strict=True)]
    if not rows:
        return None
    errors = np.array([n.errors for _, n in rows])
    alike = np.flatnonzero(errors == errors.min())
    # The middle of the longest stretch of neighbours, so that there is room on both sides.
    longest = max(np.split(alike, np.flatnonzero(np.diff(alike) > 1) + 1), key=len)
    one, counts = rows[int(longest[longest.size // 2])]
    return {
        "on": one.on_level, "off": one.off_level, "equally_good": int(alike.size),
        "counts": counts.by_table(), "of": "the levels counted",
    }  # fmt: skip


def clock_facts(clock: Clock) -> dict[str, Any]:
    """Return what the script knows of the clock."""
    return {
        "count": clock.count, "numerator": clock.numerator, "denominator": clock.denominator, "rate": clock.rate_hz,
        "sampleRate": clock.sample_rate_hz, "samples": clock.samples,
    }  # fmt: skip


def receiver_facts(recording: Recording, reading: FirstReading) -> dict[str, float | None]:
    """Return what stress takes from the receiver, and the extremes of the light that was evaluated."""
    info = recording.info
    return {"dark": info.dark_level, "full": info.full_scale, "low": reading.low, "high": reading.high}


def _reserves(
    recording: Recording, truth: Truth, hand: Setting, best: Hindsight | None, rules: Rules
) -> list[dict[str, Any]]:
    """Return what light may be lost and added before the first error, for a setting of fixed levels and the best."""
    if type(hand) is not Setting or recording.samples > MOST_STRESSED:
        return []
    settings = dict.fromkeys(bare(one) for one in ([hand] if best is None else [hand, best.setting]))
    return [
        {"on": one.on_level, "off": one.off_level, "text": reserve_text(recording, truth, one, rules)}
        for one in settings
    ]


def reserve_text(recording: Recording, truth: Truth, setting: Setting, rules: Rules) -> str:
    """Say how much light may be lost, and how much ambient light added, before the first error.

    The page does the same in script: ``reserveWords``.
    """
    try:
        worth = worth_of(SettingReading(recording, truth, setting, rules=rules))
    except InputError as fault:
        return f"Reserves cannot be measured: {fault}"
    found = worth.reserves
    if found is None:
        return f"Reserves cannot be measured here: {worth.left_out or 'no pass is scored'}."
    loss, rise = found["contamination_reserve"], found["ambient_reserve"]
    if rise is None:
        return "No reserve: there are errors already as recorded."
    unit, told, dark = printable(recording.info.unit), "", in_figures(recording.info.dark_level, 6)
    share = f" No share of the light can be stated with the dark level of {dark} {unit}."
    if loss is not None:
        told, share = f"{in_figures(cut_percent(loss), 3)} % of the light may be lost, or ", ""
    risen = f"ambient light may rise by {in_figures(cut(rise, 4), 4)} {unit}"
    return f"Reserves on this recording: {told}{risen}, before the first error.{share}"


def _landed(cloud: SurfaceCloud) -> dict[str, Any]:
    """Return where a strategy lands, and what that costs, in words."""
    spread, none = cloud.spread(), cloud.abstained + cloud.failed
    told = f"{number_of(len(cloud.settings) + none, 'draw')}, taught on this recording"
    if spread is not None:
        told += f"; errors per pass {spread['median']:.3g} (5 to 95 %: {spread['p05']:.3g} to {spread['p95']:.3g})"
    told += f"; {none} gave no setting." if none else "."
    return {
        "strategy": cloud.strategy, "told": told,
        "on": [one.on_level for one in cloud.settings], "off": [one.off_level for one in cloud.settings],
    }  # fmt: skip


def levels_page(
    recording: Recording, truth: Truth, setting: Setting, sources: Sources, rules: Rules, verdict: Mapping[str, Any]
) -> str:
    """Return the page of a setting on its whole recording, beside a record: it names files as they lie there.

    `verdict`: that of the record. The page begins with the same words, and with criteria that are not met.
    """
    given = None if sources.setting is None else source_name(sources.setting)
    files = FilesJudged(recording=source_name(sources.recording), setting=given, truth=source_name(sources.truth))
    judged = verdict_of(verdict, setting)
    found = page_contents(recording, truth, setting, rules=rules, files=files, judged=judged)
    if verdict["overall"] not in (None, "met"):
        said = found.facts["verdict"]
        said["decision"] = f"{overall_text(verdict)} {said['decision']}"
    return page_html(found)


def _tables(found: Surface) -> dict[str, PackedArray]:
    """Return every table; of zero hysteresis only its diagonal, where nothing else was counted."""
    out = {}
    for name in COUNTED:
        out[f"table_{name}"] = _packed(getattr(found, "touching_merges" if name == "touching" else name), found)
    return out


def _packed(table: NDArray[Any], found: Surface) -> PackedArray:
    kept = (np.tril(table) if found.every_pair else table.diagonal()).astype(np.int32)
    return PackedArray.of(kept, differences=kept.ndim)


def _tables_of_kinds(
    recording: Recording, truth: Truth, kinds: list[str], found: Surface, rules: Rules
) -> dict[str, PackedArray]:
    """Return errors in passes lost at every pair of levels, of each kind; they sum to those of all."""
    if not 1 < len(kinds) <= MOST_KINDS or len(kinds) * recording.samples > MOST_READ:
        return {}
    out = {}
    for k, name in enumerate(kinds):
        # Passes to be ignored keep their windows, so that nothing moves but what is counted.
        of_kind = replace(truth, detect=truth.detect & (truth.label == name))
        seen = surface(recording, of_kind, found.base, levels=found.levels, rules=rules)
        out[f"kind_lost_{k}"] = _packed(seen.lost - seen.touching_merges, found)
    return out


def pass_arrays(
    truth: Truth, kinds: list[str], extremes: PassAndGapExtremes, doubts: NDArray[np.uint8]
) -> dict[str, PackedArray]:
    """Return the passes, and how far the light of each pass and gap reaches."""
    code = {name: k for k, name in enumerate(kinds)}
    low, high = np.full(truth.passes, np.nan), np.full(truth.passes, np.nan)
    low[extremes.pass_rows], high[extremes.pass_rows] = extremes.passes.low, extremes.passes.high
    left_out = np.array(truth.except_, np.int64).reshape(-1)
    vectors: dict[str, NDArray[Any]] = {
        "start": whole_numbers(truth.start),
        "end": whole_numbers(truth.end),
        "detect": truth.detect.astype(np.uint8),
        "kind": np.array([code[name] for name in truth.label.tolist()], np.int32),
        "doubt": doubts,
        "left_out": whole_numbers(left_out),
        "pass_low": shortest(low),
        "pass_high": shortest(high),
        "gap_low": shortest(extremes.gaps.low),
        "gap_high": shortest(extremes.gaps.high),
    }
    if truth.lot is not None:
        lots = {name: k for k, name in enumerate(dict.fromkeys(truth.lot.tolist()))}
        vectors["lot"] = np.array([lots[name] for name in truth.lot.tolist()], np.int32)
    return {name: PackedArray.of(one, differences=int(one.dtype.kind == "i")) for name, one in vectors.items()}


def _doubts(recording: Recording, truth: Truth) -> tuple[NDArray[np.uint8], dict[str, str]]:
    """Return how far each pass is in doubt by the light, percent, and what is unusual about the most doubtful."""
    doubts = np.zeros(truth.passes, np.uint8)
    try:
        found = pass_doubts(recording, replace(propose_passes(recording), truth=truth))
    except InputError:  # light without two levels gives no doubts
        return doubts, {}
    doubts[:] = [round(100 * one.doubt) for one in found]
    told = sorted((one for one in found if one.reason), key=lambda one: -one.doubt)[:MOST_DOUBTS]
    return doubts, {str(one.row): one.reason for one in told}


def outcomes(result: Score) -> dict[str, NDArray[np.uint8]]:
    """Return what became of every pass and gap, and which passes have extra switching."""
    again = (result.trials.passes == Outcome.HIT) & (result.trials.pass_onsets > 1)
    return {
        "passes": result.trials.passes.astype(np.uint8),
        "again": again.astype(np.uint8),
        "gaps": result.trials.gaps.astype(np.uint8),
    }


def active_runs(output: Output) -> NDArray[Any]:
    """Return where the output is active as the script holds it: begin, end, begin, end, … in evaluations."""
    start, stop = output.output.runs(output.clock.count)
    return whole_numbers(np.stack((start.clip(min=0), stop), axis=1).reshape(-1))


def trials_of(result: Score) -> dict[str, float]:
    """Return how many trials were scored, and over how many hours."""
    n = result.counts
    return {
        "detect": n.scored_passes, "ignore": n.scored_ignore_passes, "gaps": n.gaps, "hours": result.running_hours,
    }  # fmt: skip


def _places(truth: Truth, output: Output, result: Score, extremes: PassAndGapExtremes) -> Iterator[tuple[int, int]]:
    """Give what the page shows around errors at a setting, then around the passes closest to its level."""
    setting, trials = output.setting, result.trials
    wrong = trials.lost | (trials.passes == Outcome.TRIPPED) | trials.hit_again
    reach = extremes.passes.high if setting.light_on else extremes.passes.low
    closest = extremes.pass_rows[np.argsort(np.abs(reach - setting.activation), kind="stable")]
    onsets = output.onsets
    before = np.searchsorted(truth.start, onsets, side="right") - 1
    outside = (before < 0) | (onsets >= truth.end[before])
    for start, end in zip(truth.start[wrong].tolist(), truth.end[wrong].tolist(), strict=True):
        yield _around(start, end)
    for at in onsets[outside].tolist():
        yield _around(at, at + 1)
    for row in closest[~wrong[closest]].tolist():
        yield _around(int(truth.start[row]), int(truth.end[row]))


def _around(start: int, end: int) -> tuple[int, int]:
    """Return what the page shows of a stretch when it goes there; ``Trace.visit`` does the same."""
    around = max(4 * (end - start), 60)
    return start - around, end + around
