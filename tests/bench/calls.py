"""Pictures of strips at the moment of a call, to be looked at: is this what a nurse would want to be called for?

`python -m tests.bench.calls FOLDER [--seed 1]` plays every scenario of the simulator that ends in a need, with nobody
answering, and draws the half hour up to 3 min after the call of `bedside` or more: that which stands 15 min before the
need, or else the first after that.
FOLDER/index.html shows all of them, each with when the need begins by the simulator's own truth, and what the bed said.
Not for diagnosis.
"""

import argparse
from dataclasses import dataclass
from html import escape
from math import inf
from pathlib import Path

import quietward
from quietward.contracts.notice import NOTICE
from quietward.simulator import scenario
from quietward.simulator.bed import simulate

AROUND_S = 900
AFTER_S = 180
CALLS = ("bedside", "team")


@dataclass(frozen=True)
class Picture:
    """One strip. late_s: of the call against the need's beginning; None: nobody was called."""

    name: str
    need_s: float
    late_s: float | None
    reason: str
    svg: str


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.calls", description="draw strips with a call")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1, help="of the simulated labours")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    pictures = []
    for name in scenario.names():
        picture = drawn(name, given.seed)
        if picture is not None:
            pictures.append(picture)
            print(f"{name:<34}{told(picture)}", flush=True)
    strips = [(p.name, told(p), p.svg) for p in pictures]
    (given.folder / "index.html").write_text(page(f"The moment of the call, seed {given.seed}", strips))
    return 0


def drawn(name: str, seed: int) -> Picture | None:
    """Return the strip of one labour; None where nobody is needed at the bedside."""
    course = scenario.load(name)
    labour = simulate(course, seed, max(3600, int(course.lasts_min * 60)))
    need = next((need for need in labour.truth.needs if need.what in CALLS), None)
    if need is None:
        return None
    stage_s = labour.truth.second_stage_from_s
    found = quietward.assess(labour.fhr, labour.ua, second_stage_from_s=inf if stage_s is None else stage_s, name=name)
    calls = (f for f in found.flags if f.level in CALLS)
    call = next((f for f in calls if f.eased_s is None or f.eased_s >= need.from_s - AROUND_S), None)
    ends_s = min((need.from_s if call is None else call.raised_s) + AFTER_S, found.duration_s)
    return Picture(
        name, need.from_s, None if call is None else call.raised_s - need.from_s, "" if call is None else call.reason,
        found.strip(max(0.0, ends_s - 1620)),
    )  # fmt: skip


def told(picture: Picture) -> str:
    need = f"needed from {picture.need_s / 60:.0f} min on"
    if picture.late_s is None:
        return f"{need}, nobody called"
    side = "after" if picture.late_s >= 0 else "before"
    return f"{need}, called {abs(picture.late_s) / 60:.1f} min {side}: {picture.reason}"


def page(title: str, strips: list[tuple[str, str, str]]) -> str:
    """Return strips under one another: the name of each, what is said of it, its SVG."""
    parts = [f"<h2>{escape(name)}</h2><p>{escape(text)}</p>{svg}" for name, text, svg in strips]
    return f"<!doctype html><meta charset=utf-8><title>{title}</title><h1>{title}</h1><p>{NOTICE}</p>{''.join(parts)}"


if __name__ == "__main__":
    raise SystemExit(main())
