"""What the page knows: facts, counts of every pair of levels, passes, and the light."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.data.setting_files import setting_text
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.draws import DRAWS, DrawOptions
from teachlab.model.json_values import plain
from teachlab.model.printable_text import printable
from teachlab.model.recording import Origin
from teachlab.model.score import USUAL_RULES, Outcome, Rules
from teachlab.page.packing import PackedArray, whole_numbers
from teachlab.questions.surface.cloud import check_family, taught_cloud
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.hindsight import best_of
from teachlab.questions.surface.values.levels import read_first, stated_levels
from teachlab.questions.surface.values.table import SUMS, TABLES
from teachlab.questions.verdict import FilesJudged, JudgedBy, setting_verdict
from teachlab.scoring.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.sensor.output import onset_lag
from teachlab.switching.run import replay
from teachlab.teaching.block import polarity_for
from teachlab.wording.notes import passes_note
from teachlab.wording.settings import setting_text as setting_words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from teachlab.model.recording import Recording
    from teachlab.model.score import Score
    from teachlab.model.setting import Setting
    from teachlab.model.teaching import Strategy
    from teachlab.model.truth import Truth
    from teachlab.model.verdict import Verdict
    from teachlab.questions.surface.cloud import SurfaceCloud
    from teachlab.questions.surface.hindsight import Hindsight
    from teachlab.questions.surface.values.table import Surface

MOST_RAW = 5_000_000
"""Up to this many samples the light itself travels in the page."""
FOLDED = 256
"""Samples of a block of which only the extremes travel where the light itself does not."""
MARKS = (1.23456789e101, 1.2345678e101)
"""Levels that stand in a text for those of the hand; no light reaches them."""
SAFE = 2**53


@dataclass(frozen=True, slots=True, eq=False)
class PageContents:
    """What the page holds.

    Parameters
    ----------
    facts : dict
        Everything but arrays, plain.
    arrays : dict of str to PackedArray
    verdict : Verdict or None
        On the setting that was given.
    setting : Setting
        At which the hand begins.
    best : Hindsight
    """

    facts: dict[str, Any]
    arrays: dict[str, PackedArray]
    verdict: Verdict | None
    setting: Setting
    best: Hindsight

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
    progress: Callable[[float], None] | None = None,
) -> PageContents:
    """Count, judge and pack what the page shows of one recording.

    Parameters
    ----------
    recording : Recording
    truth : Truth
    setting : Setting, optional
        Fixed levels; without one the hand begins at the pair with the fewest errors.
    rules : Rules, optional
    strategy : Strategy, optional
        Whose draws are shown on the map.
    draws, seed : int
        How often it is taught, and what picks what it is shown.
    files : FilesJudged, optional
        What the files are called on the command line.
    progress : callable, optional
        Called with the share counted.

    Raises
    ------
    InputError
        If the pieces do not fit together.
    """
    base = setting if setting is not None else _plain_setting(recording, truth)
    reading = read_first(recording, base.evaluation_rate_hz)
    marked = () if setting is None else (setting.on_level, setting.off_level)
    levels, distinct = stated_levels([reading])
    # Where all distinct levels are known a level acts as the next one above; beyond the last there is none.
    added = [level for level in marked if not distinct or level > levels[-1]]
    found = surface(
        recording, truth, base, levels=np.union1d(levels, added), rules=rules,
        progress=progress,
    )  # fmt: skip
    best = best_of([found])
    hand = best.setting if setting is None else setting
    cloud = None
    if strategy is not None:
        options = DrawOptions(draws=draws, seed=seed, base=hand.with_levels(0.0, 0.0), rules=rules)
        cloud = taught_cloud([(recording, truth)], strategy, options=options)
        check_family(cloud.settings, hand, of=f"what {strategy.name} teaches")
    result = score(replay(recording, hand), truth, rules=rules)
    files = files or FilesJudged(recording=recording.name)
    verdict = None
    if setting is not None:
        verdict = setting_verdict(
            recording, truth, setting, result, by=JudgedBy(rules=rules), about=files.setting or "", files=files
        )
    clock = reading.clock
    extremes = PassAndGapExtremes.of(recording, truth, evaluation_rate_hz=base.evaluation_rate_hz, rules=rules)
    kinds = list(dict.fromkeys(truth.label.tolist()))
    arrays = {"levels": PackedArray.of(found.levels), **_tables(found), **_passes(truth, kinds, extremes)}
    light, how = _light(recording, clock)
    arrays |= light
    if not how["raw"]:
        # Where the page cannot replay, it knows at least which passes and gaps go wrong at the levels it begins with.
        arrays |= _outcomes(result)
    facts = {
        "schema": 1,
        **_about(recording, truth, files),
        "rules": {"tolerance_ms": rules.tolerance_ms, "confidence": rules.confidence},
        "clock": {
            "count": clock.count, "numerator": clock.numerator, "denominator": clock.denominator,
            "rate": clock.rate_hz, "sampleRate": clock.sample_rate_hz, "samples": clock.samples,
        },
        "light": how,
        "switching": _switching(hand),
        "hand": {"on": hand.on_level, "off": hand.off_level},
        "given": setting is not None,
        "words": setting_words(hand),
        "texts": _texts(hand, setting),
        "verdict": _said(verdict, best, synthetic=recording.info.origin is Origin.SYNTHETIC),
        "best": _best(best),
        "kinds": [printable(name) for name in kinds],
        "cloud": None if cloud is None else _landed(cloud),
        "lag": onset_lag(hand, clock),
        "distinct": found.distinct,
        "every_pair": found.every_pair,
        **{name: getattr(found, name) for name in SUMS},
    }  # fmt: skip
    described = {name: one.as_dict() for name, one in arrays.items()}
    return PageContents(plain(facts) | {"arrays": described}, arrays, verdict, hand, best)


def _plain_setting(recording: Recording, truth: Truth) -> Setting:
    from teachlab.model.setting import Setting

    polarity = polarity_for(recording, truth)
    return Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0, polarity=polarity)


def _switching(hand: Setting) -> dict[str, Any]:
    return {
        "lightOn": hand.light_on, "consecutive": hand.consecutive, "onDelayMs": hand.on_delay_ms,
        "offDelayMs": hand.off_delay_ms, "delaysActOnLight": str(hand.delays_act_on) == "light",
    }  # fmt: skip


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
    }


def _arguments(files: FilesJudged) -> dict[str, str]:
    """Return what names recording and setting on a command line."""
    truth = "" if files.truth is None else f" --truth {shlex.quote(files.truth)}"
    setting = "" if files.setting is None else shlex.quote(files.setting)
    return {"recording": shlex.quote(files.recording) + truth, "setting": setting}


def _texts(hand: Setting, setting: Setting | None) -> dict[str, Any]:
    """Return the text of the setting's file, and what stands around the levels in that of another pair."""
    text = setting_text(hand.with_levels(*MARKS))
    before, rest = text.split(repr(MARKS[0]))
    between, after = rest.split(repr(MARKS[1]))
    given = setting_text(hand if setting is None else setting)
    return {"given": given, "template": [before, between, after]}


def _said(verdict: Verdict | None, best: Hindsight, *, synthetic: bool) -> dict[str, Any]:
    """Return the first line of the page: decision, claim, reasons."""
    if verdict is None:
        return {
            "decision": "no setting was given",
            "claim": f"The levels begin at the pair with the fewest errors. {best.equally_good:,} pairs are as good. "
            "Nothing is claimed: the pair was chosen with full knowledge of these passes.",
            "reasons": [],
            "conditions": [],
            "rehearsal": synthetic,
        }
    return {
        "decision": verdict.decision,
        "claim": "" if verdict.claim is None else printable(verdict.claim.text),
        "reasons": [printable(reason.text) for reason in verdict.reasons[:3]],
        "conditions": [printable(text) for text in verdict.conditions[:1]],
        "rehearsal": verdict.rehearsal,
    }


def _best(best: Hindsight) -> dict[str, Any]:
    return {
        "on": best.setting.on_level, "off": best.setting.off_level, "equally_good": best.equally_good,
        "counts": dict(best.counts),
    }  # fmt: skip


def _landed(cloud: SurfaceCloud) -> dict[str, Any]:
    """Return where a strategy lands, and what that costs, in words."""
    spread, none = cloud.spread(), cloud.abstained + cloud.failed
    told = f"{len(cloud.settings) + none} draws, taught on this recording"
    if spread is not None:
        told += f"; errors per pass {spread['median']:.3g} (5 to 95 %: {spread['p05']:.3g} to {spread['p95']:.3g})"
    told += f"; {none} gave no setting." if none else "."
    return {
        "strategy": cloud.strategy, "told": told,
        "on": [one.on_level for one in cloud.settings], "off": [one.off_level for one in cloud.settings],
    }  # fmt: skip


def _tables(found: Surface) -> dict[str, PackedArray]:
    """Return every table; of zero hysteresis only its diagonal, where nothing else was counted."""
    out = {}
    for name in TABLES:
        table: NDArray[Any] = getattr(found, name).astype(np.int32)
        kept = np.tril(table) if found.every_pair else table.diagonal()
        out[f"table_{name}"] = PackedArray.of(kept, differences=kept.ndim)
    return out


def _passes(truth: Truth, kinds: list[str], extremes: PassAndGapExtremes) -> dict[str, PackedArray]:
    code = {name: k for k, name in enumerate(kinds)}
    low, high = np.full(truth.passes, np.nan), np.full(truth.passes, np.nan)
    low[extremes.pass_rows], high[extremes.pass_rows] = extremes.passes.low, extremes.passes.high
    left_out = np.array(truth.except_, np.int64).reshape(-1)
    vectors: Mapping[str, NDArray[Any]] = {
        "start": whole_numbers(truth.start),
        "end": whole_numbers(truth.end),
        "detect": truth.detect.astype(np.uint8),
        "kind": np.array([code[name] for name in truth.label.tolist()], np.int32),
        "left_out": whole_numbers(left_out),
        "pass_low": low,
        "pass_high": high,
        "gap_low": extremes.gaps.low,
        "gap_high": extremes.gaps.high,
    }
    return {name: PackedArray.of(one, differences=int(one.dtype.kind == "i")) for name, one in vectors.items()}


def _outcomes(result: Score) -> dict[str, PackedArray]:
    again = (result.trials.passes == Outcome.HIT) & (result.trials.pass_onsets > 1)
    return {
        "start_passes": PackedArray.of(result.trials.passes.astype(np.uint8)),
        "start_again": PackedArray.of(again.astype(np.uint8)),
        "start_gaps": PackedArray.of(result.trials.gaps.astype(np.uint8)),
    }


def _light(recording: Recording, clock: Clock) -> tuple[dict[str, PackedArray], dict[str, Any]]:
    """Return the light itself where it is short enough, else the extremes of blocks."""
    if recording.samples <= MOST_RAW and max(clock.numerator, clock.denominator) < SAFE:
        return _raw(recording), {"raw": True}
    size = FOLDED
    blocks = -(-recording.samples // size)
    low, high = np.full(blocks, np.nan, np.float32), np.full(blocks, np.nan, np.float32)
    for k in range(0, blocks, 4096):
        block = recording.read(k * size, min((k + 4096) * size, recording.samples))
        light = block.as_float()
        padded = np.full(-(-light.size // size) * size, np.nan)
        padded[: light.size] = light
        rows = padded.reshape(-1, size)
        some = ~np.isnan(rows).all(axis=1)
        at = slice(k, k + rows.shape[0])
        low[at][some], high[at][some] = np.nanmin(rows[some], axis=1), np.nanmax(rows[some], axis=1)
    return {"low": PackedArray.of(low), "high": PackedArray.of(high)}, {"raw": False, "block": size}


def _raw(recording: Recording) -> dict[str, PackedArray]:
    block = recording.read(0, recording.samples)
    light, kind = block.light, recording.dtype
    if kind == np.float16:
        light = light.astype(np.float32)
    elif kind.kind == "b" or kind.itemsize == 8:
        # Light is compared as float64 values, so nothing is lost that a comparison would see.
        light = light.astype(np.float64)
    out = {"light": PackedArray.of(light, differences=int(light.dtype.kind in "iu"))}
    invalid = block.invalid_mask()
    if invalid is not None and invalid.any():
        out["invalid"] = PackedArray.of(invalid.astype(np.uint8))
    return out
