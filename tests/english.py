"""Every English sentence that a person may read, collected from where it is written: page, sheet, log, command line.

`python -m tests.english` prints all of them, to be read in one go; `python -m tests.english de` those that a language's
table has not, ready to be translated.
"""

import ast
import inspect
import re
import sys
import tomllib
from collections.abc import Iterable, Iterator
from collections.abc import Set as AbstractSet
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po

from quietward.cli import COMMANDS, app
from quietward.contracts.commands import CARE_WORDS
from quietward.contracts.log import LOG_WORDS
from quietward.language.catalogue import OWN, PLACEHOLDER, TERMINAL, language

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted([*ROOT.glob("dashboard/assets/**/*.mjs"), *ROOT.glob("practice/page/*.mjs")])
SENTENCES_IN = (
    "dashboard/auth/authentication.py",
    "dashboard/auth/people.py",
    "dashboard/history/flags.py",
    "dashboard/history/forgetting.py",
    "dashboard/history/hours_figure.py",
    "dashboard/history/shift.py",
    "dashboard/print/handover.py",
    "dashboard/print/stay_page.py",
    "dashboard/print/ward_sheet.py",
    "dashboard/routes/account.py",
    "dashboard/view/clocks.py",
    "dashboard/view/explain.py",
    "dashboard/view/marks.py",
    "dashboard/view/view_model.py",
    "dashboard/view/wording.py",
    "practice/compare.py",
    "practice/mistakes.py",
    "detect/core/alerting/flags.py",
    "detect/core/patterns/hand.py",
    "detect/core/people/acts.py",
    "detect/core/people/care.py",
    "detect/core/people/moves.py",
    "detect/core/people/stays.py",
    "detect/core/reporting/events.py",
    "detect/core/reporting/reasons.py",
    "detect/core/reporting/summaries.py",
    "detect/core/reporting/quantities.py",
    "detect/core/state/ordering.py",
    "quietward/contracts/liveness.py",
    "quietward/contracts/notice.py",
    "quietward/contracts/summary.py",
)
"""Modules that make sentences for people: a text in them with a space or a capital is one, unless NOT_SAID has it."""
SENTENCES_OF = {
    "dashboard/live/hub.py": ("troubles", "troubles_of_ward"),
    "detect/core/engine.py": ("_say_set_aside",),
    "detect/service.py": ("troubles",),
    "ingest/service.py": ("troubles", "_told_of_ignored"),
    "simulator/service.py": ("troubles",),
}
"""Functions that do, of modules whose other texts are for logs."""
TROUBLE = "{} for {{n}} s"
"""What `StoppedSince.trouble` makes of what it is given."""
CHOICES_IN = ROOT / "quietward" / "contracts" / "errors.py"
"""Says which values are possible."""
ERRORS_ON_PAGES_IN = (
    "dashboard/print/files.py",
    "dashboard/routes/commands.py",
    "dashboard/routes/downloads.py",
    "dashboard/routes/stays.py",
    "dashboard/web/bounds.py",
    "dashboard/web/request_body.py",
    "ingest/service.py",
    "ingest/validate.py",
    *(path.relative_to(ROOT).as_posix() for path in sorted(ROOT.glob("practice/*.py"))),
)
"""Modules whose errors are shown on a page."""
TERMINAL_SENTENCES_IN = (
    *(path.relative_to(ROOT).as_posix() for path in sorted(ROOT.glob("quietward/cli/*.py"))),
    "quietward/runtime/demo.py",
    "quietward/runtime/doctor.py",
    "quietward/runtime/health.py",
    "quietward/runtime/supervisor.py",
)
"""Modules that make sentences for the command line."""
REMEDIES_IN = ("quietward/contracts/tables.py", "quietward/contracts/tls.py")
"""Modules that make what errors say to do."""
ENGLISH_ONLY_IN = ("load/report.py", "load/trial.py", "study/report.py", "study/report_page.py")
"""Modules of reports for engineers and researchers."""
LOGS = frozenset(f"log.{level}" for level in ("info", "warning", "error", "exception"))
ROOMS = ("quietward", "simulator", "ingest", "detect", "study", "load", "practice", "dashboard")
ERRORS = frozenset(
    {
        *("BadAnswer", "BadCommand", "BadMarks", "BadMessage", "BadRecording", "BadRules", "BadScenario", "BadSet"),
        *("BadSettings", "BadStrip", "BadStudy", "LostOwnership", "MissingExtra", "NotInCharge", "NotKept", "Refused"),
        *("TooLarge", "TooMany", "UnknownBed", "Unreachable"),
    }
)
"""Errors that are shown as one line: what, the value, and what to do."""
REMEDIES = frozenset({"remedy", "example", "ESCAPES", "A_PATH", "change", "hint"})
"""Names of variables that hold what an error says to do, or a part of it."""
NOT_SAID = re.compile(
    r"[^a-zA-Z]*|%.*|kind .*|.*\bhttps?:.*|<.*|\\.*|[A-Z_]+|[a-z_]+_bpm|Infinity|rgba.*|quietward[.-].*|.*\{[^}]*$"
    r"|.*\(\?P.*|\[\[.*|\{part\} \{worker\} of \{among\}|UTC.*|scrypt.*|flag-.*|dict.*|follow shard.*|.*%s.*|flag .1.*"
    r"|.*\.(csv|hea)|This writes.*|.*undone \{now\}|Told|usable signal| in 10 min|from before a restart.+|Shelve for"
    r"|\{kind\} by \{by\}: \{why\}|; noted meanwhile, .*"
    r"|(first|second) twin: |second \{name\}|second baseline_bpm|[\w-]*:\{\w+\}"
    r"|/.*|.*\.(json|css|html|po)|HH:MM.*|P\d.*|Z",
    re.DOTALL,
)
"""Formats, keys and names of code."""
NOT_SAID_THERE = re.compile(
    r"Object .*|Invalid .*|tuple\[.*|Table|Progress|Callable.*|FullReport|Estimate|Share|Assessment \| SecondTwin"
    r"|Vera|Nora|Ines|Python|FHR|(mqtt|rediss?)://(127.*|\{.*)|\{a\}health|\{name\}\.log|\{task.*|QUIETWARD_\{name\}"
    r"|quietward:? .*|quietward| --seed .*|\{a\}, quietward \{b\}|Streaming monitor.*\n.*|On a broker without .*Stop.*"
    r"|\{a\} on \{b\}: .*|\{a\} of \{b\}, \{c\}|\{a\} of \{of\} \(.*|\{a\}\. .*|\{\w+\}|\{what\}: .*|\{a\} beds"
    r"|.*\n.*|.*\[green\].*|, (not certain|today's cannot .*)"
    r"|\{name\} chosen on .*|\{name\}: \{a\} of .*",
    re.DOTALL,
)
"""Types, addresses, and what is put together by itself; the table of a study is in English, as its report."""
UNIT = re.compile(r" (s|min|h|days|bpm|of 100|weeks|completed weeks)\b")
PLAIN_WORDS = """
    quiet noted look bedside team lost unwatched good poor early late variable prolonged undetermined none
    acceleration deceleration contraction helped nobody reported unknown baseline variability deepest area
    decelerations contractions concern raised level answered unanswered over at by what result flag no other
    viewer nurse min bpm abrupt gradual yes up down behind after before steady shelved Ward Shift Study Practice
    withdrawn eased minute signal arrival leaving move steadily store ingest detect serve simulate
    attend care pause tap own-limit arrive leave correct-arrival undo-stay
"""
"""Single small words, which cannot be told from names of code."""
OF_STUDIES = (
    "Simulated shift {name}, seed {n}, {n2} h, {a} beds, nobody answering. Hatched: somebody was needed.",
    "{n} recordings of {name} side by side, {n2} h at most, nobody answering. Hatched: somebody was needed.",
    "The last {n} h of this ward, {a} beds, nobody answering: what staff did is not in it.",
    "Today's policy ({name}) meets its limit",
    "Today's policy ({name}) DOES NOT MEET its limit",
    "but not with certainty",
    (
        "Whether today's policy ({name}) meets its limit is not known: "
        "of no bed is it known that somebody was needed at level {a}"
    ),
    "{n} of {n2} needs ({a}) reached within {n3} min",
    "{n} of {n2} needs ({a}) answered within {n3} min",
    "{n} of {n2} needs ({a}) reached by clinicians within {n3} min",
    "at least {n} % asked for",
    "at least {n} % asked for (each counted under {n2} draws of the staff)",
    "{n} of {n2} ({a} to {b}) late",
    "{n} interruptions per nurse-hour",
    "{n} interruptions per nurse-hour ({a} to {b})",
    "at most {n} asked for",
    (
        "The trace itself shows {n} of the {n2} while they last, by a published definition: "
        "{n3} of {n4} within {n5} min of that"
    ),
    "there is one shift of a kind at most, and none is left to choose on",
    "in the shifts to choose on nobody is known to have been needed at this level",
    "none of the policies meets the limit on the shifts to choose on",
    "Calculating the last {n} h …",
    "The last {n} h are worked out.",
    (
        "There is no study of this ward yet. An example is being calculated, from one simulated night shift; "
        "it takes about a minute …"
    ),
    "the job ended without a message",
    "it could not be started: {a}",
    "today",
    "escalation",
    "look after s",
    "bedside after s",
)
"""What the Study page shows of a study; its report is in English."""
OF_TERMINAL = (
    *("ok", "what", "bed", "by", "reason", "count", "well", "labour", "recording", "class", "flags", "start", "nobody"),
    *("Password", "core", "cores", "base", "var.", "contr.", "accel.", "decel."),
    "setting {name}",
    "settings file",
    "no UA",
    "left out: {a}",
    "{n} s in gaps have no value",
    "{n} Hz brought to {n2} Hz by holding values",
    "{n} Hz brought to {n2} Hz by taking every second value",
    "{n} Hz brought to {n2} Hz by taking the nearest value",
    "{n} rows less than {n2} s after another are left out",
    "{a} or {b}",
    "on",
    "off",
    "missing",
    "TLS",
    "broker",
    "store",
    "clock",
)
"""Words of the command line that cannot be told from names of code, or are made of several pieces."""
OF_VALIDATION = (
    "Expected {a}, got {b}",
    "Expected {a} >= {b}",
    "Expected {a} <= {b}",
    "Expected {a} of length {b}",
    "Expected {a} matching regex {b}",
    "Object missing required field {a}",
    "Is not JSON: {a}",
)
"""What msgspec says of what a device has sent."""
PUT_TOGETHER = (
    "detect {n} of {n2}",
    "ingest {n} of {n2}",
    "serve {n} of {n2}",
    "simulate {n} of {n2}",
    "{n} acceleration",
    "{n} prolonged acceleration",
    "{n} early",
    "{n} late",
    "{n} variable",
    "{n} prolonged",
    "{n} undetermined",
    "now {a}",
    "; now ",
    "No data for {a}",
    "what is shown is {a} old",
    "late decelerations",
    "early decelerations",
    "variable decelerations",
    "late or prolonged decelerations",
    "{n} decelerations in 30 min",
    "deceleration for {a}",
    "deceleration of {n} bpm",
    "deceleration of {n} bpm, {a} long when last seen",
    "{a} since {b}",
    "{a} call",
    "{a} calls",
    "{n} s after",
    "{n} s before",
    "half",
    "double",
    "prolonged acceleration",
    "{a} ({note})",
    "ended by {by}",
    "less than {n} s",
    "with a gradual way back",
    "with no place at a contraction",
    "{a} team",
    "{a} bedside",
    "{a} look",
    "{n} weeks",
    "para {a}",
    "not {a}",
    "{n} bpm deep",
    "flag {n}",
    "flag {n} of the second twin",
    "Accelerations, 30 min, {a}",
    "Decelerations, 30 min, {a}",
    "{a} by {by}: {b}",
    "attend by {by}: {other} is not at this bed",
    "noted meanwhile, and answers nothing: {a}",
    "set aside",
    "the store does not answer",
    "sign in first",
    "Waiting for the server …",
    "This page has stopped. What is shown below is old. Load it again.",
)
"""Sentences that the code makes of several pieces."""


@cache
def english() -> dict[str, str]:
    """Return every sentence, and the file it is in."""
    found: dict[str, str] = {}
    for sentences, file in (
        *((of_javascript(p.read_text()), p) for p in PAGES),
        *((of_template(p.read_text()), p) for p in sorted(ROOT.glob("dashboard/templates/*.html"))),
        *((of_rules(p), p) for p in sorted(ROOT.glob("detect/rules/*.toml"))),
        *((of_python(ROOT / name), ROOT / name) for name in SENTENCES_IN),
        *((of_functions(ROOT / name, functions), ROOT / name) for name, functions in SENTENCES_OF.items()),
        *((of_errors(ROOT / name), ROOT / name) for name in ERRORS_ON_PAGES_IN),
        (_by_sentence(of_python(CHOICES_IN)), CHOICES_IN),
    ):
        for sentence in sentences:
            found.setdefault(sentence, file.relative_to(ROOT).as_posix())
    others = (
        *PLAIN_WORDS.split(),
        *PUT_TOGETHER,
        *OF_VALIDATION,
        *OF_STUDIES,
        *CARE_WORDS.values(),
        *LOG_WORDS.values(),
    )
    return found | {sentence: "tests/english.py" for sentence in others if sentence not in found}


def terminal() -> dict[str, str]:
    """Return every sentence of the command line that no page has, and the file it is in."""
    found: dict[str, str] = dict.fromkeys(of_commands(), "quietward/cli")
    files = sorted(path for room in ROOMS for path in (ROOT / room).glob("**/*.py"))
    for sentences, file in (
        *((of_python(ROOT / name), ROOT / name) for name in TERMINAL_SENTENCES_IN),
        *((_by_sentence(of_python(ROOT / name)), ROOT / name) for name in REMEDIES_IN),
        *((of_errors(path), path) for path in files if path.relative_to(ROOT).as_posix() not in ERRORS_ON_PAGES_IN),
    ):
        for sentence in sentences:
            if not NOT_SAID_THERE.fullmatch(sentence):
                found.setdefault(sentence, file.relative_to(ROOT).as_posix())
    found |= {sentence: "tests/english.py" for sentence in OF_TERMINAL if sentence not in found}
    on_pages = english()
    return {sentence: file for sentence, file in found.items() if sentence not in on_pages}


@cache
def plurals() -> dict[str, str]:
    """Return, for one thing, what is said of many."""
    pages = "".join(p.read_text() for p in PAGES)
    return dict(re.findall(r'\bngettext\("([^"]+)", "([^"]+)"', pages))


def of_javascript(code: str) -> Iterator[str]:
    """Yield what a module of the page looks up."""
    for text in re.findall(r'(?<![\w.])(?:_|N_|ngettext)\("((?:[^"\\]|\\.)*)"', code):
        yield text.replace('\\"', '"')


def of_template(code: str) -> Iterator[str]:
    """Yield what a template of the server looks up."""
    for double, single in re.findall(r"""\b_\((?:"([^"]*)"|'([^']*)')""", code):
        yield double or single


def of_rules(path: Path) -> Iterator[str]:
    """Yield the texts and names of a rule file."""
    yield from _of_table(tomllib.loads(path.read_text()))


def _of_table(table: dict[str, Any]) -> Iterator[str]:
    for key, value in table.items():
        if key in ("text", "text_after", "text_unknown"):
            for part in value.split(" · "):
                if _has_words(named := _lettered(re.sub(r"\{(\w+)[^}]*\}", r"{\1}", part))):
                    yield named
        elif key == "name" and "points" in table:
            yield from (value, f"{value} {{n}}")
        elif key == "name" and " " in value:
            yield value
        elif key == "name" and "all" in table:
            yield value.replace("-", " ")
        elif key in ("classes", "risks", "risk"):
            yield from value
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, dict):
                yield from _of_table(one)


def of_python(path: Path) -> Iterator[str]:
    """Yield the sentences of a module; what is put into them has the name of the last word of its expression."""
    yield from _sentences(parsed(path))


@cache
def parsed(path: Path) -> ast.Module:
    """Return what a module says to Python."""
    return ast.parse(path.read_text())


def of_functions(path: Path, names: Iterable[str]) -> Iterator[str]:
    """Yield the sentences of a module's functions of these names. Of what `trouble` is given, the whole sentence."""
    for function in ast.walk(parsed(path)):
        if not isinstance(function, ast.FunctionDef) or function.name not in names:
            continue
        given = {
            id(node.args[0])
            for node in ast.walk(function)
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "trouble"
        }
        yield from _sentences(function, given)


def _sentences(tree: ast.AST, of_troubles: AbstractSet[int] = frozenset()) -> Iterator[str]:
    nodes = list(ast.walk(tree))
    skipped = {id(node.value) for node in nodes if isinstance(node, ast.Expr)}
    skipped |= {id(part) for node in nodes if isinstance(node, ast.Raise) for part in ast.walk(node)}
    for text in _texts(tree, skipped, of_troubles):
        if " " in text.strip() or text[:1].isupper() or "{" in text:
            yield _lettered(text)


def of_errors(path: Path) -> Iterator[str]:
    """Yield what the errors of a module say to do, sentence by sentence; what is wrong, too, of what is not there."""
    for node in ast.walk(parsed(path)):
        parts: list[ast.expr] = []
        if isinstance(node, ast.Call) and (name := getattr(node.func, "id", getattr(node.func, "attr", ""))) in ERRORS:
            remedy = 3 if name == "BadMessage" else 2
            parts = [*node.args[remedy : remedy + 1], *(own.value for own in node.keywords if own.arg == "remedy")]
            parts += node.args[:1] if name in ("Unreachable", "Refused", "MissingExtra") else []
        elif isinstance(node, ast.Assign) and REMEDIES & {getattr(target, "id", "") for target in node.targets}:
            parts = [node.value]
        for part in parts:
            yield from map(_lettered, _by_sentence(_texts(part, set())))


def _by_sentence(texts: Iterable[str]) -> Iterator[str]:
    for sentence in (sentence for text in texts for sentence in text.split(". ")):
        if (" " in sentence.strip() or "{" in sentence) and _has_words(sentence):
            yield sentence


def of_commands() -> Iterator[str]:
    """Yield what the helps of commands say beside their options."""
    yield from (app.info.help or "").split("\n\n")[:1]
    for command in COMMANDS:
        yield " ".join((inspect.getdoc(command) or "").split())


def _texts(tree: ast.AST, skipped: set[int], of_troubles: AbstractSet[int] = frozenset()) -> Iterator[str]:
    """Yield the texts with words in them, without those that are skipped and parts of others."""
    nodes = list(ast.walk(tree))
    skipped = skipped | {id(part) for node in nodes if isinstance(node, ast.JoinedStr) for part in node.values}
    skipped |= {
        id(s)
        for node in nodes
        if isinstance(node, ast.FormattedValue) and node.format_spec
        for s in ast.walk(node.format_spec)
    }
    for node in nodes:
        if id(node) in skipped:
            continue
        text = (
            _template(node)
            if isinstance(node, ast.JoinedStr)
            else node.value
            if isinstance(node, ast.Constant)
            else None
        )
        if isinstance(text, str) and not NOT_SAID.fullmatch(text) and _has_words(text):
            yield TROUBLE.format(text) if id(node) in of_troubles else text


def _lettered(text: str) -> str:
    """Return a sentence with placeholders a, b, c, so that those of one form are one; n, n2 before a unit. Those of OWN
    keep their names.
    """
    renamed: dict[str, str] = {}
    for match in PLACEHOLDER.finditer(text):
        name, n = match[1], sum(one.startswith("n") for one in renamed.values())
        if name in OWN or name in renamed:
            continue
        if UNIT.match(text, match.end()):
            renamed[name] = f"n{n + 1}" if n else "n"
        else:
            renamed[name] = "abcdefghij"[len(renamed) - n]
    return PLACEHOLDER.sub(lambda match: f"{{{renamed.get(match[1], match[1])}}}", text)


def _template(node: ast.JoinedStr) -> str:
    text, names = "", []
    for part in node.values:
        if isinstance(part, ast.Constant):
            text += str(part.value)
        elif isinstance(part, ast.FormattedValue):
            words = [
                w
                for w in re.findall(r"[A-Za-z_]\w*", re.sub(r'"[^"]*"|\'[^\']*\'', "", ast.unparse(part.value)))
                if w not in ("if", "else", "for", "in", "not", "self", "is")
            ]
            name = words[-1] if words else "x"
            while name in names:
                name += "2"
            names.append(name)
            text += f"{{{name}}}"
    return text


def _has_words(text: str) -> bool:
    return re.search("[A-Za-z]{2}", PLACEHOLDER.sub("", text)) is not None


def only_english() -> dict[str, str]:
    """Return what stays English: reports of studies and load tests, lines of services' logs."""
    found: dict[str, str] = {}
    for name in ENGLISH_ONLY_IN:
        found |= {sentence: name for sentence in of_python(ROOT / name) if not NOT_SAID_THERE.fullmatch(sentence)}
    for path in sorted(path for room in ROOMS for path in (ROOT / room).glob("**/*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in LOGS and isinstance(node.args[0], ast.Constant):
                found[str(node.args[0].value)] = path.relative_to(ROOT).as_posix()
    return found


def main() -> None:
    """Print what a table has not; without a name of one, all that is said in English, by where it is written."""
    if len(sys.argv) == 1:
        for title, found in (
            ("Pages, sheets, log", english()),
            ("Command line", terminal()),
            ("English only", only_english()),
        ):
            print(f"# {title}")
            for file, sentences in groupby(sorted(found, key=found.__getitem__), key=found.__getitem__):
                print(f"\n## {file}\n", *sentences, sep="\n")
            print()
        return
    (name,) = sys.argv[1:]
    missing = Catalog(locale=name)
    many = plurals()
    for context, found in ((None, english()), (TERMINAL, terminal())):
        for sentence, file in found.items():
            if sentence not in language(name, context).words:
                key = (sentence, many[sentence]) if sentence in many else sentence
                missing.add(key, locations=[(file, 1)], context=context)
    write_po(sys.stdout.buffer, missing, omit_header=True, width=0, include_lineno=False)


if __name__ == "__main__":
    main()
