"""Do all parts of a ward keep up? Asked every few seconds for every part: what this imports is what it costs."""

import socket
import sys
import time

from quietward.contracts import liveness
from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Unreachable, possible
from quietward.contracts.settings import Settings
from quietward.language.terminal import said, say
from quietward.store.ask import ask

PARTS = ("simulate", "ingest", "detect", "serve")


def keeps_up(settings: Settings, part: str | None, here: bool) -> bool:
    """Print how each worker of a part does, or of all parts, and what does not run; return whether all is well.

    here: only workers of this machine or container. Raises BadSettings for a part that there is not.
    """
    if part is not None and part not in PARTS:
        raise BadSettings("part", part, possible(PARTS, part))
    try:
        raw = ask(settings.store, settings.tls, "HGETALL", Ward(settings.ward).heartbeats)
    except Unreachable as error:
        print(f"quietward: {error.in_words(said)}", file=sys.stderr)
        return False
    reports = [
        report
        for report in liveness.reports_of(dict(zip(raw[::2], raw[1::2], strict=True)))
        if part in (None, report.part) and (not here or report.host == socket.gethostname())
    ]
    now_ms = time.time_ns() // 1_000_000
    troubles = [liveness.troubles_of(report, now_ms) for report in reports]
    for report, of_it in zip(reports, troubles, strict=True):
        print(f"{report.part} on {report.worker}: {'; '.join(map(said, of_it)) or said('well')}")
    missing = [name for name in ([part] if part else liveness.NEEDED) if name not in {one.part for one in reports}]
    for name in missing:
        say(f"{name}: does not run")
    return not missing and not any(troubles)
