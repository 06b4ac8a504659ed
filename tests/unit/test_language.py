"""The words: every sentence that people read is in every table, whole; and finished sentences are recognised."""

import json
import re
import shutil
import subprocess
from collections.abc import Callable
from datetime import date
from typing import get_args

import pytest
from babel.messages.pofile import read_po

from quietward.contracts.commands import Command
from quietward.contracts.errors import BadSettings, possible
from quietward.contracts.log import LOG_WORDS
from quietward.contracts.notice import NOTICE
from quietward.dashboard.routes.commands import BadCommand
from quietward.dashboard.view.wording import plain
from quietward.language.catalogue import PLACEHOLDER, TERMINAL, chosen, language, names
from quietward.language.terminal import asked_for
from quietward.runtime.liveness import StoppedSince
from tests.english import ROOT, english, plurals, terminal

OTHERS = [name for name in names() if name != "en"]
SAME_EVERYWHERE = re.compile(
    r"(bpm|min|Name|normal|abrupt|Team|team|Student|[IVX]+|Diabetes|diabetes|Minute|minute|\W|\d|cm)*"
)
BARE = re.compile(
    r"""(?:make\("\w+", "[^"]*", |button\(|field\(|labelled\(|disclosure\(|setText\([^,]+, )(["`][A-Za-z][^"`]*["`])"""
)
"""A text of the page's code that goes to the screen without being looked up."""
SENTENCES = {
    "No data for 41 s, monitor disconnected": "Seit 41 s keine Daten, Gerät nicht verbunden",
    "late decelerations, 3 of 5 contractions · baseline up 15 bpm in 1 h": (
        "späte Dezelerationen, bei 3 von 5 Wehen · Baseline in 1 h um 15 bpm gestiegen"
    ),
    "3.6 in 10 min, 70 s between, tachysystole by figo-2015": "3,6 in 10 min, 70 s Pause, Tachysystolie nach figo-2015",
    "look: unanswered: baseline 166 bpm, above 160 for 28 min": (
        "ansehen: ohne Antwort: Baseline 166 bpm, seit 28 min über 160"
    ),
    "on purpose, Kim: bathroom; now no FHR for 3 min": "mit Absicht, Kim: Toilette; jetzt: Seit 3 min keine FHF",
    "no usable signal for 12 min; now no data for 41 s, monitor disconnected": (
        "seit 12 min kein verwertbares Signal; jetzt: Seit 41 s keine Daten, Gerät nicht verbunden"
    ),
    "a deceleration has just ended; now monitor connected, but no usable data yet": (
        "eine Dezeleration ist gerade zu Ende; jetzt: Gerät verbunden, aber noch keine verwertbaren Daten"
    ),
    "moving to bed-3; no detector has looked for 41 s; last known: team. late decelerations · deepest 60 bpm": (
        "wird verlegt nach bed-3; seit 41 s nicht ausgewertet; zuletzt: Team. späte Dezelerationen · tiefste 60 bpm"
    ),
    "no detector has looked for 41 s; last known: team": "seit 41 s nicht ausgewertet; zuletzt: Team",
    "variability low, shelved by Nora: asleep; low baseline, shelved by Kim": (
        "Oszillation niedrig, zurückgestellt von Nora: asleep; Baseline niedrig, zurückgestellt von Kim"
    ),
    "variability low, shelved by Nora; low baseline, shelved by Kim": (
        "Oszillation niedrig, zurückgestellt von Nora; Baseline niedrig, zurückgestellt von Kim"
    ),
    "No data for 41 s": "Seit 41 s keine Daten",
    "what is shown is 10 min old": "was hier steht, ist 10 min alt",
    "shelved for 15 min by Kim (late, she says): tachysystole": (
        "für 15 min zurückgestellt von Kim (late, she says): Tachysystolie"
    ),
    "ingest 1 of 2: the broker has been away for 12 s": "Annahme 1 von 2: der Vermittler ist seit 12 s weg",
    "ingest: the broker refuses what ingest sends to itself: let it write to a/b": (
        "Annahme: der Vermittler lehnt ab, was die Annahme sich selbst sendet: Sie muss an a/b schreiben dürfen"
    ),
    "detect 2 of 3: shard 0 is 9 s behind": "Auswertung 2 von 3: Shard 0 ist 9 s im Rückstand",
    "serve: the page gets no new data for 7 s": "Seite: die Seite bekommt seit 7 s keine neuen Daten",
    "simulate: 3 of 12 devices do not reach the broker": "Simulation: 3 von 12 Geräten erreichen den Vermittler nicht",
    "Expected `float` <= 300.0": "Erwartet: `float` <= 300,0",
    "Used, but for fields that are not known here: late, spo2": (
        "Verwendet, bis auf Felder, die hier unbekannt sind: late, spo2"
    ),
    "leave by Kim: Somebody is asked for here and nobody has answered: acknowledge it first": (
        "Weggang, Kim: Hier wird jemand gerufen, und niemand hat geantwortet: bitte zuerst quittieren"
    ),
    "acknowledge by Kim: The flag is over; there is a newer one, flag 3 of the second twin": (
        "Quittieren, Kim: Die Meldung besteht nicht mehr; es gibt eine neuere, Meldung 3 des zweiten Zwillings"
    ),
    "attend by Nora: Nora is not at this bed": "Hingehen, Nora: Nora ist nicht an diesem Bett",
    "move by Kim: bed-2 is occupied": "Verlegung, Kim: bed-2 ist belegt",
    "leaving undone by Kim; noted meanwhile, and answers nothing: turned to the side by Ann, tea by Bo": (
        "Weggang zurückgenommen von Kim; inzwischen eingetragen, quittiert nichts: auf die Seite gelagert von Ann, "
        "tea von Bo"
    ),
    "set aside": "ausgelassen",
    "the store does not answer: timed out": "der Speicher antwortet nicht: timed out",
    "what nobody has ever written": "what nobody has ever written",
}


@pytest.mark.parametrize("name", OTHERS)
@pytest.mark.parametrize(("context", "said"), [(None, english), (TERMINAL, terminal)])
def test_every_sentence_is_in_the_table_and_nothing_else_is(
    name: str, context: str | None, said: Callable[[], dict[str, str]]
) -> None:
    with (ROOT / "quietward" / "language" / f"{name}.po").open("rb") as file:
        table = read_po(file, locale=name)
    entries = {m.id if isinstance(m.id, str) else m.id[0]: m for m in table if m.id and m.context == context}
    assert set(entries) == set(said()), "python -m tests.english LANGUAGE prints what is missing"
    for key, entry in entries.items():
        forms = [entry.string] if isinstance(entry.string, str) else list(entry.string or [])
        assert all(forms), f"{key!r} is not translated"
        assert not entry.fuzzy, key
        allowed = set(PLACEHOLDER.findall(key)) | set(PLACEHOLDER.findall(plurals().get(key, "")))
        for form in forms:
            assert set(PLACEHOLDER.findall(form)) == set(PLACEHOLDER.findall(key)) or key in plurals(), key
            assert set(PLACEHOLDER.findall(form)) <= allowed, key
            assert (form[:1].isspace(), form[-1:].isspace()) == (key[:1].isspace(), key[-1:].isspace()), key


def test_everything_the_commands_say_is_in_the_list() -> None:
    for path in sorted((ROOT / "quietward" / "cli").glob("*.py")):
        bare = re.findall(r"\bprint\(f?\"[^\"{]*[A-Za-z]{3}", path.read_text())
        assert [one for one in bare if "quietward" not in one] == [], (
            f"{path.name}: say() looks it up, print() does not"
        )


@pytest.mark.parametrize("name", OTHERS)
def test_the_notice_is_there_in_every_language(name: str) -> None:
    assert language(name).said(NOTICE) != NOTICE
    assert "quietward" in language(name).said(NOTICE)


def test_every_template_with_a_body_carries_the_notice() -> None:
    for path in sorted((ROOT / "dashboard" / "templates").glob("*.html")):
        text = path.read_text()
        if "{% block body %}" in text and path.name != "base.html":
            assert "{{ notice | said }}" in text, path.name


def test_templates_have_no_bare_words() -> None:
    for path in sorted((ROOT / "dashboard" / "templates").glob("*.html")):
        bare = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}|<style>.*?</style>", "", path.read_text(), flags=re.DOTALL)
        shown = [text.strip() for text in re.findall(r">([^<>]*[A-Za-z]{2}[^<>]*)<", bare)]
        assert set(shown) <= {"quietward"}, path.name


def test_the_page_looks_up_what_it_shows() -> None:
    for path in sorted((ROOT / "dashboard" / "assets").glob("**/*.mjs")):
        if path.parent.name != "study":  # in English only, as docs/languages.md says
            assert BARE.findall(path.read_text()) == [], path.name


@pytest.mark.parametrize(("sentence", "german"), SENTENCES.items())
def test_finished_sentences_are_recognised_by_their_templates(sentence: str, german: str) -> None:
    assert language("de").said(sentence) == german
    assert language("en").said(sentence) == sentence


@pytest.mark.parametrize("command", get_args(Command))
def test_what_was_refused_is_said_in_german_whatever_was_pressed(command: type) -> None:
    act = str(command.__struct_config__.tag)  # type: ignore[attr-defined]
    found = language("de").said(f"{act} by Kim: It has been silent for 60 min; look at it first")
    assert found.endswith(", Kim: Das Bett ist seit 60 min still; bitte erst nachsehen")
    assert not found.startswith(act)


def test_every_kind_of_a_log_has_german_words() -> None:
    """Kinds without a word of their own are read as plain words."""
    written = "".join(path.read_text() for path in ROOT.glob("detect/core/**/*.py"))
    kinds = set(re.findall(r"report\.event\(\s*state, \w+, \w+, \"([\w-]+)\"", written)) | set(LOG_WORDS)
    assert len(kinds) > 30
    same = [kind for kind in kinds if language("de").said(word := LOG_WORDS.get(kind, plain(kind))) == word]
    assert same == []


def test_what_has_not_come_round_is_said_in_the_readers_language() -> None:
    now = 0.0
    stopped = StoppedSince(lambda: now)
    now = 60.0
    given = [key.removesuffix(" for {n} s") for key in english() if key.endswith(" for {n} s") and key[0].islower()]
    assert "no second was written" in given
    for what in given:
        (trouble,) = stopped.trouble(what)
        found = language("de").said(trouble)
        assert "60 s" in found
        assert found != trouble


@pytest.mark.skipif(shutil.which("node") is None, reason="no Node")
def test_the_browser_says_the_same_as_the_server() -> None:
    script = f"""
        import {{ Language }} from "{(ROOT / "dashboard/assets/shared/language.mjs").as_uri()}";
        const {{ words, sentences }} = JSON.parse(process.argv[1]);
        const german = new Language("de", words);
        console.log(JSON.stringify([
          sentences.map((one) => german.said(one)),
          german.counted("the last hour", "the last {{n}} hours", 1),
          german.counted("the last hour", "the last {{n}} hours", 4),
          german.text("At most {{n}} min.", {{ n: 2.5 }}),
        ]));
    """
    given = json.dumps({"words": language("de").words, "sentences": list(SENTENCES)})
    command = ["node", "--input-type=module", "--eval", script, given]
    found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    assert found == [list(SENTENCES.values()), "die letzte Stunde", "die letzten 4 Stunden", "Höchstens 2,5 min."]


def test_the_wards_setting_counts_before_the_browsers_wish() -> None:
    assert chosen("", "de-AT,de;q=0.9,en;q=0.8").name == "de"
    assert chosen("", "fr-FR,fr;q=0.9").name == "en"
    assert chosen("", "").name == "en"
    assert chosen("en", "de").name == "en"
    assert chosen("de", "en-GB").name == "de"


def test_numbers_and_days_are_written_as_usual_there() -> None:
    assert language("de").number(2.5, 1) == "2,5"
    assert language("de").date(date(2026, 11, 9)) == "09.11.2026"
    assert language("en").date(date(2026, 11, 9)) == "2026-11-09"


@pytest.mark.parametrize(
    ("environment", "name"),
    [
        ({}, None),
        ({"LANG": "C.UTF-8"}, None),
        ({"LANG": "de_DE.UTF-8"}, "de"),
        ({"LANG": "de_DE.UTF-8", "LC_MESSAGES": "en_GB.UTF-8"}, None),
        ({"LANG": "en_GB.UTF-8", "QUIETWARD_LANGUAGE": "de"}, "de"),
        ({"LANG": "de_DE.UTF-8", "QUIETWARD_LANGUAGE": "en"}, None),
        ({"LANG": "fr_FR.UTF-8"}, None),
    ],
)
def test_the_command_line_is_in_the_wards_language_or_the_terminals(
    environment: dict[str, str], name: str | None
) -> None:
    found = asked_for(environment)
    assert (found and found.name) == name


def test_errors_are_said_in_the_readers_language() -> None:
    error = BadSettings("setting brokre", "x", f"There is no such setting. {possible(['broker', 'store'], 'brokre')}")
    assert str(error) == ("setting brokre: 'x'. There is no such setting. Use broker or store; did you mean 'broker'?")
    assert error.in_words(language("de", TERMINAL).said) == (
        "Einstellung brokre: 'x'. Diese Einstellung gibt es nicht. Nimm broker oder store; meintest du 'broker'?"
    )
    on_page = BadCommand("arrival.label", "", "Must not be blank; a room, a colour, a number, never a name")
    assert on_page.in_words(language("de").said) == (
        "arrival.label: ''. Darf nicht leer sein; ein Zimmer, eine Farbe, eine Nummer, nie ein Name"
    )


def test_pages_do_not_carry_the_words_of_the_command_line() -> None:
    assert "Print the version and exit." not in language("de").words
    assert "Print the version and exit." in language("de", TERMINAL).words
