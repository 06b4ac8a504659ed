"""What is true of a recording, as far as a study asks: a file `NAME.truth.json` beside a recording NAME of any format.

Simulated recordings bring one with more in it; whoever has recordings of their own writes one by hand.
"""

from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct, structs

from quietward.contracts.errors import BadRecording, possible
from quietward.contracts.summary import Level
from quietward.contracts.tables import check_table
from quietward.contracts.validation import NOT_DECODED
from quietward.simulator.truth import MinuteTruth, Span

NEEDED = (Level.BEDSIDE.value, Level.TEAM.value)


class KnownTruth(Struct, frozen=True):
    """Seconds from the first sample. needs: when somebody was needed; `what` is bedside or team. states: of mother and
    fetus. artefacts: what sensors did. second_stage_from_s: None if it did not come, or is not known; weeks: 0 at term.
    minutes: what only a simulation knows. pathological: when the trace, free of noise and loss, meets a published
    definition (`definitions`); None where that is not known.
    """

    needs: list[Span]
    states: list[Span]
    artefacts: list[Span]
    weeks: Annotated[int, Meta(ge=0, le=45)] = 0
    second_stage_from_s: float | None = None
    minutes: list[MinuteTruth] = []
    pathological: list[Span] | None = None


def read(path: Path) -> KnownTruth:
    """Read a truth file. Raises BadRecording."""
    try:
        table = msgspec.json.decode(path.read_bytes())
    except OSError as error:
        raise BadRecording(str(path), type(error).__name__, f"Cannot be read: {error.strerror}") from error
    except NOT_DECODED as error:
        raise BadRecording(str(path), path.name, f"Is not JSON: {error}") from error
    truth = check_table(table, KnownTruth, f"{path}: ", BadRecording)
    for name in ("needs", "states", "artefacts"):
        for i, span in enumerate(getattr(truth, name)):
            here = f"{path}: {name}[{i}]"
            if name == "needs" and span.what not in NEEDED:
                raise BadRecording(f"{here}.what", span.what, possible(NEEDED, span.what))
            # What a sensor did for a moment may have no length left in a file, whose times are rounded.
            if span.until_s < span.from_s or (name == "needs" and span.until_s == span.from_s):
                raise BadRecording(f"{here}.until_s", span.until_s, f"Must come after from_s, {span.from_s:g}")
    return truth


def until(truth: KnownTruth, t_s: float) -> KnownTruth:
    """Return what is true up to a moment."""
    needs, states, artefacts, pathological = (
        spans and [structs.replace(s, until_s=min(s.until_s, t_s)) for s in spans if s.from_s < t_s]
        for spans in (truth.needs, truth.states, truth.artefacts, truth.pathological)
    )
    minutes = [m for m in truth.minutes if m.t_s <= t_s]
    return structs.replace(
        truth, needs=needs, states=states, artefacts=artefacts, minutes=minutes, pathological=pathological
    )
