"""Keys of rows: digests of recording, passes, strategy with parameters, options, and the code behind the number."""

from __future__ import annotations

import inspect
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from teachlab.data.parquet_source import ParquetSource
from teachlab.data.recording_files import LightDigest, info_document
from teachlab.errors import RecordingError, StrategyError
from teachlab.evidence.identity import json_digest, truth_digest
from teachlab.model.json_values import plain
from teachlab.studies.code_fingerprint import code_fingerprint, file_fingerprint
from teachlab.teaching.registry import source_fingerprint

if TYPE_CHECKING:
    from teachlab.model.draws import DrawOptions
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Switching
    from teachlab.model.teaching import Strategy
    from teachlab.model.truth import Truth
    from teachlab.studies.family.configurations import Configuration
    from teachlab.studies.family.line_conditions import LineCondition


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
        self, one: Configuration, base: Switching | None, seed: int, condition: LineCondition, options: DrawOptions,
        fingerprint: str,
    ) -> str:  # fmt: skip
        """Return the key of a row; the fingerprint is that of its strategy."""
        costs, rules = options.costs, options.rules
        asked: dict[str, Any] = {
            "strategy": [one.strategy.name, plain(one.parameters), fingerprint],
            "base": None if base is None else plain(asdict(base.switching)),
            "seed": seed,
            "condition": [condition.name, condition.gain, condition.ambient, condition.pedestal],
            "draws": [options.draws, options.teach_share, rules.tolerance_ms, costs.miss, costs.false],
        }
        return json_digest([self.data, self.code, asked])


def strategy_fingerprint(made: type[Strategy]) -> str:
    """Return the fingerprint of a strategy: with all its imports, or with those beside its file if it does not ship.

    Raises
    ------
    StrategyError
        If its file is not the one that was loaded: rows of the old code would bear the key of the new one.
    """
    module = made.__module__
    if module.startswith("teachlab.teaching.strategies."):
        return code_fingerprint(module)
    now = source_fingerprint(made)
    loader = getattr(sys.modules.get(module), "__loader__", None)
    if not now.startswith(getattr(loader, "digest", "")):
        raise StrategyError(f"the file of strategy '{made.name}' was changed while the study ran. Run it again.")
    return file_fingerprint(Path(inspect.getsourcefile(made) or ""))


def refuse_damage(recording: Recording) -> None:
    """Refuse a file whose light is not the one that was written under the digest in it.

    Raises
    ------
    RecordingError
        If its samples or its rate were changed, or the file is damaged.
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
