"""Memory of the embedded broker: `python -m tests.bench.broker [--messages 1000000] [--beds 12]`.

Devices, each with a connection of its own, send a second after the other as fast as ingest's subscriber acknowledges
them. Every 50,000 messages a line says what the broker holds. At the end: how much it has grown over the second half,
and whether that is flat as `tests.bench.soak` has it. Exit code 1 if it is not.
"""

import argparse
import asyncio
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import msgspec
import numpy as np
import psutil

from quietward.contracts.addresses import Ward
from quietward.runtime.embedded import free_port, wait_for_port
from quietward.runtime.process import command_of
from quietward.transport.mqtt import Publisher, Subscriber
from tests.bench.soak import MB, Sample, started, table

TOLD_EVERY = 50_000
AHEAD = 100
"""So many seconds may a device be ahead of what is acknowledged: the broker drops what waits for too long."""
T0_MS = 1_790_000_000_000
WARD = Ward("broker")


def second(seq: int, rng: np.random.Generator) -> bytes:
    """Return a second as a device sends it."""
    fhr, ua = (np.round(mean + 5 * rng.standard_normal(4), 2).tolist() for mean in (140, 15))
    return msgspec.json.encode({"session": "a-1", "seq": seq, "t": T0_MS + 1000 * seq, "hz": 4, "fhr": fhr, "ua": ua})


@contextmanager
def broker() -> Iterator[tuple[str, psutil.Process]]:
    """Run the embedded broker. Yields its URL and its process."""
    port = free_port()
    with started(command_of("embedded-broker", "--port", str(port))) as process:
        assert wait_for_port(port)
        yield f"mqtt://127.0.0.1:{port}", psutil.Process(process.pid)


class Progress:
    """How many messages have been acknowledged; devices wait for it."""

    def __init__(self) -> None:
        self.taken = 0
        self.more = asyncio.Event()

    def add(self, messages: int) -> None:
        """Let the devices go on."""
        self.taken += messages
        self.more.set()
        self.more = asyncio.Event()


async def send(url: str, bed: str, seconds: int, beds: int, progress: Progress) -> None:
    """Be a bed's device."""
    rng = np.random.default_rng(len(bed))
    async with Publisher(url, f"device-{bed}", WARD.status_topic(bed), lambda _: None) as out:
        for seq in range(seconds):
            while seq > progress.taken / beds + AHEAD:
                await progress.more.wait()
            await out.publish(WARD.samples_topic(bed), second(seq, rng))
        await out.settle(60)


async def run(messages: int, beds: int) -> list[Sample]:
    """Send and acknowledge so many messages. Returns what the broker held meanwhile."""
    samples: list[Sample] = []
    began = time.monotonic()
    with broker() as (url, process):
        async with Subscriber(url, "ingest", WARD.samples_topic("+"), WARD.status_topic("+")) as ingest:
            progress = Progress()
            sending = [send(url, f"bed-{n + 1}", messages // beds, beds, progress) for n in range(beds)]
            devices = [asyncio.create_task(one) for one in sending]
            while progress.taken < messages // beds * beds:
                batch = await ingest.next_batch()
                ingest.acknowledge(batch)
                before = progress.taken
                progress.add(len(batch))
                if before // TOLD_EVERY < progress.taken // TOLD_EVERY:
                    samples.append(
                        {"min": progress.taken / 1000, "embedded broker, MB": process.memory_info().rss / MB}
                    )
                    print(f"{progress.taken:,} messages: {samples[-1]['embedded broker, MB']:.1f} MB", flush=True)
            await asyncio.gather(*devices)
        cpu = process.cpu_times()
        us = 1e6 * (cpu.user + cpu.system) / progress.taken
        per_s = progress.taken / (time.monotonic() - began)
        print(f"{per_s:,.0f} messages a second, the broker's CPU {us:.0f} us a message")
    return samples


def main() -> int:
    """Run, print the table, and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.broker", description=__doc__)
    parser.add_argument("--messages", type=int, default=1_000_000)
    parser.add_argument("--beds", type=int, default=12)
    given = parser.parse_args()
    samples = asyncio.run(run(given.messages, given.beds))
    lines, faults = table(samples, 1000 / 60)  # the clock is a thousand messages a minute
    print("\n".join([*lines, *faults]))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
