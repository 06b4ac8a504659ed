"""Pure: what each worker says of itself once a second, and what is wrong with a ward by what its workers say."""

from collections.abc import Mapping

import msgspec
from msgspec import Struct

SILENT_AFTER_MS = 5_000
CLOCKS_AGREE_MS = 2_000
"""A report or evaluation from further ahead of our own clock is of unknown age, and so counts as missing."""
NEEDED = ("ingest", "detect")
"""Without these a ward has no live data."""


class WorkerReport(Struct, frozen=True):
    """What one process says of itself. at: ms by its clock; troubles: what of its last second was not worked through.

    worker: host, process id and a random part, so that no two are the same.
    """

    part: str
    worker: str
    at: int
    troubles: list[str] = []

    @property
    def host(self) -> str:
        """Name of the machine or container that it runs on."""
        return self.worker.partition(" ")[0]

    @property
    def pid(self) -> str:
        """Its process id there, as digits."""
        return self.worker.rpartition(" ")[0].rpartition(" ")[2]


encode_report = msgspec.json.encode
_decode = msgspec.json.Decoder(WorkerReport).decode


def reports_of(stored: Mapping[bytes, bytes]) -> list[WorkerReport]:
    """Return the reports of a ward, by part and worker. Fields of other versions are left out."""
    reports = []
    for raw in stored.values():
        try:
            reports.append(_decode(raw))
        except msgspec.DecodeError:
            continue
    return sorted(reports, key=lambda report: (report.part, report.worker))


def troubles_of(report: WorkerReport, now_ms: int) -> list[str]:
    """Return in words what is wrong with one worker, [] if its last second was worked through."""
    age_ms = now_ms - report.at
    if age_ms < -CLOCKS_AGREE_MS:
        return [f"clocks disagree: it is {-age_ms / 1000:.0f} s ahead of this server"]
    if age_ms > SILENT_AFTER_MS:
        return [f"silent for {age_ms / 1000:.0f} s", *report.troubles]
    return report.troubles


def troubles_of_ward(reports: list[WorkerReport], now_ms: int, needed: tuple[str, ...] = NEEDED) -> list[str]:
    """Return in words what is wrong with a ward, each with the name of its part; several workers of a part count."""
    parts = [report.part for report in reports]
    troubles = [f"{part} does not run" for part in needed if part not in parts]
    for report in reports:
        among = [other.worker for other in reports if other.part == report.part]
        name = f"{report.part} {among.index(report.worker) + 1} of {len(among)}" if len(among) > 1 else report.part
        troubles += [f"{name}: {trouble}" for trouble in troubles_of(report, now_ms)]
    return troubles
