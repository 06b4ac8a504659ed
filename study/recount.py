"""Works out what a report says of one variant from rows of a study's tables alone, in the shape of `report.json`.

Its sums share no code with those of the report. Intervals and tests of what was summed do (`statistics`): they are held
against published examples.
"""

import math
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

from quietward.study import statistics

LEVELS = ("look", "bedside", "team")
DELAYS = {"anybody": "reached_s", "answer": "answered_s", "clinicians": "clinicians_s"}
"""The column of what a limit counts as reached."""
CLINICIANS_MIN = (5, 10)
USED_UP = 0.97
MOST = 10
SLICE_S, FLOOD_ABOVE, FLOOD_UNTIL = 600.0, 10, 5
CHATTER_S, CHATTER = 60.0, 3

Row = dict[str, str]
Limit = dict[str, Any]
NOT_KNOWN = {"value": None, "low": None, "high": None}


class Run(NamedTuple):
    """One shift under one variant, with one draw of its staff: its row, and its rows of all other tables."""

    shift: Row
    beds: list[Row]
    needs: list[Row]
    calls: list[Row]
    visits: list[Row]
    outcomes: list[Row]

    @property
    def bed_hours(self) -> float:
        """In which beds were watched."""
        return sum(float(bed["watched_s"]) for bed in self.beds) / 3600

    @property
    def noted_hours(self) -> float:
        """In which beds were noted."""
        return sum(float(bed["noted_s"]) for bed in self.beds) / 3600

    @property
    def nurse_hours(self) -> float:
        """In which there were nurses."""
        return sum(self.nurses_until_s.values()) / 3600

    @property
    def nurses_until_s(self) -> dict[str, float]:
        """When the last of the beds of each nurse is not watched any more."""
        until_s: dict[str, float] = {}
        for bed in self.beds:
            if bed["nurse"] != "0":
                until_s[bed["nurse"]] = max(until_s.get(bed["nurse"], 0.0), float(bed["watched_s"]))
        return until_s

    def heard_by(self, nurse: str) -> list[Row]:
        """Return the calls that a nurse hears: of her beds, and for the team of all, until her last bed's end."""
        own = {bed["bed"] for bed in self.beds if bed["nurse"] == nurse}
        until_s = self.nurses_until_s[nurse]
        return [c for c in self.calls if float(c["t_s"]) <= until_s and (c["bed"] in own or c["level"] == "team")]

    @property
    def longest_wait_s(self) -> float:
        """How long somebody at the most waited for anybody."""
        watched_s = {bed["bed"]: float(bed["watched_s"]) for bed in self.beds}
        waits = [
            min(float(n["reached_s"] or n["lasts_s"]), watched_s[n["bed"]] - float(n["from_s"])) for n in self.needs
        ]
        return max(waits, default=0.0)


class Recount:
    """The figures of one variant. runs: of all shifts under the first draw of the staff, then under the next.

    again: so often shifts and staff are drawn again; seed: of that.
    """

    def __init__(self, runs: Sequence[Run], limit: Limit, again: int, seed: int) -> None:
        self.runs, self._limit, self._seed = list(runs), limit, seed
        self.shifts = sum(run.shift["draw"] == "1" for run in runs)
        self._draws = len(runs) // self.shifts if self.shifts else 1
        self.kinds = [run.shift["condition"] for run in runs[: self.shifts]]
        drawn = statistics.draw_shifts_and_staff(self.kinds, self._draws, again, seed)
        self._weights = np.concatenate([np.ones((1, len(runs))), drawn])
        self.within_s = limit["reached_within_min"] * 60
        self.needs = [[n for n in run.needs if n["level"] == limit["level"]] for run in runs]
        self.heard = [sum(int(c["heard"]) for c in run.calls) for run in runs]
        self._bed_hours, self.nurse_hours = ([getattr(r, x) for r in runs] for x in ("bed_hours", "nurse_hours"))
        self.rates = self._ratios(self.heard, self.nurse_hours)

    def reached_s(self, need: Row) -> float:
        """Return the delay to what the limit counts, infinite where that never came."""
        return _delay_s(need, DELAYS[self._limit["reached"]])

    def is_late(self, need: Row) -> bool:
        """Return whether a need was not reached in time."""
        return bool(self.reached_s(need) > self.within_s)

    @property
    def late(self) -> tuple[int, int]:
        """How many needs were late, and how many there were."""
        return sum(self.is_late(n) for of in self.needs for n in of), sum(map(len, self.needs))

    @property
    def meets(self) -> bool:
        """Whether the limit is met, which it is not where nobody is known to have been needed."""
        late, needs = self.late
        if not needs:
            return False
        limit = self._limit
        is_quiet = self.rates[0] <= limit["interruptions_per_nurse_hour"]
        return bool(is_quiet and 1 - late / needs >= limit["reached_share"])

    def _ratios(self, above: Sequence[float], below: Sequence[float], kind: str | None = None) -> statistics.Matrix:
        here = np.array([kind in (None, run.shift["condition"]) for run in self.runs])
        with np.errstate(invalid="ignore", divide="ignore"):
            found: statistics.Matrix = (self._weights @ (here * np.array(above))) / (
                self._weights @ (here * np.array(below))
            )
        return found

    def _estimate(self, values: statistics.Matrix, kind: str | None = None) -> dict[str, Any]:
        value, again = float(values[0]), values[1:][~np.isnan(values[1:])]
        if np.isnan(value) or not len(again):
            return NOT_KNOWN
        low, high = (float(x) for x in np.quantile(again, statistics.BETWEEN))
        if 1 in Counter(k for k in self.kinds if kind in (None, k)).values():
            return NOT_KNOWN | {"value": value}
        return {"value": value, "low": low, "high": high}

    def _rate(self, counts: Sequence[int], hours: Sequence[float], kind: str | None = None) -> dict[str, Any]:
        found = self._estimate(self._ratios(counts, hours, kind), kind)
        if found["value"] == 0.0:
            seen = sum(h for h, k in zip(hours, self.kinds, strict=False) if kind in (None, k))
            return {"value": 0.0, "low": 0.0, "high": statistics.none_seen_at_most() / seen}
        return found

    def rate(self, kind: str | None = None) -> dict[str, Any]:
        """Return the interruptions per nurse-hour."""
        return self._rate(self.heard, self.nurse_hours, kind)

    def _share(self, counts: Sequence[int], of: Sequence[int], kind: str | None = None) -> dict[str, Any]:
        """Return a share of what is counted run by run."""
        here = [i for i, k in enumerate(self.kinds) if kind in (None, k)]
        sums, totals = ([sum(each[i :: self.shifts]) for i in here] for each in (counts, of))
        count, total = sum(sums), sum(totals)
        if not total:
            return {"count": 0, "of": 0, **NOT_KNOWN}
        draws = len(of) // self.shifts
        low, high = statistics.clustered_interval(sums, totals, [self.kinds[i] for i in here], draws)
        return {"count": count, "of": total, "value": count / total, "low": low, "high": high}

    def _share_of(self, needs: Sequence[Sequence[Row]], is_one: Callable[[Row], bool], kind: str | None = None) -> Any:
        return self._share([sum(map(is_one, of)) for of in needs], list(map(len, needs)), kind)

    def late_share(self, needs: Sequence[Sequence[Row]] | None = None, kind: str | None = None) -> dict[str, Any]:
        """Return what was late, of all needs of the limit's level if none are given."""
        found: dict[str, Any] = self._share_of(self.needs if needs is None else needs, self.is_late, kind)
        return found

    def once_shown(self, needs: Sequence[Sequence[Row]] | None = None) -> dict[str, Any]:
        """Return the same of those that the trace shows, from then on."""
        shown = [[n for n in of if n["shown_s"]] for of in (self.needs if needs is None else needs)]
        found: dict[str, Any] = self._share_of(shown, lambda n: self.reached_s(n) > float(n["shown_s"]) + self.within_s)
        return found

    def median_s(self) -> float | None:
        """Return the median delay to what the limit counts."""
        found: float | None = _delays([self.reached_s(n) for of in self.needs for n in of])["p50"]
        return found

    def _of_needs(self, needs: Sequence[Sequence[Row]]) -> dict[str, Any]:
        """Return what is said of all needs, and of those of one kind."""
        own = [n for of in needs for n in of]
        columns = {"flagged": "flagged_s", "called": "called_s", "clinicians": "clinicians_s"}
        within = CLINICIANS_MIN if self._limit["level"] == "team" else ()
        return {
            "late": self.late_share(needs),
            "late_once_shown": self.once_shown(needs),
            **{name: _delays([_delay_s(n, column) for n in own]) for name, column in columns.items()},
            "reached": _delays([self.reached_s(n) for n in own]),
            "clinicians_within": {
                str(m): self._share_of(needs, lambda n, m=m: _delay_s(n, "clinicians_s") <= m * 60)  # type: ignore[misc]
                for m in within
            },
            "answered_in_time": self._share_of(needs, lambda n: _delay_s(n, "answered_s") <= self.within_s),
        }

    def _by_need(self) -> list[dict[str, Any]]:
        found = []
        for what, _ in Counter(n["what"] for of in self.needs for n in of).most_common():
            own = [[n for n in of if n["what"] == what] for of in self.needs]
            every = [n for of in own for n in of]
            found.append(
                {"what": what, **self._of_needs(own), "shown": _delays([_delay_s(n, "shown_s") for n in every]),
                 "by": dict(Counter(n["reached_by"] for n in every))}
            )  # fmt: skip
        return found

    def _calls(self, level: str | None = None, why: str | None = None) -> list[list[Row]]:
        return [[c for c in r.calls if level in (None, c["level"]) and why in (None, c["why"])] for r in self.runs]

    def _per_bed_hour(self, calls: Sequence[Sequence[Row]]) -> dict[str, Any]:
        return self._rate(list(map(len, calls)), self._bed_hours)

    def _per_nurse_hour(self, calls: Sequence[Sequence[Row]]) -> dict[str, Any]:
        return self._rate([sum(int(c["heard"]) for c in of) for of in calls], self.nurse_hours)

    def _reasons(self) -> list[dict[str, Any]]:
        kinds = Counter((c["why"], c["level"]) for run in self.runs for c in run.calls)
        return [
            {"why": why, "level": level, "calls": n, "per_bed_hour": self._per_bed_hour(self._calls(level, why)),
             "per_nurse_hour": self._per_nurse_hour(self._calls(level, why))}
            for (why, level), n in kinds.items()
        ]  # fmt: skip

    def _worth(self, level: str) -> dict[str, Any]:
        first = [run.shift for run in self.runs[: self.shifts]]
        true, judged = ([int(row[f"unanswered_{of}_{level}"]) for row in first] for of in ("true", "judged"))
        return self._share(true, judged)

    def _by_shift(self, values: Sequence[float]) -> list[float]:
        return [sum(values[i :: self.shifts]) for i in range(self.shifts)]

    def _paired(self, pairs: Sequence[Sequence[tuple[bool, bool]]]) -> dict[str, Any]:
        here, there = (sum(of.count(one) for of in pairs) for one in ((True, False), (False, True)))
        found = {"late_here_only": here, "late_there_only": there}
        if self._draws == 1:
            return {**found, "p": statistics.mcnemar_p(here, there), "is_exact": True}
        more = self._by_shift([of.count((True, False)) - of.count((False, True)) for of in pairs])
        p, is_exact = statistics.paired_p(more, self._seed)
        return {**found, "p": p, "is_exact": is_exact}

    def paired_late(self, other: "Recount") -> dict[str, Any]:
        """Compare what is late, need by need, of those that both had."""
        pairs = []
        for own, theirs in zip(self.needs, other.needs, strict=True):
            mine, others = _numbered(own), _numbered(theirs)
            pairs.append([(self.is_late(n), other.is_late(others[key])) for key, n in mine.items() if key in others])
        return self._paired(pairs)

    def interruptions_p(self, other: "Recount") -> float:
        """Return the p of the difference of interruptions per nurse-hour, shift by shift."""
        own, theirs = ([h / n for h, n in zip(x.heard, x.nurse_hours, strict=True)] for x in (self, other))
        return statistics.paired_p(self._by_shift([a - b for a, b in zip(own, theirs, strict=True)]), self._seed).p

    def _outcomes(self, base: "Recount") -> dict[str, Any] | None:
        beds = [len(run.outcomes) for run in self.runs]
        if not sum(beds):
            return None
        found: dict[str, Any] = {"births": sum(int(o["is_birth"]) for run in self.runs for o in run.outcomes)}
        for column, name in (("most_used", "most_used"), ("reserve_used", "used_at_end")):
            here, there = ([sum(float(o[column]) for o in r.outcomes) for r in x.runs] for x in (self, base))
            more = [(a - b) / max(1, n) for a, b, n in zip(here, there, beds, strict=True)]
            p, is_exact = statistics.paired_p(self._by_shift(more), self._seed)
            own, theirs = self._ratios(here, beds), self._ratios(there, beds)
            of_p = "" if name == "most_used" else f"{name}_"
            found |= {name: self._estimate(own), f"{name}_against_today": self._estimate(own - theirs),
                      f"{of_p}p": p, f"{of_p}p_is_exact": is_exact}  # fmt: skip
        out, out_there = (
            [[float(o["most_used"]) >= USED_UP for o in r.outcomes] for r in x.runs] for x in (self, base)
        )
        pairs = [list(zip(a, b, strict=True)) for a, b in zip(out, out_there, strict=True)]
        return found | {
            "gave_out": self._share([sum(of) for of in out], beds), "gave_out_against_today": self._paired(pairs)
        }  # fmt: skip

    def _management(self) -> dict[str, Any]:
        """Return the measures of alarm management."""
        calls = sum(len(run.calls) for run in self.runs)
        nurse_s = sum(self.nurse_hours) * 3600
        heard = [
            (sorted(float(c["t_s"]) for c in run.heard_by(nurse)), until_s)
            for run in self.runs
            for nurse, until_s in run.nurses_until_s.items()
        ]
        peaks = [bisect_left(at, t + SLICE_S) - i for at, _ in heard for i, t in enumerate(at)]
        return {
            "per_10_min": sum(self.heard) / nurse_s * 600,
            "peak_in_10_min": max(peaks, default=0),
            "flood_share": sum(_flood_s(at, until_s) for at, until_s in heard) / nurse_s,
            "chattering_share": sum(_chattering(run.calls) for run in self.runs) / max(1, calls),
            "fleeting_share": sum(int(run.shift["fleeting"]) for run in self.runs) / max(1, calls),
            "stale": sum(int(run.shift["stale"]) for run in self.runs),
            "levels": {level: sum(map(len, self._calls(level))) / max(1, calls) for level in LEVELS},
        }

    def _verdict(self, rate: dict[str, Any], late: dict[str, Any]) -> str:
        meets = self.meets
        if None in (rate["low"], rate["high"], late["low"], late["high"]):
            return "yes, not certain" if meets else "no, not certain"
        most, most_late = self._limit["interruptions_per_nurse_hour"], 1 - self._limit["reached_share"]
        if meets:
            is_certain = rate["high"] <= most and late["high"] <= most_late
            return "yes" if is_certain else "yes, not certain"
        return "no" if rate["low"] > most or late["low"] > most_late else "no, not certain"

    def row(self, base: "Recount") -> dict[str, Any]:
        """Return all that is counted of a variant. base: today's policy."""
        every = [n for of in self.needs for n in of]
        rate, of_needs = self.rate(), self._of_needs(self.needs)
        by_bed = Counter(f"{c['why']}, bed {c['bed']}" for run in self.runs for c in run.calls)
        return {
            "calls_per_bed_hour": {
                "all": self._per_bed_hour(self._calls()),
                **{level: self._per_bed_hour(self._calls(level)) for level in LEVELS},
            },
            "noted": self._estimate(self._ratios([run.noted_hours for run in self.runs], self._bed_hours)),
            "interruptions_per_nurse_hour": rate,
            "interruptions_by_level": {level: self._per_nurse_hour(self._calls(level)) for level in LEVELS},
            "interruptions_against_today": self._estimate(self.rates - base.rates),
            "worth": {level: self._worth(level) for level in LEVELS},
            "needs": len(every),
            **of_needs,
            "flagged_before": self._share_of(self.needs, lambda n: _delay_s(n, "flagged_s") <= 0),
            "reached_by": dict(Counter(n["reached_by"] for n in every)),
            "by_need": self._by_need(),
            "late_against_today": self.paired_late(base),
            "by_shift": {
                kind: {"interruptions_per_nurse_hour": self.rate(kind), "late": self.late_share(kind=kind)}
                for kind in dict.fromkeys(self.kinds)
            },
            "longest_wait_s": max((run.longest_wait_s for run in self.runs), default=0.0),
            "meets": self.meets,
            "verdict": self._verdict(rate, of_needs["late"]),
            **self._management(),
            "reasons": self._reasons(),
            "top_ten": [list(one) for one in by_bed.most_common(MOST)],
            "outcomes": self._outcomes(base),
        }

    def staff_row(self) -> dict[str, Any]:
        """Return what is said of a variant with other staff."""
        return {
            "interruptions_per_nurse_hour": self.rate(), "late": self.late_share(),
            "late_once_shown": self.once_shown(), "median_s": self.median_s(),
        }  # fmt: skip

    def late_needs(self) -> list[dict[str, Any]]:
        """Return the needs that were late, each with why."""
        return [
            {
                "shift": need["condition"], "seed": int(need["seed"]), "bed": int(need["bed"]), "what": need["what"],
                "from_s": float(need["from_s"]), "lasts_s": float(need["lasts_s"]),
                **{name: _or_none(_delay_s(need, name)) for name in ("shown_s", "flagged_s", "called_s", "reached_s")},
                "reached_by": need["reached_by"], "why": self._why_late(need), "draw": int(need["draw"]),
                "counted_s": _or_none(self.reached_s(need)),
            }
            for of in self.needs for need in of if self.is_late(need)
        ]  # fmt: skip

    def _why_late(self, need: Row) -> str:
        if _delay_s(need, "flagged_s") > self.within_s:
            return "no flag in time"
        if _delay_s(need, "called_s") > self.within_s:
            return "no more than a look in time"
        not_come = {
            "anybody": "nobody came in time", "answer": "nobody answered in time", "clinicians": "no clinicians in time"
        }  # fmt: skip
        return f"called in time, {not_come[self._limit['reached']]}"


def _numbered(needs: Sequence[Row]) -> dict[tuple[str, str, int], Row]:
    """Return needs by bed, what was wrong, and which of these it is."""
    seen: Counter[tuple[str, str]] = Counter()
    found = {}
    for need in needs:
        place = need["bed"], need["what"]
        found[*place, seen[place]] = need
        seen[place] += 1
    return found


def _delay_s(need: Row, column: str) -> float:
    return float(need[column]) if need[column] else math.inf


def _or_none(delay_s: float) -> float | None:
    return None if math.isinf(delay_s) else delay_s


def _delays(delays_s: Sequence[float]) -> dict[str, Any]:
    """Return percentiles, each a delay that was: the first that at least so many are no longer than."""
    if not delays_s:
        return {"p10": None, "p50": None, "p90": None, "never": 0}
    ordered = sorted(delays_s)
    places = {f"p{100 * q:.0f}": max(0, math.ceil(len(ordered) * q - 1)) for q in (0.1, 0.5, 0.9)}
    return {
        **{name: _or_none(ordered[place]) for name, place in places.items()}, "never": sum(map(math.isinf, ordered))
    }  # fmt: skip


def _flood_s(at: Sequence[float], until_s: float) -> float:
    """Return for how many seconds the calls of the ten minutes before each minute were a flood."""
    is_flood, total = False, 0.0
    for minute in range(1, math.ceil((until_s + 1) / 60)):
        count = bisect_left(at, 60.0 * minute) - bisect_left(at, 60.0 * minute - SLICE_S)
        is_flood = count > FLOOD_ABOVE or (is_flood and count >= FLOOD_UNTIL)
        total += 60.0 * is_flood
    return total


def _chattering(calls: Sequence[Row]) -> int:
    """Return how many calls have so many of the same reason and bed within a minute around them."""
    by_place: dict[tuple[str, str], list[float]] = {}
    for call in calls:
        by_place.setdefault((call["bed"], call["why"]), []).append(float(call["t_s"]))
    return sum(
        bisect_right(at, t + CHATTER_S) - bisect_left(at, t - CHATTER_S) >= CHATTER
        for at in map(sorted, by_place.values())
        for t in at
    )
