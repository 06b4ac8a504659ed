"""Pure: the marks on a bed's strip, from its log: what was found, where a flag called, what people did."""

from msgspec import Struct

from quietward.contracts.log import CALLING, Event
from quietward.contracts.policy_info import PolicyInfo
from quietward.dashboard.view import explain, wording

NOTE = "note"
FLAG = "flag-"
"""Kinds of marks of a moment: something that was done, and a flag that called, with its level behind the hyphen."""


class StripMark(Struct, frozen=True, rename={"from_s": "from", "to_s": "to"}):
    """A mark on the strip, in seconds by the bed's clock; to_s None: it marks a moment.

    why: the reasons for its name, in short sentences.
    """

    kind: str
    from_s: float
    to_s: float | None
    text: str
    why: list[str] = []


def strip_marks(newest_first: list[Event], policy: PolicyInfo | None = None) -> list[StripMark]:
    """Return the marks of a log, newest first. policy: the running one, None while no detector has told it.

    Findings are spans; flags that called and what was done are moments, in the bed's own seconds.
    A contraction timed by hand has several events with the same onset when it was undone or corrected; the newest of
    them counts.
    """
    manual_onsets: set[float] = set()
    marks = []
    for event in newest_first:
        onset_s, end_s = event.detail.get("onset_s"), event.detail.get("end_s")
        if moment := _moment(event):
            marks.append(moment)
        if not isinstance(onset_s, float | int):
            continue
        is_manual = event.kind in ("hand-contraction", "hand-undone")
        is_superseded = is_manual and onset_s in manual_onsets
        if is_manual:
            manual_onsets.add(onset_s)
        if not is_superseded and event.kind != "hand-undone":
            until = end_s if isinstance(end_s, float | int) else None
            marks.append(StripMark(event.kind, onset_s, until, event.text, reasons(event, policy)))
    return marks


def _moment(event: Event) -> StripMark | None:
    """Return the mark of a call or of something that was done, None for other events."""
    if event.kind.removeprefix(FLAG) in CALLING:
        level = str(event.detail.get("level") or "")
        return StripMark(FLAG + level, event.t / 1000, None, level)
    if event.kind == "care":
        what = wording.care(str(event.detail.get("what") or ""), str(event.detail.get("text") or ""))
        return StripMark(NOTE, event.t / 1000, None, what)
    if event.kind == "attending":
        return StripMark(NOTE, event.t / 1000, None, event.text)
    note = event.detail.get("note")
    if event.kind == "flag-acknowledged" and isinstance(note, str) and note:
        return StripMark(NOTE, event.t / 1000, None, note)
    return None


def reasons(event: Event, policy: PolicyInfo | None = None) -> list[str]:
    """Return why a finding got its name, and what each rule set calls it; empty for other events.

    Limits are told of findings by the rules that run now; under other rules they may have been others.
    """

    def numbers(*names: str) -> list[float]:
        values = [event.detail.get(name) for name in names]
        return [float(value) for value in values if isinstance(value, float | int)]

    kinds = {
        name.removeprefix("kind "): str(kind) for name, kind in sorted(event.detail.items()) if name.startswith("kind ")
    }
    match event.kind, numbers("onset_s", "nadir_s", "end_s", "depth_bpm"), numbers("onset_s", "peak_s", "end_s"):
        case "deceleration", [onset, nadir, end, depth], _:
            times = numbers("contraction_onset_s", "contraction_peak_s")
            contraction = (times[0], times[1]) if len(times) == 2 else None
            (fall_s,) = numbers("fall_s") or [nadir - onset]
            rule_sets = policy.rule_sets if policy is not None and policy.rules == event.rules else []
            fall = explain.Fall(onset, nadir, end, fall_s, depth)
            sentences = explain.deceleration(fall, contraction, kinds, rule_sets)
        case "acceleration", _, [onset, _, end]:
            sentences = explain.acceleration(onset, end, *numbers("height_bpm"))
        case "contraction", _, [onset, peak, end]:
            sentences = explain.contraction(onset, peak, end)
        case _:
            return []
    return sentences + [f"{rules}: {kind}" for rules, kind in kinds.items()]
