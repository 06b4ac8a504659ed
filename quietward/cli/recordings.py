"""What becomes a file or comes from one: assess recordings, export what a ward has stored."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quietward.cli.common import progress, read_all, settings_from, suffix_of
from quietward.cli.options import PathsArgument, PolicyOption, SettingsOption, ShardsOption, StoreOption, WardOption
from quietward.contracts.errors import BadSettings, extra
from quietward.contracts.notice import NOTICE
from quietward.language.terminal import said, say
from quietward.recordings import FORMATS, SUFFIXES

if TYPE_CHECKING:
    from rich.table import Table

    from quietward.contracts.log import Event
    from quietward.detect.assessment import Assessment, SecondTwin
    from quietward.recordings.recording import Recording


def assess(
    paths: PathsArgument,
    rules: Annotated[
        str, typer.Option("--rules", help="Rule set for kinds and classes: nichd-2008, figo-2015, or a .toml path.")
    ] = "figo-2015",
    json: Annotated[bool, typer.Option("--json", help="One JSON object per recording and line.")] = False,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Draw the strips with all that was found: .png, .svg, .pdf.")
    ] = None,
    weeks: Annotated[int | None, typer.Option("--weeks", min=0, max=45, help="Weeks of gestation; 0: at term.")] = None,
    second_stage_from: Annotated[
        float | None, typer.Option("--second-stage-from", min=0, help="Minute at which the second stage begins.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Write the recordings into this folder, with all that was found as annotations."),
    ] = None,
    out_format: Annotated[
        str, typer.Option("--format", help=f"Format of these: {', '.join(one.name for one in FORMATS)}.")
    ] = FORMATS[0].name,
    policy: PolicyOption = None,
) -> None:
    """Read recordings with the live system's detector, without MQTT or Redis."""
    from rich.console import Console

    from quietward.detect import assess as assessment
    from quietward.detect import rule_file

    if plot is not None:
        with extra("pictures", "--plot"):
            from quietward.detect import picture
        picture.check(plot)
    suffix = suffix_of(out_format)
    loaded_rules, rule_set = rule_file.load_for(rules, settings_from(policy=policy).policy)
    readable, failures = _read_all(paths, weeks, None if second_stage_from is None else second_stage_from * 60)
    if out is not None:
        _check_free(out, suffix, readable)
    say(NOTICE, file=sys.stderr)
    with progress("recording-seconds") as bar:
        task = bar.add_task("assess", total=sum(recording.seconds for recording in readable))
        outcomes = assessment.with_events(readable, loaded_rules, rule_set, lambda n: bar.advance(task, n))
    rows = [outcome.assessment for outcome in outcomes]
    if json:
        from quietward.contracts.fields import encode_json

        for row in rows:
            print(encode_json(row).decode())
    elif rows:
        Console().print(_assessment_table(rows))
    if plot is not None:
        for picture_file in picture.draw(readable, rows, plot):
            say(f"drawn: {picture_file}", file=sys.stderr)
    if out is not None:
        _write_all(out, suffix, readable, [outcome.events for outcome in outcomes])
    if failures:
        raise SystemExit(2)


def _check_free(folder: Path, suffix: str, found: "list[Recording]") -> None:
    """Make sure that nothing is overwritten, before anything is assessed or written. Raises BadSettings."""
    from quietward.recordings.files import would_replace

    names = [recording.name for recording in found]
    if repeated := [name for name in names if names.count(name) > 1]:
        remedy = "Several recordings have this name, and would become one file; write them into folders of their own"
        raise BadSettings("--out", repeated[0], remedy)
    for recording in found:
        if there := would_replace(folder / f"{recording.name}{suffix}", recording.labour):
            raise BadSettings("--out", str(there), "Already exists; choose another folder")


def _write_all(folder: Path, suffix: str, found: "list[Recording]", logs: "list[list[Event]]") -> None:
    """Write recordings with their logs as annotations. Raises BadSettings."""
    from quietward.contracts.log import TREND_KIND
    from quietward.recordings.annotations import annotations_of
    from quietward.recordings.files import write_recording

    for recording, log in zip(found, logs, strict=True):
        path = folder / f"{recording.name}{suffix}"
        annotations = annotations_of(event for event in log if event.kind != TREND_KIND)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_recording(path, recording.fhr, recording.ua, fhr2=recording.fhr2, annotations=annotations,
                            began=recording.began, labour=recording.labour)  # fmt: skip
        except OSError as error:
            raise BadSettings("--out", str(path), f"Cannot be written: {error.strerror}") from error
        say(f"written: {path}", file=sys.stderr)


def _read_all(paths: list[Path], weeks: int | None, second_stage_from_s: float | None) -> "tuple[list[Recording], int]":
    """Return the recordings that can be read, and how many cannot; why, and what reading has changed, is told.

    weeks, second_stage_from_s: in place of what recordings say of their labour, where given.
    """
    from dataclasses import replace

    readable: list[Recording] = []
    found, failures = read_all(paths)
    for recording in found:
        labour = recording.labour
        if weeks is not None:
            labour = replace(labour, weeks=weeks)
        if second_stage_from_s is not None:
            labour = replace(labour, second_stage_from_s=second_stage_from_s)
        readable.append(replace(recording, labour=labour))
    return readable, failures


def _assessment_table(rows: "list[Assessment]") -> "Table":
    from rich.box import SIMPLE
    from rich.table import Table

    title = "At the end of each recording (FHR: share usable; base, var. in bpm)"
    table = Table(title=said(title), caption=said(NOTICE), box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(said("recording"), overflow="fold")
    for name in ("min", "FHR", "base", "var.", "contr.", "accel.", "decel.", "class", "concern", "flags"):
        table.add_column(said(name), justify="right", no_wrap=True)
    for row in rows:
        table.add_row(row.record, f"{row.duration_s / 60:.0f}", *_cells(row, str(len(row.contractions))))
        if row.second_twin is not None:
            table.add_row(f"{row.record}, {said('second twin')}", "", *_cells(row.second_twin, ""))
    return table


def _cells(found: "Assessment | SecondTwin", contractions: str) -> Iterator[str]:
    """Yield what is said of one fetus."""
    unknown = found.not_assessed[-1].t_s if found.not_assessed else 0
    last = found.assessments[-1] if found.assessments else None
    if last is not None and last.t_s < unknown:
        last = None  # what was known some time ago is not what is known at the end
    bpm = found.baseline[-1].bpm if found.baseline else None
    minutes = [v.bpm for v in found.variability[-10:]]
    yield f"{found.signal.fhr_usable:.0%}"
    yield "–" if bpm is None else f"{bpm:.0f}"
    yield f"{sum(minutes) / len(minutes):.0f}" if minutes else "–"
    yield contractions
    yield from (str(len(found.accelerations)), str(len(found.decelerations)))
    yield str(last.rule_class) if last else "–"
    yield f"{last.concern:.0f}" if last else "–"
    yield str(len(found.flags))


def export(
    bed: Annotated[str, typer.Argument(help="Bed, as the ward names it.")],
    log: Annotated[Path | None, typer.Option("--log", help="All of its log: .csv or .json.")] = None,
    handover: Annotated[Path | None, typer.Option("--handover", help="Its hand-over sheet, to print: .html.")] = None,
    stay: Annotated[
        str | None,
        typer.Option("--stay", help="The log of a woman who is or was there: label or number on the Shift page."),
    ] = None,
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Write a bed's log or hand-over sheet to a file, from Redis."""
    import asyncio

    from quietward.dashboard.print import files

    own = settings_from(ward=ward, store=store, shards=shards, settings=settings)
    say(NOTICE, file=sys.stderr)
    for written in asyncio.run(files.write(own, bed, log, handover, stay)):
        say(f"written: {written}", file=sys.stderr)


def record(
    bed: Annotated[str, typer.Argument(help="Bed, as the ward names it.")],
    out: Annotated[
        Path | None, typer.Option("--out", help=f"File, replaced if there is one: {', '.join(SUFFIXES)}; BED.hea.")
    ] = None,
    hours: Annotated[
        float, typer.Option("--hours", min=0.01, max=336, help="Last hours to write, of the woman who is there now.")
    ] = 24.0,
    stay: Annotated[
        str | None,
        typer.Option(
            "--stay", help="Instead the whole stay of a woman who is or was there: label or number on the Shift page."
        ),
    ] = None,
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Write the signals of who is, or was, in a bed from Redis as a recording, with her log as annotations."""
    import asyncio

    from quietward.dashboard.print import files

    own = settings_from(ward=ward, store=store, shards=shards, settings=settings)
    say(NOTICE, file=sys.stderr)
    written = asyncio.run(files.write_signals(own, bed, hours, stay, out or Path(f"{bed}.hea")))
    say(f"written: {written}", file=sys.stderr)


def forget(
    bed: Annotated[str, typer.Argument(help="Bed, as the ward names it.")],
    stay: Annotated[str, typer.Option("--stay", help="Label or number on the Shift page of a woman who was there.")],
    by: Annotated[str, typer.Option("--by", help="Who asked for it; the audit log names her.")],
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Delete the record of a woman who has left a bed before its time. It cannot be undone."""
    import asyncio

    from quietward.dashboard.auth.forget_record import forget_record
    from quietward.dashboard.print.stay_page import label_of

    own = settings_from(ward=ward, store=store, shards=shards, settings=settings)
    if not by.strip():
        raise BadSettings("--by", by, "Must not be blank")
    found = asyncio.run(forget_record(own, bed, stay, by))
    say(f"deleted: record of {label_of(found)}, {bed}", file=sys.stderr)
