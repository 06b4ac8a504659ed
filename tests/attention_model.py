"""A plain reading of the attention rules for one bed, with ifs and words instead of arrays: the oracle of its test.

Written from the description of the rules. A policy's numbers are all that it shares with the code it judges.
"""

import operator
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from quietward.detect.core.alerting.policy import Condition, Policy
from quietward.detect.core.alerting.rule_sets import Clause

RANK = {"noted": 0, "look": 1, "bedside": 2, "team": 3}
BEDSIDE = 2
TEAM = 3
OF_THE_SIGNAL = {
    "signal_lost_s", "fhr_usable_1min", "fhr_usable_30min", "near_mother_1min", "same_value_s",
    "fall_unseen_s", "fall_seen_s", "fall_seen_bpm",
}  # fmt: skip
BACK_AGAIN = 0.5
COMPARE: dict[str, Callable[[float, float], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
Values = dict[str, float]


class PlainNotice(NamedTuple):
    """A notice beside the flag."""

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
    active_since: int | None = None
    goes_on: int = 0  # so long that it asks for so many levels more
    suppressed: str = ""
    shelved_until: int | None = None
    own_limit: float | None = None
    own_limit_until: int | None = None
    acknowledged: bool = False
    cared_for: bool = False
    already_improving: bool = False

    def __post_init__(self) -> None:
        self.about_signal = {name for name, _, _ in self.of.all} <= OF_THE_SIGNAL

    @property
    def rank(self) -> int:
        return RANK[self.of.level] + self.goes_on

    @property
    def shelved(self) -> bool:
        """What asks for the team cannot be."""
        return self.shelved_until is not None and self.rank < TEAM

    @property
    def counts(self) -> bool:
        return self.active and self.rank > 0 and not self.shelved

    @property
    def is_there(self) -> bool:
        """It keeps a bed without a flag from being quiet."""
        return self.active or self.suppressed == "coverage"

    def holds(self, values: Values) -> bool:
        (measure, sign, limit), *others = self.of.all
        first = (measure, sign, limit if self.own_limit is None else self.own_limit)
        return all(true(clause, values) for clause in (first, *others))

    def is_over(self, values: Values, is_answered: bool) -> bool:
        """Its release moves with an own limit. What cannot be said is not over."""
        is_seen = all(true(clause, values) for clause in self.of.release_needs)
        if self.holds(values) or not (is_seen or is_answered):
            return False
        if is_answered and any(true(clause, values) for clause in self.of.release_acknowledged):
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
        self.escalated_level = 0  # the level that this flag has reached by waiting, or by coming back
        self.asked = 0  # the worst level of what counted at the last evaluation
        self.acknowledged_at: int | None = None
        self.cared_at: int | None = None
        self.answers = 0  # to the same, since something was done
        self.noted: Watched | None = None

    @property
    def counting(self) -> list[Watched]:
        return [w for w in self.all if w.counts]

    # What people do.

    def acknowledge(self, flag: int, second: int) -> bool:
        if self.level == 0 or flag != self.flag or self.acknowledged_at is not None:
            return False
        self.acknowledged_at = second
        self.answers += 1
        for w in self.all:
            w.acknowledged = w.counts
        return True

    def care(self, second: int, values: Values) -> None:
        """Whoever does something for a flag has acknowledged it; the time to help runs from the first thing done."""
        if self.level == 0:
            return
        self.acknowledge(self.flag, second)
        self.answers = 0
        if self.cared_at is not None:
            return
        self.cared_at = second
        for w in self.all:
            w.cared_for, w.already_improving = w.counts, w.has_helped(values)

    def shelve(self, flag: int, until: int) -> bool:
        if self.level in (0, TEAM) or flag != self.flag or not self.counting:
            return False
        self.noted = max(self.counting, key=lambda w: w.rank)
        for w in self.counting:
            w.shelved_until, w.suppressed = until, "shelved"
        self._end_flag()
        return True

    def unshelve(self) -> None:
        for w in self.all:
            w.shelved_until = None

    def pause(self, until: int) -> None:
        self.paused_until, self.lost_in_pause = until, False
        for w in self.all:
            if w.about_signal and RANK[w.of.level] < BEDSIDE:
                w.active = False

    def end_pause(self) -> None:
        self.paused_until = None

    def limit(self, name: str, limit: float, until: int) -> None:
        w = self.watched[name]
        w.own_limit, w.own_limit_until = limit, until

    def end_limit(self, name: str) -> None:
        w = self.watched[name]
        w.own_limit = w.own_limit_until = None

    # What an evaluation sees.

    def evaluate(self, second: int, values: Values, lost: bool) -> tuple[list[PlainNotice], list[Said]]:
        notices = self._end_what_is_over(second, values, lost)
        suppressed_before = [w.suppressed for w in self.all]
        for w in self.all:
            self._begin_or_end(w, second, values, lost)
        said = self._follow_flag(second, values)
        self.asked = max((w.rank for w in self.counting), default=0)
        notices += [
            PlainNotice("held-back", w.of.name, w.suppressed)
            for w, before in zip(self.all, suppressed_before, strict=True)
            if w.suppressed not in ("", before) and w.of.level != "noted"
        ]
        return notices + self._note(), said

    def _note(self) -> list[PlainNotice]:
        """Without a flag the worst of what is there is named, of equals the policy's first, none that others say."""
        there = {w.of.name for w in self.all if w.is_there}
        says = [w for w in self.all if w.is_there and not there.intersection(w.of.unless)]
        before, self.noted = self.noted, None
        if self.level == 0:
            self.noted = max(says, key=lambda w: RANK[w.of.level], default=None)
        if self.noted is before or (self.noted is None and self.level > 0):
            return []
        return [PlainNotice("noted", self.noted.of.name) if self.noted else PlainNotice("noted-over")]

    def _end_what_is_over(self, second: int, values: Values, lost: bool) -> list[PlainNotice]:
        notices = []
        for w in self.all:
            if w.shelved_until is not None and second >= w.shelved_until:
                w.shelved_until = None
                notices.append(PlainNotice("shelf-over", w.of.name))
        for w in self.all:
            if w.own_limit_until is not None and second >= w.own_limit_until:
                self.end_limit(w.of.name)
                notices.append(PlainNotice("own-limit-over", w.of.name))
        if self.paused_until is not None:
            self.lost_in_pause = self.lost_in_pause or lost
            back = self.lost_in_pause and not lost and values["fhr_usable_1min"] >= BACK_AGAIN
            if second >= self.paused_until or back:
                self.end_pause()
                notices.append(PlainNotice("pause-over"))
        return notices

    def _begin_or_end(self, w: Watched, second: int, values: Values, lost: bool) -> None:
        held_before = w.suppressed
        w.suppressed = ""
        if lost and not w.about_signal:
            if not w.active and (w.holds_since is not None or held_before == "lost"):
                w.suppressed = "lost"
            w.holds_since = w.over_since = None
        else:
            w.holds_since = _since(w.holds_since, second, w.holds(values))
            w.over_since = _since(w.over_since, second, w.is_over(values, self.acknowledged_at is not None))
            if w.active:
                w.active = not _long_enough(w.over_since, second, w.of.release_s)
            elif _long_enough(w.holds_since, second, w.of.hold_s):
                w.suppressed = self._why_not(w, values)
                w.active = not w.suppressed
        w.active_since = _since(w.active_since, second, w.active)
        w.goes_on = sum(_long_enough(w.active_since, second, by_s) for by_s in self._more_after(w.of))
        if w.active and w.shelved:
            w.suppressed = "shelved"
        elif w.active and held_before == "higher" and self.acknowledged_at is not None:
            w.suppressed = "higher"

    def _more_after(self, condition: Condition) -> list[float]:
        """Return after how long what goes on asks for one level more each time, whatever has been pressed."""
        times, look_s = self.policy.escalation, 0.0
        if condition.level == "bedside":
            return [times.team_by_s]
        if condition.level == "team" or (condition.level == "noted" and condition.look_by_s is None):
            return []
        to_look = []
        if condition.look_by_s is not None and condition.level == "noted":
            look_s, to_look = condition.look_by_s, [condition.look_by_s]
        return to_look + ([look_s + times.bedside_by_s] if RANK[condition.goes_up_to] >= BEDSIDE else [])

    def _why_not(self, w: Watched, values: Values) -> str:
        if not all(true(clause, values) for clause in w.of.needs):
            return "coverage"
        if any(self.watched[name].active for name in w.of.inhibited_by):
            return "explained"
        if self.paused_until is not None and w.about_signal and RANK[w.of.level] < BEDSIDE:
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
        elif what in ("returned", "escalated", "unresolved"):
            self.level = self.escalated_level = min(before + 1, TEAM)
        elif self.acknowledged_at is None:
            self.level = max(asked, self.escalated_level)
        elif asked < self.asked:
            self.level, self.escalated_level = asked, 0
        if what:
            self.flag += what == "raised"
            self.acknowledged_at = self.cared_at = None
            self.answers = self.answers if what == "repeated" else 0
            for w in self.all:
                w.acknowledged = False
                w.suppressed = "" if w.suppressed == "higher" else w.suppressed
        else:
            for w in lower:
                w.suppressed = "higher"
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
        if self.acknowledged_at is None:
            return "escalated" if any(self._has_waited(w, second) for w in self.counting) else ""
        if unhelped:
            return "returned"
        if renewed:
            return "renewed"
        repeat = self.policy.repeat
        after_s = (repeat.look_s, repeat.bedside_s, repeat.team_s)[self.level - 1]
        if second - self.acknowledged_at < after_s:
            return ""
        may_go_up = any(self.level < RANK[w.of.goes_up_to] for w in self.counting)
        return "unresolved" if self.answers >= 2 and may_go_up else "repeated"

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
            new = self.acknowledged_at is not None and w.counts and not w.acknowledged
            if new and not counting.intersection(w.of.unless):
                if w.rank < self.asked:
                    lower.append(w)
                else:
                    renewed = True
            w.acknowledged = self.acknowledged_at is not None and w.counts
        return lower, renewed

    def _was_in_vain(self, second: int, values: Values) -> bool:
        if self.cared_at is None or second - self.cared_at < self.policy.care.helps_within_s:
            return False
        self.cared_at = None
        return any(w.cared_for and (w.already_improving or not w.has_helped(values)) for w in self.counting)

    def _end_flag(self) -> None:
        self.level = self.escalated_level = self.asked = self.answers = 0
        self.acknowledged_at = self.cared_at = None
        for w in self.all:
            w.acknowledged = False


def _since(since: int | None, second: int, true: bool) -> int | None:
    if not true:
        return None
    return second if since is None else since


def _long_enough(since: int | None, second: int, for_s: float) -> bool:
    return since is not None and second - since >= for_s
