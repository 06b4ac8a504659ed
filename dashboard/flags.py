"""Pure: what became of a bed's flags, from its log."""

from collections.abc import Iterable

from msgspec import Struct

from quietward.messages import Event, Level

ASKS = {"flag-raised", "flag-worsened", "flag-escalated", "flag-renewed", "flag-repeated", "flag-returned"}
"""From these on somebody is waited for, also when the flag had been answered before."""
ANSWERS = {"flag-acknowledged", "flag-shelved"}
LEVELS = [level.value for level in Level]


class Answered(Struct, frozen=True):
    """Somebody answered a flag."""

    t: int
    by: str
    how: str


class Story(Struct):
    """A flag from its beginning to its end. Times in ms by the bed's clock.

    over_at: when its reason was over, or was set aside; None while it is there.
    """

    flag: str
    raised_at: int
    reason: str
    highest: str
    answers: list[Answered]
    last_at: int
    over_at: int | None = None
    waits_since: int | None = None
    waited_ms: int = 0

    def unanswered_s(self, now_ms: int) -> float:
        """Return for how long nobody had answered it, all stretches together."""
        waiting_ms = 0 if self.waits_since is None else max(0, now_ms - self.waits_since)
        return (self.waited_ms + waiting_ms) / 1000


def stories(oldest_first: Iterable[Event]) -> list[Story]:
    """Return the flags of a log in the order in which they were raised."""
    found: dict[str, Story] = {}
    for event in oldest_first:
        name = event.detail.get("flag")
        if event.kind == "care":  # it answers what the bed asks for, whether or not the log says so once more
            for story in found.values():
                if story.waits_since is not None:
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
        if story.waits_since is None:
            story.waits_since = event.t
    elif event.kind in ANSWERS:
        _answer(story, event, event.kind.removeprefix("flag-"))
        if event.kind == "flag-shelved":  # it asks for nobody any more; if it does again that is another flag
            story.over_at = event.t
    elif event.kind == "flag-eased":
        _stop_waiting(story, event.t)
        story.over_at = event.t


def _answer(story: Story, event: Event, how: str) -> None:
    _stop_waiting(story, event.t)
    story.last_at = event.t
    story.answers.append(Answered(event.t, str(event.detail.get("by") or "–"), how))


def _stop_waiting(story: Story, t: int) -> None:
    if story.waits_since is not None:
        story.waited_ms += max(0, t - story.waits_since)
        story.waits_since = None
