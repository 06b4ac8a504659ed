"""Studies of alert thresholds, over simulated shifts or over a ward's last hours."""

import os
import sys
import textwrap
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quietward.cli.common import ProgressLines, settings_from, time_left
from quietward.cli.options import PolicyOption, SettingsOption, ShardsOption, StoreOption, WardOption
from quietward.contracts.errors import BadSettings, MissingExtra, QuietwardError, extra
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.language.terminal import said, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.table import Table

    from quietward.study.report import FullReport
    from quietward.study.result import Estimate, Share

WIDTH, MOST_SAID = 80, 400
"""Columns of what is printed, and the most characters of one figure that differs."""


def study(
    name: Annotated[str, typer.Argument(help="Study: a name, or a path ending in .toml.")] = "default-policy",
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder of the report, studies/NAME if not given; results so far are kept there."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, max=256, help="Processes; one for each core if not given.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print all numbers, as in report.json.")] = False,
    seed: Annotated[
        int | None, typer.Option("--seed", help="First seed of simulated shifts, in place of the study's.")
    ] = None,
    check: Annotated[
        Path | None,
        typer.Option("--check", help="Run nothing: work this folder's report out again from its tables, and compare."),
    ] = None,
) -> None:
    """Measure what alert thresholds cost in interruptions and save in minutes, over simulated shifts with staff."""
    if check is not None:
        _check(check)
        return
    from rich.console import Console

    with extra("studies", "quietward study"):
        from quietward.study import cases, plan, report, report_page, result, tables
        from quietward.study import run as runner
        from quietward.study import what_if as comparison
        from quietward.study.progress import PHASES, Progress

    planned = plan.load(name, seed)
    out = out or Path("studies") / planned.study.name
    say(NOTICE, file=sys.stderr)
    passed_over: list[str] = []

    def tell(error: QuietwardError) -> None:
        passed_over.append(str(error))
        print(f"quietward: {error.in_words(said)}", file=sys.stderr)

    groups = cases.group_cases(planned.study, tell)
    done_before = out / "done"
    processes = workers or os.cpu_count() or 1
    load = runner.workload(planned, groups, processes)
    cost = said(
        f"{load.bed_hours:.0f} bed-hours under {load.variants} variants: {time_left(load.expected_s)} on "
        f"{load.processes} {'core' if load.processes == 1 else 'cores'}; "
        f"what is in {done_before} is not computed again"
    )
    print(_filled(cost), file=sys.stderr, flush=True)
    lines = ProgressLines()

    def moved(now: Progress) -> None:
        what = f"{now.phase + 1} of {len(PHASES)}, {PHASES[now.phase]}"
        lines.tell(what, now.bed_hours, now.of, now.left_s)

    outcome = runner.run(planned, groups, done_before, processes, moved, result.chosen_with_other_staff)
    lines.end()
    summary = result.summarize(outcome)
    written = tables.write(out, outcome)
    try:
        written += tables.write_parquet(out, outcome)
    except MissingExtra as error:
        print(f"quietward: {error.in_words(said)}. {said('The CSV tables hold the same')}", file=sys.stderr)
    digests = {path.name: tables.digest(path) for path in written}
    command = f"quietward study {name}" + ("" if seed is None else f" --seed {seed}")
    full_report = report.full_report(outcome, summary, command, passed_over, digests)
    page = report_page.render(summary.reported, full_report)
    first = cases.measure_shifts(groups[0], planned.rules, done_before)
    written += [*report.write(out, full_report, page), comparison.write(out, comparison.build_what_if(planned, first))]
    if json:
        print((out / "report.json").read_text())
    else:
        Console(highlight=False).print(full_report.headline, markup=False)
        Console(highlight=False).print(_study_table(full_report))
    for path in written:
        say(f"written: {path}", file=sys.stderr)
    if passed_over:
        raise SystemExit(2)


def _check(folder: Path) -> None:
    """Print what a report says beside what its tables say. Raises SystemExit(1) where they differ."""
    from quietward.study import check

    compared = check.check(folder)
    differing = [one for one in compared if not one.is_same]
    for one in compared:
        if not one.is_same or one.what in check.SHOWN:
            print(_filled(_short(f"{one.what}: {one.report}"), indent="    "))
            if not one.is_same:
                print(_filled(f"    {said(f'DIFFERS from the tables: {_short(str(one.tables))}')}", indent="    "))
    say(f"{len(compared) - len(differing)} of {len(compared)} figures are as the tables say")
    if differing:
        raise SystemExit(1)


def _filled(words: str, indent: str = "") -> str:
    return textwrap.fill(words, WIDTH, subsequent_indent=indent, break_on_hyphens=False)


def _short(words: str) -> str:
    """Return words that may be a whole table's, cut where they become too many to read."""
    return words if len(words) <= MOST_SAID else f"{words[:MOST_SAID]} …"


def _study_table(report: "FullReport") -> "Table":
    from rich.box import SIMPLE
    from rich.table import Table

    from quietward.study.plan import BASE
    from quietward.study.result import COUNTED

    limit, choice = report.study.limit, report.choice
    title = f"{report.study.name}: {report.reported} of {report.shifts} shifts; late: needs of level {limit.level}"
    chosen = f"{choice.name} chosen on the other {choice.chosen_on} shifts" if choice.name else choice.why
    if BASE in choice.alike:
        chosen += ", today's cannot be told apart from it"
    elif BASE in choice.as_late:
        chosen += ", today's cannot be told apart from it by what is late"
    to = COUNTED[limit.reached].to
    caption = f"In brackets: 95 % intervals; min: to {to}, longest: to anybody; {chosen}\n{NOTICE}"
    table = Table(title=title, caption=caption, box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("variant", overflow="fold")
    for head in ("interruptions\nper nurse-hour", "late", "median\nmin", "longest\nmin", "meets\nlimit"):
        table.add_column(head, justify="right", no_wrap=True)
    shown = [r for r in report.rows if r.name in (report.chosen, BASE) or r.kind != "policy" or r.on_front]
    for r in shown:
        table.add_row(
            f"{r.name} [green](chosen)[/]" if r.name == report.chosen else r.name,
            _rate_in_words(r.interruptions_per_nurse_hour), _share_in_words(r.late),
            "–" if not r.needs else "never" if r.reached.p50 is None else f"{r.reached.p50 / 60:.1f}",
            f"{r.longest_wait_s / 60:.0f}" if r.needs else "–", r.verdict.replace(", not certain", "?"),
        )  # fmt: skip
    return table


def _rate_in_words(rate: "Estimate") -> str:
    if rate.value is None:
        return "–"
    return f"{rate.value:.2f}" + ("" if rate.low is None or rate.high is None else f" ({rate.low:.2f}–{rate.high:.2f})")


def _share_in_words(share: "Share") -> str:
    if share.low is None or share.high is None:
        return "–"
    return f"{share.count} of {share.of} ({100 * share.low:.0f}–{100 * share.high:.0f} %)"


def what_if(
    hours: Annotated[float, typer.Option("--hours", min=0.2, max=8, help="How many of the ward's last hours.")] = 4.0,
    study: Annotated[
        str | None, typer.Option("--study", help="A study's first shift in place of the ward's hours: name or .toml.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder; studies/running-shift or studies/NAME if not given.")
    ] = None,
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    policy: PolicyOption = None,
    settings: SettingsOption = None,
) -> None:
    """Work out which flags a running ward's last hours would have had under other numbers, for the Study page."""
    import asyncio

    from quietward.study import cases, plan, ward_hours
    from quietward.study import what_if as comparison

    own = settings_from(ward=ward, store=store, shards=shards, policy=policy, settings=settings)
    say(NOTICE, file=sys.stderr)
    if study is None:
        kept = asyncio.run(ward_hours.read_last_hours(own, hours))
        moved = _moved(sum(len(one.fhr) for one in kept) / HZ / 3600, passes=1)
        result = ward_hours.build_ward_what_if(kept, own.policy, hours, moved)
    else:
        planned = plan.plan_base(plan.read(study), study)
        first = cases.group_cases(planned.study)[0][0]
        result = comparison.build_from_study(planned, first, _moved(sum(first.bed_s) / 3600, passes=2))
    out = out or Path(own.studies) / result.study
    try:
        out.mkdir(parents=True, exist_ok=True)
        say(f"written: {comparison.write(out, result)}", file=sys.stderr)
    except OSError as error:
        raise BadSettings("--out", str(out), f"Cannot be written to: {error.strerror}") from error


def _moved(bed_hours: float, passes: int) -> "Callable[[int], None]":
    """Return what is called with bed-seconds that are done. passes: so often each of them is gone through."""
    from quietward.study.progress import Workload, progress

    lines, load, began = ProgressLines(), Workload(bed_hours, 0, 1), time.monotonic()
    done = 0.0

    def moved(bed_seconds: int) -> None:
        nonlocal done
        done += bed_seconds / 3600 / passes
        now = progress(load, [done, 0, 0, 0, 0, 0], time.monotonic() - began)
        lines.tell("measuring", now.bed_hours, now.of, now.left_s)

    moved(0)
    return moved
