"""How far a study is and how long it takes, from the first second on."""

import multiprocessing

import pytest

from quietward.study import progress
from quietward.study.progress import Workload, counting

LOAD = Workload(bed_hours=1000, variants=50, processes=2)


def test_at_the_beginning_all_that_is_expected_is_left() -> None:
    found = progress.progress(LOAD, [0.0] * 6, 0.5)
    assert (found.phase, found.bed_hours, found.of) == (0, 0, 1000)
    assert found.left_s == LOAD.expected_s > 10


def test_the_own_pace_counts_the_more_the_longer_it_is_known() -> None:
    load = Workload(bed_hours=100_000, variants=50, processes=2)
    measuring_s = load.seconds((100_000, 0, 0))
    found = progress.progress(load, [50_000, 0, 0, 0, 0, 0], elapsed_s=measuring_s)  # half of it, twice as slow
    assert found.bed_hours == 50_000
    assert found.left_s == pytest.approx(2 * (load.expected_s - measuring_s / 2), rel=0.01)


def test_on_a_machine_that_is_busy_the_time_left_soon_says_so() -> None:
    """Thirty times as slow as expected: that is said within minutes, not once seconds of work have been done."""
    expected_s = 2.0  # of what is done within a minute
    done = expected_s / LOAD.seconds((1, 0, 0))
    found = progress.progress(LOAD, [done, 0, 0, 0, 0, 0], elapsed_s=30 * expected_s)
    left_s = LOAD.expected_s - expected_s
    assert 5 * left_s < found.left_s < 30 * left_s


def test_before_anything_is_done_waiting_says_nothing_about_the_pace() -> None:
    """The detector is compiled first, for half a minute, on a machine that has never run it."""
    assert progress.progress(LOAD, [0.0] * 6, elapsed_s=60.0).left_s == LOAD.expected_s


def test_what_was_found_done_took_no_time() -> None:
    found = progress.progress(LOAD, [1000, 0, 0, 1000, 0, 0], elapsed_s=1.0)
    assert found.phase == 1
    assert found.left_s == pytest.approx(LOAD.seconds((0, 50_000, 50_000)))


def test_at_the_end_nothing_is_left() -> None:
    found = progress.progress(LOAD, [1000, 50_000, 50_000, 0, 0, 0], elapsed_s=100.0)
    assert (found.phase, found.bed_hours, found.left_s) == (2, 1000, 0)


@pytest.fixture
def counts(monkeypatch: pytest.MonkeyPatch) -> progress.Counts:
    shared = multiprocessing.Array("d", 6)
    monkeypatch.setattr(progress._Process, "counts", shared)
    return shared


def test_a_job_counts_while_it_is_done(counts: progress.Counts) -> None:
    with counting(progress.UNANSWERED, 20.0, steps=1000) as moved:
        for _ in range(500):
            moved(1)
        assert counts[progress.UNANSWERED] == pytest.approx(10, abs=0.2)
    assert counts[:] == pytest.approx([0, 20, 0, 0, 0, 0])


def test_a_job_that_was_done_before_is_told_apart(counts: progress.Counts) -> None:
    with counting(progress.MEASURING, 20.0, steps=1000):
        pass
    assert counts[:] == pytest.approx([20, 0, 0, 20, 0, 0])
