"""Who is in a bed: what staff say of a woman who has come, and the times that women were there."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

from quietward.contracts.fields import Label, Parity, Risk, Weeks

LABOUR_STAGES = {0: "not in labour", 1: "first stage", 2: "second stage"}


class Arrival(Struct, frozen=True, forbid_unknown_fields=True):
    """What staff say of a woman who has come. None and empty: not said.

    stage: of labour; 0: not in labour. twins: None leaves it to the device whether a second heart rate comes.
    """

    label: Label
    weeks: Weeks | None = None
    parity: Parity | None = None
    stage: Literal[0, 1, 2] | None = None
    twins: bool | None = None
    risks: Annotated[list[Risk], Meta(max_length=12)] = []
    note: Annotated[str, Meta(max_length=300)] = ""

    @property
    def facts(self) -> list[str]:
        """Everything but the label, in words."""
        said = [
            "" if self.weeks is None else f"{self.weeks} weeks",
            "" if self.parity is None else f"para {self.parity}",
            "" if self.stage is None else LABOUR_STAGES[self.stage],
            "" if self.twins is None else "twins" if self.twins else "single",
        ]
        return [fact for fact in (*said, *self.risks, self.note) if fact]

    def changes_to(self, other: "Arrival") -> list[str]:
        """Return in words what another arrival says otherwise; [] where it says the same."""
        changes = [
            f"{name} {_said(before)} → {_said(after)}"
            for name, before, after in (
                ("label", self.label, other.label),
                ("weeks", self.weeks, other.weeks),
                ("para", self.parity, other.parity),
                ("stage", LABOUR_STAGES.get(_number(self.stage)), LABOUR_STAGES.get(_number(other.stage))),
                ("fetuses", _FETUSES[self.twins], _FETUSES[other.twins]),
            )
            if before != after
        ]
        changes += [f"not {risk}" for risk in self.risks if risk not in other.risks]
        changes += [risk for risk in other.risks if risk not in self.risks]
        if self.note != other.note:
            changes.append(f"note: {other.note or 'none'}")
        return changes


_FETUSES = {None: None, True: "twins", False: "single"}


def _said(value: object) -> str:
    return "not said" if value is None else str(value)


def _number(stage: int | None) -> int:
    return -1 if stage is None else stage


class BedBefore(Struct, frozen=True):
    """A bed in which a woman was before she was moved. move: id of that; stay: of hers there; moved_at: ms by the
    server's clock; last_s: the last second of her that came from there.
    """

    move: str
    bed: str
    stay: int
    moved_at: int
    last_s: int


class Stay(Struct, frozen=True):
    """A time at a bed: of one woman, or of nobody.

    id: when it began, ms by the server's clock; 0: before the first arrival. began, ended: ms by the bed's clock; ended
    is None while it lasts. ended_at: ms by the server's clock. arrival: None where nobody is in the bed, and for id 0.
    first_s, last_s: the first and last second by the bed's clock that can be of it; last_s is None while it lasts.
    Where a woman was moved, the bed's clock is hers: that of the bed she came from goes on. came_from: the beds in
    which she was before, the first one first; moved_to: the bed to which she went.
    """

    id: int
    by: str
    began: int
    arrival: Arrival | None = None
    first_s: int = 0
    last_s: int | None = None
    ended: int | None = None
    ended_by: str = ""
    ended_at: int = 0
    came_from: list[BedBefore] = []
    moved_to: str = ""

    @property
    def is_empty(self) -> bool:
        """True while nobody is in the bed."""
        return self.id > 0 and self.arrival is None
