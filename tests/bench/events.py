"""How well events are found in simulated labours with a known truth: `python -m tests.bench.events [--seeds 300-311]`.

Labours of ten hours with decelerations of all kinds (`tests/truth.py`), with good and with poor signal. Numbers of the
detector were chosen on other seeds than those of which figures are reported. For every rule set the kinds are set
against the true ones: of all, and of those whose true fall is not within 5 s of the limit between abrupt and gradual.
Of the latter it is said, too, what their kinds would be with the truth in place of something that was read: that is
where the confused ones come from.
"""

import argparse
from collections import Counter

from quietward.contracts.fields import HZ
from quietward.detect.assessment import Deceleration
from quietward.detect.core.alerting.rule_sets import RuleSet
from quietward.detect.core.arrays import LONG_AGO
from quietward.detect.core.patterns.decelerations import Kind, kind
from quietward.detect.core.patterns.excursions import DOWN, Excursion
from quietward.simulator.truth import Truth
from tests import truth
from tests.traces import RULES
from tests.truth import Report, Score

LOSSES = {"good": (0.02, 0.07), "poor": (0.15, 0.25)}
"""Shares of the FHR that are missing."""
HOURS = 10
KINDS = ("early", "late", "variable", "prolonged", "undetermined")


def line(name: str, s: Score) -> str:
    recall, precision = s.matched / max(1, s.true), s.matched / max(1, s.found)
    return (
        f"{name:24}{s.true:7}{s.found:7}{s.matched:9}{recall:9.3f}{precision:11.3f}{s.f1:8.3f}{s.onset_error_s:12.2f}"
    )


def confusion(kinds: Counter[tuple[str, str]]) -> str:
    """Return a table: true kinds downwards, found kinds across."""
    head = f"{'true / found':14}" + "".join(f"{kind:>14}" for kind in KINDS)
    rows = [f"{true:14}" + "".join(f"{kinds[true, found]:14}" for found in KINDS) for true in KINDS[:-1]]
    return "\n".join([head, *rows])


ALL_OF_IT = "onset nadir end contractions"
READ = {
    "what was read": "",
    "true onset": "onset",
    "true nadir": "nadir",
    "true end": "end",
    "true contractions": "contractions",
    "true onset, nadir, end": "onset nadir end",
    "all of it true": ALL_OF_IT,
}
"""What of a fall is put in from the truth before its kind is decided again."""


def decided(t: Truth, f: Deceleration, of_truth: str, report: Report, rules: RuleSet) -> str:
    """Return the kind of a fall with something true in place of what was read of it.

    What was read of contractions is how they were in the end; some were still going on when the fall was named.
    """
    onset_s = t.onset_s if "onset" in of_truth else f.onset_s
    nadir_s = t.extreme_s if "nadir" in of_truth else f.nadir_s
    end_s = t.end_s if "end" in of_truth else f.end_s
    if "contractions" in of_truth:
        all_of = [(c.onset_s, c.extreme_s, c.end_s) for c in report.true_contractions]
    else:
        all_of = [(c.onset_s, c.peak_s, c.end_s) for c in report.found_contractions]
    limits = RULES.reading.kind
    of_it = [c for c in all_of if c[0] <= nadir_s and c[2] >= onset_s - limits.late_within_s]
    onset, peak, end = (round(x * HZ) for x in max(of_it)) if of_it else (LONG_AGO, LONG_AGO, LONG_AGO)
    nadir, last = round(nadir_s * HZ), round(end_s * HZ)
    x = Excursion(
        n=0, row=DOWN, closed_at=last, onset=round(onset_s * HZ), reached_at=nadir, peak_at=nadir, end=last,
        height=f.depth_bpm, area=f.area_bpm_s, coverage=1.0, cut=False, new_level=False, kept=True, exact=False,
        contraction_onset=onset, contraction_peak=peak,
    )  # fmt: skip
    return Kind(kind(x, end, rules.deceleration, limits)).word


def share_right(reports: list[Report], rules: RuleSet, of_truth: str) -> float:
    """Return the share of right kinds of the falls in no doubt with so much put in from the truth."""
    told = _told(reports, rules, of_truth)
    return sum(is_right for is_right, _ in told) / max(1, len(told))


def _told(reports: list[Report], rules: RuleSet, of_truth: str) -> list[tuple[bool, bool]]:
    """Return of each fall in no doubt whether its kind would be right, and whether it was."""
    told = []
    for report in reports:
        for t, f in report.falls:
            if truth.is_sure(t, rules.name):
                true = truth.true_kind(t, rules.name, report.true_contractions)
                told.append((decided(t, f, of_truth, report, rules) == true, f.kinds[rules.name] == true))
    return told


def causes(reports: list[Report], rules: RuleSet) -> str:
    """Return what the share of right kinds in no doubt would be, and how many of the confused ones would be right."""
    lines = []
    for name, of_truth in READ.items():
        told = _told(reports, rules, of_truth)
        mended = sum(is_right and not was_right for is_right, was_right in told)
        confused = sum(not was_right for _, was_right in told)
        share = share_right(reports, rules, of_truth)
        lines.append(f"  with {name:24}{share:.3f} right, {mended:3} of {confused} confused ones")
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="300-311", help="first and last")
    options = parser.parse_args()
    first, last = (int(x) for x in options.seeds.split("-"))
    for signal, losses in LOSSES.items():
        made = [truth.labour(HOURS, losses[seed % 2], seed) for seed in range(first, last + 1)]
        print(f"{signal} signal, seeds {options.seeds}, {len(made) * HOURS} h")
        print(f"{'':24}{'true':>7}{'found':>7}{'matched':>9}{'recall':>9}{'precision':>11}{'F1':>8}{'onset s':>12}")
        for rules in RULES.rule_sets:
            reports = truth.report(made, rules.name)
            falls = truth.pooled([r.decelerations for r in reports])
            print(line(f"falls, {rules.name}", falls))
            if rules is RULES.rule_sets[0]:
                print(line("accelerations", truth.pooled([r.accelerations for r in reports])))
                print(line("contractions", truth.pooled([r.contractions for r in reports])))
            right, sure = truth.right(falls.kinds), truth.right(falls.sure)
            print(f"kinds by {rules.name}: {right:.3f} right, {sure:.3f} of the {falls.sure.total()} in no doubt:")
            print(confusion(falls.sure))
            print(causes(reports, rules))
        print()


if __name__ == "__main__":
    main()
