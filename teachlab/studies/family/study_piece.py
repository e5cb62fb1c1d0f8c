"""One piece of a study: everything asked about one recording, with as few readings as one strategy needs."""

from __future__ import annotations

import inspect
import json
import math
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from teachlab.data.alignment.measure import measure_alignment
from teachlab.data.atomic_files import protect
from teachlab.data.parquet_source import ParquetSource
from teachlab.data.recording_files import LightDigest, info_document
from teachlab.errors import ParameterError, RecordingError, StrategyError, TeachlabError
from teachlab.evidence.identity import json_digest, truth_digest
from teachlab.light.repeats import repeated_stretches
from teachlab.model.draws import MEASURES, Costs, Draw, DrawOptions
from teachlab.model.json_values import plain
from teachlab.model.printable_text import SHOWN_OF_MESSAGE, printable
from teachlab.model.recording import Origin, Recording
from teachlab.model.score import Outcome, Rules, Trials
from teachlab.model.setting import Setting, Switching, bare
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.surface.count_settings import count_settings, with_measures
from teachlab.questions.surface.hindsight import best_fixed
from teachlab.questions.verdict.judged_by import JudgedBy
from teachlab.questions.verdict.judgement import JudgedSetting
from teachlab.scoring.claimable import Claimable, OpenCondition, chosen_before, claimable, unusable
from teachlab.scoring.claims import LotCounts, lot_counts
from teachlab.scoring.scoring import score
from teachlab.statistics.lots import Source
from teachlab.studies.claim_half import FixedSetting, claim_halves, fixed_settings
from teachlab.studies.code_fingerprint import code_fingerprint, file_fingerprint
from teachlab.studies.family.configurations import Configuration
from teachlab.studies.family.line_conditions import LineCondition
from teachlab.studies.family.row_judgement import judgement_text
from teachlab.studies.family.study_grid import COUNTED, STATISTICS, PieceRows, Row, StudyGrid, StudyPiece
from teachlab.studies.ranking import ranking_cost, spreads_of
from teachlab.studies.recommend import choosing_half, with_rooms
from teachlab.studies.taught_draws import DrawClock, TaughtDraws, Teaching, taught_draws
from teachlab.switching.family import replay_family
from teachlab.teaching.registry import ships, source_fingerprint

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment


@dataclass(frozen=True, slots=True)
class RowKeys:
    """The common part of the keys of all rows of one recording.

    `data`: digest of recording and passes.
    `code`: fingerprint of the code behind the number.
    """

    data: str
    code: str

    @classmethod
    def of(cls, recording: Recording, truth: Truth, code: str) -> RowKeys:
        """Take the digests of a recording and its passes.

        The digest of the light is the one in the file; if there is none, the light is read for it. The digest of the
        file's footer is included, so that light rewritten under an old digest counts as another recording.
        """
        source = recording.source
        footer = source.footer_digest() if isinstance(source, ParquetSource) else None
        facts = {**info_document(recording.info), "title": "", "notes": ""}
        light = recording.info.digest or _light_digest(recording)
        passes = [truth_digest(truth), [list(stretch) for stretch in truth.except_]]
        return cls(json_digest([light, footer, facts, passes]), code)

    @property
    def recording_id(self) -> str:
        """Name under which the rows of these data are kept."""
        return self.data[:16]

    def key(
        self, one: Configuration, base: tuple[str, Switching | None], seed: int, condition: LineCondition,
        options: DrawOptions, fingerprint: str,
    ) -> str:  # fmt: skip
        """Return the key of a row; the base comes with its name, the fingerprint is that of its strategy."""
        costs, rules = options.costs, options.rules
        asked: dict[str, Any] = {
            "strategy": [one.strategy.name, plain(one.parameters), fingerprint],
            "base": [base[0], None if base[1] is None else plain(asdict(base[1].switching))],
            "seed": seed,
            "condition": [condition.name, condition.gain, condition.ambient, condition.pedestal],
            "draws": [options.draws, options.teach_share, rules.tolerance_ms, costs.miss, costs.false],
        }
        return json_digest([self.data, self.code, asked])


def strategy_fingerprint(made: type[Strategy]) -> str:
    """Return the fingerprint of a strategy: with all its imports, or with those beside its file if it does not ship.

    Raises `StrategyError` if its file is not the one that was loaded: rows of the old code would bear the key of the
    new one.
    """
    module = made.__module__
    if ships(made):
        return code_fingerprint(module)
    now = source_fingerprint(made)
    loader = getattr(sys.modules.get(module), "__loader__", None)
    if not now.startswith(getattr(loader, "digest", "")):
        raise StrategyError(f"the file of strategy '{made.name}' was changed while the study ran. Run it again.")
    return file_fingerprint(Path(inspect.getsourcefile(made) or ""))


def refuse_damage(recording: Recording) -> None:
    """Refuse a file whose light is not the one that was written under the digest in it.

    Raises `RecordingError` if its samples or its rate were changed, or the file is damaged.
    """
    source, told = recording.source, recording.info.digest
    if told is not None and isinstance(source, ParquetSource) and _light_digest(recording) != told:
        raise RecordingError(
            f"{source.location}: this is not the light that was written: its digest differs from the one in the file. "
            "The file is damaged, or was changed; copy it again."
        )


def _light_digest(recording: Recording) -> str:
    digest = LightDigest()
    for block in recording.blocks():
        digest.update(block.light, block.invalid)
    return digest.finish(recording.info.sample_rate_hz)


def piece_code() -> str:
    """Return the fingerprint of the code behind the numbers of a piece, without strategies."""
    return code_fingerprint(__name__)


def piece_keys(piece: StudyPiece) -> PieceRows:
    """Return the keys of all rows of a piece, and no row."""
    return _guarded(piece, lambda recording, truth, keys: {})


def study_piece(piece: StudyPiece) -> PieceRows:
    """Run one piece; an error in it is recorded as the fault of this piece only, in words."""
    return _guarded(piece, lambda recording, truth, keys: _rows(recording, truth, piece, keys))


def _guarded(piece: StudyPiece, work: Callable[[Recording, Truth, RowKeys], Mapping[str, Row]]) -> PieceRows:
    if piece.code != piece_code():
        return PieceRows(fault="this worker runs another version of teachlab than the study: install the same one")
    try:
        with protect(piece.line.files):
            return _worked(piece, work)
    except TeachlabError as fault:
        return PieceRows(fault=printable(fault, most=SHOWN_OF_MESSAGE))
    except MemoryError:
        return PieceRows(fault="not enough memory for this recording")
    except Exception as fault:  # noqa: BLE001 - a fault of one recording must not end the study of the others
        return PieceRows(fault=printable(f"{type(fault).__name__}: {fault}", most=SHOWN_OF_MESSAGE))


def _worked(piece: StudyPiece, work: Callable[[Recording, Truth, RowKeys], Mapping[str, Row]]) -> PieceRows:
    recording, truth = piece.line.open()
    keys = RowKeys.of(recording, truth, piece.code)
    found = PieceRows(recording_id=keys.recording_id, keys=tuple(k for _, k in _asked(piece.grid, keys)))
    if set(found.keys) <= piece.known:
        return found
    return replace(found, rows=work(recording, truth, keys))


LONG_S = 60.0
"""A strategy that teaches one draw for so long is named, and again each time after twice as long."""


@contextmanager
def _watched(clock: DrawClock, recording: str) -> Iterator[None]:
    """Say on stderr which strategy teaches for long: only a person knows whether it will end."""
    over = threading.Event()

    def watch() -> None:
        told, since = LONG_S, clock.since
        while not over.wait(LONG_S / 4):
            if clock.since != since:
                told, since = LONG_S, clock.since
            if clock.teaching and (took := time.perf_counter() - since) >= told:
                told *= 2
                sys.stderr.write(
                    f"{printable(recording)}: strategy '{printable(clock.teaching)}' has been teaching one draw for "
                    f"{took:.0f} s. Nothing but you ends it.\n"
                )

    threading.Thread(target=watch, daemon=True).start()
    try:
        yield
    finally:
        over.set()


AT_ONCE = 64
"""Settings that are judged from one reading."""
_Place = tuple[Configuration, str, int, LineCondition]


def _asked(grid: StudyGrid, keys: RowKeys) -> list[tuple[_Place, str]]:
    """Return every requested row with its key, in the order of the grid."""
    classes = dict.fromkeys(type(one.strategy) for one in grid.configurations)
    code = {made: strategy_fingerprint(made) for made in classes}
    return [
        (
            (one, base, seed, condition),
            keys.key(one, (base, grid.bases[base]), seed, condition, grid.options, code[type(one.strategy)]),
        )
        for one in grid.configurations
        for base in grid.bases
        for seed in grid.seeds
        for condition in grid.conditions
    ]


def _rows(recording: Recording, truth: Truth, piece: StudyPiece, keys: RowKeys) -> dict[str, Row]:
    refuse_damage(recording)
    grid, options = piece.grid, piece.grid.options
    bases = {name: _setting(base, recording.info.unit) for name, base in grid.bases.items()}
    wanted = [(place, key) for place, key in _asked(grid, keys) if key not in piece.known]
    teachings = {
        _teaching_key(one, base, seed): Teaching(one.strategy, bases[base], seed) for (one, base, seed, _), _ in wanted
    }
    clock = DrawClock()
    with _watched(clock, recording.name):
        found = taught_draws(
            recording, truth, teachings, options=options, careful=True, untried=piece.untried, clock=clock
        )
    passes = found.scored_passes(recording, truth)
    scored = options.rules.scored_from(found.cut.first_scored)
    fixed = fixed_settings(found.draws, found.first_half, options)
    chosen_on = choosing_half(recording, truth, found.middle)
    fixed = with_rooms(*chosen_on, fixed, found.cut.first_scored, options, every=True)
    lies = measure_alignment(recording, truth)
    out: dict[str, Row] = {}
    for condition in grid.conditions:
        here = [(place, key) for place, key in wanted if place[3] == condition]
        if not here:
            continue
        light = condition.of(recording)
        counts = found.counts
        if light is not recording:
            counts = count_settings(light, truth, counts, rules=scored)
        best = {
            base: _best_cost(light, truth, bases[base], options.costs, scored)
            for base in dict.fromkeys(base for (_, base, _, _), _ in here)
        }
        names = [_teaching_key(one, base, seed) for (one, base, seed, _), _ in here]
        asked = {name: fixed[name] for name in names if name in fixed}
        if condition.changes_light:
            claims = _claims(light, recording, truth, asked, found, options, lies)
        else:
            claims = _judged(recording, truth, asked, found, options, lies)
        for ((one, base, seed, _), key), name in zip(here, names, strict=True):
            draws = with_measures(found.draws[name], counts, options.costs, best_cost=best[base])
            out[key] = {
                "key": key,
                "strategy": one.strategy.name,
                "parameters": one.parameters,
                "base": base,
                "seed": seed,
                "condition": condition.name,
                "unit": recording.info.unit,
                "teach_passes": found.cut.teach_passes,
                "scored_passes": passes,
                "synthetic": recording.info.origin is Origin.SYNTHETIC,
                **_measured(draws),
                # None where the passes do not lie beside the light, or follow it not at all.
                "lag_ms": float(lies.ms(lies.beside)) if lies and lies.belongs and lies.beside else None,
                **claims.get(name, {}),
            }
    return out


def _best_cost(light: Recording, truth: Truth, base: Setting | None, costs: Costs, rules: Rules) -> float:
    """Return the cost of the best fixed pair; NaN where the passes do not show whether objects raise the light."""
    try:
        return best_fixed(light, truth, {}, base=base, costs=costs, rules=rules).cost
    except ParameterError:
        return math.nan


def _setting(base: Switching | None, unit: str) -> Setting | None:
    """Return a base as a setting in the unit of a recording; a base with a unit keeps it, and the unit must fit."""
    if base is None or isinstance(base, Setting):
        return base
    return Setting(unit=unit, on_level=0.0, off_level=0.0, **asdict(base))


def _teaching_key(one: Configuration, base: str, seed: int) -> str:
    return json.dumps([one.strategy.name, plain(one.parameters), base, seed], sort_keys=True)


def _measured(draws: Sequence[Draw]) -> Row:
    """Return the measures of the draws of one row, and why some gave no setting."""
    spreads = spreads_of(draws)
    why: dict[str, int] = {}
    for one in draws:
        if text := one.abstained or one.failed:
            why[text] = why.get(text, 0) + 1
    out: Row = {
        "draws": len(draws),
        "taught": sum(one.setting is not None for one in draws),
        "abstained": sum(bool(one.abstained) for one in draws),
        "failed": sum(bool(one.failed) for one in draws),
        "reason": max(why, key=lambda text: (why[text], text)) if why else None,
        "ranking_cost": _finite(ranking_cost(draws)),
    }
    for name in MEASURES:
        spread = spreads.get(name)
        values = (None,) * 4 if spread is None else (spread.median, spread.p05, spread.p95, spread.worst)
        out |= {f"{name}{end}": _finite(value) for end, value in zip(STATISTICS, values, strict=True)}
    out["draw_costs"] = [_finite(one.measures.get("cost")) for one in draws]
    return out


def _judged(
    recording: Recording, truth: Truth, fixed: Mapping[str, FixedSetting], found: TaughtDraws, options: DrawOptions,
    lies: Alignment | None,
) -> dict[str, Row]:  # fmt: skip
    """Return what is claimed of settings fixed on the choosing half, with all by which a bench would judge them."""
    every, by, out = options.rules.scored_from(0), JudgedBy(costs=options.costs, alignment=lies), dict[str, Row]()
    distinct = list(dict.fromkeys(bare(one.setting) for one in fixed.values()))
    for first in range(0, len(distinct), AT_ONCE):
        some = distinct[first : first + AT_ONCE]
        read = SettingReading.together(recording, truth, [(one, every, True) for one in some], reserves=False)
        readings = dict(zip(some, read, strict=True))
        halves = claim_halves(
            recording, truth, {name: one for name, one in fixed.items() if bare(one.setting) in readings},
            first_half=found.first_half, first_scored=found.cut.first_scored, middle=found.middle, options=options,
            outputs={setting: one.output for setting, one in readings.items()},
        )  # fmt: skip
        cases: dict[Setting, JudgedSetting] = {}
        for name, half in halves.items():
            setting, said = bare(half.setting), _fixed_before(recording, truth, half, found)
            if setting not in cases:
                reading = readings[setting]
                result = score(reading.output, truth, rules=every)
                cases[setting] = JudgedSetting(
                    reading, said, result, by=by,
                    margin=reading.margin_where_known(result),
                )  # fmt: skip
            case = cases[setting]
            out[name] = _claimed(truth, half, case.found, usable=case.usable) | {
                "chosen_p95": _finite(half.p95), "room": _finite(half.room),
                "judged": judgement_text(case, half, said.taught),
            }  # fmt: skip
    return out


def _claims(
    light: Recording, recording: Recording, truth: Truth, fixed: Mapping[str, FixedSetting], found: TaughtDraws,
    options: DrawOptions, lies: Alignment | None,
) -> dict[str, Row]:  # fmt: skip
    """Return what settings fixed on the choosing half do under other light; those of one rate from one reading."""
    rules, by_rate = options.rules.scored_from(0), dict[float | None, list[Setting]]()
    for setting in dict.fromkeys(bare(one.setting) for one in fixed.values()):
        by_rate.setdefault(setting.evaluation_rate_hz, []).append(setting)
    scores = {
        setting: score(output, truth, rules=rules)
        for some in by_rate.values()
        for setting, output in zip(some, replay_family(light, some), strict=True)
    }
    belongs, copies = lies is None or lies.belongs, repeated_stretches(recording, truth.start, truth.end)
    out: dict[str, Row] = {}
    for name, one in fixed.items():
        said, result = _fixed_before(recording, truth, one, found), scores[bare(one.setting)]
        kept = claimable(recording, truth, said, result, rules=rules, copies=copies, belongs=belongs)
        out[name] = _claimed(truth, one, kept, usable=not unusable(result))
    return out


def _fixed_before(recording: Recording, truth: Truth, one: FixedSetting, found: TaughtDraws) -> Setting:
    """Return a setting that says on which passes it was taught and fixed, as in a bench."""
    stop, first = int(truth.end[found.middle - 1]), int(truth.start[found.cut.first_scored])
    return chosen_before(one.setting, recording, stop, first)


def _claimed(truth: Truth, pick: FixedSetting, found: Claimable, *, usable: bool) -> Row:
    """Return the results, lot by lot, on the claim half of the setting fixed on the choosing half."""
    counts = lot_counts(truth, found.trials)
    return {
        "draw": pick.draw,
        "setting": json.dumps(bare(pick.setting).as_dict()),
        "chosen_cost": _finite(pick.cost),
        "claim_passes": int(counts.passes.sum()),
        "claim_lost": int(counts.lost.sum()),
        "claim_false": int((counts.trips + counts.extra + counts.ignore_trips).sum()),
        "usable": usable,
        "lot_source": str(counts.source),
        "named_lots": int((counts.passes > 0).sum()) if counts.source is Source.LOTS else counts.named_lots,
        "lots": _lots(truth, counts, found.trials),
        "open": [
            {"condition": str(why), "text": found.conditions[why]} for why in OpenCondition if why in found.conditions
        ],
    }


def _lots(truth: Truth, counts: LotCounts, trials: Trials) -> list[Row]:
    """Return the counts of every lot of the claim half by its name, or of every stretch by its first scored pass."""
    scored = trials.rows(truth.detect[trials.first_pass :] & (trials.passes != Outcome.EXCLUDED))
    columns = {name: getattr(counts, name).tolist() for name in COUNTED}
    out = []
    for k, first in enumerate(counts.first_pass.tolist()):
        if not any(values[k] for values in columns.values()):
            continue  # it lies before the claim half
        # A stretch may hold several lots: it has the name of none.
        if counts.source is Source.LOTS and truth.lot is not None:
            lot = str(truth.lot[first])
        else:
            lot = f"from pass {min(scored[scored >= first], default=first)}"
        out.append({"lot": lot, **{name: int(values[k]) for name, values in columns.items()}})
    return out


def _finite(value: Any) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
