"""The report of a study: its first page is one page of A4, and nothing is cut off, on paper or on a screen."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from quietward.study import report, report_page, result
from tests.studies import run_study, small

A4_PX = (718, 1046)
"""What is left of 210 by 297 mm within margins of 10 mm, at 96 px an inch."""
TOO_WIDE = """[...document.querySelectorAll("h1, h2, p, td, th, pre, svg, li")]
    .filter((one) => one.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
    .map((one) => one.textContent.slice(0, 60))"""


@pytest.fixture(scope="module")
def page_of_report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    ran = run_study(small(), folder / "done")
    summary = result.summarize(ran, draws=50)
    text = report_page.render(summary.reported, report.full_report(ran, summary, "quietward study for-tests"))
    (folder / "report.html").write_text(text)
    return folder / "report.html"


@pytest.mark.parametrize(
    ("width", "height", "media"), [(1280, 800, "screen"), (768, 1024, "screen"), (*A4_PX, "print")]
)
def test_nothing_is_cut_off(browser: Browser, page_of_report: Path, width: int, height: int, media: str) -> None:
    page = browser.new_page(viewport={"width": width, "height": height})
    page.emulate_media(media="print" if media == "print" else "screen")
    page.goto(page_of_report.as_uri())
    assert page.evaluate(TOO_WIDE) == []
    for heading in ("Question", "Answer", "How sure", "Limits"):
        assert page.locator(f".first h2:text-is('{heading}')").count() == 1
    if media == "print":
        assert page.evaluate("document.querySelector('.first > :last-child').getBoundingClientRect().bottom") < height
    page.close()
