"""What the page's server sends, written down for the tests of JavaScript: two frames, and how strips are drawn.

What a card says is no part of it. `python -m tests.golden` writes it anew, when something has been changed on purpose.
"""

import base64
import json
from pathlib import Path
from typing import Any, cast
from unittest.mock import patch

import msgspec
from msgspec import Struct

from quietward.contracts.addresses import Ward
from quietward.contracts.inputs import Block
from quietward.contracts.log import Event
from quietward.contracts.strip import STRIP
from quietward.dashboard.live import hub as live
from quietward.dashboard.view.signal_buffer import KEPT_S, SignalBuffer

FILE = Path(__file__).parent / "javascript" / "golden.json"
NOW = 1_790_000_000_000
FIRST = 497_222 * KEPT_S - 3
"""Three seconds before the rings begin again at their start."""


def _block(second: int, fhr: list[float | None], ua: list[float | None]) -> Block:
    return Block("bed-1", "s", second - FIRST, second * 1000, NOW, fhr, ua, stage=1, weeks=39)


class _Card(Struct, frozen=True):
    bed: str
    events: int


def _contraction(number: int, onset_s: float, end_s: float) -> Event:
    detail: dict[str, float | str | None] = {"onset_s": onset_s, "end_s": end_s}
    return Event(f"bed-1-{number}", "bed-1", NOW, "contraction", f"contraction of {end_s - onset_s:.0f} s", detail)


def _trend(second: int, baseline_bpm: float | None) -> Event:
    return Event(f"bed-1-{second}", "bed-1", second * 1000, "trend", "", {"baseline_bpm": baseline_bpm})


def made() -> dict[str, Any]:
    """Return the frames, the first of them whole, and the signals of bed-1 after each: at 4 Hz, None for no value."""
    hub = live.Hub(Ward("ward-1", 1), cast("Any", None))
    strip = hub.signals["bed-1"] = SignalBuffer()
    hub.labours["bed-1"] = live.LabourInfo(1, 39, None)
    hub.logs["bed-1"] = [_contraction(3, FIRST, FIRST + 4)]
    hub.trends["bed-1"] = [_trend(FIRST + 3, 141.5), _trend(FIRST, None)]  # newest first, as they are read
    found = []

    def send(events: int, *, whole: bool) -> None:
        cards = [_Card("bed-1", events), _Card("bed-2", 1)]  # no signal of bed-2 has come
        with patch.object(hub, "cards", lambda: cards):
            frame = hub._frame(whole=whole)
        hub.sent_seconds = {"bed-1": strip.last, "bed-2": -1}
        hub.sent_events = {card.bed: card.events for card in cards}
        fhr, ua = ([None if x != x else x for x in signal.tolist()] for signal in strip.arrays())
        held = {"first": strip.first, "last": strip.last, "fhr": fhr, "ua": ua}
        found.append({"bytes": base64.b64encode(frame).decode(), "held": held})

    with patch.object(live, "now_ms", lambda: NOW), patch.object(live, "troubles_of_ward", lambda *_: []):
        strip.add(_block(FIRST, [140.0, 140.25, None, 299.75], [0.0, 12.5, 127.5, None]))
        strip.add(_block(FIRST + 1, [None] * 4, [10.0] * 4))
        strip.add(_block(FIRST + 3, [120.0, 121.0, 122.0, 123.0], [20.0, None, 21.0, 21.5]))  # one before it is missing
        send(3, whole=True)
        strip.add(_block(FIRST + 5, [130.5] * 4, [30.0] * 4))
        hub.logs["bed-1"] = [_contraction(4, FIRST + 4, FIRST + 9), *hub.logs["bed-1"]]
        send(4, whole=False)
    return {"first": FIRST, "frames": found, "strip_style": json.loads(msgspec.json.encode(STRIP))}


if __name__ == "__main__":
    FILE.write_text(json.dumps(made(), indent=1) + "\n")
