"""A plain reading of the attention rules for one bed, with ifs and words instead of arrays: the oracle of its test.

Written from the description of the rules. A policy's numbers are all that it shares with the code it judges.
"""

import operator
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from quietward.detect.core.alerting.attention import Condition, Policy
from quietward.detect.core.alerting.rule_sets import Clause

RANK = {"look": 1, "bedside": 2, "team": 3}
TEAM = 3
OF_THE_SIGNAL = {"signal_lost_s", "fhr_usable_1min", "fhr_usable_30min", "near_mother_1min"}
BACK_AGAIN = 0.5
COMPARE: dict[str, Callable[[float, float], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
Values = dict[str, float]


class Beside(NamedTuple):
    """Something said beside the flag."""

    what: str
    condition: str = ""
    why: str = ""


class Said(NamedTuple):
    """Something said of the flag."""

    what: str
    level: int
    flag: int


@dataclass
class Watched:
    """One condition at this bed."""

    of: Condition
    holds_since: int | None = None
    over_since: int | None = None
    active: bool = False
    kept_back: str = ""
    shelved_until: int | None = None
    own_limit: float | None = None
    own_limit_until: int | None = None
    answered: bool = False
    cared_for: bool = False
    seemed_helped: bool = False

    def __post_init__(self) -> None:
        self.rank = RANK[self.of.level]
        self.about_signal = {name for name, _, _ in self.of.all} <= OF_THE_SIGNAL

    @property
    def shelved(self) -> bool:
        """What asks for the team cannot be."""
        return self.shelved_until is not None and self.rank < TEAM

    @property
    def counts(self) -> bool:
        return self.active and not self.shelved

    def holds(self, values: Values) -> bool:
        (measure, sign, limit), *others = self.of.all
        first = (measure, sign, limit if self.own_limit is None else self.own_limit)
        return all(true(clause, values) for clause in (first, *others))

    def is_over(self, values: Values, is_answered: bool) -> bool:
        """Its release moves with an own limit. What cannot be said is not over."""
        if self.holds(values):
            return False
        if is_answered and any(true(clause, values) for clause in self.of.release_answered):
            return True
        (measure, sign, limit), *others = self.of.release
        moved = 0.0 if self.own_limit is None else self.own_limit - self.of.all[0][2]
        return any(true(clause, values) for clause in ((measure, sign, limit + moved), *others))

    def has_helped(self, values: Values) -> bool:
        return any(true(clause, values) for clause in self.of.helped)


def true(clause: Clause, values: Values) -> bool:
    measure, sign, limit = clause
    return COMPARE[sign](values[measure], limit)


class PlainBed:
    """One bed: its conditions and its flag."""

    def __init__(self, policy: Policy) -> None:
        self.policy = policy
        self.watched = {c.name: Watched(c) for c in policy.condition}
        self.all = list(self.watched.values())
        self.paused_until: int | None = None
        self.lost_in_pause = False
        self.flag = 0
        self.level = 0
        self.level_since = 0
        self.climbed = 0  # the level that this flag has reached by waiting, or by coming back
        self.asked = 0  # the worst level of what counted at the last look
        self.answered_at: int | None = None
        self.cared_at: int | None = None

    @property
    def counting(self) -> list[Watched]:
        return [w for w in self.all if w.counts]

    # What people do.

    def acknowledge(self, flag: int, second: int) -> bool:
        if self.level == 0 or flag != self.flag or self.answered_at is not None:
            return False
        self.answered_at = second
        for w in self.all:
            w.answered = w.counts
        return True

    def care(self, second: int, values: Values) -> None:
        """Whoever does something for a flag has answered it; the time to help runs from the first thing done."""
        if self.level == 0:
            return
        self.acknowledge(self.flag, second)
        if self.cared_at is not None:
            return
        self.cared_at = second
        for w in self.all:
            w.cared_for, w.seemed_helped = w.counts, w.has_helped(values)

    def shelve(self, flag: int, until: int) -> bool:
        if self.level in (0, TEAM) or flag != self.flag:
            return False
        for w in self.counting:
            w.shelved_until, w.kept_back = until, "shelved"
        self._end_flag()
        return True

    def unshelve(self) -> None:
        for w in self.all:
            w.shelved_until = None

    def pause(self, until: int) -> None:
        self.paused_until, self.lost_in_pause = until, False
        for w in self.all:
            if w.about_signal:
                w.active = False

    def end_pause(self) -> None:
        self.paused_until = None

    def limit(self, name: str, limit: float, until: int) -> None:
        w = self.watched[name]
        w.own_limit, w.own_limit_until = limit, until

    def end_limit(self, name: str) -> None:
        w = self.watched[name]
        w.own_limit = w.own_limit_until = None

    # What a look sees.

    def look(self, second: int, values: Values, lost: bool) -> tuple[list[Beside], list[Said]]:
        besides = self._end_what_is_over(second, values, lost)
        kept_back_before = [w.kept_back for w in self.all]
        for w in self.all:
            self._begin_or_end(w, second, values, lost)
        said = self._follow_flag(second, values)
        self.asked = max((w.rank for w in self.counting), default=0)
        besides += [
            Beside("held-back", w.of.name, w.kept_back)
            for w, before in zip(self.all, kept_back_before, strict=True)
            if w.kept_back not in ("", before)
        ]
        return besides, said

    def _end_what_is_over(self, second: int, values: Values, lost: bool) -> list[Beside]:
        besides = []
        for w in self.all:
            if w.shelved_until is not None and second >= w.shelved_until:
                w.shelved_until = None
                besides.append(Beside("shelf-over", w.of.name))
        for w in self.all:
            if w.own_limit_until is not None and second >= w.own_limit_until:
                self.end_limit(w.of.name)
                besides.append(Beside("own-limit-over", w.of.name))
        if self.paused_until is not None:
            self.lost_in_pause = self.lost_in_pause or lost
            back = self.lost_in_pause and not lost and values["fhr_usable_1min"] >= BACK_AGAIN
            if second >= self.paused_until or back:
                self.end_pause()
                besides.append(Beside("pause-over"))
        return besides

    def _begin_or_end(self, w: Watched, second: int, values: Values, lost: bool) -> None:
        held_before = w.kept_back
        w.kept_back = ""
        if lost and not w.about_signal:
            if not w.active and (w.holds_since is not None or held_before == "lost"):
                w.kept_back = "lost"
            w.holds_since = w.over_since = None
        else:
            w.holds_since = _since(w.holds_since, second, w.holds(values))
            w.over_since = _since(w.over_since, second, w.is_over(values, self.answered_at is not None))
            if w.active:
                w.active = not _long_enough(w.over_since, second, w.of.release_s)
            elif _long_enough(w.holds_since, second, w.of.hold_s):
                w.kept_back = self._why_not(w, values)
                w.active = not w.kept_back
        if w.active and w.shelved:
            w.kept_back = "shelved"
        elif w.active and held_before == "higher" and self.answered_at is not None:
            w.kept_back = "higher"

    def _why_not(self, w: Watched, values: Values) -> str:
        if not all(true(clause, values) for clause in w.of.needs):
            return "coverage"
        if any(self.watched[name].active for name in w.of.inhibited_by):
            return "explained"
        if self.paused_until is not None and w.about_signal:
            return "off"
        return ""

    def _follow_flag(self, second: int, values: Values) -> list[Said]:
        before, asked = self.level, max((w.rank for w in self.counting), default=0)
        lower, renewed = self._new_ones()
        unhelped = self._was_in_vain(second, values)
        if asked == 0:
            if before == 0:
                return []
            self._end_flag()
            return [Said("eased", 0, self.flag)]
        what = self._why_it_speaks(second, asked, renewed, unhelped)
        if what in ("raised", "worsened"):
            self.level = asked
        elif what in ("returned", "escalated"):
            self.level = self.climbed = min(before + 1, TEAM)
        elif self.answered_at is None:
            self.level = max(asked, self.climbed)
        elif asked < self.asked:
            self.level, self.climbed = asked, 0
        if what:
            self.flag += what == "raised"
            self.answered_at = self.cared_at = None
            for w in self.all:
                w.answered = False
                w.kept_back = "" if w.kept_back == "higher" else w.kept_back
        else:
            for w in lower:
                w.kept_back = "higher"
            what = "lowered" if self.level < before else ""
        if not what:
            return []
        self.level_since = second
        return [Said(what, self.level, self.flag)]

    def _why_it_speaks(self, second: int, asked: int, renewed: bool, unhelped: bool) -> str:
        if self.level == 0:
            return "raised"
        if asked > self.level:
            return "worsened"
        if self.answered_at is None:
            return "escalated" if any(self._has_waited(w, second) for w in self.counting) else ""
        if unhelped:
            return "returned"
        if renewed:
            return "renewed"
        repeat = self.policy.repeat
        after_s = (repeat.look_s, repeat.bedside_s, repeat.team_s)[self.level - 1]
        return "repeated" if second - self.answered_at >= after_s else ""

    def _has_waited(self, w: Watched, second: int) -> bool:
        if self.level >= RANK[w.of.goes_up_to]:
            return False
        times = self.policy.escalation
        if self.level == 1:
            after_s = times.look_after_s if w.of.look_after_s is None else w.of.look_after_s
        else:
            after_s = times.bedside_after_s
        return second - self.level_since >= after_s

    def _new_ones(self) -> tuple[list[Watched], bool]:
        """Return what began under an answer for something higher, and whether anything began that must be heard."""
        lower, renewed = [], False
        counting = {w.of.name for w in self.counting}
        for w in self.all:
            new = self.answered_at is not None and w.counts and not w.answered
            if new and not counting.intersection(w.of.unless):
                if w.rank < self.asked:
                    lower.append(w)
                else:
                    renewed = True
            w.answered = self.answered_at is not None and w.counts
        return lower, renewed

    def _was_in_vain(self, second: int, values: Values) -> bool:
        if self.cared_at is None or second - self.cared_at < self.policy.care.helps_within_s:
            return False
        self.cared_at = None
        return any(w.cared_for and (w.seemed_helped or not w.has_helped(values)) for w in self.counting)

    def _end_flag(self) -> None:
        self.level = self.climbed = self.asked = 0
        self.answered_at = self.cared_at = None
        for w in self.all:
            w.answered = False


def _since(since: int | None, second: int, true: bool) -> int | None:
    if not true:
        return None
    return second if since is None else since


def _long_enough(since: int | None, second: int, for_s: float) -> bool:
    return since is not None and second - since >= for_s
