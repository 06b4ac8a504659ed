"""What devices play: recordings as they are; simulated beds as they are simulated, with care from the next tick on."""

import numpy as np
import pytest

from quietward.contracts.commands import CareKind
from quietward.contracts.errors import BadSettings
from quietward.contracts.fields import HZ
from quietward.recordings.recording import LabourContext, Recording
from quietward.simulator import scenario, shift
from quietward.simulator.bed import TICK_S, simulate
from quietward.simulator.service import in_words, recorded, simulated
from quietward.simulator.sources import DeviceSecond, LiveBed, RecordedStrip
from quietward.simulator.truth import Helped, Span

PRESSED = scenario.Scenario(
    "pressed", "a fall without end", "a fall", "go there", 60,
    [scenario.Phase(0, baseline_bpm=140, contraction_interval_s=200, contraction_duration_s=60, fhr_loss_share=0)],
    happening=[scenario.Happening(0.5, "cord-compressed", 60, 60)],
    weeks=31, second_stage_from_min=1, shows_mothers_pulse=True, capacity_bpm_min=100_000,
)  # fmt: skip
SECONDS = 305


def played(live: LiveBed, at: int | None = None, did: CareKind = "turned") -> list[DeviceSecond]:
    """All seconds; `did` is done when `at` of them have been played."""
    found: list[DeviceSecond] = []
    for second in live.play():
        found.append(second)
        if len(found) == at:
            live.did(did)
    return found


def fhr(seconds: list[DeviceSecond]) -> np.ndarray:
    return np.array([s.fhr for s in seconds], dtype=float).ravel()


def test_a_recording_is_played_as_it_is() -> None:
    strip = RecordedStrip("bed-1", np.array([140, np.nan, 141.25, 142, 143, 1]), np.arange(6.0), "test")
    assert list(strip.play()) == [DeviceSecond([140, None, 141.25, 142], [0, 1, 2, 3])]
    assert strip.seconds == 1


def test_a_recording_is_played_with_its_weeks_and_second_stage() -> None:
    def strip(labour: LabourContext) -> RecordedStrip:
        return recorded([Recording("r1", np.full(16, 140.0), np.full(16, 10.0), labour=labour)], None)[0]

    early = strip(LabourContext(31, 1.5))
    assert early.weeks == 31
    assert [second.stage for second in early.play()] == [1, 1, 2, 2]
    assert strip(LabourContext(12)).weeks is None, "a message that says so would be refused"
    unknown = strip(LabourContext())
    assert (unknown.weeks, next(unknown.play()).stage) == (None, None)


def test_two_recordings_of_one_name_do_not_play_at_one_bed() -> None:
    """Folders are read with the folders in them."""
    one = Recording("r1", np.full(8, 140.0), np.full(8, 10.0))
    with pytest.raises(BadSettings, match=r"'rec-r1'. Two recordings"):
        recorded([one, one], None)


def test_a_simulated_bed_is_played_as_it_is_simulated() -> None:
    live, labour = LiveBed("bed-1", PRESSED, 3, SECONDS), simulate(PRESSED, 3, SECONDS)
    seconds = played(live)
    assert len(seconds) == SECONDS == live.seconds
    np.testing.assert_array_equal(fhr(seconds), labour.fhr)
    np.testing.assert_array_equal(np.array([s.ua for s in seconds], dtype=float).ravel(), labour.ua)
    assert [s.stage for s in seconds] == [1] * 60 + [2] * (SECONDS - 60)
    assert {s.mothers_bpm for s in seconds} == {PRESSED.mothers_pulse_bpm}
    assert live.weeks == 31


@pytest.mark.parametrize("at", [100, 101, 109])
def test_care_changes_what_comes_from_the_next_tick_on(at: int) -> None:
    seed = next(
        s for s in range(1, 100) if "cord" in [x.what for x in LiveBed("b", PRESSED, s, 1).did("turned").relieved]
    )
    alone, cared = (
        fhr(played(LiveBed("b", PRESSED, seed, SECONDS))),
        fhr(played(LiveBed("b", PRESSED, seed, SECONDS), at)),
    )
    next_tick = -(-at // TICK_S) * TICK_S * HZ
    np.testing.assert_array_equal(alone[:next_tick], cared[:next_tick])
    assert np.nanmedian(cared[-40:]) - np.nanmedian(alone[-40:]) > 40, "the fall is over"


def test_beds_are_dealt_their_scenarios_in_turn() -> None:
    beds = simulated(shift.dealt(["calm", "noisy-but-well"], 3), 1, 60)
    assert [(b.bed, b.src, b.seconds) for b in beds] == [
        ("bed-1", "sim calm", 60), ("bed-2", "sim noisy-but-well", 60), ("bed-3", "sim calm", 60),
    ]  # fmt: skip
    assert fhr(played(beds[0])).tolist() != fhr(played(beds[2])).tolist(), "the same scenario is another labour"


def test_what_she_responds_is_said() -> None:
    nothing = Helped(90, "examined", [])
    assert in_words("bed-1", nothing) == "bed-1 at 1.5 min, examined: nothing is relieved"
    much = Helped(90, "turned", [Span("cord", 120, 3600), Span("signal", 150, 1500)])
    assert in_words("bed-2", much) == (
        "bed-2 at 1.5 min, turned: cord relieved from 2.0 to 60.0 min, signal relieved from 2.5 to 25.0 min"
    )
