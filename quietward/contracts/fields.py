"""What a field of a message may hold: bounds of every number and name, shared by all messages.

Times: `t` and `at` are ms since the epoch, `t` by the device's clock and `at` by the server's. `_s` are seconds.
"""

from typing import Annotated

import msgspec
from msgspec import Meta

from quietward.contracts.bounds import LARGEST_SEQ
from quietward.contracts.flag_names import FLAG_PATTERN

HZ = 4
"""Samples per second on the wire and in the core (storage rate of the open intrapartum data sets)."""
WINDOW_S = 1800
"""Published rule sets judge the last 30 minutes; measures, counts and hand-overs look back as far."""

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

encode_json = msgspec.json.encode
