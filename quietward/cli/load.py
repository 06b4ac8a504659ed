"""Load tests."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from quietward.cli.common import progress, run_service
from quietward.contracts.errors import extra
from quietward.contracts.notice import NOTICE
from quietward.language.terminal import say


def load(
    beds: Annotated[int, typer.Option("--beds", help="Beds; with --find-limit where the search begins.")] = 1000,
    minutes: Annotated[float, typer.Option("--minutes", help="Minutes to measure, after 15 s to settle.")] = 1.0,
    kind: Annotated[str, typer.Option("--kind", help="steady, ramp, broker-away or detector-slow.")] = "steady",
    page: Annotated[bool, typer.Option("--page", help="Measure up to the pixels of a headless Chromium, too.")] = False,
    find_limit: Annotated[
        bool, typer.Option("--find-limit", help="Find the largest ward of which 99 % is written within 1 s.")
    ] = False,
    real: Annotated[
        bool, typer.Option("--real", help="mosquitto and redis-server of this machine in place of the embedded parts.")
    ] = False,
    shards: Annotated[int, typer.Option("--shards", help="Shards of the ward.")] = 1,
    ingests: Annotated[
        int, typer.Option("--ingests", help="Ingests that share the samples; 2 and more with --real.")
    ] = 1,
    detects: Annotated[int, typer.Option("--detects", help="Detectors that share the shards.")] = 1,
    out: Annotated[Path | None, typer.Option("--out", help="Folder for load.json and delay.svg.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print all numbers, as one JSON object.")] = False,
) -> None:
    """Measure how long a second takes from its device to Redis, to a flag and to the page, on this machine alone."""
    import asyncio

    import msgspec
    from rich.console import Console

    with extra("load", "quietward load"):
        from quietward.load import limit, report, trial

    order = trial.LoadOrder(
        beds, minutes, kind, own_parts=not real, shards=shards, ingests=ingests, detects=detects, page=page,
        processes=1 + (beds > trial.BEDS_OF_A_PROCESS),
    )  # fmt: skip
    trial.check(order)
    say(NOTICE, file=sys.stderr)
    command = "quietward " + " ".join(sys.argv[1:])
    with progress("s") as bar:

        async def attempt(one: trial.LoadOrder) -> trial.Trial:
            task = bar.add_task(f"{one.beds} beds", total=round(one.minutes * 60) + one.warm_s + 10)
            try:
                return await trial.run(one, lambda seconds: bar.update(task, completed=round(seconds)))
            finally:
                bar.remove_task(task)

        search = asyncio.run(limit.find(order, attempt)) if find_limit else None
        last = search.of_the_limit if search else asyncio.run(attempt(order))
    numbers = report.as_object(last, command, search)
    if json:
        print(msgspec.json.encode(numbers).decode())
    else:
        Console().print(report.table(last, search))
    if out is not None:
        for path in report.write(out, numbers, search.tried if search else [last]):
            say(f"written: {path}", file=sys.stderr)


def load_devices(part: Annotated[Path, typer.Argument()]) -> None:
    """Run one process of a load test's devices."""
    import msgspec

    from quietward.load import devices
    from quietward.load.schedule import DeviceShare

    run_service(devices.run(msgspec.json.decode(part.read_bytes(), type=DeviceShare)))
