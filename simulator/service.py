"""Many devices: a simulated ward, or recordings played as devices."""

import logging
import re
from collections.abc import Callable
from pathlib import Path

from quietward import recordings
from quietward.addresses import Ward
from quietward.errors import BadSettings
from quietward.recordings import Recording
from quietward.running import Tasks, heartbeat
from quietward.settings import Settings
from quietward.store import connected
from simulator import scenario, signals
from simulator.device import Device, Strip

log = logging.getLogger("quietward.simulate")

DEMO_ORDER = (
    "calm", "cord-not-recovering", "late-with-falling-variability", "noisy-but-well", "early-with-contractions",
    "cord-now-and-then", "close-contractions", "rising-baseline",
)  # fmt: skip


def simulated(beds: int, names: list[str], seed: int, seconds: int) -> list[Strip]:
    """Return strips of bed-1, bed-2 ...; the scenarios are dealt in turn. Raises BadScenario."""
    chosen = [scenario.load(name) for name in (names or DEMO_ORDER)]
    strips = []
    for i in range(beds):
        labour = signals.simulate(chosen[i % len(chosen)], seed + i, seconds)
        strips.append(Strip(f"bed-{i + 1}", labour.fhr, labour.ua, f"sim {chosen[i % len(chosen)].name}"))
    return strips


def recorded(found: list[Recording], bed: str | None) -> list[Strip]:
    """Return strips that play recordings; their beds are named after them, or `bed` for a single one."""
    if bed is not None and len(found) > 1:
        raise BadSettings("--bed", bed, "Give one recording with --bed, or leave it away")
    if bed is not None and not re.fullmatch(r"[a-z0-9-]{1,32}", bed):
        raise BadSettings("--bed", bed, "Use 1 to 32 of a-z, 0-9 and -")
    return [Strip(bed or bed_for(r.name), r.fhr, r.ua, f"rec {r.name}"[:64]) for r in found]


def bed_for(name: str) -> str:
    """Return a bed's name made of a recording's."""
    return "rec-" + (re.sub(r"[^a-z0-9-]+", "-", name.lower()).strip("-")[:28] or "x")


def read_all(paths: list[Path]) -> list[Recording]:
    """Read recordings. Raises BadRecording for the first that cannot be read."""
    return [recordings.read(path) for path in recordings.expand(paths)]


async def play(
    settings: Settings,
    strips: list[Strip],
    speed: float,
    head_start_s: int = 0,
    moved: Callable[[], None] = lambda: None,
) -> None:
    """Play all strips to their end. Raises Unreachable if the broker is not there at the start."""
    ward = Ward(settings.ward, settings.shards)
    log.info("%d devices of %s begin", len(strips), ward.name)
    async with Tasks() as tasks:
        for strip in strips:
            device = Device(ward, strip, speed, head_start_s, moved)
            tasks.create_task(device.play(settings.broker), name=strip.bed)


async def simulate(settings: Settings, strips: list[Strip], speed: float, head_start_s: int) -> None:
    """Play a simulated ward and show that the simulator is alive."""
    async with connected(settings.store) as store, Tasks() as tasks:
        beating = tasks.create_task(heartbeat(store, Ward(settings.ward).parts, "simulate"), name="heartbeat")
        await play(settings, strips, speed, head_start_s)
        beating.cancel()
