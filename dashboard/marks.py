"""Pure: which lines of a bed's log are drawn on its strip."""

from msgspec import Struct

from quietward.messages import Event


class Mark(Struct, frozen=True, rename={"from_s": "from", "to_s": "to"}):
    """Something on the strip, in seconds by the bed's clock; to_s None: it marks a moment."""

    kind: str
    from_s: float
    to_s: float | None
    text: str


def marks(newest_first: list[Event]) -> list[Mark]:
    """Return what is drawn, newest first; what was timed by hand and taken back again is not."""
    taken_back: set[float] = set()
    found = []
    for event in newest_first:
        onset_s, end_s = event.detail.get("onset_s"), event.detail.get("end_s")
        if not isinstance(onset_s, float | int):
            continue
        if event.kind == "hand-undone":
            taken_back.add(onset_s)
        elif event.kind == "hand-contraction" and onset_s in taken_back:
            taken_back.discard(onset_s)
        else:
            found.append(Mark(event.kind, onset_s, end_s if isinstance(end_s, float | int) else None, event.text))
    return found
