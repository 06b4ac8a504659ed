"""Pure: rows with times as samples at one rate, whatever file the table comes from."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import inf

import numpy as np

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.recordings.recording import LONGEST_S, Content, LabourContext, Signal
from quietward.recordings.signal_names import FHR, FHR2, NAMES, STAGE, TIME, UA, SignalPlace, find_signals

RATES = (1, 2, 4, 8)
OFF_THE_GRID = 0.25
"""A time may be this share of a step away from where a sample belongs; recorders round their times."""


def find_columns(where: str, names: Sequence[str]) -> tuple[dict[str, SignalPlace], tuple[str, ...]]:
    """Return the columns of time, FHR and, if there are such, UA and a second twin's FHR, and notes on the others.

    Raises BadRecording.
    """
    places, others = find_signals(where, names, (TIME, FHR, FHR2, UA, STAGE))
    for signal in (TIME, FHR):
        if signal not in places:
            remedy = (
                f"Has no column for the {signal}: name one {' or '.join(NAMES[signal])}; the plain form is t_s,fhr,ua"
            )
            raise BadRecording(where, list(names), remedy)
    left_out = [f"left out: {', '.join(others)}"] if others else []
    return places, (*left_out, *([] if UA in places else ["no UA"]))


def is_table(names: Sequence[str]) -> bool:
    """Return whether columns of these names are a recording: other tables end in .csv and .parquet, too."""
    try:
        places, _ = find_signals("", names, (TIME, FHR))
    except BadRecording:
        return True  # only its unit is not known: that is told where it is read
    return {TIME, FHR} <= places.keys()


def at_one_rate(content: Content, times_s: Signal, place_of: Callable[[int], str]) -> Content:
    """Return the content with its rows where their times say, rows that are missing filled with no value, and its rate.

    Of rows that come closer together than samples do the later counts. times_s: of the rows, shape (n,). place_of: says
    where row i is, for errors. Raises BadRecording.
    """
    if len(times_s) < 2:
        return replace(content, hz=float(HZ))
    steps = np.diff(times_s)
    if not np.all(steps > 0):  # also true for a time that is missing
        i = int(np.flatnonzero(~(steps > 0))[0]) + 1
        raise BadRecording(place_of(i), _shown(times_s[i]), "The time must be there and grow from row to row")
    step = float(np.median(steps))
    step = next((1 / hz for hz in RATES if np.isclose(step * hz, 1, rtol=0.05)), step)
    counts = np.maximum(1, np.round(steps / step))
    off = np.abs(steps / step - counts)
    if off.max() > OFF_THE_GRID:
        i = int(np.argmax(off)) + 1
        remedy = f"Times must be multiples of {step:g} s apart; leave cells empty where there is no value"
        raise BadRecording(place_of(i), _shown(times_s[i]), remedy)
    since_s = times_s - times_s[0]  # not a sum of steps: of a clock a little off it would be far off after an hour
    lasts_s = float(since_s[-1]) + step
    if not lasts_s <= LONGEST_S:  # also true for times that are infinite
        raise BadRecording(place_of(len(times_s) - 1), f"{lasts_s:.0f} s", f"Is longer than {LONGEST_S} s; cut it")
    places = np.round(since_s / step).astype(np.int64)
    length, known = int(places[-1]) + 1, len(np.unique(places))
    notes = [f"{(length - known) * step:g} s in gaps have no value"] if length > known else []
    if too_many := len(times_s) - known:
        notes.append(f"{too_many} rows less than {step:g} s after another are left out")

    def placed(values: Signal) -> Signal:
        signal = np.full(length, np.nan)
        signal[places] = values
        return signal

    fhr2 = None if content.fhr2 is None else placed(content.fhr2)
    return replace(
        content, fhr=placed(content.fhr), ua=placed(content.ua), fhr2=fhr2, hz=1 / step, notes=(*content.notes, *notes)
    )


def labour_of(stage: Signal, times_s: Signal) -> LabourContext:
    """Return when the second stage begins. stage: 1 or 2, NaN where it is not said; times_s: of the same rows."""
    second = np.flatnonzero(stage >= 2)
    return LabourContext(second_stage_from_s=float(times_s[second[0]] - times_s[0]) if len(second) else inf)


def _shown(time_s: float) -> str:
    return "" if np.isnan(time_s) else f"{time_s:g}"
