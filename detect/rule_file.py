"""Reads and checks the rule tables. A bad table is refused with file, key, value and remedy."""

import hashlib
import re
import tomllib
from importlib.resources import files
from pathlib import Path
from string import Formatter
from typing import TypeVar

import msgspec

from detect.core.attention import Policy
from detect.core.concern import Concern
from detect.core.findings import BY_RULE_SET, MEASURES
from detect.core.limits import Reading
from detect.core.rule_sets import RuleSet
from detect.core.rules import Rules
from quietward.errors import BadRules

RULE_SETS = ("nichd-2008", "figo-2015")
T = TypeVar("T")


def load(policy: str = "attention") -> Rules:
    """Return all rules with the given attention policy: the name of one that comes along, or a path ending in .toml.

    Raises BadRules.
    """
    sources = [_text(name) for name in ("reading", *RULE_SETS, "concern", policy)]
    digest = hashlib.sha256("\0".join(text for _, text in sources).encode()).hexdigest()[:12]
    reading = _parse(*sources[0], Reading)
    rule_sets = tuple(_parse(*source, RuleSet) for source in sources[1:3])
    concern = _parse(*sources[3], Concern)
    attention = _parse(*sources[4], Policy)
    for (where, _), rules in zip(sources[1:3], rule_sets, strict=True):
        for i, criterion in enumerate(rules.criterion):
            _check(
                where,
                f"criterion {i + 1} all",
                [m for m, _, _ in criterion.all],
                criterion.text,
                set(MEASURES),
            )
    for finding in concern.finding:
        _check(sources[3][0], f"finding {finding.name}", [finding.measure], finding.text, set(MEASURES) - BY_RULE_SET)
        if finding.none_at == finding.full_at:
            raise BadRules(
                f"{sources[3][0]}: finding {finding.name} full_at",
                finding.full_at,
                "Must differ from none_at",
            )
    known = (set(MEASURES) - BY_RULE_SET) | {"concern"}
    names = {condition.name for condition in attention.condition}
    for condition in attention.condition:
        if unknown := set(condition.unless) - names:
            where = f"{sources[4][0]}: condition {condition.name} unless"
            raise BadRules(where, sorted(unknown), f"There is no such condition; use one of {', '.join(sorted(names))}")
        asked = [m for m, _, _ in [*condition.all, *condition.release]]
        if not condition.all or not condition.release:
            where = f"{sources[4][0]}: condition {condition.name}"
            raise BadRules(where, [], "Needs at least one clause in `all` and one in `release`")
        _check(sources[4][0], f"condition {condition.name}", asked, "", known)
        _check(sources[4][0], f"condition {condition.name} text", [], condition.text, known | {"because"})
    return Rules(reading, rule_sets, concern, attention, digest)


def _text(name: str) -> tuple[str, str]:
    try:
        if name.endswith(".toml"):
            return name, Path(name).read_text()
        return f"{name}.toml", (files("detect") / "rules" / f"{name}.toml").read_text()
    except (OSError, UnicodeDecodeError) as error:
        raise BadRules("rule table", name, f"Cannot be read ({error}); give a path that ends in .toml") from error


def _parse(where: str, text: str, kind: type[T]) -> T:
    try:
        return msgspec.convert(tomllib.loads(text), kind)
    except tomllib.TOMLDecodeError as error:
        raise BadRules(where, str(error), "Mend the TOML") from error
    except msgspec.ValidationError as error:
        message, _, path = str(error).partition(" - at `$")
        raise BadRules(f"{where}: {path.strip('.`') or 'top level'}", _value_at(text, path), message) from error


def _value_at(text: str, path: str) -> object:
    found: object = tomllib.loads(text)
    for key, number in re.findall(r"\.(\w+)|\[(\d+)\]", path):
        if key and isinstance(found, dict):
            found = found.get(key)
        elif number and isinstance(found, list):
            found = found[int(number)]
    return found


def _check(where: str, key: str, asked: list[str], text: str, known: set[str]) -> None:
    named = [name for _, name, _, _ in Formatter().parse(text) if name]
    for measure in [*asked, *named]:
        if measure not in known:
            raise BadRules(
                f"{where}: {key}", measure, f"There is no such measure; use one of {', '.join(sorted(known))}"
            )
