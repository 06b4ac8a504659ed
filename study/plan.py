"""A study, as data: the shifts, what varies, the staff, and what a unit tolerates."""

import itertools
import tomllib
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct, structs

from quietward.contracts.errors import BadRules, BadStudy, extra, possible
from quietward.contracts.summary import Level
from quietward.contracts.tables import check_table, parse_toml_table
from quietward.detect import rule_file
from quietward.detect.core.alerting.policy import Condition, Policy
from quietward.detect.core.state.rules import Rules
from quietward.recordings import SUFFIXES
from quietward.recordings.files import find_recordings
from quietward.simulator import emergency, scenario, shift
from quietward.simulator.emergency import Emergencies
from quietward.study import ranges
from quietward.study.staff_model import StaffModel

Name = Annotated[str, Meta(min_length=1, max_length=40)]
Text = Annotated[str, Meta(min_length=1)]
Again = Annotated[float, Meta(ge=0, le=86400)] | None
Hours = Annotated[float, Meta(ge=0.5, le=24)]
Reached = Literal["anybody", "answer", "clinicians"]

MOST_SHIFTS, MOST_VARIANTS = 5000, 5000
TIME_TABLES = ("escalation", "repeat", "care")
CONDITION_KEYS = ("limit", "release", "hold_s", "release_s", "look_after_s")
BASE = "today"
"""Name of the base policy among the variants."""


class Cases(Struct, frozen=True, forbid_unknown_fields=True):
    """Shifts of one kind. Simulated: a `shift`, or `scenarios` side by side; one shift for each seed from the first to
    the last, the same beds, other labours. Or recordings: a folder, so many `beds` side by side; longer ones are cut
    after `hours`. The truth of a recording is read from NAME.truth.json; without one, a study reports interruptions,
    but neither what is late nor the positive predictive value of calls.
    emergencies_per_shift: on average, in place of the shift's own number; .01 is one in a hundred nights.
    """

    hours: Hours
    shift: str | None = None
    scenarios: list[str] = []
    recordings: str | None = None
    seeds: Annotated[list[Annotated[int, Meta(ge=0, le=10**6)]], Meta(min_length=2, max_length=2)] | None = None
    beds: Annotated[int, Meta(ge=1, le=48)] = 12
    emergencies_per_shift: Annotated[float, Meta(ge=0.01, le=12)] | None = None

    @property
    def kind(self) -> str:
        """The name under which its shifts are reported."""
        return self.shift or (Path(self.recordings).name if self.recordings else "scenarios")

    def emergencies(self) -> Emergencies | None:
        """Return how often what befalls its beds. Raises BadScenario."""
        own = None if self.shift is None else shift.load(self.shift).emergencies
        if own is None or self.emergencies_per_shift is None:
            return own
        return structs.replace(own, per_shift=self.emergencies_per_shift)


class Varied(Struct, frozen=True, forbid_unknown_fields=True):
    """One number and the values it takes: `CONDITION.limit` (its release moves with it), `CONDITION.release`,
    `CONDITION.hold_s`, `CONDITION.release_s`, `CONDITION.look_after_s`, `escalation.KEY`, `repeat.KEY`, `care.KEY`,
    `staff.TABLE.KEY`.
    """

    key: Text
    values: Annotated[list[float], Meta(min_length=1, max_length=1000)]


class LimitAlarm(Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="fixed-limits"):
    """A plain alarm: the FHR outside limits for a time."""

    name: Name
    low_bpm: Annotated[float, Meta(ge=30, le=200)]
    high_bpm: Annotated[float, Meta(ge=60, le=240)]
    for_s: Annotated[float, Meta(ge=0, le=3600)]


class ClassAlarm(Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="rule-set"):
    """A plain alarm: a published rule set taken literally, class 2 a look, class 3 bedside."""

    name: Name
    rule_set: Text


class AlarmTimes(Struct, frozen=True, forbid_unknown_fields=True):
    """When plain alarms speak again, as policies do; 0: never, None: after the time of the study's policy.

    LEVEL_after_s: one that nobody answers goes one level up, once. LEVEL_repeats_s: an answered one that is still there
    is repeated.
    """

    look_after_s: Again = None
    bedside_after_s: Again = None
    look_repeats_s: Again = None
    bedside_repeats_s: Again = None
    team_repeats_s: Again = None


class StudyLimit(Struct, frozen=True, forbid_unknown_fields=True):
    """What a unit tolerates and what it asks for. level: the needs that are meant.

    reached: what counts: anybody at the bed; an answer, somebody who came for a call and not on the round; or
    clinicians, by whom a need for the team is met.
    """

    interruptions_per_nurse_hour: Annotated[float, Meta(gt=0, le=60)]
    level: Literal["bedside", "team"] = "team"
    reached: Reached = "anybody"
    reached_within_min: Annotated[float, Meta(gt=0, le=120)] = 5.0
    reached_share: Annotated[float, Meta(ge=0, le=1)] = 0.99


class Study(Struct, frozen=True, forbid_unknown_fields=True):
    """All of a study file.

    how: every combination of the values (grid), one number at a time (each), or so many points spread evenly between
    the least and the greatest value of every number (sample; `points`, `seed`). staff_draws: so often every shift is
    played with staff: who believes a call and how long things take is drawn anew, the same for all variants.
    care_changes_course: whether what staff do helps simulated women, and children are born, so that outcomes can be
    compared; it takes much longer. birth_after_min: else a child whose mother has an emergency is born so long after
    the team was first needed, however she is cared for, and the bed is not watched any more; None: what is needed is
    needed to the end.
    """

    name: Name
    purpose: Text
    cases: Annotated[list[Cases], Meta(min_length=1)]
    limit: StudyLimit
    policy: str = "attention"
    how: Literal["grid", "each", "sample"] = "grid"
    points: Annotated[int, Meta(ge=1, le=MOST_VARIANTS)] = 64
    seed: Annotated[int, Meta(ge=0)] = 1
    staff: dict[str, Any] = {}
    staff_draws: Annotated[int, Meta(ge=1, le=20)] = 1
    vary: list[Varied] = []
    alarm: list[LimitAlarm | ClassAlarm] = []
    alarm_times: AlarmTimes = AlarmTimes()
    care_changes_course: bool = False
    birth_after_min: Annotated[float, Meta(gt=0, le=1440)] | None = None


class Variant(Struct, frozen=True):
    """One thing that is compared: a policy or a plain alarm, with its staff. numbers: the varied values.

    staff_is: in which way its staff are others than the study's, empty: they are not. alarm_times: of a plain alarm,
    none of them None.
    """

    name: str
    staff: StaffModel
    policy: Policy | None = None
    alarm: LimitAlarm | ClassAlarm | None = None
    numbers: dict[str, float] = {}
    staff_is: str = ""
    alarm_times: AlarmTimes | None = None


OTHER_STAFF: dict[str, tuple[str, float]] = {
    "no rounds": ("tasks.round_every_min", 1e9),
    "rounds every 15 min": ("tasks.round_every_min", 15),
    "rounds every 60 min": ("tasks.round_every_min", 60),
    "half of all calls answered, or more": ("trust.least", 0.5),
    "all calls answered": ("trust.least", 1.0),
    "a nurse for 3 beds": ("beds_per_nurse", 3),
    "a nurse for 6 beds": ("beds_per_nurse", 6),
}
"""What every report says today's figures hang on: rounds, trust, and how many there are; of others, trust alone."""


class StudyPlan(Struct, frozen=True):
    """A study, checked, with all its variants; the base is the first of them.

    other_staff: base and plain alarms once more, with those of `OTHER_STAFF`; where care changes the course, the base.
    """

    study: Study
    rules: Rules
    variants: list[Variant]
    other_staff: list[Variant] = []

    def today(self, key: str) -> float:
        """Return the base's value of a number that varies."""
        table, _, name = key.partition(".")
        base = self.variants[0]
        policy = base.policy or _no_policy()
        if table == "staff":
            value: Any = msgspec.to_builtins(base.staff)
            for part in name.split("."):
                value = value[part]
            return float(value)
        if table in TIME_TABLES:
            return float(getattr(getattr(policy, table), name))
        condition = next(c for c in policy.condition if c.name == table)
        match name:
            case "limit":
                return float(condition.all[0][2])
            case "release":
                return float(condition.release[0][2])
            case "look_after_s" if condition.look_after_s is None:
                return float(policy.escalation.look_after_s)
        return float(getattr(condition, name))


def names() -> list[str]:
    """Return the names of the built-in studies."""
    studies = (files("quietward.study") / "studies").iterdir()
    return sorted(path.name.removesuffix(".toml") for path in studies if path.name.endswith(".toml"))


def load(name: str, seed: int | None = None) -> StudyPlan:
    """Return a study with its variants: a built-in one, or a path ending in .toml. Raises BadStudy.

    seed: the first of its simulated shifts, as many as it has, in place of its own.
    """
    study = read(name)
    return plan_study(study if seed is None else _from_seed(study, seed), name)


def _from_seed(study: Study, seed: int) -> Study:
    if seed < 0:
        raise BadStudy("--seed", seed, "Use 0 or more")
    cases = [
        c if c.seeds is None else structs.replace(c, seeds=[seed, seed + c.seeds[1] - c.seeds[0]]) for c in study.cases
    ]
    return structs.replace(study, cases=cases)


def read(name: str) -> Study:
    """Return the contents of a study file: a built-in one, or a path ending in .toml. Raises BadStudy."""
    source = Path(name) if name.endswith(".toml") else files("quietward.study") / "studies" / f"{name}.toml"
    try:
        text = source.read_text()
    except (OSError, ValueError) as error:
        if name.endswith(".toml"):
            why = getattr(error, "strerror", None) or str(error)
            raise BadStudy("study", name, f"Cannot be read: {why}") from error
        remedy = f"There is no such study. {possible([*names(), 'a path ending in .toml'], name)}"
        raise BadStudy("study", name, remedy) from error
    return parse_toml_table(text, Study, f"study {name}", BadStudy)


def plan_study(study: Study, where: str) -> StudyPlan:
    """Check a study and derive its variants. Raises BadStudy, BadRules, BadScenario."""
    base = plan_base(study, where)
    (today,) = base.variants
    for number in study.vary:
        _check_key(today, number.key, where)
        for value in number.values:
            _check_range(today, number.key, value, where)
    variants = [today, *(varied(today, point, where) for point in _points(study, where))]
    if study.how == "sample":
        variants[1:] = [structs.replace(v, name=f"point {i}") for i, v in enumerate(variants[1:], 1)]
    times = _alarm_times(study.alarm_times, today.policy or _no_policy())
    variants += [Variant(alarm.name, today.staff, alarm=alarm, alarm_times=times) for alarm in study.alarm]
    if len({v.name for v in variants}) < len(variants):
        repeated = sorted({v.name for v in variants if sum(v.name == o.name for o in variants) > 1})
        raise BadStudy(f"study {where}: vary", repeated[0], "Occurs twice; give every value once")
    # Where care changes the course each costs as much as a study of its own, so that only today's is there again.
    plain = [] if study.care_changes_course else [v for v in variants if v.alarm is not None]
    return structs.replace(base, variants=variants, other_staff=with_other_staff([today, *plain]))


def _alarm_times(own: AlarmTimes, policy: Policy) -> AlarmTimes:
    """Return when plain alarms speak again: the policy's own times where the study has none."""
    up, again = policy.escalation, policy.repeat
    usual = AlarmTimes(up.look_after_s, up.bedside_after_s, again.look_s, again.bedside_s, again.team_s)
    given = {name: value for name, value in structs.asdict(own).items() if value is not None}
    return structs.replace(usual, **given)


def with_other_staff(variants: list[Variant]) -> list[Variant]:
    """Return variants once more, the base with all of `OTHER_STAFF`, others with those who trust otherwise."""
    return [
        structs.replace(one, staff=_staff_with(one.staff, *change), staff_is=words)
        for one in variants
        for words, change in OTHER_STAFF.items()
        if one.name == BASE or change[0].startswith("trust.")
    ]


def plan_base(study: Study, where: str) -> StudyPlan:
    """Check a study; return it with its base as the only variant. Raises BadStudy, BadRules, BadScenario."""
    rules = rule_file.load(study.policy)
    count = sum(_check_cases(cases, f"study {where}: cases[{i}]") for i, cases in enumerate(study.cases))
    if study.care_changes_course and any(cases.recordings for cases in study.cases):
        remedy = "Leave it out; how a woman in a recording would have done is not known"
        raise BadStudy(f"study {where}: care_changes_course", value=True, remedy=remedy)
    _check_told_apart(study.cases, where)
    if study.limit.reached == "clinicians" and study.limit.level != Level.TEAM.value:
        remedy = "Use anybody or answer, or level team: a need of level bedside asks for no clinicians"
        raise BadStudy(f"study {where}: limit.reached", study.limit.reached, remedy)
    if count > MOST_SHIFTS:
        raise BadStudy(f"study {where}: cases", count, f"{MOST_SHIFTS} shifts at most")
    for i, alarm in enumerate(study.alarm):
        known = [r.name for r in rules.rule_sets]
        if isinstance(alarm, LimitAlarm) and alarm.low_bpm >= alarm.high_bpm:
            remedy = f"Must be below high_bpm, {alarm.high_bpm:g}"
            raise BadStudy(f"study {where}: alarm[{i}].low_bpm", alarm.low_bpm, remedy)
        if isinstance(alarm, ClassAlarm) and alarm.rule_set not in known:
            raise BadStudy(f"study {where}: alarm[{i}].rule_set", alarm.rule_set, possible(known, alarm.rule_set))
    staff = _staff(study.staff, where)
    # The limits of one bed are set by people, and nobody sets any here: their bounds would only be in the way.
    shared = [structs.replace(c, for_one_bed=None) for c in rules.policy.condition]
    base = Variant(BASE, staff, policy=structs.replace(rules.policy, condition=shared))
    return StudyPlan(study, rules, [base])


def _check_told_apart(all_cases: list[Cases], where: str) -> None:
    """Check that shifts differ in kind or seed, which is all that tables, staff and `--check` know them by.

    Raises BadStudy.
    """
    for i, one in enumerate(all_cases):
        for j, other in enumerate(all_cases[:i]):
            alike = one.kind == other.kind
            if alike and (one.seeds is None or other.seeds is None):
                remedy = f"Has the name of cases[{j}], by which its shifts are told apart; rename the folder"
                raise BadStudy(f"study {where}: cases[{i}]", one.kind, remedy)
            if (
                alike
                and one.seeds
                and other.seeds
                and one.seeds[0] <= other.seeds[1]
                and other.seeds[0] <= one.seeds[1]
            ):
                remedy = f"Are those of cases[{j}], of the same kind ({one.kind}); give other seeds to one of the two"
                raise BadStudy(f"study {where}: cases[{i}].seeds", one.seeds, remedy)


def _check_cases(cases: Cases, where: str) -> int:
    """Check what types alone do not; return the number of shifts. Raises BadStudy, BadScenario."""
    given = [name for name in ("shift", "scenarios", "recordings") if getattr(cases, name)]
    if len(given) != 1:
        raise BadStudy(where, given, "Name one of shift, scenarios, recordings")
    if cases.recordings is not None:
        if not Path(cases.recordings).is_dir():
            raise BadStudy(f"{where}.recordings", cases.recordings, "Is no folder; give one with recordings")
        count = len(find_recordings([Path(cases.recordings)]))
        if not count:
            remedy = f"Holds no recording; give a folder with some ({', '.join(SUFFIXES)})"
            raise BadStudy(f"{where}.recordings", cases.recordings, remedy)
        return -(-count // cases.beds)
    if cases.seeds is None or cases.seeds[1] < cases.seeds[0]:
        raise BadStudy(f"{where}.seeds", cases.seeds, "Give the first and the last, in this order")
    emergencies = cases.emergencies()
    if emergencies is not None:
        emergency.check(emergencies, len(shift.load(cases.shift or "").bed), where)
    elif cases.emergencies_per_shift is not None:
        remedy = "Name a shift that has emergencies, such as emergency-night, or leave this out"
        raise BadStudy(f"{where}.emergencies_per_shift", cases.emergencies_per_shift, remedy)
    beds = cases.scenarios if cases.shift is None else [place.scenario for place in shift.load(cases.shift).bed]
    for name in beds:
        if scenario.load(name).second_twin:
            remedy = "Is of twins; a study watches the first alone, but counts what both need: leave such beds out"
            raise BadStudy(where, name, remedy)
    return cases.seeds[1] - cases.seeds[0] + 1


@cache
def usual_staff() -> dict[str, Any]:
    """Return the table in `study/staff.toml`."""
    return tomllib.loads((files("quietward.study") / "staff.toml").read_text())


def _staff(own: dict[str, Any], where: str) -> StaffModel:
    table = usual_staff()
    unknown = sorted(set(own) - set(table))
    if unknown:
        remedy = f"There is no such key. {possible(table, unknown[0])}"
        raise BadStudy(f"study {where}: staff.{unknown[0]}", own[unknown[0]], remedy)
    merged = {
        key: value | own.get(key, {}) if isinstance(value, dict) else own.get(key, value)
        for key, value in table.items()
    }
    return check_table(merged, StaffModel, f"study {where}: staff.", BadStudy)


def _points(study: Study, where: str) -> list[dict[str, float]]:
    """Return the varied numbers of every variant but the base."""
    keys = [v.key for v in study.vary]
    if len(set(keys)) < len(keys):
        raise BadStudy(f"study {where}: vary", keys, "Name every key once")
    if not keys:
        return []
    if study.how == "each":
        points = [{v.key: value} for v in study.vary for value in v.values]
    elif study.how == "grid":
        points = [dict(zip(keys, values, strict=True)) for values in itertools.product(*(v.values for v in study.vary))]
    else:
        with extra("studies", "how = 'sample'"):
            from scipy.stats import qmc
        shares = qmc.Sobol(len(keys), rng=study.seed).random(1 << (study.points - 1).bit_length())[: study.points]
        points = [
            {v.key: float(f"{_between(v.values, share):.3g}") for v, share in zip(study.vary, row, strict=True)}
            for row in shares
        ]
    if len(points) > MOST_VARIANTS:
        raise BadStudy(f"study {where}: vary", len(points), f"{MOST_VARIANTS} variants at most; use how = 'sample'")
    return points


def _between(values: list[float], share: float) -> float:
    return min(values) + share * (max(values) - min(values))


def varied(base: Variant, point: dict[str, float], where: str) -> Variant:
    """Return the base with some numbers changed. Raises BadStudy for an unknown key or a value that is not allowed."""
    name = ", ".join(f"{key} {value:g}" for key, value in point.items())
    variant = structs.replace(base, name=name, numbers=point)
    for key, value in point.items():
        _check_key(base, key, where)
        _check_range(base, key, value, where)
        try:
            variant = _apply_value(variant, key, value)
            msgspec.convert(msgspec.to_builtins(variant.policy), Policy)  # only this checks bounds
        except (TypeError, msgspec.ValidationError) as error:
            raise BadStudy(f"study {where}: vary {key}", value, f"{error}. Fix this value") from error
    try:
        rule_file.check_policy(f"study {where}, {variant.name}", variant.policy or _no_policy())
    except BadRules as error:
        raise BadStudy(
            error.what, error.value, f"{error.remedy}. Leave this value out, or move the other one"
        ) from error
    return variant


def _check_key(base: Variant, key: str, where: str) -> None:
    """Raise BadStudy where nothing of this name can vary, with what can."""
    table, _, name = key.partition(".")
    policy = base.policy or _no_policy()
    tables = [*(c.name for c in policy.condition), *TIME_TABLES, "staff"]
    if table not in tables:
        remedy = f"There is no condition or table {table!r}. {possible(tables, table)}"
        raise BadStudy(f"study {where}: vary", key, remedy)
    if table == "staff":
        known = _numbers_of(msgspec.to_builtins(base.staff))
    elif table in TIME_TABLES:
        known = list(getattr(policy, table).__struct_fields__)
    else:
        known = list(CONDITION_KEYS)
    if name not in known:
        raise BadStudy(f"study {where}: vary", key, f"There is no {name!r}. {possible(known, name)}")


def _numbers_of(staff: dict[str, Any]) -> list[str]:
    """Return the names of the numbers in nested tables, such as `tasks.walk_s`."""
    names = []
    for key, value in staff.items():
        if isinstance(value, dict):
            names += [f"{key}.{name}" for name in _numbers_of(value)]
        elif isinstance(value, int | float):
            names.append(key)
    return names


def _check_range(base: Variant, key: str, value: float, where: str) -> None:
    """Raise BadStudy for a value that no policy would have."""
    table, _, name = key.partition(".")
    policy = base.policy or _no_policy()
    place = policy.place(table)
    if place is not None and name in ("limit", "release"):
        condition = policy.condition[place]
        measure = (condition.all if name == "limit" else condition.release)[0][0]
        (low, high), what = ranges.of_measure(measure), ranges.in_words(measure)
    elif (place is not None or table in TIME_TABLES) and name.endswith("_s"):
        (low, high), what = ranges.TIMES, "s"
    else:
        return
    if not low <= value <= high:
        raise BadStudy(f"study {where}: vary {key}", value, f"Use {low:g} to {high:g}: {what}")


def _no_policy() -> Policy:
    raise TypeError("A plain alarm has no numbers that vary")


def _apply_value(variant: Variant, key: str, value: float) -> Variant:
    table, _, name = key.partition(".")
    policy = variant.policy or _no_policy()
    if table == "staff":
        return structs.replace(variant, staff=_staff_with(variant.staff, name, value))
    if table in TIME_TABLES:
        part = getattr(policy, table)
        changed = structs.replace(part, **{name: value})
        return structs.replace(variant, policy=structs.replace(policy, **{table: changed}))
    conditions = [_condition_with(c, name, value) if c.name == table else c for c in policy.condition]
    return structs.replace(variant, policy=structs.replace(policy, condition=conditions))


def _condition_with(condition: Condition, name: str, value: float) -> Condition:
    if name not in ("limit", "release"):
        return structs.replace(condition, **{name: value})
    first, release = condition.all[0], condition.release[0]
    by = value - (first if name == "limit" else release)[2]
    released = [(release[0], release[1], release[2] + by), *condition.release[1:]]
    if name == "release":
        return structs.replace(condition, release=released)
    # A flag that begins earlier must ease earlier, too: the release keeps its distance, as with the limits of one bed.
    together = released if release[0] == first[0] and by else condition.release
    return structs.replace(condition, all=[(first[0], first[1], value), *condition.all[1:]], release=together)


def _staff_with(staff: StaffModel, path: str, value: float) -> StaffModel:
    table, _, key = path.partition(".")
    numbers = msgspec.to_builtins(staff)
    own, name = (numbers.get(table, {}), key) if key else (numbers, table)
    own[name] = value
    return msgspec.convert(numbers, StaffModel, strict=False)
