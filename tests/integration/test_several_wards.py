"""Wards side by side on one broker and one store, with beds of the same names: neither knows of the other."""

import asyncio
import json
import urllib.parse
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.settings import Settings
from quietward.dashboard.auth import people
from quietward.dashboard.auth.people import Role
from quietward.runtime.embedded import wait_for_port
from quietward.store.client import Store
from quietward.transport.mqtt import Publisher
from tests.conftest import WAIT_S, Parts, free_port, until, wait_for, well
from tests.integration.test_flow import frame, get, log_of, second, stands_at, summary_of
from tests.integration.test_liveness import alive

pytestmark = pytest.mark.one_kind

PARTS = ("serve", "ingest", "detect")
SECONDS = 480
BEDS = ("bed-1", "bed-2")


@dataclass
class Side:
    """One of the wards. low: its bed whose rate is low."""

    ward: Ward
    settings: Settings
    parts: Parts
    low: str


@pytest.fixture
def sides(settings: Settings, tmp_path: Path) -> Iterator[list[Side]]:
    found = []
    for name, low in (("north", "bed-1"), ("north-2", "bed-2")):  # the one's name begins as the other's
        own = structs.replace(settings, ward=name, port=free_port())
        (tmp_path / name).mkdir()
        found.append(Side(Ward(name), own, Parts(own, tmp_path / name), low))
    yield found
    for side in found:
        side.parts.end()


async def send(side: Side, seconds: range) -> None:
    """Be the devices of a ward's beds."""
    async with Publisher(side.settings.broker, f"devices-{side.ward.name}", "", lambda _: None) as out:
        for seq in seconds:
            for bed in BEDS:
                # 85 and 95 bpm make 90 with some variability, 135 and 145 make 140
                level = (90 if bed == side.low else 140) + (5 if seq // 5 % 2 else -5)
                await out.publish(side.ward.samples_topic(bed), second(seq, fhr=[level] * 4))
        assert await out.settle(WAIT_S) == 0


async def levels(side: Side) -> dict[str, str]:
    """What a page of the ward shows: each bed's level."""
    try:
        head, _ = await frame(side.settings.port)
    except OSError:
        return {}
    return {one["card"]["bed"]: one["card"]["level"] for one in head["beds"]}


async def everything(store: Store, ward: Ward) -> dict[bytes, Any]:
    """All keys of a ward in the store, with how much each holds."""
    found = {}
    for pattern in (f"quietward:{{{ward.name}}}:*", f"quietward:{{{ward.name}:*}}:*"):
        async for key in store.scan_iter(pattern, count=1000):
            found[key] = await store.dump(key)
    return found


async def test_two_wards_on_one_broker_and_one_store(sides: list[Side], store: Store) -> None:
    first, other = sides
    for side in sides:
        for part in PARTS:
            side.parts.start(part)
    assert wait_for(lambda: all("connected to the broker" in side.parts.log("ingest") for side in sides))
    await asyncio.gather(*(send(side, range(SECONDS)) for side in sides))

    async def all_stand_there() -> bool:
        return all([await stands_at(store, side.ward, bed, SECONDS - 1) for side in sides for bed in BEDS])

    assert await until(all_stand_there, 4 * WAIT_S), [side.parts.log("detect") for side in sides]
    for side in sides:  # each has raised its own flag, and no other
        flagged = {bed: {event.kind for event in await log_of(store, side.ward, bed)} & {"flag-raised"} for bed in BEDS}
        assert flagged == {bed: {"flag-raised"} if bed == side.low else set() for bed in BEDS}
        found = [await summary_of(store, side.ward, bed) for bed in BEDS]
        assert [one is not None and one.level == "bedside" for one in found] == [bed == side.low for bed in BEDS]

    async def pages_show_their_own() -> bool:
        shown = [await levels(side) for side in sides]
        return all(
            sorted(one) == list(BEDS) and one[side.low] == "bedside" for one, side in zip(shown, sides, strict=True)
        )

    assert await until(pages_show_their_own, 2 * WAIT_S)
    for side in sides:
        assert json.loads(get(side.settings.port, "/health")[1])["ward"] == side.ward.name
        assert alive(side.settings)[0] == 0
    keys: Any = await store.keys("*")
    assert {key.split(b"{")[1].split(b"}")[0].split(b":")[0] for key in keys} == {b"north", b"north-2"}

    first.parts.end()  # it alone

    async def stopped() -> bool:
        code, said = alive(first.settings)
        return code == 1 and "detect: does not run" in said

    assert await until(stopped)
    left = await everything(store, first.ward)
    await send(other, range(SECONDS, SECONDS + 60))
    assert await until(lambda: stands_at(store, other.ward, "bed-1", SECONDS + 59), 2 * WAIT_S)
    assert all([await until(partial(well, store, other.ward, part)) for part in PARTS])
    assert alive(other.settings)[0] == 0
    assert await everything(store, first.ward) == left, "what stands of a ward that was stopped is left alone"


async def test_who_signs_in_at_one_ward_stays_signed_in_at_the_other(sides: list[Side], tmp_path: Path) -> None:
    """A browser sends a cookie to all ports of a machine."""
    file = tmp_path / "people.toml"
    people.write(file, [people.new_person("Nora", Role.NURSE, "a long password")])
    for side in sides:
        side.parts.start("serve", environment={"QUIETWARD_PEOPLE": str(file)})
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    form = urllib.parse.urlencode({"name": "Nora", "password": "a long password", "next": "/me"}).encode()

    def ask(side: Side, path: str, body: bytes | None = None) -> Any:
        return json.load(browser.open(f"http://127.0.0.1:{side.settings.port}{path}", body, timeout=WAIT_S))

    for side in sides:
        assert wait_for_port(side.settings.port, 2 * WAIT_S), side.parts.log("serve")
        assert ask(side, "/sign-in", form)["name"] == "Nora"
    assert [ask(side, "/me")["name"] for side in sides] == ["Nora", "Nora"]
