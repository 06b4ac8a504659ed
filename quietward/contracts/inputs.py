"""Input stream (Redis, msgpack): what the detector works through, in the order of processing.

A list of Block, DeviceStatus, CommandEnvelope and Tick, and what detectors ask of each other when a woman is moved:
Transfer, UndoTransfer, TransferAnswer.
"""

from collections.abc import Mapping
from typing import Literal

import msgspec
from msgspec import Struct

from quietward.contracts.commands import Command
from quietward.contracts.fields import EpochMs, FhrSecond, Mhr, Name, Seq, UaSecond, Weeks
from quietward.contracts.log import Event
from quietward.contracts.stays import Arrival, Stay
from quietward.contracts.summary import Summary
from quietward.contracts.validation import NOT_DECODED


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


decode_inputs = msgspec.msgpack.Decoder(list[Input]).decode
_decode_input = msgspec.msgpack.Decoder(Input).decode
_split_inputs = msgspec.msgpack.Decoder(list[msgspec.Raw]).decode
encode_inputs = msgspec.msgpack.encode


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
        item: Input = _decode_input(raw)
    except NOT_DECODED as error:
        return Unreadable(str(error))
    return item
