"""Delays between tries grow up to a limit, and differ from process to process within bounds."""

import random

import pytest

from quietward.contracts.jitter import equal_jitter
from quietward.runtime.retry import FIRST_DELAY_S, LONGEST_DELAY_S, Backoff


class Extreme(random.Random):
    """Draws the same number again and again."""

    def __init__(self, draw: float) -> None:
        super().__init__(0)
        self.draw = draw

    def random(self) -> float:
        return self.draw


@pytest.mark.parametrize(("draw", "delay_s"), [(0.0, 1.0), (0.5, 1.5), (1.0, 2.0)])
def test_half_of_a_delay_is_certain_and_half_is_drawn(draw: float, delay_s: float) -> None:
    assert equal_jitter(2.0, Extreme(draw)) == pytest.approx(delay_s)


def test_delays_fill_their_bounds_and_do_not_leave_them() -> None:
    source = random.Random(7)
    delays = [equal_jitter(1.0, source) for _ in range(1000)]
    assert min(delays) >= 0.5
    assert max(delays) <= 1.0
    assert sum(0.5 <= delay < 0.6 for delay in delays) > 150
    assert sum(0.9 <= delay <= 1.0 for delay in delays) > 150
    assert 0.5 <= equal_jitter(1.0) <= 1.0


def test_the_limit_doubles_up_to_the_longest_and_starts_again_when_things_work() -> None:
    backoff = Backoff(source=Extreme(1.0))
    assert [backoff.next_delay_s() for _ in range(7)] == pytest.approx([0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0])
    backoff.worked()
    assert backoff.next_delay_s() == pytest.approx(FIRST_DELAY_S)
    assert Backoff(1.0, Extreme(0.0)).next_delay_s() == pytest.approx(FIRST_DELAY_S / 2)
    assert LONGEST_DELAY_S == 5.0


def test_two_that_lost_the_same_server_come_back_at_different_times() -> None:
    one, other = (Backoff(source=random.Random(seed)) for seed in (1, 2))
    assert all(one.next_delay_s() != other.next_delay_s() for _ in range(10))
