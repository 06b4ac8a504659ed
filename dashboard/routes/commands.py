"""Pure: parses and checks a command that a page has sent, before it goes to the detector."""

from collections.abc import Container

from quietward.contracts.commands import (
    Acknowledge,
    Arrive,
    Command,
    CorrectArrival,
    Move,
    Pause,
    RecordCare,
    SetBedLimit,
    Shelve,
    TakeIn,
    WardCommand,
    decode_command,
)
from quietward.contracts.errors import QuietwardError
from quietward.contracts.policy_info import PolicyInfo
from quietward.contracts.stays import Arrival
from quietward.contracts.validation import NOT_DECODED, invalid_json

MAX_BYTES = 4096


class BadCommand(QuietwardError):
    """A command is refused. status: of the HTTP response."""

    def __init__(self, what: str, value: object, remedy: str, status: int = 422) -> None:
        super().__init__(what, value, remedy)
        self.status = status


def parse(
    body: bytes, beds: Container[str], policy: PolicyInfo | None, unexpected: Container[str] = ()
) -> Command | WardCommand:
    """Return the command in `body`. beds: all of the ward. policy: None if no detector runs. unexpected: devices that
    wait to be taken in. Raises BadCommand.
    """
    try:
        command: Command | WardCommand = decode_command(body)
    except NOT_DECODED as error:
        invalid = invalid_json(error, body)
        raise BadCommand(invalid.path or "act", invalid.value, invalid.reason) from error
    _check_names(command, beds, unexpected)
    match command:
        case Acknowledge(flag=flag):
            _check_flag(command.bed, flag)
        case Shelve(flag=flag):
            _check_flag(command.bed, flag)
            _check_time(command.for_s, _known(policy).longest_shelve_s)  # by its level, the detector may allow less
        case RecordCare(what="other", text=text) if not text.strip():
            raise BadCommand("text", text, "Say what was done when it is none of the named things")
        case Pause(for_s=for_s) if for_s > 0:
            _check_time(for_s, _known(policy).longest_pause_s)
        case SetBedLimit():
            _check_limit(command, _known(policy))
        case Arrive(arrival=arrival) | CorrectArrival(arrival=arrival):
            _check_arrival(arrival, _known(policy))
    return command


def _check_names(command: Command | WardCommand, beds: Container[str], unexpected: Container[str]) -> None:
    if isinstance(command, TakeIn):
        if command.bed not in unexpected:
            raise BadCommand("bed", command.bed, "No device of that name waits to be taken in", 404)
    elif command.bed not in beds:
        raise BadCommand("bed", command.bed, "Unknown bed; name one of this ward", 404)
    if isinstance(command, Move) and command.to not in beds:
        raise BadCommand("to", command.to, "Unknown bed; name one of this ward", 404)
    if isinstance(command, Move) and command.to == command.bed:
        raise BadCommand("to", command.to, "She is in this bed already; name another one")
    for name in ("by", "why"):
        value = getattr(command, name, None)
        if value is not None and value != "" and not value.strip():
            raise BadCommand(name, value, "Must not be blank")


def _check_flag(bed: str, flag: str) -> None:
    if flag.rpartition("-")[0] != bed:
        raise BadCommand("flag", flag, f"It belongs to another bed; name a flag of {bed}")


def _check_time(for_s: int, longest_s: int) -> None:
    if not 0 < for_s <= longest_s:
        raise BadCommand("for_s", for_s, f"Give 1 to {longest_s} s; the policy allows no longer")


def _check_limit(command: SetBedLimit, policy: PolicyInfo) -> None:
    bounds = next((limit for limit in policy.limits if limit.condition == command.condition), None)
    if bounds is None:
        known = ", ".join(limit.condition for limit in policy.limits) or "none"
        raise BadCommand(
            "condition", command.condition, f"Its limit is the same for all beds; others may be had for: {known}"
        )
    if command.limit is None:
        return  # the limit of the policy applies again at once
    if not bounds.lowest <= command.limit <= bounds.highest:
        raise BadCommand("limit", command.limit, f"Give {bounds.lowest:g} to {bounds.highest:g}")
    _check_time(command.for_s, policy.longest_limit_s)


def _check_arrival(arrival: Arrival, policy: PolicyInfo) -> None:
    if not arrival.label.strip():
        raise BadCommand("arrival.label", arrival.label, "Must not be blank; a room, a colour, a number, never a name")
    for name, text in (("label", arrival.label), ("note", arrival.note)):
        if not text.isprintable():
            raise BadCommand(f"arrival.{name}", text, "Must be one line of text")
    for risk in arrival.risks:
        if risk not in policy.risks or arrival.risks.count(risk) > 1:
            raise BadCommand("arrival.risks", risk, f"Name each once, of: {', '.join(policy.risks)}")


def _known(policy: PolicyInfo | None) -> PolicyInfo:
    if policy is None:
        raise BadCommand("policy", None, "No detector has said what its policy allows; start one, then try again", 409)
    return policy
