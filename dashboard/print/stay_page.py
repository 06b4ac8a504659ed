"""Pure: what remains of a stay, to be read and taken along: a page, and its trace as a WFDB record with its log."""

import io
import zipfile
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from tempfile import TemporaryDirectory

from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.contracts.stays import Stay
from quietward.dashboard.history import export
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.history.flags import alert_episodes
from quietward.dashboard.print.clock_format import ClockFormat
from quietward.dashboard.print.handover import Table, log_line, without_ids
from quietward.dashboard.print.handover_html import STYLE
from quietward.dashboard.view import wording
from quietward.dashboard.web.templates import render
from quietward.recordings.files import write_recording

BEFORE_ARRIVALS = "the time before any arrival"
STRIP_MINUTES = (30, 60, 240, 480)


def page(history: BedHistory, stay: Stay, ward: str, now_ms: int, zone: tzinfo) -> str:
    """Return what remains of a stay as a page: what was said of her, flags, what was done, the log. Nothing can be
    changed on it.
    """
    clock = ClockFormat(now_ms, zone)
    return render(
        "stay.html",
        style_sheet=STYLE,
        notice=NOTICE,
        bed=history.bed,
        ward=ward,
        stay=stay.id,
        label=label_of(stay),
        facts=[] if stay.arrival is None else stay.arrival.facts,
        times=_times(stay, clock),
        trace=_trace(history, clock),
        zone=clock.zone_name(now_ms),
        tables=[_flags(history, clock), _care(history.log, clock), _log(history, clock)],
        minutes=STRIP_MINUTES,
        utc_offset_min=clock.utc_offset_min(now_ms),
    )


def label_of(stay: Stay) -> str:
    """Return what the ward called her."""
    return BEFORE_ARRIVALS if stay.arrival is None else stay.arrival.label


def _times(stay: Stay, clock: ClockFormat) -> str:
    came = f"here since {clock.full(stay.began)}, noted by {stay.by}" if stay.began else "no arrival was noted"
    if stay.came_from:
        came += f"; before in {', then in '.join(before.bed for before in stay.came_from)}"
    went = f"moved to {stay.moved_to}" if stay.moved_to else "left"
    return came if stay.ended is None else f"{came}; {went} {clock.full(stay.ended)}, noted by {stay.ended_by}"


def _trace(history: BedHistory, clock: ClockFormat) -> str:
    if not len(history.fhr):
        return "none is stored any more"
    from_text, until_text = (clock.full(round(s * 1000)) for s in (history.first_s, history.last_s))
    return f"{from_text} to {until_text}"


def _flags(history: BedHistory, clock: ClockFormat) -> Table:
    rows = [
        [
            without_ids(history.bed, episode.flag),
            clock.time(episode.raised_at),
            episode.highest,
            episode.reason,
            ", ".join(f"{clock.time(answer.t)} {answer.by} ({answer.how})" for answer in episode.answers) or "nobody",
        ]
        for episode in alert_episodes(history.log)
    ]
    return Table("Flags", ["flag", "raised", "highest level", "reason at first", "answered"], rows, "No flag.")


def _care(log: list[Event], clock: ClockFormat) -> Table:
    rows = [
        [
            clock.time(e.t),
            str(e.detail.get("by") or "–"),
            wording.care(str(e.detail.get("what") or ""), str(e.detail.get("text") or "")),
        ]
        for e in log
        if e.kind == "care"
    ]
    return Table("What was done", ["at", "by", "what"], rows, "Nothing was noted.")


def _log(history: BedHistory, clock: ClockFormat) -> Table:
    rows = [list(log_line(history.bed, e, clock)) for e in history.log]
    return Table("Log", ["at", "what", "in words"], rows, "The log is empty.")


def record_zip(history: BedHistory, stay: Stay, ward: str, now_ms: int) -> bytes:
    """Return a zip archive: the trace as a WFDB record, the log as CSV, and what was said of the stay as JSON.

    A record without a sample is left out. Raises OSError when there is no room for a temporary file.
    """
    name = file_name(history.bed, stay)
    about = {
        "notice": NOTICE,
        "ward": ward,
        "bed": history.bed,
        "stay": stay,
        "written_at": export.iso_time(now_ms),
        "record_begins_at": export.iso_time(history.first_s * 1000) if len(history.fhr) else None,
        "hz": HZ,
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive, TemporaryDirectory() as folder:
        if len(history.fhr):
            header = Path(folder) / f"{name}.hea"
            began = datetime.fromtimestamp(history.first_s, UTC)
            write_recording(header, history.fhr, history.ua, fhr2=history.fhr2, began=began)
            for path in sorted(Path(folder).iterdir()):
                archive.write(path, path.name)
        archive.writestr(f"{name}-log.csv", export.log_as_csv(history.bed, history.log))
        archive.writestr(f"{name}.json", encode_json(about))
    return out.getvalue()


def file_name(bed: str, stay: Stay) -> str:
    """Return the name of a stay's files: bed, and when it began by the bed's clock."""
    began = export.iso_time(stay.began)[:16].replace("-", "").replace(":", "") if stay.began else "before"
    return f"{bed}-{began}"
