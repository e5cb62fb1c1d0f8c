"""Return values of the verbs in a notebook: an answer with one sentence, a tidy frame, and its figure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from teachlab.errors import InputError
from teachlab.model.json_values import plain

if TYPE_CHECKING:
    import pandas as pd

V = TypeVar("V")
Rows = Iterable[Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure that a notebook shows automatically.

    Parameters
    ----------
    content : bytes
        The file.
    kind : str
        svg or png.
    """

    content: bytes
    kind: str

    def __repr__(self) -> str:
        """Return kind and size; the picture itself is for notebooks and files."""
        return f"<picture, {self.kind}, {len(self.content)} bytes; save it with .save('name.{self.kind}')>"

    def _repr_svg_(self) -> str | None:
        return self.content.decode() if self.kind == "svg" else None

    def _repr_png_(self) -> bytes | None:
        return self.content if self.kind == "png" else None

    def save(self, path: str | Path) -> None:
        """Write the picture to a file; an existing file is replaced as a whole.

        Raises
        ------
        InputError
            If the ending of the name is not the kind of the picture.
        """
        from teachlab.data.atomic_files import write_aside

        if Path(path).suffix.lower() != f".{self.kind}":
            raise InputError(f"{path}: the picture is {self.kind}. Name a file that ends in .{self.kind}.")
        with write_aside(Path(path)) as aside:
            aside.write_bytes(self.content)


class Told(Generic[V]):
    """An answer for a notebook; attributes that it does not have itself are those of the answer.

    Parameters
    ----------
    answer : object
        The answer that the room of the question returns.
    sentence : str
        The answer in words, in one or two lines.
    rows : iterable of mapping
        The rows of `to_pandas`.
    draw : callable, optional
        A function of the kind, svg or png, that returns the figure as bytes.
    """

    __slots__ = ("_draw", "_rows", "answer", "sentence")

    def __init__(
        self, answer: V, sentence: str, rows: Callable[[], Rows], draw: Callable[[str], bytes] | None = None
    ) -> None:
        self.answer, self.sentence, self._rows, self._draw = answer, sentence, rows, draw

    def __repr__(self) -> str:
        """Return the sentence."""
        return self.sentence

    def __getattr__(self, name: str) -> Any:
        # Copying and pickling ask for private names before the answer exists.
        if name.startswith("_") or name in self.__slots__:
            raise AttributeError(name)
        return getattr(self.answer, name)

    def __copy__(self) -> Told[V]:
        """Return the answer itself: nothing of it changes."""
        return self

    def __deepcopy__(self, memo: Mapping[int, Any]) -> Told[V]:
        """Return the answer itself: nothing of it changes."""
        return self

    def __reduce__(self) -> tuple[Callable[..., Told[V]], tuple[V, str, list[Mapping[str, Any]]]]:
        """Return what a pickle holds, such as one from a worker process: all but the figure, which needs the light."""
        return _unpickled, (self.answer, self.sentence, list(self._rows()))

    def to_pandas(self) -> pd.DataFrame:
        """Return the answer as a tidy frame: one row per observation, one column per variable."""
        import pandas as pd

        return pd.DataFrame.from_records([plain(dict(row)) for row in self._rows()])

    def plot(self, kind: str = "svg") -> Picture:
        """Return the figure; a notebook shows it, `save` writes it.

        Raises
        ------
        InputError
            If the answer has no figure, or the kind is neither svg nor png.
        """
        if self._draw is None:
            raise InputError("this answer has no figure; to_pandas() gives its rows. A pickle keeps no figure.")
        if kind not in ("svg", "png"):
            raise InputError(f"a figure is svg or png, got {kind!r}.")
        return Picture(self._draw(kind), kind)


def _unpickled(answer: V, sentence: str, rows: list[Mapping[str, Any]]) -> Told[V]:
    return Told(answer, sentence, lambda: rows)
