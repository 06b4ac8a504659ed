"""Wire (MQTT, JSON): what a device publishes, and what becomes of a message or a device that is not taken."""

from typing import Literal

import msgspec
from msgspec import UNSET, Struct, UnsetType

from quietward.contracts.fields import EpochMs, FhrSecond, Mhr, Seq, SessionId, SourceName, UaSecond, Weeks


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


class UnexpectedDevice(Struct, frozen=True):
    """A device that waits until somebody takes it in. Times in ms by the server's clock."""

    name: str
    first_at: int
    last_at: int


EXAMPLE_BYTES = 500
"""So much of what could not be used is kept and shown, from its beginning on."""


def example_of(payload: bytes) -> str:
    """Return how a message that could not be used begins."""
    return payload[:EXAMPLE_BYTES].decode("utf-8", "replace")


class RefusedMessage(Struct, frozen=True):
    """A message that could not be used, kept for inspection."""

    at: int
    topic: str
    reason: str
    text: str
    payload: str


decode_samples = msgspec.json.Decoder(Samples).decode
decode_known_samples = msgspec.json.Decoder(_KnownSamples).decode
