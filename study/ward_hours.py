"""The flags of a ward's own last hours under other numbers of the policy.

The samples are those that the ward still stores; they are measured by the same detector, with nobody answering.
"""

from collections.abc import Callable

import numpy as np
from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable
from quietward.contracts.fields import HZ
from quietward.contracts.settings import Settings, without_password
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.history.reader import beds_of, read_history
from quietward.dashboard.routes.what_if_job import RUNNING_SHIFT
from quietward.dashboard.view.ranking import natural_key
from quietward.runtime.clock import now_ms
from quietward.store.client import RedisError, connected
from quietward.study import plan, what_if
from quietward.study.cases import Case, MeasuredShifts
from quietward.study.evaluations import evaluate_beds
from quietward.study.plan import StudyPlan
from quietward.study.what_if import WhatIf

NAME = RUNNING_SHIFT
LEAST_S = 600
"""A bed with less than this is left out: it cannot be judged yet."""


async def read_last_hours(settings: Settings, hours: float) -> list[BedHistory]:
    """Return what the ward still stores of its beds' last hours.

    Raises Unreachable, and BadSettings when there is too little.
    """
    ward = Ward(settings.ward, settings.shards)
    async with connected(settings.store, settings.tls) as store:
        try:
            beds = sorted(await beds_of(store, ward), key=natural_key)
            stored = [await read_history(store, ward, bed, hours, now_ms()) for bed in beds]
        except RedisError as error:
            raise Unreachable("store", without_password(settings.store), f"It said: {error}") from error
    kept = [one for one in stored if len(one.fhr) >= LEAST_S * HZ]
    if not kept:
        remedy = f"Wait until a device has sent {LEAST_S // 60} min, or check --ward and --shards"
        raise BadSettings("ward", settings.ward, remedy)
    return kept


def build_ward_what_if(
    kept: list[BedHistory], policy: str, hours: float, moved: Callable[[int], None] = lambda _: None
) -> WhatIf:
    """Return the flags at every position of the sliders that the default study has.

    policy: name or path of the ward's own. Raises BadStudy when that has no such numbers.
    """
    planned = _planned(policy)
    kept = [_up_to_now(one, hours) for one in kept]
    simulated = what_if.build_what_if(planned, _measure(kept, planned, hours, moved))
    starts_s = [hours * 3600 - len(one.fhr) / HZ for one in kept]  # those that came later begin later
    return structs.replace(
        simulated,
        about=f"The last {hours:g} h of this ward, {len(kept)} beds, nobody answering: what staff did is not in it.",
        sliders=[_moved(slider, starts_s, hours * 3600) for slider in simulated.sliders],
    )


def _up_to_now(one: BedHistory, hours: float) -> BedHistory:
    """Return the hours extended by the silence up to now and cut to length, so that all beds end together."""
    silent = round(max(0.0, min(hours * 3600, one.now_s - one.last_s)) * HZ)
    most = round(hours * 3600) * HZ
    fhr, ua = (np.append(signal, np.full(silent, np.nan))[-most:] for signal in (one.fhr, one.ua))
    left_out_s = max(0, len(one.fhr) + silent - most) // HZ
    return structs.replace(one, fhr=fhr, ua=ua, first_s=one.first_s + left_out_s)


def _planned(policy: str) -> StudyPlan:
    return plan.plan_base(structs.replace(plan.read("default-policy"), name=NAME, policy=policy), NAME)


def _measure(kept: list[BedHistory], planned: StudyPlan, hours: float, moved: Callable[[int], None]) -> MeasuredShifts:
    second_stage = [
        np.inf if one.second_stage_from_s is None else one.second_stage_from_s - one.first_s for one in kept
    ]
    weeks = [one.weeks or 0 for one in kept]
    fhr, ua = [one.fhr for one in kept], [one.ua for one in kept]
    measured = evaluate_beds(fhr, ua, second_stage, weeks, planned.rules, moved)
    seconds = np.array([len(one.fhr) // HZ for one in kept])
    padded = np.full((len(kept), int(seconds.max()) * HZ), np.nan)
    for n, one in enumerate(kept):
        padded[n, : seconds[n] * HZ] = one.fhr[: seconds[n] * HZ]
    case = Case(NAME, hours, 0, tuple((one.bed, 0) for one in kept))
    return MeasuredShifts([case], measured, padded, seconds, [None] * len(kept))


def _moved(slider: what_if.Slider, starts_s: list[float], ends_s: float) -> what_if.Slider:
    def moved(one: what_if.FlagInterval) -> what_if.FlagInterval:
        start = starts_s[one.bed]
        return structs.replace(one, from_s=one.from_s + start, until_s=min(ends_s, one.until_s + start))

    positions = [structs.replace(p, flags=[moved(one) for one in p.flags]) for p in slider.positions]
    return structs.replace(slider, positions=positions)
