"""Pure: what became of a bed's flags, from its log."""

from collections.abc import Iterable

from msgspec import Struct

from quietward.contracts.messages import Event, Level

ASKS = {"flag-raised", "flag-worsened", "flag-escalated", "flag-renewed", "flag-repeated", "flag-returned"}
"""From these on somebody is waited for, also when the flag had been answered before."""
ANSWERS = {"flag-acknowledged", "flag-shelved"}
LEVELS = [level.value for level in Level]


class Answered(Struct, frozen=True):
    """Somebody answered a flag."""

    t: int
    by: str
    how: str


class Wait(Struct):
    """A stretch in which somebody was waited for, ms by the bed's clock; level: that at which it began.

    until: None while it goes on. answered: somebody came, and it did not just pass by itself.
    """

    from_t: int
    level: str
    until: int | None = None
    answered: bool = False

    def length_s(self, now_ms: int) -> float:
        """Return how long it was, or has been until now."""
        return max(0, (now_ms if self.until is None else self.until) - self.from_t) / 1000


class Step(Struct, frozen=True):
    """A moment at which a flag changed: its level from then on, and whether somebody is waited for."""

    t: int
    level: str
    waits: bool
    text: str


class Story(Struct):
    """A flag from its beginning to its end. Times in ms by the bed's clock.

    calls: level of each time it asked for somebody. over_at: when its reason was over, or was set aside; None while it
    is there.
    """

    flag: str
    raised_at: int
    reason: str
    highest: str
    answers: list[Answered]
    last_at: int
    over_at: int | None = None
    waits: list[Wait] = []
    steps: list[Step] = []
    calls: list[tuple[int, str]] = []

    @property
    def is_waiting(self) -> bool:
        """True while it asks for somebody."""
        return bool(self.waits) and self.waits[-1].until is None

    def unanswered_s(self, now_ms: int) -> float:
        """Return for how long nobody had answered it, all stretches together."""
        return sum(wait.length_s(now_ms) for wait in self.waits)


def stories(oldest_first: Iterable[Event]) -> list[Story]:
    """Return the flags of a log in the order in which they were raised."""
    found: dict[str, Story] = {}
    for event in oldest_first:
        name = event.detail.get("flag")
        if event.kind == "care":  # it answers what the bed asks for, whether or not the log says so once more
            for story in found.values():
                if story.is_waiting:
                    _answer(story, event, "care")
        elif event.kind.startswith("flag-") and isinstance(name, str):
            _go_on(found.setdefault(name, _begin(name, event)), event)
    return list(found.values())


def _begin(name: str, event: Event) -> Story:
    return Story(name, event.t, str(event.detail.get("reason") or event.text), "quiet", [], event.t)


def _go_on(story: Story, event: Event) -> None:
    story.last_at = event.t
    level = str(event.detail.get("level") or "quiet")
    story.highest = max(story.highest, level, key=lambda one: LEVELS.index(one) if one in LEVELS else 0)
    if event.kind in ASKS:
        story.over_at = None
        story.calls.append((event.t, level))
        if not story.is_waiting:
            story.waits.append(Wait(event.t, level))
    elif event.kind in ANSWERS:
        _answer(story, event, event.kind.removeprefix("flag-"))
        if event.kind == "flag-shelved":  # it asks for nobody any more; if it does again that is another flag
            story.over_at = event.t
    elif event.kind == "flag-eased":
        _stop_waiting(story, event.t, answered=False)
        story.over_at = event.t
    story.steps.append(Step(event.t, "quiet" if story.over_at is not None else level, story.is_waiting, event.text))


def _answer(story: Story, event: Event, how: str) -> None:
    _stop_waiting(story, event.t, answered=True)
    story.last_at = event.t
    story.answers.append(Answered(event.t, str(event.detail.get("by") or "–"), how))


def _stop_waiting(story: Story, t: int, *, answered: bool) -> None:
    if story.is_waiting:
        story.waits[-1].until, story.waits[-1].answered = t, answered
