"""Order statistics of a few hundred numbers, in place."""

from quietward.detect.core.arrays import Floats
from quietward.detect.core.compiled import compiled


@compiled
def kth_smallest(values: Floats, n: int, k: int) -> float:
    """Return which of the first n values has k below it in order; reorders them (quickselect after Hoare). No NaN."""
    low, high = 0, n - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return float(values[k])


@compiled
def kth_from_end(values: Floats, n: int, k: int, end: int) -> float:
    """Return which of the first n values has k beyond it, above (end: 1) or below (-1); reorders them. No NaN.

    The same as `kth_smallest`, and faster where k is small: the k + 1 outermost so far stand in front, in their order.
    """
    for i in range(n):
        place = i
        if i > k:
            if end * values[i] <= end * values[k]:
                continue  # most of them
            values[i], values[k] = values[k], values[i]
            place = k
        while place > 0 and end * values[place] > end * values[place - 1]:
            values[place], values[place - 1] = values[place - 1], values[place]
            place -= 1
    return float(values[k])
