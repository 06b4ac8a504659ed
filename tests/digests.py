"""What comes out, as digests: `python -m tests.digests [FOLDER] [--out FILE] [--against FILE]`.

A step that should change nothing is made between two runs, on one machine: the first with `--out before.json`, the
second with `--against before.json`, which names what differs; exit code 1 then. SHA-256 of

- each line of `quietward assess --json` over FOLDER, and over simulated labours;
- each table of a study of one short shift, without its columns of version and commit;
- the events and the summaries, by bed, of `engine.step` over an hour of a ward whose flags somebody answers.

The simulated signals have digests of their own: where these differ, the rest says nothing of the detector.
"""

import argparse
import csv
import hashlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import msgspec
import numpy as np

from quietward.contracts.commands import Acknowledge, RecordCare
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.inputs import Block, CommandEnvelope, Input, Tick
from quietward.detect import assess, rule_file
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from quietward.recordings.files import find_recordings, read_recording
from quietward.recordings.recording import Recording
from quietward.simulator import bed, scenario
from quietward.study import cases, run, tables
from quietward.study.plan import Study, plan_study

LABOURS = ("calm", "bad-quarter-hour", "close-contractions", "prolonged-before-birth", "late-with-falling-variability")
SEED, LABOUR_S = 17, 2 * 3600
STREAM_S = 3600
BEGAN_MS = 1_790_000_000_000
STUDY = {
    "name": "digests",
    "purpose": "the same before and after",
    "limit": {"interruptions_per_nurse_hour": 2.0},
    "how": "each",
    "cases": [{"shift": "night-shift", "hours": 1, "seeds": [SEED, SEED]}],
    "vary": [{"key": "concern-high.limit", "values": [54]}],
}
NOT_COMPARED = {"version", "commit"}
"""Columns of a study's tables that differ with each commit."""


def main() -> int:
    """Print all digests, or write or compare them, and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.digests", description="what comes out, as digests")
    parser.add_argument("folder", nargs="?", type=Path, help="recordings, besides the simulated ones")
    parser.add_argument("--out", type=Path, help="where the digests are written")
    parser.add_argument("--against", type=Path, help="digests of before")
    given = parser.parse_args()
    before = None if given.against is None else json.loads(given.against.read_text())
    found = digests(given.folder)
    text = json.dumps(found, indent=1, ensure_ascii=False)
    if given.out is not None:
        given.out.write_text(text + "\n")
    if before is None:
        if given.out is None:
            print(text)
        return 0
    differ = differences(before, found)
    print("\n".join(differ) if differ else f"all {len(found)} are the same")
    return 1 if differ else 0


def differences(before: dict[str, str], after: dict[str, str]) -> list[str]:
    """Return a line for each digest that is another one, or is only in one of the two."""
    told = []
    for name in [*before, *(name for name in after if name not in before)]:
        if name not in after:
            told.append(f"{name}: is not there any more")
        elif name not in before:
            told.append(f"{name}: was not there before")
        elif before[name] != after[name]:
            told.append(f"{name}: differs")
    return told


def digests(folder: Path | None) -> dict[str, str]:
    """Return the digest of everything, by name."""
    rules = rule_file.load()
    labours = {name: bed.simulate(scenario.load(name), SEED, LABOUR_S) for name in LABOURS}
    found = {f"signal {name}": digest(one.fhr.tobytes(), one.ua.tobytes()) for name, one in labours.items()}
    recordings = [Recording(f"simulated {name}", one.fhr, one.ua) for name, one in labours.items()]
    if folder is not None:
        recordings += [read_recording(path) for path in find_recordings([folder])]
    for row in assess.assess(recordings, rules, rules.rule_sets[0].name):
        found[f"assess {row.record}"] = digest(encode_json(row))
    found |= {f"study {name}": one for name, one in of_study()}
    found |= {f"stream {name}": one for name, one in of_stream(labours, rules)}
    return found


def digest(*parts: bytes) -> str:
    """Return the SHA-256 of parts, one behind the other."""
    found = hashlib.sha256()
    for part in parts:
        found.update(part)
    return found.hexdigest()


def of_study() -> Iterator[tuple[str, str]]:
    """Yield the digest of each table of a study, by its file's name."""
    plan = plan_study(msgspec.convert(STUDY, Study), "digests")
    with TemporaryDirectory(prefix="digests-") as folder:
        result = run.run(plan, cases.group_cases(plan.study), Path(folder), 1)
        for path in tables.write(Path(folder), result):
            with path.open(newline="") as file:
                rows = [[v for k, v in row.items() if k not in NOT_COMPARED] for row in csv.DictReader(file)]
            yield path.name, digest(json.dumps(rows).encode())


def of_stream(labours: dict[str, Any], rules: Rules) -> Iterator[tuple[str, str]]:
    """Yield the digests of what is said of each bed."""
    state = State(rules)
    said: dict[str, list[bytes]] = {}
    flags: dict[str, str] = {}
    for second in range(STREAM_S):
        output = engine.step(state, list(inputs_at(second, labours, flags)))
        for event in output.events:
            said.setdefault(f"events {event.bed}", []).append(encode_json(event))
        for summary in summaries.of(state, output):
            said.setdefault(f"summaries {summary.bed}", []).append(encode_json(summary))
            flags[summary.bed] = summary.flag or ""
    for name, parts in sorted(said.items()):
        yield name, digest(*parts)


def inputs_at(second: int, labours: dict[str, Any], flags: dict[str, str]) -> Iterator[Input]:
    """Yield what comes in this second: the devices, sometimes somebody, the time. flags: what each bed has now."""
    at = BEGAN_MS + second * 1000
    for number, labour in enumerate(labours.values(), 1):
        part = slice(second * HZ, (second + 1) * HZ)
        if (second + number) % 97 != 0:  # a second is lost now and then
            yield Block(f"bed-{number}", "s", second, at, at, values(labour.fhr[part]), values(labour.ua[part]))
    if second % 300 == 299:
        for name, flag in sorted(flags.items()):
            if flag:
                yield CommandEnvelope(at, Acknowledge(name, "Kim", flag))
                yield CommandEnvelope(at, RecordCare(name, "Kim", "turned"))
    yield Tick(at)


def values(samples: Any) -> list[float | None]:
    """Return samples as a device sends them."""
    return [None if np.isnan(x) else float(x) for x in samples]


if __name__ == "__main__":
    sys.exit(main())
