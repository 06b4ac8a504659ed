"""Samples as callers have them (arrays, lists, Series), as the core takes them; rules by name, path or as they are."""

from collections.abc import Sequence
from os import PathLike, fspath
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from quietward.contracts.errors import BadRecording, BadRules
from quietward.detect.core.alerting.policy import Policy
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.recordings.recording import Signal

Samples: TypeAlias = ArrayLike | Sequence[float | None]
"""One number for each sample, whole or not; None or NaN, or masked, where there is no value."""
RulesArgument: TypeAlias = str | PathLike[str] | RuleSet
PolicyArgument: TypeAlias = str | PathLike[str] | Policy

NOT_NUMBERS = {"c": "complex numbers", "m": "times", "M": "times"}
"""Kinds of arrays that numpy would make numbers of."""
MOST_WEEKS = 45


def signal_of(name: str, samples: Samples) -> Signal:
    """Return samples as an array of shape (n,), NaN where there is no value. name: in errors. Raises BadRecording."""
    remedy = "Needs a number for each sample, None or NaN where there is no value"
    try:
        kind = np.asarray(samples).dtype.kind
        if kind in NOT_NUMBERS:
            raise BadRecording(name, samples, f"{remedy}, not {NOT_NUMBERS[kind]}")
        values = np.array(samples, dtype=np.float64)
        if isinstance(samples, np.ma.MaskedArray):
            values[np.ma.getmaskarray(samples)] = np.nan
    except (TypeError, ValueError) as error:
        raise BadRecording(name, samples, f"{remedy}: {error}") from error
    if values.ndim != 1:
        raise BadRecording(name, values.shape, "Must have one dimension: a number for each sample")
    return values


def both_signals(fhr: Samples, ua: Samples | None) -> tuple[Signal, Signal]:
    """Return FHR and UA; the UA has no values if it is not given. Raises BadRecording."""
    heart = signal_of("fhr", fhr)
    return heart, np.full(len(heart), np.nan) if ua is None else signal_of("ua", ua)


def number_of(given: object) -> float:
    """Return a number, NaN for what is none."""
    return float(given) if isinstance(given, int | float | np.integer | np.floating) else np.nan


def weeks_of(given: object) -> int:
    """Return weeks of gestation. Raises BadRecording."""
    weeks = number_of(given)
    if not (0 <= weeks <= MOST_WEEKS and weeks.is_integer()):
        raise BadRecording("weeks", given, f"Needs whole weeks of gestation, 0 to {MOST_WEEKS}; 0 is at term")
    return int(weeks)


def seconds_of(name: str, given: object) -> float:
    """Return a time in a recording. name: in errors. Raises BadRecording."""
    seconds = number_of(given)
    if not seconds >= 0:
        remedy = "Needs seconds from the first sample, 0 or more; leave it out where it is not known"
        raise BadRecording(name, given, remedy)
    return seconds


def text_of(name: str, given: object) -> str:
    """Return a text. name: in errors. Raises BadRecording."""
    if not isinstance(given, str):
        raise BadRecording(name, given, "Needs text")
    return given


def rules_of(given: RulesArgument) -> str | RuleSet:
    """Return a path as text. Raises BadRules."""
    return given if isinstance(given, RuleSet) else _path_of("rules", given, "read_rule_set")


def policy_of(given: PolicyArgument) -> str | Policy:
    """Return a path as text. Raises BadRules."""
    return given if isinstance(given, Policy) else _path_of("policy", given, "read_policy")


def _path_of(name: str, given: str | PathLike[str], reads: str) -> str:
    if not isinstance(given, str | PathLike):
        raise BadRules(name, given, f"Needs a name, a path ending in .toml, or what {reads} returns")
    return fspath(given)
