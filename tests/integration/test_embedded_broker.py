"""The embedded broker keeps what was delivered for a while; its memory has a bound."""

from pathlib import Path

import psutil

from quietward.contracts.addresses import Ward
from quietward.transport.mqtt import Publisher, Subscriber
from tests.conftest import Server, broker_command, free_port

MESSAGES, AT_ONCE, PAYLOAD = 30_000, 250, bytes(4096)
MOST_MB = 100
"""32 MB of payloads are kept, and what their packets came in; 123 MB are sent."""


async def test_what_was_delivered_is_dropped_in_time(tmp_path: Path) -> None:
    port, ward = free_port(), Ward("embedded")
    server = Server(broker_command("embedded", port, tmp_path), port, tmp_path / "log")
    server.start()
    assert server.process is not None
    process = psutil.Process(server.process.pid)
    try:
        url, taken = f"mqtt://127.0.0.1:{port}", 0
        async with (
            Subscriber(url, "ingest", ward.all_topics) as ingest,
            Publisher(url, "device", "", lambda _: None) as out,
        ):
            before_mb = process.memory_info().rss / 1e6
            while taken < MESSAGES:
                for _ in range(AT_ONCE):
                    await out.publish(ward.samples_topic("bed-1"), PAYLOAD)
                wanted = taken + AT_ONCE
                while taken < wanted:
                    batch = await ingest.next_batch()
                    ingest.acknowledge(batch)
                    taken += len(batch)
            assert process.memory_info().rss / 1e6 - before_mb < MOST_MB
    finally:
        server.kill()
