"""Pure: from what a page sent to an act that may go to the detector, or one line that says what is wrong with it."""

from collections.abc import Container

from quietward.contracts.errors import QuietwardError
from quietward.contracts.messages import (
    Acknowledge,
    Command,
    Pause,
    PolicyInfo,
    RecordCare,
    SetBedLimit,
    Shelve,
    decode_command,
)
from quietward.contracts.validation import NOT_DECODED, invalid_json

LARGEST_BYTES = 4096


class BadAct(QuietwardError):
    """What a page sent cannot be done. `status` is that of the HTTP answer."""

    def __init__(self, what: str, value: object, remedy: str, status: int = 422) -> None:
        super().__init__(what, value, remedy)
        self.status = status


def read(body: bytes, beds: Container[str], sheet: PolicyInfo | None) -> Command:
    """Return the act that `body` says. beds: those of the ward. sheet: of the running policy. Raises BadAct."""
    try:
        act: Command = decode_command(body)
    except NOT_DECODED as error:
        invalid = invalid_json(error, body)
        raise BadAct(invalid.path or "act", invalid.value, invalid.reason) from error
    if act.bed not in beds:
        raise BadAct("bed", act.bed, "Nothing has come from such a bed of this ward; name one that has sent", 404)
    for name in ("by", "why"):
        value = getattr(act, name, None)
        if value is not None and value != "" and not value.strip():
            raise BadAct(name, value, "Holds nothing but blanks; write it out")
    match act:
        case Acknowledge(flag=flag):
            _check_flag(act.bed, flag)
        case Shelve(flag=flag):
            _check_flag(act.bed, flag)
            _check_time(act.for_s, _policy(sheet).longest_shelve_s)
        case RecordCare(what="other", text=text) if not text.strip():
            raise BadAct("text", text, "Say what was done when it is none of the named things")
        case Pause(for_s=for_s) if for_s > 0:
            _check_time(for_s, _policy(sheet).longest_pause_s)
        case SetBedLimit():
            _check_limit(act, _policy(sheet))
    return act


def _check_flag(bed: str, flag: str) -> None:
    if flag.rpartition("-f")[0] != bed:
        raise BadAct("flag", flag, f"Is no flag of {bed}; name the one it has now")


def _check_time(for_s: int, longest_s: int) -> None:
    if not 0 < for_s <= longest_s:
        raise BadAct("for_s", for_s, f"Give 1 to {longest_s} s; the policy allows no longer")


def _check_limit(act: SetBedLimit, sheet: PolicyInfo) -> None:
    bounds = next((one for one in sheet.limits if one.condition == act.condition), None)
    if bounds is None:
        known = ", ".join(one.condition for one in sheet.limits) or "none"
        raise BadAct("condition", act.condition, f"Its limit is the same for all beds; others may be had for: {known}")
    if act.limit is None:
        return  # back to the policy's, at once
    if not bounds.lowest <= act.limit <= bounds.highest:
        raise BadAct("limit", act.limit, f"Give {bounds.lowest:g} to {bounds.highest:g}")
    _check_time(act.for_s, sheet.longest_limit_s)


def _policy(sheet: PolicyInfo | None) -> PolicyInfo:
    if sheet is None:
        raise BadAct("policy", None, "No detector has said what its policy allows; start one, then try again", 409)
    return sheet
