"""What sensors do to a signal: gaps, spikes, runs at half or double rate. Pure, from a seeded generator."""

import numpy as np
from numpy.typing import NDArray

from quietward.messages import HZ
from simulator.truth import Truth

Signal = NDArray[np.float64]

GAP_MEDIAN_S, GAP_SPREAD = 2.5, 1.2
"""Gaps are log-normal: median as seen in open intrapartum data (2.0 to 2.5 s), with a few long ones."""

RUN_MEDIAN_S, RUN_SPREAD = 4.0, 0.6
"""Runs at half or double rate: median as seen in open intrapartum data (3.75 s)."""


def lost(rng: np.random.Generator, share: Signal) -> NDArray[np.bool_]:
    """Return where the FHR is lost; the gaps add up to `share`."""
    gone = np.zeros(len(share), dtype=np.bool_)
    mean_gap_s = GAP_MEDIAN_S * float(np.exp(GAP_SPREAD**2 / 2))
    at = 0.0
    while at < len(share) / HZ:
        part = float(share[min(int(at * HZ), len(share) - 1)])
        if part <= 0:
            at += 60
            continue
        at += float(rng.exponential(mean_gap_s * (1 - part) / part))
        gap = float(rng.lognormal(np.log(GAP_MEDIAN_S), GAP_SPREAD))
        gone[int(at * HZ) : int((at + gap) * HZ)] = True
        at += gap
    return gone


def spike(rng: np.random.Generator, fhr: Signal, per_h: Signal) -> None:
    """Set single samples, now and then two or three in a row, to something far away."""
    for at in np.flatnonzero(rng.uniform(size=len(fhr)) < per_h / 3600 / HZ):
        fhr[at : at + int(rng.integers(1, 4))] = np.clip(fhr[at] + rng.choice([-1, 1]) * rng.uniform(35, 70), 40, 230)


def disturb_toco(rng: np.random.Generator, ua: Signal, coughs_per_h: Signal, moves_per_h: Signal) -> Signal:
    """Return the UA with coughs (sharp, 1 to 3 s), a transducer that is moved (other tone and gain), and drift."""
    n = len(ua)
    gain, tone = np.ones(n), np.zeros(n)
    for at in np.flatnonzero(rng.uniform(size=n) < moves_per_h / 3600 / HZ):
        gain[at:] = rng.uniform(0.6, 1.3)
        tone[at:] = rng.uniform(-6, 20)
    resting = float(np.median(ua[: 60 * HZ])) if n else 0.0
    moved = resting + (ua - resting) * gain + tone
    moves = np.any(moves_per_h > 0)
    if moves:  # a belt that slips
        moved = moved + 4 * np.sin(2 * np.pi * np.arange(n) / HZ / rng.uniform(1200, 2400) + rng.uniform(0, 6))
    for at in np.flatnonzero(rng.uniform(size=n) < coughs_per_h / 3600 / HZ):
        length = int(rng.uniform(1, 3) * HZ)
        moved[at : at + length] += rng.uniform(20, 60)
    return moved


def wrong_rate(rng: np.random.Generator, fhr: Signal, per_h: Signal) -> list[Truth]:
    """Halve or double runs of a few seconds; return them."""
    made: list[Truth] = []
    for at in np.flatnonzero(rng.uniform(size=len(fhr)) < per_h / 3600 / HZ):
        length = int(np.clip(rng.lognormal(np.log(RUN_MEDIAN_S), RUN_SPREAD), 1, 20) * HZ)
        run = slice(int(at), int(at) + length)
        if made and at / HZ <= made[-1].end_s + 1:
            continue
        factor = 2.0 if np.nanmean(fhr[run]) < 110 else 0.5  # a doubled rate beyond 220 would not be shown at all
        fhr[run] = np.round(fhr[run] * factor * 4) / 4
        what = "half rate" if factor < 1 else "double rate"
        made.append(Truth(what, at / HZ, at / HZ, (at + length) / HZ, factor))
    return made
