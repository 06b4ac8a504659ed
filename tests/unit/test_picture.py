"""`assess --plot`: pictures of recordings, and names under which none can be written."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from quietward.contracts.errors import BadRecording
from quietward.detect import assess, picture
from quietward.recordings.recording import Recording
from tests.traces import RULES, flat, put, ramp, ripple


def drawn(path: Path, *seconds: int) -> list[Path]:
    found = [
        Recording(f"r{i}", put(flat(140, s) + ripple(s, 8), s / 2, ramp(-40, 10, 20, 10)), flat(10, s))
        for i, s in enumerate(seconds)
    ]
    return picture.draw(found, assess.assess(found, RULES, "figo-2015"), path)


def test_a_deceleration_is_seen_in_the_picture(tmp_path: Path) -> None:
    (with_one,) = drawn(tmp_path / "one.png", 1200)
    recording = Recording("r0", flat(140, 1200) + ripple(1200, 8), flat(10, 1200))
    (without,) = picture.draw([recording], assess.assess([recording], RULES, "figo-2015"), tmp_path / "none.png")
    a, b = (np.asarray(Image.open(p).convert("RGB"), dtype=int) for p in (with_one, without))
    assert a.shape == b.shape
    reddish = [(x[..., 0] - x[..., 2] > 8).mean() for x in (a, b)]
    assert reddish[0] > reddish[1] + 0.01, "the deceleration's band is tinted"


def test_long_and_many_recordings_give_numbered_pages(tmp_path: Path) -> None:
    assert [p.name for p in drawn(tmp_path / "s.png", 600, 7300)] == ["s-1.png", "s-2.png", "s-3.png"]


def test_a_pdf_holds_all_pages(tmp_path: Path) -> None:
    (path,) = drawn(tmp_path / "s.pdf", 600, 600)
    assert path.read_bytes().count(b"/Type /Page\n") + path.read_bytes().count(b"/Type /Page ") == 2


@pytest.mark.parametrize("name", ["strip.gif", "strip", "nowhere/strip.png"])
def test_names_that_cannot_be_written_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(BadRecording):
        picture.check(tmp_path / name)
