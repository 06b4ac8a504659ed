"""What the default policy costs on open recordings, with nobody answering.

CTU-UHB development half with nine experts' votes (Chudacek et al. 2014, Hruban et al. 2015). The policy's numbers were
chosen on these same records, so this only keeps them from getting worse unseen; it says nothing about other records.
"""

import pytest

from quietward.detect import calibrate
from quietward.detect.assess import assess
from quietward.recordings.files import read_recording
from tests.bench import attention
from tests.bench.attention import Cost, Measured
from tests.conftest import record
from tests.traces import RULES


@pytest.fixture(scope="module")
def measured() -> Measured:
    return attention.measure(record("1001").parent)


@pytest.fixture(scope="module")
def costs(measured: Measured) -> dict[str, Cost]:
    return measured.costs


def test_groups_are_those_of_the_published_votes(costs: dict[str, Cost]) -> None:
    assert [c.records for c in costs.values()] == [67, 58, 79]


def test_few_raisings_on_normal_records(costs: dict[str, Cost]) -> None:
    normal = costs["normal"]
    assert sum(normal.per_hour.values()) <= 1.29, (
        "1.287 measured, 1.0 aimed at: the table asks for a look where variable decelerations are recurrent for long"
    )
    assert normal.urgent_per_hour <= 0.32, (
        ".316 measured, .15 aimed at; falls that a gap does not part are .073 of it, those that are mostly lost .036"
    )


def test_few_raisings_in_the_time_that_experts_called_normal(measured: Measured) -> None:
    """Half of the calls on these records come in second stages that most experts did not call normal."""
    hours, raised = measured.by_judgement["normal"]
    assert hours == pytest.approx(74.1, abs=0.1)
    assert (raised["bedside"] + raised["team"]) / hours <= 0.18, ".175 measured, .15 aimed at"
    assert sum(h for h, _ in measured.by_judgement.values()) == pytest.approx(measured.costs["normal"].hours)


def test_somebody_is_called_in_most_pathological_records(costs: dict[str, Cost]) -> None:
    found = costs["pathological in step 1 or 2"]
    assert found.reached / found.records >= 0.85


def test_the_baseline_is_known_at_nearly_all_ends_of_judged_windows() -> None:
    """In 19 of the 722 there are less than 2 min of FHR in the last 10."""
    folder = record("1001").parent
    judged = calibrate.windows(folder)
    names = sorted({w.record for w in judged})
    rows = assess([read_recording(folder / f"{name}.hea") for name in names], RULES, "figo-2015")
    baselines = {row.record: row.baseline for row in rows}
    last = [[b.bpm for b in baselines[w.record] if b.t_s <= w.end_s][-1] for w in judged]
    assert last.count(None) <= 0.05 * len(judged)
