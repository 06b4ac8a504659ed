"""Run a ward: all of it at once, or one of its services."""

import secrets
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer
from msgspec import structs

from quietward.cli.common import check_range, in_store, rules_check, run_service, settings_from
from quietward.cli.options import (
    BedsOption,
    BrokerOption,
    HostOption,
    PolicyOption,
    PortOption,
    SettingsOption,
    ShardsOption,
    ShiftOption,
    SpeedOption,
    StoreOption,
    WardOption,
)
from quietward.contracts.notice import NOTICE
from quietward.language.terminal import say


def demo(
    beds: BedsOption = None,
    shift: ShiftOption = None,
    minutes: Annotated[float | None, typer.Option("--minutes", help="Stop after this many minutes.")] = None,
    speed: SpeedOption = 1.0,
    port: PortOption = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Do not open a browser.")] = False,
    sign_in: Annotated[
        bool, typer.Option("--sign-in", help="Ask who uses the page; tells three people to try.")
    ] = False,
    broker: BrokerOption = None,
    store: StoreOption = None,
    policy: PolicyOption = None,
    settings: SettingsOption = None,
) -> None:
    """Run a whole ward of simulated beds on this machine, with an embedded broker and store unless others are given."""
    from quietward.runtime.demo import run
    from quietward.simulator.shift import chosen

    check_range("--beds", beds, 1, 500)
    places = chosen([], shift, beds)  # a wrong shift is reported before anything starts
    check_range("--speed", speed, 0.1, 100)
    own = settings_from(port=port, broker=broker, store=store, policy=policy, settings=settings)
    rules_check(own.policy)()  # so is a wrong rule table
    with _demo_people() if sign_in else nullcontext(own.people) as people:
        run(
            structs.replace(own, people=people),
            beds=len(places),
            shift=shift,
            minutes=minutes,
            speed=speed,
            browser=not no_browser,
            own_broker=broker is None,
            own_store=store is None,
        )


@contextmanager
def _demo_people() -> Iterator[str]:
    """Write a file of invented people, one of each role, for as long as the demo runs; tell their passwords."""
    from quietward.dashboard.auth import people

    with TemporaryDirectory(prefix="quietward-people-") as folder:
        invented = {"Vera": people.Role.VIEWER, "Nora": people.Role.NURSE, "Ines": people.Role.IN_CHARGE}
        passwords = {name: secrets.token_urlsafe(9) for name in invented}
        path = Path(folder) / "people.toml"
        people.write(path, [people.new_person(name, role, passwords[name]) for name, role in invented.items()])
        for name, role in invented.items():
            say(f"Sign in as {name} ({role}) with password {passwords[name]}")
        yield str(path)


def ingest(
    ward: WardOption = None,
    broker: BrokerOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Take samples from MQTT, check them, and write them to Redis."""
    from quietward.ingest import service

    own = settings_from(ward=ward, broker=broker, store=store, shards=shards, settings=settings)
    run_service(service.serve(own), own)


def detect(
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    policy: PolicyOption = None,
    settings: SettingsOption = None,
) -> None:
    """Read samples from Redis, find what is on the strips, and keep summaries, flags and logs."""
    from quietward.detect import service

    own = settings_from(ward=ward, store=store, shards=shards, policy=policy, settings=settings)
    run_service(service.serve(own), own)


def reshard(
    shards: Annotated[int, typer.Argument(help="How many shards the ward is to have.", min=1, max=256)],
    ward: WardOption = None,
    store: StoreOption = None,
    settings: SettingsOption = None,
) -> None:
    """Change the number of a ward's shards, while its parts are stopped; nothing is lost."""
    from quietward.runtime.clock import now_ms
    from quietward.store.reshard import reshard as change

    own = settings_from(ward=ward, store=store, settings=settings)
    before = in_store(own, lambda client: change(client, own.ward, shards, now_ms()))
    say(f"{own.ward}: {shards} shards ({before} before). Start all parts with QUIETWARD_SHARDS={shards}")


def reseat(
    seats: Annotated[int, typer.Argument(help="How many sessions at the broker the ward is to have.", min=1, max=64)],
    ward: WardOption = None,
    broker: BrokerOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Change the number of ingest's sessions at the broker, and their names, while no ingest runs; nothing is lost."""
    from quietward.ingest.reseat import reseat as change
    from quietward.runtime.clock import now_ms

    own = settings_from(ward=ward, broker=broker, store=store, shards=shards, settings=settings)
    before = in_store(own, lambda client: change(client, own, seats, now_ms()))
    say(f"{own.ward}: {seats} sessions ({before} before). Start every ingest with QUIETWARD_SEATS={seats}")


def serve(
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    host: HostOption = None,
    port: PortOption = None,
    settings: SettingsOption = None,
) -> None:
    """Serve the page."""
    from quietward.dashboard import app as page
    from quietward.practice import routes as practice

    say(NOTICE, file=sys.stderr)
    own = settings_from(ward=ward, store=store, shards=shards, host=host, port=port, settings=settings)
    run_service(page.serve(own, [practice.extension(Path(own.classroom))]), own)
