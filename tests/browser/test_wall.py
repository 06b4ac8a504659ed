"""A wall display: what it says can be read from three metres, and by night the worst is the brightest."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import Level, Paused, Shelved, SignalState
from tests.browser.made_up import MadeUpWard
from tests.conftest import CHROMIUM, require, wait_for

BEDS = 24
SCREEN_MM = 55 * 25.4 * 16 / (16**2 + 9**2) ** 0.5
"""Width of a screen of 55 inches, 16:9; it shows 1920 px."""
MM_PER_PX = SCREEN_MM / 1920
DISTANCE_MM = 3000
LEAST_MM = DISTANCE_MM / 200
"""Height of a capital: 17 minutes of arc."""
LEVELS = [Level.TEAM, Level.BEDSIDE, Level.LOOK, Level.LOOK, Level.BEDSIDE, Level.LOOK, Level.LOOK, Level.BEDSIDE]


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeUpWard]:
    require(CHROMIUM, "chromium")
    found = MadeUpWard(tmp_path_factory.mktemp("wall"), BEDS, twins=frozenset({"bed-1"}))
    yield found
    found.end()


def fill(ward: MadeUpWard, calling: int) -> None:
    """So many beds call; of the others one is of each kind there is."""
    now = ward.now_ms()
    for number in range(1, BEDS + 1):
        ward.put(f"bed-{number}", reason="baseline 140 bpm · variability 9 bpm · no decelerations")
    for number in range(1, calling + 1):
        reason = "late decelerations, 5 of 6 contractions · deepest 35 bpm · variability 4 bpm for 22 min"
        ward.flag(f"bed-{number}", LEVELS[number - 1], reason=reason)
    noted = "variable decelerations with 100% of contractions · for 2 h 7 min · deepest 102 bpm"
    ward.put("bed-21", level=Level.NOTED, reason=noted)
    ward.put("bed-22", shelved=[Shelved("low-variability", "Nora", "asleep", now + 900_000, active=True)])
    ward.put(
        "bed-23", signal=SignalState.LOST, signal_reason="No FHR for 3 min", paused=Paused("Nora", "bathroom", now)
    )


def to_wall(page: Page, ward: MadeUpWard, light: str = "day") -> None:
    page.emulate_media(color_scheme="dark" if light == "night" else "light")
    page.goto(ward.address)
    expect(page.locator(".band").first).to_be_visible()
    page.locator(".options summary").click()
    page.get_by_role("button", name="Wall").click()
    expect(page.locator(".tile")).to_have_count(page.locator(".band").count())


TEXTS = """() => {  // of every text that is shown: what it says, the height of its capitals in px, how far it is cut
  const pen = document.createElement('canvas').getContext('2d');
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const found = [];
  while (walk.nextNode()) {
    const text = walk.currentNode.data.trim(), one = walk.currentNode.parentElement;
    if (!text || !one.checkVisibility() || one.closest('.spoken, script, style')) continue;
    const style = getComputedStyle(one);
    pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
    const box = document.createRange();
    box.selectNodeContents(walk.currentNode);
    const words = box.getBoundingClientRect();
    const inside = (one.closest('.tile') ?? document.documentElement).getBoundingClientRect();
    const out = Math.max(inside.left - words.left, words.right - inside.right, words.bottom - inside.bottom);
    const cut = Math.max(out, one.scrollWidth - one.clientWidth > 1 && style.overflowX !== 'visible' ? 99 : 0);
    found.push({ text, capital: pen.measureText('H').actualBoundingBoxAscent, cut });
  }
  return found;
}"""


def test_every_text_can_be_read_from_three_metres(page: Page, made_up: MadeUpWard) -> None:
    """While more and more beds call; the page stays open, as on a wall."""
    texts: list[dict[str, Any]] = []

    def bad() -> list[tuple[str, float, float]]:
        """Texts that are too small or cut; it is drawn once more in its size."""
        texts[:] = page.evaluate(TEXTS)
        found = [(one["text"], one["capital"] * MM_PER_PX, one["cut"]) for one in texts]
        return [one for one in found if one[1] < LEAST_MM or one[2] > 1]

    to_wall(page, made_up)
    for calling in (0, 1, 3, 5, 6, 8):
        fill(made_up, calling)
        expect(page.locator(", ".join(f".tile.state-{level}" for level in ("look", "bedside", "team")))).to_have_count(
            calling
        )
        expect(page.locator(".wall-strips .tile")).to_have_count(min(calling, 5))
        assert wait_for(lambda: page.evaluate("document.documentElement.scrollHeight <= innerHeight")), calling
        assert wait_for(lambda: not bad() and len(texts) > 4 * BEDS), (calling, bad())
        tiles = page.locator(".tile:not(.state-shelved, .state-paused) .pattern")
        expect(tiles).to_have_count(BEDS - 2)
        patterns = tiles.all_inner_texts()
        assert not [one for one in patterns if len(one) < 12], calling
        print(f"{calling} call: capitals of {min(one['capital'] for one in texts) * MM_PER_PX:.1f} mm and more")


WRITTEN = """() => {  // of what is written on the strips of tiles: its capitals' height, how far it is outside
  window.written = [];
  const pen = CanvasRenderingContext2D.prototype, write = pen.fillText;
  pen.fillText = function (text, x, y, ...more) {
    if (this.canvas.closest('.tile')) {
      const box = this.measureText(text), { clientWidth: width, clientHeight: height } = this.canvas;
      const out = Math.max(box.actualBoundingBoxAscent - y, y - height, -x, x + box.width - width);
      window.written.push({ text, capital: this.measureText('H').actualBoundingBoxAscent, out });
    }
    return write.call(this, text, x, y, ...more);
  };
}"""


@pytest.mark.parametrize("calling", [1, 5])
def test_what_is_written_on_a_strip_can_be_read_from_three_metres(
    page: Page, made_up: MadeUpWard, calling: int
) -> None:
    """It was as large as on a desk: capitals of 5 mm."""
    fill(made_up, calling)
    page.add_init_script(f"({WRITTEN})()")
    to_wall(page, made_up)
    expect(page.locator(".wall-strips .tile")).to_have_count(calling)
    found: list[dict[str, Any]] = []

    def bad() -> list[dict[str, Any]]:
        """What was written since the last look and is too small or cut; at first, it is drawn once in another size."""
        found.extend(page.evaluate("window.written.splice(0)"))
        wrong = [one for one in found if one["capital"] * MM_PER_PX < LEAST_MM or one["out"] > 1]
        if wrong:
            found.clear()
        return wrong

    def is_drawn() -> bool:
        texts = [one["text"] for one in found]
        return texts.count("160") >= 2 * calling and "2" in texts

    assert wait_for(lambda: not bad() and is_drawn()), bad() or found


def test_a_tile_says_bed_rate_level_and_pattern(page: Page, made_up: MadeUpWard) -> None:
    fill(made_up, 2)
    made_up.put("bed-2", acknowledged_by="Kim")
    to_wall(page, made_up)
    first = page.locator(".wall-strips .tile").first
    expect(first.locator("h2")).to_have_text("bed-1")
    expect(first.locator(".headline")).to_have_text("team")
    expect(first.locator(".waiting")).to_contain_text(" s")
    expect(first.locator(".pattern")).to_contain_text("late decelerations, 5 of 6 contractions")
    assert first.locator("canvas").evaluate("c => c.clientHeight") >= 60
    expect(page.locator(".tile[data-bed=bed-2] .waiting")).to_have_text("✓ Kim")
    quiet = page.locator(".wall-tiles .tile[data-bed=bed-9]")
    expect(quiet.locator(".big")).to_have_text("140")
    expect(quiet.locator(".headline")).to_have_text("quiet")
    expect(quiet.locator(".pattern")).to_contain_text("no decelerations")
    expect(quiet.locator("canvas")).to_be_hidden()
    shapes = page.locator(".tile svg.shape path").evaluate_all("all => all.map(one => one.getAttribute('d'))")
    assert len(set(shapes)) == 6, "team, bedside, quiet, noted, shelved, paused"
    expect(page.locator(".notice")).to_have_text(NOTICE)


CONTRAST = """bed => {  // contrasts (WCAG 2, 1.4.3): of the brightest of a tile with what is around it, of text
  const light = colour => {
    const [r, g, b] = colour.match(/[0-9.]+/g).slice(0, 3).map(v => v / 255)
      .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (a, b) => (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  const around = light(getComputedStyle(document.body).backgroundColor);
  const tile = document.querySelector(`.tile[data-bed=${bed}]`);
  const paper = light(getComputedStyle(tile).backgroundColor);
  const words = [...tile.querySelectorAll('h2, .big, .pattern, .waiting')].filter(one => one.textContent)
    .map(one => light(getComputedStyle(one).color));
  const said = tile.querySelector('.headline'), ground = getComputedStyle(said).backgroundColor;
  const under = ground === 'rgba(0, 0, 0, 0)' ? paper : light(ground);
  const texts = [...words.map(one => contrast(one, paper)), contrast(light(getComputedStyle(said).color), under)];
  const stands_out = contrast(Math.max(paper, ...words), around);
  return { stands_out, filled: contrast(paper, around), text: Math.min(...texts) };
}"""


BY_NEED = {
    "team": "bed-1", "team, answered": "bed-4", "bedside": "bed-2", "bedside, answered": "bed-5", "unwatched": "bed-7",
    "look": "bed-3", "look, answered": "bed-6", "lost": "bed-8", "paused": "bed-23", "noted": "bed-21",
    "quiet": "bed-10",
}  # fmt: skip
"""Beds by what they ask for, the worst first: so they stand on the wall, and so bright they are by night."""


@pytest.mark.parametrize("light", ["day", "night"])
def test_by_night_the_worst_is_the_brightest(page: Page, made_up: MadeUpWard, light: str) -> None:
    """By day and by night all texts have a contrast of 4.5 and more (WCAG 2.2, 1.4.3)."""
    fill(made_up, 3)
    for number, level in ((4, Level.TEAM), (5, Level.BEDSIDE), (6, Level.LOOK)):
        made_up.flag(f"bed-{number}", level)
        made_up.put(f"bed-{number}", acknowledged_by="Kim")
    made_up.unwatched.add("bed-7")
    made_up.put("bed-7", looked_at=made_up.now_ms() - 41_000)
    made_up.put("bed-8", signal=SignalState.LOST, signal_reason="No FHR for 3 min", level=Level.NOTED)
    to_wall(page, made_up, light)
    expect(page.locator(".tile[data-bed=bed-6]")).to_contain_text("Kim")
    expect(page.locator(".tile.state-unwatched")).to_have_count(1)
    found: dict[str, Any] = {word: page.evaluate(CONTRAST, bed) for word, bed in BY_NEED.items()}
    print(light, {word: {k: round(v, 1) for k, v in one.items()} for word, one in found.items()})
    for word, one in [*found.items(), ("shelved", page.evaluate(CONTRAST, "bed-22"))]:
        assert one["text"] >= 4.5, word
    there = page.locator(".tile").evaluate_all("all => all.map(one => one.dataset.bed)")
    assert [bed for bed in there if bed in BY_NEED.values()] == list(BY_NEED.values())
    if light == "night":
        out = [one["stands_out"] for one in found.values()]
        assert out == sorted(out, reverse=True)
        assert found["team"]["stands_out"] > 12
        assert found["bedside"]["stands_out"] > 8
        assert found["look"]["stands_out"] > 1.2 * found["noted"]["stands_out"]
        for word in ("team", "bedside", "look"):
            assert found[word]["filled"] > 5 > 2 > found[f"{word}, answered"]["filled"], word


@pytest.mark.parametrize("light", ["day", "night"])
def test_sound_that_is_off_cannot_be_overlooked(page: Page, made_up: MadeUpWard, light: str) -> None:
    """On the wall it is a block of colour as large as a tile's name and more; on the desk it is dark on light."""
    fill(made_up, 0)
    page.emulate_media(color_scheme="dark" if light == "night" else "light")
    page.goto(made_up.address)
    sound = page.locator(".sound")
    expect(sound).to_have_text("Sound off: tap to turn on")
    contrast = """one => {
      const light = c => c.match(/[0-9.]+/g).slice(0, 3).map(v => v / 255)
        .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
        .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0) + 0.05;
      const [a, b] = [one, document.body].map(each => light(getComputedStyle(each).backgroundColor));
      return Math.max(a, b) / Math.min(a, b);
    }"""
    assert sound.evaluate(contrast) > 7
    to_wall(page, made_up, light)
    expect(sound).to_have_attribute("data-state", "silent")
    box = sound.bounding_box()
    assert box is not None
    assert box["width"] * MM_PER_PX > 120
    assert box["height"] * MM_PER_PX > 30
    if light == "night":
        assert sound.evaluate(contrast) > 7
    else:
        assert float(sound.evaluate("one => parseFloat(getComputedStyle(one).borderTopWidth)")) >= 2
    sound.click()
    expect(sound).to_have_text("Sound on")
    expect(sound).to_have_attribute("data-state", "on")
