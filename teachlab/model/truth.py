"""Truth: when an object was in front of the sensor, and whether the sensor had to detect it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.errors import TruthError
from teachlab.model.bounds import hold_bounds, hold_choice
from teachlab.model.printable_text import number_of
from teachlab.model.recording import DIGEST

Positions = NDArray[np.int64]
"""Sample indices, int64, shape (n,)."""

Names = NDArray[np.object_]
"""Names as Python strings, shape (n,)."""


class TruthSource(StrEnum):
    """Where the passes come from. Self-labelled truth may be used for tuning, but never supports a claim."""

    INDEPENDENT = "independent"
    SELF_LABELLED = "self-labelled"
    GENERATOR = "generator"


class Expect(StrEnum):
    """What the sensor has to do on a pass."""

    DETECT = "detect"
    IGNORE = "ignore"


@dataclass(frozen=True, slots=True)
class Aligned:
    """How passes were moved in time before they were written.

    Parameters
    ----------
    shift_ms : float, ms
        By how much every border was moved later.
    clock_ppm : float, parts per million
        By how much the clock of the passes was stretched.
    borders : int
        Number of borders that this is based on; 0 if it was given.
    jitter_ms : float, ms, optional
        Remaining spread of the borders; None if it was not measured.

    Raises
    ------
    TruthError
        If a number is not finite, or a count or spread is negative.
    """

    shift_ms: float
    clock_ppm: float = 0.0
    borders: int = field(default=0, metadata={"ge": 0})
    jitter_ms: float | None = field(default=None, metadata={"ge": 0})

    def __post_init__(self) -> None:
        hold_bounds(self, TruthError)
        if not (math.isfinite(self.shift_ms) and math.isfinite(self.clock_ppm)):
            raise TruthError(f"shift_ms and clock_ppm must be finite, got {self.shift_ms!r} and {self.clock_ppm!r}.")


def joined(stretches: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Return stretches in time order, those that touch or overlap as one, without empty ones.

    Examples
    --------
    >>> joined([(8, 9), (0, 3), (2, 5), (7, 7)])
    ((0, 5), (8, 9))
    """
    out: list[tuple[int, int]] = []
    for start, end in sorted(one for one in stretches if one[0] < one[1]):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return tuple(out)


def _frozen(values: NDArray[Any]) -> NDArray[Any]:
    out = values.copy()
    out.flags.writeable = False
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Passes of one recording, in time order and not overlapping.

    Parameters
    ----------
    start, end : ndarray of int64, shape (n,), samples
        Pass k covers ``[start[k], end[k])``: the start belongs to it, the end does not. Touching passes are allowed.
    detect : ndarray of bool, shape (n,)
        True where the pass must switch the output (`expect` = detect), False for `ignore`.
    label : ndarray of str objects, shape (n,)
        Kind of object.
    lot : ndarray of str objects, shape (n,), optional
        Lot: shift, batch and so on.
    source : TruthSource
        Where the passes come from.
    uncertainty_samples : float, samples
        Half-width of the uncertainty of every border, at least 0.
    recording_digest : str, optional
        Digest of the recording that these passes belong to; None if they are not tied to a recording.
    aligned : Aligned, optional
        How the passes were moved in time; None if they were not.
    except_ : tuple of (int, int), samples
        Stretches ``[start, end)`` about which these passes say nothing, in time order and not overlapping.

    Raises
    ------
    TruthError
        With the row, if a pass is reversed, out of order, overlapping or before the recording.
    """

    start: Positions
    end: Positions
    detect: NDArray[np.bool_]
    label: Names
    lot: Names | None = None
    source: TruthSource = field(default=TruthSource.INDEPENDENT, metadata={"stated": True})
    uncertainty_samples: float = field(default=0.0, metadata={"ge": 0})
    recording_digest: str | None = field(default=None, metadata={"pattern": DIGEST})
    aligned: Aligned | None = None
    except_: tuple[tuple[int, int], ...] = ()

    def __repr__(self) -> str:
        """Return how many passes there are and what is stated of them; thousands of rows are no text."""
        lots = "no lots" if self.lot is None else number_of(np.unique(self.lot).size, "lot")
        return (
            f"<{number_of(self.passes, 'pass', 'passes')}, {np.count_nonzero(~self.detect):,} to ignore, {lots}; "
            f"{self.source.value}, borders ±{self.uncertainty_samples:g} samples>"
        )

    def __post_init__(self) -> None:
        size = self.start.size
        for column in ("end", "detect", "label", "lot"):
            values = getattr(self, column)
            if values is not None and values.shape != (size,):
                raise TruthError(f"column '{column}' has {number_of(values.size, 'row')}, 'start' has {size}.")
        hold_bounds(self, TruthError)
        hold_choice(self, "source", TruthSource, TruthError)
        for column in ("start", "end", "detect", "label", "lot"):
            values = getattr(self, column)
            if values is not None:
                object.__setattr__(self, column, _frozen(values))
        self._check_order()
        before = 0
        for start, end in self.except_:
            if not before <= start < end:
                raise TruthError(
                    f"except: stretch [{start}, {end}) must begin at or after {before} and end after its begin. "
                    "Stretches are sample ranges in time order that do not overlap."
                )
            before = end

    @classmethod
    def from_arrays(
        cls,
        start: ArrayLike,
        end: ArrayLike,
        *,
        detect: ArrayLike | None = None,
        label: ArrayLike | None = None,
        lot: ArrayLike | None = None,
        source: TruthSource = TruthSource.INDEPENDENT,
        uncertainty_samples: float = 0.0,
        recording_digest: str | None = None,
        aligned: Aligned | None = None,
        except_: tuple[tuple[int, int], ...] = (),
    ) -> Truth:
        """Build a truth from plain sequences; by default every pass must be detected.

        Examples
        --------
        >>> Truth.from_arrays([10, 40], [20, 50]).passes
        2
        """
        first = np.asarray(start, np.int64).reshape(-1)
        return cls(
            first,
            np.asarray(end, np.int64).reshape(-1),
            np.ones(first.size, bool) if detect is None else np.asarray(detect, bool).reshape(-1),
            np.full(first.size, "", object) if label is None else np.asarray(label, object).reshape(-1),
            None if lot is None else np.asarray(lot, object).reshape(-1),
            source,
            uncertainty_samples,
            recording_digest,
            aligned,
            except_,
        )

    @property
    def touching(self) -> NDArray[np.bool_]:
        """Which passes begin where the pass before them ends, shape (passes,)."""
        out = np.zeros(self.start.size, bool)
        out[1:] = self.start[1:] == self.end[:-1]
        return out

    def _check_order(self) -> None:
        start, end = self.start, self.end
        for bad, what, todo in (
            (start < 0, "starts before the recording", "Sample indices begin at 0."),
            (end <= start, "does not end after its start", "Correct the two, or swap them."),
        ):
            if bad.any():
                k = int(np.argmax(bad))
                raise TruthError(f"row {k}: the pass from sample {start[k]} to {end[k]} {what}. {todo}")
        unsorted = start[1:] < start[:-1]
        if unsorted.any():
            k = int(np.argmax(unsorted)) + 1
            raise TruthError(
                f"row {k}: column 'start' must ascend, but {start[k]} follows {start[k - 1]}. Sort the passes by start."
            )
        overlap = start[1:] < end[:-1]
        if overlap.any():
            k = int(np.argmax(overlap)) + 1
            if (start[k], end[k]) == (start[k - 1], end[k - 1]):
                raise TruthError(
                    f"row {k}: the pass from sample {start[k]} to {end[k]} is that of row {k - 1} again. Take one out."
                )
            raise TruthError(
                f"row {k}: the pass from sample {start[k]} to {end[k]} overlaps the pass before it, which ends at "
                f"{end[k - 1]}. Passes may touch but not overlap; correct one of the two."
            )

    def check_inside(self, samples: int) -> None:
        """Refuse passes that end after a recording of this many samples."""
        outside = self.end > samples
        if outside.any():
            k = int(np.argmax(outside))
            raise TruthError(
                f"row {k}: the pass from sample {self.start[k]} to {self.end[k]} ends outside the recording of "
                f"{number_of(samples, 'sample')}. Check that the passes belong to this recording, and in which "
                "unit they are counted (import --passes-in)."
            )

    @property
    def passes(self) -> int:
        """Number of passes of both kinds."""
        return int(self.start.size)

    @property
    def detect_passes(self) -> int:
        """Number of passes that must be detected."""
        return int(np.count_nonzero(self.detect))

    def select(self, rows: slice | NDArray[Any]) -> Truth:
        """Return the truth with only some of its passes, in the same order."""
        return replace(
            self,
            start=self.start[rows],
            end=self.end[rows],
            detect=self.detect[rows],
            label=self.label[rows],
            lot=None if self.lot is None else self.lot[rows],
        )

    def within(self, start: int, stop: int) -> Truth:
        """Return the passes that lie wholly in ``[start, stop)``, as passes of a recording of these samples alone.

        Examples
        --------
        >>> Truth.from_arrays([2, 8, 20], [5, 12, 30]).within(6, 22).start.tolist()
        [2]
        """
        some = self.select((self.start >= start) & (self.end <= stop))
        left_out = tuple(
            (max(a, start) - start, min(b, stop) - start) for a, b in self.except_ if a < stop and b > start
        )
        return replace(
            some, start=some.start - start, end=some.end - start, except_=left_out, recording_digest=None
        )  # fmt: skip

    def tied_to(self, recording_digest: str | None) -> Self:
        """Return the same passes, tied to the recording with this digest."""
        return replace(self, recording_digest=recording_digest)
