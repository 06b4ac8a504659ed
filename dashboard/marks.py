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
    """Return what is drawn, newest first.

    What was timed by hand and taken back is not drawn; one that was taken back and ended anew is drawn as it is now.
    """
    seen_by_hand: set[float] = set()
    found = []
    for event in newest_first:
        onset_s, end_s = event.detail.get("onset_s"), event.detail.get("end_s")
        if not isinstance(onset_s, float | int):
            continue
        by_hand = event.kind in ("hand-contraction", "hand-undone")
        is_older = by_hand and onset_s in seen_by_hand
        if by_hand:
            seen_by_hand.add(onset_s)
        if not is_older and event.kind != "hand-undone":
            found.append(Mark(event.kind, onset_s, end_s if isinstance(end_s, float | int) else None, event.text))
    return found
