"""Which second a block is: gaps, repeats, late seconds, clocks that jump, new sessions."""

import pytest

from quietward.contracts.messages import Acknowledge, Block, CommandEnvelope, DeviceStatus, SignalState, Tick
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.state import State
from tests.traces import RULES

T0 = 1_790_000_000_000


def block(seq: int, t_s: float | None = None, session: str = "a", bed: str = "b") -> Block:
    t = T0 + round((seq if t_s is None else t_s) * 1000)
    return Block(bed, session, seq, t, t, [140.0] * 4, [10.0] * 4)


WAIT_S = RULES.reading.signal.wait_s


def seconds_taken(*blocks: Block) -> tuple[int, int, dict[tuple[str, str], int]]:
    """Return how many seconds the bed has taken, which one it stands at (from T0), and what was refused."""
    state = State(RULES)
    output = engine.step(state, list(blocks))
    engine.step(state, [Tick(blocks[-1].at + WAIT_S * 1000)])  # nothing waits any longer
    return int(state.conditioning.seconds[0]), int(state.clock.second[0]) - T0 // 1000, output.refused


def test_seconds_in_order() -> None:
    assert seconds_taken(block(0), block(1), block(2)) == (3, 2, {})


def test_a_gap_is_taken_as_seconds_without_values() -> None:
    assert seconds_taken(block(0), block(5)) == (6, 5, {})


def test_repeated_and_late_seconds_are_dropped_and_counted() -> None:
    taken, at, refused = seconds_taken(block(0), block(1), block(2), block(2), block(1))
    assert (taken, at) == (3, 2)
    assert refused == {("b", "repeated"): 1, ("b", "late"): 1}


def test_a_second_that_comes_before_its_predecessor_waits_for_it() -> None:
    state = State(RULES)
    engine.step(state, [block(0), block(2)])
    assert state.conditioning.seconds[0] == 1
    output = engine.step(state, [block(1)])
    assert state.conditioning.seconds[0] == 3
    assert output.refused == {}


def test_it_does_not_wait_for_ever() -> None:
    assert seconds_taken(block(0), block(2), block(3), block(4)) == (5, 4, {})
    state = State(RULES)
    engine.step(state, [block(0), *(block(i) for i in range(2, 2 + WAIT_S)), Tick(T0 + (2 + WAIT_S) * 1000 - 1)])
    assert state.conditioning.seconds[0] == 1
    engine.step(state, [Tick(T0 + (2 + WAIT_S) * 1000)])
    assert state.conditioning.seconds[0] == 2 + WAIT_S, "the missing second is taken for lost"


def test_what_is_missing_later_is_waited_for_by_itself() -> None:
    state = State(RULES)
    engine.step(state, [block(0), block(2), block(3), block(6), Tick(T0 + (2 + WAIT_S) * 1000)])
    assert state.conditioning.seconds[0] == 4, "second 6 has not waited for 5 long enough"
    output = engine.step(state, [block(5), block(4)])
    assert state.conditioning.seconds[0] == 7
    assert output.refused == {}


def test_what_has_piled_up_while_another_part_took_over_is_all_used() -> None:
    """Every other second comes at once, long after its neighbours: by another way that was blocked."""
    state = State(RULES)
    late = [Block("b", "a", i, T0 + i * 1000, T0 + 20_500, [140.0] * 4, [10.0] * 4) for i in range(1, 20, 2)]
    in_time = [Block("b", "a", i, T0 + i * 1000, T0 + 20_000, [140.0] * 4, [10.0] * 4) for i in range(2, 20, 2)]
    output = engine.step(state, [block(0), *in_time, Tick(T0 + 20_400), *late])
    assert state.conditioning.seconds[0] == 20
    assert output.refused == {}


def test_after_a_long_piece_that_is_missing_nothing_waits() -> None:
    state = State(RULES)
    missing = RULES.reading.signal.missing_from_s
    engine.step(state, [block(0), block(missing)])
    assert state.clock.second[0] == T0 // 1000 + missing


@pytest.mark.parametrize("jitter", [-0.4, 0.4, 0.9])
def test_a_clock_that_trembles_loses_no_second(jitter: float) -> None:
    assert seconds_taken(block(0), block(1, 1 + jitter), block(2)) == (3, 2, {})


def test_a_clock_set_back_does_not_stop_the_bed() -> None:
    assert seconds_taken(block(0), block(1), block(2, -3600), block(3, -3599)) == (4, 3, {})


def test_a_pause_by_the_clock_is_a_gap() -> None:
    assert seconds_taken(block(0), block(1, 30)) == (31, 30, {})


def test_a_long_gap_begins_anew() -> None:
    assert seconds_taken(block(0), block(1), block(2, 5000)) == (1, 5000, {})


def test_a_new_session_goes_on() -> None:
    assert seconds_taken(block(0), block(1), block(0, 4, session="z")) == (5, 4, {})


def test_other_inputs_for_a_bed_never_heard_of_are_harmless() -> None:
    state = State(RULES)
    output = engine.step(
        state,
        [DeviceStatus("x", T0, online=False), CommandEnvelope(T0, Acknowledge("y", "somebody", "y-f1")), Tick(T0)],
    )
    assert output.events == []
    assert output.updated == set()


def test_a_device_that_only_repeats_itself_falls_silent() -> None:
    """Seconds that are dropped are no sign of life: the bed must not look calm because of them."""
    state = State(RULES)
    engine.step(state, [block(i) for i in range(30)])
    for i in range(20):
        again = Block("b", "a", 29, T0 + 29_000, T0 + 30_000 + i * 1000, [140.0] * 4, [10.0] * 4)
        output = engine.step(state, [again, Tick(T0 + 30_000 + i * 1000)])
    assert 0 in output.updated
    assert state.clock.lost[0]


def test_a_device_that_counts_anew_goes_on() -> None:
    taken, at, refused = seconds_taken(*(block(i) for i in range(10)), block(0, 10), block(1, 11), block(2, 12))
    assert (taken, at, refused) == (13, 12, {})


def test_a_session_that_was_superseded_is_not_mixed_in() -> None:
    first, second = [block(i) for i in range(5)], [block(i, 5 + i, session="z") for i in range(5)]
    taken, at, refused = seconds_taken(*first, *second, *first, *second)
    assert (taken, at) == (10, 9)
    assert refused == {("b", "superseded"): 5, ("b", "repeated"): 1, ("b", "late"): 4}


def test_the_servers_clock_set_back_hides_no_silence() -> None:
    state = State(RULES)
    engine.step(state, [block(0), Tick(T0 + 500)])
    back = -600_000
    seen = [engine.step(state, [Tick(T0 + back + i * 1000)]).updated for i in range(20)]
    assert seen[-1] == {0}, "silent for 20 s by whatever clock"
    assert state.clock.lost[0]
    assert state.now == T0 + back + 19_000


def test_a_bed_from_which_nothing_usable_comes_is_shown_as_lost() -> None:
    state = State(RULES)
    output = engine.step(state, [DeviceStatus("b", T0, online=True), Tick(T0 + 1000)])
    (found,) = summaries.of(state, output)
    assert (found.bed, found.signal, found.baseline_bpm) == ("b", SignalState.LOST, None)
    assert "nothing usable" in found.signal_reason
