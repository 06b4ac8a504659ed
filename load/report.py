"""What came of load tests: one object for programs, a table for people, a picture of delay against beds."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
from matplotlib.figure import Figure
from rich.box import SIMPLE
from rich.table import Table

from quietward.contracts.errors import BadSettings
from quietward.contracts.notice import NOTICE
from quietward.load.limit import LimitSearch
from quietward.load.schedule import JITTER_MS
from quietward.load.trial import KINDS, Spread, Trial

WORK = {"write": "ingest wrote a batch in", "step": "a step of the detector took", "commit": "its commit"}
COLOURS = {"p50": "#8aa0b8", "p95": "#4a6a8c", "p99": "#b0703c"}


def as_object(trial: Trial, command: str, limit: LimitSearch | None) -> dict[str, Any]:
    """Return everything as plain values: the last trial that counts, and the search for the limit if there was one."""
    numbers: dict[str, Any] = {"notice": NOTICE, "command": command, **msgspec.to_builtins(trial)}
    if limit is not None:
        numbers["limit"] = {"beds": limit.beds, "within_ms": limit.within_ms}
        numbers["limit"]["tried"] = [
            {"beds": t.beds, "lost": t.lost, "summary_ms": msgspec.to_builtins(t.summary_ms)} for t in limit.tried
        ]
    return numbers


def table(trial: Trial, limit: LimitSearch | None) -> Table:
    """Return what people read."""
    made = Table(title=_title(trial), caption=f"{_about(trial)}\n{NOTICE}", box=SIMPLE, pad_edge=False)
    made.add_column("ms, from when it was due at its device")
    for head in ("p50", "p95", "p99", "most"):
        made.add_column(head, justify="right")
    rows: list[tuple[str, Spread | None]] = [
        ("a second, to its summary in Redis", trial.summary_ms),
        ("  of that: device, broker, ingest", trial.to_ingest_ms),
        ("  of that: streams, detector, store", trial.in_detect_ms),
        (f"a flag, beyond what its condition takes ({_flags(trial)})", trial.flag_ms),
        ("a flag's condition itself, s", trial.flag_needs_s),
        ("a second, to the page's pixels", trial.page_ms),
    ]
    for name, one in rows:
        if one is not None:
            made.add_row(name, *(_number(x) for x in (one.p50, one.p95, one.p99, one.max)))
    if limit is not None:
        made.add_section()
        for t in sorted(limit.tried, key=lambda t: t.beds):
            s = t.summary_ms
            made.add_row(f"{t.beds} beds, {t.lost} lost", *(_number(x) for x in (s.p50, s.p95, s.p99, s.max)))
    return made


def _flags(trial: Trial) -> str:
    earlier = f", {trial.flags_earlier} earlier" if trial.flags_earlier else ""
    return f"{trial.flags_raised} of {trial.flags_asked}{earlier}"


def _title(trial: Trial) -> str:
    return (
        f"{trial.beds} beds for {trial.seconds} s, {KINDS[trial.order.kind]}: {trial.delivered} of {trial.sent} "
        f"came, {trial.lost} lost, {trial.duplicated} came twice"
    )


def _about(trial: Trial) -> str:
    cpu = ", ".join(f"{name} {100 * s / max(1, trial.seconds):.0f} %" for name, s in trial.cpu_s.items())
    memory = ", ".join(f"{name} {mb:.0f} MB" for name, mb in trial.memory_mb.items())
    work = ", ".join(
        f"{said} {_number(stage.mean_ms)} ms ({stage.per_s:.0f} a second)"
        for name, said in WORK.items()
        if (stage := trial.stages.get(name)) is not None
    )
    return (
        f"Of one core: {cpu}. Memory: {memory}.\nOn average {work}.\n"
        f"Outputs at most {trial.deepest_queue_ms / 1000:.1f} s behind inputs, "
        f"level {trial.caught_up_s:.1f} s after the end; {trial.late_share:.2%} came to ingest more than 100 ms late; "
        f"jitter 0 to {JITTER_MS} ms. A second of a bed takes {trial.bytes_of_a_second:.0f} bytes of the store.\n"
        f"{trial.machine}, of which its host took {trial.cpu_steal_share:.1%} away; "
        + ", ".join(f"{name} {version}" for name, version in trial.versions.items())
    )


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}" if value < 1000 else f"{value:.0f}"


def picture(trials: Sequence[Trial]) -> Figure:
    """Draw delay against beds, and how the delay went second by second."""
    figure = Figure(figsize=(11, 4.6), layout="constrained")
    left, right = figure.subplots(1, 2)
    ordered = sorted(trials, key=lambda t: t.beds)
    beds = [t.beds for t in ordered]
    for name, colour in COLOURS.items():
        left.plot(beds, [getattr(t.summary_ms, name) or float("nan") for t in ordered], "o-", color=colour, label=name)
    left.set(xlabel="beds", ylabel="ms from due to its summary in Redis", yscale="log")
    left.set_xlim(left=0)
    left.legend()
    for trial in ordered:
        right.plot(range(trial.seconds), trial.by_second, lw=1, label=f"{trial.beds} beds")
    right.set(xlabel="measured second", ylabel="99th percentile of the second, ms", yscale="log")
    right.legend(fontsize=8)
    for panel in (left, right):
        panel.grid(alpha=0.3, which="both")
    figure.supxlabel(f"{NOTICE} {ordered[-1].machine}", fontsize=7)
    return figure


def write(folder: Path, numbers: dict[str, Any], trials: Sequence[Trial]) -> list[Path]:
    """Write load.json and delay.svg; return their paths. Raises BadSettings if that cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "load.json").write_bytes(msgspec.json.format(msgspec.json.encode(numbers), indent=1))
        picture(trials).savefig(folder / "delay.svg", metadata={"Date": None})
    except OSError as error:
        raise BadSettings("--out", str(folder), f"Cannot be written: {error.strerror}") from error
    return [folder / "load.json", folder / "delay.svg"]
