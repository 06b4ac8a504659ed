"""Pure: what a recording looks like in numbers, for telling simulated from real ones.

Both kinds go through the same functions. What is a habit of a file and not of a signal is made equal first: `trimmed`
cuts the ends where no sensor said anything, and UA without a value counts as 0, as the open data write it.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.signal import welch

from quietward.contracts.fields import HZ
from quietward.detect.assessment import Assessment, Contraction
from quietward.recordings.recording import Recording

Signal = NDArray[np.float64]

BRIDGE_S = 2.0
"""Gaps up to this are bridged before a spectrum is taken: with none bridged hardly a stretch would be long enough."""
LONG_GAP_S, FLAT_S = 60.0, 60.0
JUMP_BPM = 25.0
UA_TOP = 127.0
FHR_BANDS_HZ, FHR_SEGMENT_S = (0.0, 0.03, 0.15, 0.5, 1.0, 2.0), 64
UA_BANDS_HZ, UA_SEGMENT_S = (0.0, 0.02, 0.1, 0.5, 1.0, 2.0), 256
EDGE_S = 2.0
"""UA at the onset and at the end of a contraction is the median of this long: single samples are coarse."""
NADIR_AFTER_PEAK_S = (-40.0, 70.0)
"""A nadir this far from the peak of a contraction is taken to come with it."""
LEAST_PAIRS = 8
"""A correlation of fewer pairs says nothing."""


def trimmed(recording: Recording) -> Recording:
    """Return the recording without its ends in which there is neither FHR nor UA (NaN or 0): not connected."""
    said = np.flatnonzero(~np.isnan(recording.fhr) | (np.nan_to_num(recording.ua) > 0))
    kept = slice(int(said[0]), int(said[-1]) + 1) if said.size else slice(0, 0)
    return Recording(recording.name, recording.fhr[kept], np.nan_to_num(recording.ua[kept]), recording.note)


def edges(which: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return where runs of True begin and where they are over, in samples, shape (runs, 2)."""
    return np.flatnonzero(np.diff(np.concatenate([[False], which, [False]]))).reshape(-1, 2)


def lengths(which: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the lengths, in samples, of the runs of True."""
    found: NDArray[np.int64] = np.diff(edges(which), axis=1)[:, 0]
    return found


def held(signal: Signal) -> NDArray[np.int64]:
    """Return for each run of equal values how many samples long it is; NaN belongs to no run."""
    valid = ~np.isnan(signal)
    begins = valid & np.concatenate([[True], ~(signal[1:] == signal[:-1])])[: len(signal)]
    starts = np.flatnonzero(begins)
    # The sum of valid samples between two begins is the length of the run, as only NaN stand between runs.
    counted = np.concatenate([[0], np.cumsum(valid)])
    found: NDArray[np.int64] = np.diff(np.concatenate([counted[starts], counted[-1:]]))
    return found


def steps(signal: Signal) -> Signal:
    """Return the differences of neighbouring samples where both have a value."""
    found = np.diff(signal)
    return found[~np.isnan(found)]


def bridged(signal: Signal, most_s: float = BRIDGE_S) -> Signal:
    """Return the signal with inner gaps of at most `most_s` filled by a straight line."""
    filled = signal.copy()
    missing = np.isnan(signal)
    for start, stop in edges(missing).tolist():
        if stop - start <= most_s * HZ and start > 0 and stop < len(signal):
            filled[start:stop] = np.interp(np.arange(start, stop), [start - 1, stop], [signal[start - 1], signal[stop]])
    return filled


def spectrum(signal: Signal, segment_s: int) -> tuple[Signal, Signal]:
    """Return frequencies (Hz) and the power density (unit squared per Hz) over all stretches without a gap.

    Welch's with half overlap, each segment detrended by a straight line; stretches count by their length. NaN if no
    stretch is as long as a segment.
    """
    size = segment_s * HZ
    frequencies = np.arange(size // 2 + 1) / segment_s
    power, weight = np.zeros(len(frequencies)), 0
    for start, stop in edges(~np.isnan(signal)).tolist():
        if stop - start >= size:
            power += (stop - start) * welch(signal[start:stop], HZ, nperseg=size, detrend="linear")[1]
            weight += stop - start
    if not weight:
        power[:] = np.nan
    return frequencies, power / max(weight, 1)


def shares(frequencies: Signal, power: Signal, bands_hz: Sequence[float]) -> list[float]:
    """Return the share of the power in each band; a band has its lower end, the last one also its upper."""
    whole = float(power[1:].sum())
    if not whole > 0:
        return [float("nan")] * (len(bands_hz) - 1)
    top = [*bands_hz[1:-1], np.inf]
    inside = [(frequencies >= low) & (frequencies < high) for low, high in zip(bands_hz[:-1], top, strict=True)]
    return [float(power[1:][band[1:]].sum()) / whole for band in inside]


def correlation(a: Signal, b: Signal) -> float:
    """Return Pearson's correlation where both have a value; NaN if they are few or one does not vary."""
    both = ~np.isnan(a) & ~np.isnan(b)
    a, b = a[both], b[both]
    if len(a) < LEAST_PAIRS or np.ptp(a) == 0 or np.ptp(b) == 0:
        return float("nan")
    return float(np.corrcoef(a, b)[0, 1])


def by(signal: Signal, seconds: int) -> Signal:
    """Return means of so many seconds each, NaN where less than half has a value; a last part is left out."""
    parts = signal[: len(signal) // (seconds * HZ) * seconds * HZ].reshape(-1, seconds * HZ)
    valid = ~np.isnan(parts)
    count = valid.sum(axis=1)
    sums = np.where(valid, parts, 0).sum(axis=1)
    return np.where(count * 2 >= parts.shape[1], sums / np.maximum(count, 1), np.nan)


def heights(ua: Signal, contractions: list[Contraction]) -> Signal:
    """Return how far each contraction rises above the mean of the UA where it begins and where it ends."""
    found = []
    for c in contractions:
        first, last = round(c.onset_s * HZ), round(c.end_s * HZ)
        ends = [ua[max(0, at - round(EDGE_S * HZ)) : at + round(EDGE_S * HZ)] for at in (first, last)]
        if last > first and all(part.size for part in ends) and first < len(ua):
            found.append(float(ua[first:last].max()) - float(np.mean([np.median(part) for part in ends])))
    return np.array(found)


def _numbers(values: Signal, **wanted: float) -> dict[str, float]:
    """Return quantiles by name, NaN of nothing."""
    return {name: float(np.quantile(values, q)) if values.size else float("nan") for name, q in wanted.items()}


def _share(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


def _mean(values: NDArray[np.generic]) -> float:
    return float(values.mean()) if values.size else float("nan")


def fhr_features(fhr: Signal) -> dict[str, float]:
    """Return summaries of an FHR signal (bpm, shape (n,), 4 Hz, NaN without a value)."""
    missing = np.isnan(fhr)
    hours = len(fhr) / HZ / 3600
    gaps_s, step = lengths(missing) / HZ, steps(fhr)
    gaps = edges(missing)
    inner = gaps[(gaps[:, 0] > 0) & (gaps[:, 1] < len(fhr))]
    size, moved = np.abs(step), np.abs(step[step != 0])
    minutes, lost = by(fhr, 60), by(missing.astype(np.float64), 60)
    found = {
        "FHR missing, share": _mean(missing),
        "FHR gaps, per hour": _share(len(gaps_s), hours),
        **{f"FHR gap {name}, s": x for name, x in _numbers(gaps_s, **{"median": 0.5, "95 %": 0.95}).items()},
        "FHR between gaps, median s": _numbers(lengths(~missing) / HZ, x=0.5)["x"],
        "FHR missing in gaps > 60 s, share": _share(float(gaps_s[gaps_s > LONG_GAP_S].sum()), float(gaps_s.sum())),
        "FHR missing, lag 1 min correlation": correlation(lost[1:], lost[:-1]),
        "FHR change across gaps, median bpm": _numbers(np.abs(fhr[inner[:, 1]] - fhr[inner[:, 0] - 1]), x=0.5)["x"],
        "FHR step 0, share": _mean(size == 0),
        "FHR step 0.25, share": _mean(size == 0.25),
        "FHR step, mean abs, bpm": _mean(size),
        "FHR step > 25 bpm, share": _mean(size > JUMP_BPM),
        **{f"FHR step not 0 {name}, bpm": x for name, x in _numbers(moved, **{"median": 0.5, "90 %": 0.9}).items()},
        "FHR whole numbers, share": _mean(fhr[~missing] % 1 == 0),
    }
    seconds = by(fhr, 1)
    return found | _fhr_holding(fhr) | _fhr_spectrum(fhr) | {
        "FHR lag 10 s correlation": correlation(seconds[10:], seconds[:-10]),
        "FHR lag 1 min correlation": correlation(minutes[1:], minutes[:-1]),
    }  # fmt: skip


def _fhr_holding(fhr: Signal) -> dict[str, float]:
    """Return how values are held: a monitor shows a new one with each beat, not with each sample."""
    runs = held(fhr).astype(np.float64)
    change = np.diff(fhr) != 0
    known = ~np.isnan(np.diff(fhr))
    both = known[1:] & known[:-1]
    beats_per_sample = fhr / 60 / HZ
    return {
        "FHR changes per beat": _share(float(change[known].sum()), float(beats_per_sample[1:][known].sum())),
        "FHR change after change, share": _mean(change[1:][both & change[:-1]]),
        "FHR run of equal, mean, samples": _mean(runs),
        "FHR run of equal is 1, share": _mean(runs == 1),
        "FHR run of equal is 2, share": _mean(runs == 2),
        "FHR run of equal 95 %, samples": _numbers(runs, x=0.95)["x"],
    }


def _fhr_spectrum(fhr: Signal) -> dict[str, float]:
    frequencies, power = spectrum(bridged(fhr), FHR_SEGMENT_S)
    names = [f"FHR power {low:g}-{high:g} Hz, share" for low, high in pairwise(FHR_BANDS_HZ)]
    return {
        "FHR power, bpm rms": float(np.sqrt(power[1:].sum() * frequencies[1])),
        **dict(zip(names, shares(frequencies, power, FHR_BANDS_HZ), strict=True)),
    }


def ua_features(ua: Signal) -> dict[str, float]:
    """Return summaries of a UA signal (relative units, shape (n,), 4 Hz, 0 without a value)."""
    step = np.abs(np.diff(ua))
    moved = step[step > 0]
    runs = held(ua)
    spread = _numbers(ua, low=0.05, resting=0.1, high=0.95)
    # A signal that is held says nothing of the spectrum: what is flat is a sensor that is off.
    flat = np.repeat(runs >= FLAT_S * HZ, runs)
    frequencies, power = spectrum(np.where(flat, np.nan, ua), UA_SEGMENT_S)
    third = len(ua) // 3
    ends = [_numbers(part, x=0.1)["x"] for part in (ua[:third], ua[-third:])] if third else [float("nan")] * 2
    found = {
        "UA step 0, share": _mean(step == 0),
        "UA step, mean abs": _mean(step),
        "UA step not 0 mean": _mean(moved),
        "UA step > 10, share": _mean(step > 10),
        "UA whole numbers, share": _mean(ua[ua > 0] % 1 == 0),
        "UA changes at every second sample only": _parity(step > 0),
        "UA flat >= 60 s, share": _share(float(runs[runs >= FLAT_S * HZ].sum()), len(ua)),
        "UA at 0, share": _mean(ua == 0),
        "UA at the top, share": _mean(ua >= UA_TOP),
        "UA 5 to 95 %": spread["high"] - spread["low"],
        "UA 10 %": spread["resting"],
        "UA 10 % last third to first": abs(ends[1] - ends[0]),
        "UA power, rms": float(np.sqrt(power[1:].sum() * frequencies[1])),
    }
    names = [f"UA power {low:g}-{high:g} Hz, share" for low, high in pairwise(UA_BANDS_HZ)]
    return found | dict(zip(names, shares(frequencies, power, UA_BANDS_HZ), strict=True))


def _parity(change: NDArray[np.bool_]) -> float:
    """Return 1 if changes come at every second sample only, 0 if they come at all alike."""
    return _share(abs(float(change[::2].sum()) - float(change[1::2].sum())), float(change.sum()))


def event_features(recording: Recording, row: Assessment) -> dict[str, float]:
    """Return summaries of what the detector found; row: one object of `detect.assess.assess`."""
    hours = len(recording.fhr) / HZ / 3600
    values = pooled_events(recording, row)
    falls_s, contractions_s = values["deceleration length, s"], values["contraction length, s"]
    peaks = np.array([c.peak_s for c in row.contractions])
    intervals = np.diff(peaks)
    found = {
        "baseline, bpm": _numbers(values["baseline, bpm"], x=0.5)["x"],
        "baseline spread, bpm": float(np.ptp(values["baseline, bpm"])) if values["baseline, bpm"].size else np.nan,
        **{
            f"variability {name}, bpm": x
            for name, x in _numbers(values["variability, bpm"], **{"10 %": 0.1, "median": 0.5, "90 %": 0.9}).items()
        },
        "decelerations, per hour": _share(len(falls_s), hours),
        "decelerations, share of time": _share(float(falls_s.sum()), hours * 3600),
        "accelerations, per hour": _share(len(row.accelerations), hours),
        "acceleration height median, bpm": _numbers(values["acceleration height, bpm"], x=0.5)["x"],
        "half or double rate, per hour": _share(len(row.marks), hours),
        "contractions, per 10 min": _share(len(peaks), hours * 6),
        "contraction length median, s": _numbers(contractions_s, x=0.5)["x"],
        "contraction height median": _numbers(values["contraction height"], x=0.5)["x"],
        "contraction intervals, spread": (
            float(intervals.std() / intervals.mean()) if intervals.size > 1 else float("nan")
        ),
    }
    for name in ("depth, bpm", "length, s"):
        for q, x in _numbers(values[f"deceleration {name}"], **{"median": 0.5, "90 %": 0.9}).items():
            found[f"deceleration {name.replace(',', f' {q},')}"] = x
    nadirs = np.array([f.nadir_s for f in row.decelerations])
    after = nadirs[:, None] - peaks[None, :]
    near = (after > NADIR_AFTER_PEAK_S[0]) & (after < NADIR_AFTER_PEAK_S[1])
    found["contractions with a deceleration, share"] = _mean(near.any(axis=0)) if len(nadirs) else _mean(peaks * 0)
    found["deceleration nadir after contraction peak, median s"] = _numbers(after[near], x=0.5)["x"]
    fhr, ua = by(recording.fhr, 5), by(recording.ua, 5)
    found["FHR with UA, correlation"] = correlation(fhr, ua)
    found["FHR with UA 30 s before, correlation"] = correlation(fhr[6:], ua[:-6])
    found["FHR missing with UA, correlation"] = correlation(by(np.isnan(recording.fhr).astype(np.float64), 5), ua)
    return found


def features(recording: Recording, row: Assessment) -> dict[str, float]:
    """Return all summaries of one trimmed recording by name; NaN where there is nothing to summarise."""
    return fhr_features(recording.fhr) | event_features(recording, row) | ua_features(recording.ua)


def pooled_events(recording: Recording, row: Assessment) -> dict[str, Signal]:
    """Return every single value of what the detector found, by name."""
    falls = row.decelerations
    return {
        "deceleration depth, bpm": np.array([f.depth_bpm for f in falls], dtype=np.float64),
        "deceleration length, s": np.array([f.end_s - f.onset_s for f in falls], dtype=np.float64),
        "acceleration height, bpm": np.array([a.height_bpm for a in row.accelerations], dtype=np.float64),
        "contraction length, s": np.array([c.end_s - c.onset_s for c in row.contractions], dtype=np.float64),
        "contraction height": heights(recording.ua, row.contractions),
        "baseline, bpm": np.array([b.bpm for b in row.baseline if b.bpm is not None], dtype=np.float64),
        "variability, bpm": np.array([v.bpm for v in row.variability], dtype=np.float64),
    }


def pooled(recording: Recording, row: Assessment) -> dict[str, Signal]:
    """Return every single value of one trimmed recording that is to be pooled with those of others, by name."""
    return {
        "FHR gap, s": lengths(np.isnan(recording.fhr)) / HZ,
        "FHR step, bpm": steps(recording.fhr),
        "FHR run of equal, samples": held(recording.fhr).astype(np.float64),
        "UA step": np.diff(recording.ua),
        "UA": recording.ua,
        **pooled_events(recording, row),
    }
