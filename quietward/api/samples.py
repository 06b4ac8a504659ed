"""Samples as callers have them (arrays, lists, Series), as the core takes them; rules by name, path or as they are."""

from collections.abc import Sequence
from os import PathLike, fspath
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from quietward.contracts.errors import BadRecording
from quietward.detect.core.alerting.policy import Policy
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.recordings.recording import Signal

Samples: TypeAlias = ArrayLike | Sequence[float | None]
"""One number for each sample, whole or not; None or NaN, or masked, where there is no value."""
RulesArgument: TypeAlias = str | PathLike[str] | RuleSet
PolicyArgument: TypeAlias = str | PathLike[str] | Policy


def signal_of(name: str, samples: Samples) -> Signal:
    """Return samples as an array of shape (n,), NaN where there is no value. name: in errors. Raises BadRecording."""
    try:
        values = np.array(samples, dtype=np.float64)
        if isinstance(samples, np.ma.MaskedArray):
            values[np.ma.getmaskarray(samples)] = np.nan
    except (TypeError, ValueError) as error:
        remedy = "Needs a number for each sample, None or NaN where there is no value"
        raise BadRecording(name, samples, f"{remedy}: {error}") from error
    if values.ndim != 1:
        raise BadRecording(name, values.shape, "Must have one dimension: a number for each sample")
    return values


def both_signals(fhr: Samples, ua: Samples | None) -> tuple[Signal, Signal]:
    """Return FHR and UA; the UA has no values if it is not given. Raises BadRecording."""
    heart = signal_of("fhr", fhr)
    return heart, np.full(len(heart), np.nan) if ua is None else signal_of("ua", ua)


def rules_of(given: RulesArgument) -> str | RuleSet:
    """Return a path as text."""
    return given if isinstance(given, RuleSet) else fspath(given)


def policy_of(given: PolicyArgument) -> str | Policy:
    """Return a path as text."""
    return given if isinstance(given, Policy) else fspath(given)
