"""Every measure worked out anew from what the plain reader of one bed has seen: slow, and as its definition says.

A function for each name in MEASURES. Written from the texts there, the rule files, NICHD 2008 and FIGO 2015 as
restated in the tests of the published definitions. Windows end now: `the last 30 minutes` are the 1,800 s up to the end
of the newest second, and an event is in them when its first sample is.
"""

import math
from collections.abc import Callable, Iterable

import numpy as np

from quietward.contracts.fields import HZ
from quietward.detect.core.alerting.rule_sets import RuleSet
from tests.oracle import NOTHING, READING, UA, Contraction, Fall, PlainBed, is_there

Reference = Callable[[PlainBed, RuleSet], float]
REFERENCE: dict[str, Reference] = {}
WITHIN = 1 / 64
"""The engine keeps depths, areas and the minutes' baselines in steps of so much: so sums are exact in any order."""

NOTABLE = READING.notable
MIN = 60


def measure(function: Reference) -> Reference:
    """Let a function be the reference of the measure it is named after."""
    REFERENCE[function.__name__] = function
    return function


def all_of(bed: PlainBed, rules: RuleSet) -> dict[str, float]:
    """Return every measure of one bed as one rule set sees it."""
    return {name: float(function(bed, rules)) for name, function in REFERENCE.items()}


def samples_of(bed: PlainBed, last_s: int) -> range:
    """Return the samples of the last so many seconds, those before the first left out."""
    return range(max(0, bed.seconds - last_s) * HZ, bed.now)


def began(bed: PlainBed, onset: int, last_s: int) -> bool:
    return onset > bed.now - last_s * HZ


def mean(values: list[float]) -> float:
    return sum(values) / len(values) if values else NOTHING


def share(part: float, whole: float, least: float = 1) -> float:
    return part / whole if whole >= least else NOTHING


# The baseline.


@measure
def baseline_bpm(bed: PlainBed, rules: RuleSet) -> float:
    return bed.baseline


@measure
def baseline_30min_bpm(bed: PlainBed, rules: RuleSet) -> float:
    ends = [minute * MIN + MIN - 1 for minute in range(bed.seconds // MIN)]
    return mean([bed.baselines[end] for end in ends[-30:] if is_there(bed.baselines[end])])


@measure
def baseline_change_1h_bpm(bed: PlainBed, rules: RuleSet) -> float:
    ends = [minute * MIN + MIN - 1 for minute in range(bed.seconds // MIN)]
    then = mean([bed.baselines[end] for end in ends[-65:-55] if is_there(bed.baselines[end])])
    return bed.baseline - then


def lasting(bed: PlainBed, holds: Callable[[float], bool]) -> float:
    """Seconds in a row in which the baseline was so; those in which it was undetermined neither count nor end it."""
    seconds = 0
    for bpm in reversed(bed.baselines):
        if is_there(bpm) and not holds(bpm):
            break
        seconds += is_there(bpm)
    return seconds


@measure
def baseline_below_100_s(bed: PlainBed, rules: RuleSet) -> float:
    return lasting(bed, lambda bpm: bpm < 100)


@measure
def baseline_below_110_s(bed: PlainBed, rules: RuleSet) -> float:
    return lasting(bed, lambda bpm: bpm < 110)


@measure
def baseline_above_160_s(bed: PlainBed, rules: RuleSet) -> float:
    return lasting(bed, lambda bpm: bpm > 160)


@measure
def baseline_unknown_s(bed: PlainBed, rules: RuleSet) -> float:
    """Seconds in a row up to now in which it was undetermined."""
    return next((age for age, bpm in enumerate(reversed(bed.baselines)) if is_there(bpm)), len(bed.baselines))


# Variability.


@measure
def variability_bpm(bed: PlainBed, rules: RuleSet) -> float:
    return round(bed.variability) if is_there(bed.variability) else NOTHING


@measure
def variability_change_1h_bpm(bed: PlainBed, rules: RuleSet) -> float:
    return bed.variability - mean([bpm for bpm in bed.bandwidths[-65:-55] if is_there(bpm)])


def minutes_in_a_row(holds: Iterable[bool | None]) -> float:
    """Count back from the newest minute; those of which nothing is known (None) neither count nor end it."""
    minutes = 0
    for held in reversed(list(holds)):
        if held is False:
            break
        minutes += held is True
    return minutes


def whole_bpm(bed: PlainBed, holds: Callable[[float], bool]) -> list[bool | None]:
    """Say of the end of every minute whether the mean bandwidth, rounded, was so."""
    means = [bed.variability_after(minute + 1) for minute in range(len(bed.bandwidths))]
    return [holds(round(bpm)) if is_there(bpm) else None for bpm in means]


@measure
def low_variability_min(bed: PlainBed, rules: RuleSet) -> float:
    return minutes_in_a_row(whole_bpm(bed, lambda bpm: bpm < READING.variability.low_below_bpm))


@measure
def high_variability_min(bed: PlainBed, rules: RuleSet) -> float:
    return minutes_in_a_row(whole_bpm(bed, lambda bpm: bpm > READING.variability.high_above_bpm))


@measure
def low_variability_share_30min(bed: PlainBed, rules: RuleSet) -> float:
    known = [x for x in bed.bandwidths[-30:] if is_there(x)]
    low = [x for x in known if round(x) <= NOTABLE.low_variability_bpm]
    return share(len(low), len(known), NOTABLE.least_minutes)


@measure
def smooth_share_30min(bed: PlainBed, rules: RuleSet) -> float:
    known = [x for x in bed.fine[-30:] if is_there(x)]
    return share(len([x for x in known if x < NOTABLE.smooth_below_bpm]), len(known), NOTABLE.least_minutes)


@measure
def sinusoidal_min(bed: PlainBed, rules: RuleSet) -> float:
    limits, known = READING.sinusoidal, [held for held in bed.waves if held is not None]
    first: int | None = None
    for i, held in enumerate(known):
        if first is None:
            first = i if held else None
            continue
        pattern = known[first : i + 1]
        only_others = len(pattern) > limits.over_after_min and not any(pattern[-limits.over_after_min :])
        if only_others or sum(pattern) < limits.least_share * len(pattern):
            first = None
    return 0 if first is None else max(i for i in range(first, len(known)) if known[i]) - first + 1


# How much of the signal there is, and of what kind.


def usable(bed: PlainBed, last_s: int) -> list[int]:
    """Return which of the last so many seconds' FHR samples could be used."""
    return [i for i in samples_of(bed, last_s) if i in bed.fhr]


def usable_ua(bed: PlainBed) -> list[int]:
    """Return which UA samples of the last 30 minutes were there and not flat."""
    return [i for i in samples_of(bed, 30 * MIN) if i in bed.ua and bed.ua_was_useful[i // HZ]]


@measure
def low_fhr_share_30min(bed: PlainBed, rules: RuleSet) -> float:
    there = usable(bed, 30 * MIN)
    low = [i for i in there if bed.fhr[i] < NOTABLE.low_fhr_bpm]
    return len(low) / max(len(there), NOTABLE.least_usable_s * HZ)


@measure
def fhr_usable_30min(bed: PlainBed, rules: RuleSet) -> float:
    return len(usable(bed, 30 * MIN)) / len(samples_of(bed, 30 * MIN))


@measure
def fhr_usable_1min(bed: PlainBed, rules: RuleSet) -> float:
    return len(usable(bed, MIN)) / len(samples_of(bed, MIN))


@measure
def ua_flat(bed: PlainBed, rules: RuleSet) -> float:
    return is_there(bed.rest) and not bed.ua_is_useful


@measure
def ua_usable_30min(bed: PlainBed, rules: RuleSet) -> float:
    return len(usable_ua(bed)) / len(samples_of(bed, 30 * MIN))


@measure
def near_mother_1min(bed: PlainBed, rules: RuleSet) -> float:
    there = usable(bed, MIN)
    return len(bed.near_mother.intersection(there)) / max(len(there), 1)


@measure
def near_mother_10min(bed: PlainBed, rules: RuleSet) -> float:
    last = samples_of(bed, 10 * MIN)
    return len(bed.near_mother.intersection(last)) / len(last)


@measure
def stepped(bed: PlainBed, rules: RuleSet) -> float:
    return bed.doubt.stepped or bed.stepped.levels is not None


@measure
def same_as_twin_1min(bed: PlainBed, rules: RuleSet) -> float:
    if bed.first is None:
        return 0
    limits, its = READING.twins, bed.first.fhr
    both = [i for i in usable(bed, MIN) if i in its]
    if len(both) < limits.least_s * HZ:
        return NOTHING
    near = [i for i in both if abs(bed.fhr[i] - its[i]) <= limits.within_bpm]
    if len({bed.fhr[i] for i in near}) < 2 or len({its[i] for i in near}) < 2:
        return 0
    correlation = np.corrcoef([bed.fhr[i] for i in near], [its[i] for i in near])[0, 1]
    return len(near) / len(both) if correlation >= limits.move_alike else 0


@measure
def signal_lost_s(bed: PlainBed, rules: RuleSet) -> float:
    seconds = 0
    while seconds < bed.seconds and not any((bed.seconds - 1 - seconds) * HZ + k in bed.fhr for k in range(HZ)):
        seconds += 1
    return seconds


@measure
def same_value_s(bed: PlainBed, rules: RuleSet) -> float:
    newest = bed.values[-1:]
    others = (age for age, bpm in enumerate(reversed(bed.values)) if [bpm] != newest)
    return next(others, len(bed.values)) / HZ


@measure
def second_stage(bed: PlainBed, rules: RuleSet) -> float:
    return bed.stage == 2


@measure
def weeks(bed: PlainBed, rules: RuleSet) -> float:
    return bed.weeks or NOTHING


@measure
def observed_min(bed: PlainBed, rules: RuleSet) -> float:
    return bed.seconds / MIN


# Decelerations and accelerations.


def falls(bed: PlainBed, last_s: int) -> list[Fall]:
    """Return what is a deceleration under any rule set and began in the last so many seconds."""
    return [fall for fall in bed.falls if began(bed, fall.onset, last_s)]


def counted(bed: PlainBed, last_s: int) -> list[Fall]:
    """Return those that are deep and long enough under both rule sets, and so are counted whatever the rule set."""
    return [
        fall
        for fall in falls(bed, last_s)
        if fall.depth >= NOTABLE.deceleration_bpm and fall.length_s >= NOTABLE.deceleration_s
    ]


def area_bpm_min(bed: PlainBed, last_s: int) -> float:
    now = bed.going_on
    return (sum(fall.area for fall in falls(bed, last_s)) + (now.area if now else 0.0)) / 60


@measure
def decelerations_30min(bed: PlainBed, rules: RuleSet) -> float:
    return len(counted(bed, 30 * MIN))


@measure
def unrelated_decelerations_30min(bed: PlainBed, rules: RuleSet) -> float:
    in_20, in_30 = ([c for c in bed.contractions if began(bed, c.onset, last)] for last in (20 * MIN, 30 * MIN))
    there = decelerations_30min(bed, rules)
    return there if len(in_20) < 2 else max(0, there - len(in_30))


@measure
def deceleration_area_30min(bed: PlainBed, rules: RuleSet) -> float:
    usable_s = max(len(usable(bed, 30 * MIN)) / HZ, NOTABLE.least_usable_s)
    return area_bpm_min(bed, 30 * MIN) / (usable_s / 600)


@measure
def severe_decelerations_30min(bed: PlainBed, rules: RuleSet) -> float:
    long = [fall for fall in falls(bed, 30 * MIN) if fall.length_s >= NOTABLE.severe_s]
    return len([x for x in long if x.depth >= NOTABLE.severe_depth_bpm or x.lowest < NOTABLE.severe_below_bpm])


def depths(bed: PlainBed) -> list[float]:
    now = bed.going_on
    return [fall.depth for fall in falls(bed, 30 * MIN)] + ([now.height] if now else [])


@measure
def deepest_30min_bpm(bed: PlainBed, rules: RuleSet) -> float:
    return max(depths(bed), default=0.0)


@measure
def repeated_or_long_depth_30min_bpm(bed: PlainBed, rules: RuleSet) -> float:
    """As if one of two minutes or more were there three times."""
    now = bed.going_on
    found = [(fall.depth, fall.length_s) for fall in falls(bed, 30 * MIN)] + (
        [(now.height, now.length_s)] if now else []
    )
    times = [depth for depth, length_s in found for _ in range(3 if length_s >= NOTABLE.prolonged_s else 1)]
    return sorted(times)[-3] if len(times) >= 3 else 0.0


@measure
def longest_30min_s(bed: PlainBed, rules: RuleSet) -> float:
    now = bed.going_on
    return max([fall.length_s for fall in falls(bed, 30 * MIN)] + [now.length_s if now else 0.0])


@measure
def recovery_between_s(bed: PlainBed, rules: RuleSet) -> float:
    return between([(fall.onset, fall.end) for fall in counted(bed, 30 * MIN)])


def between(spans: list[tuple[int, int]]) -> float:
    """Mean time from the end of one to the start of the next, seconds."""
    return mean([(spans[i + 1][0] - spans[i][1]) / HZ for i in range(len(spans) - 1)])


@measure
def decelerations_10min(bed: PlainBed, rules: RuleSet) -> float:
    now = bed.going_on
    is_one = now is not None and now.length_s >= NOTABLE.deceleration_s and now.height >= NOTABLE.deceleration_bpm
    return len(counted(bed, 10 * MIN)) + is_one


@measure
def deceleration_area_10min(bed: PlainBed, rules: RuleSet) -> float:
    return area_bpm_min(bed, 10 * MIN)


@measure
def running_s(bed: PlainBed, rules: RuleSet) -> float:
    now = bed.going_on
    return now.length_s if now else NOTHING if bed.left.end_is_unseen or bed.seen_fall else 0.0


@measure
def running_depth_bpm(bed: PlainBed, rules: RuleSet) -> float:
    now = bed.going_on
    return now.height if now else 0.0


@measure
def running_mean_depth_bpm(bed: PlainBed, rules: RuleSet) -> float:
    now = bed.going_on
    return now.mean_height if now else 0.0


@measure
def earlier_baseline_bpm(bed: PlainBed, rules: RuleSet) -> float:
    return bed.left.before_fall


@measure
def earlier_baseline_s(bed: PlainBed, rules: RuleSet) -> float:
    return max(bed.seconds - bed.left.fell_at, 0) if is_there(bed.left.before_fall) else NOTHING


@measure
def below_earlier_bpm(bed: PlainBed, rules: RuleSet) -> float:
    if not is_there(bed.left.before_fall):
        return 0.0
    now = bed.baseline if bed.left.back >= READING.earlier.back_for_s else bed.newest
    is_hidden = bed.left.end_is_unseen and bed.left.back > 0
    return NOTHING if is_hidden or not is_there(now) else max(0.0, bed.left.before_fall - now)


@measure
def fall_unseen_s(bed: PlainBed, rules: RuleSet) -> float:
    return bed.seen_fall.missed_s + bed.seconds - bed.seen_fall.at_s if bed.seen_fall else 0


@measure
def fall_seen_s(bed: PlainBed, rules: RuleSet) -> float:
    return bed.seen_fall.length_s if bed.seen_fall else 0.0


@measure
def fall_seen_bpm(bed: PlainBed, rules: RuleSet) -> float:
    return bed.seen_fall.below if bed.seen_fall else 0.0


@measure
def accelerations_30min(bed: PlainBed, rules: RuleSet) -> float:
    return min(len([rise for rise in bed.rises if began(bed, rise.onset, 30 * MIN)]), 48)


# Kinds of decelerations, by rule set.


def per_contraction(bed: PlainBed, rules: RuleSet, kinds: set[str], last_s: int) -> float:
    """Decelerations of these kinds for each contraction; unknown with fewer than two: half of one is no pattern."""
    per = share(of_kind(bed, rules, kinds, last_s), len(over(bed, last_s)), 2)
    return 1.0 if per > 1 else per


def of_kind(bed: PlainBed, rules: RuleSet, kinds: set[str], last_s: int) -> int:
    return len([fall for fall in falls(bed, last_s) if fall.kinds[rules.name] in kinds])


@measure
def late_share_20min(bed: PlainBed, rules: RuleSet) -> float:
    return per_contraction(bed, rules, {"late"}, 20 * MIN)


@measure
def variable_share_20min(bed: PlainBed, rules: RuleSet) -> float:
    return per_contraction(bed, rules, {"variable"}, 20 * MIN)


@measure
def late_or_prolonged_share_20min(bed: PlainBed, rules: RuleSet) -> float:
    return per_contraction(bed, rules, {"late", "prolonged"}, 20 * MIN)


@measure
def late_or_prolonged_share_30min(bed: PlainBed, rules: RuleSet) -> float:
    return per_contraction(bed, rules, {"late", "prolonged"}, 30 * MIN)


@measure
def deceleration_share_30min(bed: PlainBed, rules: RuleSet) -> float:
    any_kind = {"early", "late", "variable", "prolonged", "undetermined"}
    return per_contraction(bed, rules, any_kind, 30 * MIN)


@measure
def late_or_variable_30min(bed: PlainBed, rules: RuleSet) -> float:
    return of_kind(bed, rules, {"late", "variable"}, 30 * MIN)


@measure
def prolonged_30min(bed: PlainBed, rules: RuleSet) -> float:
    return of_kind(bed, rules, {"prolonged"}, 30 * MIN)


# Contractions.


def over(bed: PlainBed, last_s: int, until_s: int = 0) -> list[Contraction]:
    """Return the contractions that are over and began in the last so many seconds, and not in the last `until_s`."""
    return [c for c in bed.contractions if began(bed, c.onset, last_s) and not began(bed, c.onset, until_s)]


def going_on_onset(bed: PlainBed) -> list[int]:
    return [bed.machines[UA].onset] if bed.machines[UA].open else []


def rate_is_known(bed: PlainBed) -> bool:
    return bed.ua_is_useful and len(usable_ua(bed)) >= NOTABLE.contractions_after_s * HZ


@measure
def contractions_per_10min(bed: PlainBed, rules: RuleSet) -> float:
    if not rate_is_known(bed) or bed.first is not None:
        return NOTHING
    seen, whole = len(usable_ua(bed)), len(samples_of(bed, 30 * MIN))
    minutes = (whole if seen >= NOTABLE.whole_ua_share * whole else seen) / HZ / MIN
    return (len(over(bed, 30 * MIN)) + len(going_on_onset(bed))) / max(minutes, 10) * 10


@measure
def contractions_busiest_20min(bed: PlainBed, rules: RuleSet) -> float:
    if not rate_is_known(bed):
        return NOTHING
    newest = len(over(bed, 10 * MIN)) + len(going_on_onset(bed))
    before, first = len(over(bed, 20 * MIN, 10 * MIN)), len(over(bed, 30 * MIN, 20 * MIN))
    return max(min(newest, before), min(before, first))


@measure
def tachysystole(bed: PlainBed, rules: RuleSet) -> float:
    rate, rule = contractions_per_10min(bed, rules), rules.tachysystole
    if not is_there(rate):
        return NOTHING
    allowed = rule.over_per_10min_second_stage if bed.stage == 2 else rule.over_per_10min
    in_two_windows = rule.two_successive_windows and contractions_busiest_20min(bed, rules) > allowed
    return rate > allowed or in_two_windows


def interval_s(starts: list[int]) -> float:
    return mean([(starts[i + 1] - starts[i]) / HZ for i in range(len(starts) - 1)])


def duration_s(found: list[Contraction]) -> float:
    return mean([(c.end - c.onset) / HZ for c in found])


@measure
def contraction_interval_s(bed: PlainBed, rules: RuleSet) -> float:
    found = [c.onset for c in over(bed, 30 * MIN)]
    return interval_s(found + going_on_onset(bed)) if found else NOTHING


@measure
def contraction_duration_s(bed: PlainBed, rules: RuleSet) -> float:
    return duration_s(over(bed, 30 * MIN))


@measure
def contraction_rest_s(bed: PlainBed, rules: RuleSet) -> float:
    return between([(c.onset, c.end) for c in over(bed, 30 * MIN)])


@measure
def contraction_interval_change(bed: PlainBed, rules: RuleSet) -> float:
    return contraction_interval_s(bed, rules) / interval_s([c.onset for c in over(bed, 60 * MIN, 30 * MIN)])


@measure
def contraction_duration_change(bed: PlainBed, rules: RuleSet) -> float:
    return duration_s(over(bed, 30 * MIN)) / duration_s(over(bed, 60 * MIN, 30 * MIN))


@measure
def contraction_since_s(bed: PlainBed, rules: RuleSet) -> float:
    starts = [c.onset for c in bed.contractions] + going_on_onset(bed)
    return (bed.now - max(starts)) / HZ if starts else NOTHING


@measure
def unread_contractions_30min(bed: PlainBed, rules: RuleSet) -> float:
    def is_read(c: Contraction) -> bool:
        whole = range(c.onset // HZ * HZ, c.over_at)
        return sum(i in bed.fhr for i in whole) >= NOTABLE.read_share * len(whole)

    return sum(not is_read(c) for c in over(bed, 30 * MIN))


def same(a: float, b: float, within: float = 0.0) -> bool:
    """Equal within so much; unknown only where the other is unknown too."""
    return (math.isnan(a) and math.isnan(b)) or abs(a - b) <= within
