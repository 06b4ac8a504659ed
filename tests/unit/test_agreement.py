"""What `tests.bench.concern` measures: nothing that judges a record has seen it, and intervals are over records."""

import numpy as np
import pytest

from quietward.detect.calibrate import weighted_kappa
from quietward.detect.core.arrays import Floats, Ints
from tests.bench import concern as bench
from tests.bench.concern import Said, Votes

RANDOM = np.random.default_rng(5)
RECORD = np.repeat(np.arange(40), 3)
SHARES = RANDOM.uniform(size=(120, 3))
MEAN = np.clip(1 + 1.8 * SHARES[:, 0] + 0.4 * SHARES[:, 1] + RANDOM.normal(0, 0.1, 120), 1, 3)
VOTES = Votes(RECORD, np.rint(MEAN).astype(np.int64), MEAN)


def test_no_record_is_judged_by_what_has_seen_it() -> None:
    asked: list[Ints] = []

    def model(x: Floats, votes: Votes, new: Floats) -> tuple[Floats, Ints]:
        own = RECORD[[int(np.flatnonzero((one == SHARES).all(axis=1))[0]) for one in new]]
        assert not set(own.tolist()) & set(votes.record.tolist())
        assert len(x) == len(votes.record)
        asked.append(own)
        return new[:, 0], np.ones(len(new), dtype=np.int64)

    said = bench.out_of_fold(SHARES, VOTES, model, seed=1, repeats=2)
    assert sorted(np.concatenate(asked).tolist()) == sorted([*RECORD.tolist()] * 2)
    assert said.value == pytest.approx(np.array([SHARES[:, 0]] * 2))


def test_a_learning_curve_shows_fewer_records() -> None:
    seen: list[int] = []

    def model(x: Floats, votes: Votes, new: Floats) -> tuple[Floats, Ints]:
        seen.append(len(np.unique(votes.record)))
        return new[:, 0], np.ones(len(new), dtype=np.int64)

    bench.out_of_fold(SHARES, VOTES, model, seed=1, repeats=1, share=0.25)
    assert seen == [8] * 5  # a quarter of the 32 records of four folds


def test_the_interval_is_of_whole_records() -> None:
    said = bench.out_of_fold(SHARES, VOTES, bench.linear, seed=1)
    low, high = (float(x) for x in bench.interval(VOTES, said, bench.kappa, 1, 200).split(" to "))
    assert low < bench.kappa(VOTES, said) < high
    assert bench.kappa(VOTES, said) == pytest.approx(np.mean([weighted_kappa(VOTES.majority, r) for r in said.rank]))
    one = Votes(np.zeros(120, dtype=np.int64), VOTES.majority, VOTES.mean)
    low, high = (float(x) for x in bench.interval(one, said, bench.kappa, 1, 20).split(" to "))
    assert low == high


def test_pathological_called_normal_counts_no_other_mistake() -> None:
    votes = Votes(np.arange(4), np.array([3, 3, 1, 2]), np.array([3.0, 3.0, 1.0, 2.0]))
    assert bench.called_normal(votes, Said(np.zeros((1, 4)), np.array([[1, 2, 3, 1]]))) == 0.5


def test_nested_choice_takes_the_form_that_says_more() -> None:
    forms = {"weak": SHARES + RANDOM.normal(0, 0.5, SHARES.shape), "strong": SHARES}
    said, picked = bench.nested(forms, VOTES, seed=1)
    assert picked == {"strong": bench.FOLDS * bench.REPEATS}
    assert bench.kappa(VOTES, said) > 0.6


@pytest.mark.parametrize("make", [bench.forest, bench.boosting])
def test_trees_find_what_is_there(make: object) -> None:
    said = bench.out_of_fold(SHARES, VOTES, bench.ensemble(make), seed=1, folds=2, repeats=1)  # type: ignore[arg-type]
    assert bench.spearman(VOTES, said) > 0.8
