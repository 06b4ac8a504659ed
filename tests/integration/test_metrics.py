"""Every part serves its counts for Prometheus; what they say is held against what is in the store."""

import socket
import urllib.request
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from quietward import __version__
from quietward.contracts.addresses import Ward
from quietward.contracts.settings import Settings
from quietward.contracts.summary import decode_summary
from quietward.runtime.embedded import wait_for_port
from quietward.store.client import Store
from quietward.transport.mqtt import Publisher
from tests.conftest import WAIT_S, Parts, free_port, until
from tests.integration.test_commands import quietward

pytestmark = pytest.mark.one_kind

BEDS, HEAD_START_MIN = 3, 6
AT_ONCE = BEDS * HEAD_START_MIN * 60
"""Seconds that are sent at once: enough for a baseline at every bed, which would be waited for in real time."""
Sample = dict[tuple[str, ...], float]


def scraped(port: int) -> dict[str, Sample]:
    """Return the samples by name, each with its labels' values."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=WAIT_S) as answer:
        text = answer.read().decode()
    found: dict[str, Sample] = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            found.setdefault(sample.name, {})[*sample.labels.values()] = sample.value
    return found


async def test_every_part_is_scraped(parts: Parts, settings: Settings, ward: Ward, store: Store) -> None:
    ports = {name: free_port() for name in ("ingest", "detect", "serve", "simulate")}
    for name in ("ingest", "detect", "serve"):
        parts.start(name, metrics_port=ports[name])
    assert all(wait_for_port(ports[name], WAIT_S) for name in ("ingest", "detect", "serve")), parts.log("serve")
    async with Publisher(settings.broker, "odd", ward.status_topic("odd"), print) as out:

        async def is_refused() -> bool:
            await out.publish(ward.samples_topic("odd"), b"{")
            return bool(await store.hgetall(ward.refusals))

        assert await until(is_refused), parts.log("ingest")
    parts.start("simulate", "--beds", str(BEDS), "--head-start", str(HEAD_START_MIN), metrics_port=ports["simulate"])
    assert wait_for_port(ports["simulate"], WAIT_S), parts.log("simulate")

    async def summaries() -> list[Any]:
        raw: Any = await store.hgetall(ward.shard(0).summary)
        return [decode_summary(one) for one in raw.values()]

    async def all_beds_run() -> bool:
        worked = scraped(ports["detect"])["quietward_bed_seconds_total"][()]
        return worked >= AT_ONCE and len([one for one in await summaries() if one.baseline_bpm is not None]) == BEDS

    assert await until(all_beds_run), parts.log("detect")

    async def frames_are_made() -> bool:
        return scraped(ports["serve"])["quietward_frame_seconds_count"][()] > 2

    assert await until(frames_are_made), parts.log("serve")

    found: dict[str, dict[str, Sample]] = {}
    refused: Any = {}
    good = -1

    async def counts_agree() -> bool:
        """Not while a batch is under way: what it counts, and what it writes, comes one after the other."""
        nonlocal refused, good
        found.update({name: scraped(port) for name, port in ports.items()})
        refused = await store.hgetall(ward.refusals)
        good = sum(one.signal == "good" for one in await summaries())
        ingest, detect = found["ingest"], found["detect"]
        return (
            0 < ingest["quietward_batch_count"][()] == ingest["quietward_ingest_write_seconds_count"][()]
            and ingest["quietward_refused_total"]["json",] == int(refused[b"odd json"])
            and detect["quietward_delay_seconds_count"][()] == detect["quietward_bed_seconds_total"][()]
            and detect["quietward_beds_by_signal"]["good",] == good
            and 0 <= detect["quietward_lag_seconds"]["0",] < 5
            and found["simulate"]["quietward_unanswered"][()] <= BEDS * 3
            and all(samples["quietward_heartbeats_total"][name,] > 0 for name, samples in found.items())
        )

    assert await until(counts_agree), (found, refused, good)

    ingest, detect = found["ingest"], found["detect"]
    assert ingest["quietward_refused_total"]["json",] > 0
    assert ingest["quietward_refused_total"]["size",] == 0, "what has never happened is there, too"
    assert ingest["quietward_messages_total"][()] >= AT_ONCE
    assert ingest["quietward_holds"]["ingest", "0"] == 1

    assert detect["quietward_holds"]["detect", "0"] == detect["quietward_taken_over_total"]["detect",] == 1
    assert AT_ONCE <= detect["quietward_bed_seconds_total"][()] <= ingest["quietward_messages_total"][()] + BEDS * 3
    assert sum(detect["quietward_beds_by_level"].values()) == sum(detect["quietward_beds_by_signal"].values()) == BEDS
    assert {level for (level,) in detect["quietward_beds_by_level"]} == {"quiet", "noted", "look", "bedside", "team"}
    assert detect["quietward_commit_seconds_sum"][()] > 0
    assert detect["quietward_events_total"]["minute",] >= BEDS

    assert found["simulate"]["quietward_sent_total"][()] >= AT_ONCE
    assert found["serve"]["quietward_pages"][()] == 0
    assert ingest["quietward_broker_connected"][()] == 1
    own = {"ingest": "quietward_messages_total", "detect": "quietward_lag_seconds", "serve": "quietward_pages",
           "simulate": "quietward_sent_total"}  # fmt: skip
    for part, samples in found.items():
        assert {name for name in own.values() if name in samples} == {own[part]}, "only of the part itself"
        (build,) = samples["quietward_build_info"]
        assert __version__ in build
    for samples in found.values():
        assert samples["process_cpu_seconds_total"][()] > 0
        assert not [key for labels in samples.values() for key in labels if "bed-" in "".join(key)], "a bed is named"


def test_a_port_that_is_taken_is_said() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        said = quietward("ingest", QUIETWARD_METRICS_PORT=str(taken.getsockname()[1]))
    assert said.returncode == 2
    assert "QUIETWARD_METRICS_PORT" in said.stderr
