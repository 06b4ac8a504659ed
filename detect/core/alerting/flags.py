"""What attention remembers of each bed's flag and conditions, and the words for what becomes of them."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from quietward.detect.core.alerting.policy import NOTED, TEAM
from quietward.detect.core.arrays import Bools, Floats, Ints, array, index, switch
from quietward.detect.core.compiled import compiled
from quietward.detect.core.records import Rows, next_row

NOT_SUPPRESSED, COVERAGE, EXPLAINED, OFF, SHELVED, LOST, HIGHER = range(7)
WHY_SUPPRESSED = {
    COVERAGE: "not enough trace",
    EXPLAINED: "explained by another condition",
    OFF: "the monitor is off on purpose",
    SHELVED: "shelved",
    LOST: "the signal was lost before it had held long enough",
    HIGHER: "somebody has already answered a higher level",
}


class Attention(NamedTuple):
    """What attention remembers; seconds are the bed's own."""

    held_since: Ints = index(-1, "conditions")
    clear_since: Ints = index(-1, "conditions")
    active: Bools = switch("conditions")
    active_since: Ints = index(-1, "conditions")
    rank: Ints = index(0, "conditions")  # number of the level that an active condition asks for by now
    suppressed: Ints = index(NOT_SUPPRESSED, "conditions")
    acknowledged_for: Bools = switch("conditions")
    shelved_until: Ints = index(-1, "conditions")
    own_limit: Floats = array(np.nan, "conditions")
    own_limit_until: Ints = index(-1, "conditions")
    intervention_active: Bools = switch("conditions")  # counted when the intervention was recorded
    already_improving: Bools = switch(
        "conditions"
    )  # `helped` was already true at the intervention: no evidence of effect
    intervention_at: Ints = index(-1)  # second of the first intervention since the flag last alerted
    paused_until: Ints = index(-1)
    paused_from: Ints = index(-1)  # beginning of the first pause since the signal was last there
    silent_from: Ints = index(-1)  # since when what people pressed keeps it silent: its last call, or the first pause
    lost_in_pause: Bools = switch()
    level: Ints = index(0)
    from_conditions: Ints = index(0)  # what the conditions alone ask for
    escalated_level: Ints = index(0)  # what the flag has reached by waiting or by coming back
    level_since: Ints = index(-1)
    flag: Ints = index(0)  # number of the bed's newest flag
    carried: Ints = index(0)  # level of a flag from before a rebuild, until the trace can be judged; 0: none
    acknowledged: Bools = switch()
    acknowledged_at: Ints = index(-1)
    answers: Ints = index(0)  # to the same, since something was done
    noted: Ints = index(-1)  # condition that a bed without a flag names first; -1: it is quiet, or has a flag


(
    RAISED, WORSENED, ESCALATED, LOWERED, CLEARED, ACKNOWLEDGED, SHELVED_FLAG, RENEWED, REPEATED, RETURNED, UNRESOLVED
) = range(11)  # fmt: skip
WHAT = (
    "raised", "worsened", "escalated", "lowered", "eased", "acknowledged", "shelved", "renewed", "repeated", "returned",
    "unresolved",
)  # fmt: skip
"""What becomes of a flag, in words."""
SUPPRESSED, SHELF_OVER, OWN_LIMIT_OVER, PAUSE_OVER, IS_NOTED, IS_QUIET = range(6)
NOTICE_WORDS = ("held-back", "shelf-over", "own-limit-over", "pause-over", "noted", "noted-over")


@dataclass
class Change:
    """A flag of bed n has changed. what: one of RAISED to UNRESOLVED."""

    n: int
    what: int
    level: int
    flag: int

    @property
    def word(self) -> str:
        """What has become of it."""
        return WHAT[self.what]


@dataclass
class Notice:
    """Something beside the flag of bed n: suppressed (`why` says why), over, or noted without a flag.

    condition: -1 where there is none.
    """

    n: int
    what: int
    condition: int
    why: int = NOT_SUPPRESSED

    @property
    def word(self) -> str:
        """What it is."""
        return NOTICE_WORDS[self.what]


class Told(NamedTuple):
    """What is told of beds one after the other. before: room to work in, one place for each condition."""

    notices: Rows[Notice]
    changes: Rows[Change]
    before: Ints

    @classmethod
    def of(cls, beds: int, conditions: int) -> "Told":
        """Return room for so many beds at once."""
        return cls(
            Rows.of(Notice, beds * (3 * conditions + 2)), Rows.of(Change, beds), np.zeros(conditions, dtype=np.int64)
        )


@compiled
def add_notice(notices: Rows[Notice], n: int, what: int, condition: int, why: int) -> None:
    """Tell something beside the flag of bed n; see `Notice`."""
    notice = next_row(notices)
    notice.n, notice.what, notice.condition, notice.why = n, what, condition, why


@compiled
def counts(a: Attention, i: int, n: int) -> bool:
    """Return whether a condition asks for attention: active, not only noted, and not shelved unless for the team."""
    is_shelved = a.shelved_until[i, n] >= 0 and a.rank[i, n] < TEAM
    return bool(a.active[i, n] and a.rank[i, n] > NOTED and not is_shelved)


def counting_at(a: Attention, n: int) -> Bools:
    """Return which conditions of bed n ask for attention: active, and not shelved unless they ask for the team."""
    is_shelved = (a.shelved_until[:, n] >= 0) & (a.rank[:, n] < TEAM)
    counting: Bools = a.active[:, n] & (a.rank[:, n] > NOTED) & ~is_shelved
    return counting


@compiled
def is_there(a: Attention, i: int, n: int) -> bool:
    """Return whether a condition keeps a bed without a flag from being quiet: also one that is shelved or too new."""
    return bool(a.active[i, n] or a.suppressed[i, n] == COVERAGE)


def said_at(a: Attention, n: int) -> Bools:
    """Return which conditions the reason of bed n is made of: what counts for its flag and what is noted beside it.

    Without a flag: everything that keeps the bed from being quiet.
    """
    is_there: Bools = a.active[:, n] | (a.suppressed[:, n] == COVERAGE)
    return is_there & (counting_at(a, n) | (a.rank[:, n] == NOTED)) if a.level[n] > 0 else is_there
