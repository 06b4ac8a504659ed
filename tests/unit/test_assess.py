"""`assess`: what is not known of a recording is not said, and stays visible as such."""

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.detect import assess
from quietward.detect.assessment import Assessment
from quietward.recordings.recording import Recording, Signal
from tests.traces import RULES, bell, flat, put, ripple

MINUTES = 40


def assessed(fhr: Signal, ua: Signal) -> Assessment:
    (row,) = assess.assess([Recording("r", fhr, ua)], RULES, "figo-2015")
    return row


def toco(seconds: int) -> Signal:
    """A contraction every three minutes."""
    ua = flat(10, seconds) + ripple(seconds, 1)
    for at in range(60, seconds - 60, 180):
        ua = put(ua, at, bell(50, 60))
    return ua


def every_minute(row: Assessment) -> list[int]:
    return sorted(x.t_s for x in [*row.assessments, *row.not_assessed])


def test_nothing_is_assessed_where_no_fhr_is_known() -> None:
    row = assessed(np.full(MINUTES * 60 * HZ, np.nan), toco(MINUTES * 60))
    assert row.assessments == []
    assert every_minute(row) == list(range(60, MINUTES * 60 + 1, 60))
    assert {(x.rule_class, x.concern, x.concern_class) for x in row.not_assessed} == {(None, None, None)}
    assert all("too little usable FHR to say anything" in x.reasons for x in row.not_assessed)


def test_what_is_assessed_is_known_in_full() -> None:
    """The FHR begins after ten minutes: before that there is no concern, and the class says what is missing."""
    fhr = flat(140, MINUTES * 60) + ripple(MINUTES * 60, 10)
    fhr[: 600 * HZ] = np.nan
    row = assessed(fhr, toco(MINUTES * 60))
    assert every_minute(row) == list(range(60, MINUTES * 60 + 1, 60))
    assert {x.t_s for x in row.not_assessed} >= set(range(60, 601, 60))
    assert row.assessments[-1].t_s == MINUTES * 60
    assert all(x.rule_class in (1, 2, 3) and x.concern_class in (1, 2, 3) for x in row.assessments)
    assert {x.concern for x in row.assessments} != {50.0}
    without = [x for x in row.assessments if "the baseline is undetermined" in x.reasons]
    assert {x.rule_class for x in without} <= {2, 3}, "not known to be normal"


@pytest.mark.parametrize(
    ("still_min", "lost_min"), [(31, 31), (4, 4), (2, 0)], ids=["half an hour", "minutes", "between two contractions"]
)
def test_ua_that_does_nothing_for_minutes_is_not_usable(still_min: int, lost_min: int) -> None:
    ua = toco(MINUTES * 60)
    ua[240 * HZ : (240 + still_min * 60) * HZ] = 7.0
    row = assessed(flat(140, MINUTES * 60) + ripple(MINUTES * 60, 10), ua)
    assert row.signal.ua_usable == pytest.approx(1 - lost_min / MINUTES, abs=0.002)


def test_ua_that_only_flickers_is_not_usable() -> None:
    """What the detector calls flat: less than `tone.flat_range` in its window."""
    seconds = MINUTES * 60
    row = assessed(flat(140, seconds) + ripple(seconds, 10), flat(20, seconds) + ripple(seconds, 2))
    assert row.signal.ua_usable == 0.0


def test_ua_that_is_missing_is_not_usable_and_a_gap_is_no_stillness() -> None:
    ua = toco(MINUTES * 60)
    ua[600 * HZ : 1200 * HZ] = np.nan
    row = assessed(flat(140, MINUTES * 60) + ripple(MINUTES * 60, 10), ua)
    assert row.signal.ua_usable == pytest.approx(0.75)
