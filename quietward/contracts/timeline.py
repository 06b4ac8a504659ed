"""Pure: which second of a bed's signal a block is, the same for detector and page, so that marks fit the strip."""

from typing import NamedTuple

from quietward.contracts.bounds import SKIP_CREDIT_S


class Standing(NamedTuple):
    """Where a bed's signal stands with its newest block.

    second: of the bed's signal, -1 before the first block; seq: its number in its session; t: the device's time, ms.
    at: its arrival, ms; lead_ms: how far `second` was ahead of arrivals at most; credit_s: what it may skip beyond it.
    """

    second: int = -1
    seq: int = -1
    t: int = 0
    at: int = 0
    lead_ms: int = 0
    credit_s: int = SKIP_CREDIT_S

    def followed_by(self, seq: int, t: int, at: int, *, anew: bool = False) -> tuple["Standing", bool]:
        """Return where the signal stands with the next block, and whether its number and time were believed.

        at: its arrival, ms; anew: it is the first of another session, or its device has begun to count again.
        """
        if self.second < 0:
            return _begun(t // 1000, seq, t, at), True
        follows = self.second + 1
        second = max(follows, t // 1000) if anew else second_after(self.second, self.seq, self.t, seq, t)
        lead_ms = second * 1000 - at
        beyond_s = min(second - follows, -((self.lead_ms - lead_ms) // 1000))
        credit_s = min(SKIP_CREDIT_S, self.credit_s + 1)
        newest = max(self.at, at)
        if beyond_s <= credit_s:
            return Standing(second, seq, t, newest, max(self.lead_ms, lead_ms), credit_s - max(0, beyond_s)), True
        away_s = (at - self.at) // 1000
        if away_s > SKIP_CREDIT_S:  # nothing is carried over anyway: its clock counts as that of a bed that begins
            return _begun(max(self.second + away_s, t // 1000), seq, t, at), True
        return Standing(follows, seq, t, newest, max(self.lead_ms, follows * 1000 - at), self.credit_s), False


def _begun(second: int, seq: int, t: int, at: int) -> Standing:
    return Standing(second, seq, t, at, second * 1000 - at)


def second_after(second: int, seq: int, t: int, next_seq: int, next_t: int) -> int:
    """Return the second of a block that follows another of the same session; seq counts seconds, t is in ms.

    The sequence number decides, unless the device's clock says that more time has passed (a pause). A clock that
    jitters or was set back is ignored.
    """
    ahead = next_seq - seq
    passed = (next_t - t + 500) // 1000
    return second + (ahead if passed <= ahead + 1 else passed)
