"""Small invented lines: caps on a belt of a bottling hall, in counts, with lots; each change is one line of code."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.draws import Costs
from teachlab.model.recording import Direction, Origin, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.model.verdict import Verdict
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.verdict import FilesJudged, JudgedBy, setting_verdict
from teachlab.scoring import score

PERIOD, WIDTH, RATE = 60, 24, 1000.0
BELT, CAP, NOISE = 200.0, 600.0, 5.0
LEVEL = Setting(unit="counts", on_level=420, off_level=380)


@dataclass(frozen=True)
class Line:
    """Passes of one period each; light of each pass and gap can be changed."""

    passes: int = 120
    lots: int = 12
    seed: int = 3
    width: int = WIDTH
    cap: Any = CAP
    belt: Any = BELT
    detect: Any = True
    label: Any = ""
    touching: bool = False
    source: TruthSource = TruthSource.INDEPENDENT
    origin: Origin = Origin.RECORDED
    uncertainty: float = 1.0
    spikes: tuple[tuple[int, int], ...] = ()
    dips: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    copies_of: int | None = None
    pasted: bool = False
    drift: float = 0.0
    stands: int = 0
    """For so many samples the cap of pass 60 stands behind its end."""
    told: bool = True
    """Whether its end in the table is the end of its light."""
    frozen: tuple[int, int] | None = None
    """From the one pass to the other the log repeats one sample."""

    def made(self) -> tuple[Recording, Truth]:
        """Return light and passes."""
        rng = np.random.default_rng(self.seed)
        samples = self.passes * PERIOD + PERIOD
        cap = np.broadcast_to(np.asarray(self.cap, np.float64), self.passes)
        start = PERIOD // 2 + PERIOD * np.arange(self.passes)
        end = start + self.width
        if self.touching:
            # Every second pass begins where the one before ends.
            start[1::2] = end[0::2][: start[1::2].size]
            end[1::2] = start[1::2] + self.width
        light = np.full(samples, BELT)
        for k, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
            light[a:b] = cap[k]
        for k in self.dips.tolist():
            middle = int(start[k]) + self.width // 2
            light[middle - 2 : middle + 2] = 370.0
        for after, many in self.spikes:
            free = int(end[after]) + 3
            for j in range(many):
                light[free + 3 * j : free + 3 * j + 1] = 500.0
        light += self.drift * np.arange(samples) / samples
        light += rng.normal(0, NOISE, samples)
        if self.copies_of is not None:
            for k in range(self.copies_of + 1, self.copies_of + 20):
                light[start[k] : end[k]] = light[start[self.copies_of] : end[self.copies_of]]
        if self.pasted:
            # Ten passes again, a few samples late and a little brighter.
            light[start[60] + 3 : start[70] + 3] = 1.1 * light[start[20] : start[30]]
        if self.frozen is not None:
            a, b = (int(start[k]) for k in self.frozen)
            light[a - 5 : b] = light[a - 5]
        if self.stands:
            at = int(end[60])
            light = np.concatenate((light[:at], rng.normal(cap[60], NOISE, self.stands), light[at:]))
            start[61:] += self.stands
            end[60 if self.told else 61 :] += self.stands
        names = (np.arange(self.passes) * max(self.lots, 1) // self.passes).astype(str)
        truth = Truth.from_arrays(
            start, end,
            detect=np.broadcast_to(np.asarray(self.detect), self.passes),
            label=np.broadcast_to(np.asarray(self.label, object), self.passes),
            lot=np.array([f"L{int(n) + 1:02d}" for n in names], object) if self.lots else None,
            source=self.source, uncertainty_samples=self.uncertainty,
        )  # fmt: skip
        info = RecordingInfo(sample_rate_hz=RATE, unit="counts", direction=Direction.RISE, origin=self.origin)
        return Recording.from_array(light, info, name="caps"), truth

    def judged(self, setting: Setting = LEVEL, *, accepted: float = 0.05, costs: Costs | None = None) -> Verdict:
        """Return the verdict on a setting."""
        recording, truth = self.made()
        files = FilesJudged(recording="caps.parquet", setting="caps.json")
        by = JudgedBy(accepted=accepted, costs=costs or Costs(), files=files)
        reading = SettingReading(recording, truth, setting)
        result = score(reading.output, truth)
        return setting_verdict(
            reading, setting, result, by=by, about=by.setting_file, margin=reading.margin_where_known(result)
        )  # fmt: skip

    def but(self, **changes: Any) -> Line:
        """Return the line with changes."""
        return replace(self, **changes)
