"""Whether the rates of twins are one and the same: both sensors may have found the same fetus."""

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.compiled import compiled
from quietward.detect.core.parameters import TwinLimits
from quietward.detect.core.signal.minute import FHR, LENGTH, Minute


@compiled
def same_rate_share(m: Minute, first: int, second: int, limits: TwinLimits) -> float:
    """Return at which share of the last minute's samples two fetuses have the same rate.

    Rates of two fetuses cross, and may lie side by side for minutes; that they also move alike is what tells that they
    are one. So it is 0 where the correlation of the two is low, of the samples at which they are the same: what one
    sensor hears for a moment and the other does not must not hide it. NaN where both were there for too short a time.
    first, second: places of the two; the minute of both ends now.
    """
    both, near, sum_a, sum_b = 0, 0, 0.0, 0.0
    for i in range(LENGTH):
        a, b = m.samples[FHR, i, first], m.samples[FHR, i, second]
        both += not np.isnan(a - b)
        if abs(a - b) <= limits.within_bpm:
            near += 1
            sum_a += a
            sum_b += b
    if both < limits.least_s * HZ:
        return np.nan
    if near == 0:
        return 0.0
    mean_a, mean_b = sum_a / near, sum_b / near
    together, spread_a, spread_b = 0.0, 0.0, 0.0
    for i in range(LENGTH):
        a, b = m.samples[FHR, i, first], m.samples[FHR, i, second]
        if abs(a - b) <= limits.within_bpm:
            together += (a - mean_a) * (b - mean_b)
            spread_a += (a - mean_a) ** 2
            spread_b += (b - mean_b) ** 2
    move_alike = together > 0 and together >= limits.move_alike * np.sqrt(spread_a * spread_b)
    return near / both if move_alike else 0.0
