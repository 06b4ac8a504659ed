"""Everything that is data and not code: how to read, published rule sets, concern, attention policy."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from quietward.contracts.messages import HZ, UA_HIGHEST, UA_LOWEST
from quietward.detect.core.alerting.attention import Policy
from quietward.detect.core.alerting.concern import Concern
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.detect.core.arrays import Floats, Ints, Sizes
from quietward.detect.core.parameters import ExcursionLimits, ExcursionNumbers, Reading
from quietward.detect.core.signal import histogram


@dataclass(frozen=True)
class Rules:
    """One complete set. `digest` goes into every flag, so that a study knows what produced it."""

    reading: Reading
    rule_sets: tuple[RuleSet, ...]
    concern: Concern
    policy: Policy
    digest: str

    @property
    def rows(self) -> tuple[ExcursionNumbers, ...]:
        """Numbers of the three rows of the excursion machine, in its order."""
        return self.reading.deceleration, self.reading.acceleration, self.reading.contraction

    @cached_property
    def excursions(self) -> ExcursionLimits:
        """The same side by side."""

        def column(name: str) -> Floats:
            return np.array([[getattr(row, name)] for row in self.rows], dtype=np.float64)

        def samples(name: str) -> Ints:
            return np.rint(column(name) * HZ).astype(np.int64)

        return ExcursionLimits(
            slack=samples("slack_s"),
            leave_share=column("leave_share"),
            leave_at_most=column("leave_at_most"),
            settle=samples("settle_s"),
            bridge=samples("bridge_s"),
            longest=samples("longest_s"),
            shallow_below=column("shallow_below"),
            shallow_longest=samples("shallow_longest_s"),
            min_height=column("min_height"),
            min_length=samples("min_length_s"),
        )

    @property
    def fhr_sizes(self) -> Sizes:
        """Sizes of the FHR's histogram."""
        signal = self.reading.signal
        return histogram.sizes(self.reading.baseline.window_s, signal.fhr_lowest_bpm, signal.fhr_highest_bpm)

    @property
    def ua_sizes(self) -> Sizes:
        """Sizes of the UA's histogram."""
        return histogram.sizes(self.reading.tone.window_s, UA_LOWEST, UA_HIGHEST)

    @property
    def sizes(self) -> Sizes:
        """All other sizes."""
        return {
            "lag": self.reading.baseline.lag_s // self.reading.look.every_s + 1,
            "levels": self.reading.tone.rest_window_s // self.reading.look.every_s,
            "rule_sets": len(self.rule_sets),
            "conditions": len(self.policy.condition),
            "findings": len(self.concern.finding),
        }
