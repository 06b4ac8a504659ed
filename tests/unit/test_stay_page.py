"""What remains of a stay: its page says all in words and without identifiers; its archive has both twins."""

import io
import re
import zipfile
from datetime import timedelta, timezone
from pathlib import Path

import numpy as np
from msgspec import structs

from quietward.contracts.stays import Stay
from quietward.dashboard.history.bed_history import BedHistory
from quietward.dashboard.print import stay_page
from quietward.language.catalogue import language, reader
from quietward.recordings.files import read_recording
from tests.unit.test_handover import event, flag
from tests.unit.test_hours import hours
from tests.unit.test_page_models import NOW

STAY = Stay(NOW - 3_600_000, "Kim", NOW - 3_600_000, None, 0)
LOG = [
    flag(1, 30, "raised", name="bed-1-f2"),
    event(2, 29, "not-taken", "acknowledge by Kim: The flag is over; there is a newer one, bed-1-s3", by="Kim"),
    flag(3, 28, "raised", name="bed-1-s3"),
]


def page(history: BedHistory, offset_min: int = 0, name: str = "en") -> str:
    token = reader.set(language(name))
    try:
        return stay_page.page(history, STAY, "ward-1", NOW, timezone(timedelta(minutes=offset_min)))
    finally:
        reader.reset(token)


def test_the_page_of_a_stay_names_flags_by_their_numbers_and_kinds_by_their_words() -> None:
    history = structs.replace(hours(), log=LOG)
    text = page(history)
    assert re.findall(r"<td>(flag \d[^<]*)</td>", text) == ["flag 2", "flag 3 of the second twin"]
    assert "there is a newer one, flag 3 of the second twin" in text
    assert not re.findall(r"bed-1-[fs]\d", text)
    assert "<td>raised</td>" in text
    assert "<td>rejected</td>" in text
    german = page(history, name="de")
    assert "Meldung 3 des zweiten Zwillings" in german
    assert "second twin" not in german


def test_strips_of_a_stay_are_printed_in_the_time_zone_of_its_page() -> None:
    found = re.findall(r"/strip\?minutes=(\d+)&amp;utc-offset-min=(-?\d+)\"", page(hours(), -210))
    assert [offset for _, offset in found] == ["-210"] * len(stay_page.STRIP_MINUTES)


def test_the_archive_of_a_stay_has_the_second_twin(tmp_path: Path) -> None:
    one = hours()
    for history in (one, structs.replace(one, fhr2=one.fhr + 20)):
        zipfile.ZipFile(io.BytesIO(stay_page.record_zip(history, STAY, "ward-1", NOW))).extractall(tmp_path)
        found = read_recording(tmp_path / f"{stay_page.file_name(history.bed, STAY)}.hea")
        np.testing.assert_array_equal(found.fhr, history.fhr)
        if history.fhr2 is None:
            assert found.fhr2 is None
        else:
            assert found.fhr2 is not None
            np.testing.assert_array_equal(found.fhr2, history.fhr2)
