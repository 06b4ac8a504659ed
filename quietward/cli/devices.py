"""What sends samples into a ward: simulated beds and played recordings."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from quietward.cli.common import check_range, progress, read_all, run_service, settings_from, suffix_of
from quietward.cli.options import (
    BedsOption,
    BrokerOption,
    PathsArgument,
    SeedOption,
    SettingsOption,
    ShardsOption,
    ShiftOption,
    SpeedOption,
    StoreOption,
    WardOption,
)
from quietward.contracts.notice import NOTICE
from quietward.language.terminal import said, say
from quietward.recordings import FORMATS


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
    head_start: Annotated[
        float, typer.Option("--head-start", help="Minutes of signal to send at once, at the start.")
    ] = 0.0,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write recordings and their truth into this folder, at full speed.")
    ] = None,
    out_format: Annotated[
        str, typer.Option("--format", help=f"Of files with --out: {', '.join(one.name for one in FORMATS)}.")
    ] = "wfdb",
    csv: Annotated[bool, typer.Option("--csv", help="The same as --format csv.")] = False,
    ward: WardOption = None,
    broker: BrokerOption = None,
    store: StoreOption = None,
    shards: ShardsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Publish simulated beds over MQTT, as devices would; they respond to what is done on the page. Or write files."""
    from quietward.simulator import output, service
    from quietward.simulator.shift import chosen, comings_and_goings

    check_range("--beds", beds, 1, 500)
    check_range("--speed", speed, 0.1, 100)
    check_range("--hours", hours, 0.1, 24)
    places = chosen(scenario or [], shift, beds, seed)
    say(NOTICE, file=sys.stderr)
    if out is not None:
        suffix = suffix_of("csv" if csv else out_format)
        orders = service.orders(places, seed, None if hours is None else int(hours * 3600))
        with progress("bed-seconds") as bar:
            task = bar.add_task("simulate", total=sum(o.seconds + o.skip_s for o in orders))
            written = output.write(out, orders, suffix, lambda n: bar.advance(task, n))
        say(f"written: {len(written)} files in {out}", file=sys.stderr)
        return
    seconds = int((hours or 8) * 3600)
    check_range("--head-start", head_start, 0, seconds / 60)
    own = settings_from(ward=ward, broker=broker, store=store, shards=shards, settings=settings)
    noted = comings_and_goings(shift, len(places))
    beds_to_play = service.simulated(places, seed, seconds)
    run_service(service.simulate(own, beds_to_play, speed, int(head_start * 60), noted), own)


def scenarios(
    name: Annotated[str | None, typer.Argument(help="Its name, or a .toml path; all if not given.")] = None,
) -> None:
    """List the invented labours and shifts, or describe one in full: course, truth, what a good watcher does."""
    from quietward.simulator import emergency, scenario, shift

    say(NOTICE)
    if name is None:
        from rich.box import SIMPLE
        from rich.console import Console
        from rich.table import Table

        table = Table(box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
        table.add_column(said("labour"), min_width=29, max_width=29, overflow="fold")
        table.add_column(said("min"))
        table.add_column(said("somebody is needed"), max_width=16, overflow="fold")
        table.add_column(said("what it is for"))
        for labour in map(scenario.load, scenario.names()):
            table.add_row(labour.name, f"{labour.lasts_min:g}", scenario.needs_in_words(labour), labour.purpose)
        for whole in map(shift.load, shift.names()):
            table.add_row(f"{whole.name} (--shift)", "", f"{len(whole.bed)} beds", whole.purpose)
        for kind in map(emergency.load, emergency.names()):
            team = f"team from min {kind.team_after_min[0]:g} to {kind.team_after_min[1]:g} on"
            table.add_row(f"{kind.name} (emergency of a shift)", "", team, kind.purpose)
        Console().print(table)
        return
    chosen = shift.load(name) if name in shift.names() else scenario.load(name)
    print(f"\n{chosen.name}: {chosen.purpose}\n")
    say(f"Course: {chosen.course}")
    if isinstance(chosen, scenario.Scenario):
        say(f"Somebody is needed: {scenario.needs_in_words(chosen)}")
    else:
        say(f"Beds: {', '.join(place.scenario for place in chosen.bed)}")
    say(f"A good watcher: {chosen.good_watcher}")


def replay(
    paths: PathsArgument,
    bed: Annotated[
        str | None, typer.Option("--bed", help="Bed for a single recording; else it has the recording's name.")
    ] = None,
    speed: SpeedOption = 1.0,
    ward: WardOption = None,
    broker: BrokerOption = None,
    settings: SettingsOption = None,
) -> None:
    """Play recordings over MQTT, as devices would, into a running ward."""
    from quietward.simulator import service

    check_range("--speed", speed, 0.1, 100)
    own = settings_from(ward=ward, broker=broker, settings=settings)
    readable, failures = read_all(paths)
    strips = service.recorded(readable, bed)
    if strips:
        say(NOTICE, file=sys.stderr)
        with progress("bed-seconds") as bar:
            task = bar.add_task("replay", total=sum(s.seconds for s in strips))
            run_service(service.play(own, strips, speed, moved=lambda: bar.advance(task)), own)
    if failures:
        raise SystemExit(2)
