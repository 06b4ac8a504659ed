"""`quietward record`: a bed's signals and log from the store, as a recording in any format."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from quietward.contracts.addresses import Ward
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.inputs import Block, encode_inputs
from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.contracts.settings import Settings
from quietward.recordings import SUFFIXES
from quietward.recordings.files import read_recording
from quietward.store.client import Store
from tests.integration.test_export import is_written, quietward

pytestmark = pytest.mark.one_kind

BEGAN = 1_790_000_000
SECONDS = 120
LOST = slice(50, 60)
LOG = [
    Event("bed-1-1", "bed-1", (BEGAN - 3600) * 1000, "noted", "an hour before its first sample that is kept", {}),
    Event("bed-1-2", "bed-1", (BEGAN + 40) * 1000, "contraction", "contraction of 30 s",
          {"onset_s": BEGAN + 5.25, "peak_s": BEGAN + 20.0, "end_s": BEGAN + 35.25}),
    Event("bed-1-3", "bed-1", (BEGAN + 70) * 1000, "care", "turned to the side: by Nora; ok", {"by": "Nora"}),
]  # fmt: skip


def fhr_of(second: int) -> list[float | None]:
    return [140.25, 141.0, None, 139.0 + second % 10]


async def fill(store: Store, ward: Ward) -> None:
    """Seconds of two beds, ten of them missing, and a log."""
    shard = ward.shard(ward.shard_of("bed-1"))
    for second in range(SECONDS):
        if LOST.start <= second < LOST.stop:
            continue
        t = (BEGAN + second) * 1000
        blocks = [
            Block("bed-1", "a", second, t, t, fhr_of(second), [10.0, 10.5, 11.0, None]),
            Block("bed-2", "b", second, t, t, [90.0] * HZ, [0.0] * HZ),
        ]
        await store.xadd(shard.input, {"e": encode_inputs(blocks)})
    for event in LOG:
        await store.xadd(shard.log("bed-1"), {"e": encode_json(event)})


@pytest.mark.parametrize("suffix", SUFFIXES)
async def test_what_the_store_holds_is_in_the_file(
    suffix: str, settings: Settings, ward: Ward, store: Store, tmp_path: Path
) -> None:
    await fill(store, ward)
    path = tmp_path / f"night{suffix}"
    done = quietward(settings, "record", "bed-1", "--out", str(path))
    assert done.returncode == 0, done.stderr
    assert NOTICE in done.stderr
    found = read_recording(path)
    assert found.began == datetime.fromtimestamp(BEGAN, UTC)
    wanted = np.array([fhr_of(second) for second in range(SECONDS)], dtype=np.float64)
    wanted[LOST] = np.nan
    np.testing.assert_allclose(found.by_second()[0], wanted, atol=1e-9)
    np.testing.assert_allclose(found.by_second()[1][0], [10, 10.5, 11, np.nan], atol=1e-9)
    assert [(x.from_s, x.to_s, x.kind, x.text) for x in found.annotations] == [
        (5.25, 35.25, "contraction", "contraction of 30 s"),
        (70.0, None, "care", "turned to the side: by Nora; ok"),
    ]


async def test_twins_are_in_the_file_with_what_was_said_of_each(
    settings: Settings, ward: Ward, store: Store, tmp_path: Path
) -> None:
    shard = ward.shard(ward.shard_of("bed-1"))
    rates: list[list[float | None] | None] = [[150.25, None, 151.0, 152.0], None, [140.0, 141.0, 142.0, 143.0]]
    for second, fhr2 in enumerate(rates):
        t = (BEGAN + second) * 1000
        await store.xadd(
            shard.input,
            {"e": encode_inputs([Block("bed-1", "a", second, t, t, fhr_of(second), [10.0] * HZ, fhr2=fhr2)])},
        )
    said = Event("bed-1-1", "bed-1", (BEGAN + 2) * 1000, "noted", "second twin: not enough trace yet", {"fetus": 2.0})
    await store.xadd(shard.log("bed-1"), {"e": encode_json(said)})
    path = tmp_path / "twins.hea"
    done = quietward(settings, "record", "bed-1", "--out", str(path))
    assert done.returncode == 0, done.stderr
    found = read_recording(path)
    np.testing.assert_array_equal(found.fhr2, np.array([x or [None] * HZ for x in rates], dtype=np.float64).ravel())
    np.testing.assert_array_equal(found.by_second()[0][0], np.array(fhr_of(0), dtype=np.float64))
    assert [x.text for x in found.annotations] == ["second twin: not enough trace yet"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("bed-9",), "bed: 'bed-9'. Nothing is kept of such a bed"),
        (("bed-1", "--out", "night.txt"), "'night.txt'. Name the file by its format. Use .hea"),
        (("bed-1", "--out", "nowhere/night.csv"), "--out: "),
    ],
)
async def test_what_cannot_be_written_is_one_line_and_exit_code_2(
    arguments: tuple[str, ...], says: str, settings: Settings, ward: Ward, store: Store, tmp_path: Path
) -> None:
    await fill(store, ward)
    done = quietward(settings, "record", *arguments, folder=tmp_path)
    assert done.returncode == 2
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("quietward:")]
    assert says in line
    assert not is_written(tmp_path)
