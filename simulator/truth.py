"""What really happened in a simulated labour, and the file it travels in."""

from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct


class Truth(Struct, frozen=True):
    """One thing that really happened; seconds from the start of the labour.

    extreme_s: peak or nadir. size: bpm, or units of uterine activity. cause: of a deceleration.
    """

    what: str
    onset_s: float
    extreme_s: float
    end_s: float
    size: float
    cause: str = ""


class Span(Struct, frozen=True):
    """Something that was so for a time: a state of mother or fetus, an artefact, or somebody being needed."""

    what: str
    from_s: float
    until_s: float
    size: float = 0.0


class Helped(Struct, frozen=True):
    """Something staff did, and what it relieved, from when to when; empty when it did not help."""

    t_s: float
    what: str
    relieved: list[Span]


class MinuteTruth(Struct, frozen=True):
    """What was true at the end of a minute: baseline and variability in bpm, the share of the reserve that is used."""

    t_s: float
    baseline_bpm: float
    variability_bpm: float
    reserve_used: float


class TruthFile(Struct, frozen=True):
    """All that is true of one recording.

    events: contractions, accelerations, decelerations. states: of mother and fetus. artefacts: what sensors did.
    needs: from when to when somebody was needed, at which level (`what`), as the simulation knows it.
    """

    notice: str
    scenario: str
    purpose: str
    good_watcher: str
    seed: int
    hz: int
    duration_s: int
    weeks: int
    second_stage_from_s: float | None
    events: list[Truth]
    states: list[Span]
    artefacts: list[Span]
    needs: list[Span]
    care: list[Helped]
    minutes: list[MinuteTruth]

    def since(self, skip_s: float, duration_s: float) -> "TruthFile":
        """Return the truth of a part: times count from `skip_s`, and what lies outside is left out."""

        def moved_spans(spans: list[Span]) -> list[Span]:
            return [
                Span(x.what, x.from_s - skip_s, x.until_s - skip_s, x.size)
                for x in spans if x.until_s > skip_s and x.from_s < skip_s + duration_s
            ]  # fmt: skip

        stage = self.second_stage_from_s
        return msgspec.structs.replace(
            self,
            duration_s=int(duration_s),
            second_stage_from_s=None if stage is None else stage - skip_s,
            events=[
                Truth(e.what, e.onset_s - skip_s, e.extreme_s - skip_s, e.end_s - skip_s, e.size, e.cause)
                for e in self.events if e.end_s > skip_s and e.onset_s < skip_s + duration_s
            ],
            states=moved_spans(self.states),
            artefacts=moved_spans(self.artefacts),
            needs=moved_spans(self.needs),
            care=[Helped(c.t_s - skip_s, c.what, moved_spans(c.relieved)) for c in self.care if c.t_s >= skip_s],
            minutes=[
                msgspec.structs.replace(m, t_s=m.t_s - skip_s)
                for m in self.minutes if skip_s < m.t_s <= skip_s + duration_s
            ],
        )  # fmt: skip


def write(path: Path, truth: TruthFile) -> None:
    """Write a truth file as JSON."""
    path.write_bytes(msgspec.json.format(msgspec.json.encode(_rounded(msgspec.to_builtins(truth))), indent=1))


def _rounded(value: Any) -> Any:
    """Return the same with two decimals: a hundredth of a second, of a bpm or of the reserve is finer than any use."""
    match value:
        case float():
            return round(value, 2)
        case dict():
            return {name: _rounded(one) for name, one in value.items()}
        case list():
            return [_rounded(one) for one in value]
    return value


def read(path: Path) -> TruthFile:
    """Read a truth file. Raises msgspec.ValidationError when it is none."""
    return msgspec.json.decode(path.read_bytes(), type=TruthFile)
