"""What each fault of a device does to its seconds, and that ingest and detector take it as they should."""

from collections import Counter

import msgspec
import pytest

from quietward.contracts.errors import BadMessage
from quietward.contracts.inputs import Block
from quietward.contracts.samples import Samples
from quietward.detect.core import engine
from quietward.detect.core.state.state import State
from quietward.ingest.validate import check
from quietward.simulator.faults import MALFORMED, Faults
from quietward.simulator.scenario import DeviceFault
from tests.traces import RULES

T0_MS = 1_790_000_000_000


def second(n: int) -> bytes:
    return msgspec.json.encode(Samples("s", n, T0_MS + n * 1000, 4, [140.25, None, 141, 141], [12.0] * 4))


def sent(seconds: int, *faults: DeviceFault) -> list[list[bytes]]:
    """What is sent after each second."""
    device = Faults(faults, seconds)
    return [device.sent(n, second(n)) for n in range(seconds)]


def numbers(seconds: int, *faults: DeviceFault) -> list[list[int]]:
    return [[msgspec.json.decode(p)["seq"] for p in payloads] for payloads in sent(seconds, *faults)]


def taken(payloads: list[bytes]) -> Block:
    (payload,) = payloads
    found = check("quietward/v1/w/b/samples", payload, "", T0_MS)
    assert isinstance(found, Block)
    return found


def test_without_faults_every_second_is_sent_as_it_is() -> None:
    assert sent(5) == [[second(n)] for n in range(5)]
    plain = Faults([], 5)
    assert [plain.clock_ahead_ms(n) for n in range(5)] == [0] * 5
    assert [plain.session_began(n) for n in range(5)] == [0] * 5
    assert all(plain.is_connected(n) for n in range(5))


def test_a_clock_jumps_and_stays() -> None:
    device = Faults([DeviceFault(1, "clock-jump", size=-90), DeviceFault(2, "clock-jump", size=30.5)], 200)
    assert [device.clock_ahead_ms(n) for n in (0, 59, 60, 119, 120, 199)] == [0, 0, -90_000, -90_000, -59_500, -59_500]


def test_a_clock_gains_for_a_time_and_keeps_what_it_has_gained() -> None:
    device = Faults([DeviceFault(1, "clock-skew", for_s=100, size=36)], 400)
    assert [device.clock_ahead_ms(n) for n in (60, 61, 110, 160, 161, 399)] == [0, 10, 500, 1000, 1000, 1000]


def test_seconds_are_sent_twice() -> None:
    assert numbers(64, DeviceFault(1, "repeat", for_s=2))[59:] == [[59], [60, 60], [61, 61], [62], [63]]


def test_seconds_are_never_sent() -> None:
    assert numbers(64, DeviceFault(1, "missing", for_s=2))[59:] == [[59], [], [], [62], [63]]


def test_late_seconds_come_after_their_successors() -> None:
    late = numbers(70, DeviceFault(1, "late", for_s=8))[59:]
    assert late == [[59], [], [], [62, 61, 60], [], [], [65, 64, 63], [], [67, 66], [68], [69]]


def test_what_is_late_at_the_end_of_the_signal_is_sent() -> None:
    assert numbers(62, DeviceFault(1, "late", for_s=100))[60:] == [[], [61, 60]]


def test_the_detector_loses_no_late_second() -> None:
    state = State(RULES)
    refused: Counter[tuple[str, str]] = Counter()
    for payloads in sent(100, DeviceFault(1, "late", for_s=30)):
        refused.update(engine.step(state, [taken([p]) for p in payloads]).refused)
    assert not refused
    assert int(state.usable.seconds[0]) == 100
    assert int(state.clock.second[0]) - T0_MS // 1000 == 99
    assert not state.waiting.get(0)


def test_every_kind_of_malformed_message_is_refused() -> None:
    reasons = []
    for payloads in sent(64, DeviceFault(1, "malformed", for_s=4))[60:]:
        with pytest.raises(BadMessage) as refused:
            taken(payloads)
        reasons.append(refused.value.reason)
    assert reasons == ["json", "field", "field", "size"]
    assert len(MALFORMED) == 4, "every kind came"
    again = sent(200, DeviceFault(1, "malformed", for_s=2), DeviceFault(2, "malformed", for_s=2))
    assert again[60] != [second(60)]
    with pytest.raises(BadMessage, match="seventeen"):
        taken(again[120])  # goes on where it was
    assert taken(again[122]).seq == 122


def test_while_it_is_disconnected_it_keeps_its_seconds() -> None:
    fault = DeviceFault(1, "disconnect", for_s=3)
    device = Faults([fault], 70)
    assert [n for n in range(70) if not device.is_connected(n)] == [60, 61, 62]
    assert numbers(70, fault) == [[n] for n in range(70)]


def test_switched_off_and_on_it_begins_anew() -> None:
    faults = [DeviceFault(1, "restart", for_s=3), DeviceFault(2, "restart", for_s=1)]
    device = Faults(faults, 130)
    assert [n for n in range(130) if not device.is_connected(n)] == [60, 61, 62, 120]
    assert [n for n, payloads in enumerate(numbers(130, *faults)) if not payloads] == [60, 61, 62, 120]
    assert [device.session_began(n) for n in (0, 62, 63, 120, 121, 129)] == [0, 0, 63, 63, 121, 121]
