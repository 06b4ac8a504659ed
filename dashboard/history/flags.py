"""Pure: reconstructs from a bed's log what became of its flags: levels, who answered, and how long nobody did."""

from collections.abc import Iterable

from msgspec import Struct

from quietward.contracts.flag_names import is_of_second
from quietward.contracts.log import CALLING, Event
from quietward.contracts.summary import Level

CALL_KINDS = {f"flag-{change}" for change in CALLING}
"""Events with which a flag calls somebody, even if it had been answered before."""
ANSWER_KINDS = {"flag-acknowledged", "flag-shelved"}
LEVELS = [level.value for level in Level]


class FlagAnswer(Struct, frozen=True):
    """A person's answer to a flag. t: ms by the bed's clock; how: acknowledged, shelved or care."""

    t: int
    by: str
    how: str


class Wait(Struct):
    """An interval in which a flag was unanswered, in ms by the bed's clock.

    level: at its beginning. until: None while it lasts. answered: it ended because somebody answered, and not because
    the flag's reason had passed.
    """

    from_t: int
    level: str
    until: int | None = None
    answered: bool = False

    def length_s(self, now_ms: int) -> float:
        """Return its length, up to now if it still lasts."""
        return max(0, (now_ms if self.until is None else self.until) - self.from_t) / 1000


class LevelChange(Struct, frozen=True):
    """A change of a flag. level, waits: from t on, until the next change; waits: it is unanswered."""

    t: int
    level: str
    waits: bool
    text: str


class AlertEpisode(Struct):
    """One flag from its raising to its end. Times are ms by the bed's clock.

    over_at: when its reason passed or it was shelved; None while it is up. calls: time and level of each call.
    """

    flag: str
    raised_at: int
    reason: str
    highest: str
    answers: list[FlagAnswer]
    last_at: int
    over_at: int | None = None
    waits: list[Wait] = []
    changes: list[LevelChange] = []
    calls: list[tuple[int, str]] = []

    @property
    def is_of_second(self) -> bool:
        """True for a flag of a second twin."""
        return is_of_second(self.flag)

    @property
    def is_waiting(self) -> bool:
        """True while it is unanswered."""
        return bool(self.waits) and self.waits[-1].until is None

    def waiting_level(self, t: int) -> int:
        """Return how high it calls unanswered at a time, as a place in LEVELS; -1: it does not."""
        before = [change for change in self.changes if change.t <= t]
        return LEVELS.index(before[-1].level) if before and before[-1].waits and before[-1].level in LEVELS else -1

    def unanswered_s(self, now_ms: int) -> float:
        """Return for how long it was unanswered, all intervals together."""
        return sum(wait.length_s(now_ms) for wait in self.waits)


def calls_of_bed(episodes: list[AlertEpisode]) -> list[tuple[int, str]]:
    """Return time and level of every call of a bed. Twins have a flag each, which one press answers: what one of them
    asks for while the other waits at that level or above calls nobody anew.
    """
    return [
        (t, level)
        for i, episode in enumerate(episodes)
        for t, level in episode.calls
        if not any(
            # of two calls in one moment the first is told
            other.waiting_level(t if k < i else t - 1) >= (LEVELS.index(level) if level in LEVELS else 0)
            for k, other in enumerate(episodes)
            if k != i
        )
    ]


def waits_of_bed(episodes: list[AlertEpisode]) -> list[Wait]:
    """Return the waits of a bed, the oldest first; those of twins that overlap are one, as long as both together."""
    found: list[Wait] = []
    for wait in sorted((w for episode in episodes for w in episode.waits), key=lambda w: w.from_t):
        last = found[-1] if found else None
        if last is None or (last.until is not None and last.until <= wait.from_t):
            found.append(wait)
        elif last.until is not None and (wait.until is None or wait.until > last.until):
            found[-1] = Wait(last.from_t, last.level, wait.until, wait.answered)
    return found


def alert_episodes(oldest_first: Iterable[Event]) -> list[AlertEpisode]:
    """Return the flags of a log in the order in which they were raised."""
    episodes: dict[str, AlertEpisode] = {}
    for event in oldest_first:
        flag = event.detail.get("flag")
        if event.kind == "care":  # care answers every flag of the bed, whether or not the log says so in another line
            for episode in episodes.values():
                if episode.is_waiting:
                    _answer(episode, event, "care")
        elif event.kind.startswith("flag-") and isinstance(flag, str):
            _apply(episodes.setdefault(flag, _begin(flag, event)), event)
    return list(episodes.values())


def _begin(flag: str, event: Event) -> AlertEpisode:
    return AlertEpisode(flag, event.t, str(event.detail.get("reason") or event.text), "quiet", [], event.t)


def _apply(episode: AlertEpisode, event: Event) -> None:
    episode.last_at = event.t
    level = str(event.detail.get("level") or "quiet")
    episode.highest = max(episode.highest, level, key=lambda name: LEVELS.index(name) if name in LEVELS else 0)
    if event.kind in CALL_KINDS:
        episode.over_at = None
        episode.calls.append((event.t, level))
        if not episode.is_waiting:
            episode.waits.append(Wait(event.t, level))
    elif event.kind in ANSWER_KINDS:
        _answer(episode, event, event.kind.removeprefix("flag-"))
        if event.kind == "flag-shelved":  # it calls nobody any more; a call after the shelf's end is another flag
            episode.over_at = event.t
    elif event.kind == "flag-eased":
        _end_wait(episode, event.t, answered=False)
        episode.over_at = event.t
    level_now = "quiet" if episode.over_at is not None else level
    episode.changes.append(LevelChange(event.t, level_now, episode.is_waiting, event.text))


def _answer(episode: AlertEpisode, event: Event, how: str) -> None:
    _end_wait(episode, event.t, answered=True)
    episode.last_at = event.t
    episode.answers.append(FlagAnswer(event.t, str(event.detail.get("by") or "–"), how))


def _end_wait(episode: AlertEpisode, t: int, *, answered: bool) -> None:
    if episode.is_waiting:
        episode.waits[-1].until, episode.waits[-1].answered = t, answered
