"""What the page shows of a bed, and in which order; how strips travel; what a person may do."""

import json
import re
import struct
import tomllib
from pathlib import Path
from typing import Any, cast
from unittest.mock import patch

import msgspec
import numpy as np
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block
from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.contracts.policy_info import AdjustableLimit, PolicyInfo
from quietward.contracts.stays import Stay
from quietward.contracts.summary import (
    CareRecord,
    Contractions,
    FetusSummary,
    HandTimed,
    Level,
    OngoingDeceleration,
    Paused,
    Shelved,
    SignalState,
    Summary,
    TraceSummary,
)
from quietward.dashboard.live import hub as live_hub
from quietward.dashboard.live.hub import Hub
from quietward.dashboard.routes import commands
from quietward.dashboard.view import wording
from quietward.dashboard.view.clocks import Lateness
from quietward.dashboard.view.marks import strip_marks
from quietward.dashboard.view.ranking import Ranking, rank_beds
from quietward.dashboard.view.signal_buffer import KEPT_S, NO_VALUE, SignalBuffer
from quietward.dashboard.view.view_model import CATCHING_UP, UNWATCHED_AFTER_MS, Card, build_card
from quietward.dashboard.web import pages
from quietward.detect import rule_file
from quietward.detect.core.patterns import hand
from quietward.language.catalogue import language
from quietward.practice import routes as practice

NOW = 1_790_000_000_000


def summary(bed: str = "bed-1", **changes: Any) -> Summary:
    plain = Summary(
        bed=bed, session="s", t=NOW, at=NOW - 400, looked_at=NOW, signal=SignalState.GOOD, signal_reason="",
        fhr_bpm=140.0, baseline_bpm=141.6, variability_bpm=9.0, running=None,
        contractions=Contractions(3.1, 190.0, 61.0, 20.0),
        concern=12.0, concern_parts=[], classes=[], level=Level.QUIET, reason="", level_since=None, flag=None,
        acknowledged_by=None, events=3,
    )  # fmt: skip
    return msgspec.structs.replace(plain, **changes)


def twin(**changes: Any) -> FetusSummary:
    calm = FetusSummary(SignalState.GOOD, "", 140.0, 140.0, 9.0, None, 5.0, [], Level.QUIET, "", None, None, None)
    return msgspec.structs.replace(calm, **changes)


def shown(**changes: Any) -> Card:
    return build_card("bed-1", summary(**changes), NOW)


def order(cards: list[Card], before: dict[str, Ranking] | None = None) -> list[str]:
    return [c.bed for c in rank_beds(cards, before or {}, NOW)[0]]


PAUSED = Paused("Kim", "bathroom", NOW + 600_000)
SHELF = Shelved("low-baseline", "Kim", "toco moved", NOW + 900_000, active=True, level=Level.BEDSIDE)
SHEET = PolicyInfo(
    "attention", "r1", longest_shelve_s=3600, longest_shelve_bedside_s=600,
    longest_pause_s=1800, longest_limit_s=7200, helps_within_s=600,
    limits=[AdjustableLimit("low-baseline", "baseline_bpm", 100.0, 90.0, 110.0)],
    risks=["diabetes", "previous caesarean"], undo_stay_s=600,
)  # fmt: skip


def test_a_bed_nobody_looked_at_is_never_quiet() -> None:
    late = build_card("bed-1", summary(), NOW + UNWATCHED_AFTER_MS + 1)
    assert late.state == late.headline == late.signal == "unwatched"
    assert late.concern is None
    assert build_card("bed-1", None, NOW).state == "unwatched"
    assert build_card("bed-1", summary(), NOW + UNWATCHED_AFTER_MS).state == "quiet"


def test_a_lost_bed_is_never_quiet_and_keeps_a_higher_level() -> None:
    assert shown(signal=SignalState.LOST, signal_reason="No data for 12 s, monitor disconnected").state == "lost"
    worse = shown(signal=SignalState.LOST, level=Level.BEDSIDE, reason="a fall", flag="bed-1-f1", level_since=NOW)
    assert worse.state == "bedside"
    assert "a fall" in worse.reason


def test_the_bed_that_needs_somebody_comes_first() -> None:
    cards = [
        build_card("bed-1", summary("bed-1"), NOW),
        build_card("bed-2", summary("bed-2", level=Level.LOOK, level_since=NOW, flag="f"), NOW),
        build_card("bed-3", summary("bed-3", level=Level.TEAM, level_since=NOW, flag="f"), NOW),
        build_card("bed-4", summary("bed-4", signal=SignalState.LOST), NOW),
        build_card("bed-5", None, NOW),
        build_card(
            "bed-6", summary("bed-6", level=Level.BEDSIDE, level_since=NOW, flag="f", acknowledged_by="Kim"), NOW
        ),
        build_card("bed-7", summary("bed-7", level=Level.BEDSIDE, level_since=NOW, flag="f"), NOW),
        build_card("bed-10", summary("bed-10"), NOW),
        build_card("bed-8", summary("bed-8", concern=45.0), NOW),
    ]
    assert order(cards) == ["bed-3", "bed-7", "bed-6", "bed-5", "bed-2", "bed-4", "bed-8", "bed-1", "bed-10"]


def test_a_lost_bed_stands_where_its_flag_puts_it() -> None:
    off = {"signal": SignalState.LOST, "signal_reason": "No FHR for 3 min"}
    asks = {"level": Level.LOOK, "level_since": NOW, "flag": "f"}
    cards = [
        build_card("bed-1", summary("bed-1", **off), NOW),
        build_card("bed-2", summary("bed-2", **asks, acknowledged_by="Kim"), NOW),
        build_card("bed-3", summary("bed-3", **off, **asks), NOW),
        build_card("bed-4", summary("bed-4", level=Level.NOTED, concern=60.0), NOW),
    ]
    assert order(cards) == ["bed-3", "bed-2", "bed-1", "bed-4"]


def test_arrows_compare_with_an_hour_ago() -> None:
    found = build_card("bed-1", summary(baseline_change_1h_bpm=12.0, variability_change_1h_bpm=None), NOW)
    assert (found.baseline_trend, found.variability_trend) == ("↑12", "")
    found = build_card("bed-1", summary(baseline_change_1h_bpm=-5.25, variability_change_1h_bpm=-5.25), NOW)
    assert (found.baseline_trend, found.variability_trend) == ("→", "↓5")


def test_what_is_noted_calls_nobody_and_stands_above_the_quiet() -> None:
    noted = summary("bed-2", level=Level.NOTED, reason="baseline 166 bpm, above 160 for 11 min", concern=20.0)
    found = build_card("bed-2", noted, NOW)
    assert (found.state, found.headline, found.shape) == ("noted", "noted", "square")
    assert (found.flag, found.waiting_s) == (None, None)
    assert found.reason == "baseline 166 bpm, above 160 for 11 min"
    cards = [
        build_card("bed-1", summary("bed-1", concern=31.0), NOW),
        found,
        build_card("bed-3", summary("bed-3", level=Level.LOOK, level_since=NOW, flag="f"), NOW),
    ]
    assert order(cards) == ["bed-3", "bed-2", "bed-1"]


def test_a_lost_signal_is_said_and_not_what_was_noted_before() -> None:
    found = shown(
        signal=SignalState.LOST,
        signal_reason="No data for 12 s, monitor disconnected",
        level=Level.NOTED,
        reason="baseline 166 bpm",
    )
    assert (found.state, found.reason) == ("lost", "No data for 12 s, monitor disconnected")


def test_what_is_off_on_purpose_stands_below_look_and_what_is_shelved_where_it_would_be_without() -> None:
    cards = [
        build_card("bed-1", summary("bed-1", concern=60.0), NOW),
        build_card("bed-2", summary("bed-2", shelved=[SHELF]), NOW),
        build_card("bed-3", summary("bed-3", signal=SignalState.LOST, paused=PAUSED), NOW),
        build_card("bed-4", summary("bed-4", level=Level.LOOK, level_since=NOW, flag="f"), NOW),
    ]
    assert order(cards) == ["bed-2", "bed-4", "bed-3", "bed-1"]
    asking = build_card("bed-5", summary("bed-5", level=Level.BEDSIDE, level_since=NOW, flag="f"), NOW)
    assert order([*cards, asking])[:2] == ["bed-5", "bed-2"], "whoever has not been answered comes first"


def test_small_changes_of_concern_make_no_bed_jump() -> None:
    """Steps of ten, and a bed leaves its step only when it is more than three beyond the edge."""

    def beds(first: float, second: float) -> list[Card]:
        return [build_card(bed, summary(bed, concern=c), NOW) for bed, c in (("bed-1", first), ("bed-2", second))]

    assert order(beds(11.0, 18.0)) == ["bed-1", "bed-2"]
    _, places = rank_beds(beds(19.9, 18.0), {}, NOW)
    for trembling in (20.1, 22.9, 19.0, 23.0, 7.0):
        found, places = rank_beds(beds(11.0, trembling), places, NOW)
        assert [c.bed for c in found] == ["bed-1", "bed-2"], trembling
    assert order(beds(11.0, 23.1), places) == ["bed-2", "bed-1"]
    _, places = rank_beds(beds(11.0, 23.1), places, NOW)
    assert order(beds(11.0, 17.0), places) == ["bed-2", "bed-1"]
    assert order(beds(11.0, 16.9), places) == ["bed-1", "bed-2"]
    assert order(beds(11.0, 17.0)) == ["bed-1", "bed-2"], "without a past there is no hysteresis"


def test_the_longest_unanswered_comes_first_and_keeps_its_place() -> None:
    """Though the devices' clocks differ by hours, and run at different speeds."""

    def raised(bed: str, waited_ms: int, clock_ms: int, passed_ms: int = 0, **changes: Any) -> Card:
        t = NOW + clock_ms + passed_ms
        plain = {"level": Level.LOOK, "flag": "f", "t": t, "at": NOW, "looked_at": NOW}
        plain["level_since"] = NOW + clock_ms - waited_ms
        return build_card(bed, summary(bed, **plain | changes), NOW)

    cards = [raised("bed-1", 40_000, 7_200_000), raised("bed-2", 41_000, -7_200_000), raised("bed-3", 90_000, 0)]
    found, places = rank_beds(cards, {}, NOW)
    assert [c.bed for c in found] == ["bed-3", "bed-2", "bed-1"]
    slow = raised("bed-2", 41_000, -7_200_000, passed_ms=30_000)  # a recording that is played at half speed
    later = [raised("bed-1", 40_000, 7_200_000, passed_ms=60_000), slow, raised("bed-3", 90_000, 0, passed_ms=60_000)]
    assert [c.bed for c in rank_beds(later, places, NOW + 60_000)[0]] == ["bed-3", "bed-2", "bed-1"]
    anew = raised("bed-2", 0, -7_200_000, passed_ms=30_000)  # it has been escalated since
    assert [c.bed for c in rank_beds([later[0], anew, later[2]], places, NOW + 60_000)[0]] == [
        "bed-3",
        "bed-1",
        "bed-2",
    ]
    answered = raised("bed-3", 90_000, 0, acknowledged_by="Kim")
    assert order([cards[0], cards[1], answered]) == ["bed-2", "bed-1", "bed-3"]


def test_a_pause_is_shown_and_hides_nothing_that_asks_for_somebody() -> None:
    off: dict[str, Any] = {
        "signal": SignalState.LOST,
        "signal_reason": "No data for 60 s, monitor disconnected",
        "paused": PAUSED,
    }
    found = shown(**off)
    assert (found.state, found.headline, found.until) == ("paused", "Monitor off until", PAUSED.until)
    assert "Kim: bathroom" in found.reason
    for level in (Level.LOOK, Level.BEDSIDE, Level.TEAM):
        asked = shown(**off, level=level, reason="a fall", level_since=NOW, flag="bed-1-f1")
        assert (asked.state, asked.headline) == (level, level), "what the trace asked for was not answered by a pause"
        assert asked.reason == "a fall; now no data for 60 s, monitor disconnected"
        assert asked.paused == PAUSED
    assert build_card("bed-1", summary(**off), NOW + UNWATCHED_AFTER_MS + 1).state == "unwatched"
    assert shown(paused=PAUSED).state == "quiet", "her signal is there again"
    assert shown(signal=SignalState.LOST).state == "lost", "not off on purpose"


def test_a_bed_that_is_quiet_only_because_something_is_shelved_says_so() -> None:
    later = msgspec.structs.replace(SHELF, condition="long-fall", why="known", until=NOW + 1_800_000, level=Level.LOOK)
    found = shown(shelved=[later, SHELF])
    assert (found.state, found.headline, found.until) == ("shelved", "bedside, shelved until", SHELF.until)
    assert found.hides == "bedside"
    assert "low baseline, shelved by Kim: toco moved" in found.reason
    assert shown(shelved=[msgspec.structs.replace(SHELF, active=False)]).state == "quiet"
    assert shown(shelved=[SHELF], level=Level.LOOK, level_since=NOW, flag="f").state == "look"
    assert shown(shelved=[SHELF], signal=SignalState.LOST).state == "lost"


def test_a_bed_that_never_had_a_usable_signal_says_so() -> None:
    found = shown(session="", t=-1000, signal=SignalState.LOST, signal_reason="online, but nothing usable has come")
    assert (found.state, found.headline, found.t, found.clock) == ("lost", "no signal yet", None, "")
    assert "nothing usable" in found.reason


LONG = "late decelerations, 15 of 16 contractions · deepest 35 bpm · variability 4 bpm for 122 min"
TWINS_FIRST = "first twin: deceleration of 60 bpm, 12 min long when last seen, FHR mostly lost · deepest 60"
RESTARTED = "from before a restart · late decelerations, 15 of 16 contractions · for 22 min · deepest 35 bpm"
TWINS_GAP = "first twin: from before a gap · late or prolonged decelerations with 75% of contractions · for 22 min"
BROKER = "No data for 41 s, the broker is away: no monitor can be heard"
GONE: dict[str, Any] = {"signal": SignalState.LOST, "signal_reason": BROKER}
WHY = "she is asleep and " * 11
SENDS = "A device is sending, nobody is here"
SHELVES = [Shelved("variability-low", "Nora", WHY, NOW + 900_000, active=True)]
LINES: dict[str, tuple[dict[str, Any], str]] = {
    "calls": ({"level": Level.TEAM, "flag": "f"}, ""),
    "calls and is lost": ({"level": Level.TEAM, "flag": "f"} | GONE, "; now no data for 41 s"),
    "lost": (GONE, "No data for 41 s"),
    "lost, and calls for a look": ({"level": Level.LOOK, "flag": "f"} | GONE, "No data for 41 s"),
    "unwatched": ({"level": Level.TEAM, "looked_at": NOW - 41_000}, "has looked for 41 s; last known: team"),
    "a clock ahead": ({"level": Level.TEAM, "looked_at": NOW + 90_000_000}, "clocks disagree: last look 90000 s ahead"),
    "off": (GONE | {"paused": Paused("Kim", WHY, NOW + 600_000)}, "on purpose, Kim"),
    "off, and calls": (GONE | {"paused": PAUSED, "level": Level.LOOK, "flag": "f"}, "; now no data for 41 s"),
    "shelved": ({"shelved": SHELVES}, "variability low"),
    "two shelved": ({"shelved": [*SHELVES, SHELF]}, "variability low"),
    "many shelved": ({"shelved": SHELVES * 9}, "variability low"),
    "noted": ({"level": Level.NOTED}, ""),
    "empty": ({"stay": Stay(2, "Kim", NOW), "signal_reason": SENDS}, SENDS),
}  # fmt: skip
WRITTEN = {"Kim", "Nora", "bathroom", "toco", "moved", "b" * 32, "asl", "asle", "sh", *WHY.split()}
NO_ENGLISH = {"bpm", "min", "team", "in", *WRITTEN}
"""Words that are the same in German, and what people have written."""


@pytest.mark.parametrize("name", LINES)
@pytest.mark.parametrize("reason", [LONG, TWINS_FIRST, RESTARTED, TWINS_GAP])
@pytest.mark.parametrize("to", ["", "b" * 32])
@pytest.mark.parametrize("late", [False, True])
def test_a_line_is_never_cut_and_what_is_urgent_is_never_left_out(name: str, reason: str, to: str, late: bool) -> None:
    """Whatever is added to what the detector says; also with the least that is said of a deceleration that goes on. In
    German no English is left of it.
    """
    changes, urgent = LINES[name]
    running = OngoingDeceleration(124.0, 35.0, {"figo-2015": "undetermined"})
    s = summary(reason=reason, running=running, moving_to=to, t=NOW - 600_000 * late, **changes)
    card = build_card("bed-1", s, NOW, is_late=late)
    assert len(card.reason) <= wording.LONGEST, card.reason
    assert late or urgent in card.reason
    if not card.flag and (card.state in ("shelved", "paused", "lost") or card.headline == CATCHING_UP):
        assert len(f"{card.reason} · Deceleration now, 124 s") <= wording.LONGEST, card.reason
    if late and card.state == "noted":
        assert "what is shown is 10 min old" in card.reason
    assert card.reason == card.reason.strip()
    if "from before" in card.reason or "for 22 min" in card.reason or (card.flag and not to):
        assert re.search("late .*decelerations|deceleration of 60 bpm", card.reason), card.reason
    same = set(re.findall(r"[A-Za-z]{2,}", language("de").said(card.reason))) - NO_ENGLISH
    assert not same & set(re.findall(r"[A-Za-z]{2,}", card.reason)), language("de").said(card.reason)


def test_of_a_line_whole_facts_are_left_out() -> None:
    card = shown(
        level=Level.TEAM, flag="f", reason=LONG, **GONE | {"signal_reason": "No data for 41 s, monitor disconnected"}
    )
    assert card.reason == "late decelerations, 15 of 16 contractions; now no data for 41 s, monitor disconnected"
    assert shown(shelved=SHELVES).reason.startswith("variability low, shelved by Nora: she is asleep and she is")
    assert wording.fitting("a · b, c · d", 7) == "a · d"
    assert wording.fitting("late, 3 of 5 · deepest", 9) == "late"
    assert wording.fitting("a deceleration", 13) == ""
    assert wording.fitting("first twin: a · second twin: late · deepest 60 bpm", 32) == "first twin: a", "not hers"


def test_that_it_is_from_before_a_restart_is_left_out_before_why_the_bed_calls() -> None:
    lost = {"level": Level.TEAM, "flag": "f"} | GONE | {"signal_reason": "No data for 41 s, monitor disconnected"}
    assert shown(reason=RESTARTED, **lost).reason == (
        "from before a restart · late decelerations, 15 of 16 contractions; now no data for 41 s"
    )
    assert wording.fitting(RESTARTED, 58) == "late decelerations, 15 of 16 contractions · for 22 min"
    assert wording.fitting(TWINS_GAP, 58) == "first twin: late or prolonged decelerations · for 22 min"
    assert wording.fitting("from before a restart", 30) == "from before a restart"


@pytest.mark.parametrize(
    "fact",
    [
        "baseline not known now, was below 100 bpm", "fallen from 140 bpm 25 min ago, not back",
        "variability 12 bpm, no longer above 25", "FHR seen again, its deceleration was not seen to end",
        "no usable signal for minutes, now seen for a moment", "low baseline, perhaps just over",
        "twins, but only one heart rate comes",
    ],
)  # fmt: skip
def test_no_fact_is_cut_to_what_it_does_not_say(fact: str) -> None:
    assert wording.fitting(fact, len(fact) - 1) == ""


def test_only_why_a_monitor_is_silent_is_left_out_of_what_its_signal_has() -> None:
    assert wording.without_why(BROKER) == "No data for 41 s"
    assert wording.without_why(f"second twin: {BROKER}") == "second twin: No data for 41 s"
    for whole in ("Monitor connected, but no usable data yet", "No FHR yet, for 41 s"):
        assert wording.without_why(whole) == whole


def test_where_there_is_room_nothing_is_left_out_of_what_a_bed_says() -> None:
    lost = {"level": Level.TEAM, "flag": "f"} | GONE
    full = f"{LONG}; now {BROKER[0].lower()}{BROKER[1:]}"
    assert shown(reason=LONG, **lost).full_reason == full
    assert build_card("bed-1", summary(reason=LONG, **lost), NOW, longest=wording.WHOLE).reason == full
    assert shown(shelved=SHELVES).full_reason == f"variability low, shelved by Nora: {WHY}"
    moved = shown(reason=LONG, moving_to="b" * 32, **lost).full_reason
    assert moved == f"moving to {'b' * 32}; {full}"
    assert shown(reason="a fall", level=Level.LOOK, flag="f").full_reason == "", "the same is not sent twice"


def test_what_nobody_watches_says_no_more_than_it_knows() -> None:
    assert shown(looked_at=NOW - 41_000, level=Level.TEAM, reason="").reason == (
        "no detector has looked for 41 s; last known: team"
    )


@pytest.mark.parametrize(
    ("behind_s", "says", "on_the_ward"),
    [
        (4, "", ""),
        (12, "its clock is 12 s behind the server's", ""),
        (-60, "its clock is 60 s ahead of the server's", ""),
        (-600, "its clock is 10 min ahead of the server's", "clock 10 min ahead"),
        (7260, "its clock is 2 h behind the server's", "clock 2 h behind"),
    ],
)
def test_a_devices_clock_that_differs_is_said(behind_s: int, says: str, on_the_ward: str) -> None:
    found = shown(t=NOW - behind_s * 1000, at=NOW)
    assert (found.clock, found.far_clock) == (says, on_the_ward)
    sped = build_card("bed-1", summary(t=NOW - behind_s * 1000, at=NOW), NOW, speed=10)
    assert (sped.clock, sped.far_clock) == ("", ""), "a demo's beds run ahead on purpose"


BEFORE, AFTER = TraceSummary(4, 45.0, 120.4, 141.0, 8.0, 3), TraceSummary(1, 20.0, 30.0, None, 9.0, 4)


def test_what_was_done_stands_beside_the_numbers_before_and_after() -> None:
    done = CareRecord(NOW - 700_000, "Kim", "turned", "", BEFORE, after=AFTER, helped=True)
    fresh = CareRecord(NOW - 60_000, "Ann", "other", "blanket", BEFORE)
    first, second = build_card("bed-1", summary(cared=[fresh, done]), NOW, SHEET).notes
    assert (first.what, first.result, first.result_at) == ("blanket", "", NOW - 60_000 + 600_000)
    assert ("decelerations", "4", "", "") in first.numbers
    assert (second.what, second.by, second.result) == ("turned to the side", "Kim", "helped")
    assert ("deepest", "45", "20", "bpm") in second.numbers
    assert ("baseline", "141", "–", "bpm") in second.numbers
    not_yet = build_card("bed-1", summary(cared=[msgspec.structs.replace(done, helped=False)]), NOW)
    assert (not_yet.notes[0].result, not_yet.notes[0].result_at) == ("no improvement", None)
    lost = build_card("bed-1", summary(cared=[msgspec.structs.replace(done, helped=None)]), NOW)
    assert lost.notes[0].result == "nothing to compare"


@pytest.mark.parametrize(
    ("what", "text", "says"),
    [
        ("turned", "", "turned to the side"),
        ("turned", "turned to the side", "turned to the side"),
        ("turned", "left", "turned to the side (left)"),
        ("oxytocin-turned-down", "", "oxytocin reduced"),
        ("other", "blanket", "blanket"),
        ("other", "", "other"),
        ("something-newer", "", "something-newer"),
    ],
)
def test_what_was_done_in_words(what: str, text: str, says: str) -> None:
    assert wording.care(what, text) == says


def test_a_deceleration_that_goes_on_is_said_of_either_twin() -> None:
    one, other = OngoingDeceleration(45.0, 30.0, {"a": "late"}), OngoingDeceleration(20.0, 18.0)

    def said(first: OngoingDeceleration | None, second: OngoingDeceleration | None) -> str:
        return shown(running=first, fetuses=[twin(running=first), twin(running=second)]).running

    assert shown(running=one).running == "45 s, 30 bpm deep, late so far"
    assert said(None, None) == ""
    assert said(None, other) == "second twin: 20 s, 18 bpm deep"
    assert said(one, other) == "first twin: 45 s, 30 bpm deep, late so far; second twin: 20 s, 18 bpm deep"
    german = "erster Zwilling: 45 s, 30 bpm tief, bisher eine späte; zweiter Zwilling: 20 s, 18 bpm tief"
    assert language("de").said(said(one, other)) == german


def test_what_is_held_back_in_words() -> None:
    assert shown(held_back=["concern-raised: explained", "said so"]).held_back == [
        "concern raised: explained",
        "said so",
    ]


def test_contractions_timed_by_hand_in_words() -> None:
    hand = HandTimed(4, 192.0, 61.0, 20.0, is_running=True, change=0.8, differs="recorded: every 6.0 min")
    found = shown(hand=hand, contractions=Contractions(None, None, None, None))
    assert found.contractions == "every 3.2 min, 61 s by hand"
    assert found.hand is not None
    assert found.hand.text == (
        "every 3.2 min from start to start, 61 s long; closer together than half an hour before (80%); "
        "hand-timed, 4 in 30 min"
    )
    assert found.hand.running_from_s == NOW / 1000 - 20
    late = shown(hand=hand, looked_at=NOW + 26_000, at=NOW, signal=SignalState.LOST)
    assert late.hand is not None
    assert late.hand.running_from_s == NOW / 1000 + 6, "while nothing arrives, the bed's clock goes on"
    assert shown(hand=hand).contractions == "every 3.2 min, 61 s", "what is recorded goes first"
    one = HandTimed(1, None, None, 20.0, is_running=False, change=None, differs="")
    assert "second" in str(shown(hand=one).hand)


def event(number: int, kind: str, **detail: float) -> Event:
    return Event(f"bed-1-{number}", "bed-1", NOW, kind, kind, dict(detail))


def test_a_hand_timed_contraction_that_was_taken_back_is_not_drawn() -> None:
    log = [
        event(1, "hand-contraction", onset_s=10.0, end_s=60.0),
        event(2, "hand-contraction", onset_s=200.0, end_s=250.0),
        event(3, "hand-undone", onset_s=200.0),
        event(4, "contraction", onset_s=201.0, end_s=250.0),
        event(5, "signal", lost=1.0),
    ]
    assert [(m.kind, m.from_s, m.to_s) for m in strip_marks(log[::-1])] == [
        ("contraction", 201.0, 250.0), ("hand-contraction", 10.0, 60.0),
    ]  # fmt: skip
    again = [*log, event(6, "hand-contraction", onset_s=200.0, end_s=255.0)]
    assert [(m.from_s, m.to_s) for m in strip_marks(again[::-1]) if m.kind == "hand-contraction"] == [
        (200.0, 255.0), (10.0, 60.0),
    ]  # fmt: skip


def sent(**fields: Any) -> bytes:
    return msgspec.json.encode({"bed": "bed-1", "by": "Kim", **fields})


GOOD = {
    "acknowledge": sent(type="acknowledge", flag="bed-1-f3"),
    "shelve": sent(type="shelve", flag="bed-1-f3", for_s=3600, why="toco moved"),
    "unshelve": sent(type="unshelve"),
    "care": sent(type="care", what="turned"),
    "care other": sent(type="care", what="other", text="blanket"),
    "pause": sent(type="pause", for_s=1800, why="walk"),
    "on again": sent(type="pause", for_s=0),
    "tap": sent(type="tap", edge="start"),
    "limit": sent(type="own-limit", condition="low-baseline", limit=95, for_s=7200, why="known low"),
    "arrival": sent(type="arrive", arrival={"label": "room 4", "weeks": 39, "risks": ["diabetes"]}, stay=0),
    "leaving": sent(type="leave", stay=1790000000000),
    "undo": sent(type="undo-stay"),
    "move": sent(type="move", to="bed-2"),
    "correction": sent(type="correct-arrival", arrival={"label": "room 4", "weeks": 38}, stay=0),
    "limit of the policy": sent(type="own-limit", condition="low-baseline", limit=None, for_s=0, why="over"),
}


@pytest.mark.parametrize("name", GOOD)
def test_what_a_person_may_do_is_taken(name: str) -> None:
    act = commands.parse(GOOD[name], {"bed-1", "bed-2"}, SHEET)
    assert (act.bed, act.by) == ("bed-1", "Kim")


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"{", "Is not JSON"),
        (b"\xff", "Is not JSON"),
        (b"[]", "Expected `object`"),
        (sent(type="cure"), "type: 'cure'"),
        (sent(type="acknowledge"), "missing required field `flag`"),
        (sent(type="acknowledge", flag="bed-1-f3", more=1), "unknown field `more`"),
        (sent(type="acknowledge", flag="bed-2-f3"), "flag: 'bed-2-f3'. It belongs to another bed"),
        (sent(type="acknowledge", flag="bed-2-s3"), "flag: 'bed-2-s3'. It belongs to another bed"),
        (sent(type="shelve", flag="bed-2-f3", for_s=60, why="x"), "flag: 'bed-2-f3'"),
        (sent(type="shelve", flag="bed-1-f3", for_s=0, why="x"), "for_s: 0. Give 1 to 3600 s"),
        (sent(type="shelve", flag="bed-1-f3", for_s=3601, why="x"), "for_s: 3601"),
        (sent(type="shelve", flag="bed-1-f3", for_s=60, why="  "), "why: '  '"),
        (sent(type="shelve", flag="bed-1-f3", for_s=60), "missing required field `why`"),
        (sent(type="care", what="other", text=" "), "text: ' '. Say what was done"),
        (sent(type="care", what="sung"), "what: 'sung'"),
        (sent(type="pause", for_s=1801), "for_s: 1801. Give 1 to 1800 s"),
        (sent(type="tap", edge="middle"), "edge: 'middle'"),
        (sent(type="own-limit", condition="mine", limit=1, for_s=60, why="x"), "condition: 'mine'"),
        (sent(type="own-limit", condition="low-baseline", limit=80, for_s=60, why="x"), "limit: 80.0. Give 90 to 110"),
        (sent(type="own-limit", condition="low-baseline", limit=95, for_s=7201, why="x"), "for_s: 7201"),
        (sent(type="move", to="bed-9"), "to: 'bed-9'. Unknown bed; name one of this ward"),
        (sent(type="move", to="bed-1"), "to: 'bed-1'. She is in this bed already; name another one"),
        (sent(type="correct-arrival", arrival={"label": " "}), "arrival.label: ' '. Must not be blank"),
        (sent(type="arrive", arrival={"label": " "}), "arrival.label: ' '. Must not be blank"),
        (sent(type="arrive", arrival={"label": "x" * 41}), "arrival.label"),
        (sent(type="arrive", arrival={"label": "a\nb"}), "arrival.label: 'a\\nb'. Must be one line"),
        (sent(type="arrive", arrival={"label": "a", "note": "x" * 301}), "arrival.note"),
        (sent(type="arrive", arrival={"label": "a", "weeks": 19}), "arrival.weeks: 19"),
        (sent(type="arrive", arrival={"label": "a", "parity": 21}), "arrival.parity: 21"),
        (sent(type="arrive", arrival={"label": "a", "stage": 3}), "arrival.stage: 3"),
        (sent(type="arrive", arrival={"label": "a", "name": "Eve"}), "unknown field `name`"),
        (sent(type="arrive", arrival={"label": "a", "risks": ["bad luck"]}), "arrival.risks: 'bad luck'. Name each"),
        (sent(type="arrive", arrival={"label": "a", "risks": ["diabetes"] * 2}), "arrival.risks: 'diabetes'"),
        (sent(type="arrive", arrival={"label": "a", "risks": ["diabetes"] * 13}), "arrival.risks"),
        (msgspec.json.encode({"type": "unshelve", "bed": "bed-1", "by": ""}), "by: ''"),
        (msgspec.json.encode({"type": "unshelve", "bed": "bed-1", "by": "\t "}), "by: '\\t '"),
        (msgspec.json.encode({"type": "unshelve", "bed": "bed-9", "by": "Kim"}), "bed: 'bed-9'"),
    ],
)
def test_what_cannot_be_done_is_refused_with_field_value_and_remedy(body: bytes, says: str) -> None:
    with pytest.raises(commands.BadCommand) as found:
        commands.parse(body, {"bed-1"}, SHEET)
    assert says in str(found.value)
    assert 400 <= found.value.status < 500


def test_a_device_is_taken_in_only_while_it_waits() -> None:
    body = sent(type="take-in").replace(b"bed-1", b"visitor-1")
    assert commands.parse(body, {"bed-1"}, None, {"visitor-1"}).bed == "visitor-1"
    with pytest.raises(commands.BadCommand, match="No device of that name waits"):
        commands.parse(body, {"bed-1", "visitor-1"}, SHEET)


@pytest.mark.parametrize("name", ["shelve", "pause", "limit", "arrival"])
def test_what_needs_a_policy_waits_for_a_detector(name: str) -> None:
    with pytest.raises(commands.BadCommand, match="No detector has said") as found:
        commands.parse(GOOD[name], {"bed-1"}, None)
    assert found.value.status == 409


@pytest.mark.parametrize("name", ["acknowledge", "unshelve", "care", "on again", "tap"])
def test_what_needs_no_policy_does_not_wait(name: str) -> None:
    assert commands.parse(GOOD[name], {"bed-1"}, None).by == "Kim"


def test_numbers_in_words() -> None:
    found = shown()
    assert (found.fhr, found.baseline, found.age_s) == ("140", "142", 0.4)
    assert found.contractions == "every 3.2 min, 61 s"
    assert shown(fhr_bpm=None).fhr == "–"


def block(second: int, bpm: float | None) -> Block:
    return Block("b", "s", second, second * 1000, 0, [bpm] * 4, [10.0] * 4)


def test_strips_keep_an_hour_and_leave_gaps_empty() -> None:
    strip = SignalBuffer()
    for second in [*range(100, 200), *range(205, 300)]:
        strip.add(block(second, 140.25))
    first, body = strip.bytes_after(-1)
    fhr = np.frombuffer(body, dtype="<i2")[: (300 - first) * 4].reshape(-1, 4)
    assert first == 100
    assert (fhr[:100] == 561).all()
    assert (fhr[100:105] == NO_VALUE).all()
    assert len(strip.bytes_after(298)[1]) == 2 * 4 * struct.calcsize("<h")
    later = block(300 + KEPT_S - 10, None)
    strip.add(msgspec.structs.replace(later, at=later.at + KEPT_S * 1000))  # it has been away for so long
    assert strip.bytes_after(-1)[0] == 300 - 9


def test_the_page_keeps_as_much_as_the_server() -> None:
    module = (Path(pages.__file__).parents[1] / "assets" / "shared" / "strip.mjs").read_text()
    assert f"export const KEPT_S = {KEPT_S};" in module


def test_the_page_counts_as_many_samples_a_second_as_the_server() -> None:
    module = (Path(pages.__file__).parents[1] / "assets" / "shared" / "strip.mjs").read_text()
    assert f"export const HZ = {HZ};" in module


def test_the_page_takes_the_same_for_a_double_click_as_the_detector() -> None:
    module = (Path(pages.__file__).parents[1] / "assets" / "bedside" / "tap.mjs").read_text()
    assert f"export const SHORTEST_MS = {hand.SHORTEST_S * 1000};" in module


def test_a_clock_that_trembles_makes_no_holes() -> None:
    strip = SignalBuffer()
    for seq, t in enumerate([1000, 1999, 3001, 3998, 5002]):
        strip.add(Block("b", "s", seq, t, 0, [140.0] * 4, [10.0] * 4))
    first, body = strip.bytes_after(-1)
    assert (first, strip.last) == (1, 5)
    assert (np.frombuffer(body, dtype="<i2")[: 5 * 4] == 560).all()


def test_a_clock_set_back_does_not_freeze_the_strip() -> None:
    strip = SignalBuffer()
    for seq in range(10):
        back = 600_000 if seq >= 5 else 0
        strip.add(Block("b", "s", seq, 1_000_000 + seq * 1000 - back, 0, [140.0] * 4, [10.0] * 4))
    assert strip.last - strip.first == 9


def test_a_late_second_is_drawn_where_it_belongs() -> None:
    strip = SignalBuffer()
    for seq in (0, 1, 3, 2):
        strip.add(block(100 + seq, 140.0 + seq))
    fhr = np.frombuffer(strip.bytes_after(-1)[1], dtype="<i2")[: 4 * 4].reshape(-1, 4)
    assert (fhr[:, 0] == [560, 564, 568, 572]).all()
    assert strip.last == 103


def test_a_look_from_the_future_is_not_believed() -> None:
    """A page whose clock is behind must not show a dead detector's bed as quiet for as long."""
    found = build_card("bed-1", summary("bed-1", looked_at=NOW + 600_000), NOW)
    assert found.state == "unwatched"
    assert "clocks disagree" in found.reason


REGISTRY = pages.Registry((*pages.PAGES, *practice.extension(Path()).pages))


@pytest.mark.parametrize("path", ["/", "/bed/bed-1"])
def test_every_page_carries_the_notice(path: str) -> None:
    assert NOTICE in str(REGISTRY.shell())
    assert NOTICE in pages.not_found("<x>")
    assert "<x>" not in pages.not_found("<x>")
    assert REGISTRY.page_for(path) is not None


def test_paths_of_pages_and_beds() -> None:
    def at(path: str) -> tuple[str, str] | None:
        found = REGISTRY.find(path)
        return found and (found[0].view, found[1])

    assert at("/") == ("ward", "")
    assert at("/bed/bed-1") == ("bed", "bed-1") == at("/bed/bed-1/")
    assert at("/bed/bed-1/hours") == ("hours", "bed-1")
    assert at("/practice") == ("practice", "")
    assert at("/practice/progress") == ("learner", "")
    assert [at(path) for path in ("/bed/BED", "/bed/a/b", "/bed/", "/nowhere", "/practice/page/view.mjs")] == [None] * 5


def test_every_page_of_the_list_has_its_module_and_the_page_is_told_of_it() -> None:
    root = Path(__file__).parents[2]
    told = json.loads(str(REGISTRY.shell().children[-1].to_plotly_json()["props"]["data-pages"]))
    assert [page["view"] for page in told] == ["ward", "shift", "study", "bed", "hours", "practice", "learner"]
    for page in told:
        for address in filter(None, (page["module"], page["style"])):
            assert (root / ("dashboard" + address if address.startswith("/assets/") else address[1:])).is_file()
    practice_data = next(page for page in told if page["view"] == "practice")["data"]
    rule_sets = practice_data["classes"]
    assert rule_sets["figo-2015"] == ["normal", "suspicious", "pathological"]
    assert list(rule_sets) == [one.name for one in rule_file.load().rule_sets]
    limits = rule_file.load().reading.signal
    assert practice_data["bounds"] == [limits.fhr_lowest_bpm, limits.fhr_highest_bpm]


@pytest.mark.parametrize(("part", "folders"), [("dashboard", ("assets", "templates")), ("practice", ("page",))])
def test_an_installed_page_has_all_its_assets(part: str, folders: tuple[str, ...]) -> None:
    """What no pattern names is in the repository, and missing from what is installed."""
    root = Path(__file__).parents[2]
    setup = tomllib.loads((root / "pyproject.toml").read_text())["tool"]["setuptools"]
    patterns = [one for one in setup["package-data"][f"quietward.{part}"] if one.startswith(folders)]
    installed = {file for pattern in patterns for file in (root / part).glob(pattern) if file.is_file()}
    shipped = [file for folder in folders for file in (root / part / folder).rglob("*")]
    assert installed == {file for file in shipped if file.is_file()}


def test_a_bed_whose_device_sends_what_it_had_kept_is_not_calm() -> None:
    hub = Hub(Ward("ward-1", 1), cast("Any", None))
    hour_ms = 3_600_000

    def shown(after_ms: int, behind_ms: int, **changes: Any) -> Card:
        at = NOW + after_ms
        hub.summaries["bed-1"] = summary(t=at - behind_ms, at=at, looked_at=at, **changes)
        with patch.object(live_hub, "now_ms", lambda: at):
            return hub.cards()[0]

    assert shown(0, 0).state == "quiet"
    found = shown(hour_ms, hour_ms)  # an hour offline; now it sends eighteen seconds a second
    assert (found.state, found.headline) == ("noted", "catching up")
    assert found.reason == "what is shown is 60 min old, newer data are on their way"
    assert shown(hour_ms + 1000, hour_ms - 17_000).headline == "catching up"
    assert (found.clock, found.far_clock) == (found.reason, ""), "its clock is right"
    called = shown(hour_ms + 2000, hour_ms - 34_000, level=Level.TEAM)
    assert (called.headline, called.far_clock) == ("team", "catching up")
    assert "what is shown is" in called.clock
    assert hub.late == {"bed-1"}
    assert shown(hour_ms + 200_000, 0).state == "quiet"
    assert not hub.late


def test_what_comes_only_a_little_faster_than_time_goes_is_late_all_the_same() -> None:
    """A device that sends eleven seconds in ten takes an hour for six minutes: the bed looks calm at no time."""
    lateness = Lateness()
    slow = [
        lateness.is_late(summary(t=NOW - 360_000 + i * 1100, at=NOW + i * 1000), NOW + i * 1000) for i in range(600)
    ]
    assert all(slow)
    stalls = Lateness()  # nothing of it comes for half a minute in the middle
    at_ms = [NOW + i * 1000 for i in range(120)]
    t_ms = [NOW - 3_600_000 + min(i, 40) * 9000 + max(0, i - 70) * 9000 for i in range(120)]
    assert all(stalls.is_late(summary(t=t, at=at), at) for t, at in zip(t_ms, at_ms, strict=True))


def test_a_clock_that_is_only_wrong_is_no_lateness_once_it_has_been_watched() -> None:
    lateness, day_ms = Lateness(), 86_400_000
    wrong = [lateness.is_late(summary(t=NOW + i * 1000 - day_ms, at=NOW + i * 1000), NOW + i * 1000) for i in range(20)]
    assert wrong == [True] * 15 + [False] * 5
    ahead = Lateness()
    assert not any(ahead.is_late(summary(t=NOW + day_ms, at=NOW + i * 1000), NOW + i * 1000) for i in range(9))
