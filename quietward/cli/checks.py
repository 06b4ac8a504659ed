"""Checks: of an installation, and of a service that runs."""

import sys
from typing import Annotated

import typer

from quietward.cli.common import rules_check, settings_from
from quietward.cli.options import BrokerOption, PolicyOption, SettingsOption, StoreOption, WardOption


def doctor(
    broker: BrokerOption = None,
    store: StoreOption = None,
    policy: PolicyOption = None,
    settings: SettingsOption = None,
) -> None:
    """Say what is missing for quietward to run here, and how to mend it."""
    from rich.console import Console
    from rich.table import Table

    from quietward.runtime.doctor import examine

    chosen = settings_from(broker=broker, store=store, policy=policy, settings=settings)
    results = examine(chosen, rules_check(chosen.policy))
    table = Table(title="quietward doctor", show_lines=False)
    for name in ("", "what", "seen", "to mend it"):
        table.add_column(name)
    for result in results:
        mark, remedy = ("[green]ok[/]", "") if result.well else ("[red]![/]", result.remedy)
        table.add_row(mark, result.what, result.seen, remedy)
    Console(width=None if sys.stdout.isatty() else 160).print(table)
    if not all(result.well for result in results):
        raise SystemExit(1)


def alive(
    part: Annotated[str | None, typer.Argument(help="simulate, ingest, detect or serve; all if not given.")] = None,
    here: Annotated[bool, typer.Option("--here", help="Only workers of this machine or container.")] = False,
    ward: WardOption = None,
    store: StoreOption = None,
    settings: SettingsOption = None,
) -> None:
    """Exit with 0 if every worker of a part has worked its last second through, else with 1: for health checks."""
    import socket
    import time

    from quietward.contracts import liveness
    from quietward.contracts.addresses import Ward
    from quietward.contracts.errors import Unreachable
    from quietward.store.ask import ask

    own = settings_from(ward=ward, store=store, settings=settings)
    try:
        raw = ask(own.store, "HGETALL", Ward(own.ward).heartbeats)
    except Unreachable as error:
        print(f"quietward: {error}", file=sys.stderr)
        raise SystemExit(1) from error
    reports = [
        report
        for report in liveness.reports_of(dict(zip(raw[::2], raw[1::2], strict=True)))
        if part in (None, report.part) and (not here or report.host == socket.gethostname())
    ]
    now_ms = time.time_ns() // 1_000_000
    for report in reports:
        troubles = "; ".join(liveness.troubles_of(report, now_ms))
        print(f"{report.part} on {report.worker}: {troubles or 'well'}")
    missing = [name for name in ([part] if part else liveness.NEEDED) if name not in {one.part for one in reports}]
    for name in missing:
        print(f"{name}: does not run")
    raise SystemExit(1 if missing or any(liveness.troubles_of(report, now_ms) for report in reports) else 0)
