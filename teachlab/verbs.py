"""The verbs of the package: one call a question, on paths or on values.

A recording is a path, a URI or a `Recording`; its passes are a path, a `Truth`, or, for a recording in a file, those
found beside it. A setting is a path or a `Setting`; a strategy a name, ``./file.py:Class``, a class or a value of one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from teachlab.errors import InputError
from teachlab.model.draws import TEACH_SHARE, DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.wording.notebook import Told
from teachlab.wording.rates import percent

if TYPE_CHECKING:
    from teachlab import pipeline
    from teachlab.evidence.finding import Finding
    from teachlab.questions.coverage.certificate import Coverage
    from teachlab.questions.coverage.cycles import Cycle
    from teachlab.questions.repeatability.study import Question, Study
    from teachlab.questions.stale.staleness import Staleness
    from teachlab.questions.stress.map import StressMap
    from teachlab.questions.surface.values.table import Surface
    from teachlab.sensor.output import Output
    from teachlab.statistics.planning import PassPlan
    from teachlab.studies.result import RecordingBench
    from teachlab.testing.report import ConformanceReport

RecordingLike = str | PathLike[str] | Recording
TruthLike = str | PathLike[str] | Truth
SettingLike = str | PathLike[str] | Setting
StrategyLike = str | Strategy | type[Strategy]


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
    """Teach one setting from one seeded showing of a whole recording.

    Parameters
    ----------
    recording : path or Recording
    strategy : name, strategy or its class
    passes : path or Truth, optional
        Default: the table beside the recording.
    base : path or Setting, optional
        Delays, filter and evaluation rate to keep; its levels mean nothing.
    seed, draw : int
        Pick what is shown.
    rules : Rules
        Their tolerance widens the passes that are shown.

    Returns
    -------
    Setting
        In recording units, with its strategy and evidence in `taught`.

    Raises
    ------
    Abstained
        If the strategy declines.
    InputError
        If the pieces do not fit together.

    Examples
    --------
    >>> import teachlab
    >>> setting = teachlab.teach(teachlab.shipped("demo_tubs"), "two-sample-midpoint")
    >>> setting.polarity.value, setting.unit
    ('light-on', 'counts')
    """
    from teachlab.teaching import TeachBlock, teach_once

    opened, truth = _opened(recording, passes)
    block = TeachBlock(opened, truth, base=_base(base), rules=rules)
    return teach_once(_strategy(strategy), block, seed, draw)


def replay(recording: RecordingLike, setting: SettingLike) -> Told[Output]:
    """Replay a recording through the sensor's switching; no passes are needed.

    Parameters
    ----------
    recording : path or Recording
    setting : path or Setting

    Returns
    -------
    Told of Output
        Its frame has one row per onset: sample and time of it and of the release, which is empty where none came.

    Raises
    ------
    InputError
        If the setting does not fit the recording.

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
    from teachlab.switching import replay as switched

    opened, used = _recording(recording), _setting(setting)
    output = switched(opened, used)
    onsets, releases = output.onsets.tolist(), output.releases.tolist()

    def rows() -> Iterator[dict[str, Any]]:
        rate = opened.info.sample_rate_hz
        # Active at the start: the first release ends what no onset began.
        left = releases[1:] if output.active_at_start else releases
        for k, at in enumerate(onsets):
            until = left[k] if k < len(left) else None
            yield {
                "onset_sample": at,
                "onset_s": at / rate,
                "release_sample": until,
                "release_s": None if until is None else until / rate,
            }

    return Told(output, f"{opened.name}: {len(onsets)} onsets, {len(releases)} releases.", rows)


def score(
    recording: RecordingLike, setting: SettingLike, passes: TruthLike | None = None, *, rules: Rules = USUAL_RULES
) -> Told[Score]:
    """Replay a recording with a setting and score every pass and gap.

    Parameters
    ----------
    recording : path or Recording
    setting : path or Setting
    passes : path or Truth, optional
        Default: the table beside the recording.
    rules : Rules
        Tolerance of the borders, confidence of the intervals, first pass that is scored.

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
    recording : path or Recording
    strategy : name, strategy or its class
    passes : path or Truth, optional
        Default: the table beside the recording.
    base : path or Setting, optional
        Delays, filter and evaluation rate to keep; its levels mean nothing.
    seed, draw : int
        Pick what is shown.
    teach_share : float, in (0, 1)
        Share of the detect passes that may be taught on.
    rules : Rules

    Returns
    -------
    Told of Evidence
        Split, setting, output and score; its frame is that of the score.

    Raises
    ------
    Abstained
        If the strategy declines.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.evaluate(teachlab.shipped("demo_tubs"), "balanced-guard")
    >>> found.split.teach_passes, found.score.lost_rate.trials
    (120, 279)
    """
    from teachlab.pipeline import evaluate as evaluated

    opened, truth = _opened(recording, passes)
    found = evaluated(
        opened,
        truth,
        _strategy(strategy),
        base=_base(base),
        seed=seed,
        draw=draw,
        teach_share=teach_share,
        rules=rules,
    )
    used = found.setting
    sentence = (
        f"{opened.name}: taught on {found.split.teach_passes} passes, on at {used.on_level:.5g}, off at "
        f"{used.off_level:.5g} {used.unit}. On later passes: {_loss(found.score)}"
    )
    return Told(found, sentence, lambda: _rates(found.score))


def bench(
    recording: RecordingLike,
    strategies: Iterable[StrategyLike],
    passes: TruthLike | None = None,
    *,
    options: DrawOptions | None = None,
) -> Told[RecordingBench]:
    """Teach strategies many times on the first passes, score on the rest, and rank them by cost.

    Parameters
    ----------
    recording : path or Recording
    strategies : iterable of names, strategies or classes
    passes : path or Truth, optional
        Default: the table beside the recording.
    options : DrawOptions, optional
        Draws, seed, share to teach on, base setting, costs and rules.

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
    from teachlab.studies import bench_recording, verdict
    from teachlab.studies.figure import bench_figure

    opened, truth = _opened(recording, passes)
    used = options or DrawOptions()
    found = bench_recording(opened, truth, _strategies(strategies), options=used)

    def rows() -> Iterator[dict[str, Any]]:
        for result in found.results:
            yield from _draws(result.strategy, result.draws)

    def draw(kind: str) -> bytes:
        light = PassAndGapExtremes.of(opened, truth, evaluation_rate_hz=used.evaluation_rate_hz, rules=used.rules)
        return bench_figure(found, truth, light, kind=kind)

    return Told(found, verdict(found), rows, draw)


def surface(
    recording: RecordingLike,
    base: SettingLike | None = None,
    passes: TruthLike | None = None,
    *,
    levels: Sequence[float] | None = None,
    rules: Rules = USUAL_RULES,
) -> Told[Surface]:
    """Count lost passes and false trips for every pair of levels at once.

    Parameters
    ----------
    recording : path or Recording
    base : path or Setting, optional
        Polarity, filter, delays and evaluation rate that all pairs share. Default: no delays, every sample, and the
        polarity that makes objects active.
    passes : path or Truth, optional
        Default: the table beside the recording.
    levels : sequence of float, recording units, optional
        Default: all distinct levels of the light, or 1,000 of them.
    rules : Rules

    Returns
    -------
    Told of Surface
        Its frame has one row per pair of levels that is counted: n·(n + 1)/2 rows for n levels.

    Examples
    --------
    >>> import teachlab
    >>> found = teachlab.surface(teachlab.shipped("demo_tubs"), levels=[500, 1000, 1500])
    >>> found.to_pandas()[["on_level", "off_level"]].shape
    (6, 2)
    """
    import numpy as np

    from teachlab.questions.surface import surface as counted
    from teachlab.questions.surface.figure import surface_figure
    from teachlab.questions.surface.hindsight import hindsight
    from teachlab.teaching.block import polarity_for

    opened, truth = _opened(recording, passes)
    shared = _base(base)
    if shared is None:
        plainly = Setting(unit=opened.info.unit, on_level=0.0, off_level=0.0)
        shared = plainly.with_levels(0.0, 0.0, polarity_for(opened, truth))
    found = counted(opened, truth, shared, levels=None if levels is None else np.asarray(levels, float), rules=rules)
    best = hindsight(found)

    def rows() -> Iterator[dict[str, Any]]:
        names = ("lost", "merged", "extra", "false_trips", "gaps_tripped", "ignore_trips", "ignore_tripped")
        for i, j in zip(*np.nonzero(found.counted), strict=True):
            pair = {"on_level": found.levels[i], "off_level": found.levels[j]}
            yield pair | {name: getattr(found, name)[i, j] for name in names}

    sentence = (
        f"{opened.name}: {int(found.counted.sum())} pairs of levels counted. Cheapest in hindsight: on at "
        f"{best.setting.on_level:.5g}, off at {best.setting.off_level:.5g} {shared.unit}, cost {best.cost:.4g} a pass."
    )
    return Told(found, sentence, rows, lambda kind: surface_figure(found, best, title=opened.name, kind=kind))


def stress(
    recording: RecordingLike,
    setting: SettingLike,
    passes: TruthLike | None = None,
    *,
    gain: Sequence[float] | None = None,
    ambient: Sequence[float] = (0.0,),
    pedestal: Sequence[float] = (0.0,),
    rules: Rules = USUAL_RULES,
) -> Told[StressMap]:
    """Count what a setting loses and trips with less light, more ambient light and a dirty window.

    Parameters
    ----------
    recording : path or Recording
    setting : path or Setting
        With one pair of fixed levels.
    passes : path or Truth, optional
        Default: the table beside the recording.
    gain : sequence of float, optional
        Factors of the light above dark.
    ambient, pedestal : sequence of float, recording units
        Light added before and behind the gain.
    rules : Rules

    Returns
    -------
    Told of StressMap
        Its frame has one row per combination.

    Examples
    --------
    >>> import teachlab
    >>> setting = teachlab.Setting(unit="counts", on_level=1000, off_level=900)
    >>> found = teachlab.stress(teachlab.shipped("demo_tubs"), setting, gain=[1, 0.1])
    >>> found.to_pandas()[["gain", "lost"]].values.tolist()
    [[1.0, 0.0], [0.1, 400.0]]
    """
    from itertools import product

    from teachlab.model.following_and_window import fixed_levels
    from teachlab.questions.stress.figure import stress_figure
    from teachlab.questions.stress.map import GAINS, stress_map

    opened, truth = _opened(recording, passes)
    used = fixed_levels(_setting(setting), "the stress map")
    found = stress_map(
        opened, truth, used, gain=gain or GAINS, ambient=ambient, pedestal=pedestal, rules=rules
    )  # fmt: skip

    def rows() -> Iterator[dict[str, Any]]:
        cells = product(range(len(found.gain)), range(len(found.ambient)), range(len(found.pedestal)))
        for g, a, p in cells:
            at = {"gain": float(found.gain[g]), "ambient": found.ambient[a], "pedestal": found.pedestal[p]}
            counts = ("lost", "false_trips", "extra", "ignore_trips")
            yield at | {name: getattr(found, name)[g, a, p] for name in counts}

    dirt, light = found.contamination_reserve, found.ambient_reserve
    sentence = (
        f"{opened.name}: it fails as recorded, so there is no reserve."
        if dirt is None or light is None
        else f"{opened.name}: the light may fall by {100 * dirt:.3g} %, or rise by {light:.4g} {used.unit}."
    )
    return Told(found, sentence, rows, lambda kind: stress_figure(found, title=opened.name, kind=kind))


def repeatability(
    recording: RecordingLike,
    strategies: StrategyLike | Iterable[StrategyLike],
    passes: TruthLike | None = None,
    *,
    options: DrawOptions | None = None,
    question: Question | None = None,
) -> Told[Study]:
    """Teach again and again on other evidence, and tell how levels and scores spread.

    Parameters
    ----------
    recording : path or Recording
    strategies : name, strategy or class, or an iterable of them
    passes : path or Truth, optional
        Default: the table beside the recording.
    options : DrawOptions, optional
    question : Question, optional
        What else is varied: sweep lengths, averages, groups.

    Returns
    -------
    Told of Study
        Its frame has one row per strategy and draw.

    Examples
    --------
    >>> import teachlab
    >>> options = teachlab.DrawOptions(draws=4)
    >>> found = teachlab.repeatability(teachlab.shipped("demo_tubs"), "single-sample", options=options)
    >>> len(found.to_pandas())
    4
    """
    from teachlab.questions.repeatability.figure import cloud_figure
    from teachlab.questions.repeatability.study import study

    opened, truth = _opened(recording, passes)
    one = isinstance(strategies, str | type) or hasattr(strategies, "teach")
    asked = [cast(StrategyLike, strategies)] if one else cast("Iterable[StrategyLike]", strategies)
    found = study(opened, truth, _strategies(asked), options=options, question=question)

    def rows() -> Iterator[dict[str, Any]]:
        for each in found.strategies:
            yield from _draws(each.cloud.strategy, each.cloud.draws)

    def draw(kind: str) -> bytes:
        from teachlab.model.json_values import plain

        document = plain(found.as_dict())
        return cloud_figure(document["strategies"], document["best"], found.unit, title=opened.name, kind=kind)

    lines = []
    for each in found.strategies:
        levels = sorted(d.setting.on_level for d in each.cloud.taught if d.setting is not None)
        told = f"on-level {levels[0]:.5g} to {levels[-1]:.5g} {found.unit}" if levels else "no setting"
        lines.append(f"{each.cloud.strategy}, {len(each.cloud.draws)} draws: {told}.")
    return Told(found, f"{opened.name}: {' '.join(lines)}", rows, draw)


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
    recording : path or Recording
    cycles : iterable of str or Cycle
        Such as ``belt=10s``; a length, ``belt=6000mm``, needs the line speed of the recording.
    passes : path or Truth, optional
        Default: the table beside the recording.
    setting : path or Setting, optional
        Its false trips are searched for periods.
    teach_share : float or None
        Share of the passes that may be taught on.
    rules : Rules
    times : int
        How often a feature shall have been seen.

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
    from teachlab.questions.coverage.certificate import coverage as certified
    from teachlab.questions.coverage.cycles import cycle_of
    from teachlab.questions.coverage.figure import coverage_figure

    opened, truth = _opened(recording, passes)
    speed = opened.info.line_speed_m_s
    known = [cycle_of(one, line_speed_m_s=speed) if isinstance(one, str) else one for one in cycles]
    used = None if setting is None else _setting(setting)
    found = certified(opened, truth, known, setting=used, teach_share=teach_share, rules=rules, times=times)

    def rows() -> Iterator[dict[str, Any]]:
        for one in found.cycles:
            for block, seen in one.blocks.items():
                yield {"cycle": one.cycle.name, "period_s": one.cycle.period_s, "block": block, **seen.as_dict()}

    lines = [
        f"{one.cycle.name}: {100 * seen.seen_share:.3g} % of its places seen in the {block} block."
        for one in found.cycles
        for block, seen in list(one.blocks.items())[-1:]
    ]
    draw = (lambda kind: coverage_figure(found, title=opened.name, kind=kind)) if known else None
    return Told(found, f"{opened.name}: {' '.join(lines) or 'no cycle was named.'}", rows, draw)


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
    """Ask whether a setting that was good still is: keep, watch, clean or teach again.

    Parameters
    ----------
    recording : path or Recording
        Of now.
    setting : path or Setting
        In use, with one pair of fixed levels.
    passes : path or Truth, optional
        Default: the table beside the recording.
    before, before_passes : path or value, optional
        The recording on which it was taught or last checked.
    least_margin : float, optional
        Margin to noise below which it is watched.
    horizon_hours : float, optional
        Watch if cleaning may be due sooner.
    rules : Rules

    Returns
    -------
    Told of Staleness
        Its frame has one row per stretch of passes, before and now.

    Examples
    --------
    >>> import teachlab
    >>> setting = teachlab.Setting(unit="counts", on_level=1000, off_level=900)
    >>> found = teachlab.stale(teachlab.shipped("demo_tubs"), setting)
    >>> found.verdict.value in ("keep", "watch", "clean", "teach again", "not enough evidence")
    True
    """
    from dataclasses import asdict

    from teachlab.model.following_and_window import fixed_levels
    from teachlab.questions.stale.staleness import LEAST_MARGIN, staleness

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

    return Told(found, f"{str(found.state).capitalize()}: {'; '.join(found.because)}.", rows)


def plan(
    max_rate: float, confidence: float = 0.95, *, events: int = 0, best_of: int = 1, **lots: Any
) -> Told[PassPlan]:
    """Return the passes that a claim takes: that at most `max_rate` of the passes are lost.

    Parameters
    ----------
    max_rate : float, in (0, 1)
    confidence : float, in (0, 1)
    events : int
        Lost passes that are allowed.
    best_of : int
        Settings among which the claimed one is chosen on this data.
    **lots
        `lot_size` or `lots`, with `icc`: as for `plan_passes`.

    Returns
    -------
    Told of PassPlan
        Its frame has one row per number of lost passes, from none to `events`.

    Examples
    --------
    >>> import teachlab
    >>> teachlab.plan(0.001)
    2,995 passes with at most 0 lost show a rate of at most 0.1 % with a confidence of 95 %.
    """
    from dataclasses import asdict

    from teachlab.statistics.planning import plan_passes

    def planned(allowed: int) -> PassPlan:
        return plan_passes(max_rate, confidence, events=allowed, best_of=best_of, **lots)

    found = planned(events)
    sentence = (
        f"{found.passes:,} passes with at most {events} lost show a rate of at most {100 * max_rate:g} % with a "
        f"confidence of {100 * confidence:g} %."
    )
    return Told(found, sentence, lambda: (asdict(planned(allowed)) for allowed in range(events + 1)))


def report(
    recording: str | PathLike[str],
    setting: str | PathLike[str],
    folder: str | PathLike[str],
    passes: str | PathLike[str] | None = None,
    *,
    criteria: str | PathLike[str] | None = None,
    title: str = "",
    teach_share: float | None = None,
    deviations: Sequence[str] = (),
    cycles: Sequence[str] = (),
    draws: int | None = None,
    pdf: bool = False,
    rules: Rules = USUAL_RULES,
) -> Told[dict[str, Any]]:
    """Write the evidence for a setting: a record that can be recomputed, and a page to sign.

    Parameters
    ----------
    recording, setting : path
        Files, since the record names them with their digests.
    folder : path
        For result.json and report.html; made if missing.
    passes : path, optional
        Default: the table beside the recording.
    criteria : path, optional
        Acceptance criteria, fixed before the run.
    title : str
    teach_share : float, optional
        The setting was taught on this first share of the passes: the rest is scored.
    deviations : sequence of str
        What was done otherwise than planned.
    cycles : sequence of str
        Nuisances that come back, such as ``belt=10s``.
    draws : int, optional
        How often the teaching is repeated.
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
    Verified: the record holds.
    >>> place.cleanup()
    """
    from teachlab.data.truth_files import find_truth
    from teachlab.evidence import RecordOptions, build_record, read_criteria
    from teachlab.evidence.folder import write_record
    from teachlab.evidence.record import Sources
    from teachlab.model.following_and_window import fixed_levels

    asked = DrawOptions().draws if draws is None else draws
    options = RecordOptions(
        title=title, rules=rules, teach_share=teach_share, deviations=tuple(deviations), draws=asked,
        cycles=tuple(cycles),
    )  # fmt: skip
    opened, truth = _opened(recording, passes)
    where = find_truth(fspath(recording)) if passes is None else fspath(passes)
    sources = Sources(recording=fspath(recording), truth=str(where), setting=fspath(setting))
    used = fixed_levels(_setting(setting), "the evidence record")
    limits = None if criteria is None else read_criteria(fspath(criteria))
    record = build_record(opened, truth, used, sources, options=options, criteria=limits)
    found = write_record(record, opened, fspath(folder), pdf=pdf)
    verdict = found["verdict"]
    sentence = f"{verdict['overall'] or 'No criteria were given, so nothing is judged'}. Written to {fspath(folder)}."
    return Told(found, sentence[0].upper() + sentence[1:], lambda: verdict["criteria"])


def verify(
    path: str | PathLike[str],
    *,
    recording: str | PathLike[str] | None = None,
    passes: str | PathLike[str] | None = None,
    setting: str | PathLike[str] | None = None,
) -> Told[list[Finding]]:
    """Recompute a record from its data and name every difference.

    Parameters
    ----------
    path : path
        The result.json of a report.
    recording, passes, setting : path, optional
        Where they lie now; default: beside the record, by the names that it holds.

    Returns
    -------
    Told of list of Finding
        Its frame has one row per difference; the record holds where none is serious.

    Examples
    --------
    See `report`.
    """
    from teachlab.evidence import verify_record

    given = [None if where is None else fspath(where) for where in (recording, passes, setting)]
    found = verify_record(Path(path), recording=given[0], truth=given[1], setting=given[2])
    serious = sum(one.serious for one in found)
    sentence = f"{serious} differences: not verified." if serious else "Verified: the record holds."
    rows = [{"where": one.where, "message": one.message, "serious": one.serious} for one in found]
    return Told(found, sentence, lambda: rows)


def conformance(strategy: StrategyLike, *, expected_failures: dict[str, str] | None = None) -> Told[ConformanceReport]:
    """Check a strategy against everything the lab relies on.

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
    two-sample-midpoint conforms: 19 checks, 0 failed, 2 skipped.
    """
    from teachlab.testing import conformance as checked

    found = checked(_strategy(strategy), expected_failures=expected_failures)
    sentence = (
        f"{found.strategy} {'conforms' if found.ok else 'does not conform'}: {len(found.results)} checks, "
        f"{len(found.failed)} failed, {len(found.skipped)} skipped."
    )
    return Told(found, sentence, lambda: found.as_dict()["checks"])


def shipped(name: str) -> Path:
    """Return the path of a recording that ships with the package.

    Raises
    ------
    InputError
        If there is none of this name.

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


def _recording(given: RecordingLike) -> Recording:
    from teachlab.data.recording_files import read_recording

    return given if isinstance(given, Recording) else read_recording(fspath(given))


def _opened(given: RecordingLike, passes: TruthLike | None) -> tuple[Recording, Truth]:
    from teachlab.data.opening import open_pair
    from teachlab.data.truth_files import read_truth

    if isinstance(passes, Truth):
        return _recording(given), passes
    if not isinstance(given, Recording):
        return open_pair(fspath(given), None if passes is None else fspath(passes))
    if passes is None:
        raise InputError(
            f"{given.name}: its passes are needed too. Give passes=…, a table or a Truth; only for a recording that "
            "is given as a path are they looked for beside it."
        )
    return given, read_truth(fspath(passes), samples=given.samples)


def _setting(given: SettingLike) -> Setting:
    from teachlab.data.setting_files import read_setting

    return given if isinstance(given, Setting) else read_setting(fspath(given))


def _base(given: SettingLike | None) -> Setting | None:
    from teachlab.model.following_and_window import without_kind

    return None if given is None else without_kind(_setting(given))


def _strategy(given: StrategyLike) -> Strategy:
    from teachlab.teaching import resolve
    from teachlab.teaching.registry import built

    if isinstance(given, str):
        return resolve(given)
    return built(given, {}) if isinstance(given, type) else given


def _strategies(given: Iterable[StrategyLike]) -> list[Strategy]:
    if isinstance(given, str):
        raise InputError(f"strategies are given as a list, such as ['{given}'].")
    return [_strategy(one) for one in given]


def _draws(strategy: str, draws: Iterable[Any]) -> Iterator[dict[str, Any]]:
    for one in draws:
        yield {"strategy": strategy, "draw": one.draw, "why_not": one.abstained or one.failed or None, **one.measures}


def _rates(found: Score) -> Iterator[dict[str, Any]]:
    for name, value in found.as_dict().items():
        if isinstance(value, dict) and "events" in value:
            yield {"rate": name, **value}


def _loss(found: Score) -> str:
    lost, false = found.lost_rate, found.false_trips_per_running_hour
    return (
        f"{lost.events} of {lost.trials} passes lost ({percent(lost.low)} to {percent(lost.high)}, "
        f"{100 * found.confidence:g} % interval), {false.events} false trips."
    )
