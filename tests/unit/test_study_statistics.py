"""Intervals and tests of studies, against worked examples that others have published."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietward.study import statistics
from quietward.study.statistics import Matrix


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_exact_intervals_are_those_of_newcombe(count: int, of: int, low: float, high: float) -> None:
    """Newcombe, Statistics in Medicine 1998;17:857, table I, method 5 (Clopper-Pearson)."""
    assert statistics.exact_interval(count, of) == pytest.approx((low, high), abs=5e-5)


def test_none_of_eight_is_not_none() -> None:
    """Nobody of eight: up to 1 - .025 ** (1/8), which is 37 %."""
    assert statistics.exact_interval(0, 8) == pytest.approx((0.0, 1 - 0.025 ** (1 / 8)))


def test_mcnemars_exact_test_is_that_of_fay() -> None:
    """M. P. Fay, "Exact McNemar's test and matching confidence intervals", vignette of the R package exact2x2."""
    assert statistics.mcnemar_p(2, 9) == pytest.approx(0.06543, abs=5e-6)
    assert statistics.mcnemar_p(9, 2) == statistics.mcnemar_p(2, 9)
    assert statistics.mcnemar_p(0, 0) == 1.0


def test_a_paired_permutation_test_is_that_of_fisher() -> None:
    """Fisher, The Design of Experiments (1935), section 21: Darwin's fifteen pairs of Zea mays, differences in eighths
    of an inch; 1726 of 32768 assignments are as far out, p = .0527.
    """
    darwin = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    for differences in (darwin, [x / 24 for x in darwin]):  # such as counts in 24 nurse-hours
        p, is_exact = statistics.paired_p(differences, 1)
        assert p == pytest.approx(1726 / 32768, abs=1e-12)
        assert is_exact
    assert statistics.paired_p([1.0, 2.0, 3.0], 1).p == pytest.approx(2 / 8)
    assert statistics.paired_p([0.0, 0.0], 1) == (1.0, True)
    assert statistics.paired_p([0.1 + 0.2 - 0.3, 0.0], 1) == (1.0, True), "rounding is no difference"
    assert statistics.paired_p([5.0], 1) == (1.0, True)


@given(st.lists(st.integers(-9, 9), min_size=2, max_size=9))
def test_all_assignments_of_signs_are_counted(differences: list[int]) -> None:
    sums = [
        abs(sum(sign * x for sign, x in zip(signs, differences, strict=True)))
        for signs in itertools.product((1, -1), repeat=len(differences))
    ]
    as_far = sum(one >= abs(sum(differences)) for one in sums) / len(sums)
    p, is_exact = statistics.paired_p(differences, 1)
    assert p == pytest.approx(as_far)
    assert is_exact


def test_what_has_no_common_part_is_drawn_and_said_to_be() -> None:
    """Of 35 shares of a reserve no sums can be counted; of six all assignments are gone through."""
    shares = np.random.default_rng(1).normal(0.1, 0.5, 35).tolist()
    p, is_exact = statistics.paired_p(shares, 1)
    assert 0 < p < 1
    assert not is_exact
    assert statistics.paired_p(shares[:6], 1).is_exact


def test_seventy_shifts_with_three_draws_are_exact() -> None:
    """Against the normal distribution, whose variance is the sum of the squares."""
    differences = np.random.default_rng(2).integers(-40, 50, 70).tolist()
    p, is_exact = statistics.paired_p(differences, 1)
    spread = math.sqrt(sum(x * x for x in differences))
    assert is_exact
    assert p == pytest.approx(math.erfc(abs(sum(differences)) / spread / math.sqrt(2)), rel=0.1)


def test_every_draw_has_as_many_shifts_of_each_kind_as_the_study() -> None:
    kinds = ["night"] * 6 + ["busy"] * 2
    drawn = statistics.draw_shifts(kinds, 500, 1)
    assert drawn.shape == (500, 8)
    assert (drawn[:, :6].sum(axis=1) == 6).all()
    assert (drawn[:, 6:].sum(axis=1) == 2).all()
    assert np.allclose(drawn.mean(axis=0), 1, atol=0.15)


def test_a_mean_over_draws_of_the_staff_varies_as_shifts_draws_and_both_together_do() -> None:
    """What crossed samples vary by, part by part (Owen, Annals of Applied Statistics 2007;1:386)."""
    shifts, staff = 40, 8
    weights = statistics.draw_shifts_and_staff(["night"] * shifts, staff, 6000, 1)
    assert weights.shape == (6000, staff * shifts)
    assert (weights.sum(axis=1) == staff * shifts).all()
    rng = np.random.default_rng(4)
    of_shift, of_staff, of_both = rng.normal(size=shifts), rng.normal(size=staff), rng.normal(size=(staff, shifts))

    def variance(values: Matrix) -> float:
        return float(np.var(weights @ values.ravel() / values.size))

    assert variance(np.tile(of_shift, (staff, 1))) == pytest.approx(np.var(of_shift) / shifts, rel=0.08)
    assert variance(np.tile(of_staff[:, None], (1, shifts))) == pytest.approx(np.var(of_staff) / staff, rel=0.08)
    alone = of_both - of_both.mean(axis=0) - of_both.mean(axis=1)[:, None] + of_both.mean()
    assert 1 <= variance(alone) / (np.var(alone) / alone.size) <= 3
    once = statistics.draw_shifts_and_staff(["night"] * shifts, 1, 50, 1)
    assert (once == statistics.draw_shifts(["night"] * shifts, 50, 1)).all(), "with one draw shifts alone are drawn"


def test_needs_of_one_shift_that_are_late_together_count_for_fewer() -> None:
    """Four at a time, all late or none: as many as there are shifts, not as there are needs. Independent: the same."""
    kinds = ["night"] * 40
    together = [4 if i % 4 == 0 else 0 for i in range(40)]
    low, high = statistics.clustered_interval(together, [4] * 40, kinds)
    assert (low, high) == pytest.approx(statistics.exact_interval(10, 40), abs=0.006)
    apart = [1] * 40
    assert statistics.clustered_interval(apart, [4] * 40, kinds) == statistics.exact_interval(40, 160)
    assert statistics.clustered_interval([1, 0, 0, 0], [1] * 4, kinds[:4]) == statistics.exact_interval(1, 4)
    assert statistics.clustered_interval([0] * 4, [2] * 4, ["night"] * 4) == statistics.exact_interval(0, 8)


def test_none_seen_is_up_to_3_7() -> None:
    """The exact upper limit of a Poisson mean with none seen: 3.69 (Garwood, Biometrika 1936;28:437)."""
    assert statistics.none_seen_at_most() == pytest.approx(3.689, abs=0.001)
