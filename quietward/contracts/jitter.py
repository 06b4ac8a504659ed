"""Pure: random delays, so that many who wait for one server do not come to it in the same moment."""

import random


def equal_jitter(limit_s: float, source: random.Random | None = None) -> float:
    """Return a delay between half of a limit and all of it. source: of randomness; the process's own if not given.

    Half is certain, so that a server that is down is not asked without a pause; half is drawn.
    """
    draw = random.random() if source is None else source.random()
    return limit_s * (0.5 + draw / 2)
