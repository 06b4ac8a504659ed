"""What the page shows of a bed, and in which order; how strips travel."""

import struct
from typing import Any

import msgspec
import numpy as np
import pytest

from dashboard import pages
from dashboard.strips import KEPT_S, NONE, Strip
from dashboard.view_model import UNWATCHED_AFTER_MS, Card, card, dead_parts, in_order
from quietward.messages import Block, Contractions, Level, Signal, Summary
from quietward.notice import NOTICE

NOW = 1_790_000_000_000


def summary(bed: str = "bed-1", **changes: Any) -> Summary:
    plain = Summary(
        bed=bed, session="s", t=NOW, at=NOW - 400, looked_at=NOW, signal=Signal.GOOD, signal_reason="", fhr_bpm=140.0,
        baseline_bpm=141.6, variability_bpm=9.0, running=None, contractions=Contractions(3.1, 190.0, 61.0, 20.0),
        concern=12.0, concern_parts=[], classes=[], level=Level.QUIET, reason="", level_since=None, flag=None,
        acknowledged_by=None, events=3,
    )  # fmt: skip
    return msgspec.structs.replace(plain, **changes)


def shown(**changes: Any) -> Card:
    return card("bed-1", summary(**changes), NOW)


def test_a_bed_nobody_looked_at_is_never_quiet() -> None:
    late = card("bed-1", summary(), NOW + UNWATCHED_AFTER_MS + 1)
    assert late.state == late.headline == late.signal == "unwatched"
    assert late.concern is None
    assert card("bed-1", None, NOW).state == "unwatched"
    assert card("bed-1", summary(), NOW + UNWATCHED_AFTER_MS).state == "quiet"


def test_a_lost_bed_is_never_quiet_and_keeps_a_higher_level() -> None:
    assert shown(signal=Signal.LOST, signal_reason="nothing for 12 s").state == "lost"
    worse = shown(signal=Signal.LOST, level=Level.BEDSIDE, reason="a fall", flag="bed-1-f1", level_since=NOW)
    assert worse.state == "bedside"
    assert "a fall" in worse.reason


def test_the_bed_that_needs_somebody_comes_first() -> None:
    cards = [
        card("bed-1", summary("bed-1"), NOW),
        card("bed-2", summary("bed-2", level=Level.LOOK, level_since=NOW, flag="f"), NOW),
        card("bed-3", summary("bed-3", level=Level.TEAM, level_since=NOW, flag="f"), NOW),
        card("bed-4", summary("bed-4", signal=Signal.LOST), NOW),
        card("bed-5", None, NOW),
        card("bed-6", summary("bed-6", level=Level.BEDSIDE, level_since=NOW, flag="f", acknowledged_by="Kim"), NOW),
        card("bed-7", summary("bed-7", level=Level.BEDSIDE, level_since=NOW, flag="f"), NOW),
        card("bed-10", summary("bed-10"), NOW),
        card("bed-8", summary("bed-8", concern=45.0), NOW),
    ]
    assert [c.bed for c in in_order(cards)] == [
        "bed-3", "bed-7", "bed-6", "bed-5", "bed-4", "bed-2", "bed-8", "bed-1", "bed-10",
    ]  # fmt: skip


def test_small_changes_of_concern_make_no_bed_jump() -> None:
    a, b = summary("bed-1", concern=11.0), summary("bed-2", concern=18.0)
    assert [c.bed for c in in_order([card("bed-2", b, NOW), card("bed-1", a, NOW)])] == ["bed-1", "bed-2"]


def test_numbers_in_words() -> None:
    found = shown()
    assert (found.fhr, found.baseline, found.age_s) == ("140", "142", 0.4)
    assert found.contractions == "every 3.2 min, 61 s"
    assert shown(fhr_bpm=None).fhr == "–"


def test_dead_parts_are_named() -> None:
    assert dead_parts({"ingest": NOW, "detect": NOW - 9000}, ("ingest", "detect", "other"), NOW) == [
        "detect has been silent for 9 s", "other has never been heard of",
    ]  # fmt: skip


def block(second: int, bpm: float | None) -> Block:
    return Block("b", "s", second, second * 1000, 0, [bpm] * 4, [10.0] * 4)


def test_strips_keep_half_an_hour_and_leave_gaps_empty() -> None:
    strip = Strip()
    for second in [*range(100, 200), *range(205, 300)]:
        strip.add(block(second, 140.25))
    first, body = strip.part(-1)
    fhr = np.frombuffer(body, dtype="<i2")[: (300 - first) * 4].reshape(-1, 4)
    assert first == 100
    assert (fhr[:100] == 561).all()
    assert (fhr[100:105] == NONE).all()
    assert len(strip.part(298)[1]) == 2 * 4 * struct.calcsize("<h")
    strip.add(block(300 + KEPT_S - 10, None))
    assert strip.part(-1)[0] == 300 - 9


def test_a_clock_that_trembles_makes_no_holes() -> None:
    strip = Strip()
    for seq, t in enumerate([1000, 1999, 3001, 3998, 5002]):
        strip.add(Block("b", "s", seq, t, 0, [140.0] * 4, [10.0] * 4))
    first, body = strip.part(-1)
    assert (first, strip.last) == (1, 5)
    assert (np.frombuffer(body, dtype="<i2")[: 5 * 4] == 560).all()


def test_a_clock_set_back_does_not_freeze_the_strip() -> None:
    strip = Strip()
    for seq in range(10):
        back = 600_000 if seq >= 5 else 0
        strip.add(Block("b", "s", seq, 1_000_000 + seq * 1000 - back, 0, [140.0] * 4, [10.0] * 4))
    assert strip.last - strip.first == 9


def test_a_late_second_is_drawn_where_it_belongs() -> None:
    strip = Strip()
    for seq in (0, 1, 3, 2):
        strip.add(block(100 + seq, 140.0 + seq))
    fhr = np.frombuffer(strip.part(-1)[1], dtype="<i2")[: 4 * 4].reshape(-1, 4)
    assert (fhr[:, 0] == [560, 564, 568, 572]).all()
    assert strip.last == 103


def test_a_look_from_the_future_is_not_believed() -> None:
    """A page whose clock is behind must not show a dead detector's bed as quiet for as long."""
    found = card("bed-1", summary("bed-1", looked_at=NOW + 600_000), NOW)
    assert found.state == "unwatched"
    assert "clocks disagree" in found.reason
    assert "600 s ahead" in dead_parts({"detect": NOW + 600_000}, ("detect",), NOW)[0]


@pytest.mark.parametrize("path", ["/", "/bed/bed-1"])
def test_every_page_carries_the_notice(path: str) -> None:
    assert NOTICE in str(pages.shell())
    assert NOTICE in pages.not_found("<x>")
    assert "<x>" not in pages.not_found("<x>")
    assert pages.page_for(path) is not None


def test_paths_of_beds() -> None:
    assert pages.bed_of("/bed/bed-1") == "bed-1"
    assert pages.bed_of("/bed/BED") is None
    assert pages.bed_of("/bed/a/b") is None
