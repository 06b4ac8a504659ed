"""Everything that is data and not code: how to read, published rule sets, concern, attention policy."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from quietward.contracts.fields import HZ, UA_HIGHEST, UA_LOWEST
from quietward.detect.core.alerting import concern, policy
from quietward.detect.core.alerting.concern import Concern
from quietward.detect.core.alerting.policy import Policy
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.detect.core.arrays import Sizes
from quietward.detect.core.parameters import ExcursionLimits, Reading, StayLimits, TachysystoleRule, in_samples
from quietward.detect.core.patterns.accelerations import AccelerationRule
from quietward.detect.core.patterns.decelerations import DecelerationRule
from quietward.detect.core.records import record_of, records_of
from quietward.detect.core.signal import baseline, histogram


@dataclass(frozen=True)
class Rules:
    """One complete set. `digest` goes into every flag, so that a study knows what produced it; `stay`, which changes no
    finding and no flag, is not in it.
    """

    reading: Reading
    rule_sets: tuple[RuleSet, ...]
    concern: Concern
    policy: Policy
    digest: str
    stay: StayLimits

    @cached_property
    def numbers(self) -> "Numbers":
        """All numbers as compiled functions take them."""
        reading = self.reading
        return Numbers(
            record_of(reading),
            records_of([in_samples(row) for row in (reading.deceleration, reading.acceleration, reading.contraction)]),
            records_of([r.deceleration for r in self.rule_sets]),
            records_of([r.acceleration for r in self.rule_sets]),
            records_of([r.tachysystole for r in self.rule_sets]),
            self.concern.numbers,
            self.policy.numbers,
        )

    @cached_property
    def sizes(self) -> Sizes:
        """Lengths of what is remembered of each bed."""
        signal, reading = self.reading.signal, self.reading
        fhr = baseline.sizes(reading.baseline, signal.fhr_lowest_bpm, signal.fhr_highest_bpm)
        ua = histogram.sizes(reading.tone.window_s, UA_LOWEST, UA_HIGHEST)
        return {
            "fhr ring": reading.baseline.window_s * HZ,
            **{f"fhr {name}": size for name, size in fhr.items()},
            **{f"ua {name}": size for name, size in ua.items()},
            "levels": reading.tone.rest_window_s // reading.look.every_s,
            "rule_sets": len(self.rule_sets),
            "conditions": len(self.policy.condition),
            "findings": len(self.concern.finding),
        }


class Numbers(NamedTuple):
    """Numbers of the rules: records, and arrays of them. rows: of the excursion machine's three rows, in its order;
    deceleration, acceleration, tachysystole: of each rule set.
    """

    reading: Reading
    rows: Sequence[ExcursionLimits]
    deceleration: Sequence[DecelerationRule]
    acceleration: Sequence[AccelerationRule]
    tachysystole: Sequence[TachysystoleRule]
    concern: concern.Numbers
    policy: policy.Numbers
