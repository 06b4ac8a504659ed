"""The Bed page's strip: why findings are called so, contractions, hours to zoom into, and paper true to scale."""

import re
import time
from itertools import pairwise

import pytest
from playwright.sync_api import Page, expect

from quietward.contracts.notice import NOTICE
from tests.browser.made_up import MadeUpWard
from tests.browser.pdf import lines
from tests.conftest import wait_for


def put_findings(ward: MadeUpWard) -> None:
    """Two contractions, and a late deceleration with the second."""
    now = ward.now_ms() / 1000
    for ago in (80.0, 40.0):
        ward.log(
            "bed-1",
            "contraction",
            "contraction of 30 s",
            onset_s=now - ago,
            peak_s=now - ago + 15,
            end_s=now - ago + 30,
        )
    ward.log(
        "bed-1", "deceleration", "late deceleration, 24 bpm deep, 30 s", onset_s=now - 35, nadir_s=now - 4,
        end_s=now - 2, depth_bpm=24.0, contraction_onset_s=now - 40, contraction_peak_s=now - 25,
        **{"kind nichd-2008": "late"},
    )  # fmt: skip


def test_a_finding_says_why_it_is_called_so(page: Page, made_up: MadeUpWard) -> None:
    put_findings(made_up)
    began = time.monotonic()
    page.goto(f"{made_up.address}/bed/bed-1")
    page.wait_for_load_state("networkidle")  # Dash may draw the page once more
    expect(page.locator(".contractions tr")).to_have_count(3)  # the marks have come
    page.locator("canvas.strip").focus()
    page.keyboard.press("ArrowLeft")  # the newest first
    told = page.locator(".told")
    expect(told).to_contain_text("late deceleration, 24 bpm deep")
    expect(told).to_contain_text("31 s from onset to nadir: gradual; onset 5 s after the start of the contraction")
    expect(told).to_contain_text("nadir 21 s after its peak; nichd-2008: late")
    page.keyboard.press("ArrowLeft")
    expect(told).to_contain_text("contraction of 30 s: 30 s long, its peak after 15 s")
    box = page.locator("canvas.strip").bounding_box()
    assert box is not None
    ago_s = 20 + time.monotonic() - began  # in the middle of the deceleration
    page.mouse.move(box["x"] + box["width"] - ago_s / 60 * 96 / 2.54, box["y"] + 60)
    expect(told).to_contain_text("late deceleration")
    page.mouse.move(5, 5)
    expect(told).to_contain_text("point at a marking")


def test_the_last_contractions_stand_in_a_table(page: Page, made_up: MadeUpWard) -> None:
    put_findings(made_up)
    page.goto(f"{made_up.address}/bed/bed-1")
    rows = page.locator(".contractions tr")
    expect(rows).to_have_count(3)
    expect(rows.nth(1)).to_have_text(re.compile(r"\d\d:\d\d40 s30 s10 s"))  # start to start, length, rest
    expect(page.locator(".since")).to_have_text(re.compile(r"^\d+ (min|s).* since the last one began"))


def test_hours_are_a_figure_that_can_be_zoomed_into(page: Page, made_up: MadeUpWard) -> None:
    put_findings(made_up)
    page.goto(f"{made_up.address}/bed/bed-1")
    page.get_by_role("link", name="over hours").click()
    expect(page.locator(".plot .main-svg").first).to_be_visible()
    expect(page.locator(".notice")).to_have_text(NOTICE)
    expect(page.locator(".plot .scatterlayer .trace")).to_have_count(4)  # FHR, UA, a deceleration, contractions
    span = "document.querySelector('.plot').layout.xaxis.range.join()"
    before = page.evaluate(span)

    def zoomed() -> bool:  # the figure may change its size until the page is whole
        box = page.locator(".plot .nsewdrag").first.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 50)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 50, steps=5)
        page.mouse.up()
        return wait_for(lambda: page.evaluate(span) != before, 2)

    assert wait_for(zoomed)


@pytest.mark.parametrize(("cm", "bpm", "line_mm"), [("1", "20", 5.0), ("3", "30", 10 / 3)])
def test_what_is_printed_is_true_to_scale(page: Page, made_up: MadeUpWard, cm: str, bpm: str, line_mm: float) -> None:
    """Measured in the PDF: lines for every minute and every 10 bpm."""
    page.goto(f"{made_up.address}/paper/bed-1?minutes=3&cm={cm}&bpm={bpm}")
    expect(page.locator(".notice").first).to_have_text(NOTICE)
    found = lines(page.pdf(prefer_css_page_size=True))
    upright = sorted({round(a[0], 2) for a, b in found if abs(a[0] - b[0]) < 0.01 and abs(a[1] - b[1]) > 100})
    across = sorted({round(a[1], 2) for a, b in found if abs(a[1] - b[1]) < 0.01 and abs(a[0] - b[0]) > 260})
    minutes = [b - a for a, b in pairwise(upright)]
    assert len(minutes) >= 5
    assert all(abs(one - int(cm) * 10) < 0.05 for one in minutes), minutes
    levels = [b - a for a, b in pairwise(across)][-12:]  # above those of the uterine activity
    assert all(abs(one - line_mm) < 0.05 for one in levels), levels
