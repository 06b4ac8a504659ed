"""The core inside a stream engine says what quietward's own detector says of the same samples."""

import importlib
import sys
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any, cast

import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadRules, MissingExtra
from quietward.contracts.inputs import Input
from quietward.contracts.log import TREND_KIND, Event, decode_event
from quietward.contracts.summary import Summary, decode_summary
from quietward.detect import rule_file
from quietward.detect.core.state.rules import Rules
from quietward.detect.service import Detector
from quietward.detect.store import ShardStore
from quietward.store.client import Store
from tests.detectors import until
from tests.integration.test_crash import BEDS, fill, inputs

pytestmark = [
    pytest.mark.one_kind,
    pytest.mark.skipif(sys.version_info >= (3, 13), reason="Bytewax has no wheels for this Python"),
]
RULES = rule_file.load()
SHARDS = 3


def of_each_bed(items: list[Event | Summary]) -> dict[str, tuple[list[Event], Summary]]:
    """Events of each bed in their order, those that came twice once; and its newest summary."""
    found: dict[str, tuple[list[Event], Summary]] = {}
    for bed in BEDS:
        events = {item.id: item for item in items if isinstance(item, Event) and item.bed == bed}
        newest = [item for item in items if isinstance(item, Summary) and item.bed == bed][-1]
        found[bed] = sorted(events.values(), key=lambda event: int(event.id.rpartition("-")[2])), newest
    return found


def run(source: Any, recovery: Path | None = None) -> list[Event | Summary]:
    from bytewax import operators as op
    from bytewax.dataflow import Dataflow
    from bytewax.recovery import RecoveryConfig
    from bytewax.testing import TestingSink, run_main

    from quietward.dataflow import detect

    out: list[tuple[str, Event | Summary]] = []
    flow = Dataflow("ward")
    op.output("out", detect("detect", op.input("in", flow, source), RULES, SHARDS), TestingSink(out))
    go_on, run_flow = cast("Any", RecoveryConfig), cast("Any", run_main)
    kept = None if recovery is None else go_on(str(recovery))
    # At the end of an epoch every state is written down: with each batch where a run is cut off, else hardly ever.
    run_flow(flow, epoch_interval=timedelta(seconds=10 if recovery is None else 0), recovery_config=kept)
    return [item for _, item in out]


def all_inputs() -> list[Input]:
    return [item for entry in inputs() for item in entry]


@cache
def undisturbed() -> dict[str, tuple[list[Event], Summary]]:
    from bytewax.testing import TestingSource

    return of_each_bed(run(TestingSource(all_inputs(), batch_size=97)))


async def test_it_says_what_the_shell_says(store: Store, ward: Ward) -> None:
    last = await fill(store, ward)
    shard = ward.shard(0)
    await until(Detector(ShardStore(store, shard), RULES, 1.0), store, shard.position, last)
    found = undisturbed()
    for bed, (events, summary) in found.items():
        written: list[Event] = []
        async for key in store.scan_iter(f"{shard.root}:*:{bed}*"):
            entries: Any = await store.xrange(key)
            written += [decode_event(fields[b"e"]) for _, fields in entries]
        written.sort(key=lambda event: int(event.id.rpartition("-")[2]))
        assert any(event.kind == "flag-raised" for event in written) == (bed != "bed-3")
        assert any(event.kind == TREND_KIND for event in written)
        assert events == written
        raw: Any = await store.hget(shard.summary, bed)
        assert summary == decode_summary(raw)


def test_it_goes_on_where_a_failure_stopped_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from bytewax.recovery import init_db_dir
    from bytewax.testing import TestingSource

    from quietward import dataflow

    resumed: list[bool] = []

    class Noted(dataflow.ShardDetector):
        def __init__(self, rules: Rules, resume: bytes | None) -> None:
            resumed.append(resume is not None)
            super().__init__(rules, resume)

    monkeypatch.setattr(dataflow, "ShardDetector", Noted)
    cast("Any", init_db_dir)(tmp_path, 1)
    items = all_inputs()
    half = len(items) // 2
    source = TestingSource([*items[:half], TestingSource.ABORT(), *items[half:]], batch_size=600)
    first = run(source, tmp_path)
    assert not any(resumed)
    rest = run(source, tmp_path)
    assert any(resumed), "the second run began at zero"
    assert of_each_bed([*first, *rest]) == undisturbed()


def test_it_does_not_go_on_from_a_state_of_other_rules() -> None:
    from quietward.dataflow import ShardDetector

    with pytest.raises(BadRules, match="state of the dataflow: 'another version'"):
        ShardDetector(RULES, b"\0" * 40)


def test_it_names_its_extra_when_that_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "quietward.dataflow", raising=False)
    monkeypatch.setitem(sys.modules, "bytewax", None)
    with pytest.raises(MissingExtra, match=r"pip install 'quietward\[engine\]'"):
        importlib.import_module("quietward.dataflow")
