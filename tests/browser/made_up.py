"""A ward without devices and without a detector: what the page reads is written by the test, into a real store."""

import contextlib
import json
import math
import os
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path
from typing import Any

import msgspec
import redis
from websockets.sync.client import connect

from quietward.contracts.addresses import Ward
from quietward.contracts.commands import Command
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.inputs import Block, CommandEnvelope, decode_inputs, encode_inputs
from quietward.contracts.liveness import WorkerReport, encode_report
from quietward.contracts.log import TREND_KIND, Event
from quietward.contracts.policy_info import AdjustableLimit, PolicyInfo
from quietward.contracts.summary import Contractions, FetusSummary, Level, SignalState, Summary
from tests.conftest import WAIT_S, Server, ending_with_us, free_port, make_store, wait_for

SHEET = PolicyInfo(
    "attention", "made-up", longest_shelve_s=3600, longest_shelve_bedside_s=600,
    longest_pause_s=1800, longest_limit_s=14_400, helps_within_s=600,
    limits=[AdjustableLimit("low-baseline", "baseline_bpm", 100.0, 90.0, 110.0)],
    risks=["diabetes", "previous caesarean", "meconium-stained liquor"], undo_stay_s=600,
)  # fmt: skip


class MadeUpWard:
    """Beds whose summaries and logs are put there; a thread keeps their looks and heartbeats young, as parts would.

    twins: beds whose devices send a second rate. unwatched: beds whose summaries grow old.
    """

    def __init__(
        self, folder: Path, beds: int = 2, people: Path | None = None, twins: frozenset[str] = frozenset()
    ) -> None:
        self.ward = Ward("made-up")
        self.server: Server = make_store("embedded", folder)
        self.server.start()
        self.store = redis.Redis(port=self.server.port)
        self.lock = threading.Lock()
        self.summaries: dict[str, Summary] = {}
        self.clock_offset_ms: dict[str, int] = {}
        self.off: set[str] = set()
        self.unwatched: set[str] = set()
        self.twins = twins
        self.seq = self.sent_at = 0
        self.acts_before = 0
        self.ended = threading.Event()
        self.summaries = {bed: quiet(bed) for bed in (f"bed-{number}" for number in range(1, beds + 1))}
        self.living = threading.Thread(target=self._live, daemon=True)
        self.port = free_port()
        self.folder, self.people = folder, people
        self.studies, self.classroom = folder / "studies", folder / "classroom"
        try:
            self.begin_anew()
            self.backlog(90)
            self.living.start()
            self.start_page()
        except BaseException:
            self.end()  # no fixture has it yet
            raise

    def start_page(self) -> None:
        """Start the page's server and wait until it listens."""
        plain = {k: v for k, v in os.environ.items() if not k.startswith("QUIETWARD_")}
        log = self.folder / "serve.log"
        said_before = log.read_text().count("page on") if log.exists() else 0
        with log.open("ab") as file:
            self.page = subprocess.Popen(
                ending_with_us([sys.executable, "-m", "quietward", "serve", "--port", str(self.port)]),
                env=plain
                | {
                    "QUIETWARD_WARD": "made-up",
                    "QUIETWARD_STORE": f"redis://127.0.0.1:{self.server.port}/0",
                    "QUIETWARD_STUDIES": str(self.studies),
                    "QUIETWARD_CLASSROOM": str(self.classroom),
                    "QUIETWARD_PEOPLE": str(self.people or ""),
                },
                stdout=file,
                stderr=file,
            )
        assert wait_for(lambda: log.read_text().count("page on") > said_before), log.read_text()

    def begin_anew(self) -> None:
        """Make every bed quiet, its log empty, and forget what was done. Events are numbered on, as a detector does."""
        with self.lock:
            self.clock_offset_ms.clear()
            self.unwatched.clear()
            self.acts_before += len(self.acts())
            self.store.set(self.ward.policy, encode_json(SHEET))
            for bed, before in self.summaries.items():
                self.summaries[bed] = msgspec.structs.replace(quiet(bed), events=before.events + 1)
                self.store.delete(self._shard(bed).log(bed), self._shard(bed).trend(bed))
                self._write(bed)

    def wait_until_seen(self) -> None:
        """Wait until the page's server has read what stands in the store now."""

        def frames() -> int:
            with urllib.request.urlopen(f"{self.address}/health", timeout=WAIT_S) as answer:
                return int(json.load(answer)["frames"])

        now = frames()
        assert wait_for(lambda: frames() >= now + 2)  # the next one may have been under way

    def wait_until_begun(self) -> None:
        """Wait until the page's server has read what `begin_anew` has written: the numbers of events tell."""
        wanted = {bed: summary.events for bed, summary in self.summaries.items()}

        def shown(frame: bytes) -> dict[str, int]:
            head = json.loads(frame[4 : 4 + int.from_bytes(frame[:4], "little")])
            return {one["card"]["bed"]: one["card"]["events"] for one in head["beds"]}

        with connect(f"ws://127.0.0.1:{self.port}/live", max_size=None) as live:
            assert wait_for(lambda: shown(live.recv(WAIT_S, decode=False)).items() >= wanted.items())

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def now_ms(self, bed: str = "bed-1") -> int:
        """Time by a bed's clock."""
        return time.time_ns() // 1_000_000 + self.clock_offset_ms.get(bed, 0)

    def put(self, bed: str, **changes: Any) -> None:
        """Change a bed's summary."""
        with self.lock:
            self.summaries[bed] = msgspec.structs.replace(self.summaries[bed], **changes)
            self._write(bed)

    def flag(self, bed: str, level: Level, number: int = 1, reason: str = "concern 70: made up") -> None:
        """Raise a flag, or put it to another level."""
        name = f"{bed}-f{number}"
        self.put(bed, level=level, reason=reason, level_since=self.now_ms(bed), flag=name, acknowledged_by=None)
        self.log(bed, "flag-raised", f"{level}: {reason}", flag=name, level=level.value, reason=reason)

    def log(self, bed: str, kind: str, text: str, /, **detail: float | str | None) -> None:
        """Append a line to a bed's log."""
        self.write_line(self._shard(bed).log(bed, self.summaries[bed].stay_id), bed, kind, text, **detail)

    def write_line(self, key: str, bed: str, kind: str, text: str, /, **detail: float | str | None) -> None:
        """Append a line to the log of any stay, by its key."""
        with self.lock:
            number = self.summaries[bed].events + 1
            event = Event(f"{bed}-{number}", bed, self.now_ms(bed), kind, text, detail, rules="made-up")
            self.store.xadd(key, {"e": encode_json(event)})
            self.summaries[bed] = msgspec.structs.replace(self.summaries[bed], events=number)
            self._write(bed)

    def trend(self, bed: str, minutes: int, detail: dict[str, float | str | None]) -> None:
        """Write a point of the trend for each of the last minutes, and a line of the log, by which a page reads it."""
        key, now = self._shard(bed).trend(bed, self.summaries[bed].stay_id), self.now_ms(bed)
        for ago in range(minutes, 0, -1):
            point = Event(f"{bed}-{now}-{ago}", bed, now - 60_000 * ago, TREND_KIND, "", detail, rules="made-up")
            self.store.xadd(key, {"e": encode_json(point)})
        self.log(bed, "note", "made up")

    def acts(self) -> list[Command]:
        """Return what the page has handed on since the ward began anew, in its order, without the stay it means."""
        return [msgspec.structs.replace(command, stay=None) for command in self.acts_as_sent()]

    def acts_as_sent(self) -> list[Command]:
        """Return the same with the stay that each is for."""
        entries: Any = self.store.xrange(self.ward.shard(0).input)
        items = [item for _, fields in entries for item in decode_inputs(fields[b"e"])]
        commands = [item.command for item in items if isinstance(item, CommandEnvelope)]
        return commands[self.acts_before :]

    def next_act(self, after: int = 0) -> Command:
        """Wait for an act beyond the first `after` and return it."""
        assert wait_for(lambda: len(self.acts()) > after), "nothing was handed on"
        return self.acts()[after]

    def backlog(self, seconds: int) -> None:
        """Send seconds of signal for all beds, up to now."""
        with self.lock:
            began = time.time_ns() // 1_000_000 - seconds * 1000
            for second in range(seconds):
                self._send(began + second * 1000)

    def end(self) -> None:
        self.ended.set()
        if self.living.is_alive():
            self.living.join(WAIT_S)
        if hasattr(self, "page"):
            self.page.terminate()
            try:
                self.page.wait(10)
            except subprocess.TimeoutExpired:
                self.page.kill()
                self.page.wait()
        self.server.kill()

    def _shard(self, bed: str) -> Any:
        return self.ward.shard(self.ward.shard_of(bed))

    def _live(self) -> None:
        while not self.ended.wait(1.0):
            with self.lock, contextlib.suppress(redis.ConnectionError):  # a test may take the store away
                now = time.time_ns() // 1_000_000
                reports = [WorkerReport(part, f"made-up {os.getpid()} 0", now) for part in ("ingest", "detect")]
                self.store.hset(
                    self.ward.heartbeats, mapping={one.part: encode_report(one).decode() for one in reports}
                )
                while self.sent_at + 1000 <= now:  # on a busy machine several at once, and none too few
                    self._send(self.sent_at + 1000)
                for bed in self.summaries:
                    self._write(bed)

    def _send(self, at: int) -> None:
        self.seq, self.sent_at = self.seq + 1, at
        blocks = [
            Block(
                bed,
                "made-up",
                self.seq,
                at + self.clock_offset_ms.get(bed, 0),
                at,
                *trace(self.seq),
                fhr2=second_rate(self.seq) if bed in self.twins else None,
            )
            for bed in self.summaries
            if bed not in self.off
        ]
        self.store.xadd(self.ward.shard(0).input, {"e": encode_inputs(blocks)})

    def _write(self, bed: str) -> None:
        now = time.time_ns() // 1_000_000
        young: dict[str, int] = {} if bed in self.unwatched else {"looked_at": now}
        if self.summaries[bed].signal is not SignalState.LOST:
            young |= {"at": now, "t": now + self.clock_offset_ms.get(bed, 0)}
        self.summaries[bed] = msgspec.structs.replace(self.summaries[bed], **young)
        self.store.hset(self._shard(bed).summary, bed, encode_json(self.summaries[bed]))


def quiet(bed: str) -> Summary:
    """Return the summary of a bed that asks for nothing."""
    now = time.time_ns() // 1_000_000
    return Summary(
        bed=bed, session="made-up", t=now, at=now, looked_at=now, signal=SignalState.GOOD, signal_reason="",
        fhr_bpm=140.0, baseline_bpm=140.0, variability_bpm=9.0, running=None,
        contractions=Contractions(3.0, 200.0, 60.0, 30.0), concern=5.0, concern_parts=[], classes=[],
        level=Level.QUIET, reason="", level_since=None, flag=None, acknowledged_by=None, events=0, rules="made-up",
    )  # fmt: skip


def fetus(**changes: Any) -> FetusSummary:
    """Return what is said of one of two fetuses; it asks for nothing."""
    calm = FetusSummary(
        signal=SignalState.GOOD, signal_reason="", fhr_bpm=140.0, baseline_bpm=140.0, variability_bpm=9.0,
        running=None, concern=5.0, concern_parts=[], level=Level.QUIET, reason="", level_since=None, flag=None,
        acknowledged_by=None,
    )  # fmt: skip
    return msgspec.structs.replace(calm, **changes)


def second_rate(second: int) -> list[float | None]:
    """Return a second of the rate of a second twin."""
    return [round((160 + 4 * math.sin((second + k / HZ) / 5)) * 4) / 4 for k in range(HZ)]


def trace(second: int) -> tuple[list[float | None], list[float | None]]:
    """Return a second of a calm trace."""
    at = [second + k / HZ for k in range(HZ)]
    fhr: list[float | None] = [round((140 + 6 * math.sin(x / 7)) * 4) / 4 for x in at]
    ua: list[float | None] = [round(10 + 40 * max(0.0, math.sin(x / 30)) ** 3, 1) for x in at]
    return fhr, ua
