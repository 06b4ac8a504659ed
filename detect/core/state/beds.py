"""Everything that is remembered per bed, as compiled functions take it, and room for what they tell."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from quietward.contracts.bounds import SKIP_CREDIT_S
from quietward.contracts.fields import HZ
from quietward.detect.core.alerting.flags import Attention, Told
from quietward.detect.core.arrays import LONG_AGO, Bools, Floats, Ints, index, part, switch
from quietward.detect.core.measures.findings import Findings
from quietward.detect.core.measures.measuring import Minutes, Running
from quietward.detect.core.patterns import shape
from quietward.detect.core.patterns.earlier import Earlier
from quietward.detect.core.patterns.excursions import Excursion, Excursions
from quietward.detect.core.patterns.hand import Hand
from quietward.detect.core.patterns.history import History
from quietward.detect.core.patterns.ongoing import Ongoing
from quietward.detect.core.records import Rows
from quietward.detect.core.signal import variability
from quietward.detect.core.signal.baseline import Baseline, Stretches
from quietward.detect.core.signal.conditioning import Conditioning, Mark
from quietward.detect.core.signal.histogram import Histogram, Window
from quietward.detect.core.signal.minute import Minute
from quietward.detect.core.signal.sinusoidal import Pattern
from quietward.detect.core.signal.steps import Steps
from quietward.detect.core.signal.tone import Levels, Tone
from quietward.detect.core.signal.usable import Usable
from quietward.detect.core.signal.variability import Variability
from quietward.detect.core.state.rules import Rules

MOST_CLOSED_LATE = 4
"""So many excursions among samples that were held back are told within a second; a run that is one event has one."""
MOST_CLOSED = 12 + MOST_CLOSED_LATE + 4
"""Excursions of one bed that can close within a second: one with each sample, in each row, and those held back."""
MOST_MARKS = 4


class Clock(NamedTuple):
    """Where each bed's signal stands. `second`: of the newest second worked through, seconds since the epoch by the
    device's clock; placed: of the newest that stands in line. lead_ms, credit_s: as in `Standing`. others_until: newest
    second that came before the present stay: nothing is filled in between it and her first.
    """

    second: Ints = index(-1)
    placed: Ints = index(-1)
    others_until: Ints = index(-1)
    seq: Ints = index(-1)
    t: Ints = index(0)  # device time of the newest block, ms
    at: Ints = index(0)  # arrival of the newest block, ms
    placed_at: Ints = index(0)  # arrival of the newest block that does not wait, ms
    lead_ms: Ints = index(0)
    credit_s: Ints = index(SKIP_CREDIT_S)
    doubted_at: Ints = index(LONG_AGO)  # arrival of the newest block whose number and time were not believed, ms
    rivals: Ints = index(0)  # seconds that came of another session while the bed was heard, one soon after the other
    rival_at: Ints = index(LONG_AGO)  # arrival of the newest of them, ms
    online: Bools = switch()
    lost: Bools = switch()
    event: Ints = index(0)  # number of the bed's newest event


class Beds(NamedTuple):
    """All of it."""

    clock: Clock = part(Clock)
    conditioning: Conditioning = part(Conditioning)
    steps: Steps = part(Steps)
    usable: Usable = part(Usable)
    minute: Minute = part(Minute)
    excursions: Excursions = part(Excursions)
    baseline: Baseline = part(Baseline)
    stretches: Stretches = part(Stretches, stretches="fhr stretches", bpm="fhr bpm")
    earlier: Earlier = part(Earlier)
    fhr: Window = part(Window, ring="fhr ring")
    tone: Tone = part(Tone)
    levels: Levels = part(Levels)
    ua: Histogram = part(Histogram, ring="ua ring", bins="ua bins")
    variability: Variability = part(Variability)
    sinusoidal: Pattern = part(Pattern)
    running: Running = part(Running)
    minutes: Minutes = part(Minutes)
    history: History = part(History)
    ongoing: Ongoing = part(Ongoing)
    findings: Findings = part(Findings)
    attention: Attention = part(Attention)
    hand: Hand = part(Hand)


@dataclass
class LostSignal:
    """The signal of bed n has been lost, or is back."""

    n: int
    is_lost: bool


class Given(NamedTuple):
    """A second of each of some beds, in the first places: `beds`, shape (1,), says how many there are.

    n: index of the bed; stage, weeks: 0 where not said; first: of a second twin the index of the first, else -1;
    fhr_bpm, ua: shape (beds, 4), NaN where there is no value.
    """

    beds: Ints
    n: Ints
    second: Ints
    stage: Ints
    weeks: Ints
    first: Ints
    fhr_bpm: Floats
    ua: Floats
    mhr_bpm: Floats

    @classmethod
    def of(cls, beds: int) -> "Given":
        """Return room for so many beds."""
        n, second, stage, weeks, first = np.zeros((5, beds), dtype=np.int64)
        fhr_bpm, ua = np.zeros((2, beds, HZ))
        return cls(np.zeros(1, dtype=np.int64), n, second, stage, weeks, first, fhr_bpm, ua, np.zeros(beds))


class Room(NamedTuple):
    """Room for what a second holds and what it tells, and to work in.

    kinds: of each closed excursion under each rule set, shape (closed, rule sets); evaluated: which of the given beds
    were evaluated, by place, shape (beds,).
    """

    given: Given
    marks: Rows[Mark]
    closed: Rows[Excursion]
    open_fall: Rows[Excursion]
    kinds: Ints
    lost: Rows[LostSignal]
    told: Told
    evaluated: Bools
    shape: shape.Work
    minute: variability.Work

    @classmethod
    def of(cls, beds: int, rules: Rules) -> "Room":
        """Return room for so many beds."""
        longest = max(rules.sizes["fhr ring"], rules.sizes["ua ring"])
        return cls(
            Given.of(beds),
            Rows.of(Mark, beds * MOST_MARKS),
            Rows.of(Excursion, beds * MOST_CLOSED),
            Rows.of(Excursion, 1),
            np.zeros((beds * MOST_CLOSED, len(rules.rule_sets)), dtype=np.int64),
            Rows.of(LostSignal, beds),
            Told.of(beds, len(rules.policy.condition)),
            np.zeros(beds, dtype=np.bool_),
            shape.Work.of(longest),
            variability.Work.of(rules.reading.sinusoidal),
        )
