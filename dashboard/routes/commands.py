"""Pure: parses and checks a command that a page has sent, before it goes to the detector."""

import re
from collections.abc import Container

import msgspec

from quietward.contracts.errors import QuietwardError
from quietward.contracts.messages import Acknowledge, Act, Care, OwnLimit, Pause, PolicySheet, Shelve, decode_act

MAX_BYTES = 4096


class BadCommand(QuietwardError):
    """A command is refused. status: of the HTTP response."""

    def __init__(self, what: str, value: object, remedy: str, status: int = 422) -> None:
        super().__init__(what, value, remedy)
        self.status = status


def parse(body: bytes, beds: Container[str], policy: PolicySheet | None) -> Act:
    """Return the command in `body`. beds: all of the ward. policy: None if no detector runs. Raises BadCommand."""
    try:
        act: Act = decode_act(body)
    except msgspec.ValidationError as error:
        raise _invalid(body, str(error)) from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise BadCommand("act", body, f"Is not JSON: {error}") from error
    if act.bed not in beds:
        raise BadCommand("bed", act.bed, "Nothing has come from such a bed of this ward; name one that has sent", 404)
    for name in ("by", "why"):
        value = getattr(act, name, None)
        if value is not None and value != "" and not value.strip():
            raise BadCommand(name, value, "Holds nothing but blanks; write it out")
    match act:
        case Acknowledge(flag=flag):
            _check_flag(act.bed, flag)
        case Shelve(flag=flag):
            _check_flag(act.bed, flag)
            _check_time(act.for_s, _known(policy).longest_shelve_s)
        case Care(what="other", text=text) if not text.strip():
            raise BadCommand("text", text, "Say what was done when it is none of the named things")
        case Pause(for_s=for_s) if for_s > 0:
            _check_time(for_s, _known(policy).longest_pause_s)
        case OwnLimit():
            _check_limit(act, _known(policy))
    return act


def _check_flag(bed: str, flag: str) -> None:
    if flag.rpartition("-f")[0] != bed:
        raise BadCommand("flag", flag, f"Is no flag of {bed}; name the one it has now")


def _check_time(for_s: int, longest_s: int) -> None:
    if not 0 < for_s <= longest_s:
        raise BadCommand("for_s", for_s, f"Give 1 to {longest_s} s; the policy allows no longer")


def _check_limit(act: OwnLimit, policy: PolicySheet) -> None:
    bounds = next((limit for limit in policy.limits if limit.condition == act.condition), None)
    if bounds is None:
        known = ", ".join(limit.condition for limit in policy.limits) or "none"
        raise BadCommand(
            "condition", act.condition, f"Its limit is the same for all beds; others may be had for: {known}"
        )
    if act.limit is None:
        return  # the limit of the policy applies again at once
    if not bounds.lowest <= act.limit <= bounds.highest:
        raise BadCommand("limit", act.limit, f"Give {bounds.lowest:g} to {bounds.highest:g}")
    _check_time(act.for_s, policy.longest_limit_s)


def _known(policy: PolicySheet | None) -> PolicySheet:
    if policy is None:
        raise BadCommand("policy", None, "No detector has said what its policy allows; start one, then try again", 409)
    return policy


def _invalid(body: bytes, message: str) -> BadCommand:
    """Return an error that names the field and its value; message: msgspec's, which ends in the field's path."""
    text, _, path = message.partition(" - at `$")
    value: object = None
    try:
        value = msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return BadCommand("act", body, f"Is not JSON: {error}")  # the field came before the place where it breaks off
    for key in re.findall(r"\.(\w+)", path):
        value = value.get(key) if isinstance(value, dict) else None
    return BadCommand(path.strip(".`") or "act", value, text)
