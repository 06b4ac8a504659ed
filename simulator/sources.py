"""Pure: what a device plays, second by second: a recording, or a simulated bed that goes on while it is played."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import inf
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.commands import CareKind
from quietward.contracts.fields import HZ
from quietward.simulator.bed import TICK_S, Bed
from quietward.simulator.scenario import DeviceFault, Scenario
from quietward.simulator.truth import Helped

Signal = NDArray[np.float64]
Stage = Literal[1, 2]


class DeviceSecond(NamedTuple):
    """One second: fhr (bpm) and ua, HZ values each, None where there is no value; what else is known at that time.

    fhr2: with twins, the rate of the second.
    """

    fhr: list[float | None]
    ua: list[float | None]
    mothers_bpm: float | None = None
    stage: Stage | None = None
    fhr2: list[float | None] | None = None


@dataclass(frozen=True)
class RecordedStrip:
    """A recording. fhr, ua: shape (n,), 4 Hz, NaN where there is no value; src: where it comes from.

    fhr2: as fhr, of a second twin; None without. second_stage_from_s: infinite where it is not known.
    """

    bed: str
    fhr: Signal
    ua: Signal
    src: str
    weeks: int | None = None
    faults: list[DeviceFault] = field(default_factory=list)
    fhr2: Signal | None = None
    second_stage_from_s: float = inf

    @property
    def seconds(self) -> int:
        """Length in whole seconds; a last part of a second is not played."""
        return len(self.fhr) // HZ

    def play(self) -> Iterator[DeviceSecond]:
        """Yield every second once."""
        for n in range(self.seconds):
            fhr2 = None if self.fhr2 is None else _of(self.fhr2, n)
            stage: Stage | None = None
            if self.second_stage_from_s < inf:
                stage = 2 if n >= self.second_stage_from_s else 1
            yield DeviceSecond(_of(self.fhr, n), _of(self.ua, n), stage=stage, fhr2=fhr2)


class LiveBed:
    """A simulated bed. It goes on by one tick when the first second of that tick is asked for, so that care acts from
    the next tick on. skip_s: so much of its labour is over when it begins.
    """

    def __init__(self, bed: str, scenario: Scenario, seed: int, seconds: int, skip_s: int = 0) -> None:
        self.bed, self.seconds = bed, seconds
        self.src = f"sim {scenario.name}"
        self.weeks, self.faults = scenario.weeks, scenario.fault
        self._simulated = Bed(scenario, seed)
        if skip_s >= TICK_S:
            self._simulated.advance(skip_s // TICK_S)

    def play(self) -> Iterator[DeviceSecond]:
        """Yield every second once."""
        for first in range(0, self.seconds, TICK_S):
            tick = self._simulated.advance(1)
            self._simulated.forget()
            for n in range(min(TICK_S, self.seconds - first)):
                fhr2 = None if tick.fhr2 is None else _of(tick.fhr2, n)
                yield DeviceSecond(_of(tick.fhr, n), _of(tick.ua, n), tick.mothers_bpm, tick.stage, fhr2)

    def did(self, what: CareKind) -> Helped:
        """Staff did something at this bed, now; return what it will relieve."""
        return self._simulated.did(what)


Source = RecordedStrip | LiveBed


def _of(signal: Signal, second: int) -> list[float | None]:
    return [None if np.isnan(x) else x for x in signal[second * HZ : (second + 1) * HZ].tolist()]
