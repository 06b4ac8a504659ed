"""Many devices: a simulated ward, or recordings played as devices."""

import asyncio
import logging
import re
from collections.abc import Callable, Sequence
from functools import partial

from quietward.contracts.addresses import Shard, Ward
from quietward.contracts.commands import Command, RecordCare
from quietward.contracts.errors import BadSettings
from quietward.contracts.inputs import CommandEnvelope, encode_inputs, inputs_of
from quietward.contracts.settings import Settings, device_passwords, with_account
from quietward.recordings.recording import Recording
from quietward.runtime import metrics
from quietward.runtime.clock import now_ms
from quietward.runtime.liveness import LATE_S, report
from quietward.runtime.process import RecancellingTaskGroup
from quietward.runtime.retry import Backoff, until_stored
from quietward.simulator.device import Device
from quietward.simulator.output import RecordingOrder
from quietward.simulator.scenario import Scenario
from quietward.simulator.shift import bed_seed
from quietward.simulator.sources import LiveBed, RecordedStrip, Source
from quietward.simulator.truth import Helped
from quietward.store.client import RedisError, Store, connected, newest_id, read_stream
from quietward.store.topology import check_topology

log = logging.getLogger("quietward.simulate")

FEWEST_WEEKS = 20
"""Of gestation that a device may say (`Weeks` in `quietward/contracts/fields.py`)."""


def simulated(places: list[tuple[Scenario, int]], seed: int, seconds: int) -> list[LiveBed]:
    """Return bed-1, bed-2 ... of scenarios and first seconds."""
    return [LiveBed(f"bed-{i + 1}", of, bed_seed(seed, i), seconds, skip_s) for i, (of, skip_s) in enumerate(places)]


def orders(places: list[tuple[Scenario, int]], seed: int, seconds: int | None) -> list[RecordingOrder]:
    """Return what to write to files: bed-1, bed-2 ...; seconds None: to the end of each scenario."""
    return [
        RecordingOrder(f"bed-{i + 1}", of, bed_seed(seed, i), seconds or round(of.lasts_min * 60) - skip_s, skip_s)
        for i, (of, skip_s) in enumerate(places)
    ]


def recorded(recordings: list[Recording], bed: str | None) -> list[RecordedStrip]:
    """Return strips that play recordings; their beds are named after them, or `bed` for a single one."""
    if bed is not None and len(recordings) > 1:
        raise BadSettings("--bed", bed, "Give one recording with --bed, or leave it out")
    if bed is not None and not re.fullmatch(r"[a-z0-9-]{1,32}", bed):
        raise BadSettings("--bed", bed, "Use 1 to 32 of a-z, 0-9 and -")
    beds = [bed or bed_for(r.name) for r in recordings]
    if repeated := [name for name in beds if beds.count(name) > 1]:
        raise BadSettings("PATH", repeated[0], "Two recordings would play at this bed; rename one, or play them apart")
    return [
        RecordedStrip(
            bed or bed_for(r.name), r.fhr, r.ua, f"rec {r.name}"[:64],
            weeks=r.labour.weeks if r.labour.weeks >= FEWEST_WEEKS else None,
            fhr2=r.fhr2, second_stage_from_s=r.labour.second_stage_from_s,
        )
        for r in recordings
    ]  # fmt: skip


def bed_for(name: str) -> str:
    """Return a bed's name made of a recording's."""
    return "rec-" + (re.sub(r"[^a-z0-9-]+", "-", name.lower()).strip("-")[:28] or "x")


async def play(
    settings: Settings,
    sources: Sequence[Source],
    speed: float,
    head_start_s: int = 0,
    moved: Callable[[], None] = lambda: None,
) -> None:
    """Play all sources to their end. Raises Unreachable if the broker is not there at the start."""
    ward = Ward(settings.ward, settings.shards)
    await play_all(settings, [Device(ward, source, speed, head_start_s, moved) for source in sources])


async def play_all(settings: Settings, devices: Sequence[Device]) -> None:
    """Play all devices to the end of their sources. Raises Unreachable if the broker is not there at the start."""
    brokers = brokers_for(settings, [device.source.bed for device in devices])
    metrics.expose(settings, "devices")
    log.info("%d devices of %s begin", len(devices), settings.ward)
    async with RecancellingTaskGroup() as tasks:
        metrics.UNANSWERED.set_function(lambda: sum(len(device.outbox) for device in devices))
        has_accounts = bool(settings.device_passwords)
        for broker, device in zip(brokers, devices, strict=True):
            playing = device.play(broker, settings.tls, has_own_account=has_accounts)
            tasks.create_task(playing, name=device.source.bed)


def brokers_for(settings: Settings, beds: Sequence[str]) -> list[str]:
    """Return the broker's URL for each bed's device, with its own account where there are any. Raises BadSettings."""
    if not settings.device_passwords:
        return [settings.broker] * len(beds)
    passwords = device_passwords(settings.device_passwords)
    names = [f"{settings.ward}/{bed}" for bed in beds]
    for name in names:
        if name not in passwords:
            remedy = f"Holds no line {name}:<password>; add it, here and at the broker"
            raise BadSettings("setting device_passwords", settings.device_passwords, remedy)
    return [with_account(settings.broker, name, passwords[name]) for name in names]


async def simulate(
    settings: Settings,
    beds: list[LiveBed],
    speed: float,
    head_start_s: int,
    comings_and_goings: Sequence[tuple[float, Command]] = (),
) -> None:
    """Play a simulated ward that responds to what is done in it, and show that the simulator is alive.

    comings_and_goings: what is noted of women who come and go, each with its second, in order.
    """
    ward = Ward(settings.ward, settings.shards)
    async with connected(settings.store, settings.tls) as store, RecancellingTaskGroup() as tasks:
        await until_stored(lambda: check_topology(store, ward, shards=settings.shards))
        devices = [Device(ward, bed, speed, head_start_s) for bed in beds]
        tasks.create_task(report(store, ward, "simulate", partial(troubles, devices)), name="report")
        for number in {ward.shard_of(bed.bed) for bed in beds}:
            here = {bed.bed: bed for bed in beds if ward.shard_of(bed.bed) == number}
            tasks.create_task(respond(store, ward.shard(number), here), name=f"follow shard {number}")
        if comings_and_goings:
            tasks.create_task(come_and_go(store, ward, comings_and_goings, speed, head_start_s), name="come and go")
        playing = tasks.create_task(play_all(settings, devices), name="play")
        await asyncio.wait([playing])
        tasks.cancel_all()


def troubles(devices: Sequence[Device]) -> list[str]:
    """Return what keeps devices from sending: for so long that it is no reconnection."""
    now = asyncio.get_running_loop().time()
    away = sum(device.away_since is not None and now - device.away_since > LATE_S for device in devices)
    return [f"{away} of {len(devices)} devices do not reach the broker"] if away else []


async def come_and_go(
    store: Store, ward: Ward, noted: Sequence[tuple[float, Command]], speed: float, head_start_s: int
) -> None:
    """Note in time who comes and who has left, as staff would on the page. What lies before the start is left out."""
    began = asyncio.get_running_loop().time()

    async def write(command: Command) -> None:
        key = ward.shard(ward.shard_of(command.bed)).input
        await store.at(key).xadd(key, {"e": encode_inputs([CommandEnvelope(now_ms(), command)])})

    for second, command in noted:
        if second >= head_start_s:
            due = began + (second - head_start_s) / speed
            await asyncio.sleep(due - asyncio.get_running_loop().time())
            await until_stored(partial(write, command))


async def respond(store: Store, shard: Shard, beds: dict[str, LiveBed]) -> None:
    """Let simulated women respond to the care that is given from now on, until cancelled.

    What people do enters Redis in the shard's input; this reads it there, as the detector does. A stream of its own
    would have to be written beside it, and one of the two could be lost.
    """
    backoff, after = Backoff(), ""
    while True:
        try:
            after = after or await newest_id(store.at(shard.input), shard.input)
            for entry_id, fields in await read_stream(store.at(shard.input), shard.input, after, 500):
                for item in inputs_of(fields):
                    if isinstance(item, CommandEnvelope) and isinstance(item.command, RecordCare) and item.bed in beds:
                        log.info("%s", in_words(item.bed, beds[item.bed].did(item.command.what)))
                after = entry_id.decode()
            backoff.worked()
        except RedisError as error:
            await backoff.wait(f"store: {error}")


def in_words(bed: str, done: Helped) -> str:
    """Say how a simulated woman responds."""
    relieved = [
        f"{span.what} relieved from {span.from_s / 60:.1f} to {span.until_s / 60:.1f} min" for span in done.relieved
    ]
    return f"{bed} at {done.t_s / 60:.1f} min, {done.what}: {', '.join(relieved) or 'nothing is relieved'}"
