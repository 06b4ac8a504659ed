"""Pure: times of one bed, as printed sheets show them in the reader's language."""

from datetime import datetime, timedelta, tzinfo

from quietward.language.catalogue import reader


class ClockFormat:
    """Formats times in one time zone; times of another day than `now_ms` carry their date. All times: ms, epoch."""

    def __init__(self, now_ms: int, zone: tzinfo) -> None:
        self.zone = zone
        self.today = self._local(now_ms).date()

    def _local(self, ms: int) -> datetime:
        return datetime.fromtimestamp(ms / 1000, self.zone)

    def full(self, ms: int) -> str:
        """Return date and time."""
        return f"{reader.get().date(self._local(ms))} {self._local(ms):%H:%M}"

    def time(self, ms: int | None) -> str:
        """Return the time of day; a dash for None."""
        if ms is None:
            return "–"
        return f"{self._local(ms):%H:%M}" if self._local(ms).date() == self.today else self.full(ms)

    def utc_offset_min(self, ms: int) -> int:
        """Return by how many minutes the zone is ahead of UTC at a time."""
        return round((self._local(ms).utcoffset() or timedelta()).total_seconds() / 60)

    def zone_name(self, ms: int) -> str:
        """Return the zone's offset from UTC at a time."""
        offset = self._local(ms).strftime("%z")
        return f"UTC{offset[:3]}:{offset[3:]}"
