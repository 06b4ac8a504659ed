"""Where the time goes, as the parts count it themselves: how often each did a piece of work, and how long that took."""

import time
import urllib.request
from collections import defaultdict
from collections.abc import Sequence

from msgspec import Struct
from prometheus_client.parser import text_string_to_metric_families

from quietward.contracts.errors import Unreachable

STAGES = {
    "write": "quietward_ingest_write_seconds",
    "step": "quietward_step_seconds",
    "commit": "quietward_commit_seconds",
}
"""ingest: a batch to the store; detector: a step with its summaries; detector: a commit."""
ANSWERS_WITHIN_S = 10


class Stage(Struct, frozen=True):
    """One kind of work, of all workers together. mean_ms: None where there was none of it."""

    per_s: float
    mean_ms: float | None


class Stages:
    """Asks the parts that count on some ports of this machine: once when measuring begins, and once when it ends."""

    def __init__(self, ports: Sequence[int]) -> None:
        self.ports = ports
        self._before = self._counted()
        self._began = time.monotonic()

    def since(self) -> dict[str, Stage]:
        """Return what was done since the beginning. Raises Unreachable when a part does not answer."""
        passed_s = time.monotonic() - self._began
        counted = self._counted()
        stages = {}
        for name, family in STAGES.items():
            times, whole_s = (counted[key] - self._before[key] for key in (f"{family}_count", f"{family}_sum"))
            stages[name] = Stage(times / passed_s, whole_s / times * 1000 if times else None)
        return stages

    def _counted(self) -> defaultdict[str, float]:
        counted: defaultdict[str, float] = defaultdict(float)
        for port in self.ports:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=ANSWERS_WITHIN_S) as answer:
                    text = answer.read().decode()
            except OSError as error:
                raise Unreachable("counts of a part", port, f"It does not answer: {error}") from error
            for family in text_string_to_metric_families(text):
                if family.name in STAGES.values():
                    for sample in family.samples:
                        counted[sample.name] += sample.value
        return counted
