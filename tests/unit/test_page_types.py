"""What Python and JavaScript must agree on: the bytes of a frame, and the names of what is in it."""

import json
import re
from pathlib import Path

import pytest
from msgspec import Struct
from msgspec.inspect import StructType, type_info

from quietward.contracts import log, policy_info, samples, stays, summary
from quietward.contracts import strip as contracts_strip
from quietward.dashboard.history import shift
from quietward.dashboard.live import hub
from quietward.dashboard.view import marks, view_model
from quietward.dashboard.web import pages
from quietward.ingest.validate import IGNORED, REASONS
from quietward.practice import answer, class_routes, compare, mistakes, progress, strip
from quietward.runtime import refused
from tests import golden

ROOT = Path(__file__).parents[2]
DECLARED = "\n".join(
    (ROOT / name).read_text() for name in ("dashboard/assets/shared/types.d.ts", "practice/page/types.d.ts")
)
SHARED: dict[str, type[Struct]] = {
    "Card": view_model.Card,
    "Twin": view_model.Twin,
    "CareNote": view_model.CareNote,
    "ManualTimingLine": view_model.ManualTimingLine,
    "StripMark": marks.StripMark,
    "Attending": summary.Attending,
    "Paused": summary.Paused,
    "Shelved": summary.Shelved,
    "BedLimit": summary.BedLimit,
    "Arrival": stays.Arrival,
    "FormerStay": view_model.FormerStay,
    "Undoable": summary.Undoable,
    "UnexpectedDevice": samples.UnexpectedDevice,
    "Refused": refused.Refused,
    "AdjustableLimit": policy_info.AdjustableLimit,
    "PolicyInfo": policy_info.PolicyInfo,
    "LogEvent": log.Event,
    "LabourInfo": hub.LabourInfo,
    "StripStyle": contracts_strip.StripStyle,
    "FhrScale": contracts_strip.FhrScale,
    "UaScale": contracts_strip.UaScale,
    "SpeedScale": contracts_strip.SpeedScale,
    "MarkStyle": contracts_strip.MarkStyle,
    "LearnersMark": answer.LearnerMark,
    "Answer": answer.Answer,
    "Compared": compare.Comparison,
    "Line": compare.EventRow,
    "Part": compare.ScorePart,
    "Mistake": mistakes.Mistake,
    "SetRow": class_routes.SetRow,
    "StripRow": class_routes.StripRow,
    "LearnerRow": progress.LearnerRow,
    "MistakeProgress": progress.MistakeProgress,
    "Progress": progress.Progress,
    "Found": strip.StripEvent,
}
NOT_READ = {"StripStyle": {"print"}, "PolicyInfo": {"rule_sets"}}
"""Fields of which the page has no use."""


def declared(name: str) -> set[str]:
    body = re.search(rf"^export interface {name} \{{\n(.*?)^\}}", DECLARED, re.MULTILINE | re.DOTALL)
    assert body, f"no interface {name}"
    return set(re.findall(r"^  (\w+)\??:", body[1], re.MULTILINE))


@pytest.mark.parametrize("name", SHARED)
def test_types_of_the_page_name_what_the_server_sends(name: str) -> None:
    sent = type_info(SHARED[name])
    assert isinstance(sent, StructType)
    assert declared(name) == NOT_READ.get(name, set()) ^ {field.encode_name for field in sent.fields}


def test_the_page_knows_what_an_entry_of_the_list_of_pages_is() -> None:
    assert declared("Page") == set(pages.Page.__dataclass_fields__)


def test_hours_of_a_bed_are_declared_where_they_are_drawn() -> None:
    text = (ROOT / "dashboard" / "assets" / "shift" / "timeline.mjs").read_text()
    assert re.findall(r"^ \* @property \{.*\} (\w+)", text, re.MULTILINE) == list(
        shift.BedShift.__struct_encode_fields__
    )


def test_the_page_has_words_for_every_reason_of_a_refusal() -> None:
    text = (ROOT / "dashboard" / "assets" / "shift" / "refused.mjs").read_text()
    table = re.search(r"REASONS = \{\n(.*?)^\}", text, re.MULTILINE | re.DOTALL)
    assert table
    of_ingest = {*REASONS, IGNORED, "broken"}
    of_detect = {"failed", "late", "repeated", "superseded", "time", "unreadable"}
    assert set(re.findall(r'^  "?([\w-]+)"?: N_', table[1], re.MULTILINE)) == of_ingest | of_detect


def test_frames_are_those_that_javascript_is_tested_with() -> None:
    written = json.loads(golden.FILE.read_text())
    assert written == golden.made(), "run python -m tests.golden, and look at what has changed"
