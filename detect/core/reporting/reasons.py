"""Reasons: what a bed says of itself in one line, worst first; also one that is quiet."""

import math
from collections.abc import Iterator
from itertools import chain
from typing import Any

import numpy as np

from quietward.contracts.fields import HZ, WINDOW_S
from quietward.contracts.summary import TWIN_WORDS
from quietward.detect.core.alerting import concern
from quietward.detect.core.alerting.flags import said_at
from quietward.detect.core.alerting.policy import Condition
from quietward.detect.core.alerting.rule_sets import compare
from quietward.detect.core.measures.findings import ASKED, BASELINE_BPM, BASELINE_CHANGE_1H_BPM
from quietward.detect.core.patterns.decelerations import Kind
from quietward.detect.core.reporting.quantities import UNKNOWN, Quantity, time_in_words
from quietward.detect.core.state.state import State

LONGEST = 90
"""Characters of a reason: what a nurse takes in with one look, and what a line of the ward holds."""
BETWEEN = " · "
FROM_BEFORE = ("from before a restart", "from before a gap")
"""How the reason of a flag begins that stays though the trace behind it is not known any more."""
LASTS_FROM_S = 60
"""From when on it is said how long something has lasted."""
NO_KIND = int(Kind.NONE)
OF_CONTRACTIONS = (Kind.EARLY, Kind.LATE, Kind.VARIABLE)
"""Kinds that are counted against contractions."""
FIRST = 0
"""Of the rule sets: reasons call decelerations what it calls them, and name a baseline outside its usual range."""


def reason_for(state: State, n: int, longest: int = LONGEST) -> str:
    """Return what bed n has to say, in at most so many characters: why it calls, or what is noted; else how it is.

    Of twins it is what one of them has to say, and which.
    """
    who = of_which_twin(state, n)
    return who + _reason_for(state, n, longest - len(who))


def of_which_twin(state: State, n: int) -> str:
    """Return how a line about the fetus at place n begins where there are two."""
    is_second = n in state.first_at
    return TWIN_WORDS[is_second] if is_second or state.second_of(n) is not None else ""


def _reason_for(state: State, n: int, longest: int) -> str:
    said = state.rules.policy.spoken(said_at(state.attention, n), state.attention.rank[:, n])
    facts = _facts_of(state, n, said)
    if state.attention.carried[n]:
        return _fitting(chain(_carried_facts(state, n), facts), longest)
    return _fitting(facts if said else _usual_facts(state, n), longest)


def _carried_facts(state: State, n: int) -> Iterator[str]:
    words = state.words_of(n)
    yield FROM_BEFORE[words.after_gap]
    known = words.carried.replace("; ", BETWEEN)  # as version 0.1 put facts together
    for start in (*TWIN_WORDS, *(f"{before}{BETWEEN}" for before in FROM_BEFORE)):
        known = known.removeprefix(start)
    yield from known.split(BETWEEN)


def keep_reason(state: State, n: int) -> None:
    """Keep what bed n says of its trace, for a flag that stays while that begins anew after a gap."""
    a, policy, who = state.attention, state.rules.policy, of_which_twin(state, n)
    said = policy.spoken(said_at(a, n) & ~policy.numbers.ends_with_signal, a.rank[:, n])
    if said and a.level[n] > 0 and a.carried[n] == 0:
        words = state.words_of(n)
        words.carried, words.after_gap = who + _fitting(_facts_of(state, n, said), LONGEST - len(who)), True


def condition_in_words(state: State, n: int, condition: Condition) -> str:
    """Return what one condition says of bed n."""
    who = of_which_twin(state, n)
    return who + _fitting(_facts(state, n, condition), LONGEST - len(who))


def pattern(state: State, n: int) -> str:
    """Return what the last 30 minutes look like, in the trade's words and numbers."""
    return _fitting(_pattern(state, n), LONGEST)


def _fitting(facts: Iterator[str], longest: int) -> str:
    """Return the first fact, and of the others, in their order, each that still fits: a line is never cut."""
    line = next(facts)
    for fact in facts:
        if fact and fact not in line and len(line) + len(BETWEEN) + len(fact) <= longest:
            line += BETWEEN + fact
    return line


def _facts_of(state: State, n: int, conditions: list[Condition]) -> Iterator[str]:
    return chain.from_iterable(_facts(state, n, condition) for condition in conditions)


def _facts(state: State, n: int, condition: Condition) -> Iterator[str]:
    words = _Words(state, n, condition)
    is_over = condition.text_after and _is_over(condition, words)
    text = condition.text_after if is_over else condition.text
    facts = text.format_map(words).split(BETWEEN)
    if UNKNOWN in facts[0]:  # what it was measured against may be gone before it is over
        facts = (condition.text_unknown or condition.text_after).format_map(words).split(BETWEEN)
    if UNKNOWN in facts[0] or not facts[0]:
        facts = [f"{condition.name.replace('-', ' ')}, perhaps just over", *facts[1:]]
    yield facts[0]
    yield from (fact for fact in facts[1:] if UNKNOWN not in fact)


class _Words(dict[str, Any]):
    """What the text of a condition may name, worked out where it is named."""

    def __init__(self, state: State, n: int, condition: Condition) -> None:
        super().__init__()
        self._state, self._n, self._condition = state, n, condition

    def __missing__(self, name: str) -> str | Quantity:
        state, n = self._state, self._n
        if name == "pattern":
            return BETWEEN.join(_pattern(state, n))
        if name == "lasting":
            return _lasting(state, n, self._condition)
        if name == "because":
            return concern.because(state.rules.concern, state.findings.points[:, n].tolist(), self)
        return Quantity(state.findings.values[0, ASKED[name], n])


def _is_over(condition: Condition, words: _Words) -> bool:
    """Return whether what a condition is named for, its first clause, is known not to be so any more."""
    measure, operator, limit = condition.all[0]
    return not math.isnan(words[measure]) and not compare(words[measure], operator, limit)


def _lasting(state: State, n: int, condition: Condition) -> str:
    """Return for how long a condition has been there; empty where that is not worth a word."""
    i = state.rules.policy.place(condition.name)
    since = int(state.attention.active_since[i, n])
    lasts_s = int(state.clock.second[n]) - since if since >= 0 else 0
    return f"for {time_in_words(lasts_s)}" if lasts_s >= LASTS_FROM_S else ""


def _pattern(state: State, n: int) -> Iterator[str]:
    h, second = state.history, int(state.clock.second[n])
    since = (second + 1 - WINDOW_S) * HZ
    recent = np.flatnonzero(h.fall_onset[:, n] > since)
    kinds = h.fall_kind[FIRST, recent, n]
    kinds = kinds[kinds != NO_KIND].tolist()
    if kinds:
        most = max(set(kinds), key=lambda k: (kinds.count(k), k))
        times, contractions = kinds.count(most), int((h.contraction_onset[:, n] > since).sum())
        if most in OF_CONTRACTIONS and contractions >= times > 1:
            yield f"{Kind(most).word} decelerations, {times} of {contractions} contractions"
        else:
            word = Kind(most).word
            yield f"{times} {word} decelerations in 30 min" if times > 1 else f"1 {word} deceleration in 30 min"
    change_bpm = float(state.findings.values[0, BASELINE_CHANGE_1H_BPM, n])
    if abs(change_bpm) >= state.rules.reading.notable.baseline_change_bpm:
        yield f"baseline {'up' if change_bpm > 0 else 'down'} {abs(change_bpm):.0f} bpm in 1 h"
    if kinds:
        yield f"deepest {float(h.fall_depth[recent, n].max()):.0f} bpm"
    bpm, low_min = float(state.variability.bpm[n]), int(state.variability.low_min[n])
    if low_min >= state.rules.reading.notable.low_variability_min and not np.isnan(bpm):
        yield f"variability {bpm:.0f} bpm for {low_min} min"
    elif not np.isnan(bpm):
        yield f"variability {bpm:.0f} bpm"
    bpm = float(state.findings.values[0, BASELINE_BPM, n])
    lowest, highest = state.rules.rule_sets[FIRST].usual_baseline_bpm
    if not np.isnan(bpm) and not lowest <= bpm <= highest:
        yield f"baseline {bpm:.0f} bpm"
    if not kinds:
        yield "no decelerations"


def _usual_facts(state: State, n: int) -> Iterator[str]:
    bpm = float(state.findings.values[0, BASELINE_BPM, n])
    yield "baseline not known yet" if np.isnan(bpm) else f"baseline {bpm:.0f} bpm"
    yield from _pattern(state, n)
