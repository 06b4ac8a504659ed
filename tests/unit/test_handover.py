"""What can be taken away: a bed's log, read back with the standard library's readers, and its hand-over sheet."""

import csv
import io
import json
from datetime import UTC, datetime, timedelta, timezone
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from quietward.contracts.fields import HZ
from quietward.contracts.inputs import Block
from quietward.contracts.log import LOG_WORDS, Event, decode_event
from quietward.contracts.notice import NOTICE
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import (
    Attending,
    BedLimit,
    CareRecord,
    ConcernContribution,
    HandTimed,
    Level,
    OngoingDeceleration,
    RuleClass,
    SignalState,
    TraceSummary,
)
from quietward.dashboard.history import export
from quietward.dashboard.history.bed_record import BedRecord
from quietward.dashboard.history.flags import alert_episodes
from quietward.dashboard.print import handover_html
from quietward.dashboard.print.handover import TEXT_LENGTH, HandOver, hand_over
from quietward.dashboard.print.small_strip import RecentSignal, small_strip
from quietward.dashboard.print.ward_sheet import TEXT_LENGTH as WARD_TEXT_LENGTH
from quietward.dashboard.print.ward_sheet import ward_sheet
from quietward.dashboard.web.pages import Registry
from quietward.language.catalogue import language, reader
from tests.unit.test_page_models import BEFORE, NOW, PAUSED, SHEET, SHELF, summary, twin

MINUTE = 60_000


def event(number: int, minutes_ago: float, kind: str, said: str = "", /, **detail: Any) -> Event:
    return Event(f"bed-1-{number}", "bed-1", NOW - round(minutes_ago * MINUTE), kind, said, detail, rules="r1")


def flag(number: int, minutes_ago: float, what: str, level: str = "look", name: str = "bed-1-f1", **more: Any) -> Event:
    return event(number, minutes_ago, f"flag-{what}", flag=name, level=level, reason="concern 55", **more)


def read_csv(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


AWKWARD = ["=1+1", "+1", "-1", "@sum", "\t=1", "'=1", "plain", 'a "b", c;\r\nd', "–, ü", " ", ""]


def test_a_log_is_read_back_as_it_was() -> None:
    log = [flag(1, 30, "raised"), event(2, 29.5, "care", "turned to the side", by="Kim", what="turned", text="")]
    notice, first, second = read_csv(export.log_as_csv("bed-1", log))
    assert (notice["kind"], notice["text"]) == ("notice", NOTICE)
    assert list(first) == list(export.COLUMNS)
    assert first["t"] == "2026-09-21T13:43:20.000Z"
    assert datetime.fromisoformat(second["t"]) == datetime.fromtimestamp(log[1].t / 1000, UTC)
    assert (first["id"], first["level"], first["flag"], first["rules"]) == ("bed-1-1", "look", "bed-1-f1", "r1")
    assert (second["by"], second["flag"], second["text"]) == ("Kim", "", "turned to the side")
    assert json.loads(second["detail"]) == log[1].detail


@pytest.mark.parametrize("begins", ["=", "+", "-", "@", "\t=", " ="])
def test_no_cell_is_a_formula(begins: str) -> None:
    """What people wrote may begin with anything; the bed's name is a device's, and no row may give it a free hand."""
    log = [event(1, 1, "care", f"{begins}cmd", by=f"{begins}HYPERLINK()", flag=f"{begins}x")]
    for row in csv.reader(io.StringIO(export.log_as_csv("bed-1", log), newline="")):
        for cell in row:
            assert not cell.lstrip().startswith(("=", "+", "-", "@")), cell


@given(st.text(), st.text(min_size=1), st.lists(st.sampled_from(AWKWARD), max_size=4))
def test_whatever_people_write_arrives_whole_and_in_its_own_cell(text: str, by: str, more: list[str]) -> None:
    log = [event(n, 1, "care", one, by=by) for n, one in enumerate([text, *more])]
    rows = read_csv(export.log_as_csv("bed-1", log))[1:]
    assert len(rows) == len(log)

    def unmarked(cell: str) -> str:
        marked = cell.startswith("'") and cell[1:].lstrip().startswith(("=", "+", "-", "@", "'"))
        return cell[1:] if marked else cell

    assert [unmarked(row["text"]) for row in rows] == [e.text for e in log]
    assert {unmarked(row["by"]) for row in rows} == {by}
    assert [json.loads(row["detail"])["by"] for row in rows] == [by] * len(log)


def test_the_document_carries_the_notice_and_every_event() -> None:
    log = [flag(1, 30, "raised"), flag(2, 20, "eased", level="quiet")]
    found = json.loads(export.log_as_json("ward-1", "bed-1", log, NOW))
    assert (found["notice"], found["ward"], found["bed"]) == (NOTICE, "ward-1", "bed-1")
    assert found["written_at"] == "2026-09-21T14:13:20.000Z"
    assert [decode_event(json.dumps(one)) for one in found["events"]] == log


def test_how_long_a_flag_waited_is_all_its_unanswered_stretches() -> None:
    log = [
        flag(1, 60, "raised"),
        flag(2, 55, "escalated", "bedside"),
        flag(3, 50, "acknowledged", "bedside", by="Kim"),
        flag(4, 40, "worsened", "team"),
        flag(5, 38, "acknowledged", "team", by="Ann"),
        flag(6, 30, "eased", "quiet"),
        flag(7, 10, "raised", name="bed-1-f2"),
    ]
    first, second = alert_episodes(log)
    assert (first.highest, first.unanswered_s(NOW), first.over_at) == ("team", 12 * 60, NOW - 30 * MINUTE)
    assert [(a.by, a.t) for a in first.answers] == [("Kim", NOW - 50 * MINUTE), ("Ann", NOW - 38 * MINUTE)]
    assert (second.answers, second.unanswered_s(NOW), second.over_at) == ([], 600, None)


def test_a_shelved_flag_is_over_and_waits_no_longer() -> None:
    log = [flag(1, 60, "raised"), flag(2, 58, "shelved", "quiet", by="Kim")]
    (episode,) = alert_episodes(log)
    assert (episode.over_at, episode.unanswered_s(NOW), episode.highest) == (NOW - 58 * MINUTE, 120, "look")


@pytest.mark.parametrize("again", ["renewed", "repeated", "returned", "unresolved", "worsened"])
def test_a_flag_that_asks_again_waits_again(again: str) -> None:
    log = [flag(1, 60, "raised"), flag(2, 58, "acknowledged", by="Kim"), flag(3, 5, again)]
    assert alert_episodes(log)[0].unanswered_s(NOW) == 7 * 60


def test_what_was_done_answers_a_flag_once() -> None:
    """Whether the log says so in a line of its own or not."""
    done = [flag(1, 60, "raised"), event(2, 50, "care", by="Kim", what="turned")]
    also_said = [*done, flag(3, 50, "acknowledged", by="Kim")]
    for log in (done, also_said):
        assert alert_episodes(log)[0].unanswered_s(NOW) == 600
    assert [a.by for a in alert_episodes(done)[0].answers] == ["Kim"]


LOG = sorted(
    [
        event(
            1, 100, "deceleration", onset_s=(NOW - 100 * MINUTE) / 1000, depth_bpm=90.0, **{"kind figo-2015": "late"}
        ),
        event(2, 20, "deceleration", onset_s=(NOW - 21 * MINUTE) / 1000, depth_bpm=40.0, **{"kind figo-2015": "late"}),
        event(3, 10, "deceleration", onset_s=(NOW - 11 * MINUTE) / 1000, depth_bpm=25.0, **{"kind figo-2015": "late"}),
        event(
            4, 5, "deceleration", onset_s=(NOW - 6 * MINUTE) / 1000, depth_bpm=30.0, **{"kind figo-2015": "variable"}
        ),
        flag(5, 14 * 60, "raised", name="bed-1-f1"),
        flag(6, 13 * 60, "eased", "quiet", name="bed-1-f1"),
        flag(7, 40, "raised", name="bed-1-f2"),
        flag(8, 38, "acknowledged", by="Kim", name="bed-1-f2"),
        flag(9, 20, "eased", "quiet", name="bed-1-f2"),
        flag(10, 3, "raised", "bedside", name="bed-1-f3"),
        event(11, 300, "care", by="Ann", what="other", text="<b>blanket</b>"),
    ],
    key=lambda e: e.t,
)
DONE = CareRecord(
    NOW - 15 * MINUTE, "Kim", "turned", "", BEFORE, after=TraceSummary(1, 20.0, 30.0, 140.0, 9.0, 4), helped=True
)
FULL = summary(
    level=Level.BEDSIDE, level_since=NOW - 3 * MINUTE, flag="bed-1-f3", reason="a fall & more", rules="r1", at=NOW,
    concern=55.0,
    concern_parts=[ConcernContribution("late decelerations", 40.0), ConcernContribution("variability", 15.0)],
    classes=[RuleClass("figo-2015", 2, "suspicious", ["decelerations with 60% of contractions"], ["no baseline"])],
    shelved=[SHELF], paused=PAUSED, cared=[DONE], held_back=["concern high: shelved by Kim"],
    limited=[BedLimit("low-baseline", 95.0, "Kim", "known low", NOW + 30 * MINUTE)],
    hand=HandTimed(4, 192.0, 61.0, 20.0, is_running=False, change=None, differs="recorded: every 6.0 min"),
)  # fmt: skip
BLOCK = Block("bed-1", "s", 1, NOW, NOW, [140.0] * 4, [10.0] * 4, None, 2, 39)


def sheet(**changes: Any) -> HandOver:
    plain: dict[str, Any] = {
        "bed": "bed-1", "summary": FULL, "log": LOG, "on_record_since": NOW - 200 * MINUTE, "newest": BLOCK,
        "policy": SHEET,
    }  # fmt: skip
    return hand_over(BedRecord(**plain | changes), "ward-1", NOW, timezone(timedelta(hours=2)))


def test_the_situation() -> None:
    said = dict(sheet().situation)
    assert said["Attention level"] == "bedside since 16:10, unanswered"
    assert said["Reason"] == "a fall & more"
    assert said["Time"] == "2026-09-21 16:13"
    assert said["Monitor off"] == "until 16:23, by Kim: bathroom"
    assert said["Shelved"] == "low baseline until 16:28, by Kim: toco moved, holds now"
    assert said["Suppressed"] == "concern high: shelved by Kim"


def test_the_background() -> None:
    said = dict(sheet().background)
    assert said["Stage of labour"] == "second"
    assert said["Gestation"] == "39 completed weeks"
    assert said["On record since"] == "12:53"
    assert said["Contractions, recorded"] == "every 3.2 min, 61 s; 3.1 in 10 min"
    assert said["Contractions, by hand"].startswith("every 3.2 min from start to start")
    assert said["By hand and recorded"] == "recorded: every 6.0 min"
    assert said["This bed's own limit"] == "low baseline: 95 until 16:43, by Kim: known low"


def test_the_assessment_counts_the_last_half_hour() -> None:
    said = dict(sheet().assessment)
    assert said["Decelerations, 30 min, figo-2015"] == "2 late, 1 variable"
    assert said["Deepest, 30 min"] == "40 bpm"
    assert said["Accelerations, 30 min"] == "none"
    assert said["Class by figo-2015"] == "suspicious; decelerations with 60% of contractions; no baseline"
    assert said["Concern"] == "55 of 100: late decelerations 40, variability 15"


def test_the_flags_of_twelve_hours() -> None:
    rows = sheet().flags.rows
    assert len(rows) == 2
    assert rows[0] == ["15:33", "look", "concern 55", "15:35 Kim (acknowledged)", "2.0 min", "15:53"]
    assert rows[1][3:] == ["nobody", "3.0 min", "no"]


def test_what_was_done_with_before_and_after() -> None:
    newest, older = sheet().notes.rows
    assert newest[:3] == ["15:58", "Kim", "turned to the side"]
    assert "decelerations 4 → 1" in newest[3]
    assert newest[4] == "helped"
    assert older[1:3] == ["Ann", "<b>blanket</b>"]


def test_of_many_flags_and_notes_the_newest_are_on_the_sheet() -> None:
    log = [flag(n, 100 - n, "raised", name=f"bed-1-f{n}") for n in range(1, 9)]
    cared = [structs.replace(DONE, t=NOW - n * MINUTE, what="other", text="x" * 200) for n in range(9)]
    found = sheet(log=log, summary=structs.replace(FULL, cared=cared))
    assert [row[0] for row in found.flags.rows] == ["14:39", "14:40", "14:41"]
    assert (found.flags.more, found.notes.more) == (5, 6)
    assert {len(row[2]) for row in found.notes.rows} == {TEXT_LENGTH}


def test_the_log_on_paper_has_no_contractions_and_no_machine_ids() -> None:
    log = [
        event(1, 9, "contraction", "contraction of 60 s", onset_s=1.0),
        event(2, 8, "hand-contraction", "contraction of 50 s, timed by hand", onset_s=1.0),
        flag(3, 7, "raised"),
        event(4, 6, "not-taken", "acknowledge by Kim: there is a newer one, bed-1-f12", by="Kim"),
        event(5, 5, "care", "blanket", by="Ann"),
    ]
    assert [(kind, text) for _, kind, text in sheet(log=log).log] == [
        ("done", "blanket (Ann)"),
        ("rejected", "acknowledge by Kim: there is a newer one, flag 12"),
        ("raised", ""),
    ]


def test_the_small_strip_keeps_a_trace_above_210_on_the_paper() -> None:
    second = NOW / 1000
    fhr = np.full(1800 * HZ, 140.0)
    calm = small_strip(RecentSignal(round(second) - 1800, fhr, fhr * 0), [], second, 180.0, 40.0)
    fhr[4000:4400] = 228.0
    high = small_strip(RecentSignal(round(second) - 1800, fhr, fhr * 0), [], second, 180.0, 40.0)
    levels = {bpm: y for y, bpm in high.levels}
    y = [float(point.split()[1]) for point in high.fhr.replace("M", "L").split("L")[1:]]
    assert 0 < min(y) < levels[210]
    assert calm.levels != high.levels, "the usual range where that cuts nothing"


def test_the_page_is_sent_what_the_kinds_of_the_log_are_called() -> None:
    (host,) = [part for part in Registry().shell().children if getattr(part, "id", "") == "page"]
    assert json.loads(host.to_plotly_json()["props"]["data-log-words"]) == LOG_WORDS


class Outline(HTMLParser):
    """Texts by the section's heading; whether a style or a script is written into the page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.texts: dict[str, list[str]] = {"": []}
        self.tags: list[str] = []
        self.styled = False
        self.now, self.in_heading = "", False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.styled |= any(name == "style" or name.startswith("on") for name, _ in attrs)
        self.in_heading = tag == "h2"

    def handle_data(self, data: str) -> None:
        if self.in_heading:
            self.now, self.in_heading = data, False
            self.texts[data] = []
        elif data.strip():  # blanks between elements are not text
            self.texts[self.now].append(data)


def test_the_printed_sheet_has_its_four_parts_and_leaves_the_last_one_empty() -> None:
    found = Outline(handover_html.page([sheet()]))
    assert list(found.texts)[1:] == ["Situation", "Background", "Assessment", "Recommendation"]
    assert NOTICE in found.texts[""]
    assert found.texts["Recommendation"] == ["for the clinician", "name, time"]
    assert not found.styled
    assert {"script", "style"}.isdisjoint(found.tags)


def test_a_note_about_oxytocin_says_what_was_done_and_leaves_the_recommendation_empty() -> None:
    note = event(12, 200, "care", by="Kim", what="oxytocin-turned-down", text="")
    found = Outline(handover_html.page([sheet(log=sorted([*LOG, note], key=lambda e: e.t))]))
    assert "oxytocin reduced" in "".join(found.texts["Assessment"])
    assert found.texts["Recommendation"] == ["for the clinician", "name, time"]


def test_what_people_wrote_is_text_on_the_printed_sheet() -> None:
    page = handover_html.page([sheet()])
    assert "<b>blanket" not in page
    assert "a fall &amp; more" in page
    assert "<b>blanket</b>" in "".join(Outline(page).texts["Assessment"])


def test_a_file_needs_no_server_for_its_looks() -> None:
    page = handover_html.page([sheet()], "p { color: #111 }")
    assert "style" in Outline(page).tags
    assert "/assets/" not in page
    assert "/assets/" in handover_html.page([sheet()])


def test_the_wards_sheet_says_who_is_in_a_bed() -> None:
    stay = Stay(NOW - MINUTE, "Kim", NOW - MINUTE, Arrival("blue room, second"), 0)
    record = BedRecord("bed-1", summary(stay=stay), [], None, None, None)
    text = handover_html.ward_page(ward_sheet([(record, None)], "ward-1", NOW, UTC))
    assert "<b>blue room, second</b>" in text


@pytest.mark.parametrize(
    ("going", "answered_by", "says"),
    [
        ([], None, "since 16:10, unanswered"),
        ([], "Ann", "since 16:10, answered by Ann"),
        (["Kim"], "Kim", "since 16:10, Kim is going"),
        (["Kim"], None, "since 16:10, Kim is going, unanswered"),
        (["Kim"], "Ann", "since 16:10, Kim is going, answered by Ann"),
    ],
)
def test_the_wards_sheet_says_that_a_call_after_somebody_went_has_no_answer(
    going: list[str], answered_by: str | None, says: str
) -> None:
    since = round(datetime.fromtimestamp(NOW / 1000, UTC).replace(hour=16, minute=10).timestamp() * 1000)
    called = summary(
        level=Level.BEDSIDE, level_since=since, flag="bed-1-f2", acknowledged_by=answered_by,
        attending=[Attending(by, NOW, NOW + MINUTE) for by in going],
    )  # fmt: skip
    (line,) = ward_sheet([(BedRecord("bed-1", called, [], None, None, None), None)], "ward-1", NOW, UTC).lines
    assert line.answer == says
    german = says.replace("since", "seit").replace("unanswered", "ohne Antwort").replace("is going", "geht hin")
    assert language("de").said(says) == german.replace("answered by", "quittiert von")


@pytest.mark.parametrize("name", ["en", "de"])
@pytest.mark.parametrize("more", ["", "lost", "twins"])
@pytest.mark.parametrize(("goes", "answered"), [("Kim", None), ("K" * 64, "A" * 64)])
def test_on_the_wards_sheet_the_answer_has_its_place_before_all_that_may_be_left_out(
    name: str, more: str, goes: str, answered: str | None
) -> None:
    """Three lines of print; the answer stood last, and "unanswered" was cut away."""
    reason = "late decelerations, 15 of 16 contractions · deepest 35 bpm · variability 4 bpm for 122 min"
    who = "first twin: " if more == "twins" else ""
    lost = {"signal": SignalState.LOST, "signal_reason": "No data for 41 s, monitor disconnected"}
    called = summary(
        level=Level.TEAM, level_since=NOW - 5 * MINUTE, flag="bed-1-f2", reason=who + reason[: 90 - len(who)],
        acknowledged_by=answered, attending=[Attending(goes, NOW, NOW + MINUTE)], cared=[DONE],
        stay=Stay(NOW - MINUTE, "Kim", NOW - MINUTE, Arrival("l" * 40), 0), fetuses=[twin(), twin()] if who else [],
        **lost if more == "lost" else {},
    )  # fmt: skip
    token = reader.set(language(name))
    try:
        found = ward_sheet([(BedRecord("bed-1", called, [], None, BLOCK, None), None)], "ward-1", NOW, UTC)
        page = handover_html.ward_page(found)
    finally:
        reader.reset(token)
    (line,), said = found.lines, language(name).said
    parts = [line.label, said(line.answer), said(line.line), said(line.signal), said(line.stage), line.done]
    assert len(" · ".join(filter(None, parts))) <= WARD_TEXT_LENGTH
    assert f"{goes if answered is None else 'K' * 9 + '…'} is going" in line.answer
    assert line.answer.endswith("unanswered" if answered is None else f"answered by {'A' * 9}…")
    assert line.line.startswith(f"{who}late decelerations")
    assert more != "lost" or "; now no data for 41 s" in line.line
    assert name == "en" or ("no data" not in said(line.line))
    assert page.index(said(line.answer)) < page.index(said(line.line))


def test_the_wards_sheet_has_everybody_at_one_bed_alone() -> None:
    called = summary(level=Level.LOOK, level_since=NOW, flag="f")
    records: list[tuple[BedRecord, RecentSignal | None]] = [
        (
            BedRecord(
                f"bed-{n}",
                structs.replace(called, attending=[Attending("Kim", NOW + n, NOW + MINUTE)]),
                [],
                None,
                None,
                None,
            ),
            None,
        )
        for n in (1, 2)
    ]
    first, second = ward_sheet(records, "w", NOW, UTC).lines
    assert (first.answer.endswith("unanswered"), second.answer.endswith("Kim is going, unanswered")) == (True, True)
    assert "Kim" not in first.answer
    first, second = ward_sheet(records, "w", NOW, UTC, went={"Kim": NOW + 3}).lines
    assert "Kim" not in first.answer + second.answer, "she has gone on, and left there"


def test_the_wards_sheet_counts_a_bed_that_asks_for_a_look_though_its_monitor_is_off() -> None:
    off = summary(signal=SignalState.LOST, signal_reason="No data for 60 s", paused=PAUSED)
    asks = structs.replace(off, level=Level.LOOK, level_since=NOW, flag="bed-1-f1", reason="concern 55")
    for found, calling in ((off, 0), (asks, 1)):
        assert ward_sheet([(BedRecord("bed-1", found, [], None, None, None), None)], "w", NOW, UTC).calling == calling


def test_a_deceleration_of_a_second_twin_that_goes_on_is_handed_over() -> None:
    falls = twin(running=OngoingDeceleration(45.0, 30.0))
    said = dict(sheet(summary=summary(fetuses=[twin(), falls])).assessment)
    assert said["Deceleration now"] == "second twin: 45 s, 30 bpm deep"
    assert "Second twin" in said


def test_paper_says_that_a_bed_is_catching_up() -> None:
    """What was printed meanwhile said `quiet`."""
    hour_old = summary(t=NOW - 60 * MINUTE, at=NOW, looked_at=NOW)
    record = BedRecord("bed-1", hour_old, [], None, None, None)
    assert dict(hand_over(record, "ward-1", NOW, UTC).situation)["State"] == "quiet"
    assert dict(hand_over(record, "ward-1", NOW, UTC, is_late=True).situation)["State"] == "catching up"
    for late, headline in ((frozenset[str](), "quiet"), (frozenset({"bed-1"}), "catching up")):
        (line,) = ward_sheet([(record, None)], "ward-1", NOW, UTC, late).lines
        assert line.headline == headline
    assert "60 min old" in line.line


def test_a_bed_that_nobody_looked_at_is_handed_over_as_such() -> None:
    said = dict(sheet(summary=None, log=[], on_record_since=None, newest=None, policy=None).situation)
    assert said["State"] == "unwatched"
    stale = hand_over(BedRecord("bed-1", FULL, LOG, None, None, None), "ward-1", NOW + 60_000, UTC)
    assert dict(stale.situation)["State"] == "unwatched"
    assert dict(stale.assessment)["Concern"] == "cannot be said"
    lost = dict(sheet(summary=summary(signal=SignalState.LOST, signal_reason="No data for 60 s")).situation)
    assert lost["Signal"] == "lost: No data for 60 s"
    assert "Attention level" not in lost
