"""What is found in a recording: the objects of `quietward assess --json`, field by field.

Times are seconds from the recording's first sample, FHR and its differences bpm. Kinds of decelerations and classes are
those of the rule set `rules`; beside them stands what each rule set says (`kinds`, `classes`).
"""

from typing import Literal

from msgspec import Struct

from quietward.contracts.fields import HZ

Class = Literal[1, 2, 3]
"""Class under a rule set, or of the concern: from normal to pathological."""


class Gaps(Struct, frozen=True):
    """How many gaps of the FHR there are by length, and how long the longest is."""

    up_to_2_s: int
    up_to_15_s: int
    up_to_60_s: int
    longer: int
    longest_s: float


class SignalQuality(Struct, frozen=True):
    """Shares of the samples that can be used, 0 to 1; of the UA, where it does something."""

    fhr_usable: float
    ua_usable: float
    gaps: Gaps


class BaselinePoint(Struct, frozen=True):
    """The baseline at a time; None where it cannot be told."""

    t_s: int
    bpm: float | None


class VariabilityPoint(Struct, frozen=True):
    """The variability of the minute before a time. Minutes of which it is not known have none."""

    t_s: int
    bpm: float


class Contraction(Struct, frozen=True):
    """A contraction of the uterus."""

    onset_s: float
    peak_s: float
    end_s: float


class Acceleration(Struct, frozen=True):
    """A rise of the FHR that the rule set calls an acceleration."""

    onset_s: float
    peak_s: float
    end_s: float
    height_bpm: float


class Deceleration(Struct, frozen=True):
    """A fall of the FHR that the rule set calls a deceleration.

    kind: early, late, variable, prolonged or undetermined; kinds: by the name of each rule set, `none` for none.
    """

    onset_s: float
    nadir_s: float
    end_s: float
    depth_bpm: float
    area_bpm_s: float
    kind: str
    kinds: dict[str, str]


class Withdrawn(Struct, frozen=True):
    """A fall that was said to go on, and is no deceleration under any rule set; when that was known, and why."""

    t_s: int
    onset_s: float
    end_s: float
    depth_bpm: float
    reason: str


class SignalMark(Struct, frozen=True):
    """A time in which the FHR was counted at half or double rate (`what`), and not used."""

    what: str
    onset_s: float
    end_s: float


class Minute(Struct, frozen=True):
    """What is said at a full minute of the `window_s` before it.

    concern: 0 to 100. rule_class: under the rule set `rules`; classes: by the name of each rule set. None: not known.
    """

    t_s: int
    window_s: int
    rule_class: Class | None
    concern: float | None
    concern_class: Class | None
    reasons: list[str]
    classes: dict[str, Class | None]


class Flag(Struct, frozen=True):
    """One raising of an attention level, with nobody answering. eased_s: None while it still stands at the end."""

    raised_s: float
    level: str
    reason: str
    eased_s: float | None = None


class Noted(Struct, frozen=True):
    """A time in which the trace was not normal or not readable, and nobody was called. to_s: None at the end."""

    from_s: float
    to_s: float | None
    reason: str


class SecondTwin(Struct, frozen=True):
    """What is found of the second fetus, in fields of the same meaning. The contractions are those of both."""

    signal: SignalQuality
    baseline: list[BaselinePoint]
    variability: list[VariabilityPoint]
    accelerations: list[Acceleration]
    decelerations: list[Deceleration]
    marks: list[SignalMark]
    assessments: list[Minute]
    not_assessed: list[Minute]
    flags: list[Flag]
    noted: list[Noted]
    withdrawn: list[Withdrawn]


class Assessment(Struct, frozen=True):
    """All that is found in one recording; with two FHR of the first, and of the second beside it.

    assessments: minutes whose concern is known; not_assessed: the others. note: what reading has changed. second_twin:
    from the first value of the second FHR on; None where there is one fetus.
    """

    record: str
    rules: str
    duration_s: float
    signal: SignalQuality
    baseline: list[BaselinePoint]
    variability: list[VariabilityPoint]
    contractions: list[Contraction]
    accelerations: list[Acceleration]
    decelerations: list[Deceleration]
    marks: list[SignalMark]
    assessments: list[Minute]
    not_assessed: list[Minute]
    flags: list[Flag]
    noted: list[Noted]
    withdrawn: list[Withdrawn]
    note: str = ""
    hz: int = HZ
    second_twin: SecondTwin | None = None
