"""After a rebuild without a checkpoint, under other rules or another version: no bed is left behind, nothing falls in
silence.
"""

import dataclasses
import hashlib
from pathlib import Path

import msgspec

from quietward.contracts.commands import Acknowledge, Arrive, Shelve
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick
from quietward.contracts.log import Event
from quietward.contracts.stays import Arrival
from quietward.contracts.summary import Level, SignalState, Summary
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.carry_over import carry_over
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from tests.traces import RULES

T0 = 1_790_000_000
LOW_BPM = 75.0


def without(*names: str) -> Rules:
    """The rules with a policy that lacks some conditions."""
    conditions = [
        msgspec.structs.replace(
            c,
            unless=[name for name in c.unless if name not in names],
            inhibited_by=[name for name in c.inhibited_by if name not in names],
        )
        for c in RULES.policy.condition
        if c.name not in names
    ]
    policy = msgspec.structs.replace(RULES.policy, condition=conditions)
    return dataclasses.replace(RULES, policy=policy, digest=hashlib.sha256(repr(names).encode()).hexdigest()[:12])


class Ward:
    """One bed under some rules."""

    def __init__(self, rules: Rules = RULES) -> None:
        self.state, self.events = State(rules), list[Event]()
        self.summary: Summary | None = None

    def step(self, *inputs: Input) -> Summary:
        output = engine.step(self.state, inputs)
        self.events += output.events
        for found in summaries.of(self.state, output):
            self.summary = found
        assert self.summary is not None
        return self.summary

    def play(self, first: int, seconds: int, bpm: float) -> Summary:
        for s in range(first, first + seconds):
            at = (T0 + s) * 1000
            fhr: list[float | None] = [bpm, bpm + 1, bpm, bpm - 1]  # what stays exactly the same is no heart's
            found = self.step(Block("b", "s", s, at, at, fhr, [10.0] * 4), Tick(at))
        return found

    def wait(self, until: int) -> Summary:
        return self.step(Tick((T0 + until) * 1000))

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events if event.kind.startswith("flag-")]


def rebuilt(before: Ward, rules: Rules = RULES, replayed: list[tuple[int, int, float]] | None = None) -> Ward:
    """The ward as a detector with these rules finds it: what it replays is said by nobody."""
    after = Ward(rules)
    for first, seconds, bpm in replayed or []:
        after.play(first, seconds, bpm)
    after.state.admit(["b"])
    carry_over(after.state, "b", list(reversed(before.events[-200:])), before.summary)
    after.events, after.summary = [], before.summary
    return after


def flagged() -> Ward:
    """A bed whose rate has been low for long enough to ask for the bedside or more."""
    ward = Ward()
    ward.play(0, 700, 140.0)
    found = ward.play(700, 900, LOW_BPM)
    assert found.flag is not None, found
    return ward


def test_a_bed_that_was_silent_for_long_keeps_its_flag_and_can_be_answered() -> None:
    before = flagged()
    known = before.wait(1600 + 3 * 3600)
    assert known.level in ("bedside", "team")
    for rules in (RULES, without("no-signal", "signal-lost", "signal-poor")):
        after = rebuilt(before, rules)
        now_s = 1600 + 3 * 3600 + 5
        found = after.wait(now_s)
        assert found.looked_at == (T0 + now_s) * 1000, "somebody watches it"
        assert found.signal is SignalState.LOST
        assert "3 h" in found.signal_reason or "180 min" in found.signal_reason, found.signal_reason
        assert found.flag == known.flag
        assert found.level == Level.TEAM, "nothing has fallen, and nobody has answered"
        act = Acknowledge("b", "Kim", known.flag or "")
        assert after.step(CommandEnvelope((T0 + now_s) * 1000, act)).acknowledged_by == "Kim"
        assert after.kinds() in (["flag-acknowledged"], ["flag-escalated", "flag-acknowledged"])


def test_a_flag_whose_reason_cannot_be_seen_again_stays_until_the_trace_can_be_judged() -> None:
    """As where what is stored of the trace is older than what is kept, and only summary and log are left."""
    before = flagged()
    assert before.summary is not None
    known = before.summary
    after = rebuilt(before)
    found = after.play(1600, 500, 140.0)
    assert (found.flag, found.level) == (known.flag, known.level)
    assert found.reason.startswith("from before a restart · "), found.reason
    assert known.reason.split(" · ")[0] in found.reason
    assert len(found.reason) <= 90
    found = after.play(2100, 160, 140.0)
    assert found.flag == known.flag, "ten minutes have been seen; what looks back for half an hour cannot call yet"
    found = after.play(2260, 24 * 60, 140.0)
    assert found.flag is None, "24 of 30 minutes have been seen, and nothing is wrong"
    assert after.kinds() == ["flag-eased"]


def test_a_flag_from_before_a_restart_goes_up_while_nobody_answers() -> None:
    before = flagged()
    assert before.summary is not None
    since = (T0 + 1590) * 1000
    known = before.summary = msgspec.structs.replace(before.summary, level=Level.BEDSIDE, level_since=since)
    after = rebuilt(before, without("no-signal", "signal-lost"))
    after.play(1600, 5, 140.0)
    shelve = Shelve("b", "Kim", known.flag or "", 300, "known")
    assert after.step(CommandEnvelope((T0 + 1605) * 1000, shelve)).flag == known.flag
    assert "acknowledge it" in after.events[-1].text
    assert after.kinds() == []
    found = after.wait(1600 + int(RULES.policy.escalation.bedside_after_s) + 60)
    assert (found.level, after.kinds()) == (Level.TEAM, ["flag-escalated"])


def test_a_flag_from_before_a_restart_is_over_with_the_woman_it_was_of() -> None:
    before = flagged()
    after = rebuilt(before)
    flag = after.play(1600, 5, 140.0).flag
    after.step(CommandEnvelope((T0 + 1605) * 1000, Acknowledge("b", "Kim", flag or "")))
    after.step(CommandEnvelope((T0 + 1605) * 1000, Arrive("b", "Kim", Arrival("green"))))
    found = after.play(1606, 30, 140.0)
    assert (found.flag, found.level) == (None, Level.NOTED)


def test_a_bed_goes_on_when_its_device_comes_back() -> None:
    before = flagged()
    before.wait(1600 + 7200)
    after = rebuilt(before)
    after.wait(1600 + 7205)
    found = after.play(1600 + 7300, 60, 140.0)
    assert found.signal is not SignalState.LOST
    assert found.t == (T0 + 1600 + 7359) * 1000
    numbers = [int(event.id.rpartition("-")[2]) for event in [*before.events, *after.events]]
    assert numbers == list(range(1, len(numbers) + 1))


def test_another_policy_says_what_it_lowers_and_what_it_raises() -> None:
    played = [(0, 700, 140.0), (700, 900, LOW_BPM)]
    calling = [c.name for c in RULES.policy.condition if c.rank > 0]
    patient = without(*calling)
    before = flagged()
    assert before.summary is not None
    known = before.summary.flag
    lowered = rebuilt(before, patient, played)
    lowered.play(1600, 6, LOW_BPM)
    (eased,) = [event for event in lowered.events if event.kind == "flag-eased"]
    assert eased.detail["flag"] == known

    calm = Ward(patient)
    calm.play(0, 700, 140.0)
    assert calm.play(700, 900, LOW_BPM).flag is None
    raised = rebuilt(calm, RULES, played)
    found = raised.play(1600, 6, LOW_BPM)
    assert raised.kinds() == ["flag-raised"], "nobody has been told of it so far"
    assert found.flag == "b-f1"


def test_the_same_rules_go_on_with_the_same_flag() -> None:
    before = flagged()
    assert before.summary is not None
    known = before.summary
    after = rebuilt(before, replayed=[(0, 700, 140.0), (700, 900, LOW_BPM)])
    found = after.play(1600, 6, LOW_BPM)
    assert (found.level, found.flag) == (known.level, known.flag)
    assert after.kinds() == []


def test_a_comment_in_a_policy_changes_nothing(tmp_path: Path) -> None:
    folder = Path(rule_file.__file__).parent / "rules"
    own = tmp_path / "own.toml"
    text = (folder / "attention.toml").read_text()
    own.write_text("# ours\n" + text.replace("[repeat]", "\n[repeat]  # as agreed\n"))
    other = rule_file.load(str(own))
    assert other.digest == RULES.digest
    checkpoint = State(RULES).to_bytes()
    assert State.from_bytes(checkpoint, other) is not None


def test_it_is_said_why_a_checkpoint_is_not_used() -> None:
    other = without("no-signal")
    checkpoint = State(RULES).to_bytes()
    assert State.from_bytes(checkpoint, other) is None
    assert State.why_not(checkpoint, other) == f"other rules ({RULES.digest}, now {other.digest})"
    assert State.why_not(b"\0" * 40, RULES) == "another version"


def test_an_answer_that_comes_with_the_first_second_after_a_rebuild_holds() -> None:
    before = flagged()
    now_s = 1600 + 3 * 3600
    known = before.wait(now_s)
    assert known.flag
    after = rebuilt(before)
    answer = CommandEnvelope((T0 + now_s) * 1000, Acknowledge("b", "Kim", known.flag))
    assert after.step(answer).acknowledged_by == "Kim"
    for later_s in range(1, 120):
        assert after.wait(now_s + later_s).acknowledged_by == "Kim"
    assert after.kinds() == ["flag-acknowledged"]
