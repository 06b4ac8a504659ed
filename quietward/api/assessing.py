"""Assess one recording that is in memory."""

from math import inf, isfinite

from msgspec import structs

from quietward.api.result import Result
from quietward.api.samples import (
    PolicyArgument,
    RulesArgument,
    Samples,
    both_signals,
    number_of,
    policy_of,
    rules_of,
    seconds_of,
    signal_of,
    text_of,
    weeks_of,
)
from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.contracts.log import TREND_KIND
from quietward.detect import assess as assessment
from quietward.detect import rule_file
from quietward.detect.core.alerting.policy import Policy
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.recordings.recording import RESAMPLE, Content, LabourContext, is_known_rate, make_recording


def assess(
    fhr: Samples,
    ua: Samples | None = None,
    *,
    fhr2: Samples | None = None,
    rate: float = HZ,
    rules: RulesArgument = "figo-2015",
    policy: PolicyArgument = "attention",
    weeks: int = 0,
    second_stage_from_s: float = inf,
    name: str = "recording",
) -> Result:
    """Return what the live system's detector finds in a recording, as `quietward assess` does. Not for diagnosis.

    fhr: fetal heart rate in bpm, shape (n,); 0, None, NaN and anything outside 20 to 300 is no value.
    ua: uterine activity in relative units, 0 to 127, of the same length; without it nothing is said of contractions.
    fhr2: as fhr, of a second twin, of whom `second_twin` of the result tells.
    rate: samples per second, 1, 2, 4 or 8; brought to 4.
    rules: the rule set for kinds and classes: `figo-2015`, `nichd-2008`, a path ending in .toml, or one from
    `read_rule_set`. The sources of its numbers are in it.
    policy: the attention policy that raises flags: `attention`, a path ending in .toml, or one from `read_policy`.
    weeks: of gestation, 0 at term. second_stage_from_s: when the second stage begins, in seconds of the recording.
    name: what the result calls the recording.

    Raises BadRecording if samples or another argument are not such numbers, BadRules if there is no such rule set or
    policy.

    >>> result = assess([140, 141, 139, None] * 600)
    >>> result.duration_s, result.signal.fhr_usable
    (600.0, 0.75)
    >>> assess([1400, 1410])
    Traceback (most recent call last):
    quietward.contracts.errors.BadRecording: fhr: 1400.0. FHR must be in beats per minute; check unit and column
    """
    hz = number_of(rate)
    if not (isfinite(hz) and hz > 0):
        raise BadRecording("rate", rate, "Needs samples per second: 1, 2, 4 or 8")
    if not is_known_rate(hz):
        raise BadRecording("rate", rate, RESAMPLE)
    labour = LabourContext(weeks_of(weeks), seconds_of("second_stage_from_s", second_stage_from_s))
    second = None if fhr2 is None else signal_of("fhr2", fhr2)
    content = Content(*both_signals(fhr, ua), hz, labour=labour, fhr2=second)
    recording = make_recording(text_of("name", name), content, "fhr")
    loaded, rule_set = rule_file.load_for(rules_of(rules), policy_of(policy))
    (outcome,) = assessment.with_events([recording], loaded, rule_set)
    return Result(
        **structs.asdict(outcome.assessment),
        fhr=recording.fhr,
        ua=recording.ua,
        fhr2=recording.fhr2,
        log=[event for event in outcome.events if event.kind != TREND_KIND],
    )


def read_rule_set(name: RulesArgument) -> RuleSet:
    """Return a published rule set: `figo-2015`, `nichd-2008`, or the path of a file of that form, ending in .toml.

    One with other numbers: `msgspec.structs.replace(rule_set, name="mine", ...)`. Raises BadRules.

    >>> read_rule_set("nichd-2008").classes
    ('category I', 'category II', 'category III')
    """
    rules = rules_of(name)
    return rule_file.read_rule_set(rules) if isinstance(rules, str) else rules


def read_policy(name: PolicyArgument = "attention") -> Policy:
    """Return an attention policy: `attention`, or the path of a file of that form, ending in .toml.

    One with other numbers: `msgspec.structs.replace(policy, ...)`. Raises BadRules.

    >>> read_policy().escalation.look_after_s
    1200.0
    """
    policy = policy_of(name)
    return rule_file.read_policy(policy) if isinstance(policy, str) else policy
