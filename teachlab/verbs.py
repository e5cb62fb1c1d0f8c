"""The verbs of the package: one function per question, on paths or on values.

A recording is a path, a URI or a `Recording`. Its passes are a path or a `Truth`; by default, for a recording in a
file, the passes beside it. A setting is a path or a `Setting`. A strategy is a name, ``./file.py:Class``, a class or an
instance of one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial, wraps
from inspect import signature
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, Protocol, TypeVar, Union, Unpack, cast

from teachlab.errors import InputError, SettingError
from teachlab.model.draws import DRAWS, TEACH_SHARE, Costs, DrawOptions
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Direction, Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.wording.notebook import Told
from teachlab.wording.rates import percent

if TYPE_CHECKING:
    from teachlab import pipeline
    from teachlab.data.alignment import AlignAnswer, Alignment
    from teachlab.device.agreement import Agreement
    from teachlab.device.card import SettingCard
    from teachlab.device.device_file import DeviceDocument
    from teachlab.device.identified import Identification
    from teachlab.evidence.finding import Verification
    from teachlab.model.verdict import Verdict
    from teachlab.questions.compare import CompareAnswer
    from teachlab.questions.counterfactual import Counterfactual
    from teachlab.questions.coverage import Coverage
    from teachlab.questions.coverage.cycles import Cycle
    from teachlab.questions.design import DesignAnswer
    from teachlab.questions.label import LabelAnswer
    from teachlab.questions.plan import PlanAnswer
    from teachlab.questions.quality import InspectAnswer
    from teachlab.questions.repeatability import RepeatabilityAnswer
    from teachlab.questions.repeatability.study import Question
    from teachlab.questions.replay import ReplayAnswer
    from teachlab.questions.stale import Staleness
    from teachlab.questions.stress import StressAnswer
    from teachlab.questions.surface import SurfaceAnswer
    from teachlab.questions.timing import TimingAnswer
    from teachlab.questions.verdict import JudgedBy
    from teachlab.studies.family.family_answer import StudyAnswer
    from teachlab.studies.family.study_plan import StudyKeywords
    from teachlab.studies.result import RecordingBench
    from teachlab.testing.report import ConformanceReport

RecordingLike = str | PathLike[str] | Recording
TruthLike = str | PathLike[str] | Truth
SettingLike = str | PathLike[str] | Setting
DeviceLike = Union[str, PathLike[str], "DeviceDocument"]
StrategyLike = str | Strategy | type[Strategy]
Judged = TypeVar("Judged", bound="HasVerdict")
P = ParamSpec("P")
R = TypeVar("R")
NAMES = {
    "truth": "passes", "before_truth": "before_passes", "setting": "settings", "with": "other", "from": "corrected",
    "taught": "values", "cycle": "cycles", "out": "folder", "strategy": "strategies", "tolerance_samples": "tolerance",
    "lag_samples": "lag", "speed": "speeds",
}  # fmt: skip
"""Keywords of options that have another name in a command."""


class HasVerdict(Protocol):
    """An answer that judges."""

    @property
    def verdict(self) -> Any:
        """Decision, claim, reasons, next step."""


def _in_keywords(verb: Callable[P, R]) -> Callable[P, R]:
    """Let a refusal name the keywords of a verb, where the room names options of the command, and the files given."""
    known = signature(verb)

    @wraps(verb)
    def called(*given: P.args, **named: P.kwargs) -> R:
        try:
            return verb(*given, **named)
        except InputError as fault:
            text = _with_keywords(str(fault), known.parameters)
            values = known.bind(*given, **named).arguments
            pair = values.get("setting", values.get("base")), values.get("recording")
            files = [fspath(one) for one in pair if isinstance(one, str | PathLike)]
            if isinstance(fault, SettingError) and len(files) == len(pair) and files[0] not in text:
                text = f"{' on '.join(files)}: {text}"
            fault.args = (text,)
            raise

    return called


def _with_keywords(text: str, known: Iterable[str]) -> str:
    """Return a message with the options of a command as keywords; commands in it stay as they are.

    Examples
    --------
    >>> _with_keywords("leave out --beam-mm with --setting", ["beam_mm", "settings"])
    'leave out beam_mm with settings'
    >>> _with_keywords("min-ms must not be 0; see `teachlab label --min-ms`", ["min_ms"])
    'min_ms must not be 0; see `teachlab label --min-ms`'
    """
    names = frozenset(known)

    def keyword(found: re.Match[str]) -> str:
        word = found[1].replace("-", "_") if found[1] else ""
        meant = word if word in names else NAMES.get(word, "")
        return meant if meant in names else found[0]

    return re.sub(r"`[^`]*`|\bteachlab [a-z][^:;]*|(?:--|(?<![\w-])(?=[a-z]+-))([a-z]+(?:-[a-z]+)*)", keyword, text)


@_in_keywords
def inspect(
    recording: RecordingLike, passes: TruthLike | None = None, *, rules: Rules = USUAL_RULES
) -> Told[InspectAnswer]:
    """Check a recording: can any fixed level work? Noise, contrast, drift, alignment.

    Parameters
    ----------
    recording, passes, rules : see ``help(teachlab)``

    Returns
    -------
    Told of InspectAnswer
        Its frame has one row with the figures of the light, and the errors of the best pair of fixed levels. Its figure
        shows the light over time.

    Raises
    ------
    InputError
        If recording and passes do not fit together, or no sample is valid.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.inspect(teachlab.shipped("demo_tubs"))
    >>> found.works, found.to_pandas()["passes"].tolist()
    (True, [400])
    """
    from teachlab.device.logged_edges import logged_runs
    from teachlab.questions.quality import inspected
    from teachlab.questions.surface.hindsight import errors_of

    opened, truth = _with_passes(recording, passes)
    found = inspected(opened, truth, rules=rules)
    quality, best = found.quality, found.best

    def rows() -> Iterator[dict[str, Any]]:
        levels, document = None if best is None else best.setting, quality.as_dict()
        yield {
            **{name: value for name, value in document.items() if not isinstance(value, dict | list)},
            **{f"noise_{side}": value for side, value in document["noise"].items()},
            "works": found.works,
            "on_level": None if levels is None else levels.on_level,
            "off_level": None if levels is None else levels.off_level,
            "errors": None if best is None else errors_of(best),
        }

    def draw(kind: str) -> bytes:
        return found.figure(opened, truth, logged=logged_runs(opened), kind=kind)

    return _judged(found, rows, draw)


@_in_keywords
def align(
    recording: RecordingLike, passes: TruthLike | None = None, *, whole_periods: int | None = None
) -> Told[AlignAnswer]:
    """Measure how far the passes lag behind the light, and move them to it.

    Parameters
    ----------
    recording, passes : see ``help(teachlab)``
    whole_periods : int, optional
        So many passes later than measured; needed on a regular line, 0 included.

    Returns
    -------
    Told of AlignAnswer
        `moved` holds the moved passes (`write_truth` writes them), None if they cannot be moved. Its frame has a row
        for all borders, one for each kind of object and one for each stretch of time. Its figure shows the crossings
        of the light about the borders.

    Raises
    ------
    InputError
        If fewer than three passes have edges of the light near their borders.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.align(teachlab.shipped("demo_tubs"))
    >>> found.alignment.belongs, found.moved.passes, found.to_pandas()["by"].unique().tolist()
    (True, 400, ['all', 'kind', 'time'])
    """
    from teachlab.data.alignment import NOT_MEASURED, AlignAnswer, aligned_truth, measure_alignment, with_room
    from teachlab.data.alignment.figure import alignment_figure
    from teachlab.data.alignment.finding import finding
    from teachlab.wording.alignment import agreement

    opened, truth = _opened(recording, passes)
    measured = measure_alignment(opened, truth)
    if measured is None:
        raise InputError(f"{opened.name}: {NOT_MEASURED}")
    found = with_room(measured, opened, truth)
    moved, left = None, 0
    if found.settled(whole_periods):
        moved, left = aligned_truth(found, truth, whole_periods=whole_periods or 0)

    def rows() -> Iterator[dict[str, Any]]:
        document = found.as_dict()
        lag = document["lag_ms"]
        yield {"by": "all", "name": "", "borders": found.lags.borders, "begin_ms": lag["begin"], "end_ms": lag["end"]}
        for by in ("kind", "time"):
            # Of groups, what remains after the shift.
            yield from ({"by": by, **group} for group in document[f"by_{by}"])

    return Told(
        AlignAnswer(recording=opened.name, alignment=found, left_out=left, moved=moved),
        " ".join(finding(found) or [agreement(found)]), rows,
        lambda kind: alignment_figure(found, truth, name=opened.info.title or opened.name, kind=kind),
    )  # fmt: skip


@_in_keywords
def label(
    recording: RecordingLike,
    *,
    direction: Direction | str | None = None,
    min_ms: float | None = None,
    count: int | None = None,
    corrected: str | PathLike[str] | None = None,
    against: str | PathLike[str] | None = None,
) -> Told[LabelAnswer]:
    """Propose passes from the light alone. They may tune; they support no claim.

    Parameters
    ----------
    recording : path or Recording
    direction : rise or dip, optional
        What products do to the light. Default: as stored, else the rarer level is the product.
    min_ms : float, ms, optional
        Shortest pass and gap. Default: a tenth of the typical one.
    count : int, optional
        How many products passed, counted by other means.
    corrected : path, optional
        A corrected table to check and use.
    against : path, optional
        The corrected table of another person; `agreement` compares both.

    Returns
    -------
    Told of LabelAnswer
        `truth` holds the passes. Its frame has one row per proposed pass, with its doubt and the reason for it.

    Raises
    ------
    InputError
        If the light does not have two levels, or the corrected table cannot be used.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.label(teachlab.shipped("demo_tubs"))
    >>> found.truth.source.value, found.to_pandas().columns.tolist()
    ('self-labelled', ['pass', 'start', 'end', 'start_s', 'end_s', 'doubt', 'reason'])
    """
    from teachlab.questions.label import label as labelled
    from teachlab.wording.notes import SELF_LABELLED

    opened = _recording(recording)
    if direction is not None and direction not in list(Direction):
        raise InputError(f"direction must be one of {', '.join(Direction)}, got '{direction}'.")
    found = labelled(
        opened, direction=None if direction is None else Direction(direction), min_ms=min_ms, count=count,
        corrected=_path(corrected), against=_path(against),
    )  # fmt: skip
    rate = opened.info.sample_rate_hz

    def rows() -> Iterator[dict[str, Any]]:
        for one in found.doubts:
            yield {
                "pass": one.row, "start": one.start, "end": one.end, "start_s": one.start / rate,
                "end_s": one.end / rate, "doubt": one.doubt, "reason": one.reason,
            }  # fmt: skip

    told = found.agreed, found.sentence(), found.counted, SELF_LABELLED
    return Told(found, " ".join(filter(None, told)), rows)


@_in_keywords
def teach(
    recording: RecordingLike,
    strategy: StrategyLike,
    passes: TruthLike | None = None,
    *,
    base: SettingLike | None = None,
    seed: int = 0,
    draw: int = 0,
    rules: Rules = USUAL_RULES,
) -> Setting:
    """Teach one setting from one seeded showing of a whole recording; `replay` judges it.

    Parameters
    ----------
    recording, strategy, passes, base, seed, draw : see ``help(teachlab)``
    rules : Rules
        Their tolerance widens the passes that are shown.

    Returns
    -------
    Setting
        In recording units, with its strategy and evidence in `taught`.

    Examples
    --------
    >>> import teachlab
    >>> setting = teachlab.teach(teachlab.shipped("demo_tubs"), "two-sample-midpoint")
    >>> setting.polarity.value, setting.unit
    ('light-on', 'counts')
    """
    from teachlab.teaching.block import TeachBlock
    from teachlab.teaching.once import teach_once

    opened, truth = _opened(recording, passes)
    block = TeachBlock(opened, truth, base=_base(base), rules=rules)
    return teach_once(_strategy(strategy), block, seed, draw)


@_in_keywords
def design(
    recording: RecordingLike,
    passes: TruthLike | None = None,
    *,
    strategy: StrategyLike = "designed",
    base: SettingLike | None = None,
    seed: int = 0,
    rules: Rules = USUAL_RULES,
) -> Told[DesignAnswer]:
    """Design levels, release, filter and delays together by counting, judged on the passes that were not shown.

    Parameters
    ----------
    recording, passes, rules : see ``help(teachlab)``
    strategy : name, strategy or its class
        `designed` with other steps or prices than the usual ones.
    base : path or Setting, optional
        Setting whose evaluation rate is kept.
    seed : int
        Selects the half that is shown.

    Returns
    -------
    Told of DesignAnswer
        Its frame has a row for each part of the setting with its reason, and a row for each reserve, NaN if no end was
        found. Its figure shows the levels over the light of passes and gaps.

    Raises
    ------
    Abstained
        If nothing works on what was shown.
    InputError
        If the pieces do not fit together, or the strategy gives no reasons.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.design(teachlab.shipped("demo_tubs"))
    >>> found.to_pandas()["part"].tolist()[:5]
    ['level', 'release', 'filter', 'on_delay', 'off_delay']
    >>> found.taught.setting.on_delay_ms
    76.0
    """
    import math

    from teachlab.questions.design import designed_and_judged
    from teachlab.questions.design.figure import design_figure
    from teachlab.teaching.strategies.designed import Designed

    opened, truth = _opened(recording, passes)
    chosen = _strategy(strategy)
    if not isinstance(chosen, Designed):
        raise InputError(
            f"a design is made by the strategy 'designed', got '{chosen.name}'. Use teachlab.teach for it."
        )
    found = designed_and_judged(opened, truth, chosen, base=_base(base), seed=seed, rules=rules)

    def rows() -> Iterator[dict[str, Any]]:
        ends = {"low": math.nan, "high": math.nan, "unit": ""}
        for part, reason in found.reasons.items():
            yield {"part": part, "reason": reason, **ends, **_known(found.reserves.get(part, {}))}
        for part, reserve in found.reserves.items():
            if part not in found.reasons:
                yield {"part": part, "reason": "", **ends, **_known(reserve)}

    def draw(kind: str) -> bytes:
        return design_figure(found, opened, truth, rules=rules, kind=kind)

    return Told(found, _beginning(found.taught.verdict, found.taught.alignment), rows, draw)


@_in_keywords
def replay(
    recording: RecordingLike,
    setting: SettingLike,
    passes: TruthLike | None = None,
    *,
    margins: bool = True,
    reserves: bool = False,
    rules: Rules = USUAL_RULES,
) -> Told[ReplayAnswer]:
    """Replay a recording through the sensor's switching; if there are passes, score it too.

    Parameters
    ----------
    recording, setting, passes, rules : see ``help(teachlab)``
    margins : bool
        Measure margin and reasons too; without them it is not seen whether the level lies at an end of the scale.
    reserves : bool
        Together with the margins, measure reserves too.

    Returns
    -------
    Told of ReplayAnswer
        Its frame has one row per onset: its sample and time, and those of the release, which are empty if there was
        none.

    Examples
    --------
    >>> import teachlab
    >>> tubs = teachlab.read_recording(teachlab.shipped("demo_tubs"))
    >>> found = teachlab.replay(tubs, teachlab.Setting(unit="counts", on_level=1000, off_level=900))
    >>> found
    demo_tubs: 400 onsets, 400 releases.
    >>> found.to_pandas().columns.tolist()
    ['onset_sample', 'onset_s', 'release_sample', 'release_s']
    """
    from teachlab.questions.replay import replayed

    opened, truth = _with_passes(recording, passes)
    by = _by(recording, setting, passes)
    found = replayed(opened, truth, _setting(setting), rules=rules, margins=margins, with_reserves=reserves, by=by)
    onsets, releases = found.output.onsets.tolist(), found.output.releases.tolist()

    def rows() -> Iterator[dict[str, Any]]:
        rate = opened.info.sample_rate_hz
        # Active at the start: the first release ends an active state without an onset.
        left = releases[1:] if found.output.active_at_start else releases
        for k, at in enumerate(onsets):
            until = left[k] if k < len(left) else None
            yield {
                "onset_sample": at,
                "onset_s": at / rate,
                "release_sample": until,
                "release_s": None if until is None else until / rate,
            }

    if found.verdict is None:
        return Told(found, f"{opened.name}: {len(onsets)} onsets, {len(releases)} releases.", rows)
    return _judged(found, rows, None, found.alignment)


@_in_keywords
def score(
    recording: RecordingLike, setting: SettingLike, passes: TruthLike | None = None, *, rules: Rules = USUAL_RULES
) -> Told[Score]:
    """Replay a recording with a setting and score every pass and gap.

    Parameters
    ----------
    recording, setting, passes, rules : see ``help(teachlab)``

    Returns
    -------
    Told of Score
        Its frame has one row per rate: events, trials or exposure, estimate and exact limits.

    Examples
    --------
    >>> import teachlab
    >>> setting = teachlab.Setting(unit="counts", on_level=1000, off_level=900)
    >>> found = teachlab.score(teachlab.shipped("demo_tubs"), setting)
    >>> found.lost_rate.events, found.lost_rate.trials
    (0, 400)
    >>> found.to_pandas()[["rate", "events"]].head(2).values.tolist()
    [['lost_rate', 0], ['miss_rate', 0]]
    """
    from teachlab.scoring import score as scored
    from teachlab.switching import replay as switched

    opened, truth = _opened(recording, passes)
    found = scored(switched(opened, _setting(setting)), truth, rules=rules)
    return Told(found, f"{opened.name}: {_loss(found)}", lambda: _rates(found))


@_in_keywords
def evaluate(
    recording: RecordingLike,
    strategy: StrategyLike,
    passes: TruthLike | None = None,
    *,
    base: SettingLike | None = None,
    seed: int = 0,
    draw: int = 0,
    teach_share: float = TEACH_SHARE,
    rules: Rules = USUAL_RULES,
) -> Told[pipeline.Evidence]:
    """Teach once on the first passes of a recording, replay it, and score the passes that came later.

    Parameters
    ----------
    recording, strategy, passes, base, seed, draw, rules : see ``help(teachlab)``
    teach_share : float, in (0, 1)
        Share of the detect passes that may be used for teaching.

    Returns
    -------
    Told of Evidence
        Split, setting, output and score; its frame is that of the score.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.evaluate(teachlab.shipped("demo_tubs"), "balanced-guard")
    >>> found.split.teach_passes, found.score.lost_rate.trials
    (120, 279)
    """
    from teachlab.pipeline import evaluate as evaluated

    opened, truth = _opened(recording, passes)
    how = DrawOptions(base=_base(base), seed=seed, teach_share=teach_share, rules=rules)
    found = evaluated(opened, truth, _strategy(strategy), options=how, draw=draw)
    used = found.setting
    sentence = (
        f"{opened.name}: taught on {number_of(found.split.teach_passes, 'pass', 'passes')}, on at {used.on_level:.5g}, "
        f"off at {used.off_level:.5g} {used.unit}. On later passes: {_loss(found.score)}"
    )
    return Told(found, sentence, lambda: _rates(found.score))


@_in_keywords
def bench(
    recording: RecordingLike,
    strategies: Iterable[StrategyLike],
    passes: TruthLike | None = None,
    *,
    options: DrawOptions | None = None,
    device: DeviceLike | None = None,
) -> Told[RecordingBench]:
    """Teach strategies many times on the first passes, score on the rest, and rank them by cost.

    Parameters
    ----------
    recording, passes, options : see ``help(teachlab)``
    strategies : iterable of names, strategies or classes
    device : path or DeviceDocument, optional
        All settings are rounded to its steps.

    Returns
    -------
    Told of RecordingBench
        Its frame has one row per strategy and draw; a draw that abstained or failed has its reason.

    Examples
    --------
    >>> import teachlab
    >>> options = teachlab.DrawOptions(draws=3)
    >>> found = teachlab.bench(teachlab.shipped("demo_tubs"), ["single-sample", "balanced-guard"], options=options)
    >>> found.to_pandas().groupby("strategy").size().to_dict()
    {'balanced-guard': 3, 'single-sample': 3}
    """
    from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
    from teachlab.studies.figure import bench_figure
    from teachlab.studies.run import bench_recording

    opened, truth = _opened(recording, passes)
    used = options or DrawOptions()
    found = bench_recording(opened, truth, _strategies(strategies), options=used, device=_device(device))

    def rows() -> Iterator[dict[str, Any]]:
        for result in found.results:
            yield from _draws(result.strategy, result.draws)

    def draw(kind: str) -> bytes:
        light = PassAndGapExtremes.of(opened, truth, evaluation_rate_hz=used.evaluation_rate_hz, rules=used.rules)
        return bench_figure(found, truth, light, kind=kind)

    return _judged(found, rows, draw, found.alignment)


@_in_keywords
def study(
    recordings: Any,
    strategies: Mapping[StrategyLike, Any] | Iterable[StrategyLike],
    *,
    out: str | PathLike[str] | None = None,
    jobs: int = 1,
    scheduler: str | None = None,
    retry: bool = False,
    progress: Callable[[int, int], None] | None = None,
    **options: Unpack[StudyKeywords],
) -> Told[StudyAnswer]:
    """Try strategies with grids of their parameters on many recordings.

    Parameters
    ----------
    recordings : path, pattern, folder, or an iterable of such
        Or rows that name each `path` together with your own columns (sensor, condition …): mappings, or a frame. Or
        pairs of a Recording and its Truth. The passes are those beside each recording.
    strategies : mapping of strategy to grid, or iterable of strategies
        A grid gives values for each parameter, or is a list of such grids, as for scikit-learn's `ParameterGrid`.
    out : path, optional
        Folder in which the rows of each recording are kept when it is complete. An interrupted run continues there.
    jobs : int
        Number of recordings at a time, in worker processes; 0 for as many as there are cores.
    scheduler : str, optional
        Address of a Dask scheduler, or ``local``.
    retry : bool
        Whether rows with draws that failed are worked again.
    progress : callable, optional
        Called with the number of recordings done, and the number of all.
    **options
        `bases`, `conditions`, `draws`, `seeds`, `teach_share`, `tolerance_ms`, `confidence`, `cost_miss`,
        `cost_false`, `accept_cost`, `assume`, `criteria`: as for `teachlab.studies.family.study_plan.planned_study`.

    Returns
    -------
    Told of StudyAnswer
        Its frame has one row per recording and configuration: recording, path, strategy, one column per parameter,
        and the measures; a measure without a suffix is the median over the draws. Its figure shows what each
        parameter does.

    Examples
    --------
    >>> import teachlab
    >>> tubs = teachlab.shipped("demo_tubs")
    >>> found = teachlab.study(tubs, {"quantile-guard": {"position": [0.4, 0.6]}}, draws=3)
    >>> found.to_pandas()[["recording", "strategy", "position", "taught"]].values.tolist()
    [['demo_tubs', 'quantile-guard', 0.4, 3], ['demo_tubs', 'quantile-guard', 0.6, 3]]
    """
    from teachlab.studies.family.effect_figure import effect_figure
    from teachlab.studies.family.engines import engine_of
    from teachlab.studies.family.study_plan import planned_study, studied_lines
    from teachlab.studies.family.study_run import run_study
    from teachlab.teaching.strategy_files import strategy_class

    folder = _path(out)
    named = [strategies] if isinstance(strategies, str) else strategies
    grids = named if isinstance(named, Mapping) else dict.fromkeys(named)
    asked = [
        (strategy_class(one), grid) if isinstance(one, str)
        else (one, grid) if isinstance(one, type)
        else (type(one), _own_grid(one, grid))
        for one, grid in grids.items()
    ]  # fmt: skip
    plan = planned_study(studied_lines(recordings, left_out=folder), asked, **options)
    found = run_study(plan, engine=engine_of(jobs, scheduler), out=folder, retry=retry, progress=progress)
    return _judged(found, found.rows, lambda kind: effect_figure(found, kind=kind))


@_in_keywords
def surface(
    recording: RecordingLike,
    base: SettingLike | None = None,
    passes: TruthLike | None = None,
    *,
    levels: Sequence[float] | None = None,
    settings: Iterable[SettingLike] = (),
    strategy: StrategyLike | None = None,
    options: DrawOptions | None = None,
) -> Told[SurfaceAnswer]:
    """Count lost passes and false trips for every pair of levels at once.

    Parameters
    ----------
    recording, passes : see ``help(teachlab)``
    base : path or Setting, optional
        Polarity, filter, delays and evaluation rate that all pairs share. Default: no delays, every sample, and the
        polarity that makes objects active.
    levels : sequence of float, recording units, optional
        Default: all distinct levels of the light, or 1,000 of them.
    settings : iterable of path or Setting
        Settings to look up and mark.
    strategy : name, strategy or its class, optional
        Strategy whose draws are placed on the surface.
    options : DrawOptions, optional
        Costs and rules; draws and seed of the strategy.

    Returns
    -------
    Told of SurfaceAnswer
        Its frame has one row per pair of levels that is counted: n·(n + 1)/2 rows for n levels.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.surface(teachlab.shipped("demo_tubs"), levels=[500, 1000, 1500])
    >>> found.to_pandas()[["on_level", "off_level"]].shape
    (6, 2)
    """
    import numpy as np

    from teachlab.model.following_and_window import fixed_levels
    from teachlab.questions.surface import operating_surface
    from teachlab.questions.surface.figure import MarkedSetting, surface_figure

    opened, truth = _opened(recording, passes)
    given = _named(settings, {_called(recording): opened}, path=True)
    found = operating_surface(
        [(opened, truth)],
        given=[(name, fixed_levels(one, "the surface")) for name, one in given],
        strategy=None if strategy is None else _strategy(strategy),
        levels=None if levels is None else np.asarray(levels, float),
        options=replace(options or DrawOptions(), base=_base(base)),
    )
    counted = found.surface

    def rows() -> Iterator[dict[str, Any]]:
        names = ("lost", "merged", "extra", "false_trips", "gaps_tripped", "ignore_trips", "ignore_tripped")
        for i, j in zip(*np.nonzero(counted.counted), strict=True):
            pair = {"on_level": counted.levels[i], "off_level": counted.levels[j]}
            yield pair | {name: getattr(counted, name)[i, j] for name in names}

    def draw(kind: str) -> bytes:
        marks = [MarkedSetting(one, name) for name, one in zip(found.names, found.given, strict=True)]
        cloud = () if found.cloud is None else found.cloud.settings
        return surface_figure(
            counted, found.best, title=opened.name, marks=marks, cloud=cloud, curve=found.curve, kind=kind
        )

    return _judged(found, rows, draw)


@_in_keywords
def stress(
    recording: RecordingLike,
    setting: SettingLike,
    passes: TruthLike | None = None,
    *,
    gain: Sequence[float] | None = None,
    ambient: Sequence[float] | None = None,
    pedestal: Sequence[float] | None = None,
    speeds: Sequence[float] = (),
    rules: Rules = USUAL_RULES,
) -> Told[StressAnswer]:
    """Count losses and trips of a setting with less light, more ambient light and a dirty window.

    Parameters
    ----------
    recording, passes, rules : see ``help(teachlab)``
    setting : path or Setting
        With one pair of fixed levels.
    gain : sequence of float, optional
        Shares of the light above dark that are left.
    ambient, pedestal : sequence of float, recording units, optional
        Added light, and backscatter of a dirty window. Named conditions are also compared with each other.
    speeds : sequence of float
        Speeds of the line, 1 as recorded.

    Returns
    -------
    Told of StressAnswer
        Its frame has one row per combination.

    Examples
    --------
    >>> import teachlab
    >>> setting = teachlab.Setting(unit="counts", on_level=1000, off_level=900)
    >>> found = teachlab.stress(teachlab.shipped("demo_tubs"), setting, gain=[1, 0.1], ambient=[0], pedestal=[0])
    >>> found.to_pandas()[["gain", "lost"]].values.tolist()
    [[1.0, 0.0], [0.1, 400.0]]
    """
    from itertools import product

    from teachlab.model.following_and_window import fixed_levels
    from teachlab.questions.stress import stress as stressed
    from teachlab.questions.stress.figure import stress_figure

    opened, truth = _opened(recording, passes)
    used = fixed_levels(_setting(setting), "the stress map")
    found = stressed(
        opened, truth, used, gain=gain, ambient=ambient, pedestal=pedestal, factors=speeds, rules=rules,
        by=_by(recording, setting, passes),
    )  # fmt: skip
    grid = found.stressed

    def rows() -> Iterator[dict[str, Any]]:
        for g, a, p in product(range(len(grid.gain)), range(len(grid.ambient)), range(len(grid.pedestal))):
            at = {"gain": float(grid.gain[g]), "ambient": float(grid.ambient[a]), "pedestal": float(grid.pedestal[p])}
            counts = ("lost", "false_trips", "extra", "ignore_trips")
            yield at | {name: getattr(grid, name)[g, a, p] for name in counts}

    return _judged(found, rows, lambda kind: stress_figure(grid, title=opened.name, kind=kind))


@_in_keywords
def repeatability(
    recording: RecordingLike,
    strategies: StrategyLike | Iterable[StrategyLike],
    passes: TruthLike | None = None,
    *,
    options: DrawOptions | None = None,
    question: Question | None = None,
) -> Told[RepeatabilityAnswer]:
    """Teach many times on other evidence, and measure the spread of levels and scores.

    Parameters
    ----------
    recording, passes, options : see ``help(teachlab)``
    strategies : name, strategy or class, or an iterable of them
    question : Question, optional
        What else is varied: lengths of sweeps, averages, groups.

    Returns
    -------
    Told of RepeatabilityAnswer
        Its frame has one row per strategy and draw.

    Examples
    --------
    >>> import teachlab
    >>> options = teachlab.DrawOptions(draws=4)
    >>> found = teachlab.repeatability(teachlab.shipped("demo_tubs"), "single-sample", options=options)
    >>> len(found.to_pandas())
    4
    """
    from teachlab.questions.repeatability import repeatability as repeated
    from teachlab.questions.repeatability.figure import cloud_figure

    opened, truth = _opened(recording, passes)
    one = isinstance(strategies, str | type) or hasattr(strategies, "teach")
    asked = [cast(StrategyLike, strategies)] if one else cast("Iterable[StrategyLike]", strategies)
    found = repeated([(opened, truth)], _strategies(asked), options=options, question=question)
    (study,) = found.studies

    def rows() -> Iterator[dict[str, Any]]:
        for each in study.strategies:
            yield from _draws(each.cloud.strategy, each.cloud.draws)

    def draw(kind: str) -> bytes:
        from teachlab.model.json_values import plain

        document = plain(study.as_dict())
        return cloud_figure(document["strategies"], document["best"], study.unit, title=opened.name, kind=kind)

    return _judged(found, rows, draw)


@_in_keywords
def counterfactual(
    recording: RecordingLike,
    setting: SettingLike | None = None,
    passes: TruthLike | None = None,
    *,
    mains_hz: float = 50.0,
    costs: Costs | None = None,
    rules: Rules = USUAL_RULES,
) -> Told[Counterfactual]:
    """Compute how much margin a faster sensor, a filter or an average would have on this light.

    Parameters
    ----------
    recording, passes, rules : see ``help(teachlab)``
    setting : path or Setting, optional
        Filter, delays and rate of the present sensor, in fixed levels, which are not used; default: none of them.
    mains_hz : float, Hz
        Mains frequency: one sensor averages over a period of the flicker.
    costs : Costs, optional
        If given, also find the best fixed setting of each sensor for these costs.

    Returns
    -------
    Told of Counterfactual
        Its frame has one row per sensor: its margin, the levels without hysteresis that separate passes from gaps,
        `above` and `up_to`, and with `costs` the cost of its best setting.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.counterfactual(teachlab.shipped("demo_tubs"))
    >>> found.verdict.decision, found.to_pandas()["sensor"].tolist()[0]
    ('enough margin', 'as it is')
    """
    from teachlab.model.following_and_window import fixed_levels
    from teachlab.questions.counterfactual import counterfactual as compared

    opened, truth = _opened(recording, passes)
    base = None if setting is None else fixed_levels(_setting(setting), "the comparison of sensors")
    found = compared(opened, truth, base, mains_hz=mains_hz, costs=costs, rules=rules)

    def rows() -> Iterator[dict[str, Any]]:
        for one in found.sensors:
            document, (above, up_to) = one.as_dict(), one.clean or (None, None)
            told = {name: value for name, value in document.items() if name not in ("clean_levels", "best")}
            yield told | {"above": above, "up_to": up_to, "cost": None if one.best is None else one.best.cost}

    return _judged(found, rows)


@_in_keywords
def coverage(
    recording: RecordingLike,
    cycles: Iterable[str | Cycle],
    passes: TruthLike | None = None,
    *,
    setting: SettingLike | None = None,
    teach_share: float | None = TEACH_SHARE,
    rules: Rules = USUAL_RULES,
    times: int = 1,
) -> Told[Coverage]:
    """Certify how often every place of a cycle lay in an open gap, where its feature can be seen.

    Parameters
    ----------
    recording, passes, rules : see ``help(teachlab)``
    cycles : iterable of str or Cycle
        Such as ``belt=10s``; a length, ``belt=6000mm``, needs the line speed of the recording.
    setting : path or Setting, optional
        Its false trips are searched for periods.
    teach_share : float or None
        Share of the passes that may be used for teaching.
    times : int
        How often each feature must be seen.

    Returns
    -------
    Told of Coverage
        Its frame has one row per cycle and block.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.coverage(teachlab.shipped("demo_tubs"), ["belt=10s"])
    >>> found.to_pandas()["block"].tolist()
    ['teach', 'scored']
    """
    from teachlab.questions.coverage import coverage as certified
    from teachlab.questions.coverage.figure import coverage_figure

    opened, truth = _opened(recording, passes)
    known = _cycles(cycles, opened)
    used = None if setting is None else _setting(setting)
    found = certified(opened, truth, known, setting=used, teach_share=teach_share, rules=rules, times=times)

    def rows() -> Iterator[dict[str, Any]]:
        for one in found.cycles:
            for block, seen in one.blocks.items():
                yield {"cycle": one.cycle.name, "period_s": one.cycle.period_s, "block": block, **seen.as_dict()}

    draw = (lambda kind: coverage_figure(found, title=opened.name, kind=kind)) if known else None
    return _judged(found, rows, draw)


@_in_keywords
def stale(
    recording: RecordingLike,
    setting: SettingLike,
    passes: TruthLike | None = None,
    *,
    before: RecordingLike | None = None,
    before_passes: TruthLike | None = None,
    least_margin: float | None = None,
    horizon_hours: float | None = None,
    rules: Rules = USUAL_RULES,
) -> Told[Staleness]:
    """Decide about a setting in use: keep, watch, clean or teach again.

    Parameters
    ----------
    passes, rules : see ``help(teachlab)``
    recording : path or Recording
        The present recording.
    setting : path or Setting
        The setting in use, with one pair of fixed levels.
    before, before_passes : path or value, optional
        The recording on which it was taught or last checked.
    least_margin : float, optional
        Margin to noise below which the setting is watched.
    horizon_hours : float, optional
        Watch the setting if cleaning may be due sooner.

    Returns
    -------
    Told of Staleness
        Its frame has one row per stretch of passes, before and now.

    Examples
    --------
    >>> import teachlab
    >>> setting = teachlab.Setting(unit="counts", on_level=1000, off_level=900)
    >>> found = teachlab.stale(teachlab.shipped("demo_tubs"), setting)
    >>> found.state.value in ("keep", "watch", "clean", "teach again", "not enough evidence")
    True
    """
    from dataclasses import asdict

    from teachlab.model.following_and_window import fixed_levels
    from teachlab.questions.stale import staleness
    from teachlab.scoring.margin import LEAST_MARGIN

    now = _opened(recording, passes)
    then = None if before is None else _opened(before, before_passes)
    found = staleness(
        fixed_levels(_setting(setting), "the staleness of a setting"),
        now,
        then,
        rules=rules,
        least_margin=LEAST_MARGIN if least_margin is None else least_margin,
        horizon_hours=horizon_hours,
    )

    def rows() -> Iterator[dict[str, Any]]:
        for when, followed in (("before", found.before), ("now", found.now)):
            for stretch in followed.course.stretches if followed is not None else ():
                yield {"when": when, **asdict(stretch)}

    lies = [one.alignment for one in (found.now, found.before) if one is not None]
    return _judged(found, rows, None, *lies)


@_in_keywords
def compare(
    recording: RecordingLike,
    settings: Mapping[str, SettingLike] | Iterable[SettingLike],
    passes: TruthLike | None = None,
    *,
    other: RecordingLike | None = None,
    other_passes: TruthLike | None = None,
    margins: bool = True,
    rules: Rules = USUAL_RULES,
) -> Told[CompareAnswer]:
    """Compare settings by the passes and gaps on which exactly one of them makes an error.

    Parameters
    ----------
    recording, passes, rules : see ``help(teachlab)``
    settings : mapping of name to path or Setting, or iterable of them
        Two or more. A file has its own name; a value is named by its place: setting 1, setting 2.
    other, other_passes : path or value, optional
        A second recording: the first setting is scored on the first recording, the last one on this, unpaired.
    margins : bool
        Measure margin and reserves too; without them nothing tells which of two equal settings has more room.

    Returns
    -------
    Told of CompareAnswer
        Its frame has one row per side: losses and trips, with exact limits.

    Examples
    --------
    >>> import teachlab
    >>> low, high = (teachlab.Setting(unit="counts", on_level=on, off_level=on - 100) for on in (1000, 1300))
    >>> found = teachlab.compare(teachlab.shipped("demo_tubs"), {"low": low, "high": high})
    >>> found.to_pandas()["setting"].tolist()
    ['low', 'high']
    """
    from teachlab.questions.compare import compare as compared

    given = [(recording, passes), *([] if other is None else [(other, other_passes)])]
    pairs, called = [_opened(*one) for one in given], [_called(one) for one, _ in given]
    chosen = _named(settings, {name: one for name, (one, _) in zip(called, pairs, strict=True)})
    found = compared(pairs, chosen, rules=rules, margins=margins, called=called)

    def rows() -> Iterator[dict[str, Any]]:
        for name, side in zip(found.names, found.sides, strict=True):
            lost, false = side.score.lost_rate, side.score.false_trips_per_running_hour
            yield {
                "setting": name,
                "lost": lost.events,
                "passes": lost.trials,
                "lost_rate": lost.estimate,
                "lost_low": lost.low,
                "lost_high": lost.high,
                "false_trips": false.events,
                "running_hours": false.exposure,
            }

    return _judged(found, rows, None, found.alignment)


@_in_keywords
def timing(
    recording: RecordingLike | None = None,
    setting: SettingLike | None = None,
    passes: TruthLike | None = None,
    *,
    speed_mm_s: float | None = None,
    length_mm: float | None = None,
    gap_mm: float | None = None,
    beam_mm: float = 0.0,
    on_share: float = 0.5,
    off_share: float | None = None,
    evaluation_rate_hz: float | None = None,
    consecutive: int | None = None,
    on_delay_ms: float | None = None,
    off_delay_ms: float | None = None,
    scan_ms: float = 0.0,
    input_filter_ms: float = 0.0,
    speed_change: float = 0.0,
) -> Told[TimingAnswer]:
    """Tell whether the sensor is fast enough: dwell, gap, response, delays and controller scan.

    Parameters
    ----------
    recording : path or Recording, optional
        Its passes and gaps are measured; without it `speed_mm_s`, `length_mm`, `gap_mm` and the rate are needed.
    setting : path or Setting, optional
        Filter, delays, rate and levels, one fixed pair.
    passes : path or Truth, optional
        Default: the table beside the recording.
    speed_mm_s : float, mm/s, optional
        Speed of the line; with a recording, by default the stored speed.
    length_mm, gap_mm : float, mm, optional
        Shortest object and gap; only without a recording.
    beam_mm : float, mm
        1/e² radius of the beam; 0: sharp edges.
    on_share, off_share : float, in (0, 1)
        Heights of the levels, as shares from background to object; `off_share` by default as `on_share`.
    evaluation_rate_hz : float, Hz, optional
        With `consecutive` (evaluations in a row) and the delays: used instead of those of the setting.
    consecutive : int, optional
    on_delay_ms, off_delay_ms : float, ms, optional
    scan_ms, input_filter_ms : float, ms
        Scan and input filter of the controller.
    speed_change : float
        Relative change of the speed: 0.1 for 10 %.

    Returns
    -------
    Told of TimingAnswer
        Its frame has one row per figure of the budget, NaN where it is not known.

    Raises
    ------
    InputError
        If something is missing or outside any sense.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.timing(speed_mm_s=500, length_mm=60, gap_mm=40, evaluation_rate_hz=2000, consecutive=3)
    >>> found.verdict.decision, found.budget.response_ms
    ('fast enough', 1.5)
    """
    from teachlab.model.following_and_window import fixed_levels
    from teachlab.questions.timing import time_budget

    opened, truth = (None, None) if recording is None else _opened(recording, passes)
    chosen = None if setting is None else fixed_levels(_setting(setting), "the timing check")
    found = time_budget(
        opened, truth, chosen, speed_mm_s=speed_mm_s, length_mm=length_mm, gap_mm=gap_mm, beam_mm=beam_mm,
        on_share=on_share, off_share=off_share, evaluation_rate_hz=evaluation_rate_hz, consecutive=consecutive,
        on_delay_ms=on_delay_ms, off_delay_ms=off_delay_ms, scan_ms=scan_ms, input_filter_ms=input_filter_ms,
        speed_change=speed_change,
    )  # fmt: skip

    def rows() -> Iterator[dict[str, Any]]:
        for name, value in (found.separated or found.budget).as_dict().items():
            low, high = value if isinstance(value, list) else (value, value)
            if not isinstance(value, str):
                yield {"figure": name, "low": low, "high": high}

    return _judged(found, rows)


@_in_keywords
def plan(
    max_rate: float,
    confidence: float = 0.95,
    *,
    events: int = 0,
    best_of: int = 1,
    lot_size: float | None = None,
    lots: int | None = None,
    icc: float = 0.0,
    hours: bool = False,
    true_rate: float | None = None,
    seen: float | None = None,
    lost: int = 0,
    values: int | None = None,
    figure: float | None = None,
) -> Told[PlanAnswer]:
    """Plan how many passes, or running hours, show that at most `max_rate` are lost.

    Parameters
    ----------
    max_rate : float
        Per pass; with ``hours=True`` false trips per running hour.
    confidence : float, in (0, 1)
        One-sided.
    events : int
        Lost passes, or false trips, that are allowed.
    best_of : int
        Number of settings from which the claimed one is chosen on this data.
    lot_size : float, optional
        Passes per lot; or `lots`, their number.
    lots : int, optional
    icc : float
        Intra-lot correlation of the outcomes.
    hours : bool
        Plan running hours instead of passes.
    true_rate : float, optional
        If this is the true rate per pass, how likely the plan succeeds.
    seen : float, optional
        Passes, or hours, recorded so far, with `lost` losses or trips.
    lost : int
    values : int, optional
        Number of taught values; what they show about all further ones.
    figure : float, optional
        Population figure of these values, for a claim under a normal model.

    Returns
    -------
    Told of PlanAnswer
        Its frame has one row per number of lost passes, from none to `events`.

    Examples
    --------
    >>> import teachlab
    >>> teachlab.plan(0.001).to_pandas()[["events", "passes"]].values.tolist()
    [[0, 2995]]
    """
    from teachlab.questions.plan import plan as planned

    asked = partial(
        planned, max_rate, confidence, best_of=best_of, lot_size=lot_size, lots=lots, icc=icc, hours=hours,
        true_rate=true_rate, seen=seen, lost=lost, values=values, figure=figure,
    )  # fmt: skip
    found = asked(events=events)

    def rows() -> Iterator[dict[str, Any]]:
        for allowed in range(events + 1):
            one = asked(events=allowed)
            yield {
                name: value
                for name, value in one.as_dict().items()
                if name != "schema" and not isinstance(value, dict | list)
            }

    return _judged(found, rows)


@_in_keywords
def report(
    recording: str | PathLike[str],
    setting: str | PathLike[str],
    folder: str | PathLike[str] | None,
    passes: str | PathLike[str] | None = None,
    *,
    criteria: str | PathLike[str] | None = None,
    title: str = "",
    teach_share: float | None = None,
    deviations: Sequence[str] = (),
    cycles: Sequence[str] = (),
    draws: int = DRAWS,
    sensor_setting: str | PathLike[str] | None = None,
    rehearsal: bool = False,
    about: str | PathLike[str] | None = None,
    bundle: str | PathLike[str] | None = None,
    levels: bool = True,
    pdf: bool = False,
    rules: Rules = USUAL_RULES,
) -> Told[dict[str, Any]]:
    """Write the evidence for a setting: a record that can be recomputed, and a page to sign.

    Parameters
    ----------
    recording, setting, passes : path
        Files, because the record names them with their digests; `setting` may be what ``teach --json`` wrote if the
        strategy declined.
    folder : path, optional
        For result.json, report.html and levels.html; it is made if it does not exist. None: nothing is written.
    criteria : path, optional
        Acceptance criteria, fixed before the run.
    title : str
    teach_share : float, optional
        The setting was taught on this first share of the passes: the rest is scored.
    deviations : sequence of str
        What was done differently from the plan.
    cycles : sequence of str
        Recurring disturbances, such as ``belt=10s``.
    draws : int
        How often the teaching is repeated.
    sensor_setting : path, optional
        Setting that the sensor had while its own output was logged; default: `setting`.
    rehearsal : bool
        Whether synthetic light is judged by the criteria; the page says that it is a rehearsal.
    about : path, optional
        TOML with asset, product, conditions, document_number, people …
    bundle : path, optional
        Write record, page and all that `verify` needs into one .zip.
    levels : bool
        Whether to write levels.html too: the page on which the levels can be dragged.
    pdf : bool
        Whether to write report.pdf too.
    rules : Rules

    Returns
    -------
    Told of dict
        The record as written; its frame has one row per criterion.

    Examples
    --------
    >>> import os, tempfile, teachlab
    >>> tubs, place = teachlab.shipped("demo_tubs"), tempfile.TemporaryDirectory()
    >>> setting = os.path.join(place.name, "setting.json")
    >>> teachlab.write_setting(setting, teachlab.Setting(unit="counts", on_level=1000, off_level=900))
    >>> found = teachlab.report(tubs, setting, place.name, draws=0)
    >>> passes = tubs.with_name("demo_tubs.passes.parquet")
    >>> teachlab.verify(os.path.join(place.name, "result.json"), recording=tubs, passes=passes)
    Verified: everything was computed again and is the same. This does not release the setting.
    >>> place.cleanup()
    """
    from teachlab.evidence.wording import overall_text
    from teachlab.page.reported import reported
    from teachlab.wording.verdict import verdict_of, verdict_sentence

    found = reported(
        fspath(recording), fspath(setting), _path(passes), out=_path(folder), criteria=_path(criteria), title=title,
        teach_share=teach_share, deviations=deviations, cycles=cycles, draws=draws, rehearsal=rehearsal,
        sensor_setting=_path(sensor_setting), about=_path(about), bundle=_path(bundle), levels=levels, pdf=pdf,
        rules=rules,
    )  # fmt: skip
    verdict = found.record["verdict"]
    judged = (
        found.record["claims"][0] if found.setting is None else verdict_sentence(verdict_of(verdict, found.setting))
    )
    where = "" if folder is None else f"Written to {fspath(folder)}."
    first = overall_text(verdict)
    both = (judged, first) if verdict["overall"] == "met" else (first, judged)
    told = " ".join(filter(None, (*both, where)))
    return Told(found.record, told, lambda: verdict.get("criteria", ()))


@_in_keywords
def verify(
    path: str | PathLike[str],
    *,
    recording: str | PathLike[str] | None = None,
    passes: str | PathLike[str] | None = None,
    setting: str | PathLike[str] | None = None,
) -> Told[Verification]:
    """Recompute a record from its data and list every difference.

    Parameters
    ----------
    path : path
        The result.json of a report, or the .zip of its bundle.
    recording, passes, setting : path, optional
        Where the files are now; default: beside the record, under the names that it holds.

    Returns
    -------
    Told of Verification
        Its frame has one row per difference; the record is verified if no difference is serious.

    Examples
    --------
    A setting that was changed after the record was written is found:

    >>> import os, tempfile, teachlab
    >>> tubs, place = teachlab.shipped("demo_tubs"), tempfile.TemporaryDirectory()
    >>> setting = os.path.join(place.name, "setting.json")
    >>> teachlab.write_setting(setting, teachlab.Setting(unit="counts", on_level=1000, off_level=900))
    >>> found = teachlab.report(tubs, setting, place.name, draws=0)
    >>> teachlab.write_setting(setting, teachlab.Setting(unit="counts", on_level=1100, off_level=900))
    >>> passes = tubs.with_name("demo_tubs.passes.parquet")
    >>> found = teachlab.verify(os.path.join(place.name, "result.json"), recording=tubs, passes=passes)
    >>> sorted(set(found.to_pandas()["where"]))
    ['setting']
    >>> place.cleanup()
    """
    from teachlab.evidence.verify import verified

    found = verified(fspath(path), recording=_path(recording), truth=_path(passes), setting=_path(setting))
    return Told(found, found.sentence, lambda: found.as_dict()["findings"])


@_in_keywords
def identify(recording: RecordingLike, *, jitter: int = 1, longest_ms: float | None = None) -> Told[Identification]:
    """Find all settings that reproduce the sensor's own output, logged beside the light.

    Parameters
    ----------
    recording : path or Recording
        With the sensor's output (`import --output-column`).
    jitter : int, samples
        How far a logged edge may be from its true place, in either direction.
    longest_ms : float, ms, optional
        Longest latency that is tried; by default 200 samples.

    Returns
    -------
    Told of Identification
        Its frame has one row per class of settings that the log cannot separate.

    Examples
    --------
    >>> import numpy as np, teachlab
    >>> light = np.tile(np.repeat([10.0, 90.0, 10.0], [20, 12, 8]), 20)
    >>> info = teachlab.RecordingInfo(sample_rate_hz=1000.0, unit="mV")
    >>> sensed = teachlab.Recording.from_array(light, info, output=np.roll(light > 50, 2))
    >>> found = teachlab.identify(sensed, jitter=0)
    >>> found.representative.polarity.value, found.contradictions
    ('light-on', ())
    """
    from teachlab.device.identification import identify as identified
    from teachlab.device.identification import whole_light
    from teachlab.device.identification_figure import identification_figure
    from teachlab.device.logged_edges import logged_edges

    opened = _recording(recording)
    found = identified(opened, jitter=jitter, longest_ms=longest_ms)

    def draw(kind: str) -> bytes:
        return identification_figure(found, whole_light(opened), logged_edges(opened), name=opened.name, kind=kind)

    return _judged(found, lambda: found.as_dict()["classes"], draw)


@_in_keywords
def card(
    recording: RecordingLike,
    setting: SettingLike,
    passes: TruthLike | None = None,
    *,
    device: DeviceLike | None = None,
    cycles: Sequence[str | Cycle] = (),
    draws: int = 50,
    rules: Rules = USUAL_RULES,
) -> Told[SettingCard]:
    """Say what to key in at the device, and how to teach and check it.

    Parameters
    ----------
    recording, passes, rules : see ``help(teachlab)``
    setting : path or Setting
        Of fixed levels, or a window.
    device : path or DeviceDocument, optional
        Readings of its display and its steps; without it levels stay in the light's unit.
    cycles : sequence of str or Cycle
        Recurring disturbances, such as ``belt=10s``: teaching must continue until each was seen.
    draws : int
        Number of repeated teachings for the expected value.

    Returns
    -------
    Told of SettingCard
        Its frame has one row per line of the card: part, name, value.

    Examples
    --------
    >>> import teachlab
    >>> setting = teachlab.Setting(unit="counts", on_level=1300, off_level=1100)
    >>> device = teachlab.shipped("demo_tubs").with_name("tubs_device.toml")
    >>> found = teachlab.card(teachlab.shipped("demo_tubs"), setting, device=device)
    >>> found.as_dict()["display"], found.check_passes
    ({'on': 325.0, 'off': 275.0}, 59)
    >>> found.to_pandas()["part"].unique().tolist()
    ['key in', 'rests on', 'teach and check']
    """
    from teachlab.device.card import card as carded

    opened, truth = _opened(recording, passes)
    options = DrawOptions(draws=draws, rules=rules)
    known = _cycles(cycles, opened)
    found = carded(
        opened, truth, _setting(setting), _device(device), options=options, cycles=known,
        by=_by(recording, setting, passes),
    )  # fmt: skip

    def rows() -> Iterator[dict[str, Any]]:
        parts = {"key in": found.key_lines, "rests on": found.rest_lines, "teach and check": found.sheet_lines}
        for part, lines in parts.items():
            for name, value in lines():
                yield {"part": part, "name": name, "value": value}

    return _judged(found, rows)


@_in_keywords
def agree(
    recording: RecordingLike,
    setting: SettingLike,
    passes: TruthLike | None = None,
    *,
    tolerance: int | None = None,
    lag: int | None = None,
    confidence: float = 0.95,
) -> Told[Agreement]:
    """Compare a replay with the sensor's own logged output, pulse by pulse and by lots.

    Parameters
    ----------
    recording : path or Recording
        With the sensor's output.
    setting : path or Setting
        The setting that the sensor had while its output was logged.
    passes : path or Truth, optional
        Default: the table beside the recording, if there is one; its lots are those of the claim.
    tolerance : int, samples, optional
        Edges further apart do not match; default one evaluation and one sample.
    lag : int, samples, optional
        Constant lag of the log; by default the lag that matches the most edges.
    confidence : float

    Returns
    -------
    Told of Agreement
        Its frame has one row per edge that only one side has.

    Examples
    --------
    >>> import numpy as np, teachlab
    >>> light = np.tile(np.repeat([10.0, 90.0, 10.0], [20, 12, 8]), 20)
    >>> info = teachlab.RecordingInfo(sample_rate_hz=1000.0, unit="mV")
    >>> sensed = teachlab.Recording.from_array(light, info, output=np.roll(light > 50, 2))
    >>> found = teachlab.agree(sensed, teachlab.Setting(unit="mV", on_level=50, off_level=40))
    >>> found.matched, found.logged, found.lag_samples
    (20, 20, 2)
    """
    from teachlab.device.agreement import agree as agreed
    from teachlab.device.agreement import matched_to_log
    from teachlab.device.agreement_figure import agreement_figure

    opened, truth = _with_passes(recording, passes)
    used = _setting(setting)
    found = agreed(opened, used, truth, tolerance=tolerance, lag=lag, confidence=confidence)

    def draw(kind: str) -> bytes:
        matched = matched_to_log(opened, used, tolerance=found.tolerance_samples, lag=found.lag_samples)
        return agreement_figure(matched, opened, kind=kind)

    return _judged(found, lambda: [one.as_dict() for one in found.unmatched], draw)


@_in_keywords
def conformance(strategy: StrategyLike, *, expected_failures: dict[str, str] | None = None) -> Told[ConformanceReport]:
    """Check a strategy against everything that the package relies on.

    Parameters
    ----------
    strategy : name, strategy or its class
    expected_failures : dict of str to str, optional
        Checks that are known to fail, each with its reason.

    Returns
    -------
    Told of ConformanceReport
        Its frame has one row per check.

    Examples
    --------
    >>> import teachlab
    >>> teachlab.conformance("two-sample-midpoint")
    two-sample-midpoint conforms: 17 passed, 2 skipped.
    """
    from teachlab.testing import conformance as checked

    found = checked(_strategy(strategy), expected_failures=expected_failures)
    return Told(found, found.text().partition("\n")[0], lambda: found.as_dict()["checks"])


@_in_keywords
def shipped(name: str) -> Path:
    """Return the path of a recording that ships with the package.

    Raises
    ------
    InputError
        If there is none with this name.

    Examples
    --------
    >>> import teachlab
    >>> teachlab.shipped("demo_tubs").name
    'demo_tubs.parquet'
    """
    from teachlab.data.shipped import datasets_root

    path = datasets_root() / f"{name}.parquet"
    if not path.is_file():
        known = sorted(p.stem for p in datasets_root().glob("*.parquet") if not p.stem.endswith(".passes"))
        raise InputError(f"no recording '{name}' ships with teachlab. There are: {', '.join(known)}.")
    return path


def _judged(
    found: Judged,
    rows: Callable[[], Iterable[Mapping[str, Any]]],
    draw: Callable[[str], bytes] | None = None,
    *lies: Alignment | None,
) -> Told[Judged]:
    """Return an answer with its verdict in words, as the command begins; first how its passes lie off the light."""
    return Told(found, _beginning(found.verdict, *lies), rows, draw)


def _beginning(verdict: Verdict, *lies: Alignment | None) -> str:
    from teachlab.data.alignment.finding import off_lines
    from teachlab.wording.verdict import verdict_sentence

    return " ".join([*(line for one in lies for line in off_lines(one)), verdict_sentence(verdict)])


def _path(given: str | PathLike[str] | None) -> str | None:
    return None if given is None else fspath(given)


def _recording(given: RecordingLike) -> Recording:
    from teachlab.data.recording_files import read_recording

    return given if isinstance(given, Recording) else read_recording(fspath(given))


def _opened(given: RecordingLike, passes: TruthLike | None) -> tuple[Recording, Truth]:
    from teachlab.data.opening import open_pair
    from teachlab.data.truth_files import read_truth

    if isinstance(passes, Truth):
        return _recording(given), passes
    if not isinstance(given, Recording):
        return open_pair(fspath(given), _path(passes))
    if passes is None:
        raise InputError(
            f"{given.name}: its passes are needed too. Give passes=…, a table or a Truth; only for a recording that "
            "is given as a path are they looked for beside it."
        )
    return given, read_truth(fspath(passes), samples=given.samples)


def _with_passes(given: RecordingLike, passes: TruthLike | None) -> tuple[Recording, Truth | None]:
    """Return a recording with its passes; None if there are none."""
    from teachlab.data.truth_files import find_truth

    if passes is None and (isinstance(given, Recording) or find_truth(fspath(given)) is None):
        return _recording(given), None
    return _opened(given, passes)


def _cycles(given: Iterable[str | Cycle], recording: Recording) -> list[Cycle]:
    from teachlab.questions.coverage.cycles import cycle_of

    speed = recording.info.line_speed_m_s
    return [cycle_of(one, line_speed_m_s=speed) if isinstance(one, str) else one for one in given]


def _device(given: DeviceLike | None) -> DeviceDocument | None:
    from teachlab.device.device_file import read_device

    return read_device(fspath(given)) if isinstance(given, str | PathLike) else given


def _setting(given: SettingLike) -> Setting:
    from teachlab.data.setting_files import read_setting

    return given if isinstance(given, Setting) else read_setting(fspath(given))


def _by(recording: RecordingLike, setting: SettingLike, passes: TruthLike | None) -> JudgedBy | None:
    """Return what a verdict says of the files it is about; None unless all of them are files."""
    from teachlab.questions.verdict import FilesJudged, JudgedBy

    if any(isinstance(one, Recording | Setting | Truth) for one in (recording, setting, passes)):
        return None
    files = [_path(cast("str | PathLike[str] | None", one)) for one in (recording, setting, passes)]
    return JudgedBy(files=FilesJudged(recording=str(files[0]), setting=files[1], truth=files[2]))


def _called(recording: RecordingLike) -> str:
    return recording.name if isinstance(recording, Recording) else fspath(recording)


def _named(
    given: Mapping[str, SettingLike] | Iterable[SettingLike], recordings: Mapping[str, Recording], *, path: bool = False
) -> list[tuple[str, Setting]]:
    """Return settings with their names, files by their stem or by their `path`; each must fit the recordings."""
    from teachlab.data.setting_files import named_settings
    from teachlab.switching.fitting import refuse_unfit

    listed = list(given.values()) if isinstance(given, Mapping) else list(_listed(given, "settings"))
    files = [None if isinstance(one, Setting) else fspath(one) for one in listed]
    read = iter(named_settings([one for one in files if one is not None]))
    named = [(f"setting {k}", one) if isinstance(one, Setting) else next(read) for k, one in enumerate(listed, 1)]
    refuse_unfit([(file, one) for file, (_, one) in zip(files, named, strict=True)], recordings.items())
    names = list(given) if isinstance(given, Mapping) else files if path else [None] * len(named)
    return [(given_name or name, one) for given_name, (name, one) in zip(names, named, strict=True)]


def _base(given: SettingLike | None) -> Setting | None:
    from teachlab.model.following_and_window import without_kind

    return None if given is None else without_kind(_setting(given))


def _strategy(given: StrategyLike) -> Strategy:
    from teachlab.teaching.registry import built
    from teachlab.teaching.strategy_files import resolve

    if isinstance(given, str):
        return resolve(given)
    return built(given, {}) if isinstance(given, type) else given


def _own_grid(one: Strategy, grid: Any) -> Any:
    """Return a grid for a strategy that has parameters of its own: parameters that are not varied keep their value."""
    from teachlab.teaching.parameters import parameters_of

    own = {name: [value] for name, value in parameters_of(one).items()}
    grids = [grid or {}] if isinstance(grid, Mapping) or grid is None else list(grid)
    return [{**own, **some} for some in grids]


def _strategies(given: Iterable[StrategyLike]) -> list[Strategy]:
    return [_strategy(one) for one in _listed(given, "strategies")]


def _listed(given: Iterable[Any], what: str) -> Iterable[Any]:
    if isinstance(given, str | PathLike | Setting):
        told = "setting" if isinstance(given, Setting) else repr(fspath(given))
        raise InputError(f"{what} are given as a list, such as [{told}].")
    return given


def _draws(strategy: str, draws: Iterable[Any]) -> Iterator[dict[str, Any]]:
    for one in draws:
        yield {"strategy": strategy, "draw": one.draw, "why_not": one.abstained or one.failed or None, **one.measures}


def _rates(found: Score) -> Iterator[dict[str, Any]]:
    for name, value in found.as_dict().items():
        if isinstance(value, dict) and "events" in value:
            yield {"rate": name, **value}


def _known(reserve: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in reserve.items() if value is not None}


def _loss(found: Score) -> str:
    lost, false = found.lost_rate, found.false_trips_per_running_hour
    return (
        f"{lost.events} of {number_of(lost.trials, 'pass', 'passes')} lost ({percent(lost.low)} to "
        f"{percent(lost.high)} at "
        f"{100 * found.confidence:g} % confidence if passes are independent), {number_of(false.events, 'false trip')}."
    )
