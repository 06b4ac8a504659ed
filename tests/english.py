"""Every English sentence that a person may read on page, sheet or log, collected from where it is written.

`python -m tests.english de` prints those that a language's table has not, ready to be translated.
"""

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po

from quietward.contracts.commands import CARE_WORDS
from quietward.contracts.log import LOG_WORDS
from quietward.language.catalogue import OWN, PLACEHOLDER, language

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted([*ROOT.glob("dashboard/assets/**/*.mjs"), *ROOT.glob("practice/page/*.mjs")])
SENTENCES_IN = (
    "dashboard/auth/authentication.py",
    "dashboard/auth/people.py",
    "dashboard/history/flags.py",
    "dashboard/history/hours_figure.py",
    "dashboard/history/shift.py",
    "dashboard/live/hub.py",
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
NOT_SAID = re.compile(
    r"[^a-zA-Z]*|%.*|kind .*|.*\bhttps?:.*|<.*|\\.*|[A-Z_]+|[a-z_]+_bpm|Infinity|rgba.*|quietward[.-].*|.*\{[^}]*$"
    r"|.*\(\?P.*|\[\[.*|\{part\} \{worker\} of \{among\}|UTC.*|scrypt.*|flag-.*|dict.*|follow shard.*|.*%s.*|flag .1.*"
    r"|.*\.(csv|hea)|This writes.*|.*undone \{now\}|Told|usable signal| in 10 min|from before a restart.+|Shelve for"
    r"|(first|second) twin: |[\w-]*:\{\w+\}|/.*|.*\.(json|css|html|po)|HH:MM.*|P\d.*|Z",
    re.DOTALL,
)
"""Formats, keys and names of code."""
UNIT = re.compile(r" (s|min|h|days|bpm|of 100|weeks|completed weeks)\b")
PLAIN_WORDS = """
    quiet noted look bedside team lost unwatched good poor early late variable prolonged undetermined none
    acceleration deceleration contraction helped nobody reported unknown baseline variability deepest area
    decelerations contractions concern raised level answered unanswered over at by what result flag no other
    viewer nurse min bpm abrupt gradual yes up down behind after before steady shelved Ward Shift Study Practice
    withdrawn eased minute signal arrival leaving move steadily store ingest detect
"""
"""Single small words, which cannot be told from names of code."""
OF_STUDIES = (
    "Simulated shift {name}, seed {n}, {n2} h, {a} beds, nobody answering. Hatched: somebody was needed.",
    "{n} recordings of {name} side by side, {n2} h at most, nobody answering. Hatched: somebody was needed.",
    "The last {n} h of this ward, {a} beds, nobody answering: what staff did is not in it.",
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
"""What the Study page shows of a study; its headline and its report are in English."""
PUT_TOGETHER = (
    "{n} acceleration",
    "{n} prolonged acceleration",
    "{n} early",
    "{n} late",
    "{n} variable",
    "{n} prolonged",
    "{n} undetermined",
    "now {a}",
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
    "Accelerations, 30 min, {a}",
    "Decelerations, 30 min, {a}",
    "Waiting for the server …",
    "This page has stopped. What is shown below is old. Load it again.",
)
"""Sentences that the code makes of several pieces."""


def english() -> dict[str, str]:
    """Return every sentence, and the file it is in."""
    found: dict[str, str] = {}
    for sentences, file in (
        *((of_javascript(p.read_text()), p) for p in PAGES),
        *((of_template(p.read_text()), p) for p in sorted(ROOT.glob("dashboard/templates/*.html"))),
        *((of_rules(p), p) for p in sorted(ROOT.glob("detect/rules/*.toml"))),
        *((of_python(ROOT / name), ROOT / name) for name in SENTENCES_IN),
    ):
        for sentence in sentences:
            found.setdefault(sentence, file.relative_to(ROOT).as_posix())
    others = (*PLAIN_WORDS.split(), *PUT_TOGETHER, *OF_STUDIES, *CARE_WORDS.values(), *LOG_WORDS.values())
    return found | {sentence: "tests/english.py" for sentence in others if sentence not in found}


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
        if key in ("text", "text_after"):
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
    tree = ast.parse(path.read_text())
    skipped = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    skipped |= {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    skipped |= {id(part) for node in ast.walk(tree) if isinstance(node, ast.Raise) for part in ast.walk(node)}
    skipped |= {
        id(s)
        for node in ast.walk(tree)
        if isinstance(node, ast.FormattedValue) and node.format_spec
        for s in ast.walk(node.format_spec)
    }
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        text = (
            _template(node)
            if isinstance(node, ast.JoinedStr)
            else node.value
            if isinstance(node, ast.Constant)
            else None
        )
        if (
            isinstance(text, str)
            and (" " in text.strip() or text[:1].isupper() or "{" in text)
            and not NOT_SAID.fullmatch(text)
            and _has_words(text)
        ):
            yield _lettered(text)


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


def main() -> None:
    """Print what a table has not."""
    (name,) = sys.argv[1:]
    missing = Catalog(locale=name)
    many = plurals()
    for sentence, file in english().items():
        if sentence not in language(name).words:
            missing.add((sentence, many[sentence]) if sentence in many else sentence, locations=[(file, 1)])
    write_po(sys.stdout.buffer, missing, omit_header=True, width=0, include_lineno=False)


if __name__ == "__main__":
    main()
