"""A toco that says the same for minutes hangs on nobody: what it says is not usable."""

from tests.traces import bell, flat, put, run


def test_a_toco_that_stays_the_same_for_minutes_is_not_usable() -> None:
    """Contractions until it is taken off: what was there before is within the window for minutes to come."""
    ua = flat(10, 1500)
    for at in range(60, 900, 180):
        ua = put(ua, at, bell(50, 60))
    found = run(flat(140, 1500), ua)
    assert not found.measure_at(1000, "ua_flat")
    assert found.measure_at(1030, "ua_flat"), "the last contraction has ended at 840 s"
    assert found.measure("ua_flat")
