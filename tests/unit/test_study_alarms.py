"""The alarms of studies are those of the live system, and the plain ones are what their words say."""

from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from quietward.contracts.fields import HZ
from quietward.contracts.log import CALLING, Event
from quietward.detect.core import engine
from quietward.detect.core.alerting.policy import Policy
from quietward.detect.core.arrays import Floats
from quietward.detect.core.state.state import State
from quietward.simulator import bed, shift
from quietward.study import simulation
from quietward.study.alarms import (
    AlarmChange,
    AlarmEdge,
    NotedTime,
    PlainAlarms,
    PolicyAlarms,
    SpeakAgain,
    class_alarm_edges,
    limit_alarm_edges,
)
from quietward.study.cases import MeasuredShifts
from quietward.study.evaluations import Evaluations
from quietward.study.plan import AlarmTimes, StudyPlan
from tests.studies import TABLE, measured_shifts, small

CallCount = dict[int, list[tuple[float, int]]]
RANKS = {"look": 1, "bedside": 2, "team": 3}


def alone(alarms: PolicyAlarms) -> list[AlarmChange]:
    while np.isfinite(alarms.next_s()):
        alarms.step()
    return alarms.changes


def by_bed(told: list[AlarmChange], variant: int = 0) -> CallCount:
    found: CallCount = defaultdict(list)
    for one in told:
        if one.variant == variant:
            found[one.bed].append((one.t_s, one.level))
    return found


def run_shift(found: MeasuredShifts) -> list[Event]:
    """Return what the live detector's own core says."""
    rules, n = small().rules, found.evaluations.beds
    state, events = State(rules, [str(i) for i in range(n)], [""] * n), list[Event]()
    fhr, ua = (signal.reshape(n, -1, HZ) for signal in (found.fhr, uterine_activity(found)))
    known = [t for t in found.truth if t is not None]
    weeks = np.array([t.weeks for t in known])
    stage_2 = np.array([t.second_stage_from_s or np.inf for t in known])
    for second in range(fhr.shape[1]):
        engine.advance(
            state, np.arange(n), np.full(n, second), fhr[:, second].T, ua[:, second].T, np.full(n, np.nan), events,
            np.where(stage_2 <= second, 2, 1), weeks,
        )  # fmt: skip
    return events


def levels(events: list[Event]) -> CallCount:
    told: CallCount = defaultdict(list)
    for event in events:
        if event.kind.startswith("flag-"):
            level = 0 if event.kind == "flag-eased" else RANKS[str(event.detail["level"])]
            told[int(event.bed)].append((event.t / 1000, level))
    return told


def noted(events: list[Event]) -> list[NotedTime]:
    """Return when the detector says that a bed is noted; a change of its reason ends nothing."""
    since: dict[int, float] = {}
    found = []
    for event in events:
        bed_place, t_s = int(event.bed), event.t / 1000
        if event.kind == "noted":
            since.setdefault(bed_place, t_s)
        elif event.kind in ("noted-over", "flag-raised") and bed_place in since:
            found.append(NotedTime(0, bed_place, since.pop(bed_place), t_s))
    return found + [NotedTime(0, bed_place, since_s, np.inf) for bed_place, since_s in since.items()]


def uterine_activity(found: MeasuredShifts) -> Floats:
    whole = []
    for case in found.cases:
        for i, (scenario, skip_s) in enumerate(shift.placed(shift.load(case.shift), case.seed)):
            labour = bed.simulate(scenario, shift.bed_seed(case.seed, i), skip_s + round(case.hours * 3600))
            whole.append(labour.ua[skip_s * HZ :])
    return np.array(whole)


def test_a_policy_says_what_the_live_system_says() -> None:
    found = measured_shifts()
    alarms, said = PolicyAlarms(found.evaluations, policies()[:1]), run_shift(found)
    told = by_bed(alone(alarms))
    assert told == levels(said)
    assert sum(len(changes) for changes in told.values()) > 8
    assert sorted(alarms.noted()) == sorted(noted(said))
    assert len(noted(said)) > 8


def policies() -> list[Policy]:
    return [v.policy for v in small().variants if v.policy is not None]


def test_policies_side_by_side_say_what_each_says_alone() -> None:
    found = measured_shifts().evaluations
    together = alone(PolicyAlarms(found, policies()))
    for v, policy in enumerate(policies()):
        assert by_bed(together, v) == by_bed(alone(PolicyAlarms(found, [policy]))), v
    different = {tuple(sorted((n, tuple(x)) for n, x in by_bed(together, v).items())) for v in range(len(policies()))}
    assert len(different) >= 4, "their numbers matter; two of them change nothing in these shifts"


def test_who_answers_is_not_called_again_for_the_same() -> None:
    found = measured_shifts().evaluations
    silent, answered = (PolicyAlarms(found, policies()[:1]) for _ in range(2))
    calls: dict[bool, Counter[str]] = {False: Counter(), True: Counter()}
    for alarms, answers in ((silent, False), (answered, True)):
        while np.isfinite(t_s := alarms.next_s()):
            for call in alarms.step():
                assert call.what in CALLING
                assert alarms.level(0, call.bed) == call.level
                calls[answers][call.what] += 1
                if answers:
                    alarms.answer(0, call.bed, t_s)
                    assert alarms.level(0, call.bed) == 0
    assert calls[False]["escalated"] > 0
    assert calls[True]["escalated"] == 0
    for what in ("raised", "worsened", "renewed"):
        assert calls[True][what] == calls[False][what]


def by_hand(fhr: list[float | None], for_s: float) -> list[tuple[int, bool]]:
    """Say sample by sample when an alarm outside 110 to 160 begins and ends."""
    outside = inside = 0
    is_on, found = False, []
    for i, bpm in enumerate(fhr):
        if bpm is None:
            continue
        is_outside = not 110 <= bpm <= 160
        outside, inside = (outside + 1, 0) if is_outside else (0, inside + 1)
        if not is_on and outside >= max(1, for_s * HZ):
            is_on = True
            found.append((i + 1, True))
        elif is_on and inside >= 10 * HZ:
            is_on = False
            found.append((i + 1, False))
    return found


@given(
    st.lists(
        st.tuples(st.sampled_from([None, 90.0, 109.75, 110.0, 140.0, 160.0, 160.25]), st.integers(1, 90)), max_size=12
    ),
    st.sampled_from([0, 5, 10, 14, 19]),
)
def test_limits_are_crossed_for_their_time(pieces: list[tuple[float | None, int]], for_s: float) -> None:
    fhr = [bpm for bpm, count in pieces for _ in range(count)]
    signal = np.array([np.nan if bpm is None else bpm for bpm in fhr])
    found = limit_alarm_edges(signal, 110, 160, for_s, 1, 0)
    assert [(round(t.t_s * HZ), t.level == 1) for t in found] == by_hand(fhr, for_s)


def test_a_rule_set_at_its_word_asks_when_its_class_changes() -> None:
    classes = np.array([0, 1, 2, 2, 3, 3, 1, 2.0])
    looks = Evaluations(1, np.arange(8) * 60, np.zeros(8, dtype=np.int64), np.zeros(8, dtype=bool), {})
    edges = [AlarmEdge(120, 0, 1), AlarmEdge(240, 0, 2), AlarmEdge(360, 0, 0), AlarmEdge(420, 0, 1)]
    assert class_alarm_edges(looks, classes) == edges


TIMES = SpeakAgain((np.inf, 1200.0, 600.0, np.inf), (np.inf, 3600.0, 1800.0, 900.0))


def heard(
    edges: list[AlarmEdge], answered_s: Sequence[float] = (), ends_s: float = 36000.0
) -> list[tuple[float, int, str]]:
    """Return what a plain alarm of one bed calls: when, at which level, why."""
    alarms, found = PlainAlarms(["plain"], [edges], [TIMES], [ends_s]), []
    waiting = sorted(answered_s)
    while (t_s := min([alarms.next_s(), *waiting[:1]])) < np.inf:
        if waiting[:1] == [t_s]:
            alarms.answer(0, 0, waiting.pop(0))
        else:
            found += [(call.t_s, call.level, call.what) for call in alarms.step()]
    return found


def test_a_plain_alarm_that_nobody_answers_goes_one_level_up_once() -> None:
    on, off = AlarmEdge(100.0, 0, 1), AlarmEdge(9000.0, 0, 0)
    assert heard([on, off]) == [(100.0, 1, "raised"), (1300.0, 2, "escalated")]
    assert heard([on, AlarmEdge(1299.0, 0, 0)]) == [(100.0, 1, "raised")]
    again = [(9100.0, 1, "raised"), (10300.0, 2, "escalated")]
    assert heard([on, off, AlarmEdge(9100.0, 0, 1)])[2:] == again


def test_an_answered_plain_alarm_is_silent_and_then_repeated() -> None:
    on, off = AlarmEdge(100.0, 0, 2), AlarmEdge(2500.0, 0, 0)
    raised, repeated = (100.0, 2, "raised"), (2000.0, 2, "repeated")
    assert heard([on, off], [200.0]) == [raised, repeated]
    assert heard([on], [200.0]) == [raised, repeated, (2600.0, 3, "escalated")]
    assert heard([on, AlarmEdge(1999.0, 0, 0)], [200.0]) == [raised]
    assert heard([on], [200.0], ends_s=1999.0) == [raised], "after its signal has ended a bed is not watched"


def test_a_class_that_worsens_at_a_bed_that_has_gone_up_calls_and_goes_up_no_more() -> None:
    edges = [AlarmEdge(0.0, 0, 1), AlarmEdge(2000.0, 0, 2), AlarmEdge(5000.0, 0, 1)]
    assert heard(edges) == [(0.0, 1, "raised"), (1200.0, 2, "escalated"), (2000.0, 2, "worsened")]


def test_plain_alarms_speak_again_after_the_times_of_the_policy_or_of_the_study() -> None:
    *_, plain = small().variants
    base = small().variants[0].policy
    assert base is not None
    assert plain.alarm_times == AlarmTimes(
        base.escalation.look_after_s, base.escalation.bedside_after_s, base.repeat.look_s, base.repeat.bedside_s,
        base.repeat.team_s,
    )  # fmt: skip
    own = {"look_after_s": 60, "look_repeats_s": 0}
    plan = small(alarm_times=own, vary=[], alarm=TABLE["alarm"][:1])
    measured = measured_shifts()

    def words(planned: StudyPlan) -> Counter[str]:
        alarms, found = simulation.alarms_of(measured, planned.variants[-1:]), Counter[str]()
        while np.isfinite(t_s := alarms.next_s()):
            for call in alarms.step():
                found[call.what] += 1
                if call.bed % 2:
                    alarms.answer(0, call.bed, t_s)
        return found

    usual, sooner = words(small(vary=[], alarm=TABLE["alarm"][:1])), words(plan)
    assert sooner["escalated"] > usual["escalated"]
    assert sooner["repeated"] == 0


def test_waiting_takes_away_calls_that_stood_for_nothing() -> None:
    """14 s took away half of such alarms (Görges and others, Anesth Analg 2009;108:1546): here at least that."""
    found = measured_shifts()
    counts = [
        sum(t.level > 0 for fhr in found.fhr for t in limit_alarm_edges(fhr, 110, 160, s, 1, 0)) for s in (0, 14, 19)
    ]
    assert counts[0] > 100
    assert counts[2] < counts[1] <= counts[0] / 2
