"""Checks: of an installation, and of a service that runs."""

import shutil
import textwrap
from typing import TYPE_CHECKING, Annotated

import typer

from quietward.cli.common import in_store, rules_check, settings_from
from quietward.cli.options import (
    BrokerOption,
    PolicyOption,
    SettingsOption,
    ShardsOption,
    StoreOption,
    WardOption,
)
from quietward.contracts.errors import in_sentences
from quietward.language.terminal import said
from quietward.runtime.logs import printable

if TYPE_CHECKING:
    from quietward.runtime.refused import Refused

INDENT, CUT = "    ", "..."


def doctor(
    broker: BrokerOption = None,
    store: StoreOption = None,
    policy: PolicyOption = None,
    settings: SettingsOption = None,
) -> None:
    """Check this installation: say what is missing, and how to fix it."""
    from rich.box import SIMPLE
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from quietward.runtime.doctor import examine

    chosen = settings_from(broker=broker, store=store, policy=policy, settings=settings)
    results = examine(chosen, rules_check(chosen.policy))
    table = Table(title="quietward doctor", box=SIMPLE, pad_edge=False)
    for name in ("", "what", "seen, and how to fix it"):
        table.add_column(said(name))
    for result in results:
        mark, remedy = (
            ("[green]ok[/]", "") if result.well else ("[red]![/]", f"\n{escape(in_sentences(result.remedy, said))}")
        )
        table.add_row(mark, said(result.what), escape(said(result.seen)) + remedy)
    Console().print(table)
    if not all(result.well for result in results):
        raise SystemExit(1)


def alive(
    part: Annotated[str | None, typer.Argument(help="simulate, ingest, detect or serve; all if not given.")] = None,
    here: Annotated[bool, typer.Option("--here", help="Only parts of this machine or container.")] = False,
    ward: WardOption = None,
    store: StoreOption = None,
    settings: SettingsOption = None,
) -> None:
    """Exit with 0 if all parts keep up, else with 1: for health checks."""
    from quietward.runtime.health import keeps_up

    chosen = settings_from(ward=ward, store=store, settings=settings)
    raise SystemExit(0 if keeps_up(chosen, part, here) else 1)


def refused(
    bed: Annotated[str | None, typer.Argument(help="Only of this bed.")] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object a line, with the message itself.")] = False,
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """List refused messages by bed and reason, with the newest of each and why it was refused."""
    from quietward.contracts.addresses import Ward
    from quietward.contracts.fields import encode_json
    from quietward.runtime.refused import read_refused

    own = settings_from(ward=ward, store=store, shards=shards, settings=settings)
    everything = in_store(own, lambda client: read_refused(client, Ward(own.ward, own.shards)))
    rows = [one for one in everything if bed in (None, one.bed)]
    if json:
        for one in rows:
            print(encode_json(one).decode())
        return
    print("\n".join(_refused_lines(rows)) if rows else said("nothing was refused"))


def _refused_lines(rows: "list[Refused]") -> list[str]:
    """Return a line for each bed and reason, and below it why the newest was refused, and how its message begins; as
    wide as the terminal.
    """
    from datetime import UTC, datetime

    width = shutil.get_terminal_size().columns
    bed, by, reason, count, newest = map(said, ("bed", "by", "reason", "count", "newest (UTC)"))
    of_bed = max(len(bed), *(len(one.bed) for one in rows))
    lines = [f"{bed:{of_bed}}  {by:6}  {reason:13}  {count:>7}  {newest}"]
    for one in rows:
        at = "" if one.at is None else datetime.fromtimestamp(one.at / 1000, UTC).strftime("%m-%d %H:%M:%S")
        lines.append(f"{one.bed:{of_bed}}  {one.by:6}  {one.reason:13}  {one.count:7}  {at}".rstrip())
        lines += textwrap.wrap(printable(one.text), width, initial_indent=INDENT, subsequent_indent=INDENT)
        if one.payload:
            lines.append(_cut(INDENT + printable(one.payload), width))
    return lines


def _cut(line: str, width: int) -> str:
    """Return as much of a line as fits. width: in columns, of which some letters take two."""
    from rich.cells import cell_len, set_cell_size

    return line if cell_len(line) <= width else set_cell_size(line, width - len(CUT)).rstrip() + CUT
