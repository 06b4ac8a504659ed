"""Pure: a ring buffer of a bed's newest signals, by whole seconds of the bed's clock."""

from dataclasses import dataclass, field
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block
from quietward.contracts.timeline import Standing

KEPT_S = 3600
"""Length of the strip on the page: at 1 cm a minute it fills a screen 1920 px wide. A snapshot has 58 kB a bed."""
NO_VALUE = -1
FHR_STEPS, UA_STEPS = 4, 2
"""Samples are int16: FHR in quarters of a bpm, UA in halves, NO_VALUE where there is none."""

Ints = NDArray[np.int16]
Floats = NDArray[np.float64]


@dataclass
class SignalBuffer:
    """The newest `kept_s` seconds of FHR and UA; all have shape (kept_s, HZ), row: second modulo kept_s.

    fhr2: of a second twin, None until a rate of one comes. first, last: oldest and newest second held, -1 for none.
    session, stands: of the newest block.
    """

    kept_s: int = KEPT_S
    fhr: Ints = field(init=False)
    ua: Ints = field(init=False)
    fhr2: Ints | None = field(init=False)
    last: int = -1
    first: int = -1
    session: str = ""
    stands: Standing = Standing()

    def __post_init__(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self.fhr, self.ua, self.fhr2 = self._nothing(), self._nothing(), None

    def _nothing(self) -> Ints:
        return np.full((self.kept_s, HZ), NO_VALUE, dtype=np.int16)

    @property
    def rings(self) -> list[Ints]:
        """FHR, UA, and the FHR of a second twin where there is one."""
        return [self.fhr, self.ua] if self.fhr2 is None else [self.fhr, self.ua, self.fhr2]

    def begin_anew(self) -> None:
        """Forget everything."""
        self._clear()
        self.last, self.first, self.session, self.stands = -1, -1, "", Standing()

    def add(self, block: Block) -> None:
        """Store one second. Seconds that were skipped have no values; after a gap of kept_s the buffer begins anew."""
        second = self._second_of(block)
        if second < self.first:  # it is so late that its place has been reused
            return
        if self.last < 0 or second - self.last > self.kept_s:
            self._clear()
            self.first = second
            self.last = second - 1
        if self.fhr2 is None and block.fhr2 is not None and any(x is not None for x in block.fhr2):
            self.fhr2 = self._nothing()
        for missing in range(self.last + 1, second):
            for ring in self.rings:
                ring[missing % self.kept_s] = NO_VALUE
        self.last = max(self.last, second)
        self.fhr[second % self.kept_s] = [NO_VALUE if x is None else round(x * FHR_STEPS) for x in block.fhr]
        self.ua[second % self.kept_s] = [NO_VALUE if x is None else round(x * UA_STEPS) for x in block.ua]
        if self.fhr2 is not None:
            rates = block.fhr2 or [None] * HZ
            self.fhr2[second % self.kept_s] = [NO_VALUE if x is None else round(x * FHR_STEPS) for x in rates]
        self.first = max(self.first, self.last - self.kept_s + 1)

    def _second_of(self, block: Block) -> int:
        """Return the second of a block, by the detector's rule; a late block gets the second it was sent for."""
        ahead = block.seq - self.stands.seq
        anew = block.session != self.session or (ahead <= 0 and block.t > self.stands.t)
        if self.last >= 0 and ahead <= 0 and not anew:
            return self.last + ahead
        self.session = block.session
        self.stands, _ = self.stands.followed_by(block.seq, block.t, block.at, anew=anew)
        return self.stands.second

    def begin_with(self, before: "SignalBuffer", last: int) -> None:
        """Put in front what another bed's buffer holds up to second `last`: she was there before she was moved."""
        until = min(last, before.last)
        newest = max(self.last, until)
        first = max(before.first, newest - self.kept_s + 1, 0)
        if before.last < 0 or first > until or 0 <= self.first <= until:
            return
        if self.last < 0:
            self._clear()
        if self.fhr2 is None and before.fhr2 is not None:
            self.fhr2 = self._nothing()
        for second in range(first, until + 1):
            for ring, its_ring in zip_longest(self.rings, before.rings):
                ring[second % self.kept_s] = NO_VALUE if its_ring is None else its_ring[second % before.kept_s]
        for missing in range(until + 1, self.first):
            for ring in self.rings:
                ring[missing % self.kept_s] = NO_VALUE
        self.first, self.last = first, newest

    def cut(self, first: int, last: int | None) -> None:
        """Let go of everything before one second and after another."""
        self.first = max(self.first, first)
        self.last = self.last if last is None else min(self.last, last)

    def bytes_after(self, after: int) -> tuple[int, bytes]:
        """Return the first second held after second `after`, and FHR, then UA, from there on as little-endian int16; of
        twins the second's FHR behind them.
        """
        start = max(after + 1, self.first, self.last - self.kept_s + 1)
        rows = np.arange(start, self.last + 1) % self.kept_s
        return start, b"".join(ring[rows].astype("<i2").tobytes() for ring in self.rings)

    def arrays(self) -> tuple[Floats, Floats]:
        """Return FHR in bpm and UA from the first to the last second held: shape (n,), HZ, NaN for no value."""
        rows = np.arange(max(0, self.first), self.last + 1) % self.kept_s
        fhr, ua = (ring[rows].reshape(-1).astype(float) for ring in (self.fhr, self.ua))
        return np.where(fhr == NO_VALUE, np.nan, fhr / FHR_STEPS), np.where(ua == NO_VALUE, np.nan, ua / UA_STEPS)

    def second_fhr(self) -> Floats | None:
        """Return the FHR of a second twin as `arrays` does that of the first; None where there is none."""
        if self.fhr2 is None:
            return None
        fhr = self.fhr2[np.arange(max(0, self.first), self.last + 1) % self.kept_s].reshape(-1).astype(float)
        return np.where(fhr == NO_VALUE, np.nan, fhr / FHR_STEPS)
