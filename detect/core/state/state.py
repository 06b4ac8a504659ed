"""State of the detector for a set of beds: everything it remembers, and nothing else."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Self

import msgspec

from quietward.contracts.messages import Block, CareRecord, ConcernContribution, Contractions, RuleClass
from quietward.detect.core import arrays
from quietward.detect.core.alerting.attention import Attention
from quietward.detect.core.arrays import Ints
from quietward.detect.core.measures.findings import Findings
from quietward.detect.core.measures.measuring import Running
from quietward.detect.core.patterns.excursions import Excursions
from quietward.detect.core.patterns.hand import Hand
from quietward.detect.core.patterns.history import History
from quietward.detect.core.signal.baseline import Baseline
from quietward.detect.core.signal.conditioning import Conditioning
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


class Evaluation(msgspec.Struct, frozen=True):
    """What follows from the newest evaluation of one bed, in the words of a summary.

    values: the measures by name. reason: of a bed without a flag; empty where there is one, whose reason also depends
    on what people do.
    """

    values: dict[str, float]
    baseline_bpm: float | None
    variability_bpm: float | None
    contractions: Contractions
    concern: float | None
    concern_parts: list[ConcernContribution]
    classes: list[RuleClass]
    reason: str


HEAD_LENGTH = 8


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
    broker_is_away: bool = False


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
    evaluations: dict[int, Evaluation] = field(
        default_factory=dict
    )  # bed -> what of its newest evaluation, once asked for
    broker_is_away: bool = False
    all: Beds = field(init=False)
    room: Room = field(init=False)
    clock: Clock = field(init=False)
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
        self.index_of = {bed: i for i, bed in enumerate(self.beds)}
        self._hold(arrays.empty(Beds, len(self.beds), self.rules.sizes))

    def _hold(self, all_of: Beds) -> None:
        self.all, self.room = all_of, Room.of(len(self.beds), self.rules)
        self.clock, self.conditioning, self.excursions = all_of.clock, all_of.conditioning, all_of.excursions
        self.baseline, self.variability, self.running = all_of.baseline, all_of.variability, all_of.running
        self.history, self.findings = all_of.history, all_of.findings
        self.attention, self.hand = all_of.attention, all_of.hand

    def _layout_digest(self) -> str:
        return hashlib.sha256(arrays.layout(Beds, self.rules.sizes).encode()).hexdigest()

    def words_of(self, n: int) -> Words:
        """Return what people said at bed n."""
        return self.words.setdefault(self.beds[n], Words())

    def admit(self, beds: Iterable[str]) -> None:
        """Give a fresh place to every bed never seen, all in one go: growing copies everything."""
        fresh = [bed for bed in dict.fromkeys(beds) if bed not in self.index_of]
        if not fresh:
            return
        for bed in fresh:
            self.index_of[bed] = len(self.beds)
            self.beds.append(bed)
            self.sessions.append("")
        self._hold(arrays.grown(self.all, len(fresh)))

    def forget_signal(self, beds: Ints) -> None:
        """Let some beds forget their signal's past; attention, what people did, and the log go on."""
        for name, part in zip(Beds._fields, self.all, strict=True):
            if name not in {"clock", "earlier", "attention", "hand"}:
                arrays.reset(part, beds)
        self.measured_anew(beds)

    def measured_anew(self, beds: Ints) -> None:
        """Forget what follows from the measures of some beds."""
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
                self.broker_is_away,
            )
        )
        return b"".join((len(head).to_bytes(HEAD_LENGTH), head, *arrays.as_bytes(self.all)))

    @classmethod
    def from_bytes(cls, stored: bytes, rules: Rules) -> Self | None:
        """Return the state of a checkpoint; None if it was made by other rules or by another version."""
        end = HEAD_LENGTH + int.from_bytes(stored[:HEAD_LENGTH])
        try:
            found = msgspec.msgpack.decode(stored[HEAD_LENGTH:end], type=_Head)
            if found.digest != rules.digest:
                return None
            state = cls(rules, [], found.sessions, found.now, found.words, found.waiting, found.earlier)
            if found.layout != state._layout_digest():
                return None
            all_of, _ = arrays.from_bytes(Beds, memoryview(stored)[end:], len(found.beds), rules.sizes)
        except (msgspec.DecodeError, ValueError):
            return None
        state.beds, state.broker_is_away = found.beds, found.broker_is_away
        state.index_of = {bed: i for i, bed in enumerate(found.beds)}
        state._hold(all_of)
        return state

    @classmethod
    def why_not(cls, stored: bytes, rules: Rules) -> str:
        """Return in words of what a checkpoint is that `from_bytes` does not take."""
        try:
            found = msgspec.msgpack.decode(stored[HEAD_LENGTH : HEAD_LENGTH + int.from_bytes(stored[:HEAD_LENGTH])])
            digest = str(found["digest"])
        except (msgspec.DecodeError, LookupError, TypeError):
            return "another version"
        return f"other rules ({digest}, now {rules.digest})" if digest != rules.digest else "another version"
