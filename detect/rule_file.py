"""Reads and checks the rule tables. A bad table is refused with file, key, value and remedy."""

import hashlib
from collections.abc import Collection, Mapping
from importlib.resources import files
from math import inf
from pathlib import Path
from string import Formatter
from typing import Annotated, TypeVar

import msgspec
from msgspec import Meta, Struct

from quietward.contracts.errors import BadRules, possible
from quietward.contracts.policy_info import AdjustableLimit, PolicyInfo, RuleSetInfo
from quietward.contracts.tables import parse_toml_table
from quietward.detect.core.alerting.concern import Concern
from quietward.detect.core.alerting.policy import NOTED, TEAM, Condition, Policy
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.detect.core.measures.findings import MEASURES, same_for_all
from quietward.detect.core.parameters import Reading, StayLimits
from quietward.detect.core.reporting.quantities import WORDS, Quantity
from quietward.detect.core.state.rules import Rules

T = TypeVar("T")


class RuleSetNames(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `rule-sets.toml`: the rule sets that come along, by the names of their files."""

    names: Annotated[list[str], Meta(min_length=1)]


OTHER_TABLES = frozenset({"reading", "concern", "rule-sets", "stay"})
A_PATH = "a path ending in .toml"


def load(policy: str | Policy = "attention", own_rule_set: str | RuleSet | None = None) -> Rules:
    """Return all rules with an attention policy: the name of one that comes along, a path ending in .toml, or itself.

    own_rule_set: one beside those that come along, or the path of its file; it is the last. Raises BadRules.
    """
    reading = _parse(*_text("reading"), Reading)
    along = _parse(*_text("rule-sets"), RuleSetNames).names
    rule_sets = tuple(_rule_set(*_text(name)) for name in along)
    if own_rule_set is not None and own_rule_set not in rule_sets:
        where = own_rule_set if isinstance(own_rule_set, str) else f"rule set {own_rule_set.name}"
        own = _rule_set(*_text(own_rule_set)) if isinstance(own_rule_set, str) else _checked(where, own_rule_set)
        if own.name in {rules.name for rules in rule_sets}:
            raise BadRules(f"{where}: name", own.name, "Is the name of a built-in rule set; choose another")
        rule_sets = (*rule_sets, own)
    names = [rules.name for rules in rule_sets]
    if repeated := [name for name in names if names.count(name) > 1]:
        raise BadRules("rule-sets.toml: names", repeated[0], "Occurs twice; give every rule set a name of its own")
    concern = _concern(*_text("concern"))
    if isinstance(policy, str):
        policy = read_policy(policy)
    else:
        check_policy(f"policy {policy.name}", policy)
    digest = _digest(reading, rule_sets, concern, policy)
    return Rules(reading, rule_sets, concern, policy, digest, _stay(*_text("stay")))


def load_for(rules: str | RuleSet, policy: str | Policy = "attention") -> tuple[Rules, str]:
    """Return all rules, and the name of the rule set that is meant: by name, path ending in .toml, or itself.

    Raises BadRules.
    """
    if isinstance(rules, str) and not rules.endswith(".toml"):
        loaded = load(policy)
        if rules not in (names := [one.name for one in loaded.rule_sets]):
            raise BadRules("rules", rules, possible([*names, A_PATH], rules))
        return loaded, rules
    loaded = load(policy, rules)
    return loaded, loaded.rule_sets[-1].name if isinstance(rules, str) else rules.name


def read_rule_set(name: str) -> RuleSet:
    """Return a rule set: the name of one that comes along, or a path ending in .toml. Raises BadRules."""
    along = _parse(*_text("rule-sets"), RuleSetNames).names
    if not name.endswith(".toml") and name not in along:
        raise BadRules("rules", name, possible([*along, A_PATH], name))
    return _rule_set(*_text(name))


def read_policy(name: str) -> Policy:
    """Return an attention policy: the name of one that comes along, or a path ending in .toml. Raises BadRules."""
    if not name.endswith(".toml"):
        along = _parse(*_text("rule-sets"), RuleSetNames).names
        tables = {path.name.removesuffix(".toml") for path in (files("quietward.detect") / "rules").iterdir()}
        if name not in (policies := sorted(tables - OTHER_TABLES - set(along))):
            raise BadRules("policy", name, f"There is no such policy. {possible([*policies, A_PATH], name)}")
    where, text = _text(name)
    policy = _parse(where, text, Policy)
    check_policy(where, policy)
    return policy


def _digest(*parsed: Struct | tuple[Struct, ...]) -> str:
    """Return a digest of what was read, not of how it was written: comments and the order of keys change nothing."""
    return hashlib.sha256(msgspec.json.encode(parsed, order="deterministic")).hexdigest()[:12]


def _rule_set(where: str, text: str) -> RuleSet:
    return _checked(where, _parse(where, text, RuleSet))


def _checked(where: str, rules: RuleSet) -> RuleSet:
    for i, criterion in enumerate(rules.criterion):
        _check(where, f"criterion {i + 1} all", [m for m, _, _ in criterion.all], criterion.text, set(MEASURES))
    low, high = rules.usual_baseline_bpm
    if not -inf < low < high < inf:
        remedy = "Needs criteria of baseline_bpm alone, below a limit and above a higher one: the usual range is theirs"
        raise BadRules(f"{where}: criterion", [low, high], remedy)
    return rules


def _concern(where: str, text: str) -> Concern:
    concern = _parse(where, text, Concern)
    for finding in concern.finding:
        _check(where, f"finding {finding.name}", [finding.measure], finding.text, same_for_all())
        if finding.none_at == finding.full_at:
            raise BadRules(f"{where}: finding {finding.name} full_at", finding.full_at, "Must differ from none_at")
    return concern


def _stay(where: str, text: str) -> StayLimits:
    limits = _parse(where, text, StayLimits)
    if repeated := [word for word in limits.risks if limits.risks.count(word) > 1]:
        raise BadRules(f"{where}: risks", repeated[0], "Occurs twice; name every risk once")
    return limits


def check_policy(where: str, policy: Policy) -> None:
    """Raise BadRules for what types alone do not show."""
    same = same_for_all() | {"concern", "concern_class"}
    # What calls depends on no definition that publications differ in; what is noted may, as the first one has it.
    in_calls, in_notes = ((one, _stand_ins(one)) for one in (same, same | set(MEASURES)))
    names = [condition.name for condition in policy.condition]
    for place, condition in enumerate(policy.condition):
        here = f"{where}: condition {condition.name}"
        known, stand_ins = in_notes if condition.rank == NOTED else in_calls
        if names.count(condition.name) > 1:
            raise BadRules(f"{where}: condition name", condition.name, "Give every condition a name of its own")
        if not condition.all or not condition.release:
            raise BadRules(here, [], "Needs at least one clause in `all` and one in `release`")
        for key, named, allowed in (
            ("unless", condition.unless, names),
            ("inhibited_by", condition.inhibited_by, names[:place]),  # they are looked at in this order
        ):
            if unknown := sorted(set(named) - set(allowed)):
                remedy = f"There is no such {'earlier ' if key == 'inhibited_by' else ''}condition. "
                raise BadRules(f"{here} {key}", unknown, remedy + possible(sorted(allowed), unknown[0]))
        if condition.look_by_s is not None and condition.rank != NOTED:
            raise BadRules(f"{here} look_by_s", condition.look_by_s, 'Only what is "noted" has it; leave it out')
        if condition.max_level < condition.rank:
            raise BadRules(f"{here} goes_up_to", condition.goes_up_to, f"Must not be below its level {condition.level}")
        if condition.for_one_bed is not None:
            low, high = condition.for_one_bed
            if condition.rank == TEAM or not low <= condition.all[0][2] <= high:
                remedy = f"Needs two bounds around the limit {condition.all[0][2]:g}, and a level below team"
                raise BadRules(f"{here} for_one_bed", list(condition.for_one_bed), remedy)
        _check_two_thresholds(here, condition)
        clauses = [*condition.all, *condition.release, *condition.needs, *condition.helped]
        clauses += condition.release_acknowledged + condition.release_needs
        _check(where, f"condition {condition.name}", [m for m, _, _ in clauses], "", known)
        for text in (condition.text, condition.text_after, condition.text_unknown):
            _check(where, f"condition {condition.name} text", [], text, stand_ins.keys())
            _check_text(here, text, stand_ins)


def _check_two_thresholds(here: str, condition: Condition) -> None:
    for measure, operator, limit in condition.release:
        for other, begins, at in condition.all:
            if other == measure and (begins[0] == operator[0] or (limit > at if begins[0] == ">" else limit < at)):
                remedy = f"Must not hold where {other} {begins} {at:g} does: two thresholds, or the flag flickers"
                raise BadRules(f"{here} release", [measure, operator, limit], remedy)


def _stand_ins(measures: Collection[str]) -> dict[str, Quantity | str]:
    """Return what a text may name, each with a value to try it with."""
    return {**dict.fromkeys(measures, Quantity(0)), **dict.fromkeys(WORDS, "")}


def _check_text(here: str, text: str, stand_ins: Mapping[str, Quantity | str]) -> None:
    try:
        text.format_map(stand_ins)
    except ValueError as error:
        raise BadRules(f"{here} text", text, f"Cannot be written: {error}") from error


def policy_info(rules: Rules) -> PolicyInfo:
    """Return what the page must know of the policy."""
    policy = rules.policy
    limits = [
        AdjustableLimit(c.name, c.all[0][0], c.all[0][2], *c.for_one_bed)
        for c in policy.condition
        if c.for_one_bed is not None
    ]
    longest = policy.longest
    return PolicyInfo(
        policy.name,
        rules.digest,
        longest.shelve_s,
        longest.shelve_bedside_s,
        longest.pause_s,
        longest.limit_s,
        policy.care.helps_within_s,
        limits,
        rule_set_infos(rules),
        rules.stay.risks,
        rules.stay.undo_s,
    )


def rule_set_infos(rules: Rules) -> list[RuleSetInfo]:
    """Return the numbers that explain the kinds of decelerations under each rule set, in their order."""
    return [
        RuleSetInfo(
            name=one.name,
            depth_bpm=one.deceleration.depth_bpm,
            gradual_depth_bpm=one.deceleration.gradual_depth_bpm,
            length_s=one.deceleration.length_s,
            prolonged_s=one.deceleration.prolonged_s,
            abrupt_below_s=one.deceleration.abrupt_below_s,
            abrupt_doubt_s=rules.reading.kind.doubt_s,
            late_onset_after_s=one.deceleration.late_onset_after_s,
        )
        for one in rules.rule_sets
    ]


def _text(name: str) -> tuple[str, str]:
    try:
        if name.endswith(".toml"):
            return name, Path(name).read_text()
        return f"{name}.toml", (files("quietward.detect") / "rules" / f"{name}.toml").read_text()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise BadRules("rule table", name, f"Cannot be read: {why}. Give {A_PATH}") from error


def _parse(where: str, text: str, kind: type[T]) -> T:
    return parse_toml_table(text, kind, where, BadRules)


def _check(where: str, key: str, asked: list[str], text: str, known: Collection[str]) -> None:
    try:
        named = [name for _, name, _, _ in Formatter().parse(text) if name]
    except ValueError as error:
        raise BadRules(f"{where}: {key} text", text, f"Cannot be written: {error}") from error
    for measure in [*asked, *named]:
        if measure not in known:
            raise BadRules(f"{where}: {key}", measure, f"There is no such measure. {possible(sorted(known), measure)}")
