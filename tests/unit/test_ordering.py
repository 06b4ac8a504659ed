"""Which second a block is: gaps, repeats, late seconds, clocks that jump, new sessions."""

from collections.abc import Callable

import pytest

from quietward.contracts.bounds import LARGEST_SEQ, SKIP_CREDIT_S
from quietward.contracts.commands import Acknowledge
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, CommandEnvelope, DeviceStatus, Input, Tick
from quietward.contracts.log import Event
from quietward.contracts.summary import Level, SignalState, Summary
from quietward.dashboard.view.signal_buffer import SignalBuffer
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.ordering import MOST_WAITING, Notice
from quietward.detect.core.state.state import State
from quietward.simulator import bed as simulated
from quietward.simulator.scenario import load
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
    return int(state.usable.seconds[0]), int(state.clock.second[0]) - T0 // 1000, output.refused


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
    assert state.usable.seconds[0] == 1
    output = engine.step(state, [block(1)])
    assert state.usable.seconds[0] == 3
    assert output.refused == {}


def test_it_does_not_wait_for_ever() -> None:
    assert seconds_taken(block(0), block(2), block(3), block(4)) == (5, 4, {})
    state = State(RULES)
    engine.step(state, [block(0), *(block(i) for i in range(2, 2 + WAIT_S)), Tick(T0 + (2 + WAIT_S) * 1000 - 1)])
    assert state.usable.seconds[0] == 1
    engine.step(state, [Tick(T0 + (2 + WAIT_S) * 1000)])
    assert state.usable.seconds[0] == 2 + WAIT_S, "the missing second is taken for lost"


def test_what_is_missing_later_is_waited_for_by_itself() -> None:
    state = State(RULES)
    engine.step(state, [block(0), block(2), block(3), block(6), Tick(T0 + (2 + WAIT_S) * 1000)])
    assert state.usable.seconds[0] == 4, "second 6 has not waited for 5 long enough"
    output = engine.step(state, [block(5), block(4)])
    assert state.usable.seconds[0] == 7
    assert output.refused == {}


def test_what_has_piled_up_while_another_part_took_over_is_all_used() -> None:
    """Every other second comes at once, long after its neighbours: by another way that was blocked."""
    state = State(RULES)
    late = [Block("b", "a", i, T0 + i * 1000, T0 + 20_500, [140.0] * 4, [10.0] * 4) for i in range(1, 20, 2)]
    in_time = [Block("b", "a", i, T0 + i * 1000, T0 + 20_000, [140.0] * 4, [10.0] * 4) for i in range(2, 20, 2)]
    output = engine.step(state, [block(0), *in_time, Tick(T0 + 20_400), *late])
    assert state.usable.seconds[0] == 20
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
    assert "no usable data yet" in found.signal_reason


def steps(device: Callable[[int], Block], count: int) -> tuple[State, list[Event], list[Summary]]:
    """Work through so many messages of one device, one a second by the server's clock, with a tick each."""
    state, events, found = State(RULES), [], []
    for i in range(count):
        output = engine.step(state, [device(i), Tick(T0 + i * 1000 + 500)])
        events += output.events
        found += summaries.of(state, output)[:1]
    return state, events, found


def slow(i: int, seq: int, t_s: float, session: str = "a") -> Block:
    """60 bpm, the i-th message."""
    return Block("b", session, seq, T0 + round(t_s * 1000), T0 + i * 1000, [60.0] * 4, [10.0] * 4)


ORDINARY: dict[str, Callable[[int], Block]] = {
    "on time": lambda i: slow(i, i, i),
    "a clock that trembles": lambda i: slow(i, i, i + (i % 7 - 3) / 4),
    "a gap now and then": lambda i: slow(i, i + i // 50 * 3, i + i // 50 * 3),
    "a clock that was set": lambda i: slow(i, i, i + (90 if i > 200 else 0) - (4000 if i > 500 else 0)),
}
RUNAWAYS: dict[str, Callable[[int], Block]] = {
    "its numbers, in steps of 601": lambda i: slow(i, i * 601, i),
    "its numbers, in steps of 5000": lambda i: slow(i, i * 5000, i),
    "its numbers, in steps of 40": lambda i: slow(i, i * 40, i),
    "its clock, 700 times as fast": lambda i: slow(i, i, i * 700),
    "both, 700 times as fast": lambda i: slow(i, i * 700, i * 700),
    "its clock, backwards and forwards": lambda i: slow(i, i, i * 1400 * (i % 2)),
    "a new session with each message, a quarter of an hour later": lambda i: slow(i, 0, i * 900, f"s{i}"),
    "its count begins again, a quarter of an hour later": lambda i: slow(i, 0, i * 900),
    "half of the largest number at once": lambda i: slow(i, (i + 1) // 2 * 2_000_000_000 + i, i),
}


@pytest.mark.parametrize("device", RUNAWAYS.values(), ids=RUNAWAYS.keys())
def test_a_device_whose_time_runs_away_is_never_good_and_its_patient_is_seen(device: Callable[[int], Block]) -> None:
    """60 bpm for half an hour; before, each message made the bed forget, and it looked calm."""
    _, events, found = steps(device, 1800)
    good = [i for i, s in enumerate(found) if s.signal is SignalState.GOOD and i > 60]
    assert not good, (len(good), good[:3])
    assert not [i for i, s in enumerate(found) if s.level is Level.QUIET and i > 60]
    assert {e.kind for e in events} >= {"device", "flag-raised"}, "60 bpm is noticed"
    assert found[-1].level is not Level.QUIET
    assert found[-1].t / 1000 <= T0 / 1000 + 1800 + 2 * 86_400


@pytest.mark.parametrize("device", [*RUNAWAYS.values(), *ORDINARY.values()], ids=[*RUNAWAYS, *ORDINARY])
def test_the_page_draws_a_device_where_the_detector_places_it(device: Callable[[int], Block]) -> None:
    state, strip = State(RULES), SignalBuffer()
    for i in range(700):
        strip.add(device(i))
        engine.step(state, [device(i)])
        clock = state.clock
        columns = clock.placed, clock.seq, clock.t, clock.placed_at, clock.lead_ms, clock.credit_s
        assert state.waiting.get(0) or strip.stands == tuple(column[0] for column in columns)


def test_time_that_runs_away_cannot_run_far() -> None:
    """What made detector and page end: two sessions by turns, each time with the largest number."""
    state, seq = State(RULES), 0
    blocks = [block(0)]
    for i in range(3000):
        seq = LARGEST_SEQ - i if i % 2 else i
        blocks.append(Block("b", f"s{i // 50}", seq, T0 + i * 3, T0 + i * 3, [140.0] * 4, [10.0] * 4))
    output = engine.step(state, [*blocks, Tick(T0 + 9_500)])
    assert 0 <= state.clock.second[0] - T0 // 1000 <= 3000 + SKIP_CREDIT_S
    assert output.refused["b", "time"] > 1000
    (found,) = summaries.of(state, output)
    assert found.signal is SignalState.POOR


def test_a_clock_set_forward_once_forgets_nothing_and_is_said() -> None:

    def stepping(i: int) -> Block:
        ahead = 3_600_000 if i >= 700 else 0
        return Block("b", "a", i, T0 + i * 1000 + ahead, T0 + i * 1000, [140.0] * 4, [10.0] * 4)

    state, events, found = steps(stepping, 800)
    assert state.usable.seconds[0] == 800
    assert [e.text for e in events if e.kind == "device"] == [Notice.DOUBTED.value]
    assert [s.signal for s in found[698:704]] == [SignalState.GOOD] * 2 + [SignalState.POOR] * 4
    assert found[-1].signal is SignalState.GOOD, "after a minute it is as good as it was"


def test_a_real_absence_is_believed_however_long() -> None:
    """Two hours without the device by everybody's clock, then its backlog at once, its middle lost."""
    state = State(RULES)
    engine.step(state, [block(i) for i in range(700)])
    late = T0 + 8_000_000
    backlog = [
        Block("b", "a", i, T0 + i * 1000, late, [140.0] * 4, [10.0] * 4) for i in (*range(700, 900), *range(7000, 7200))
    ]
    output = engine.step(state, backlog)
    assert state.clock.second[0] == T0 // 1000 + 7199
    assert not output.refused


def test_a_device_whose_clock_is_set_while_it_is_away_shows_the_right_time_again() -> None:
    state = State(RULES)
    lost = [Block("b", "a", i, i * 1000, T0 + i * 1000, [140.0] * 4, [10.0] * 4) for i in range(700)]  # it says 1970
    at = T0 + 1_500_000
    engine.step(state, [*lost, Block("b", "z", 0, at, at, [140.0] * 4, [10.0] * 4)])
    assert state.clock.second[0] == at // 1000
    numbers = Block("b", "z", LARGEST_SEQ, at + 1000, at + 700_000, [140.0] * 4, [10.0] * 4)
    engine.step(state, [numbers])
    assert state.clock.second[0] == at // 1000 + 700, "numbers that run away count no more after an absence"


def two_devices(sessions: int) -> Callable[[int], Block]:
    """60 bpm from the first, 142 from the others, one message of each in turn."""

    def device(i: int) -> Block:
        which, seq = i % sessions, i // sessions
        at, bpm = T0 + seq * 1000 + which * (1000 // sessions), 60.0 if which == 0 else 142.0
        return Block("b", f"d{which}", seq, at, at, [bpm] * 4, [10.0] * 4)

    return device


@pytest.mark.parametrize("device", ORDINARY.values(), ids=ORDINARY.keys())
def test_an_ordinary_device_is_believed(device: Callable[[int], Block]) -> None:
    _, events, _ = steps(device, 700)
    assert [e for e in events if e.kind == "device"] == []


@pytest.mark.parametrize("devices", [2, 3, 5])
def test_several_devices_under_one_name_are_said_and_never_good(devices: int) -> None:
    state, events, found = State(RULES), [], []
    device = two_devices(devices)
    for i in range(900 * devices):
        inputs: list[Input] = [device(i)]
        if i % devices == devices - 1:
            inputs.append(Tick(T0 + i // devices * 1000 + 999))
        output = engine.step(state, inputs)
        events += output.events
        found += summaries.of(state, output)
    assert not [s for s in found[60 * devices :] if s.signal is SignalState.GOOD or s.level is Level.QUIET]
    assert found[-1].signal_reason == Notice.RIVAL.value
    assert [e.text for e in events if e.kind == "device"] == [Notice.RIVAL.value]


def test_a_device_that_starts_again_is_no_second_device() -> None:
    """Some of its seconds before may come late, of two slots, and once more."""
    before = [block(i) for i in range(60)]
    after = [block(i, 62 + i, session="z") for i in range(60)]
    state = State(RULES)
    output = engine.step(state, [*before[:57], *after[:3], *before[57:], *before[50:], *after[3:], Tick(T0 + 122_000)])
    assert [e for e in output.events if e.kind == "device"] == []
    (found,) = summaries.of(state, output)
    assert found.signal is SignalState.GOOD


@pytest.mark.parametrize(
    ("scenario", "seed"), [("cord-not-recovering", 1), ("noisy-but-well", 3), ("cord-not-recovering", 4)]
)
def test_what_is_said_does_not_depend_on_how_much_comes_at_once(scenario: str, seed: int) -> None:
    """How long something has lasted was counted up to the last second that had come, not up to the one looked at."""
    begin, seconds = 660, 900
    labour = simulated.simulate(load(scenario), seed, begin + seconds)
    fhr, ua = (
        [[None if x != x else float(x) for x in second] for second in signal.reshape(-1, HZ)[begin:]]
        for signal in (labour.fhr, labour.ua)
    )
    blocks = [Block("b", "s", i, T0 + i * 1000, T0 + i * 1000, fhr[i], ua[i]) for i in range(seconds)]
    one_by_one, at_once = State(RULES), State(RULES)
    said = [event for block in blocks for event in engine.step(one_by_one, [block]).events]
    assert engine.step(at_once, blocks).events == said
    assert any("for " in event.text for event in said)


def test_what_waits_is_bounded_and_costs_no_square() -> None:
    state = State(RULES)
    engine.step(state, [block(0)])
    early = [Block("b", "a", seq, T0 + seq * 1000, T0 + 1000, [140.0] * 4, [10.0] * 4) for seq in range(2, 40_000)]
    engine.step(state, [*early[:1], *reversed(early[1:])])
    assert len(state.waiting[0]) <= MOST_WAITING
    engine.step(state, [Tick(T0 + 9000)])
    assert not state.waiting[0]


def test_a_bed_that_is_late_is_looked_at_with_every_tick() -> None:
    """Else a page takes a detector that watches for one that does not, before it says that the signal is lost."""
    state = State(RULES)
    engine.step(state, [block(n) for n in range(10)])
    for silent_s in range(2, int(RULES.reading.signal.silent_after_s) + 3):
        now = T0 + (9 + silent_s) * 1000
        (found,) = summaries.of(state, engine.step(state, [Tick(now)]))
        assert found.looked_at == now
        is_lost = silent_s >= RULES.reading.signal.silent_after_s
        assert (found.signal is SignalState.LOST) == is_lost


def test_a_broker_that_is_away_is_told_and_no_monitor_blamed() -> None:
    state = State(RULES)
    engine.step(state, [block(n) for n in range(10)])
    (found,) = summaries.of(state, engine.step(state, [Tick(T0 + 30_000, 0, True)]))
    assert "the broker is away" in found.signal_reason
    again = State.from_bytes(state.to_bytes(), RULES)
    assert again is not None
    assert again.broker_is_away
    (found,) = summaries.of(state, engine.step(state, [Tick(T0 + 31_000)]))
    assert "the broker is away" not in found.signal_reason
