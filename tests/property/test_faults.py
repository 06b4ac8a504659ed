"""Whatever faults a device has at once: what it may send arrives unaltered and in time, what it may not does not."""

from collections import Counter
from typing import get_args

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.samples import Samples
from quietward.simulator.faults import SENT_BACKWARDS_S, Faults
from quietward.simulator.scenario import DeviceFault, Fault

SECONDS = 180


def second(n: int) -> bytes:
    return msgspec.json.encode(Samples("s", n, n * 1000, 4, [140.0] * 4, [12.0] * 4))


FAULTS = st.lists(
    st.builds(
        DeviceFault,
        at_min=st.integers(0, SECONDS).map(lambda s: s / 60),
        what=st.sampled_from(get_args(Fault)),
        for_s=st.integers(1, 60),
        size=st.integers(-60, 60),
    ),
    max_size=6,
)


@given(FAULTS)
def test_each_second_is_sent_as_its_faults_say(faults: list[DeviceFault]) -> None:
    device = Faults(faults, SECONDS)
    first_sent: dict[bytes, int] = {}
    often: Counter[bytes] = Counter()
    spoilt = 0
    plain = {second(n): n for n in range(SECONDS)}
    for n in range(SECONDS):
        for payload in device.sent(n, second(n)):
            if payload in plain:
                first_sent.setdefault(payload, n)
                often[payload] += 1
            else:
                spoilt += 1

    def has(n: int, *what: Fault) -> bool:
        return any(f.what in what and round(f.at_min * 60) <= n < round(f.at_min * 60) + f.for_s for f in faults)

    expected_spoilt = 0
    for n in range(SECONDS):
        times = 2 if has(n, "repeat") else 1
        if has(n, "missing", "restart"):
            times = 0
        elif has(n, "malformed"):
            expected_spoilt += times
            times = 0
        assert often[second(n)] == times
        if times:
            waited = first_sent[second(n)] - n
            assert 0 <= waited < SENT_BACKWARDS_S
            assert waited == 0 or has(n, "late")
    assert spoilt == expected_spoilt


@given(FAULTS)
def test_no_two_seconds_have_the_same_number_in_a_session(faults: list[DeviceFault]) -> None:
    device = Faults(faults, SECONDS)
    numbers = [(device.session_began(n), n - device.session_began(n)) for n in range(SECONDS)]
    assert len(set(numbers)) == SECONDS
    assert all(seq >= 0 for _, seq in numbers)
