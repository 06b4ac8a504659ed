"""Checks: of an installation, and of a service that runs."""

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
    """Say what is missing for quietward to run here, and how to fix it."""
    from rich.box import SIMPLE
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from quietward.runtime.doctor import examine

    chosen = settings_from(broker=broker, store=store, policy=policy, settings=settings)
    results = examine(chosen, rules_check(chosen.policy))
    table = Table(title="quietward doctor", box=SIMPLE, pad_edge=False)
    for name in ("", "what", "seen, and how to fix it"):
        table.add_column(name)
    for result in results:
        mark, remedy = ("[green]ok[/]", "") if result.well else ("[red]![/]", f"\n{escape(result.remedy)}")
        table.add_row(mark, result.what, escape(result.seen) + remedy)
    Console().print(table)
    if not all(result.well for result in results):
        raise SystemExit(1)


def alive(
    part: Annotated[str, typer.Argument(help="simulate, ingest, detect or serve.")],
    ward: WardOption = None,
    store: StoreOption = None,
    settings: SettingsOption = None,
) -> None:
    """Exit with 0 if a part's last heartbeat is young, else with 1: for health checks."""
    import asyncio

    from quietward.runtime.heartbeat import heartbeat_age_s

    age_s = asyncio.run(heartbeat_age_s(settings_from(ward=ward, store=store, settings=settings), part))
    print(f"{part}: no heartbeat" if age_s is None else f"{part}: last heartbeat {age_s:.1f} s ago")
    raise SystemExit(0 if age_s is not None and age_s < 10 else 1)
