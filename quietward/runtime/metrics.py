"""Metrics of every service, for Prometheus: all names on one page.

A service counts in its own process and serves the metrics on its own port (`QUIETWARD_METRICS_PORT`), together with
what prometheus-client reports of any process (CPU time, memory). Nothing here is about a patient: beds are counted,
never named.
"""

import contextlib
import logging
from collections import Counter as Counts
from collections.abc import Callable, Iterable

from prometheus_client import REGISTRY, Counter, Gauge, Histogram, Info, start_http_server
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.metrics_core import Metric
from prometheus_client.registry import Collector

from quietward import __version__
from quietward.contracts.errors import Unreachable
from quietward.contracts.settings import Settings
from quietward.contracts.summary import Level, SignalState, Summary

log = logging.getLogger("quietward")

FAST = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10)
"""Bucket limits of delays, s: from a step of the detector to a service that stood still."""

# Every service
BUILD = Info("quietward_build", "Version of this process.")
TROUBLES = Gauge("quietward_troubles", "What of this worker's last second was not worked through: how many.", ["part"])
HOLDS = Gauge("quietward_holds", "1 for each number that this process holds, 0 for all others.", ["kind", "number"])
TAKEN_OVER = Counter("quietward_taken_over", "Numbers that this process has begun to hold.", ["kind"])
HEARTBEATS = Counter("quietward_heartbeats", "Reports of a worker on itself that were written.", ["part"])
WAITS = Counter("quietward_waits", "Times that broker or store did not do what was asked and were waited for.")

# simulate, replay
SENT = Counter("quietward_sent", "Messages that a device has put on its way, first time or again.")
UNANSWERED = Gauge("quietward_unanswered", "Messages that the broker has not answered for.")

# ingest
MESSAGES = Counter("quietward_messages", "Messages taken from the broker.")
REFUSED = Counter("quietward_refused", "Messages that could not be used.", ["reason"])
IGNORED = Counter("quietward_ignored_fields", "Messages that were used but for fields that are not known here.")
BROKER = Gauge("quietward_broker_connected", "1 while every slot of this ingest hears its broker.")
BATCH = Histogram("quietward_batch", "Messages taken in one go.", buckets=(1, 2, 5, 10, 20, 50, 100, 500, 1000, 5000))
WRITING = Histogram("quietward_ingest_write_seconds", "From a batch in hand to all of it in the store.", buckets=FAST)

# detect
WORKED = Counter("quietward_bed_seconds", "Seconds of beds that were worked through.")
UNUSED = Counter("quietward_bed_seconds_unused", "Seconds of beds that came twice or too late.", ["reason"])
EVENTS = Counter("quietward_events", "Lines written to logs and trends.", ["kind"])
STEP = Histogram("quietward_step_seconds", "One step of the detection core, with summaries.", buckets=FAST)
COMMIT = Histogram("quietward_commit_seconds", "One commit.", buckets=FAST)
DELAY = Histogram("quietward_delay_seconds", "From a second's arrival at ingest to its commit.", buckets=FAST)

# serve
PAGES = Gauge("quietward_pages", "Pages that are open.")
FRAMES = Histogram("quietward_frame_seconds", "From a look at the store to a frame for all pages.", buckets=FAST)
ACTS = Counter("quietward_acts", "What people did on pages.", ["kind"])


class Shards(Collector):
    """Shards of a detector: beds by level and by signal state, and how far each shard lags behind its input."""

    def __init__(self) -> None:
        self._beds: dict[int, dict[str, tuple[Level, SignalState]]] = {}
        self._behind_s: dict[int, Callable[[], float | None]] = {}

    def hold(self, shard: int, behind_s: Callable[[], float | None]) -> None:
        """Add a shard. behind_s: called at every collection; None before the first commit."""
        self._beds[shard], self._behind_s[shard] = {}, behind_s

    def let_go(self, shard: int) -> None:
        """Remove a shard that another detector holds now."""
        self._beds.pop(shard, None)
        self._behind_s.pop(shard, None)

    def note(self, shard: int, summaries: Iterable[Summary]) -> None:
        """Note the state of beds. One that nobody is in has none."""
        beds = self._beds[shard]
        for summary in summaries:
            if summary.is_empty:
                beds.pop(summary.bed, None)
                continue
            beds[summary.bed] = summary.level, summary.signal

    def collect(self) -> Iterable[Metric]:
        """Called in the server's thread: everything is copied before it is iterated over."""
        beds = [state for shard in list(self._beds.values()) for state in list(shard.values())]
        for name, kinds, index in (("level", Level, 0), ("signal", SignalState, 1)):
            family = GaugeMetricFamily(f"quietward_beds_by_{name}", f"Beds by {name}.", labels=[name])
            counts = Counts(str(state[index]) for state in beds)
            for kind in kinds:
                family.add_metric([str(kind)], counts[str(kind)])
            yield family
        lag = GaugeMetricFamily(
            "quietward_lag_seconds", "Since the newest input whose outputs are written.", labels=["shard"]
        )
        for shard, behind_s in list(self._behind_s.items()):
            if (lag_s := behind_s()) is not None:
                lag.add_metric([str(shard)], lag_s)
        yield lag


SHARDS = Shards()
OF_PART: dict[str, tuple[Collector, ...]] = {
    "devices": (SENT, UNANSWERED),
    "ingest": (MESSAGES, REFUSED, IGNORED, BROKER, BATCH, WRITING),
    "detect": (WORKED, UNUSED, EVENTS, STEP, COMMIT, DELAY, SHARDS),
    "serve": (PAGES, FRAMES, ACTS),
}
"""What only one kind of part counts; a part that does not is no part that has counted nothing."""


def expose(settings: Settings, part: str) -> None:
    """Serve the metrics of this process, if a port is set. Raises Unreachable when the port is taken."""
    BUILD.info({"version": __version__, "part": part})
    if settings.metrics_port == 0:
        return
    if part == "detect":
        REGISTRY.register(SHARDS)
    for other, collectors in OF_PART.items():
        for collector in collectors if other != part else ():
            with contextlib.suppress(KeyError):  # never registered
                REGISTRY.unregister(collector)
    try:
        start_http_server(settings.metrics_port, settings.host)
    except OSError as error:
        remedy = f"Give every part of this machine a port of its own by QUIETWARD_METRICS_PORT ({error.strerror})"
        raise Unreachable("port for metrics", f"{settings.host}:{settings.metrics_port}", remedy) from error
    log.info("metrics of %s on http://%s:%d/metrics", part, settings.host, settings.metrics_port)
