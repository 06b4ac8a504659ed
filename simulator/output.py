"""Simulated labours as files: a recording in any format, and beside it the truth (`NAME.truth.json`)."""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from pathlib import Path

import numpy as np

from quietward.contracts.errors import BadSettings
from quietward.contracts.fields import HZ
from quietward.recordings import SUFFIXES
from quietward.recordings.files import files_of, write_recording, writing_format
from quietward.recordings.recording import LabourContext
from quietward.simulator import truth
from quietward.simulator.bed import TICK_S, Bed
from quietward.simulator.scenario import Scenario

AT_ONCE_S = 3600
"""So much is simulated in one go: long enough to be fast, short enough to show progress."""


@dataclass(frozen=True)
class RecordingOrder:
    """One recording to write. seconds: its length; skip_s: so much of the labour's beginning is left out."""

    name: str
    scenario: Scenario
    seed: int
    seconds: int
    skip_s: int = 0


def write(
    folder: Path, orders: list[RecordingOrder], suffix: str, moved: Callable[[int], None] = lambda _: None
) -> list[Path]:
    """Write recordings and their truth into a folder; return the files. moved: told of seconds as they are done.

    suffix: of a format of recordings. The truth counts seconds from the recording's first sample. Raises BadSettings
    if the folder cannot be written to, or holds such a recording already: nothing is overwritten; MissingExtra if the
    format needs packages, before anything is simulated.
    """
    writing_format(Path(f"x{suffix}")).load()
    for order in orders:
        there = [folder / f"{order.name}{ending}" for ending in (*SUFFIXES, ".truth.json")]
        there += files_of(folder / f"{order.name}{suffix}")
        if taken := next((path for path in there if path.exists()), None):
            raise BadSettings("--out", str(taken), "Already exists; choose another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadSettings("--out", str(folder), f"Cannot be made: {error.strerror}") from error
    written: list[Path] = []
    for order in orders:
        bed = Bed(order.scenario, order.seed)
        parts = []
        while bed.t_s < order.skip_s + order.seconds:
            left = order.skip_s + order.seconds - bed.t_s
            parts.append(bed.advance(-(-min(AT_ONCE_S, left) // TICK_S)))
            moved(min(AT_ONCE_S, left))
        kept = slice(order.skip_s * HZ, (order.skip_s + order.seconds) * HZ)
        fhr, ua = ([p.fhr for p in parts], [p.ua for p in parts])
        second = [p.fhr2 for p in parts if p.fhr2 is not None]
        fhr2 = np.concatenate(second)[kept] if second else None
        path, beside = (folder / f"{order.name}{ending}" for ending in (suffix, ".truth.json"))
        try:
            true = bed.truth().since(order.skip_s, order.seconds)
            stage_s = true.second_stage_from_s
            labour = LabourContext(true.weeks, inf if stage_s is None else max(0.0, stage_s))
            write_recording(path, np.concatenate(fhr)[kept], np.concatenate(ua)[kept], fhr2=fhr2, labour=labour)
            truth.write(beside, true)
        except OSError as error:
            raise BadSettings("--out", str(path), f"Cannot be written: {error.strerror}") from error
        written += [path, beside]
    return written
