"""Practice with recordings: marks, sets with names, results that are kept, progress by kind of mistake."""

import asyncio
import csv
import io
import os
import threading
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from quietward.contracts.fields import HZ
from quietward.contracts.summary import Level
from quietward.detect import calibrate
from quietward.practice import recorded, results, sets, simulated
from quietward.practice.answer import Answer, LearnerMark
from quietward.practice.compare import compare
from quietward.practice.desk import Desk
from quietward.practice.marks import BadMarks, marks_of, read_marks
from quietward.practice.mistakes import Mistake
from quietward.practice.progress import of_class, progress
from quietward.practice.results import NotKept, Result, Results, as_csv
from quietward.practice.sets import BadSet, Classroom, NewSet
from quietward.practice.strip import BadStrip
from quietward.recordings import FORMATS
from quietward.recordings.files import write_recording
from quietward.recordings.recording import Annotation
from tests.conftest import WAIT_S, record
from tests.traces import RULES

LENGTH_S = 2400
FALLS_S = (900, 1500, 2100)
"""Where decelerations of 60 s and 40 bpm begin; the strip is the last 1800 s."""
BEGAN = datetime(2026, 1, 2, 3, 4, tzinfo=UTC)


def signals() -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(LENGTH_S * HZ) / HZ
    fhr = 140 + np.round(4 * np.sin(2 * np.pi * t / 20)) / 4 * 4
    ua = np.full_like(t, 10.0)
    for from_s in FALLS_S:
        within = (t >= from_s) & (t < from_s + 60)
        fhr[within] -= 40 * np.sin(np.pi * (t[within] - from_s) / 60)
        ua[within] += 40 * np.sin(np.pi * (t[within] - from_s) / 60)
    return fhr, ua


def put(folder: Path, name: str = "case-1.csv", annotations: tuple[Annotation, ...] = ()) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    write_recording(folder / name, *signals(), annotations=annotations, began=BEGAN)
    return folder / name


CSV = "from_s,to_s,kind\n900,960,early deceleration\n1500,1560,early\n100,130,acceleration\n2100,2160,Early\n"
TOML = """baseline_bpm = 140
needed = "look"
class = 2
about = "Head compression."
[[mark]]
from_s = 1500
to_s = 1560
kind = "early"
"""


def answer(*marks: LearnerMark, **more: object) -> Answer:
    given = {"baseline_bpm": None, "rule_class": None, "next": None} | more
    return Answer(marks=list(marks), rules="nichd-2008", **given)  # type: ignore[arg-type]


@pytest.mark.parametrize("suffix", [one.suffix for one in FORMATS])
def test_a_recording_of_any_format_with_marks_is_a_strip(tmp_path: Path, suffix: str) -> None:
    path = put(tmp_path, f"case-1{suffix}")
    (tmp_path / "case-1.marks.csv").write_text(CSV)
    strip = recorded.make(path, "x:1")
    assert (strip.truth, strip.scenario, len(strip.fhr)) == ("marks", "case-1", 1800 * HZ)
    assert [(e.what, e.kind, e.from_s, e.until_s) for e in strip.events] == [
        ("deceleration", "early", from_s - 600, from_s - 540) for from_s in FALLS_S
    ], "times count from the strip's beginning; what was over before it is not in it"
    for event, from_s in zip(strip.events, FALLS_S, strict=True):
        assert event.size_bpm == pytest.approx(40, abs=5)
        assert event.extreme_s == pytest.approx(from_s - 600 + 30, abs=8)
    assert (strip.baseline_bpm, strip.level, strip.rule_class) == (None, None, None)
    result = recorded.ask_detector(path, "nichd-2008")
    right = [LearnerMark("deceleration", e.from_s, e.until_s, "early") for e in strip.events]
    assert compare(strip, result, answer(*right), RULES).score == 100
    assert compare(strip, result, answer(), RULES).score == 0
    assert compare(strip, result, answer(), RULES).lines[0].why[-1].endswith("its peak"), "the detector's contraction"


def test_marks_in_toml_also_say_baseline_who_is_needed_and_class(tmp_path: Path) -> None:
    path = put(tmp_path)
    (tmp_path / "case-1.marks.toml").write_text(TOML)
    strip = recorded.make(path, "x:1")
    assert (strip.baseline_bpm, strip.level, strip.rule_class, strip.purpose) == (
        140,
        Level.LOOK,
        2,
        "Head compression.",
    )
    (tmp_path / "case-1.marks.toml").write_text("strip_ends_s = 2000\n" + TOML)
    assert recorded.make(path, "x:1").begins_s == 200, "what is written beside it counts at once"


@pytest.mark.parametrize("suffix", [".hea", ".edf", ".csv"])
def test_annotations_of_the_file_are_the_truth_where_there_are_no_marks(tmp_path: Path, suffix: str) -> None:
    said = (
        Annotation(900, 960, "late deceleration", "expert 3"),
        Annotation(1500, 1560, "deceleration", "variable deceleration, 40 bpm deep"),
        Annotation(1700, None, "care", "turned"),
        Annotation(1480, 1570, "contraction", "palpated"),
    )
    strip = recorded.make(put(tmp_path, f"case-1{suffix}", said), "x:1")
    assert strip.truth == "annotations"
    assert [(e.what, e.kind) for e in strip.events] == [("deceleration", "late"), ("deceleration", "variable")]
    assert [(c.onset_s, c.end_s) for c in strip.contractions] == [(880, 970)]


def test_without_marks_and_annotations_it_is_the_detectors_result(tmp_path: Path) -> None:
    path = put(tmp_path)
    strip, result = recorded.make(path, "x:1"), recorded.ask_detector(path, "nichd-2008")
    assert (strip.truth, strip.events) == ("detector", result.events)
    assert (strip.baseline_bpm, strip.level) == (result.baseline_bpm, result.level)
    with pytest.raises(BadStrip, match="Has no annotations of accelerations or decelerations, which the set asks for"):
        recorded.make(path, "x:1", "annotations")


def test_open_records_have_the_class_that_most_experts_gave() -> None:
    path = record("1001")
    strip = recorded.make(path, "x:1")
    judged = [w for w in calibrate.windows(path.parent) if w.record == "1001"]
    assert strip.rule_class == judged[-1].majority
    assert strip.begins_s + len(strip.fhr) // HZ == judged[-1].end_s


def test_the_experts_class_is_that_of_the_window_they_saw(tmp_path: Path) -> None:
    path = record("1001")
    for name in ("1001.hea", "1001.dat", "experts.csv", "windows.csv"):
        (tmp_path / name).write_bytes((path.parent / name).read_bytes())
    (last, *_) = (w for w in reversed(calibrate.windows(tmp_path)) if w.record == "1001")
    for ends_s, rule_class in ((2400, None), (last.end_s, last.majority)):
        (tmp_path / "1001.marks.toml").write_text(f"baseline_bpm = 130\nstrip_ends_s = {ends_s}\n")
        strip = recorded.make(tmp_path / "1001.hea", f"x:{ends_s}")
        assert strip.begins_s + len(strip.fhr) // HZ == ends_s
        assert strip.rule_class == rule_class


@pytest.mark.parametrize("suffix", [one.suffix for one in FORMATS])
def test_whatever_of_a_recording_is_replaced_is_read_again(tmp_path: Path, suffix: str) -> None:
    path = put(tmp_path, f"case-1{suffix}", (Annotation(900, 960, "deceleration", "early"),))
    (tmp_path / "case-1.labour.toml").write_text("weeks = 40\n")
    before = recorded._stamp(path)
    files = [one for one in tmp_path.iterdir() if one.is_file()]
    assert len(files) >= 2
    for file in files:
        os.utime(file, ns=(0, 12345))
        after = recorded._stamp(path)
        assert after != before, file.name
        before = after


def test_two_recordings_of_one_name_in_a_set_are_told(tmp_path: Path) -> None:
    own = tmp_path / "sets" / "spring-1"
    put(own / "day1", "001.csv")
    put(own / "day2", "001.csv")
    with pytest.raises(BadSet) as caught:
        Classroom(tmp_path).read("spring-1")
    assert "['day1/001.csv', 'day2/001.csv']. Have the same name" in str(caught.value)


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("csv", "from_s,kind\n", "line 1: ['from_s', 'kind']. Write from_s,to_s,kind"),
        ("csv", "from_s,to_s,kind\n1,x,early\n", "line 2: to_s: 'x'. Write seconds from the recording's first sample"),
        ("csv", "from_s,to_s,kind\n1,nan,early\n", "line 2: to_s: 'nan'. Write seconds"),
        ("csv", "from_s,to_s,kind\n-1,5,early\n", "line 2: from_s: '-1'. Write seconds"),
        ("csv", "from_s,to_s,kind\n1,5\n", "line 2: ['1', '5', None]. Write from_s,to_s,kind"),
        ("csv", "from_s,to_s,kind\n5,5,early\n", "mark 1: to_s: 5.0. Must be later than from_s, 5"),
        ("csv", "from_s,to_s,kind\n1,5,erly\n", "mark 1: kind: 'erly'. Use acceleration"),
        ("csv", "from_s,to_s,kind\n", "Contains nothing to ask a learner for; add marks, or a baseline_bpm"),
        ("toml", "baseline = 140\n", "baseline: 140. There is no such key"),
        ("toml", "baseline_bpm = 500\n", "baseline_bpm: 500"),
        ("toml", "needed = 'doctor'\n", "needed: 'doctor'. "),
        ("toml", "= 3", "Fix the TOML"),
    ],
)
def test_marks_that_cannot_be_are_told_with_place_and_remedy(tmp_path: Path, name: str, text: str, says: str) -> None:
    path = tmp_path / f"case-1.marks.{name}"
    path.write_text(text)
    with pytest.raises(BadMarks) as caught:
        read_marks(path)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)
    path.with_suffix(".csv" if name == "toml" else ".toml").write_text("")
    with pytest.raises(BadMarks, match="keep one of the two"):
        marks_of(tmp_path / "case-1.hea")


def test_a_set_is_a_folder_of_recordings_by_name_or_what_its_table_says(tmp_path: Path) -> None:
    classroom = Classroom(tmp_path)
    assert classroom.names() == []
    own = tmp_path / "sets" / "spring-1"
    put(own, "b.csv")
    put(own / "more", "a.edf")
    (own / "b.marks.csv").write_text(CSV)
    assert [(one.code, one.name) for one in classroom.read("spring-1").strips] == [
        ("spring-1:1", "b"), ("spring-1:2", "a"),
    ]  # fmt: skip
    code = simulated.code_of("calm", 3)
    (own / "set.toml").write_text(f'title = "Early or late?"\nstrips = ["a", "{code}", "b"]\n')
    found = classroom.read("spring-1")
    assert (found.title, [one.code for one in found.strips]) == ("Early or late?", ["spring-1:1", code, "spring-1:3"])
    assert [classroom.make(one.code).scenario for one in found.strips] == ["a", "calm", "b"]
    assert classroom.make("spring-1:3").truth == "marks"
    assert classroom.names() == ["spring-1"]
    for wrong in ("spring-1:2", "spring-1:4", "spring-1:x", "nothing-1"):
        with pytest.raises(BadStrip):
            classroom.make(wrong)
    (own / "set.toml").write_text('strips = ["c"]\n')
    with pytest.raises(BadSet, match=r"strips\[0\]: 'c'. Use b or a"):
        classroom.read("spring-1")
    with pytest.raises(BadSet, match="There is none of this name"):
        classroom.read("../sets/spring-1")


def test_a_set_of_simulated_strips_is_made_once(tmp_path: Path) -> None:
    classroom, codes = Classroom(tmp_path / "not-there"), [simulated.code_of("calm", 7), simulated.code_of("lively", 1)]
    classroom.write(NewSet("autumn", codes, 'A "title" of ours'))
    found = classroom.read("autumn")
    assert (found.title, [one.code for one in found.strips]) == ('A "title" of ours', codes)
    for new, says in (
        (NewSet("autumn", codes), "There is one of this name"),
        (NewSet("../x", codes), "Name it with letters"),
        (NewSet("", codes), "Name it with letters"),
    ):
        with pytest.raises(BadSet, match=says):
            classroom.write(new)
    with pytest.raises(BadStrip):
        classroom.write(NewSet("winter", ["x"]))
    assert classroom.names() == ["autumn"]


@pytest.mark.parametrize("title", ["\U0001f600", "a\x7fb", "Früh oder spät?", 'a "\\', "\u2028", "\x00\x1b\n"])
def test_a_set_is_read_with_the_title_that_it_was_made_with(tmp_path: Path, title: str) -> None:
    classroom = Classroom(tmp_path)
    classroom.write(NewSet("spring", [simulated.code_of("calm", 7)], title))
    assert classroom.read("spring").title == title


def test_a_classroom_takes_so_many_sets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sets, "MOST_SETS", 3)
    classroom, codes = Classroom(tmp_path), [simulated.code_of("calm", 7)]
    for n in range(3):
        classroom.write(NewSet(f"set-{n}", codes))
    with pytest.raises(BadSet, match="There are 3 already; move old ones out of"):
        classroom.write(NewSet("set-3", codes))
    assert classroom.names() == ["set-0", "set-1", "set-2"]
    (tmp_path / "sets" / "set-1").rename(tmp_path / "set-1")
    classroom.write(NewSet("set-3", codes))
    assert classroom.names() == ["set-0", "set-2", "set-3"]


def result(n: int, wrong: int, of: int = 4, learner: str = "blue", **more: object) -> Result:
    mistakes = [Mistake("late decelerations missed", wrong, of)] if of else [Mistake("baseline wrong", 0, 1)]
    usual: dict[str, object] = {"set": "spring-1", "strip": f"s{n}", "account": "", "score": 10 * n}
    return Result(t=n, learner=learner, mistakes=mistakes, **(usual | more))  # type: ignore[arg-type]


def test_results_are_kept_and_a_line_that_was_cut_off_harms_no_other(tmp_path: Path) -> None:
    kept = Results(tmp_path / "classroom")
    assert kept.read() == []
    kept.append(result(1, 4))
    with kept.path.open("ab") as file:
        file.write(b'{"t":2,"set":"spr')  # as a power cut leaves it
    kept.append(result(3, 0, learner="grün"))
    assert kept.read() == [result(1, 4), result(3, 0, learner="grün")]
    assert Results(tmp_path / "classroom").read() == kept.read()
    (tmp_path / "file").write_text("")
    with pytest.raises(NotKept, match="Cannot be written"):
        Results(tmp_path / "file").append(result(1, 4))


@pytest.mark.parametrize(
    ("old", "new"), [('"of":4', '"of":0'), ('"score":10', f'"score":{"9" * 400}'), ('"wrong":4', '"wrong":-4')]
)
def test_a_line_of_results_with_numbers_that_cannot_be_is_passed_over(old: str, new: str, tmp_path: Path) -> None:
    """Somebody has edited the file: a class's page was an error of the server then, for all of its learners."""
    kept = Results(tmp_path)
    for one in (result(1, 4), result(2, 2)):
        kept.append(one)
    text = kept.path.read_text()
    assert old in text
    kept.path.write_text(text.replace(old, new, 1))
    assert kept.read() == [result(2, 2)]


def test_results_are_kept_up_to_a_size_and_then_refused_until_somebody_makes_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(results, "MOST_BYTES", 1_000)
    kept, told = Results(tmp_path), 0

    def answer_on() -> None:
        nonlocal told
        while told < 100:
            kept.append(result(told, 4))
            told += 1

    with pytest.raises(NotKept, match=r"Export them, and move .* away"):
        answer_on()
    assert 2 < told < 100
    line = kept.path.stat().st_size / told
    assert 1_000 < kept.path.stat().st_size <= 1_000 + line
    assert kept.read() == [result(n, 4) for n in range(told)], "what is there can be exported"
    kept.path.rename(tmp_path / "older.jsonl")
    kept.append(result(told, 4))
    assert kept.read() == [result(told, 4)]


def test_progress_is_by_kind_of_mistake_over_all_answers_and_the_last_five() -> None:
    wrong = [4, 3, 4, 2, 1, 0, 1]
    own = [result(n, w) for n, w in enumerate(wrong)]
    own.insert(3, result(99, 0, of=0))
    late, baseline = progress("blue", own).kinds
    assert late.kind == "late decelerations missed"
    assert late.shares == [1.0, 0.75, 1.0, None, 0.5, 0.25, 0.0, 0.25]
    assert (late.wrong, late.of, late.recent_wrong, late.recent_of) == (15, 28, 8, 20)
    assert (baseline.shares.count(None), baseline.of) == (7, 1)
    assert progress("blue", []).kinds == []
    assert progress("blue", own).recent == 5, "what the page says of the last ones is counted here"


def test_a_class_is_told_by_learner_and_exported_as_a_table_that_is_no_formula() -> None:
    results = [result(1, 4), result(2, 2), result(2, 0, learner="=1+1"), result(2, 2)]
    rows = of_class(results)
    assert [(r.learner, r.answers, r.strips, round(r.mean_score, 1), r.trouble) for r in rows] == [
        ("=1+1", 1, 1, 20, ""),
        ("blue", 3, 2, 16.7, "late decelerations missed: 8 of 12"),
    ]
    head, first, *_, third, _ = csv.reader(io.StringIO(as_csv(results)))
    assert head[:6] == ["t_ms", "set", "strip", "learner", "account", "score"]
    cells = dict(zip(head, first, strict=True))
    assert (cells["late decelerations missed, times"], cells["late decelerations missed, of"]) == ("4", "4")
    assert cells["baseline wrong, of"] == ""
    assert third[3] == "'=1+1"


def test_whoever_answers_at_once_waits_for_no_more_than_she_asked_for(tmp_path: Path) -> None:
    """What was to be prepared is left out as long as somebody waits: it would be worked out before her answer."""
    done: list[str] = []
    begun, go_on = threading.Event(), threading.Event()

    def first() -> None:
        begun.set()
        go_on.wait(WAIT_S)
        done.append("first")

    async def ask() -> None:
        desk = Desk(tmp_path)
        desk.prepare(first)
        desk.prepare(done.append, "second")
        assert await asyncio.to_thread(begun.wait, WAIT_S)
        answer = asyncio.create_task(desk.work(done.append, "answer"))
        await asyncio.sleep(0)  # the question is there
        go_on.set()
        await answer
        desk.prepare(done.append, "third")
        desk._worker.shutdown()

    asyncio.run(ask())
    assert done == ["first", "answer", "third"]
