"""Guard or window: one level where one suffices, two where objects are brighter or darker than the background."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from teachlab.errors import Abstained
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teach.balanced_guard import BalancedGuard
from teachlab.teach.parameters import about, check_parameters, record
from teachlab.teach.shown_events import guards_of, statistics_of
from teachlab.teach.two_threshold import TwoThreshold


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardOrWindow:
    """Place one level by `balanced-guard`; where none can tell objects from background, two by `two-threshold`.

    Parameters
    ----------
    position : float, share of the distance, in (0, 1)
        phi of both.
    share : float, share of the events, in [0, 0.5)
        a of both.

    Notes
    -----
    With S and B the guards of `quantile-guard` for the events shown: where S > B, T and H of `balanced-guard`;
    else the window of `two-threshold`, if every pass reaches beyond the gaps on one of its two sides. The
    record says in `handed_to` who placed the levels.

    When it fails: as the one that placed the levels. It abstains where both do, with the reasons of
    `balanced-guard`; and where one level would do, but filter and delays do not let the output go.

    References
    ----------
    Of the two strategies. That one hands over to the other is this package's own.

    Examples
    --------
    >>> sorted(GuardOrWindow().needs)
    [<Shown.EVENTS: 'events'>]
    """

    name: ClassVar[str] = "guard-or-window"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    either_direction: ClassVar[bool] = True
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    position: float = field(
        default=0.5,
        metadata=about(
            "distance of the level from the background guard", unit="share of the distance", above=0, below=1
        ),
    )
    share: float = field(
        default=0.01,
        metadata=about("events that may lie beyond a guard", unit="share of the events", at_least=0, below=0.5),
    )

    def __post_init__(self) -> None:
        check_parameters(self)

    def teach(self, view: TeachView) -> Setting:
        """Return one level, or a window, for the events shown."""
        found = statistics_of(view, rare_kinds=True)
        placer: BalancedGuard | TwoThreshold = BalancedGuard(position=self.position, share=self.share)
        refusal: Abstained | None = None
        try:
            guards_of(view, found, self.share)
        except Abstained as overlap:
            placer, refusal = TwoThreshold(position=self.position, share=self.share), overlap
        try:
            setting = placer.teach(view)
        except Abstained:
            if refusal is not None:
                raise refusal from None
            raise
        told = setting.taught.evidence if setting.taught is not None else {}
        return replace(setting, taught=record(self, handed_to=placer.name, **told))
