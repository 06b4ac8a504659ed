"""The calibration: its kappa is Cohen's, its windows are the data's, and it keeps the sign of every finding."""

from pathlib import Path

import numpy as np
import pytest

from quietward.detect import calibrate, rule_file
from tests.conftest import record


def test_weighted_kappa_after_cohen_1968() -> None:
    """Cohen J, Psychol Bull 1968;70:213: 1 for agreement, 0 for chance; a case worked by hand."""
    a = np.array([1, 2, 3, 1, 2, 3])
    assert calibrate.weighted_kappa(a, a) == 1
    assert calibrate.weighted_kappa(a, np.array([1, 1, 1, 3, 3, 3])) == pytest.approx(0)
    # Observed disagreement: one cell of weight 1/4 of 6; expected: marginals (2,2,2) and (2,1,3).
    b = np.array([1, 3, 3, 1, 2, 3])
    expected = ((2 * 1 + 2 * 2 + 2 * 3 + 2 * 1) * 0.25 + (2 * 3 + 2 * 2) * 1) / 6
    assert calibrate.weighted_kappa(a, b) == pytest.approx(1 - 0.25 / expected)


def test_class_limits_are_those_of_the_best_kappa() -> None:
    rng = np.random.default_rng(3)
    majority = rng.integers(1, 4, 80)
    value = majority * 20 + rng.normal(0, 15, 80)
    two, three = calibrate.class_limits(value, majority)
    grid = np.percentile(value, np.arange(5, 100, 2.5))
    most = max(
        calibrate.weighted_kappa(majority, calibrate.ranks(value, a, b))
        for i, a in enumerate(grid)
        for b in grid[i + 1 :]
    )
    assert calibrate.weighted_kappa(majority, calibrate.ranks(value, two, three)) == pytest.approx(most)


def test_majority_breaks_ties_to_the_worse_class() -> None:
    assert calibrate.Window("r", 1, 1, [1, 1, 2]).majority == 1
    assert calibrate.Window("r", 1, 1, [1, 1, 3, 3, 2]).majority == 3


def test_windows_of_the_open_data() -> None:
    """CTU-UHB development half: 722 windows with at least three first ratings; majorities as published beside it."""
    found = calibrate.windows(record("1001").parent)
    assert len(found) == 722
    assert [sum(w.majority == k for w in found) for k in (1, 2, 3)] == [283, 328, 111]


def test_no_finding_counts_against_its_sense() -> None:
    rng = np.random.default_rng(1)
    x = rng.uniform(size=(300, 3))
    mean_vote = np.clip(1 + 1.5 * x[:, 0] - 0.8 * x[:, 1] + 0.5 * x[:, 2], 1, 3)
    points, start, two, three = calibrate.fit(x, mean_vote, np.rint(mean_vote).astype(np.int64))
    assert points.min() >= 0
    assert points[0] > points[2] > points[1]
    assert two < three
    assert start >= 0


def test_new_numbers_change_nothing_else() -> None:
    rules = rule_file.load()
    text = Path(rule_file.__file__).with_name("rules").joinpath("concern.toml").read_text()
    made = calibrate.rewritten(
        text, rules.concern, np.arange(float(len(rules.concern.finding))) + 10, 1.0, 20.0, 40.0, "said"
    )
    assert made.count("\n") == text.count("\n")
    changed = [a for a, b in zip(text.splitlines(), made.splitlines(), strict=True) if a != b]
    assert all(
        line.split(" ")[0] in {"calibration", "start", "class_2_from", "class_3_from", "points"} for line in changed
    )
    assert len(changed) == 4 + len(rules.concern.finding)
