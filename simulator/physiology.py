"""The numbers by which simulated mothers, fetuses and sensors work. Read from `simulator/physiology.toml`."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Literal

import msgspec
from msgspec import Struct

Pair = tuple[float, float]


class Beat(Struct, frozen=True, forbid_unknown_fields=True):
    """Variability: a low-frequency and a high-frequency (HF) part, and how both change.

    The standard deviation of the HF part is hf_bpm at a variability of hf_at_bpm, and its power hf_exponent elsewhere.
    """

    corners_hz: Pair
    from_hz: float
    range_per_sd: float
    hf_bpm: float
    hf_at_bpm: float
    hf_exponent: float
    hf_beds_spread: float
    hf_gain_spread: float
    hf_gain_minutes: float
    burst_gain_spread: float
    swell_spread: float
    swell_minutes: float


class Drift(Struct, frozen=True, forbid_unknown_fields=True):
    """Of the baseline."""

    spread_bpm: float
    minutes: float


class Sleep(Struct, frozen=True, forbid_unknown_fields=True):
    """Of the fetus."""

    asleep_min: Pair
    variability_factor: float
    accelerations_factor: float


class ContractionForm(Struct, frozen=True, forbid_unknown_fields=True):
    """How contractions differ from each other."""

    duration_spread: float
    height_spread: float
    peak_at: Pair
    least_rest_s: float
    peaked: float


class Pushing(Struct, frozen=True, forbid_unknown_fields=True):
    """Second stage."""

    height: Pair
    length_s: Pair
    rest_s: Pair
    from_share: float
    until_share: float
    falls_share: float
    falls_depth_bpm: Pair
    loss_factor: float
    motion: float
    stray_rate_factor: float


class Reserve(Struct, frozen=True, forbid_unknown_fields=True):
    """What uses the fetus' reserve, and what shows when it is used."""

    head_uses: float
    crowded_from: float
    crowded_per_min: float
    rise_bpm: float
    rises_until: float
    variability_from: float
    variability_until: float
    variability_least: float
    deeper: float
    longer: float
    late_from: float
    late_until: float
    late_share: float
    late_depth_bpm: Pair
    shoulders_until: float
    accelerations_until: float
    gives_out_at: float
    gives_out_depth_bpm: float
    gives_out_until: float


class Needs(Struct, frozen=True, forbid_unknown_fields=True):
    """What the simulation calls a need."""

    bedside_used: float
    team_used: float
    bedside_fall_s: float
    team_fall_s: float
    fall_bpm: float
    team_sinusoidal_s: float


class Fever(Struct, frozen=True, forbid_unknown_fields=True):
    """Of the mother."""

    minutes: float


class Cord(Struct, frozen=True, forbid_unknown_fields=True):
    """A lasting compression."""

    falls_in_s: float
    recovers_in_s: float
    slower_when_used: float


class Placenta(Struct, frozen=True, forbid_unknown_fields=True):
    """One that fails. failing_when_relieved: what is left of it where care helps; tone: of the uterus at rest."""

    failing_when_relieved: float
    tone_rises_in_s: float


class Oxytocin(Struct, frozen=True, forbid_unknown_fields=True):
    """An infusion."""

    shortens: float
    minutes: float


class FallForm(Struct, frozen=True, forbid_unknown_fields=True):
    """Forms of decelerations."""

    pointed: float
    in_proportion_below_bpm: float
    least_room: float
    lowest_bpm: float
    livelier: float


class Dip(Struct, frozen=True, forbid_unknown_fields=True):
    """Decelerations between contractions."""

    depth_bpm: Pair
    of_cord: Pair
    length_s: Pair


class Acceleration(Struct, frozen=True, forbid_unknown_fields=True):
    """Size, and how many come with contractions."""

    length_s: Pair
    height_bpm: Pair
    with_contraction: float


class DeviceNoise(Struct, frozen=True, forbid_unknown_fields=True):
    """How any recorder samples."""

    beat_jitter_bpm: float
    jitter_beds_spread: float
    jitter_bad_factor: float
    edge_share: float
    edge_median_bpm: float
    edge_beds_spread: float
    edge_spread: float
    edge_s: float
    edge_s_per_bpm: float
    stray_median_bpm: float
    stray_rate_beds_spread: float
    missed_share: float
    missed_per_bpm: float
    missed_bad: float
    toco_top_100_share: float
    toco_corners_hz: tuple[float, ...]
    toco_sizes: tuple[float, ...]
    breath: float


class Recorder(Struct, frozen=True, forbid_unknown_fields=True):
    """One kind of recorder. grid_bpm: of its values; interval_ms: of the intervals behind them, 0 if it does not show.

    smooth_s: it shows the mean over about so long. doubts_bpm: it shows nothing for a moment where a beat is so far
    from that mean. stray_rate_per_h: how often it follows something else, with no gap beside it.
    blanks_bpm: after a jump of more it shows nothing for a moment; 0: it shows all.
    """

    name: str
    share: float
    grid_bpm: float
    interval_ms: float
    smooth_s: float
    doubts_bpm: float
    missed_factor: float
    stray_rate_per_h: float
    slow_toco: bool
    loss_factor: float
    jitter_factor: float
    blanks_bpm: float


class Loss(Struct, frozen=True, forbid_unknown_fields=True):
    """How the FHR is lost."""

    blank_s: Pair
    bad_minutes: float
    valid_median_s: float
    valid_spread: float
    gap_least_s: float
    gap_median_s: float
    gap_spread: float
    beds_spread: float
    gap_rate_per_h: float
    falls_factor: float
    off_min: Pair
    flat_at_zero: float
    flat_median: float
    flat_spread: float
    run_median_s: float
    run_spread: float


class Physiology(Struct, frozen=True, forbid_unknown_fields=True):
    """All of it."""

    beat: Beat
    drift: Drift
    sleep: Sleep
    contraction: ContractionForm
    pushing: Pushing
    reserve: Reserve
    needs: Needs
    fever: Fever
    cord: Cord
    placenta: Placenta
    oxytocin: Oxytocin
    fall: FallForm
    dip: Dip
    acceleration: Acceleration
    device: DeviceNoise
    loss: Loss
    recorder: tuple[Recorder, ...]


Relief = Literal["cord", "placenta", "oxytocin", "signal", "pushing"]


class Response(Struct, frozen=True, forbid_unknown_fields=True):
    """What something that staff did relieves: how likely, after how long, for how long (evenly between two numbers)."""

    to: str
    relieves: Relief
    probability: float
    after_s: Pair
    for_min: Pair


class Responses(Struct, frozen=True, forbid_unknown_fields=True):
    """All of them."""

    response: tuple[Response, ...]


@cache
def physiology() -> Physiology:
    """Return the numbers."""
    return msgspec.convert(tomllib.loads((files("quietward.simulator") / "physiology.toml").read_text()), Physiology)


@cache
def responses() -> tuple[Response, ...]:
    """Return how simulated women respond to care."""
    text = (files("quietward.simulator") / "responses.toml").read_text()
    return msgspec.convert(tomllib.loads(text), Responses).response
