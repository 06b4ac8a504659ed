"""Load test: who sends what when, percentiles, what comes late counts, and the search for the largest ward."""

import json
from collections import Counter
from typing import Any

import numpy as np
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings
from quietward.contracts.samples import decode_samples
from quietward.load import limit, trial
from quietward.load.devices import Gateway, SignalChunks
from quietward.load.limit import LimitSearch
from quietward.load.observer import NEVER, Observer, RaisedFlags
from quietward.load.schedule import HISTORY_S, JITTER_MS, DeviceShare, Schedule
from quietward.load.trial import LoadOrder, Spread, Trial

START_MS = 1_790_000_000_000


def schedule(**changed: Any) -> Schedule:
    usual: dict[str, Any] = {"beds": 7, "start_ms": START_MS, "warm_s": 3, "seconds": 9, "falls_for_s": 120}
    return Schedule(ward="load", **(usual | changed))


def turns(plan: Schedule) -> list[tuple[int, int, int]]:
    """Return everything that two processes send: due, bed, second."""
    nothing = SignalChunks([], [], [])
    every = np.arange(plan.beds)
    gateways = [Gateway(DeviceShare(plan, "", i, 2), every[i::2], str(i), nothing) for i in range(2)]
    return [turn for gateway in gateways for turn in gateway._all_sends()]


@pytest.mark.parametrize("joins_s", [0, 6])
def test_every_second_of_every_bed_is_sent_once(joins_s: int) -> None:
    plan = schedule(joins_s=joins_s)
    sent = Counter((bed, k) for _, bed, k in turns(plan))
    assert set(sent.values()) == {1}
    assert len(sent) == plan.sent
    live = {(bed, k) for bed, k in sent if k >= 0}
    joins = plan.joins_at(np.arange(7)).tolist()
    assert live == {(bed, k) for bed in range(7) for k in range(joins[bed], 12)}
    assert {bed for bed, k in sent if k < 0} == (set() if joins_s else set(range(7)))


def test_a_second_is_due_once_it_is_over_each_bed_at_its_own_place() -> None:
    plan = schedule(beds=500)
    beds = np.arange(500)
    for k in (0, 5, 6):
        due, t = plan.due_ms(beds, np.full(500, k)), plan.t_ms(beds, np.full(500, k))
        late = due - t - 1000
        assert 0 <= late.min() <= late.max() < JITTER_MS
        assert (t // 1000 == START_MS // 1000 + k - 1).all()
        counts, _ = np.histogram(due % 1000, bins=10, range=(0, 1000))
        assert counts.min() >= 30  # spread over the second, not in a row at its beginning


def test_falls_come_due_evenly_while_it_is_measured() -> None:
    plan = schedule(beds=3000, seconds=60)
    assert 75 <= len(plan.falling) <= 100
    due = plan.falls_at + plan.falls_for_s
    assert due.min() == plan.warm_s
    assert due.max() < plan.end_s - 4
    assert plan.falls_at.min() > -HISTORY_S + 150  # two minutes of baseline before the first


def test_a_device_sends_what_ingest_takes() -> None:
    plan = schedule(beds=1, seconds=300)
    usual, *falling = ([json.dumps([bpm] * 4).encode()] * 1500 for bpm in (140.0, 128.0, 116.0, 104.0, 92.0, 80.0))
    chunks = SignalChunks([[b"[10,10,10,10]"] * 1500] * 5, [usual] * 5, falling)
    gateway = Gateway(DeviceShare(plan, "", 0, 1), np.array([0]), "0", chunks)
    fell_at = int(plan.falls_at[0])
    for after, bpm in ((-1, 140.0), (0, 128.0), (1, 116.0), (4, 80.0), (5, 80.0), (120, 80.0), (200, 140.0)):
        k = fell_at + after
        one = decode_samples(gateway._payload(0, k))
        assert one.t == plan.t_ms(np.array(0), np.array(k))
        assert one.seq == k + HISTORY_S
        assert one.fhr == [bpm] * 4


def test_percentiles_are_delays_that_so_many_do_not_exceed() -> None:
    delays = np.random.default_rng(1).lognormal(2, 1.5, 20_000)
    found = trial.spread(delays)
    for name, share in (("p50", 0.50), ("p95", 0.95), ("p99", 0.99)):
        assert np.sort(delays)[round(share * 20_000) - 1] == getattr(found, name)
    assert found.max == delays.max()
    assert trial.spread(np.empty(0)) == Spread(None, None, None, None)


def test_no_share_of_the_delays_lies_above_the_greatest() -> None:
    assert trial.spread(np.full(5, 11.0)) == Spread(11.0, 11.0, 11.0, 11.0)


def seen(plan: Schedule, blocks: list[tuple[int, int, int]], commits: list[tuple[int, int]]) -> Trial:
    """Return the trial of blocks (position, bed, second) and commits (position, ms after the start)."""
    observer = Observer(Ward("load"), None, None, plan)  # type: ignore[arg-type]
    observer._blocks = [(0, position, bed, k, START_MS) for position, bed, k in blocks]
    observer.commits = {0: [(position, (START_MS + at_ms) * 1000) for position, at_ms in commits]}
    used = trial._ResourceUse.__new__(trial._ResourceUse)
    used.cpu_s, used.memory_mb, used.cpu_steal_share = {}, {}, 0.0
    return trial._result(LoadOrder(plan.beds, 0.1), plan, observer, RaisedFlags({}, 0), 0, 0.0, used, {}, {}, None, 0.0)


def test_what_is_late_counts_from_when_it_was_due() -> None:
    """No coordinated omission (Tene): who was kept waiting for 5 s has seconds that are 5, 4, 3 s late."""
    plan = schedule(beds=1, warm_s=0, seconds=6, start_ms=START_MS)
    held_back = [(1, 0, k) for k in range(-HISTORY_S, 0)]
    due = (plan.due_ms(np.zeros(6, dtype=np.int64), np.arange(6)) - START_MS).tolist()
    found = seen(plan, held_back + [(2 + k, 0, k) for k in range(6)], [(1, 0), (7, due[5])])
    assert found.summary_ms.max == pytest.approx(due[5] - due[0])
    assert found.summary_ms.p50 == pytest.approx(due[5] - due[3], rel=2e-3)
    assert (found.lost, found.duplicated) == (0, 0)


def test_loss_and_repeats_are_counted_by_sequence() -> None:
    plan = schedule(beds=1, warm_s=0, seconds=6)
    held_back = [(1, 0, k) for k in range(-HISTORY_S, 0)]
    came = [0, 1, 1, 2, 4, 5]  # 3 is missing, 1 came twice; what came last was never written
    found = seen(plan, held_back + [(2 + i, 0, k) for i, k in enumerate(came)], [(1, 0), (6, 9000)])
    assert (found.sent, found.delivered, found.duplicated) == (HISTORY_S + 6, HISTORY_S + 5, 1)
    assert found.lost == 2


def test_a_second_is_written_by_the_first_commit_that_has_got_so_far() -> None:
    observer = Observer(Ward("load"), None, None, schedule())  # type: ignore[arg-type]
    observer._blocks = [(0, position, 0, position, 0) for position in (10, 20, 21, 99)]
    observer.commits = {0: [(10, 100), (20, 200), (30, 300)]}
    assert observer.observations().written_us.tolist() == [100, 200, 300, NEVER]


@pytest.mark.parametrize(("carries", "begin"), [(5300, 1000), (5300, 8000), (700, 1000), (4, 1000)])
async def test_the_search_ends_close_below_what_is_carried(carries: int, begin: int) -> None:
    async def attempt(order: LoadOrder) -> Trial:
        p99 = 90.0 if order.beds <= carries else 4000.0
        found = seen(schedule(beds=1, warm_s=0, seconds=1), [(1, 0, k) for k in range(-HISTORY_S, 1)], [(1, 1100)])
        changed = {"beds": order.beds, "summary_ms": Spread(5.0, 20.0, p99, p99)}
        return Trial(**{name: getattr(found, name) for name in Trial.__struct_fields__} | changed)

    found: LimitSearch = await limit.find(LoadOrder(begin, 0.1), attempt)
    assert found.beds <= carries
    assert carries <= max(found.beds * 1.15, found.beds + limit.LEAST_STEP)
    assert found.of_the_limit.beds == (found.beds or min(t.beds for t in found.tried))


@pytest.mark.parametrize(("order", "named"), [
    (LoadOrder(0, 1.0), "--beds"), (LoadOrder(10, 0.0), "--minutes"), (LoadOrder(10, 1.0, "all"), "--kind"),
    (LoadOrder(10, 1.0, shards=0), "--shards"), (LoadOrder(10, 1.0, ingests=17), "--ingests"),
    (LoadOrder(10, 1.0, ingests=2), "--ingests.*--real"), (LoadOrder(10, 1.0, shards=2, detects=3), "--detects"),
])  # fmt: skip
def test_what_cannot_be_tried_is_said(order: LoadOrder, named: str) -> None:
    with pytest.raises(BadSettings, match=named):
        trial.check(order)
