"""The command line; the only module that knows every stage. Stages are imported when their command runs."""

import asyncio
import os
import secrets
import sys
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any, NoReturn

import typer
from msgspec import structs
from rich.box import SIMPLE
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn
from rich.table import Table

from quietward.contracts.errors import BadSettings, QuietwardError, extra
from quietward.contracts.messages import HZ
from quietward.contracts.notice import NOTICE
from quietward.contracts.settings import Settings
from quietward.contracts.settings import load as load_settings

app = typer.Typer(
    help=f"Streaming monitor prototype for a labour ward.\n\n{NOTICE}",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)

BedsOption = Annotated[
    int | None, typer.Option("--beds", help="How many simulated beds, 1 to 500; 8, or all of the shift.")
]
SpeedOption = Annotated[float, typer.Option("--speed", help="Seconds of signal per second, 0.1 to 100.")]
ShiftOption = Annotated[str | None, typer.Option("--shift", help="Shift: beds with a scenario each, by name or path.")]
SeedOption = Annotated[int, typer.Option("--seed", help="Another seed, other labours.")]
WardOption = Annotated[str | None, typer.Option("--ward", help="Name of the ward (QUIETWARD_WARD).")]
BrokerOption = Annotated[
    str | None, typer.Option("--broker", help="mqtt://[user:password@]host:port (QUIETWARD_BROKER).")
]
StoreOption = Annotated[
    str | None, typer.Option("--store", help="redis://[user:password@]host:port/0 (QUIETWARD_STORE).")
]
ShardsOption = Annotated[
    int | None,
    typer.Option("--shards", help="Shards of the ward, the same for every part (QUIETWARD_SHARDS)."),
]
PolicyOption = Annotated[
    str | None,
    typer.Option("--policy", help="Attention policy: a name, or a path ending in .toml (QUIETWARD_POLICY)."),
]
HostOption = Annotated[str | None, typer.Option("--host", help="Address the page listens on (QUIETWARD_HOST).")]
PortOption = Annotated[int | None, typer.Option("--port", help="Port the page listens on (QUIETWARD_PORT).")]
SettingsOption = Annotated[str | None, typer.Option("--settings", help="TOML file with settings (QUIETWARD_SETTINGS).")]
PathsArgument = Annotated[list[Path], typer.Argument(help="Recordings (.hea, .csv) or folders of them.")]


def main() -> None:
    """Run a command; an error of ours is one line and exit code 2."""
    try:
        app(standalone_mode=True)
    except QuietwardError as error:
        _fail(error)
    except BaseExceptionGroup as group:
        ours = _first_of_ours(group)
        if ours is None:
            raise
        _fail(ours)


def _first_of_ours(group: BaseExceptionGroup[BaseException]) -> QuietwardError | None:
    for error in group.exceptions:
        found = _first_of_ours(error) if isinstance(error, BaseExceptionGroup) else error
        if isinstance(found, QuietwardError):
            return found
    return None


def _fail(error: QuietwardError) -> NoReturn:
    print(f"quietward: {error}", file=sys.stderr)
    raise SystemExit(2)


def _settings(**flags: object) -> Settings:
    return load_settings(flags, os.environ)


def _within(name: str, value: float | None, lowest: float, highest: float) -> None:
    if value is not None and not lowest <= value <= highest:
        raise BadSettings(name, value, f"Use {lowest:g} to {highest:g}")


def _run(main: Coroutine[Any, Any, None]) -> None:
    from quietward.runtime.running import run

    run(main)


@app.command()
def demo(
    beds: BedsOption = None,
    shift: ShiftOption = None,
    minutes: Annotated[float | None, typer.Option("--minutes", help="End after so many minutes.")] = None,
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
    from quietward.runtime import demo as tree
    from quietward.simulator.shift import chosen

    _within("--beds", beds, 1, 500)
    places = chosen([], shift, beds)  # a wrong shift is said before anything is started
    _within("--speed", speed, 0.1, 100)
    own = _settings(port=port, broker=broker, store=store, policy=policy, settings=settings)
    _rules_of(own.policy)()  # a wrong table is said before anything is started
    with _demo_people() if sign_in else nullcontext(own.people) as people:
        tree.run(
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
        words = {name: secrets.token_urlsafe(9) for name in invented}
        path = Path(folder) / "people.toml"
        people.write(path, [people.person(name, role, words[name]) for name, role in invented.items()])
        for name, role in invented.items():
            print(f"Sign in as {name} ({role}) with password {words[name]}")
        yield str(path)


@app.command()
def simulate(
    beds: BedsOption = None,
    speed: SpeedOption = 1.0,
    seed: SeedOption = 1,
    scenario: Annotated[
        list[str] | None, typer.Option("--scenario", help="Scenario, by name or .toml path; again for more.")
    ] = None,
    shift: ShiftOption = None,
    hours: Annotated[
        float | None, typer.Option("--hours", help="Length, 0.1 to 24; 8, or with --out the scenario's own.")
    ] = None,
    head_start: Annotated[float, typer.Option("--head-start", help="Minutes of signal that are sent at once.")] = 0.0,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write recordings and their truth into this folder, at full speed.")
    ] = None,
    csv: Annotated[bool, typer.Option("--csv", help="With --out: CSV files in place of WFDB.")] = False,
    ward: WardOption = None,
    broker: BrokerOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Publish simulated beds over MQTT, as devices would; they respond to what is done on the page. Or write files."""
    from quietward.simulator import output, service
    from quietward.simulator.shift import chosen

    _within("--beds", beds, 1, 500)
    _within("--speed", speed, 0.1, 100)
    _within("--hours", hours, 0.1, 24)
    places = chosen(scenario or [], shift, beds)
    print(NOTICE, file=sys.stderr)
    if out is not None:
        orders = service.orders(places, seed, None if hours is None else int(hours * 3600))
        with _progress("bed-seconds") as bar:
            task = bar.add_task("simulate", total=sum(o.seconds + o.skip_s for o in orders))
            written = output.write(out, orders, "csv" if csv else "wfdb", lambda n: bar.advance(task, n))
        print(f"written: {len(written)} files in {out}", file=sys.stderr)
        return
    seconds = int((hours or 8) * 3600)
    _within("--head-start", head_start, 0, seconds / 60)
    own = _settings(ward=ward, broker=broker, store=store, shards=shards, settings=settings)
    _run(service.simulate(own, service.simulated(places, seed, seconds), speed, int(head_start * 60)))


@app.command()
def scenarios(
    name: Annotated[str | None, typer.Argument(help="One of them, or a .toml path; all if not given.")] = None,
) -> None:
    """List the invented labours and shifts, or tell all of one: its course, what is true, what a good watcher does."""
    from quietward.simulator import scenario, shift

    print(NOTICE)
    if name is None:
        table = Table(box=SIMPLE, pad_edge=False)
        table.add_column("labour", no_wrap=True)
        for column in ("min", "somebody is needed", "what it is for"):
            table.add_column(column)
        for one in map(scenario.load, scenario.names()):
            table.add_row(one.name, f"{one.lasts_min:g}", scenario.needs_in_words(one), one.purpose)
        for many in map(shift.load, shift.names()):
            table.add_row(f"{many.name} (--shift)", "", f"{len(many.bed)} beds", many.purpose)
        Console().print(table)
        return
    told = shift.load(name) if name in shift.names() else scenario.load(name)
    print(f"\n{told.name}: {told.purpose}\n\nCourse: {told.course}")
    if isinstance(told, scenario.Scenario):
        print(f"Somebody is needed: {scenario.needs_in_words(told)}")
    else:
        print("Beds: " + ", ".join(place.scenario for place in told.bed))
    print(f"A good watcher: {told.good_watcher}")


@app.command()
def ingest(
    ward: WardOption = None,
    broker: BrokerOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Take samples from MQTT, check them, and write them to Redis."""
    from quietward.ingest import service

    _run(service.serve(_settings(ward=ward, broker=broker, store=store, shards=shards, settings=settings)))


@app.command()
def detect(
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    policy: PolicyOption = None,
    settings: SettingsOption = None,
) -> None:
    """Read samples from Redis, find what is on the strips, and keep summaries, flags and logs."""
    from quietward.detect import service

    _run(service.serve(_settings(ward=ward, store=store, shards=shards, policy=policy, settings=settings)))


@app.command()
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
    from quietward.practice.routes import add_routes

    print(NOTICE, file=sys.stderr)
    own = _settings(ward=ward, store=store, shards=shards, host=host, port=port, settings=settings)
    _run(page.serve(own, [add_routes]))


@app.command()
def person(
    name: Annotated[str, typer.Argument(help="Who may use the page.")],
    file: Annotated[Path, typer.Option("--file", help="File of people; made when it is not there.")],
    role: Annotated[str, typer.Option("--role", help="viewer, nurse or 'in charge'.")] = "nurse",
    password: Annotated[str | None, typer.Option("--password", help="Asked for when not given.")] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Take this person out of the file.")] = False,
) -> None:
    """Add somebody to the file of people who may use the page, or give her another role or password."""
    from quietward.dashboard.auth import people

    known = [one for one in (people.read(file) if file.exists() else []) if one.name != name]
    if not remove:
        roles = {one.value: one for one in people.Role}
        if role not in roles:
            raise BadSettings("--role", role, f"Use one of {', '.join(roles)}")
        if password is None:
            password = str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))
        known.append(people.person(name, roles[role], password))
    people.write(file, known)
    print(f"{file}: {', '.join(f'{one.name} ({one.role})' for one in known) or 'nobody'}")


@app.command()
def replay(
    paths: PathsArgument,
    bed: Annotated[str | None, typer.Option("--bed", help="Bed for a single recording; else named after it.")] = None,
    speed: SpeedOption = 1.0,
    ward: WardOption = None,
    broker: BrokerOption = None,
    settings: SettingsOption = None,
) -> None:
    """Play recordings over MQTT, as devices would, into a running ward."""
    from quietward.simulator import service

    _within("--speed", speed, 0.1, 100)
    own = _settings(ward=ward, broker=broker, settings=settings)
    strips = service.recorded(service.read_all(paths), bed)
    if not strips:
        raise BadSettings("PATH", [str(p) for p in paths], "Holds no recording (.hea or .csv)")
    print(NOTICE, file=sys.stderr)
    with _progress("bed-seconds") as bar:
        task = bar.add_task("replay", total=sum(s.seconds for s in strips))
        _run(service.play(own, strips, speed, moved=lambda: bar.advance(task)))


@app.command()
def assess(
    paths: PathsArgument,
    rules: Annotated[
        str, typer.Option("--rules", help="Rule set for kinds and classes: nichd-2008 or figo-2015.")
    ] = "figo-2015",
    json: Annotated[bool, typer.Option("--json", help="One JSON object per recording and line.")] = False,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Picture of the strips with all that was found: .png, .svg, .pdf.")
    ] = None,
    weeks: Annotated[int, typer.Option("--weeks", min=0, max=45, help="Weeks of gestation; 0: at term.")] = 0,
    second_stage_from: Annotated[
        float | None, typer.Option("--second-stage-from", min=0, help="Minute at which the second stage begins.")
    ] = None,
    policy: PolicyOption = None,
) -> None:
    """Read recordings with the live system's detector, without MQTT or Redis."""
    from quietward import recordings
    from quietward.detect import assess as reader
    from quietward.detect import rule_file

    if plot is not None:
        with extra("pictures", "--plot"):
            from quietward.detect import picture
        picture.check(plot)

    own = _settings(policy=policy)
    loaded = rule_file.load(own.policy)
    found, bad = [], 0
    for path in recordings.expand(paths):
        try:
            found.append(recordings.read(path))
        except QuietwardError as error:
            bad += 1
            print(f"quietward: {error}", file=sys.stderr)
    print(NOTICE, file=sys.stderr)
    second_stage_from_s = float("inf") if second_stage_from is None else second_stage_from * 60
    labour = reader.Labour(weeks, second_stage_from_s)
    with _progress("recording-seconds") as bar:
        task = bar.add_task("assess", total=sum(r.seconds for r in found))
        rows = reader.assess(found, loaded, rules, lambda n: bar.advance(task, n), labour)
    if json:
        from quietward.contracts.messages import encode_json

        for row in rows:
            print(encode_json(row).decode())
    else:
        Console().print(_assessed(rows))
    if plot is not None:
        for written in picture.draw(found, rows, plot):
            print(f"drawn: {written}", file=sys.stderr)
    if bad:
        raise SystemExit(2)


def _assessed(rows: list[dict[str, Any]]) -> Table:
    title = "At the end of each recording (FHR: share usable; base, var. in bpm)"
    table = Table(title=title, caption=NOTICE, box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("recording", no_wrap=True)
    for name in ("min", "FHR", "base", "var.", "contr.", "accel.", "decel.", "class", "concern", "flags"):
        table.add_column(name, justify="right", no_wrap=True)
    for row in rows:
        last = row["assessments"][-1] if row["assessments"] else None
        bpm = [b["bpm"] for b in row["baseline"] if b["bpm"] is not None]
        minutes = [v["bpm"] for v in row["variability"][-10:]]
        table.add_row(
            row["record"],
            f"{row['duration_s'] / 60:.0f}",
            f"{row['signal']['fhr_usable']:.0%}",
            f"{bpm[-1]:.0f}" if bpm else "–",
            f"{sum(minutes) / len(minutes):.0f}" if minutes else "–",
            *(str(len(row[name])) for name in ("contractions", "accelerations", "decelerations")),
            str(last["rule_class"]) if last else "–",
            f"{last['concern']:.0f}" if last else "–",
            str(len(row["flags"])),
        )
    return table


@app.command()
def study(
    name: Annotated[str, typer.Argument(help="Study: a name, or a path ending in .toml.")] = "default-policy",
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder of the report, studies/NAME if not given; what is done is kept there."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, max=256, help="Processes; one for each core if not given.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="All numbers to the output, as in report.json.")] = False,
) -> None:
    """Measure what alert thresholds cost in interruptions and save in minutes, over simulated shifts with staff."""
    with extra("studies", "quietward study"):
        from quietward.study import cases, plan, report, result, what_if
        from quietward.study import run as runner

    planned = plan.load(name)
    out = out or Path("studies") / planned.study.name
    print(NOTICE, file=sys.stderr)
    done_before = out / "done"
    with _progress("steps") as bar:
        task = bar.add_task("study", total=None)
        found = runner.run(
            planned, done_before, workers or os.cpu_count() or 1,
            lambda done, total: bar.update(task, completed=done, total=total),
        )  # fmt: skip
    rows = result.rows(found)
    whole = report.whole(found, rows, f"quietward study {name}")
    first = cases.measured(cases.groups(planned.study)[0], planned.rules, done_before)
    written = [*report.write(out, found, whole), what_if.write(out, what_if.of(planned, first))]
    if json:
        print((out / "report.json").read_text())
    else:
        Console().print(_studied(whole))
    for path in written:
        print(f"written: {path}", file=sys.stderr)


@app.command(name="what-if")
def what_if_of_ward(
    hours: Annotated[float, typer.Option("--hours", min=0.2, max=8, help="So many of the ward's last hours.")] = 4.0,
    study: Annotated[
        str | None,
        typer.Option("--study", help="A study's first shift in place of the ward's hours: name or .toml path."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder; studies/running-shift, or studies/NAME, if not given.")
    ] = None,
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    policy: PolicyOption = None,
    settings: SettingsOption = None,
) -> None:
    """Work out which flags a running ward's last hours would have had under other numbers, for the Study page."""
    from quietward.study import plan, running, what_if

    own = _settings(ward=ward, store=store, shards=shards, policy=policy, settings=settings)
    print(NOTICE, file=sys.stderr)
    with _progress("bed-seconds") as bar:
        task = bar.add_task("what if", total=None)
        if study is None:
            kept = asyncio.run(running.read(own, hours))
            name = running.NAME
            bar.update(task, total=sum(len(one.fhr) // HZ for one in kept))
            found = running.of(kept, own.policy, hours, lambda n: bar.advance(task, n))
        else:
            planned = plan.only_base(plan.read(study), study)
            name = planned.study.name
            found = what_if.of_first_shift(planned, lambda n: bar.advance(task, n))
    out = out or Path(own.studies) / name
    try:
        out.mkdir(parents=True, exist_ok=True)
        print(f"written: {what_if.write(out, found)}", file=sys.stderr)
    except OSError as error:
        raise BadSettings("--out", str(out), f"Cannot be written to: {error.strerror}") from error


def _studied(whole: Any) -> Table:
    limit = whole.study.limit
    title = f"{whole.study.name}: {whole.shifts} shifts, {whole.bed_hours:.0f} bed-hours; {limit.level} needs"
    table = Table(title=title, caption=NOTICE, box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("variant")
    for head in ("interruptions per nurse-hour", "late per 100", "median min to bed", "longest wait", "meets"):
        table.add_column(head, justify="right")
    shown = [r for r in whole.rows if r.name in (whole.chosen, "today") or r.kind != "policy" or r.on_front]
    for r in shown:
        rate, late = r.interruptions_per_nurse_hour, r.late
        table.add_row(
            f"{r.name} [green](chosen)[/]" if r.name == whole.chosen else r.name,
            *("–" if e.value is None else f"{e.value * x:.2f} [{e.low * x:.2f}, {e.high * x:.2f}]".replace("[", r"\[")
              for e, x in ((rate, 1), (late, 100))),
            "–" if not r.needs else "never" if r.reached.p50 is None else f"{r.reached.p50 / 60:.1f}",
            f"{r.longest_wait_s / 60:.0f}" if r.needs else "–", "yes" if r.meets else "no",
        )  # fmt: skip
    return table


@app.command()
def load(
    beds: Annotated[int, typer.Option("--beds", help="Beds; with --find-limit where the search begins.")] = 1000,
    minutes: Annotated[float, typer.Option("--minutes", help="Measured minutes, after 15 s that are left out.")] = 1.0,
    kind: Annotated[str, typer.Option("--kind", help="steady, ramp, broker-away or detector-slow.")] = "steady",
    page: Annotated[bool, typer.Option("--page", help="Measure to the pixels of a headless Chromium, too.")] = False,
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
    json: Annotated[bool, typer.Option("--json", help="All numbers to the output, as one JSON object.")] = False,
) -> None:
    """Measure how long a second takes from its device to Redis, to a flag and to the page, on this machine alone."""
    import asyncio

    import msgspec

    with extra("load", "quietward load"):
        from quietward.load import limit, report, trial

    order = trial.Order(
        beds, minutes, kind, own_parts=not real, shards=shards, ingests=ingests, detects=detects, page=page,
        processes=1 + (beds > trial.BEDS_OF_A_PROCESS),
    )  # fmt: skip
    trial.check(order)
    print(NOTICE, file=sys.stderr)
    command = "quietward " + " ".join(sys.argv[1:])
    with _progress("s") as bar:

        async def attempt(one: trial.Order) -> trial.Trial:
            task = bar.add_task(f"{one.beds} beds", total=round(one.minutes * 60) + one.warm_s + 10)
            try:
                return await trial.run(one, lambda seconds: bar.update(task, completed=round(seconds)))
            finally:
                bar.remove_task(task)

        search = asyncio.run(limit.find(order, attempt)) if find_limit else None
        last = search.of_the_limit if search else asyncio.run(attempt(order))
    found = report.as_object(last, command, search)
    if json:
        print(msgspec.json.encode(found).decode())
    else:
        Console().print(report.table(last, search))
    if out is not None:
        for path in report.write(out, found, search.tried if search else [last]):
            print(f"written: {path}", file=sys.stderr)


@app.command()
def export(
    bed: Annotated[str, typer.Argument(help="Bed, as the ward names it.")],
    log: Annotated[Path | None, typer.Option("--log", help="All of its log: .csv or .json.")] = None,
    handover: Annotated[Path | None, typer.Option("--handover", help="Its hand-over sheet, to print: .html.")] = None,
    ward: WardOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Write a bed's log or hand-over sheet to a file, from Redis."""
    import asyncio

    from quietward.dashboard.print import files

    own = _settings(ward=ward, store=store, shards=shards, settings=settings)
    print(NOTICE, file=sys.stderr)
    for written in asyncio.run(files.write(own, bed, log, handover)):
        print(f"written: {written}", file=sys.stderr)


@app.command()
def doctor(
    broker: BrokerOption = None,
    store: StoreOption = None,
    policy: PolicyOption = None,
    settings: SettingsOption = None,
) -> None:
    """Say what is missing for quietward to run here, and how to mend it."""
    from quietward.runtime.doctor import examine

    own = _settings(broker=broker, store=store, policy=policy, settings=settings)
    found = examine(own, _rules_of(own.policy))
    table = Table(title="quietward doctor", show_lines=False)
    for name in ("", "what", "seen", "to mend it"):
        table.add_column(name)
    for one in found:
        table.add_row("[green]ok[/]" if one.well else "[red]![/]", one.what, one.seen, "" if one.well else one.remedy)
    Console(width=None if sys.stdout.isatty() else 160).print(table)
    if not all(one.well for one in found):
        raise SystemExit(1)


def _rules_of(policy: str) -> Callable[[], str]:
    def say() -> str:
        from quietward.detect import rule_file

        rules = rule_file.load(policy)
        return f"policy {rules.policy.name}, digest {rules.digest}"

    return say


@app.command()
def alive(
    part: Annotated[str, typer.Argument(help="simulate, ingest, detect or serve.")],
    ward: WardOption = None,
    store: StoreOption = None,
    settings: SettingsOption = None,
) -> None:
    """Exit with 0 if a part's last heartbeat is young, else with 1: for health checks."""
    import asyncio

    from quietward.runtime.running import heartbeat_age_s

    age_s = asyncio.run(heartbeat_age_s(_settings(ward=ward, store=store, settings=settings), part))
    print(f"{part}: no heartbeat" if age_s is None else f"{part}: last heartbeat {age_s:.1f} s ago")
    raise SystemExit(0 if age_s is not None and age_s < 10 else 1)


@app.command("embedded-broker", hidden=True)
def embedded_broker(port: Annotated[int, typer.Option("--port")]) -> None:
    """Run the embedded MQTT broker on 127.0.0.1, for demo and tests."""
    from quietward.runtime.embedded import run_broker

    run_broker(port)


@app.command("load-devices", hidden=True)
def load_devices(part: Annotated[Path, typer.Argument()]) -> None:
    """Run one process of a load test's devices."""
    import msgspec

    from quietward.load import devices
    from quietward.load.schedule import Part

    _run(devices.run(msgspec.json.decode(part.read_bytes(), type=Part)))


@app.command("embedded-store", hidden=True)
def embedded_store(port: Annotated[int, typer.Option("--port")]) -> None:
    """Run the embedded store on 127.0.0.1, for demo and tests."""
    from quietward.runtime.embedded import run_store

    run_store(port)


def _progress(unit: str) -> Progress:
    console = Console(file=sys.stderr)
    return Progress(
        "{task.description}",
        BarColumn(),
        MofNCompleteColumn(),
        unit,
        TimeRemainingColumn(),
        console=console,
        disable=not console.is_terminal,
    )
