"""Pure: which lines of a bed's log are drawn on its strip."""

from msgspec import Struct

from quietward.contracts.messages import Event, PolicyInfo
from quietward.dashboard.view import explain


class Mark(Struct, frozen=True, rename={"from_s": "from", "to_s": "to"}):
    """Something on the strip, in seconds by the bed's clock; to_s None: it marks a moment.

    why: what makes it what it is, in short sentences.
    """

    kind: str
    from_s: float
    to_s: float | None
    text: str
    why: list[str] = []


def marks(newest_first: list[Event], sheet: PolicyInfo | None = None) -> list[Mark]:
    """Return what is drawn, newest first. sheet: of the policy that runs, None while nobody has said it.

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
            until = end_s if isinstance(end_s, float | int) else None
            found.append(Mark(event.kind, onset_s, until, event.text, why(event, sheet)))
    return found


def why(event: Event, sheet: PolicyInfo | None = None) -> list[str]:
    """Return what makes a finding what it is, and what each rule set calls it.

    Limits are told of findings that come from the rules that run now; those of others may have been different.
    """

    def numbers(*names: str) -> list[float]:
        found = [event.detail.get(name) for name in names]
        return [float(one) for one in found if isinstance(one, float | int)]

    kinds = {
        name.removeprefix("kind "): str(kind) for name, kind in sorted(event.detail.items()) if name.startswith("kind ")
    }
    match event.kind, numbers("onset_s", "nadir_s", "end_s", "depth_bpm"), numbers("onset_s", "peak_s", "end_s"):
        case "deceleration", [onset, nadir, end, depth], _:
            own = numbers("contraction_onset_s", "contraction_peak_s")
            (fall_s,) = numbers("fall_s") or [nadir - onset]
            said = explain.deceleration(
                explain.Fall(onset, nadir, end, fall_s, depth),
                (own[0], own[1]) if len(own) == 2 else None,
                kinds,
                sheet.rule_sets if sheet is not None and sheet.rules == event.rules else (),
            )
        case "acceleration", _, [onset, _, end]:
            said = explain.acceleration(onset, end, *numbers("height_bpm"))
        case "contraction", _, [onset, peak, end]:
            said = explain.contraction(onset, peak, end)
        case _:
            return []
    return said + [f"{rules}: {kind}" for rules, kind in kinds.items()]
