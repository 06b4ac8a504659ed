"""The detector is killed at points inside its commit; what is in the logs must equal an undisturbed run.

The kills come where they hurt: after the step and before the commit, after the commit was sent and before its answer
was read, after the answer and before the position is remembered.
"""

import asyncio
import random
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Acknowledge, Arrive, Command, Leave, UndoStay
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick, encode_inputs
from quietward.contracts.stays import Arrival
from quietward.contracts.summary import decode_summary
from quietward.simulator import bed as simulated
from quietward.simulator.scenario import load
from quietward.store.client import Store
from tests import detectors
from tests.conftest import WAIT_S, Server
from tests.detectors import Death, outputs, until

pytestmark = pytest.mark.one_kind

POINTS = ("stepped", "sent", "committed", "saving", "saved")
KILLS = 12
SECONDS = 1500
PER_ENTRY = 10
T0 = 1_790_000_000
BEDS = {"bed-1": "cord-not-recovering", "bed-2": "late-with-falling-variability", "bed-3": "noisy-but-well"}
TWINS = "bed-4"

ACTS: list[tuple[int, Command]] = [
    (300, Arrive("bed-3", "Kim", Arrival("green", weeks=31))),
    (700, Leave("bed-3", "Kim")),
    (760, UndoStay("bed-3", "Kim")),
    (900, Leave("bed-3", "Kim")),
    (1000, Arrive("bed-3", "Ann", Arrival("blue"))),
    (1200, Acknowledge("bed-1", "Kim", "bed-1-f1")),
    (200, Arrive(TWINS, "Kim", Arrival("red", twins=True))),
    (600, Leave(TWINS, "Kim")),
    (655, UndoStay(TWINS, "Kim")),
    (1300, Arrive("bed-2", "Ann", Arrival("a slip of the finger"))),
    (1403, UndoStay("bed-2", "Ann")),
]


def inputs() -> list[list[Input]]:
    """Entries of an input stream: three beds and one with twins, a tick a second, an answer, repeated seconds."""
    labours = {bed: simulated.simulate(load(name), 1, SECONDS) for bed, name in BEDS.items()}
    twins = structs.replace(load("calm"), second_twin="cord-not-recovering")
    labours[TWINS] = simulated.simulate(twins, 1, SECONDS)
    entries: list[list[Input]] = []
    for second in range(SECONDS):
        at = (T0 + second) * 1000
        items: list[Input] = [Tick(at)]
        for bed, labour in labours.items():
            part = slice(second * HZ, second * HZ + HZ)
            fhr2 = None if labour.fhr2 is None else _values(labour.fhr2[part])
            items.append(
                Block(bed, "s", second, at, at, _values(labour.fhr[part]), _values(labour.ua[part]), fhr2=fhr2)
            )
            if second % 7 == 0:
                items.append(items[-1])
        items += [CommandEnvelope(at, act) for when, act in ACTS if when == second]
        if second % PER_ENTRY == 0:
            entries.append([])
        entries[-1] += items
    return entries


def _values(samples: Any) -> list[float | None]:
    return [None if np.isnan(x) else float(x) for x in samples]


async def fill(store: Store, ward: Ward, entries: int | None = None) -> str:
    """Write the input stream (its first entries) and return the id of its last entry."""
    last: Any = b""
    for number, items in enumerate(inputs()[:entries]):
        last = await store.xadd(ward.shard(0).input, {"e": encode_inputs(items)}, id=f"{number + 1}-0")
    return bytes(last).decode()


async def work(
    store: Store, server: Server, ward: Ward, last: str, kills: list[tuple[str, int]], tmp_path: Path
) -> int:
    """Run detectors until the last entry is written, killing as told; return how many died by our hand."""
    died = 0
    plan = iter(kills)
    while True:
        process = detectors.start(server, ward.shard(0), Death(*next(plan, ())), tmp_path / "detect.log")
        written: Any = None
        async with asyncio.timeout(12 * WAIT_S):
            while process.exitcode is None and written != last.encode():
                await asyncio.sleep(0.05)
                written = await store.get(ward.shard(0).position)
        if process.exitcode is None:
            process.kill()
            process.join()
            return died
        assert detectors.was_killed(process), (tmp_path / "detect.log").read_text()
        died += 1


async def test_killed_inside_the_commit_it_says_the_same(
    store: Store, store_server: Server, tmp_path: Path, record_property: Any
) -> None:
    plain, killed = Ward("plain"), Ward("killed")
    last = await fill(store, plain)
    assert await fill(store, killed) == last
    assert await work(store, store_server, plain, last, [], tmp_path) == 0
    rng = random.Random(3)
    points = (POINTS[i % len(POINTS)] for i in range(KILLS))
    plan = [(point, 0 if point.startswith("sav") else rng.randrange(0, 4)) for point in points]
    died = await work(store, store_server, killed, last, plan, tmp_path)
    record_property("kills", died)
    assert died >= KILLS // 2, "too few kills for this test to say anything"
    expected, found = await outputs(store, plain), await outputs(store, killed)
    flags = [e for events in expected.values() if isinstance(events, list) for e in events if "flag" in e.kind]
    assert {e.kind for e in flags} >= {"flag-raised", "flag-acknowledged"}
    assert {e.detail.get("fetus") for e in flags} == {None, 2.0}, "the second twin has raised no flag"
    assert found == expected
    assert sum(not kept for key, kept in expected.items() if "kept " in key) >= 6, "no stay has ended"
    equal = sum(len(v) for v in expected.values() if isinstance(v, list | dict))
    print(f"{died} kills at {POINTS}; {equal} outputs equal", file=sys.stderr)


async def test_an_old_owner_is_fenced(store: Store) -> None:
    from quietward.contracts.errors import LostOwnership
    from quietward.detect.store import ShardStore, encoded

    shard = Ward("fence").shard(0)
    old, new = ShardStore(store, shard), ShardStore(store, shard)
    await old.take_over()
    await old.commit("1-0", encoded([], []))
    await new.take_over()
    with pytest.raises(LostOwnership):
        await old.commit("2-0", encoded([], []))
    assert await store.get(shard.position) == b"1-0"
    await new.commit("2-0", encoded([], []))
    assert await store.get(shard.position) == b"2-0"


async def test_a_superseded_detector_does_not_take_the_shard_back(store: Store) -> None:
    from quietward.contracts.errors import LostOwnership
    from quietward.detect.store import ShardStore

    shard = Ward("back").shard(0)
    old, new = ShardStore(store, shard), ShardStore(store, shard)
    await old.check_ownership()  # has not been the owner yet: may take over
    await old.take_over()
    await old.check_ownership()
    await new.take_over()
    with pytest.raises(LostOwnership):
        await old.check_ownership()


async def test_with_other_rules_an_answer_is_kept_and_numbers_go_on(store: Store, tmp_path: Path) -> None:
    """A checkpoint made by other rules is of no use; what was said before must still hold."""
    from quietward.detect import rule_file
    from quietward.detect.service import Detector
    from quietward.detect.store import ShardStore

    ward = Ward("rules")
    shard = ward.shard(0)
    await fill(store, ward, 1200 // PER_ENTRY)
    with_answer = [item for item in inputs()[1200 // PER_ENTRY] if item.at <= (T0 + 1200) * 1000]
    last = "100000-0"
    await store.xadd(shard.input, {"e": encode_inputs(with_answer)}, id=last)
    first = Detector(ShardStore(store, shard), rule_file.load(), 0.05)
    await until(first, store, shard.position, last)
    raw: Any = await store.hgetall(shard.summary)
    before = {bed: decode_summary(summary) for bed, summary in raw.items()}
    assert any(s.acknowledged_by for s in before.values()), "the test needs an answered flag"
    assert any(s.former for s in before.values()), "the test needs a woman who has left"
    policy = tmp_path / "other.toml"
    shipped = Path(rule_file.__file__).with_name("rules") / "attention.toml"
    policy.write_text(shipped.read_text().replace('name = "attention"', 'name = "other"'))
    assert await store.xdel(shard.input, last) == 1  # trimmed by age, as it would be in a long shift
    second = Detector(ShardStore(store, shard), rule_file.load(str(policy)), 0.05)
    await second.take_over()
    state = second.state
    for bed, summary in before.items():
        n = state.index_of[bed.decode()]
        assert state.clock.event[n] == summary.events
        assert state.stay_id(n) == summary.stay_id
        if summary.stay is not None:
            assert state.stays[bed.decode()].stay == summary.stay
            assert state.stays[bed.decode()].former == summary.former
        if summary.flag and summary.acknowledged_by:
            assert state.attention.flag[n] >= int(summary.flag.rpartition("-f")[2])
            assert state.attention.acknowledged[n]
            assert state.words[bed.decode()].acknowledged_by == summary.acknowledged_by
