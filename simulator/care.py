"""Pure: what staff do relieves something, often, not always, and not at once.

What the n-th turning of one woman relieves is the same whatever else is done to her, and when: courses in which staff
do things in another order differ by what is done, not by luck.
"""

import random
from collections import Counter

from quietward.contracts.commands import CareKind
from quietward.simulator.physiology import Relief, responses
from quietward.simulator.truth import Helped, Span


class Care:
    """What has been done at one bed, and what it relieves."""

    def __init__(self, seed: str) -> None:
        self._seed = seed
        self._times: Counter[CareKind] = Counter()
        self._spans: list[Span] = []
        self.done: list[Helped] = []

    def did(self, what: CareKind, t_s: float) -> Helped:
        """Draw what something done at `t_s` relieves."""
        self._times[what] += 1
        rng = random.Random(f"{self._seed} {what} {self._times[what]}")
        relieved: list[Span] = []
        for response in responses():
            if response.to != what:
                continue
            drawn, after_s = rng.random(), rng.uniform(*response.after_s)
            lasts_s = rng.uniform(*response.for_min) * 60
            if drawn < response.probability:
                relieved.append(Span(response.relieves, t_s + after_s, t_s + after_s + lasts_s))
        self._spans += relieved
        self.done.append(Helped(t_s, what, relieved))
        return self.done[-1]

    def relieves(self, what: Relief, t_s: float) -> bool:
        """Whether something is relieved at a moment."""
        return any(span.what == what and span.from_s <= t_s < span.until_s for span in self._spans)

    def forget(self, t_s: float) -> None:
        """Drop what was done, and what it relieved until then."""
        self._spans = [span for span in self._spans if span.until_s >= t_s]
        self.done.clear()
