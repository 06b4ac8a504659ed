"""Sound while somebody is asked for: within IEC 60601-1-8 (tables 3 and 4, as described in public), and with an end.

Its figures are written here once more: the page has its own.
"""

from itertools import pairwise
from typing import Any

from playwright.sync_api import Page, expect

from quietward.contracts.summary import Level
from tests.browser.made_up import MadeUpWard

COUNT_TONES = """
window.tones = 0;
const make = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () { window.tones += 1; return make.call(this); };
"""
PER_LEVEL: dict[str, dict[str, Any]] = {
    "team": {"pulses": 10, "pulse_ms": (75, 200), "spacing_ms": (50, 125), "every_s": (2.5, 15)},
    "bedside": {"pulses": 3, "pulse_ms": (125, 250), "spacing_ms": (125, 250), "every_s": (2.5, 30)},
    "look": {"pulses": 2, "pulse_ms": (125, 250), "spacing_ms": (125, 250), "every_s": (15, 3600)},
}


def test_bursts_are_those_of_the_standard(page: Page, made_up: MadeUpWard) -> None:
    page.goto(made_up.address)
    for level, asked in PER_LEVEL.items():
        shape, starts = page.evaluate(
            """async level => {
              const sound = await import('/assets/shared/bursts.mjs');
              return [sound.BURSTS[level], sound.pulseStarts(sound.BURSTS[level])];
            }""",
            level,
        )
        assert len(starts) == asked["pulses"], level
        assert asked["pulse_ms"][0] <= shape["pulseMs"] <= asked["pulse_ms"][1], level
        assert asked["every_s"][0] <= shape["everyMs"] / 1000 <= asked["every_s"][1], level
        gaps = [after - before - shape["pulseMs"] for before, after in pairwise(starts)]
        groups = [gap for gap in gaps if gap > asked["spacing_ms"][1]]
        within = [gap for gap in gaps if gap not in groups]
        assert all(asked["spacing_ms"][0] <= gap <= asked["spacing_ms"][1] for gap in within), level
        assert all(350 <= gap <= 1300 for gap in groups), level


def test_it_sounds_until_somebody_answers_and_says_whether_it_would(page: Page, made_up: MadeUpWard) -> None:
    page.add_init_script(COUNT_TONES)
    made_up.flag("bed-1", Level.TEAM)
    page.goto(made_up.address)
    button = page.locator("button.sound")
    expect(button).to_have_text("Sound off: tap to turn on")
    page.wait_for_timeout(1500)
    assert page.evaluate("window.tones") == 0
    button.click()
    expect(button).to_have_text("Sound on")
    page.wait_for_function("() => window.tones >= 50")  # ten pulses of a fundamental and four harmonics
    page.wait_for_function("() => window.tones >= 100")  # and again
    made_up.put("bed-1", acknowledged_by="Kim")
    expect(page.locator('[data-bed="bed-1"]').first).to_contain_text("answered by Kim")
    heard = page.evaluate("window.tones")
    page.wait_for_timeout(9000)
    assert page.evaluate("window.tones") == heard


def test_a_pause_of_the_sound_is_seen_and_has_an_end(page: Page, made_up: MadeUpWard) -> None:
    page.clock.install()
    page.goto(made_up.address)
    button = page.locator("button.sound")
    button.click()
    expect(button).to_have_text("Sound on")
    button.click()
    expect(button).to_contain_text("Sound muted")
    page.clock.fast_forward("01:50")
    expect(button).to_contain_text("Sound muted")
    page.clock.fast_forward("00:12")
    expect(button).to_have_text("Sound on")
