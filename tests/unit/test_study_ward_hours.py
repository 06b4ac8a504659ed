"""A ward's own last hours under other numbers: with those of today it is what `quietward assess` says of them."""

import numpy as np
import pytest
from msgspec import structs

from quietward.contracts.fields import HZ
from quietward.dashboard.history.bed_history import BedHistory
from quietward.detect import assess, rule_file
from quietward.detect.core.alerting.policy import LEVELS
from quietward.recordings.recording import LabourContext, Recording
from quietward.simulator import bed, scenario
from quietward.study import ward_hours
from quietward.study.what_if import WhatIf

BEGINS = 1_790_000_000
SECONDS = 3000
FALLS = "cord-not-recovering"


def hours_of(name: str, seed: int, seconds: int = SECONDS) -> BedHistory:
    labour = bed.simulate(scenario.load(name), seed, seconds)
    return BedHistory(f"{name}-{seed}"[:32], BEGINS, labour.fhr, labour.ua, [], [], labour.truth.weeks, None)


@pytest.fixture(scope="module")
def kept() -> list[BedHistory]:
    return [hours_of(FALLS, 5), hours_of("calm", 2), hours_of(FALLS, 5, SECONDS - 600)]


@pytest.fixture(scope="module")
def found(kept: list[BedHistory]) -> WhatIf:
    return ward_hours.build_ward_what_if(kept, "attention", SECONDS / 3600)


def test_at_todays_numbers_it_is_what_assess_says(kept: list[BedHistory], found: WhatIf) -> None:
    labour = LabourContext(weeks=kept[0].weeks or 0)
    recordings = [Recording(one.bed, one.fhr, one.ua, labour=labour) for one in kept[:2]]
    rows = assess.assess(recordings, rule_file.load(), "nichd-2008")
    assert rows[0].flags, "the first labour raises a flag, else nothing is compared"
    for slider in found.sliders:
        today = next(p for p in slider.positions if p.value == slider.today)
        for n, row in enumerate(rows):
            said = [(f.raised_s, f.level) for f in row.flags]
            shown = [(f.from_s, LEVELS[f.level].value) for f in today.flags if f.bed == n]
            risen = [b for a, b in zip([(0.0, "quiet"), *shown], shown, strict=False) if higher(a[1], b[1])]
            assert risen == said


def higher(before: str, after: str) -> bool:
    order = [level.value for level in LEVELS]
    return order.index(after) > order.index(before)


def test_beds_end_together_and_those_that_came_later_begin_later(found: WhatIf, kept: list[BedHistory]) -> None:
    assert found.beds == [one.bed for one in kept]
    assert found.needs == [[], [], []]
    today = next(p for p in found.sliders[0].positions if p.value == found.sliders[0].today)
    early, late = ([f for f in today.flags if f.bed == bed] for bed in (0, 2))
    assert late[0].from_s == pytest.approx(early[0].from_s + 600)
    assert all(f.until_s <= SECONDS for p in found.sliders[0].positions for f in p.flags)
    assert "nobody answering" in found.about


def test_a_number_that_is_moved_changes_what_would_have_been(found: WhatIf) -> None:
    counts = {sum(p.calls.values()) for slider in found.sliders for p in slider.positions}
    assert len(counts) > 1
    assert all(len(one.fhr) % HZ == 0 and not np.isnan(one.fhr).all() for one in [hours_of("calm", 2, 60)])


def test_a_bed_that_fell_silent_ends_with_its_silence() -> None:
    """Its last signal is not drawn as if it were of now."""
    one = structs.replace(hours_of(FALLS, 5, 1800), now_s=BEGINS + 3000.0)
    shown = ward_hours.build_ward_what_if([one, hours_of("calm", 2)], "attention", SECONDS / 3600)
    slider = shown.sliders[0]
    today = next(p for p in slider.positions if p.value == slider.today)
    recording = Recording("x", one.fhr, one.ua, labour=LabourContext(one.weeks or 0))
    (row,) = assess.assess([recording], rule_file.load(), "nichd-2008")
    assert next(f.from_s for f in today.flags if f.bed == 0) == row.flags[0].raised_s
