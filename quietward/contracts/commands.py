"""Page to server (JSON): what a person does at a bed, a Command by its `type`."""

from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from quietward.contracts.fields import BedName, FlagId, Seconds, StayId, Who, Why
from quietward.contracts.stays import Arrival

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


class Forget(Struct, frozen=True, forbid_unknown_fields=True, tag="forget"):
    """The record of a woman who has left this bed, `stay`, is deleted before its time. For the page's server, not for
    the detector.
    """

    bed: BedName
    by: Who
    stay: StayId


StayCommand = Arrive | Leave | Move | CorrectArrival | UndoStay
Command = Acknowledge | Attend | Shelve | Unshelve | RecordCare | Pause | Tap | SetBedLimit | StayCommand
"""What a person does at a bed. stay: the one that she saw; at another one it is not taken. None: whichever it is."""
WardCommand = TakeIn | Forget
"""What whoever is in charge does for the ward: not for the detector."""
decode_command = msgspec.json.Decoder(Command | WardCommand).decode
