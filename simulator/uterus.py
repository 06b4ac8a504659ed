"""Pure: contractions of one labour, with pushing in the second stage and an infusion that drives them."""

import math
import random
from collections import deque
from dataclasses import dataclass, field

from quietward.simulator.physiology import Physiology
from quietward.simulator.shapes import Bump


@dataclass(frozen=True)
class UterineContraction:
    """One contraction; seconds of the labour."""

    onset_s: float
    peak_s: float
    end_s: float
    height: float
    pushes: list[Bump] = field(default_factory=list)

    def bumps(self, peaked: float) -> list[Bump]:
        """Return what it adds to the uterine activity."""
        rise = self.peak_s - self.onset_s
        return [Bump(self.onset_s, rise, 0, self.end_s - self.peak_s, self.height, peaked), *self.pushes]


class Uterus:
    """Lets contractions begin, one after the other."""

    def __init__(self, numbers: Physiology, seed: str) -> None:
        self._numbers, self._rng = numbers, random.Random(seed)
        self._next_s: float | None = None
        self._recent: deque[UterineContraction] = deque()
        self.drive = 0.0
        """How much an infusion drives, 0 to 2."""

    def tick(
        self, t_s: float, length_s: float, interval_s: float, duration_s: float, height: float, spread: float,
        infusion: float,
        *, pushes: bool,
    ) -> list[UterineContraction]:  # fmt: skip
        """Return the contractions that begin in the `length_s` seconds from `t_s`."""
        n = self._numbers
        self.drive += (infusion - self.drive) * (1 - math.exp(-length_s / 60 / n.oxytocin.minutes))
        if self._next_s is None:
            self._next_s = t_s + self._rng.uniform(0.1, 0.9) * interval_s
        begun = []
        while self._next_s < t_s + length_s:
            one = self._one(self._next_s, duration_s, height, spread, pushes=pushes)
            begun.append(one)
            faster = 1 + n.oxytocin.shortens * self.drive
            gap = interval_s / faster * self._rng.lognormvariate(-(spread**2) / 2, spread)
            self._next_s += max(gap, one.end_s - one.onset_s + n.contraction.least_rest_s)
        self._recent += begun
        while self._recent and self._recent[0].end_s < t_s - 600:
            self._recent.popleft()
        return begun

    def contracted(self, t_s: float) -> float:
        """Return the share of the last ten minutes that was spent in contractions."""
        spent = sum(max(0.0, min(c.end_s, t_s) - max(c.onset_s, t_s - 600)) for c in self._recent)
        return spent / min(600.0, max(t_s, 60.0))

    def _one(
        self, onset_s: float, duration_s: float, height: float, spread: float, *, pushes: bool
    ) -> UterineContraction:
        form, rng = self._numbers.contraction, self._rng
        differs = form.duration_spread * spread
        duration = duration_s * rng.lognormvariate(-(differs**2) / 2, differs)
        peak = onset_s + duration * rng.uniform(*form.peak_at)
        high = height * max(0.2, rng.gauss(1, form.height_spread * spread))
        return UterineContraction(
            onset_s, peak, onset_s + duration, high, self._push(onset_s, duration) if pushes else []
        )

    def _push(self, onset_s: float, duration_s: float) -> list[Bump]:
        form, rng = self._numbers.pushing, self._rng
        at, pushes = onset_s + form.from_share * duration_s, []
        while at < onset_s + form.until_share * duration_s:
            length = rng.uniform(*form.length_s)
            pushes.append(Bump(at, length * 0.3, length * 0.3, length * 0.4, rng.uniform(*form.height)))
            at += length + rng.uniform(*form.rest_s)
        return pushes
