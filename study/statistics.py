"""Uncertainty of what is counted: exact intervals of shares, paired exact tests, draws of shifts kind by kind."""

import math
from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Matrix = NDArray[np.float64]

BETWEEN = (0.025, 0.975)
LEVEL = 0.05
PERMUTATIONS = 9999
"""More assignments than these are drawn, where their sums cannot be counted."""
MOST_PARTS, MOST_STEPS = 10_000, 1_000_000
"""Differences are counted as integers where all are multiples of a part no smaller, and their sum has so many."""


class Permutation(NamedTuple):
    """The p of a permutation test. is_exact: all assignments were counted, none drawn."""

    p: float
    is_exact: bool


def exact_interval(count: int, of: int) -> tuple[float, float]:
    """Return the 95 % interval of a share after Clopper and Pearson (Biometrika 1934;26:404)."""
    found = stats.binomtest(count, of).proportion_ci(BETWEEN[1] - BETWEEN[0], method="exact")
    return float(found.low), float(found.high)


def clustered_interval(
    counts: Sequence[int], of: Sequence[int], kinds: Sequence[str], draws: int = 1
) -> tuple[float, float]:
    """Return the 95 % interval of a share of what is counted shift by shift, where one shift's belong together.

    It is the exact one for as many independent ones as would vary as much (Korn and Graubard, Survey Methodology
    1998;24:193, without their correction for few clusters); for never more than there are. draws: so often each of them
    is counted, which makes no more of them.
    """
    n, count = sum(of), sum(counts)
    if max(of) <= 1:
        return exact_interval(count, n)  # nothing that could belong together
    share = count / n
    plain = share * (1 - share) / n
    effect = max(float(draws), _variance(share, counts, of, kinds) / n**2 / plain) if plain else float(draws)
    if effect == 1.0:
        return exact_interval(count, n)
    n_effective, seen = n / effect, count / effect
    low = stats.beta.ppf(BETWEEN[0], seen, n_effective - seen + 1) if count else 0.0
    high = stats.beta.ppf(BETWEEN[1], seen + 1, n_effective - seen) if count < n else 1.0
    return float(low), float(high)


def _variance(share: float, counts: Sequence[int], of: Sequence[int], kinds: Sequence[str]) -> float:
    """Return the variance of the sum over shifts, from how shifts of one kind differ."""
    variance = 0.0
    for kind in dict.fromkeys(kinds):
        rest = [c - share * n for c, n, k in zip(counts, of, kinds, strict=True) if k == kind]
        if len(rest) > 1:
            variance += len(rest) * float(np.var(rest, ddof=1))
    return variance


def none_seen_at_most() -> float:
    """Return the upper end of the exact 95 % interval of a Poisson count of which none was seen."""
    return float(stats.chi2.ppf(BETWEEN[1], 2) / 2)


def mcnemar_p(only_one: int, only_other: int) -> float:
    """Return the exact two-sided p of McNemar's test: of pairs that differ, so many differ in one direction."""
    pairs = only_one + only_other
    return float(stats.binomtest(only_one, pairs).pvalue) if pairs else 1.0


def paired_p(differences: Sequence[float], seed: int) -> Permutation:
    """Return the two-sided p of a permutation test: the sign of each shift's difference could as well be the other.

    Exact where the differences are multiples of one part, as counts are, and counts per hour of shifts of one length:
    the sums of all assignments are counted, difference by difference. Else `PERMUTATIONS` are drawn.
    """
    if len(differences) < 2 or not np.any(differences):
        return Permutation(1.0, is_exact=True)
    whole = _as_integers(differences)
    if whole is not None:
        return Permutation(_sign_flips_p(whole), is_exact=True)
    found = stats.permutation_test(
        (differences,), np.mean, permutation_type="samples", n_resamples=PERMUTATIONS, rng=seed
    )
    return Permutation(float(found.pvalue), is_exact=2 ** len(differences) <= PERMUTATIONS)


def _as_integers(values: Sequence[float]) -> list[int] | None:
    """Return multiples of the greatest part that all are multiples of; None where there is none, or too small a one."""
    parts = [Fraction(value).limit_denominator(MOST_PARTS) for value in values]
    if not np.allclose([float(part) for part in parts], values, rtol=1e-12, atol=1e-12):
        return None
    below = math.lcm(*(part.denominator for part in parts))
    whole = [int(part * below) for part in parts]
    common = math.gcd(*whole) or 1  # none is left of what only rounding had made unequal
    whole = [value // common for value in whole]
    return whole if sum(map(abs, whole)) <= MOST_STEPS else None


def _sign_flips_p(differences: Sequence[int]) -> float:
    """Return the share of all assignments of signs whose sum is as far from 0, from the distribution of the sum."""
    total = sum(map(abs, differences))
    chance = np.zeros(total + 1)  # of each sum of those whose sign is positive
    chance[0], most = 1.0, 0
    for size in filter(None, map(abs, differences)):
        before = chance[: most + 1] / 2
        chance[: most + 1] = before
        most += size
        chance[size : most + 1] += before
    sums = np.abs(2 * np.arange(total + 1) - total)
    return min(1.0, float(chance[sums >= abs(sum(differences))].sum()))


def draw_shifts(kinds: Sequence[str], draws: int, seed: int) -> Matrix:
    """Return how often each shift is in each draw with replacement, shape (draws, shifts).

    Shifts are drawn kind by kind, so every draw has as many of each kind as the study.
    """
    rng = np.random.default_rng(seed)
    weights = np.zeros((draws, len(kinds)))
    for kind in dict.fromkeys(kinds):
        own = [i for i, other in enumerate(kinds) if other == kind]
        weights[:, own] = rng.multinomial(len(own), np.full(len(own), 1 / len(own)), size=draws)
    return weights


def draw_shifts_and_staff(kinds: Sequence[str], staff: int, draws: int, seed: int) -> Matrix:
    """Return the same where every shift is there under so many draws of its staff, shape (draws, staff x shifts).

    Beside the shifts the draws of the staff are drawn again, each as a whole, so that every draw is a mean over as many
    of both as the figure it belongs to. That is the pigeonhole bootstrap (Owen, Annals of Applied Statistics
    2007;1:386): of what shifts differ by it sees all, of what n draws differ by as a whole (n - 1) / n of the variance,
    and what hangs on both together counts up to three times.
    """
    shifts = draw_shifts(kinds, draws, seed)
    of_staff = np.random.default_rng([seed, staff]).multinomial(staff, np.full(staff, 1 / staff), size=draws)
    together: Matrix = (of_staff[:, :, None] * shifts[:, None, :]).reshape(draws, staff * len(kinds))
    return together
