"""Output (Redis, JSON): the entries of a bed's log, appended for good, and of its trend."""

import msgspec
from msgspec import Struct

LOG_WORDS = {
    "flag-raised": "raised",
    "flag-worsened": "worse",
    "flag-escalated": "escalated",
    "flag-lowered": "downgraded",
    "flag-eased": "resolved",
    "flag-acknowledged": "answered",
    "flag-shelved": "shelved",
    "flag-renewed": "new finding",
    "flag-repeated": "still present",
    "flag-returned": "no improvement",
    "flag-unresolved": "not acted on",
    "shelf-over": "no longer shelved",
    "held-back": "suppressed",
    "noted-over": "quiet again",
    "attending": "on the way",
    "attending-over": "has left",
    "care": "done",
    "care-result": "result",
    "pause": "monitor off",
    "pause-over": "monitor on",
    "hand-contraction": "by hand",
    "hand-undone": "undone",
    "own-limit": "bed limit",
    "own-limit-over": "ward limit",
    "not-taken": "rejected",
    "baseline-change": "baseline",
    "signal-mark": "signal",
    "arrived": "arrived",
    "left": "left",
    "empty": "empty",
    "stay-undone": "undone",
    "moved": "moved",
    "came-from": "moved here",
    "corrected": "corrected",
}
"""What the kinds of a log's lines are called, on paper and, sent with its shell, on the page."""

CALLING = frozenset({"raised", "worsened", "escalated", "renewed", "repeated", "returned", "unresolved"})
"""Changes of a flag that interrupt somebody, by their words; in a bed's log they stand behind `flag-`."""

TREND_KIND = "minute"
"""Kind of the events that are a bed's trend, one a minute, and stand in no log."""
TREND_OF = ("", "second ")
"""How the names of a trend's numbers begin, by FHR channel: those of the second twin stand beside the first's."""


class Event(Struct, frozen=True):
    """One entry of a bed's log. `id` is the same however often the same input is processed."""

    id: str
    bed: str
    t: int
    kind: str
    text: str
    detail: dict[str, float | str | None]
    rules: str = ""
    """Digest of the rules (signal parameters, rule sets, concern, policy) that it was computed with."""
    stay: int = 0
    """Id of the stay whose log it stands in."""


decode_event = msgspec.json.Decoder(Event).decode
