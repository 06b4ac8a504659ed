"""`quietward load` on real parts: nothing lost, every flag found, all processes gone; and commits tell the truth."""

import asyncio
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import psutil
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.fields import encode_json
from quietward.contracts.notice import NOTICE
from quietward.contracts.samples import Samples
from quietward.contracts.settings import Settings
from quietward.contracts.summary import decode_summary
from quietward.load import trial
from quietward.load.trial import LoadOrder
from quietward.runtime.clock import now_ms
from quietward.store.client import Store
from quietward.transport.mqtt import Publisher
from tests.conftest import CHROMIUM, MOSQUITTO, REDIS, WAIT_S, Parts, require, until, wait_for, well
from tests.integration.test_commands import quietward
from tests.integration.test_study_command import running


def below() -> set[int]:
    """Pids of all processes below this one."""
    return {one.pid for one in psutil.Process().children(recursive=True)}


async def test_a_short_trial(kind: str) -> None:
    if kind == "real":
        require(MOSQUITTO, "mosquitto")
        require(REDIS, "redis-server")
    before = below()
    found = await trial.run(LoadOrder(beds=24, minutes=0.1, own_parts=kind == "embedded", shards=2, warm_s=3))
    assert (found.lost, found.duplicated) == (0, 0)
    assert found.delivered == found.sent == 24 * (300 + 9)
    assert found.flags_asked == 24
    assert found.flags_raised >= 22
    assert found.flags_raised + found.flags_earlier == 24  # where a dip was read as the beginning of the fall
    assert found.summary_ms.p50 is not None
    assert found.flag_needs_s.p50 is not None
    assert 115 <= found.flag_needs_s.p50 <= 130  # the policy's 120 s, and an evaluation every 5 s
    assert {"broker", "store", "ingest", "detect", "devices-0", "watching"} == set(found.cpu_s)
    assert all(mb > 1 for mb in found.memory_mb.values())
    assert 50 < found.bytes_of_a_second < 1000
    assert set(found.stages) == {"write", "step", "commit"}
    assert found.in_detect_ms.max is not None
    for stage in found.stages.values():
        assert stage.mean_ms is not None
        assert 0 < stage.mean_ms < found.in_detect_ms.max, "what is a part of the way is no longer than the longest way"
        assert stage.per_s > 1, "beds send once a second, and there are ticks"
    assert below() <= before, "all that it has started has ended"


async def test_beds_that_join_one_after_the_other_are_all_measured() -> None:
    beds, warm_s, seconds, joins_s = 24, 3, 9, 7
    found = await trial.run(LoadOrder(beds=beds, minutes=seconds / 60, kind="ramp", warm_s=warm_s))
    assert found.sent == sum(warm_s + seconds - bed * joins_s // beds for bed in range(beds))
    assert (found.delivered, found.lost, found.duplicated) == (found.sent, 0, 0)
    assert found.flags_asked == 0, "nobody's rate falls while beds join"
    assert found.summary_ms.max is not None
    assert 50 < found.bytes_of_a_second < 1000


@pytest.mark.alone
@pytest.mark.parametrize("what", ["broker-away", "detector-slow"])
async def test_what_stands_still_counts_as_late_and_is_made_up_for(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    require(MOSQUITTO, "mosquitto")
    require(REDIS, "redis-server")
    monkeypatch.setattr(trial, "STANDS_STILL_S", 3.0)
    found = await trial.run(
        LoadOrder(beds=24, minutes=0.2, kind=what, own_parts=False, shards=2, ingests=2, detects=2, warm_s=5)
    )
    assert (found.lost, found.delivered) == (0, found.sent)
    assert found.summary_ms.max is not None
    assert 2_500 <= found.summary_ms.max < 8_000, "the first second that stood waited as long as it lasted"
    assert found.summary_ms.p50 is not None
    assert found.summary_ms.p50 < found.summary_ms.max / 5, "afterwards nothing is late any more"
    assert found.caught_up_s < 2
    if what == "detector-slow":
        assert found.deepest_queue_ms >= 1_500
        stood = [ms for ms in found.by_second if ms > 1_000]
        assert 2 <= len(stood) <= 8
    else:
        assert found.late_share > 0.1
    assert {"ingest-0", "ingest-1", "detect-0", "detect-1"} <= set(found.cpu_s)


def test_the_command_says_all_as_json_and_measures_to_the_page() -> None:
    require(CHROMIUM, "chromium")
    said = quietward("load", "--beds", "4", "--minutes", "0.1", "--page", "--json")
    assert said.returncode == 0, said.stderr
    assert NOTICE in said.stderr
    found: dict[str, Any] = json.loads(said.stdout)
    assert (found["notice"], found["beds"], found["lost"], found["duplicated"]) == (NOTICE, 4, 0, 0)
    assert found["sent"] == found["delivered"] == 4 * (300 + 21)
    for name in ("summary_ms", "flag_ms", "page_ms"):
        assert set(found[name]) == {"p50", "p95", "p99", "max"}
        assert found[name]["p50"] <= found[name]["max"]
    assert found["page_ms"]["p50"] > found["summary_ms"]["p50"]
    assert {"page", "detect"} <= set(found["cpu_s"])
    assert {"python", "store", "aiomqtt"} <= set(found["versions"])


def test_a_load_test_that_is_killed_leaves_nothing_behind(tmp_path: Path) -> None:
    require(MOSQUITTO, "mosquitto")
    require(REDIS, "redis-server")
    command = [sys.executable, "-m", "quietward", "load", "--real", "--beds", "2", "--minutes", "5"]
    environment = os.environ | {"TMPDIR": str(tmp_path)}
    load = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)
    try:
        started = wait_for(lambda: any("load-devices" in line and str(tmp_path) in line for line in running()))
        family = psutil.Process(load.pid).children(recursive=True)
    finally:
        load.kill()
        load.wait()
    assert started
    assert {"mosquitto", "redis-server"} <= {one.name() for one in family}
    _, alive = psutil.wait_procs(family, timeout=WAIT_S)
    for one in alive:
        one.kill()
    assert not alive


async def test_commits_tell_when_a_summary_was_there(
    parts: Parts, settings: Settings, ward: Ward, store: Store
) -> None:
    """By another way: the summary is asked for again and again, and must have changed when the commit says so."""
    parts.start("ingest")
    parts.start("detect")
    shard, told = ward.shard(0), []
    async with store.pubsub() as heard, Publisher(settings.broker, "d", ward.status_topic("b"), print) as out:
        await heard.ssubscribe(shard.written)

        async def listening() -> bool:
            return await well(store, ward, "detect") and await well(store, ward, "ingest")

        assert await until(listening)
        t0 = now_ms()
        for k in range(12):
            samples = Samples("s", k, t0 + k * 1000, 4, [140.0] * 4, [10.0] * 4)
            await out.publish(ward.samples_topic("b"), encode_json(samples))
            before_us = after_us = 0
            end = time.monotonic() + WAIT_S
            while time.monotonic() < end:
                asked_us = time.time_ns() // 1000
                raw = await store.hget(shard.summary, "b")
                if raw is not None and decode_summary(raw).t // 1000 >= (t0 + k * 1000) // 1000:
                    after_us = time.time_ns() // 1000
                    break
                before_us = asked_us
            assert after_us, parts.log("detect")
            told.append((before_us, after_us))
            await asyncio.sleep(0.02)
        written: list[int] = []

        def untold() -> list[tuple[int, int]]:
            return [(before, after) for before, after in told if not any(before <= at <= after for at in written)]

        end = time.monotonic() + WAIT_S
        while untold() and time.monotonic() < end:
            message = await heard.get_message(ignore_subscribe_messages=True, timeout=0.2)
            if message is not None:  # and None for what is ignored
                written.append(int(message["data"].split()[1]))
    assert not untold(), (untold(), written)
    assert len(written) >= 12
