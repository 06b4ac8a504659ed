"""Pure: the last part of each bed's signal, in whole seconds, as the page draws it."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietward.contracts.messages import HZ, Block
from quietward.contracts.timeline import second_after, second_anew

KEPT_S = 1800
NONE = -1
"""'No value' in the arrays that go to the page: FHR in quarters of a bpm, UA in halves."""

Ints = NDArray[np.int16]
Floats = NDArray[np.float64]


@dataclass
class Strip:
    """Rings of `kept_s` seconds. `last`: newest second held, -1 none; session, seq, t: of its block."""

    kept_s: int = KEPT_S
    fhr: Ints = field(init=False)
    ua: Ints = field(init=False)
    last: int = -1
    first: int = -1
    session: str = ""
    seq: int = -1
    t: int = 0

    def __post_init__(self) -> None:
        self._empty()

    def _empty(self) -> None:
        self.fhr, self.ua = (np.full((self.kept_s, HZ), NONE, dtype=np.int16) for _ in range(2))

    def add(self, block: Block) -> None:
        """Take one second; seconds between are empty; one that is far from the last begins a new strip."""
        second = self._second(block)
        if second < self.first:  # so late that nobody sees it
            return
        if self.last < 0 or second - self.last > self.kept_s:
            self._empty()
            self.first = second
            self.last = second - 1
        for missing in range(self.last + 1, second):
            self.fhr[missing % self.kept_s] = self.ua[missing % self.kept_s] = NONE
        self.last = max(self.last, second)
        self.fhr[second % self.kept_s] = [NONE if x is None else round(x * 4) for x in block.fhr]
        self.ua[second % self.kept_s] = [NONE if x is None else round(x * 2) for x in block.ua]
        self.first = max(self.first, self.last - self.kept_s + 1)

    def _second(self, block: Block) -> int:
        """Place a block as the detector does; a late one where it would have been."""
        ahead = block.seq - self.seq
        if self.last < 0:
            second = block.t // 1000
        elif block.session != self.session or (ahead <= 0 and block.t > self.t):
            second = second_anew(self.last, block.t)
        elif ahead <= 0:
            return self.last + ahead
        else:
            second = second_after(self.last, self.seq, self.t, block.seq, block.t)
        self.session, self.seq, self.t = block.session, block.seq, block.t
        return second

    def part(self, after: int) -> tuple[int, bytes]:
        """Return the first second held after `after`, and FHR and UA from there on as little-endian int16."""
        start = max(after + 1, self.first, self.last - self.kept_s + 1)
        rows = np.arange(start, self.last + 1) % self.kept_s
        return start, b"".join(ring[rows].astype("<i2").tobytes() for ring in (self.fhr, self.ua))

    def signals(self) -> tuple[Floats, Floats]:
        """Return FHR in bpm and UA from the first to the last second held, 4 Hz, NaN where there is no value."""
        rows = np.arange(max(0, self.first), self.last + 1) % self.kept_s
        fhr, ua = (ring[rows].reshape(-1).astype(float) for ring in (self.fhr, self.ua))
        return np.where(fhr == NONE, np.nan, fhr / 4), np.where(ua == NONE, np.nan, ua / 2)
