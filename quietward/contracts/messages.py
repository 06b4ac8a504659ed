"""What crosses a process boundary: frozen types with bounds on every field, and their encodings.

Wire (MQTT, JSON):   Samples, and the status words online / offline.
Input stream (Redis, msgpack): a list of Block, DeviceStatus, CommandEnvelope and Tick, in the order of processing;
                     what detectors ask of each other when a woman is moved: Transfer, UndoTransfer, TransferAnswer.
Page to server (JSON): a Command, by its `type`.
Output (Redis, JSON): Summary, one per bed and the newest only; Event, appended to the bed's log for good.

Times: `t` and `at` are ms since the epoch, `t` by the device's clock and `at` by the server's. `_s` are seconds.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from quietward.contracts.bounds import LARGEST_SEQ
from quietward.contracts.flag_names import FLAG_PATTERN
from quietward.contracts.validation import NOT_DECODED

HZ = 4
WINDOW_S = 1800
"""Published rule sets judge the last 30 minutes; measures, counts and hand-overs look back as far."""
"""Samples per second on the wire and in the core (storage rate of the open intrapartum data sets)."""

FHR_LOWEST_BPM, FHR_HIGHEST_BPM = 20.0, 300.0
UA_LOWEST, UA_HIGHEST = 0.0, 127.5

BedName = Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}$", description="Bed, unique within its ward")]
EpochMs = Annotated[int, Meta(ge=0, le=4_102_444_800_000, description="ms since 1970-01-01T00:00Z, up to 2100")]
Fhr = Annotated[float, Meta(ge=FHR_LOWEST_BPM, le=FHR_HIGHEST_BPM, description="bpm")]
Ua = Annotated[float, Meta(ge=UA_LOWEST, le=UA_HIGHEST, description="relative units")]
Mhr = Annotated[float, Meta(ge=20.0, le=250.0, description="mother's pulse, bpm")]
SessionId = Annotated[str, Meta(pattern=r"^[A-Za-z0-9._:-]{1,64}$", description="id of this monitoring")]
Seq = Annotated[int, Meta(ge=0, le=LARGEST_SEQ, description="number of this second within the session")]
Name = Annotated[str, Meta(min_length=1, max_length=64, description="of a bed or session that ingest has checked")]
FhrSecond = Annotated[list[Fhr | None], Meta(min_length=HZ, max_length=HZ, description="null: no value")]
UaSecond = Annotated[list[Ua | None], Meta(min_length=HZ, max_length=HZ, description="null: no value")]
Weeks = Annotated[int, Meta(ge=20, le=45, description="completed weeks of gestation")]
SourceName = Annotated[str, Meta(pattern=r"^[A-Za-z0-9._:/ -]{0,64}$", description="where the signal comes from")]
Who = Annotated[str, Meta(min_length=1, max_length=64, description="who did it")]
Why = Annotated[str, Meta(min_length=1, max_length=200, description="a reason, in a few words")]
FlagId = Annotated[str, Meta(pattern=FLAG_PATTERN)]
Seconds = Annotated[int, Meta(ge=0, le=86_400)]
StayId = Annotated[int, Meta(ge=0, le=4_102_444_800_000, description="a stay at a bed; 0: before any arrival")]
Label = Annotated[str, Meta(min_length=1, max_length=40, description="what the ward calls her; never a name")]
Risk = Annotated[str, Meta(min_length=1, max_length=40, description="one of the words of detect/rules/stay.toml")]
Parity = Annotated[int, Meta(ge=0, le=20, description="births before this one")]
CareKind = Literal[
    "turned", "fluids-checked", "oxytocin-turned-down", "transducer-moved", "examined", "clinician-called", "other"
]
CARE_WORDS: dict[str, str] = {
    "turned": "turned to the side",
    "fluids-checked": "fluids checked",
    "oxytocin-turned-down": "oxytocin reduced",
    "transducer-moved": "transducer moved",
    "examined": "vaginal examination",
    "clinician-called": "obstetrician called",
    "other": "other",
}

LOG_WORDS = {
    "flag-raised": "raised",
    "flag-worsened": "worse",
    "flag-escalated": "escalated",
    "flag-lowered": "downgraded",
    "flag-eased": "resolved",
    "flag-acknowledged": "answered",
    "flag-shelved": "shelved",
    "flag-renewed": "new finding",
    "flag-repeated": "still present",
    "flag-returned": "no improvement",
    "flag-unresolved": "not acted on",
    "shelf-over": "no longer shelved",
    "held-back": "suppressed",
    "noted-over": "quiet again",
    "attending": "on the way",
    "attending-over": "has left",
    "care": "done",
    "care-result": "result",
    "pause": "monitor off",
    "pause-over": "monitor on",
    "hand-contraction": "by hand",
    "hand-undone": "undone",
    "own-limit": "bed limit",
    "own-limit-over": "ward limit",
    "not-taken": "rejected",
    "baseline-change": "baseline",
    "signal-mark": "signal",
    "arrived": "arrived",
    "left": "left",
    "empty": "empty",
    "stay-undone": "undone",
    "moved": "moved",
    "came-from": "moved here",
    "corrected": "corrected",
}
"""What the kinds of a log's lines are called, on paper and, sent with its shell, on the page."""


class Level(StrEnum):
    """Attention level of a bed, calm first. `noted` calls nobody: the trace is not normal, or cannot be read."""

    QUIET = "quiet"
    NOTED = "noted"
    LOOK = "look"
    BEDSIDE = "bedside"
    TEAM = "team"


CALLING = frozenset({"raised", "worsened", "escalated", "renewed", "repeated", "returned", "unresolved"})
"""Changes of a flag that interrupt somebody, by their words; in a bed's log they stand behind `flag-`."""


TREND_KIND = "minute"
"""Kind of the events that are a bed's trend, one a minute, and stand in no log."""


class SignalState(StrEnum):
    """Signal state of a bed. `unwatched` is set by whoever reads an old summary, never by the detector itself."""

    GOOD = "good"
    POOR = "poor"
    LOST = "lost"
    UNWATCHED = "unwatched"


class Samples(Struct, frozen=True):
    """One second of one bed, as a device publishes it on `quietward/v1/<ward>/<bed>/samples`.

    fhr2: with twins, the rate of the second fetus; a device with one FHR channel leaves it out. Further fields are
    ignored and counted.
    """

    session: SessionId
    seq: Seq
    t: EpochMs
    hz: Literal[4]
    fhr: FhrSecond
    ua: UaSecond
    mhr: Mhr | None = None
    stage: Literal[1, 2] | None = None
    weeks: Weeks | None = None
    src: SourceName = ""
    fhr2: FhrSecond | UnsetType | None = UNSET


class _KnownSamples(Samples, frozen=True, forbid_unknown_fields=True):
    """Samples with the fields that are known here, and no others."""


class Block(Struct, frozen=True, tag="samples", array_like=True):
    """One checked second of one bed, as ingest hands it to the detector."""

    bed: Name
    session: Name
    seq: Seq
    t: EpochMs
    at: EpochMs
    fhr: FhrSecond
    ua: UaSecond
    mhr: Mhr | None = None
    stage: Literal[1, 2] | None = None
    weeks: Weeks | None = None
    fhr2: FhrSecond | None = None


class DeviceStatus(Struct, frozen=True, tag="status", array_like=True):
    """A device is online, or the broker has sent its last will."""

    bed: Name
    at: EpochMs
    online: bool


class Acknowledge(Struct, frozen=True, forbid_unknown_fields=True, tag="acknowledge"):
    """A flag has been seen. note: what its reader makes of it, kept in the log and drawn on the strip."""

    bed: BedName
    by: Who
    flag: FlagId
    note: Annotated[str, Meta(max_length=200)] = ""
    stay: StayId | None = None


class Attend(Struct, frozen=True, forbid_unknown_fields=True, tag="attend"):
    """Somebody goes to this bed, which answers its flag and is seen by all for a time. going False: has left it."""

    bed: BedName
    by: Who
    going: bool = True
    stay: StayId | None = None


class Shelve(Struct, frozen=True, forbid_unknown_fields=True, tag="shelve"):
    """Suppress a flag's condition for a time, with a reason. A flag of level `team` cannot be shelved."""

    bed: BedName
    by: Who
    flag: FlagId
    for_s: Seconds
    why: Why
    stay: StayId | None = None


class Unshelve(Struct, frozen=True, forbid_unknown_fields=True, tag="unshelve"):
    """End every shelving of this bed."""

    bed: BedName
    by: Who
    stay: StayId | None = None


class RecordCare(Struct, frozen=True, forbid_unknown_fields=True, tag="care"):
    """Record what staff did at a bed. It acknowledges the bed's flag, too. text: required for `other`."""

    bed: BedName
    by: Who
    what: CareKind
    text: Annotated[str, Meta(max_length=200)] = ""
    stay: StayId | None = None


class Pause(Struct, frozen=True, forbid_unknown_fields=True, tag="pause"):
    """The monitor is switched off on purpose for a time; for_s 0: it is back on."""

    bed: BedName
    by: Who
    for_s: Seconds
    why: Annotated[str, Meta(max_length=200)] = ""
    stay: StayId | None = None


class Tap(Struct, frozen=True, forbid_unknown_fields=True, tag="tap"):
    """A manually timed contraction starts or ends now; undo: discard the last tap."""

    bed: BedName
    by: Who
    edge: Literal["start", "end", "undo"]
    stay: StayId | None = None


class SetBedLimit(Struct, frozen=True, forbid_unknown_fields=True, tag="own-limit"):
    """Give a condition another limit at this bed for a time; limit None: back to the policy's."""

    bed: BedName
    by: Who
    condition: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,64}$")]
    limit: float | None
    for_s: Seconds
    why: Why
    stay: StayId | None = None


LABOUR_STAGES = {0: "not in labour", 1: "first stage", 2: "second stage"}


class Arrival(Struct, frozen=True, forbid_unknown_fields=True):
    """What staff say of a woman who has come. None and empty: not said.

    stage: of labour; 0: not in labour. twins: None leaves it to the device whether a second heart rate comes.
    """

    label: Label
    weeks: Weeks | None = None
    parity: Parity | None = None
    stage: Literal[0, 1, 2] | None = None
    twins: bool | None = None
    risks: Annotated[list[Risk], Meta(max_length=12)] = []
    note: Annotated[str, Meta(max_length=300)] = ""

    @property
    def facts(self) -> list[str]:
        """Everything but the label, in words."""
        said = [
            "" if self.weeks is None else f"{self.weeks} weeks",
            "" if self.parity is None else f"para {self.parity}",
            "" if self.stage is None else LABOUR_STAGES[self.stage],
            "" if self.twins is None else "twins" if self.twins else "single",
        ]
        return [fact for fact in (*said, *self.risks, self.note) if fact]

    def changes_to(self, other: "Arrival") -> list[str]:
        """Return in words what another arrival says otherwise; [] where it says the same."""
        found = [
            f"{name} {_said(before)} → {_said(after)}"
            for name, before, after in (
                ("label", self.label, other.label),
                ("weeks", self.weeks, other.weeks),
                ("para", self.parity, other.parity),
                ("stage", LABOUR_STAGES.get(_number(self.stage)), LABOUR_STAGES.get(_number(other.stage))),
                ("fetuses", _FETUSES[self.twins], _FETUSES[other.twins]),
            )
            if before != after
        ]
        found += [f"not {risk}" for risk in self.risks if risk not in other.risks]
        found += [risk for risk in other.risks if risk not in self.risks]
        if self.note != other.note:
            found.append(f"note: {other.note or 'none'}")
        return found


_FETUSES = {None: None, True: "twins", False: "single"}


def _said(value: object) -> str:
    return "not said" if value is None else str(value)


def _number(stage: int | None) -> int:
    return -1 if stage is None else stage


class Arrive(Struct, frozen=True, forbid_unknown_fields=True, tag="arrive"):
    """A woman has come to this bed: from now on everything of the bed is hers. Whoever was in it has left."""

    bed: BedName
    by: Who
    arrival: Arrival
    stay: StayId | None = None


class Leave(Struct, frozen=True, forbid_unknown_fields=True, tag="leave"):
    """The woman in this bed has left it: nobody is in it."""

    bed: BedName
    by: Who
    stay: StayId | None = None


class Move(Struct, frozen=True, forbid_unknown_fields=True, tag="move"):
    """The woman in this bed is now in another one, with all that is hers. to: an empty bed of the ward."""

    bed: BedName
    by: Who
    to: BedName
    stay: StayId | None = None


class CorrectArrival(Struct, frozen=True, forbid_unknown_fields=True, tag="correct-arrival"):
    """What was said of the woman in this bed when she came is not right, or no longer: this is."""

    bed: BedName
    by: Who
    arrival: Arrival
    stay: StayId | None = None


class UndoStay(Struct, frozen=True, forbid_unknown_fields=True, tag="undo-stay"):
    """The newest arrival, leaving or move at this bed was a mistake: the bed is as it would be without it."""

    bed: BedName
    by: Who
    stay: StayId | None = None


class TakeIn(Struct, frozen=True, forbid_unknown_fields=True, tag="take-in"):
    """A device that the ward does not expect may speak for a bed of its name. For ingest, not for the detector."""

    bed: BedName
    by: Who
    stay: StayId | None = None


StayCommand = Arrive | Leave | Move | CorrectArrival | UndoStay
Command = Acknowledge | Attend | Shelve | Unshelve | RecordCare | Pause | Tap | SetBedLimit | StayCommand
"""What a person does at a bed. stay: the one that she saw; at another one it is not taken. None: whichever it is."""


class CommandEnvelope(Struct, frozen=True, tag="done", array_like=True):
    """A command with the time at which the server accepted it."""

    at: EpochMs
    command: Command

    @property
    def bed(self) -> str:
        """The bed that the command is for."""
        return self.command.bed


class Tick(Struct, frozen=True, tag="tick", array_like=True):
    """It is now `at`. Silence and unanswered flags are noticed by it. Ingest writes one a second.

    stepped_ms: by how much the server's clock was just set (below 0: back): that time has not passed. broker_is_away:
    ingest hears nothing of the broker, so that silence says nothing of the devices.
    """

    at: EpochMs
    stepped_ms: int = 0
    broker_is_away: bool = False


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


class BedBefore(Struct, frozen=True):
    """A bed in which a woman was before she was moved. move: id of that; stay: of hers there; moved_at: ms by the
    server's clock; last_s: the last second of her that came from there.
    """

    move: str
    bed: str
    stay: int
    moved_at: int
    last_s: int


class Stay(Struct, frozen=True):
    """A time at a bed: of one woman, or of nobody.

    id: when it began, ms by the server's clock; 0: before the first arrival. began, ended: ms by the bed's clock; ended
    is None while it lasts. ended_at: ms by the server's clock. arrival: None where nobody is in the bed, and for id 0.
    first_s, last_s: the first and last second by the bed's clock that can be of it; last_s is None while it lasts.
    Where a woman was moved, the bed's clock is hers: that of the bed she came from goes on. came_from: the beds in
    which she was before, the first one first; moved_to: the bed to which she went.
    """

    id: int
    by: str
    began: int
    arrival: Arrival | None = None
    first_s: int = 0
    last_s: int | None = None
    ended: int | None = None
    ended_by: str = ""
    ended_at: int = 0
    came_from: list[BedBefore] = []
    moved_to: str = ""

    @property
    def is_empty(self) -> bool:
        """True while nobody is in the bed."""
        return self.id > 0 and self.arrival is None


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

    With twins, signal, concern, classes, level and what belongs to it are of whichever is worse, in words that say
    which; fhr_bpm, baseline, variability, their changes within the hour and running are of the first.
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


TWIN_WORDS = ("first twin: ", "second twin: ")
"""How a sentence about one of twins begins: by the FHR channel."""


class UnexpectedDevice(Struct, frozen=True):
    """A device that waits until somebody takes it in. Times in ms by the server's clock."""

    name: str
    first_at: int
    last_at: int


class Event(Struct, frozen=True):
    """One entry of a bed's log. `id` is the same however often the same input is processed."""

    id: str
    bed: str
    t: int
    kind: str
    text: str
    detail: dict[str, float | str | None]
    rules: str = ""
    """Digest of the rules (signal parameters, rule sets, concern, policy) that it was computed with."""
    stay: int = 0
    """Id of the stay whose log it stands in."""


class Transfer(Struct, frozen=True, tag="transfer", array_like=True):
    """A woman is moved to this bed: all that is known of her. From the detector of the bed `of` that she was in, which
    repeats it until it is answered.

    id: of the move; at: when it was pressed, ms by the server's clock. stay: hers in that bed. session, stands: where
    its signal stood (`Standing`). state: checkpoint of that bed alone; summary: its newest; log, trend: oldest first.
    """

    bed: Name
    at: EpochMs
    id: str
    by: str
    of: Name
    stay: Stay
    session: str
    stands: tuple[int, int, int, int, int, int]
    state: bytes
    summary: Summary
    log: list[Event] = []
    trend: list[Event] = []


class UndoTransfer(Struct, frozen=True, tag="undo-transfer", array_like=True):
    """A woman is taken back into this bed, as if she had never been moved to the bed `of`.

    id: of this undoing; move: of the move. arrival: what is now said of her; meanwhile: what was noted since, in words.
    """

    bed: Name
    at: EpochMs
    id: str
    move: str
    by: str
    of: Name
    arrival: Arrival | None
    meanwhile: str


class TransferAnswer(Struct, frozen=True, tag="transfer-answer", array_like=True):
    """Answers a Transfer or UndoTransfer, by its id, to the bed that it came from. why: it is refused; empty: done."""

    bed: Name
    at: EpochMs
    id: str
    why: str


Asked = Transfer | UndoTransfer
"""What one bed asks of another, until that has answered."""
Input = Block | DeviceStatus | Tick | CommandEnvelope | Asked | TransferAnswer


class SetAside(Struct, frozen=True):
    """Stands in the place of an input of this bed that made the detector fail; never in the stream.

    asked: what another bed has asked for by it, and must be answered.
    """

    bed: str
    asked: Asked | None = None


class Unreadable(Struct, frozen=True):
    """An item of the input stream that cannot be decoded, and why. Whoever reads the stream passes over it."""

    why: str


class AdjustableLimit(Struct, frozen=True):
    """A condition whose limit may be changed for a single bed, and the bounds of that."""

    condition: str
    measure: str
    limit: float
    lowest: float
    highest: float


class RuleSetInfo(Struct, frozen=True):
    """What makes a deceleration one, and of which kind, under a published rule set.

    One that falls in less than `abrupt_below_s` is abrupt. Within `abrupt_doubt_s` of that, the way back and its place
    at the contraction decide.
    """

    name: str
    depth_bpm: float
    gradual_depth_bpm: float
    length_s: float
    prolonged_s: float
    abrupt_below_s: float
    abrupt_doubt_s: float
    late_onset_after_s: float


class PolicyInfo(Struct, frozen=True):
    """What the page must know of the attention policy and the rule sets that the detector runs."""

    name: str
    rules: str
    longest_shelve_s: int
    longest_shelve_bedside_s: int
    longest_pause_s: int
    longest_limit_s: int
    helps_within_s: int
    limits: list[AdjustableLimit]
    rule_sets: list[RuleSetInfo] = []
    risks: list[str] = []
    undo_stay_s: int = 0


class RefusedMessage(Struct, frozen=True):
    """A message that could not be used, kept for inspection."""

    at: int
    topic: str
    reason: str
    text: str
    payload: str


decode_samples = msgspec.json.Decoder(Samples).decode
decode_known_samples = msgspec.json.Decoder(_KnownSamples).decode
encode_json = msgspec.json.encode
decode_inputs = msgspec.msgpack.Decoder(list[Input]).decode
_decode_input = msgspec.msgpack.Decoder(Input).decode
_split_inputs = msgspec.msgpack.Decoder(list[msgspec.Raw]).decode
encode_inputs = msgspec.msgpack.encode
decode_summary = msgspec.json.Decoder(Summary).decode
decode_event = msgspec.json.Decoder(Event).decode
decode_command = msgspec.json.Decoder(Command | TakeIn).decode
decode_policy_info = msgspec.json.Decoder(PolicyInfo).decode


def inputs_of(fields: Mapping[bytes, bytes]) -> list[Input | Unreadable]:
    """Return the inputs in the fields of one entry of an input stream; each that cannot be decoded as Unreadable."""
    raw = fields.get(b"e", b"")
    try:
        return list(decode_inputs(raw))
    except NOT_DECODED:
        pass
    try:
        return [_input_or_why(item) for item in _split_inputs(raw)]
    except NOT_DECODED as error:
        return [Unreadable(str(error))]


def _input_or_why(raw: msgspec.Raw) -> Input | Unreadable:
    try:
        found: Input = _decode_input(raw)
    except NOT_DECODED as error:
        return Unreadable(str(error))
    return found
