"""Watch one bed as its signal comes, a second at a time."""

import numpy as np

from quietward.api.samples import (
    PolicyArgument,
    RulesArgument,
    Samples,
    both_signals,
    policy_of,
    rules_of,
    signal_of,
    text_of,
    weeks_of,
)
from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.contracts.log import TREND_KIND, Event
from quietward.contracts.summary import Summary
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.state import SECOND, State
from quietward.recordings.recording import check_plausible, usable_rate, usable_values

NO_VALUE = float("nan")


class Monitor:
    """The live system's detector over one bed, with nobody answering. Not for diagnosis.

    rules, policy, weeks: as for `assess`, with which its events agree whatever is pushed at once. All rule sets are
    worked out; `rules` adds one of your own. bed: how its events call it. Raises BadRules, BadRecording.

    >>> monitor = Monitor()
    >>> [event.text for event in monitor.push([140, 141, 139, None])]
    ['not enough trace to judge yet']
    >>> monitor.summary.level.value, monitor.summary.reason
    ('noted', 'not enough trace to judge yet')
    """

    def __init__(
        self, *, rules: RulesArgument = "figo-2015", policy: PolicyArgument = "attention", weeks: int = 0,
        bed: str = "bed-1",
    ) -> None:  # fmt: skip
        loaded, _ = rule_file.load_for(rules_of(rules), policy_of(policy))
        self._state = State(loaded, [text_of("bed", bed)], [""])
        self._weeks = np.array([weeks_of(weeks)])
        self._second = 0

    def push(
        self, fhr: Samples, ua: Samples | None = None, *, fhr2: Samples | None = None,
        mother: float | None = None, stage: int = 1,
    ) -> list[Event]:  # fmt: skip
        """Take the next second, or several, and return what there is to say of them, in order.

        fhr (bpm), ua (relative units, 0 to 127): shape (4 * seconds,), 4 samples a second; None or NaN for no value,
        as for `assess`. A gap is pushed as seconds without values. fhr2: as fhr, of a second twin, who is there from
        the first value on. mother: her pulse, bpm, None for no value. stage: of labour, 1 or 2.
        Events have `t` in ms from the first sample, `kind`, `text`, and `detail`: their numbers by name.
        Raises BadRecording if the samples are not such numbers, or no whole seconds.
        """
        both = both_signals(fhr, ua)
        if len(both[0]) != len(both[1]):
            raise BadRecording("ua", len(both[1]), f"Must have as many samples as fhr: {len(both[0])}")
        if len(both[0]) % HZ:
            raise BadRecording("fhr", len(both[0]), f"Push whole seconds: {HZ} samples for each")
        if stage not in (1, 2):
            raise BadRecording("stage", stage, "Use 1 or 2")
        second = np.full(len(both[0]), NO_VALUE) if fhr2 is None else signal_of("fhr2", fhr2)
        if len(second) != len(both[0]):
            raise BadRecording("fhr2", len(second), f"Must have as many samples as fhr: {len(both[0])}")
        check_plausible("fhr", both[0])
        check_plausible("fhr2", second)
        (pulse,) = signal_of("mother", [mother])
        heart, womb = (signal.reshape(-1, HZ, 1) for signal in usable_values(*both))
        events: list[Event] = []
        for of_fhr, of_ua, of_fhr2 in zip(heart, womb, usable_rate(second).reshape(-1, HZ, 1), strict=True):
            if not np.isnan(of_fhr2).all():
                self._state.admit([self._state.beds[0] + SECOND])
            m = len(self._state.beds)  # fetuses
            rates = np.hstack([of_fhr, of_fhr2])[:, :m]
            engine.advance(
                self._state, np.arange(m), np.full(m, self._second), rates, np.repeat(of_ua, m, axis=1),
                np.full(m, pulse), events, np.full(m, stage), np.repeat(self._weeks, m), np.array([-1, 0])[:m],
            )  # fmt: skip
            self._second += 1
        self._state.now = self._second * 1000
        self._state.clock.at[0] = self._state.now
        return [event for event in events if event.kind != TREND_KIND]

    @property
    def summary(self) -> Summary:
        """The bed as it is now: level and reason, signal, baseline, variability, contractions, concern with its parts,
        class by rule set, as the live system's page shows it. Times in ms from the first sample.

        Raises BadRecording before anything was pushed: of such a bed nothing can be said, least that it is quiet.
        """
        if not self._second:
            raise BadRecording("summary", "no second", "Push one first")
        (summary,) = summaries.of(self._state, Output(updated={0}))
        return summary
