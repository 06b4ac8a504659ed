"""State of the detector for a set of beds: everything it remembers, and nothing else."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal, Self

import msgspec
import numpy as np

from quietward.contracts.inputs import Asked, Block, Input
from quietward.contracts.stays import Stay
from quietward.contracts.summary import Attending, CareRecord, ConcernContribution, Contractions, RuleClass, Undoable
from quietward.detect.core import arrays
from quietward.detect.core.alerting.flags import Attention
from quietward.detect.core.alerting.policy import NOTED
from quietward.detect.core.arrays import Ints
from quietward.detect.core.measures.findings import Findings
from quietward.detect.core.measures.measuring import Running
from quietward.detect.core.patterns import earlier as left
from quietward.detect.core.patterns.excursions import DOWN, Excursion, Excursions
from quietward.detect.core.patterns.hand import Hand
from quietward.detect.core.patterns.history import History
from quietward.detect.core.signal.baseline import Baseline
from quietward.detect.core.signal.conditioning import Conditioning
from quietward.detect.core.signal.usable import Usable
from quietward.detect.core.signal.variability import Variability
from quietward.detect.core.state.beds import Beds, Clock, Room
from quietward.detect.core.state.rules import Rules


class Words(msgspec.Struct):
    """What people said at one bed; the times that go with it are in its bed of Attention."""

    acknowledged_by: str = ""
    shelved: dict[int, tuple[str, str]] = {}  # condition -> by, why
    limited: dict[int, tuple[str, str]] = {}
    paused: tuple[str, str] = ("", "")
    cared: list[CareRecord] = []  # the newest first
    attending: list[Attending] = []  # the newest last
    carried: str = ""  # reason of a flag from before a restart or a gap; see `carried` of Attention
    after_gap: bool = False  # ... and that it was a gap


MOVED_AWAY_MARGIN_S = 60
"""A move is undone from the bed she is in now; the one she came from is ready for it for so long more."""
MOST_ANSWERED = 256


class Undo(msgspec.Struct):
    """What brings a bed back to where it was before the newest arrival, leaving or move.

    at: when that was pressed, ms by the server's clock; before: checkpoint of the bed alone; since: what has come from
    its device since then, and time; depth: how many of such lie within `before`, this one counted. Of a move, to here
    or away from here: its id, and the other bed.
    """

    what: Literal["arrival", "leaving", "move", "moved-away"]
    by: str
    at: int
    before: bytes
    since: list[Input]
    depth: int = 1
    move: str = ""
    other: str = ""


class Occupancy(msgspec.Struct):
    """Who is in one bed, and who was. former: the newest first. asked: what another bed has been asked for when she was
    moved, or a move was undone, until that answers.
    """

    stay: Stay
    former: list[Stay] = []
    undo: Undo | None = None
    asked: Asked | None = None

    def move_undo(self, by_ms: int) -> None:
        """The server's clock was set."""
        if self.undo is not None:
            self.undo.at += by_ms

    def is_undone_in_time(self, now_ms: int, for_s: int) -> bool:
        """Return whether it is not too late to undo what may be undone here."""
        if self.undo is None:
            return False
        more_s = MOVED_AWAY_MARGIN_S if self.undo.what == "moved-away" else 0
        return now_ms - self.undo.at <= (for_s + more_s) * 1000

    def undoable(self, now_ms: int, for_s: int) -> Undoable | None:
        """Return what can be undone here at this time. A move is undone at the bed to which it was."""
        undo = self.undo
        if undo is None or undo.what == "moved-away" or not self.is_undone_in_time(now_ms, for_s):
            return None
        return Undoable(undo.what, undo.by, undo.at + for_s * 1000)


class Evaluation(msgspec.Struct, frozen=True):
    """What follows from the newest evaluation of one bed, in the words of a summary.

    values: the measures by name. reason: of a bed without a flag; empty where there is one, whose reason also depends
    on what people do.
    """

    values: dict[str, float]
    baseline_bpm: float | None
    variability_bpm: float | None
    baseline_change_1h_bpm: float | None
    variability_change_1h_bpm: float | None
    contractions: Contractions
    concern: float | None
    concern_parts: list[ConcernContribution]
    classes: list[RuleClass]
    reason: str


HEAD_LENGTH = 8
SECOND = "/2"
"""The second of twins has a place of its own in all arrays: by the name of the bed with this, which no bed has in its
name. It is in use from the first value of its rate on, until the stay ends or somebody says that there is one fetus."""


class _Head(msgspec.Struct):
    """What stands before the arrays in a checkpoint."""

    digest: str
    layout: str
    beds: list[str]
    sessions: list[str]
    now: int
    words: dict[str, Words]
    waiting: dict[int, list[Block]]
    earlier: dict[int, dict[str, int]]
    stays: dict[str, Occupancy]
    broker_is_away: bool = False
    answered: dict[str, str] = {}


@dataclass
class State:
    """Beds by index. `now` is the newest time seen on any input, ms; broker_is_away: as the newest tick said. What is
    remembered of each bed as arrays is `all`, and stands under its own names beside it.
    """

    rules: Rules
    beds: list[str] = field(default_factory=list)
    sessions: list[str] = field(default_factory=list)
    now: int = 0
    words: dict[str, Words] = field(default_factory=dict)  # by bed
    waiting: dict[int, list[Block]] = field(default_factory=dict)  # bed -> blocks that came before their predecessor
    earlier: dict[int, dict[str, int]] = field(
        default_factory=dict
    )  # bed -> sessions that were superseded, the newest last -> highest number that came of each
    stays: dict[str, Occupancy] = field(default_factory=dict)  # by bed; none where nobody has said who is in it
    evaluations: dict[int, Evaluation] = field(
        default_factory=dict
    )  # bed -> what of its newest evaluation, once asked for
    broker_is_away: bool = False
    answered: dict[str, str] = field(
        default_factory=dict
    )  # id of what another bed has asked for -> why that was refused; empty: done
    all: Beds = field(init=False)
    room: Room = field(init=False)
    clock: Clock = field(init=False)
    usable: Usable = field(init=False)
    conditioning: Conditioning = field(init=False)
    excursions: Excursions = field(init=False)
    baseline: Baseline = field(init=False)
    variability: Variability = field(init=False)
    running: Running = field(init=False)
    history: History = field(init=False)
    findings: Findings = field(init=False)
    attention: Attention = field(init=False)
    hand: Hand = field(init=False)

    def __post_init__(self) -> None:
        self._name(self.beds)
        self._hold(arrays.empty(Beds, len(self.beds), self.rules.sizes))

    def _name(self, beds: list[str]) -> None:
        self.beds, self.index_of = beds, {bed: i for i, bed in enumerate(beds)}
        firsts = (
            (self.index_of.get(bed.removesuffix(SECOND)), i) for i, bed in enumerate(beds) if bed.endswith(SECOND)
        )
        self.place_of_second = {first: i for first, i in firsts if first is not None}
        self.first_at = {second: first for first, second in self.place_of_second.items()}

    def _hold(self, all_of: Beds) -> None:
        self.all, self.room = all_of, Room.of(len(self.beds), self.rules)
        self.clock, self.usable = all_of.clock, all_of.usable
        self.conditioning, self.excursions = all_of.conditioning, all_of.excursions
        self.baseline, self.variability, self.running = all_of.baseline, all_of.variability, all_of.running
        self.history, self.findings = all_of.history, all_of.findings
        self.attention, self.hand = all_of.attention, all_of.hand

    def _layout_digest(self) -> str:
        return hashlib.sha256(arrays.layout(Beds, self.rules.sizes).encode()).hexdigest()

    def second_of(self, n: int) -> int | None:
        """Return the place of the second twin in bed n; None while one heart rate comes."""
        second = self.place_of_second.get(n)
        return None if second is None or self.clock.second[second] < 0 else second

    def fetuses(self, n: int) -> list[int]:
        """Return the places of the fetuses in bed n, that of the bed first."""
        second = self.second_of(n)
        return [n] if second is None else [n, second]

    def bed_at(self, n: int) -> int:
        """Return the place of the bed in which the fetus at place n is."""
        return self.first_at.get(n, n)

    def with_seconds(self, beds: Ints) -> Ints:
        """Return places of beds, and of the second twins in them."""
        seconds = [self.place_of_second[n] for n in beds.tolist() if n in self.place_of_second]
        return np.array([*beds.tolist(), *seconds]) if seconds else beds

    def words_of(self, n: int) -> Words:
        """Return what people said at bed n."""
        return self.words.setdefault(self.beds[n], Words())

    def stay_id(self, n: int) -> int:
        """Return the id of the present stay at bed n, 0 before the first arrival."""
        occupancy = self.stays.get(self.beds[self.bed_at(n)])
        return 0 if occupancy is None else occupancy.stay.id

    def is_empty(self, n: int) -> bool:
        """Return whether somebody has said that nobody is in bed n."""
        occupancy = self.stays.get(self.beds[n])
        return occupancy is not None and occupancy.stay.is_empty

    def admit(self, beds: Iterable[str]) -> None:
        """Give a fresh place to every bed never seen, all in one go: growing copies everything."""
        fresh = [bed for bed in dict.fromkeys(beds) if bed not in self.index_of]
        if not fresh:
            return
        self._name([*self.beds, *fresh])
        self.sessions += [""] * len(fresh)
        self._hold(arrays.grown(self.all, len(fresh)))

    def forget_signal(self, beds: Ints) -> None:
        """Let some beds forget their signal's past; attention, what people did, and the log go on."""
        fetuses = self.with_seconds(beds)
        for n in fetuses[self.excursions.open[DOWN, fetuses]].tolist():
            self._remember_fall(n)
        for name, part in zip(Beds._fields, self.all, strict=True):
            if name not in {"clock", "earlier", "attention", "hand"}:
                arrays.reset(part, fetuses)
        a, numbers = self.attention, self.rules.policy.numbers
        calls = a.active[:, fetuses] & ~numbers.ends_with_signal[:, None] & (a.shelved_until[:, fetuses] < 0)
        asked = np.where(calls, a.rank[:, fetuses], NOTED).max(axis=0)  # what is not seen any more is not over
        a.carried[fetuses] = np.maximum(a.carried[fetuses], np.minimum(asked, a.level[fetuses]))
        for n in beds.tolist():
            self.remember_arrival(n)
        self.measured_anew(fetuses)

    def _remember_fall(self, n: int) -> None:
        """Keep the level from which bed n has fallen, in a deceleration whose end nobody has seen."""
        e, limits = self.excursions, self.rules.reading.earlier
        height, onset = float(e.height[DOWN, n]), int(e.onset[DOWN, n])
        cut = Excursion(n, DOWN, onset, onset, onset, onset, onset, height, 0.0, 0.0, True, False, True)
        left.leave(self.all.earlier, cut, float(self.baseline.reference_bpm[n]), False, limits)

    def begin_anew(self, n: int) -> None:
        """Let bed n forget everything of who was in it. Which of its device's seconds have come, and the numbers of
        events and flags, go on.
        """
        self._forget(n)
        self.clock.others_until[n] = self.clock.placed[n]
        self.end_second(n)
        self.remember_arrival(n)

    def end_second(self, n: int) -> None:
        """Let bed n be one of a single fetus, until a second rate comes again."""
        if (second := self.place_of_second.get(n)) is not None:
            self._forget(second)

    def _forget(self, n: int) -> None:
        newest_flag = int(self.attention.flag[n])
        for name, part in zip(Beds._fields, self.all, strict=True):
            if name != "clock":
                arrays.reset(part, np.array([n]))
        self.clock.second[n], self.clock.lost[n] = -1, False
        self.attention.flag[n] = newest_flag
        self.words.pop(self.beds[n], None)
        self.evaluations.pop(n, None)

    def remember_arrival(self, n: int) -> None:
        """Let weeks and stage be what was said when the woman arrived, until her device says something else."""
        occupancy = self.stays.get(self.beds[n])
        arrival = None if occupancy is None else occupancy.stay.arrival
        if arrival is not None:
            for fetus in self.fetuses(n):
                self.running.weeks[fetus], self.running.stage[fetus] = arrival.weeks or 0, arrival.stage or 0

    def alone(self, n: int) -> Self:
        """Return bed n by itself: its arrays copied, all else shared."""
        bed, stays, places = self.beds[n], {}, self.fetuses(n)
        if (occupancy := self.stays.get(bed)) is not None:
            stays[bed] = occupancy
        names = [self.beds[place] for place in places]
        words = {name: self.words[name] for name in names if name in self.words}
        waiting = {0: self.waiting[n]} if n in self.waiting else {}
        earlier = {0: self.earlier[n]} if n in self.earlier else {}
        sessions = [self.sessions[place] for place in places]
        one = type(self)(self.rules, names, sessions, self.now, words, waiting, earlier, stays)
        for i, place in enumerate(places):
            arrays.copy_bed(self.all, place, one.all, i)
        return one

    def put_in(self, n: int, one: "State") -> None:
        """Let bed n be what `one` knows of the only bed there, whatever that is called."""
        bed, its_bed = self.beds[n], one.beds[0]
        self.end_second(n)
        if (its_second := one.second_of(0)) is not None:
            self.admit([bed + SECOND])
            arrays.copy_bed(one.all, its_second, self.all, self.place_of_second[n])
            if (said := one.words.get(one.beds[its_second])) is not None:
                self.words[bed + SECOND] = said
        arrays.copy_bed(one.all, 0, self.all, n)
        self.sessions[n] = one.sessions[0]
        pairs: list[tuple[dict[Any, Any], Any, dict[Any, Any], Any]] = [
            (self.words, bed, one.words, its_bed),
            (self.stays, bed, one.stays, its_bed),
            (self.waiting, n, one.waiting, 0),
            (self.earlier, n, one.earlier, 0),
        ]
        for own, key, theirs, its_key in pairs:
            own.pop(key, None)
            if its_key in theirs:
                own[key] = theirs[its_key]
        self.evaluations.pop(n, None)

    def answer(self, asked: str, why: str) -> None:
        """Remember what was answered to another bed, so that it may ask again and nothing is done twice."""
        self.answered[asked] = why
        while len(self.answered) > MOST_ANSWERED:
            del self.answered[next(iter(self.answered))]

    def measured_anew(self, beds: Ints) -> None:
        """Forget what follows from the measures of some beds."""
        if self.evaluations:
            for n in beds.tolist():
                self.evaluations.pop(n, None)

    def to_bytes(self) -> bytes:
        """Return a checkpoint: the length of its head, the head, all arrays."""
        head = msgspec.msgpack.encode(
            _Head(
                self.rules.digest,
                self._layout_digest(),
                self.beds,
                self.sessions,
                self.now,
                self.words,
                self.waiting,
                self.earlier,
                self.stays,
                self.broker_is_away,
                self.answered,
            )
        )
        return b"".join((len(head).to_bytes(HEAD_LENGTH), head, *arrays.as_bytes(self.all)))

    @classmethod
    def from_bytes(cls, stored: bytes, rules: Rules) -> Self | None:
        """Return the state of a checkpoint; None if it was made by other rules or by another version."""
        end = HEAD_LENGTH + int.from_bytes(stored[:HEAD_LENGTH])
        try:
            head = msgspec.msgpack.decode(stored[HEAD_LENGTH:end], type=_Head)
            if head.digest != rules.digest:
                return None
            state = cls(rules, [], head.sessions, head.now, head.words, head.waiting, head.earlier, head.stays)
            if head.layout != state._layout_digest():
                return None
            all_of, _ = arrays.from_bytes(Beds, memoryview(stored)[end:], len(head.beds), rules.sizes)
        except (msgspec.DecodeError, ValueError):
            return None
        state.broker_is_away, state.answered = head.broker_is_away, head.answered
        state._name(head.beds)
        state._hold(all_of)
        return state

    @classmethod
    def why_not(cls, stored: bytes, rules: Rules) -> str:
        """Return in words of what a checkpoint is that `from_bytes` does not take."""
        try:
            head = msgspec.msgpack.decode(stored[HEAD_LENGTH : HEAD_LENGTH + int.from_bytes(stored[:HEAD_LENGTH])])
            digest = str(head["digest"])
        except (msgspec.DecodeError, LookupError, TypeError):
            return "another version"
        return f"other rules ({digest}, now {rules.digest})" if digest != rules.digest else "another version"
