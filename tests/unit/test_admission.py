"""Which beds a ward takes, and how much of each."""

import pytest

from quietward.contracts.bounds import AT_ONCE, BACKLOG, BURST_PER_S
from quietward.ingest.admission import Expected, Rates, told_of


@pytest.mark.parametrize(
    ("beds", "expected", "others"),
    [
        ("", ["bed-1", "anything"], []),
        ("bed-1, bed-2", ["bed-1", "bed-2"], ["bed-11", "bed-3", "1", ""]),
        ("bed-*,hall", ["bed-1", "bed-", "hall"], ["sled-1", "hall-2", "bed"]),
        ("bed-[1-4]", ["bed-1", "bed-4"], ["bed-5", "bed-12"]),
    ],
)
def test_expected_beds(beds: str, expected: list[str], others: list[str]) -> None:
    assert all(bed in Expected(beds) for bed in expected)
    assert not any(bed in Expected(beds) for bed in others)


def passed(rates: Rates, bed: str, messages: int, now_ms: int, per_s: float = 0) -> int:
    """How many of so many messages pass; per_s: how fast they come, 0: at once."""
    return sum(rates.take(bed, now_ms + (round(i * 1000 / per_s) if per_s else 0)) for i in range(messages))


def test_a_second_a_second_passes_for_ever_and_an_hour_at_once() -> None:
    rates = Rates(2.0)
    assert passed(rates, "bed-1", 3 * 86_400, 0, per_s=1) == 3 * 86_400
    assert passed(rates, "bed-1", 3_600, 3 * 86_400_000) == 3_600


def test_a_flood_is_cut_and_the_neighbour_is_not() -> None:
    rates = Rates(2.0)
    assert passed(rates, "bed-1", 20_000, 0, per_s=2_000) == pytest.approx(AT_ONCE + 10 * BURST_PER_S, abs=2)
    assert passed(rates, "bed-2", 100, 10_000) == 100
    hours_s = 4 * 3600
    assert passed(rates, "bed-1", hours_s * 20, 20_000, per_s=20) <= BACKLOG + 2 * hours_s < hours_s * 20
    end_ms = 20_000 + 1000 * hours_s
    assert passed(rates, "bed-1", 100, end_ms) <= 2
    assert passed(rates, "bed-1", 60, end_ms + 60_000, per_s=1) == 60, "it may go on as it should"


def test_the_fastest_simulated_ward_passes_for_a_day_of_signal() -> None:
    assert passed(Rates(2.0), "bed-1", 86_400, 0, per_s=100) == 86_400
    assert passed(Rates(200.0), "bed-1", 200_000, 0, per_s=100) == 200_000


def test_what_a_broker_has_kept_passes_at_once() -> None:
    rates = Rates(2.0)
    rates.catch_up(60_000)
    assert passed(rates, "bed-1", 86_400, 0) == 86_400
    assert passed(rates, "bed-1", 86_400, 1_000) == BACKLOG - 86_400 + 2
    assert passed(rates, "bed-2", 20_000, 61_000) == AT_ONCE


def test_names_in_words() -> None:
    assert told_of(["b", "a", "b"]) == "a, b"
    assert told_of(map(str, range(8)), 5) == "0, 1, 2, 3, 4 and 3 more"
