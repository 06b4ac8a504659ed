"""`assess` of a recording with two FHR channels: of the first as of a single fetus, of the second beside it."""

import io
import json
import re
from pathlib import Path

import numpy as np
import pytest
from msgspec import structs
from rich.console import Console

import quietward
from quietward.cli.recordings import _assessment_table
from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.inputs import Block
from quietward.contracts.log import Event
from quietward.detect import picture
from quietward.detect.assess import Outcome, with_events
from quietward.detect.core import engine
from quietward.detect.core.state.state import State
from quietward.recordings.recording import Recording, Signal
from tests.traces import RULES, bell, flat, put, ramp, ripple

SECONDS = 2400
BEGINS_S = 75
FLAGS = ("flag", "level", "fetus", "reason")


def toco() -> Signal:
    ua = flat(10, SECONDS) + ripple(SECONDS, 1)
    for at in range(60, SECONDS - 60, 180):
        ua = put(ua, at, bell(50, 60))
    return np.round(ua * 2) / 2


def quarters(signal: Signal) -> Signal:
    return np.round(signal * 4) / 4


FIRST = quarters(put(flat(140, SECONDS) + ripple(SECONDS, 9), 1500, ramp(25, 10, 30, 10)))
SECOND = quarters(put(flat(152, SECONDS) + ripple(SECONDS, 7, 11), 1600, ramp(-60, 15, 400, 20)))
SECOND[: BEGINS_S * HZ] = np.nan


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    alone = Recording("alone", FIRST, toco())
    return with_events([Recording("both", FIRST, toco(), fhr2=SECOND), alone], RULES, "figo-2015")


def of_live(events: list[Event]) -> list[tuple[object, ...]]:
    return [(e.t, e.kind, e.text, {k: v for k, v in e.detail.items() if k != "flag"}) for e in events]


def test_it_says_what_the_live_system_says(outcomes: list[Outcome]) -> None:
    state = State(RULES, ["0"], [""])
    found: list[Event] = []
    signals = [[None if np.isnan(x) else x for x in s.tolist()] for s in (FIRST, toco(), SECOND)]
    for s in range(SECONDS):
        fhr, ua, fhr2 = (signal[s * HZ : (s + 1) * HZ] for signal in signals)
        found += engine.step(state, [Block("0", "", s, s * 1000, s * 1000, fhr, ua, fhr2=fhr2)]).events
    assert len(of_live(found)) > 40
    assert of_live(outcomes[0].events) == of_live(found)


def test_so_says_a_monitor_that_is_pushed_a_second_at_a_time(outcomes: list[Outcome]) -> None:
    monitor, found = quietward.Monitor(bed="0"), []
    for s in range(0, SECONDS, 60):
        fhr, ua, fhr2 = (signal[s * HZ : (s + 60) * HZ] for signal in (FIRST, toco(), SECOND))
        found += monitor.push(fhr, ua, fhr2=fhr2)
    assert of_live(found) == of_live([e for e in outcomes[0].events if e.kind != "minute"])
    assert [round(f.baseline_bpm or 0) for f in monitor.summary.fetuses] == [140, 152]
    with pytest.raises(BadRecording, match=r"fhr2: 3\. Must have as many samples as fhr: 4"):
        monitor.push([140] * 4, fhr2=[150] * 3)


def test_the_library_returns_draws_and_tabulates_both() -> None:
    found = quietward.assess(FIRST, toco(), fhr2=SECOND)
    assert found.second_twin is not None
    np.testing.assert_array_equal(found.fhr2, SECOND)
    frame = found.to_frame("decelerations")
    assert frame[["fetus", "kind"]].values.tolist() == [[2, "prolonged"]]
    assert list(found.to_frame("signals").columns) == ["t_s", "fhr", "ua", "fhr2"]
    assert ">prolonged 2<" in found.strip(1500)
    assert "second twin: 97 % of the FHR usable" in found._repr_html_()


def test_the_picture_draws_both(tmp_path: Path, outcomes: list[Outcome]) -> None:
    pictures = []
    for name, fhr2 in (("with", SECOND), ("without", None)):
        recording = Recording(name, FIRST, toco(), fhr2=fhr2)
        row = outcomes[0 if fhr2 is not None else 1].assessment
        (path,) = picture.draw([recording], [row], tmp_path / f"{name}.svg")
        pictures.append(path.read_text())
    colour = re.compile(f"stroke: {picture.SECOND_INK}")
    assert [bool(colour.search(one)) for one in pictures] == [True, False]
    assert len(pictures[0]) > len(pictures[1])


def test_the_first_is_assessed_as_a_single_fetus_is(outcomes: list[Outcome]) -> None:
    both, alone = (structs.asdict(o.assessment) for o in outcomes)
    for name in ("record", "second_twin", "flags", "noted"):  # of twins these say which
        del both[name], alone[name]
    assert both == alone
    assert outcomes[1].assessment.second_twin is None


def test_the_second_stands_beside_it(outcomes: list[Outcome]) -> None:
    found = outcomes[0].assessment
    second = found.second_twin
    assert second is not None
    assert [round(x.onset_s / 60) for x in second.decelerations] == [27]
    assert found.decelerations == []
    assert second.decelerations[0].kind == "prolonged"
    assert second.baseline[-1].bpm == pytest.approx(152, abs=2)
    assert found.baseline[-1].bpm == pytest.approx(140, abs=2)
    assert {x.level for x in second.flags} >= {"bedside", "team"}
    assert all("second twin: " in x.reason for x in second.flags)
    assert all(x.reason.startswith("second twin: ") for x in second.noted)
    assert all("first twin: " in x.reason for x in found.flags)
    assert len(second.assessments) + len(second.not_assessed) == SECONDS // 60 - 1
    assert len(found.assessments) + len(found.not_assessed) == SECONDS // 60
    assert second.signal.fhr_usable == pytest.approx(1 - BEGINS_S / SECONDS, abs=1e-4)


def test_json_and_table_hold_both(outcomes: list[Outcome]) -> None:
    both, alone = (json.loads(encode_json(o.assessment)) for o in outcomes)
    assert both["second_twin"]["decelerations"][0]["kind"] == "prolonged"
    assert alone["second_twin"] is None
    out = io.StringIO()
    Console(file=out, width=120).print(_assessment_table([o.assessment for o in outcomes]))
    lines = [line.split() for line in out.getvalue().splitlines()]
    (second,) = [words for words in lines if words[:3] == ["both,", "second", "twin"]]
    assert second[3:] == ["97%", "152", "7", "0", "1", *second[8:]]
