"""How far a policy chosen on some records carries to others: `python -m tests.bench.policy_choice FOLDER`.

FOLDER holds WFDB records with expert votes, as `detect/calibrate.py` reads them. Nested: the records are parted into
folds; for each, the points of the concern are fitted and a policy is chosen on the other folds, and both are applied to
the records left out. The choice: of the policies that raise bedside and team at most `--most` times an hour on normal
records, the one that reaches most of those that were called pathological in step 1 or 2; of equal ones, the one that
calls least. Nobody answers. Intervals are percentiles of a bootstrap over records. The default policy stands beside it
twice: as it is, its numbers and points having seen every record, and with points that have not seen the record.
"""

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np

from quietward.contracts.notice import NOTICE
from quietward.detect import rule_file
from quietward.detect.calibrate import Window, fit, read, windows
from quietward.detect.core.alerting.policy import Policy
from quietward.detect.core.arrays import Floats, Ints
from quietward.detect.core.state.rules import Rules
from quietward.recordings.files import read_recording
from quietward.recordings.recording import Recording
from quietward.study.alarms import PolicyAlarms
from quietward.study.evaluations import Evaluations, evaluate_beds
from quietward.study.plan import Cases, Study, StudyLimit, Variant, Varied, plan_study
from tests.bench.attention import groups

FOLDS, SEED, DRAWS = 5, 0, 2000
VARIED = {
    "concern-high.limit": (50, 52, 55, 58, 62, 66),
    "concern-high.hold_s": (45, 120, 300),
    "concern-raised.limit": (44, 48, 52),
    "escalation.look_after_s": (1200, 1800),
    "fall-not-back.hold_s": (15, 60),
}
NORMAL, PATHOLOGICAL, ANY = "normal", "pathological in step 1 or 2", "pathological in any step"


@dataclass(frozen=True)
class Calls:
    """What some policies do to each record, shape (policies, records). hours: shape (records,)."""

    urgent: Ints
    looks: Ints
    hours: Floats

    def per_hour(self, policy: int, records: Ints) -> tuple[float, float]:
        """Return raisings of bedside and team, and of all levels, per bed-hour."""
        hours, urgent = self.hours[records].sum(), self.urgent[policy, records].sum()
        return float(urgent / hours), float((urgent + self.looks[policy, records].sum()) / hours)

    def reached(self, policy: int, records: Ints) -> tuple[float, float]:
        """Return the shares of records with bedside or team, and with any call."""
        urgent, looks = self.urgent[policy, records] > 0, self.looks[policy, records] > 0
        return float(urgent.mean()), float((urgent | looks).mean())


def count(evaluations: Evaluations, policies: list[Policy], hours: Floats) -> Calls:
    """Run policies over records, nobody answering."""
    urgent, looks = np.zeros((2, len(policies), evaluations.beds), dtype=np.int64)
    alarms = PolicyAlarms(evaluations, policies)
    while np.isfinite(alarms.next_s()):
        for call in alarms.step():
            (urgent if call.level > 1 else looks)[call.variant, call.bed] += 1
    return Calls(urgent, looks, hours)


def evaluate(records: list[Recording], rules: Rules) -> Evaluations:
    """Measure all records once."""
    n = len(records)
    return evaluate_beds([r.fhr for r in records], [r.ua for r in records], [np.inf] * n, [0] * n, rules)


def chosen(calls: Calls, normal: Ints, pathological: Ints, most: float) -> int:
    """Return the place of the policy that these records choose."""

    def worth(policy: int) -> tuple[float, ...]:
        urgent, all_levels = calls.per_hour(policy, normal)
        over = max(0.0, urgent - most)
        return (-over, calls.reached(policy, pathological)[0], -all_levels)

    return max(range(len(calls.urgent)), key=worth)


def refitted(rules: Rules, shares: Floats, judged: list[Window], seen: set[str]) -> Rules:
    """Return the rules with points of the concern that were fitted on some records only."""
    own = np.array([w.record in seen for w in judged])
    mean_vote, majority = np.array([np.mean(w.votes) for w in judged]), np.array([w.majority for w in judged])
    points, start, two, three = fit(shares[own], mean_vote[own], majority[own])
    finding = [
        msgspec.structs.replace(f, points=p) for f, p in zip(rules.concern.finding, points.tolist(), strict=True)
    ]
    concern = msgspec.structs.replace(rules.concern, finding=finding, start=start, class_2_from=two, class_3_from=three)
    return replace(rules, concern=concern)


def interval(values: Floats) -> str:
    """Return the middle 95 % in words."""
    low, high = np.percentile(values, (2.5, 97.5))
    return f"{low:.2f} to {high:.2f}"


def told(title: str, calls: Calls, places: dict[str, Ints]) -> None:
    """Print what was measured outside, calls of shape (1, records), with intervals."""
    rng = np.random.default_rng(SEED)
    drawn = {
        group: [records[rng.integers(0, len(records), len(records))] for _ in range(DRAWS)]
        for group, records in places.items()
    }
    print(title)
    for k, what in enumerate(("bedside and team", "all levels")):
        value = calls.per_hour(0, places[NORMAL])[k]
        draws = np.array([calls.per_hour(0, records)[k] for records in drawn[NORMAL]])
        print(f"  {what + ' an hour, normal':52} {value:.3f} ({interval(draws)})")
    for group in (PATHOLOGICAL, ANY):
        for k, what in enumerate(("bedside or team", "any call")):
            value = calls.reached(0, places[group])[k]
            draws = np.array([calls.reached(0, records)[k] for records in drawn[group]])
            of = f"{round(value * len(places[group]))} of {len(places[group])}"
            print(f"  {group + ', ' + what:52} {value:.1%}, {of} ({interval(draws)})")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--most", type=float, default=0.15, help="raisings of bedside and team an hour, normal records")
    parser.add_argument("--seed", type=int, default=SEED, help="of the folds")
    options = parser.parse_args()
    rules, judged, by_group = rule_file.load(), windows(options.folder), groups(options.folder)
    names = sorted({name for group in by_group.values() for name in group})
    records = [read_recording(options.folder / f"{name}.hea") for name in names]
    places = {title: np.array([names.index(name) for name in group]) for title, group in by_group.items()}
    named = variants(options.folder)
    policies = [v.policy for v in named if v.policy is not None]
    hours = np.array([r.seconds / 3600 for r in records])
    print(f"{len(records)} records, {len(policies)} policies, {FOLDS} folds. {NOTICE}", file=sys.stderr)
    as_it_is = count(evaluate(records, rules), policies[:1], hours)
    shares, _ = read(options.folder, judged, rules)
    order = np.random.default_rng(options.seed).permutation(len(names))
    nothing = np.zeros((1, len(names)), dtype=np.int64)
    outside, default = (Calls(nothing.copy(), nothing.copy(), hours) for _ in range(2))
    picked: Counter[str] = Counter()
    for k in range(FOLDS):
        left_out = order[k::FOLDS]
        seen = {w.record for w in judged} - {names[i] for i in left_out}
        calls = count(evaluate(records, refitted(rules, shares, judged, seen)), policies, hours)
        inside = {title: own[~np.isin(own, left_out)] for title, own in places.items()}
        best = chosen(calls, inside[NORMAL], inside[PATHOLOGICAL], options.most)
        picked[named[best].name] += 1
        for result, policy in ((outside, best), (default, 0)):
            result.urgent[0, left_out] = calls.urgent[policy, left_out]
            result.looks[0, left_out] = calls.looks[policy, left_out]
        print(f"fold {k + 1} of {FOLDS}: {named[best].name}", file=sys.stderr, flush=True)
    told("the default policy as it is (has seen these records)", as_it_is, places)
    told("the default policy, points of the concern fitted on other records", default, places)
    told("policy chosen and points fitted on other records", outside, places)


def variants(folder: Path) -> list[Variant]:
    """Return the default policy, and those of the grid."""
    vary = [Varied(key, list(values)) for key, values in VARIED.items()]
    cases, limit = [Cases(hours=1.5, recordings=str(folder))], StudyLimit(interruptions_per_nurse_hour=1)
    return plan_study(Study("policy choice", "which policy to take", cases, limit, vary=vary), "here").variants


if __name__ == "__main__":
    main()
