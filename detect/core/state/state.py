"""State of the detector for a set of beds: everything it remembers, and nothing else."""

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Self

import msgspec

from quietward.contracts.messages import Block, CareRecord, ConcernContribution, Contractions, RuleClass
from quietward.detect.core.alerting.attention import Attention
from quietward.detect.core.arrays import Bools, Ints, Lanes, Sizes, index, part, switch
from quietward.detect.core.measures.findings import Findings
from quietward.detect.core.measures.measuring import Minutes, Running
from quietward.detect.core.patterns.excursions import Excursions
from quietward.detect.core.patterns.hand import Hand
from quietward.detect.core.patterns.history import History
from quietward.detect.core.signal.baseline import Baseline, Lagged
from quietward.detect.core.signal.conditioning import Conditioning, LastMinute
from quietward.detect.core.signal.histogram import Histogram
from quietward.detect.core.signal.minute import Minute
from quietward.detect.core.signal.tone import Levels, Tone
from quietward.detect.core.signal.variability import Variability
from quietward.detect.core.state.rules import Rules


@dataclass(init=False, eq=False)
class Clock(Lanes):
    """Where each bed's signal stands. `second`: seconds since the epoch by the device's clock, of the newest second."""

    second: Ints = index(-1)
    seq: Ints = index(-1)
    t: Ints = index(0)  # device time of the newest block, ms
    at: Ints = index(0)  # arrival of the newest block, ms
    online: Bools = switch()
    lost: Bools = switch()
    event: Ints = index(0)  # number of the bed's newest event


@dataclass(init=False, eq=False)
class Present(Lanes):
    """What every second reads and changes; all else is rings, and what looks leave."""

    conditioning: Conditioning = part(Conditioning)
    baseline: Baseline = part(Baseline)
    tone: Tone = part(Tone)
    excursions: Excursions = part(Excursions)
    running: Running = part(Running)


class Words(msgspec.Struct):
    """What people said at one bed; the times that go with it are in its lane of Attention."""

    acknowledged_by: str = ""
    shelved: dict[int, tuple[str, str]] = {}  # condition -> by, why
    limited: dict[int, tuple[str, str]] = {}
    paused: tuple[str, str] = ("", "")
    cared: list[CareRecord] = []  # the newest first


class Looked(msgspec.Struct, frozen=True):
    """What follows from the newest look at one lane alone, in the words of a summary; values: the measures by name."""

    values: dict[str, float]
    baseline_bpm: float | None
    variability_bpm: float | None
    contractions: Contractions
    concern: float | None
    concern_parts: list[ConcernContribution]
    classes: list[RuleClass]


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
    earlier: dict[int, str]


@dataclass
class State:
    """Lanes by bed. `now` is the newest time seen on any input, ms."""

    rules: Rules
    beds: list[str] = field(default_factory=list)
    sessions: list[str] = field(default_factory=list)
    now: int = 0
    words: dict[str, Words] = field(default_factory=dict)  # by bed
    waiting: dict[int, list[Block]] = field(default_factory=dict)  # lane -> blocks that came before their predecessor
    earlier: dict[int, str] = field(default_factory=dict)  # lane -> the session before the newest
    looked: dict[int, Looked] = field(default_factory=dict)  # lane -> what follows from its newest look, once asked for
    clock: Clock = field(init=False)
    present: Present = field(init=False)
    last_minute: LastMinute = field(init=False)
    fhr: Histogram = field(init=False)
    ua: Histogram = field(init=False)
    lagged: Lagged = field(init=False)
    minute: Minute = field(init=False)
    variability: Variability = field(init=False)
    levels: Levels = field(init=False)
    history: History = field(init=False)
    minutes: Minutes = field(init=False)
    findings: Findings = field(init=False)
    attention: Attention = field(init=False)
    hand: Hand = field(init=False)

    def __post_init__(self) -> None:
        for name, kind, sizes in self._layout():
            setattr(self, name, kind.empty(len(self.beds), sizes))
        self.lane_of = {bed: i for i, bed in enumerate(self.beds)}

    def _layout(self) -> Iterator[tuple[str, type[Lanes], Sizes]]:
        own = self.rules.sizes
        yield "clock", Clock, own
        yield "present", Present, own
        yield "last_minute", LastMinute, own
        yield "fhr", Histogram, self.rules.fhr_sizes
        yield "ua", Histogram, self.rules.ua_sizes
        yield "lagged", Lagged, own
        yield "minute", Minute, own
        yield "variability", Variability, own
        yield "levels", Levels, own
        yield "history", History, own
        yield "minutes", Minutes, own
        yield "findings", Findings, own
        yield "attention", Attention, own
        yield "hand", Hand, own

    def _layout_digest(self) -> str:
        words = "\n".join(f"{name} {kind.layout(sizes)}" for name, kind, sizes in self._layout())
        return hashlib.sha256(words.encode()).hexdigest()

    def words_of(self, n: int) -> Words:
        """Return what people said at lane n."""
        return self.words.setdefault(self.beds[n], Words())

    def admit(self, beds: Iterable[str]) -> None:
        """Give a fresh lane to every bed never seen, all in one go: growing copies everything."""
        fresh = [bed for bed in dict.fromkeys(beds) if bed not in self.lane_of]
        if not fresh:
            return
        for bed in fresh:
            self.lane_of[bed] = len(self.beds)
            self.beds.append(bed)
            self.sessions.append("")
        for name, _, _ in self._layout():
            setattr(self, name, getattr(self, name).grown(len(fresh)))

    def forget_signal(self, lanes: Ints) -> None:
        """Let some lanes forget their signal's past; attention, what people did, and the log go on."""
        for name, _, _ in self._layout():
            if name not in {"clock", "attention", "hand"}:
                getattr(self, name).reset(lanes)
        self.measured_anew(lanes)

    def measured_anew(self, lanes: Ints) -> None:
        """Forget what follows from the measures of some lanes."""
        for n in lanes.tolist():
            self.looked.pop(n, None)

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
            )
        )
        arrays = (block for name, _, _ in self._layout() for block in getattr(self, name).as_bytes())
        return b"".join((len(head).to_bytes(HEAD_LENGTH), head, *arrays))

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
            arrays = memoryview(stored)[end:]
            for name, kind, sizes in state._layout():
                lanes, arrays = kind.from_bytes(arrays, len(found.beds), sizes)
                setattr(state, name, lanes)
        except (msgspec.DecodeError, ValueError):
            return None
        state.beds = found.beds
        state.lane_of = {bed: i for i, bed in enumerate(found.beds)}
        return state
