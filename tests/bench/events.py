"""How well events are found in simulated labours with a known truth: `python -m tests.bench.events [--seeds 300-311]`.

Labours of ten hours with decelerations of all kinds (`tests/truth.py`), with good and with poor signal. Numbers of the
detector were chosen on other seeds than those of which figures are reported. For every rule set the kinds are set
against the true ones: of all, and of those whose true fall is not within 5 s of the limit between abrupt and gradual.
"""

import argparse
from collections import Counter

from tests import truth
from tests.traces import RULES
from tests.truth import Score

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
        print()


if __name__ == "__main__":
    main()
