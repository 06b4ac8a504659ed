"""`quietward export`: from the store to files that other programs read; what cannot be written is one line."""

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from msgspec import structs

from quietward.contracts.addresses import Ward
from quietward.contracts.fields import encode_json
from quietward.contracts.log import Event, decode_event
from quietward.contracts.notice import NOTICE
from quietward.contracts.settings import Settings
from quietward.contracts.stays import Arrival, Stay
from quietward.dashboard.auth.audit import read_newest
from quietward.dashboard.history.reader import read_policy
from quietward.runtime.clock import now_ms
from quietward.store.client import Store
from tests.conftest import WAIT_S
from tests.unit.test_page_models import NOW, SHEET, summary

pytestmark = pytest.mark.one_kind


def quietward(settings: Settings, *arguments: str, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    plain = {k: v for k, v in os.environ.items() if not k.startswith("QUIETWARD_")}
    where = ("--ward", settings.ward, "--store", settings.store)
    command = [sys.executable, "-m", "quietward", *arguments, *where]
    return subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=2 * WAIT_S, env=plain, check=False
    )


def is_written(folder: Path) -> bool:
    return any(folder.iterdir())


async def write_log(store: Store, ward: Ward, lines: int) -> list[Event]:
    shard = ward.shard(ward.shard_of("bed-1"))
    await store.hset(shard.summary, "bed-1", encode_json(summary()))
    log = [Event(f"bed-1-{n}", "bed-1", NOW + n, "care", f"=note {n}", {"by": "Kim"}, "r1") for n in range(lines)]
    async with store.pipeline(transaction=False) as pipe:
        for event in log:
            pipe.xadd(shard.log("bed-1"), {"e": encode_json(event)})
        await pipe.execute()
    return log


async def test_all_of_a_long_log_oldest_first(settings: Settings, ward: Ward, store: Store, tmp_path: Path) -> None:
    log = await write_log(store, ward, 2500)  # more than one reading takes
    for name in ("log.csv", "log.json"):
        found = quietward(settings, "export", "bed-1", "--log", str(tmp_path / name))
        assert found.returncode == 0, found.stderr
        assert NOTICE in found.stderr
    rows = list(csv.DictReader(io.StringIO((tmp_path / "log.csv").read_bytes().decode(), newline="")))
    assert [row["id"] for row in rows[1:]] == [event.id for event in log]
    assert rows[0]["text"] == NOTICE
    assert {row["text"][:6] for row in rows[1:]} == {"'=note"}
    document = json.loads((tmp_path / "log.json").read_text())
    assert [decode_event(json.dumps(one)) for one in document["events"]] == log
    assert document["notice"] == NOTICE


async def test_the_hand_over_sheet_as_a_file(settings: Settings, ward: Ward, store: Store, tmp_path: Path) -> None:
    await write_log(store, ward, 3)
    found = quietward(settings, "export", "bed-1", "--handover", str(tmp_path / "sheet.html"))
    assert found.returncode == 0, found.stderr
    page = (tmp_path / "sheet.html").read_text()
    assert NOTICE in page
    assert all(f">{part}</h2>" in page for part in ("Situation", "Background", "Assessment", "Recommendation"))
    assert "/assets/" not in page, "it must do without a server"


async def with_former(store: Store, ward: Ward, ended_at: int) -> Stay:
    """A bed that nobody is in, and who was: a line of her log."""
    shard = ward.home_of("bed-1")
    left = Stay(NOW, "Kim", NOW, Arrival("green"), ended=ended_at, ended_by="Kim", ended_at=ended_at)
    now = structs.replace(summary(), stay=Stay(ended_at, "Kim", ended_at), former=[left])
    await store.hset(shard.summary, "bed-1", encode_json(now))
    line = Event("bed-1-1", "bed-1", NOW, "care", "turned, by Kim", {"by": "Kim"}, "r1")
    for key in (shard.log("bed-1", left.id), shard.trend("bed-1", left.id), shard.log("bed-1", now.stay_id)):
        await store.xadd(key, {"e": encode_json(line)})
    await store.set(ward.policy, encode_json(structs.replace(SHEET, undo_stay_s=600)))
    return left


async def test_the_log_of_who_has_left_is_written_and_her_record_deleted_before_its_time(
    settings: Settings, ward: Ward, store: Store, tmp_path: Path
) -> None:
    left = await with_former(store, ward, now_ms() - 601_000)
    shard = ward.home_of("bed-1")
    found = quietward(settings, "export", "bed-1", "--log", str(tmp_path / "log.csv"), "--stay", "green")
    assert found.returncode == 0, found.stderr
    assert "turned, by Kim" in (tmp_path / "log.csv").read_text()
    found = quietward(settings, "forget", "bed-1", "--stay", "green", "--by", "Ines")
    assert found.returncode == 0, found.stderr
    assert await store.exists(shard.log("bed-1", left.id), shard.trend("bed-1", left.id)) == 0
    assert await store.exists(shard.log("bed-1", left.ended_at)) == 1, "of who is there now"
    assert 0 < await store.ttl(ward.forgotten) <= 14 * 24 * 3600
    [entry] = await read_newest(store, ward)
    assert (entry.who, entry.what, entry.bed) == ("Ines", "forget", "bed-1")
    again = quietward(settings, "forget", "bed-1", "--stay", "green", "--by", "Ines")
    assert again.returncode == 2
    assert "Nobody of that label was in bed-1" in again.stderr


async def test_a_record_whose_leaving_can_be_undone_is_not_deleted(
    settings: Settings, ward: Ward, store: Store
) -> None:
    left = await with_former(store, ward, now_ms())
    found = quietward(settings, "forget", "bed-1", "--stay", "green", "--by", "Ines")
    assert found.returncode == 2
    assert "can still be undone" in found.stderr
    assert await store.exists(ward.home_of("bed-1").log("bed-1", left.id)) == 1
    assert await read_newest(store, ward) == []


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("bed-9", "--log", "log.csv"), "bed: 'bed-9'. Nothing is kept of such a bed"),
        (("bed-1", "--log", "log.txt"), "--log: "),
        (("bed-1", "--handover", "sheet.pdf"), "--handover: "),
        (("bed-1",), "Say what to write"),
        (("bed-1", "--log", "nowhere/log.csv"), "Cannot be written"),
    ],
)
async def test_what_cannot_be_written_is_one_line_and_exit_code_2(
    arguments: tuple[str, ...], says: str, settings: Settings, ward: Ward, store: Store, tmp_path: Path
) -> None:
    await write_log(store, ward, 1)
    found = quietward(settings, "export", *(str(tmp_path / a) if "." in a else a for a in arguments))
    assert found.returncode == 2
    (line,) = [line for line in found.stderr.splitlines() if line.startswith("quietward:")]
    assert says in line
    assert not is_written(tmp_path)


async def test_a_policy_sheet_of_another_version_is_none(ward: Ward, store: Store) -> None:
    assert await read_policy(store, ward) is None
    await store.set(ward.policy, encode_json(SHEET))
    assert await read_policy(store, ward) == SHEET
    await store.set(ward.policy, b'{"name": "attention"}')
    assert await read_policy(store, ward) is None
