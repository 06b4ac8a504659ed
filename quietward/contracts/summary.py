"""Output (Redis, JSON): the live state of a bed, one Summary for each and the newest only."""

from enum import StrEnum
from typing import Literal

import msgspec
from msgspec import Struct

from quietward.contracts.stays import Stay


class Level(StrEnum):
    """Attention level of a bed, calm first. `noted` calls nobody: the trace is not normal, or cannot be read."""

    QUIET = "quiet"
    NOTED = "noted"
    LOOK = "look"
    BEDSIDE = "bedside"
    TEAM = "team"


class SignalState(StrEnum):
    """Signal state of a bed. `unwatched` is set by whoever reads an old summary, never by the detector itself."""

    GOOD = "good"
    POOR = "poor"
    LOST = "lost"
    UNWATCHED = "unwatched"


class OngoingDeceleration(Struct, frozen=True):
    """A deceleration that has not ended yet.

    kinds: what it seems to be so far, by the name of each rule set that can tell.
    """

    length_s: float
    depth_bpm: float
    kinds: dict[str, str] = {}


class Contractions(Struct, frozen=True):
    """Timing of the contractions, None where there are too few."""

    per_10min: float | None
    interval_s: float | None
    duration_s: float | None
    since_onset_s: float | None
    tachysystole: list[str] = []
    """Names of the rule sets under which there are too many."""
    rest_s: float | None = None


class RuleClass(Struct, frozen=True):
    """Class of the last 30 minutes under one published rule set, with every criterion that led to it."""

    rules: str
    rank: int
    name: str
    criteria: list[str]
    missing: list[str] = []
    """Criteria that could not be evaluated, in words."""


class ConcernContribution(Struct, frozen=True):
    """The points that one finding contributes to the concern."""

    finding: str
    points: float


class TraceSummary(Struct, frozen=True):
    """A part of a trace in numbers, before or after an intervention."""

    decelerations: int
    deepest_bpm: float
    area_bpm_min: float
    baseline_bpm: float | None
    variability_bpm: float | None
    contractions: int


class CareRecord(Struct, frozen=True):
    """An intervention, and the trace before and after it. `after` and `helped` are None until they are known."""

    t: int
    by: str
    what: str
    text: str
    before: TraceSummary
    flag: str | None = None
    """The flag that was active at that time."""
    after: TraceSummary | None = None
    helped: bool | None = None


class Shelved(Struct, frozen=True):
    """A condition that is suppressed until `until` (ms by the bed's clock).

    active: it is met at this moment. level: what it would ask for.
    """

    condition: str
    by: str
    why: str
    until: int
    active: bool = False
    level: Level = Level.LOOK


class Paused(Struct, frozen=True):
    """The monitor is switched off on purpose until `until` (ms by the bed's clock)."""

    by: str
    why: str
    until: int


class Attending(Struct, frozen=True):
    """Somebody who has said at `at` that she goes to the bed; shown until `until`. Both ms by the server's clock."""

    by: str
    at: int
    until: int


class BedLimit(Struct, frozen=True):
    """A condition that has another limit at this bed until `until` (ms by the bed's clock)."""

    condition: str
    limit: float
    by: str
    why: str
    until: int


class HandTimed(Struct, frozen=True):
    """Contractions timed by hand in the last 30 minutes; `change`: interval now over that of the 30 minutes before."""

    count: int
    interval_s: float | None
    duration_s: float | None
    since_onset_s: float
    is_running: bool
    change: float | None
    differs: str
    """How they disagree with the recorded uterine activity, in words; empty if they agree."""


class FetusSummary(Struct, frozen=True):
    """What a summary says of one of two fetuses; each name means what it means in `Summary`."""

    signal: SignalState
    signal_reason: str
    fhr_bpm: float | None
    baseline_bpm: float | None
    variability_bpm: float | None
    running: OngoingDeceleration | None
    concern: float | None
    concern_parts: list[ConcernContribution]
    level: Level
    reason: str
    level_since: int | None
    flag: str | None
    acknowledged_by: str | None
    shelved: list[Shelved] = []
    baseline_change_1h_bpm: float | None = None
    variability_change_1h_bpm: float | None = None


class Undoable(Struct, frozen=True):
    """What `UndoStay` would undo, until `until` (ms by the server's clock)."""

    what: Literal["arrival", "leaving", "move"]
    by: str
    until: int


class Summary(Struct, frozen=True):
    """The live state of one bed, as the page shows it. looked_at: time of the detector's last evaluation.

    With twins, signal, concern, classes and level are of whichever is worse, in words that say which; flag, level_since
    and acknowledged_by are of the highest flag that nobody has answered, where there is one; fhr_bpm, baseline,
    variability, their changes within the hour and running are of the first.
    """

    bed: str
    session: str
    t: int
    at: int
    looked_at: int
    signal: SignalState
    signal_reason: str
    fhr_bpm: float | None
    baseline_bpm: float | None
    variability_bpm: float | None
    running: OngoingDeceleration | None
    contractions: Contractions
    concern: float | None
    concern_parts: list[ConcernContribution]
    classes: list[RuleClass]
    level: Level
    reason: str
    level_since: int | None
    flag: str | None
    acknowledged_by: str | None
    events: int
    """Number of the newest event in the bed's log: a reader knows by it when to read the log again."""
    rules: str = ""
    """Digest of the rules that this was computed with."""
    shelved: list[Shelved] = []
    cared: list[CareRecord] = []
    """The newest first."""
    paused: Paused | None = None
    limited: list[BedLimit] = []
    hand: HandTimed | None = None
    held_back: list[str] = []
    """Conditions that are met but suppressed, each with the reason, in words."""
    attending: list[Attending] = []
    """Who is at the bed or on the way, the newest last."""
    stay: Stay | None = None
    """None: nobody has said who is in this bed."""
    former: list[Stay] = []
    """Stays that have ended and can still be read, the newest first."""
    undoable: Undoable | None = None
    moving_to: str = ""
    """The bed to which she is being moved, until that has her."""
    baseline_change_1h_bpm: float | None = None
    """Against an hour ago, as the measure of this name."""
    variability_change_1h_bpm: float | None = None
    fetuses: list[FetusSummary] = []
    """Of twins each by itself, the first FHR channel first; empty where one heart rate comes."""

    @property
    def stay_id(self) -> int:
        """Id of the present stay, 0 before the first arrival."""
        return 0 if self.stay is None else self.stay.id

    @property
    def first_s(self) -> int:
        """The first second by the bed's clock that can be of the present stay."""
        return 0 if self.stay is None else self.stay.first_s

    @property
    def is_empty(self) -> bool:
        """True where somebody has said that nobody is in the bed."""
        return self.stay is not None and self.stay.is_empty


TWINS = ("first twin", "second twin")
"""By the FHR channel."""
TWIN_WORDS = tuple(f"{name}: " for name in TWINS)
"""How a sentence about one of twins begins."""
decode_summary = msgspec.json.Decoder(Summary).decode
