"""What another number of shards or of sessions costs a ward in use: print the table of docs/upgrade.md.

`python -m tests.bench.reshard [--hours 23] [--only WORDS]`, with mosquitto and redis-server of this machine, which
writes every commit to its disk (appendfsync always). Three beds whose devices never stop, the hours before in the
streams, some flags. What is done is what docs/running.md says: stop the parts, run the command, start them again.
"""

import argparse
import asyncio
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietward.contracts.addresses import Ward
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.inputs import Block, Input, Tick, encode_inputs
from quietward.contracts.samples import Samples
from quietward.contracts.summary import decode_summary
from quietward.runtime.clock import now_ms
from quietward.simulator import bed as simulated
from quietward.simulator.outbox import Outbox
from quietward.simulator.scenario import load
from quietward.store.client import Store
from quietward.transport.mqtt import Publisher
from tests.bench.workers import Second
from tests.faults.ward import FaultWard, running_ward

SCENARIOS = ("cord-not-recovering", "late-with-falling-variability", "calm")
BEDS = [f"bed-{n + 1}" for n in range(len(SCENARIOS))]
HOUR_S = 3600
AGAIN_S = 20 * 60
"""How much of their labours is played live at most; then the last minutes come again."""
WITHIN_S = 900.0
SETTLE_S = 8.0


@dataclass(frozen=True)
class Change:
    """A command with the number it is given, and who is stopped meanwhile, in order."""

    command: str
    before: int
    after: int
    stopped: tuple[str, ...]

    @property
    def name(self) -> str:
        """As it stands in the table."""
        return f"{'shards' if self.command == 'reshard' else 'sessions'} {self.before} to {self.after}"


CHANGES = (
    Change("reshard", 3, 2, ("serve", "ingest", "detect")),
    Change("reshard", 2, 5, ("serve", "ingest", "detect")),
    Change("reseat", 4, 2, ("ingest",)),
    Change("reseat", 1, 2, ("ingest",)),
)


class Devices:
    """Devices of all beds, each with one session that began hours ago, which send every second as it is due."""

    def __init__(self, hours: int) -> None:
        self.began_ms, self.sent = now_ms() - hours * HOUR_S * 1000, hours * HOUR_S
        calm = _seconds("calm", HOUR_S)
        self.long_before = [calm] * len(BEDS)
        self.labours = [_seconds(name, HOUR_S + AGAIN_S) for name in SCENARIOS]

    def second(self, place: int, number: int, first_live: int) -> Second:
        """Return FHR and UA of a bed; the last hour before `first_live` is the beginning of its labour."""
        into = number - (first_live - HOUR_S)
        if into < 0:
            return self.long_before[place][number % HOUR_S]
        labour = self.labours[place]
        return labour[into] if into < len(labour) else labour[HOUR_S + (into - HOUR_S) % AGAIN_S]

    async def write_history(self, store: Store, ward: Ward) -> None:
        """Write what ingest would have written in the hours before."""
        for shard in ward.all_shards:
            places = [place for place, bed in enumerate(BEDS) if ward.shard_of(bed) == shard.number]
            pipe = store.pipeline(transaction=False)
            for number in range(self.sent):
                at = self.began_ms + number * 1000
                items: list[Input] = [Tick(at)]
                for place in places:
                    fhr, ua = self.second(place, number, self.sent)
                    items.append(Block(BEDS[place], "s", number, at, at, fhr, ua))
                for place, item in enumerate(items):
                    pipe.xadd(shard.input, {"e": encode_inputs([item])}, id=f"{at}-{place}")
                if len(pipe) > 500:
                    await pipe.execute()
            await pipe.execute()

    async def send(self, ward: FaultWard) -> None:
        """Send until cancelled."""
        first_live, outbox = self.sent, Outbox()
        url = f"mqtt://127.0.0.1:{ward.links['devices-broker'].port}"
        async with Publisher(url, "devices", ward.ward.status_topic("gateway"), print) as out:
            while True:
                while self.began_ms + self.sent * 1000 <= now_ms():
                    for place, bed in enumerate(BEDS):
                        fhr, ua = self.second(place, self.sent, first_live)
                        payload = Samples("s", self.sent, self.began_ms + self.sent * 1000, 4, fhr, ua)
                        await outbox.send(out, outbox.add(ward.ward.samples_topic(bed), encode_json(payload)))
                    self.sent += 1
                await asyncio.sleep(0.05)


def _seconds(scenario: str, seconds: int) -> list[Second]:
    labour = simulated.simulate(load(scenario), 1, seconds)
    values = [
        [[None if x != x else float(x) for x in row] for row in one.reshape(-1, HZ)] for one in (labour.fhr, labour.ua)
    ]
    return list(zip(*values, strict=True))


@dataclass
class State:
    """What stands in the store: entries, seconds missing by number and unused, lines of logs, flags."""

    entries: int
    missing: int
    unused: int
    repeated_lines: int
    missing_lines: int
    flags: list[str]

    @classmethod
    async def of(cls, ward: FaultWard) -> "State":
        """Look."""
        entries, flags = 0, []
        for shard in ward.ward.all_shards:
            entries += await ward.store.xlen(shard.input)
            raw: Any = await ward.store.hgetall(shard.summary)
            for one in map(decode_summary, raw.values()):
                flags += [f"{one.flag} {one.level.name.lower()}"] if one.flag else []
        return cls(entries, *await ward.missing(), *await ward.lines(), sorted(flags))


@asynccontextmanager
async def ward_in_use(folder: Path, change: Change, hours: int) -> AsyncIterator[tuple[FaultWard, Devices]]:
    """A ward that has been in use for some hours, and whose devices go on."""
    devices = Devices(hours)
    shards, seats = (change.before, 1) if change.command == "reshard" else (2, change.before)
    name = Ward("faults", shards)
    async with running_ward(
        folder, len(BEDS), shards=shards, seats=seats, before=lambda store: devices.write_history(store, name)
    ) as ward:
        sending = asyncio.create_task(devices.send(ward))
        try:
            await _well(ward, devices)
            yield ward, devices
        finally:
            sending.cancel()
            await asyncio.wait([sending])


async def _well(ward: FaultWard, devices: Devices) -> None:
    """Wait until the page shows every bed with a second that was sent after this moment."""
    sent_ms, end = devices.began_ms + devices.sent * 1000, time.monotonic() + WITHIN_S
    while not (ward.is_well() and min(ward.page.newest.newest_ms.values()) >= sent_ms):
        if time.monotonic() > end:
            raise RuntimeError(f"not well: {ward.page.moments[-1:]}; {ward.last_lines()}")
        await asyncio.sleep(0.1)


async def measure(folder: Path, change: Change, hours: int) -> str:
    """Return a row of the table."""
    async with ward_in_use(folder, change, hours) as (ward, devices):
        await asyncio.sleep(SETTLE_S)
        before = await State.of(ward)
        began = time.monotonic()
        for name in change.stopped:
            await _end(ward, name)
        stopped_s = time.monotonic() - began
        environment = ward["ingest"].environment
        done = await asyncio.to_thread(
            subprocess.run, [sys.executable, "-m", "quietward", change.command, str(change.after)],
            env=os.environ | environment, capture_output=True, text=True, check=False,
        )  # fmt: skip
        command_s = time.monotonic() - began - stopped_s
        if done.returncode:
            raise RuntimeError(done.stdout + done.stderr)
        what = "QUIETWARD_SHARDS" if change.command == "reshard" else "QUIETWARD_SEATS"
        for process in ward.processes.values():
            process.environment[what] = str(change.after)
        if change.command == "reshard":
            ward.ward = Ward(ward.ward.name, change.after)
        for name in change.stopped:
            ward[name].start()
        await _well(ward, devices)
        dark_s = time.monotonic() - began
        await asyncio.sleep(SETTLE_S)
        after = await State.of(ward)
        lost = after.missing - before.missing
        unused = after.unused - before.unused
        lines = f"{after.repeated_lines - before.repeated_lines}, {after.missing_lines - before.missing_lines}"
        flags = ", ".join(before.flags) or "none", ", ".join(after.flags) or "none"
        return (
            f"| {change.name} | {hours} | {before.entries:,} to {after.entries:,} | {dark_s:.0f} s | {command_s:.0f} s "
            f"| {lost}{f', {unused} unused' if unused else ''} | {lines} | {flags[0]} | {flags[1]} |"
        )


async def _end(ward: FaultWard, name: str) -> None:
    """End a part as whoever stops it does; the detector first works through what has come."""
    process = ward[name]
    assert process.running is not None
    if name == "detect":
        await asyncio.sleep(1)
    process.send(signal.SIGTERM)
    await asyncio.to_thread(process.running.wait, 60)


HEAD = (
    "| change | hours kept | entries before, after | dark | the command of it | seconds lost | lines repeated, missing "
    "| flags before | flags after |\n|---|---|---|---|---|---|---|---|---|"
)


async def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--hours", type=int, default=23, help="of samples in the streams before")
    asked.add_argument("--only", default="", help="changes whose name holds these words")
    options = asked.parse_args()
    print(HEAD, flush=True)
    for change in CHANGES:
        if options.only in change.name:
            with tempfile.TemporaryDirectory(prefix="quietward-reshard-") as folder:
                print(await measure(Path(folder) / "ward", change, options.hours), flush=True)
                print(f"load {os.getloadavg()[0]:.1f}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    asyncio.run(main())
