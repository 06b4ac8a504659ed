"""One word for one thing: no class name stands for two, and words that were given up do not come back."""

import ast
import re
from collections import defaultdict
from pathlib import Path

import pytest

from tests.unit.test_package import PARTS

ROOT = Path(__file__).parents[2]
PRODUCT = ("quietward", *PARTS)

TWICE = {
    "Acceleration", "BedSignals", "Level", "Mark", "Minute", "Notice", "Numbers", "Outcome", "Progress", "Quantity",
    "Record", "Refused", "Result", "Sessions", "StudyLimit", "Summary", "Tick", "Window", "Work", "_Course",
}  # fmt: skip
"""Names of several classes. Nothing is added here: whoever finds another name for one of them takes it out."""

GIVEN_UP = re.compile(r"(?:(?<![A-Za-z])(?i:lane|deed)|(?<=[a-z])(?:Lane|Deed))[sS]?(?![a-z])|kept_quiet|keptQuiet")
"""A bed index was a lane, an entry of the audit log a deed, what is suppressed was kept quiet."""
DATA_KEYS = {
    "dashboard/assets/shift/view.mjs": {"deeds"},
    "dashboard/routes/account.py": {"deeds"},
    "study/evaluations.py": {"lane", "lanes"},
}
"""Names of fields that are sent or stored: these stay, so that what others wrote can be read."""


def test_a_class_name_stands_for_one_thing() -> None:
    places = defaultdict(list)
    for part in PRODUCT:
        for file in sorted((ROOT / part).rglob("*.py")):
            for node in ast.walk(ast.parse(file.read_text())):
                if isinstance(node, ast.ClassDef):
                    places[node.name].append(f"{file.relative_to(ROOT)}:{node.lineno}")
    several = {name: own for name, own in places.items() if len(own) > 1}
    assert {name: own for name, own in several.items() if name not in TWICE} == {}, "find another name for one of them"
    assert several.keys() >= TWICE, "these stand for one thing now: take them off the list"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("lanes of deeds", ["lanes", "deeds"]),
        ("bed_lane, bedLane, Deed, LANE_S", ["lane", "Lane", "Deed", "LANE"]),
        ("planes, indeed, needed, lanestrip, laneside", []),
        ("is_kept_quiet, keptQuiet", ["kept_quiet", "keptQuiet"]),
    ],
)
def test_words_that_were_given_up_are_seen_in_names_and_texts(text: str, words: list[str]) -> None:
    assert GIVEN_UP.findall(text) == words


def test_words_that_were_given_up_do_not_come_back() -> None:
    back = []
    for part in PRODUCT:
        for file in sorted(one for one in (ROOT / part).rglob("*.*") if one.suffix in {".py", ".mjs"}):
            name = str(file.relative_to(ROOT))
            for number, line in enumerate(file.read_text().splitlines(), 1):
                words = set(GIVEN_UP.findall(line)) - DATA_KEYS.get(name, set())
                back += [f"{name}:{number}: {word}" for word in sorted(words)]
    assert not back
