"""How staff behave, as numbers: `study/staff.toml`, which says where each comes from."""

from typing import Annotated, NamedTuple

from msgspec import Meta, Struct, field

from quietward.contracts.commands import CareKind

Share = Annotated[float, Meta(ge=0, le=1)]
Time = Annotated[float, Meta(gt=0)]


class Done(NamedTuple):
    """Something that staff do at a bed, or the birth of the child, which ends what is watched there."""

    t_s: float
    bed: int
    what: tuple[CareKind, ...]
    is_birth: bool = False


class CallTimes(Struct, frozen=True, forbid_unknown_fields=True):
    """From a call to knowing what it is about. ahead_s: how early a true positive may come."""

    notice_s: Time
    read_s: Time
    ahead_s: Annotated[float, Meta(ge=0)]
    reads_right: Share


class Trust(Struct, frozen=True, forbid_unknown_fields=True):
    """Which calls are answered, and how much exposure to false ones slows."""

    matching_share: Share
    all_from: Share
    least: Share
    window_min: Time
    slow_from: Annotated[list[int], Meta(min_length=2, max_length=2)]
    slower: Annotated[list[Annotated[float, Meta(ge=1)]], Meta(min_length=3, max_length=3)]


class TaskTimes(Struct, frozen=True, forbid_unknown_fields=True):
    """How long and how often nurses and students do what, medians. again_after_min: where somebody was needed."""

    walk_s: Time
    check_s: Time
    care_s: Time
    round_every_min: Time
    round_s: Time
    again_after_min: Time
    other_every_min: Time
    other_s: Time
    spread: Annotated[float, Meta(ge=0, le=2)]
    teaching: Annotated[float, Meta(ge=1)]
    student_reads_s: Time
    student_reads_right: Share


class TeamTimes(Struct, frozen=True, forbid_unknown_fields=True):
    """Clinicians who are called from elsewhere. birth_in_min: from their coming to a birth, where it comes to that."""

    comes_in_s: Time
    birth_in_min: Time


class TruePositiveCriteria(Struct, frozen=True, forbid_unknown_fields=True):
    """States and artefacts during which a call is a true positive, beside the needs of the bed."""

    any_call: list[str]
    call_for_signal: list[str]
    gone_for_s: Annotated[float, Meta(ge=0)]


class StaffModel(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `study/staff.toml`."""

    beds_per_nurse: Annotated[int, Meta(ge=1, le=48)]
    student_share: Share
    call: CallTimes
    trust: Trust
    tasks: TaskTimes
    team: TeamTimes
    true_positive: TruePositiveCriteria = field(name="worth")
