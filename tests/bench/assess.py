"""What reading many recordings costs: `python -m tests.bench.assess FOLDER [--repeat N]`.

`quietward assess FOLDER --json` as a child process: bed-hours per core-second, by the processor time of that process
and all of its own, start, reading and JSON included. Then the same steps in one more child, each with its own time:
import, reading, the core (`advance`), everything else, JSON. Of several runs the least counts: what is compiled is read
then. A machine that is shared is noisy; compare versions on one machine, in one session.
"""

import argparse
import json
import resource
import subprocess
import sys
import time
from pathlib import Path

from quietward.runtime.process import command_of

SPLIT = """
import time
started = time.process_time()
import json, sys
from quietward.cli import app
from quietward.contracts.fields import encode_json
from quietward.detect import assess, rule_file
from quietward.detect.core import engine
from quietward.recordings.files import find_recordings, read_recording
from pathlib import Path
spent = {"import": time.process_time() - started}
started = time.process_time()
rules = rule_file.load()
engine.prepare(rules)
spent["rules, compiled code"] = time.process_time() - started
started = time.process_time()
recordings = [read_recording(path) for path in find_recordings([Path(sys.argv[1])])]
spent["reading"] = time.process_time() - started
inside, advance = 0.0, engine.advance
def timed(*arguments, **named):
    global inside
    began = time.process_time()
    result = advance(*arguments, **named)
    inside += time.process_time() - began
    return result
engine.advance = timed
started = time.process_time()
rows = assess.assess(recordings, rules, "nichd-2008")
whole = time.process_time() - started
spent["advance"] = inside
spent["what is said of it"] = whole - inside
started = time.process_time()
for row in rows:
    encode_json(row)
spent["JSON"] = time.process_time() - started
print(json.dumps(spent))
"""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--repeat", type=int, default=3)
    given = parser.parse_args()
    command = command_of("assess", str(given.folder), "--json")
    runs = [cost_of(command) for _ in range(given.repeat)]
    core_s, took_s, said = min(runs)
    rows = [json.loads(line) for line in said.splitlines()]
    hours = sum(row["duration_s"] for row in rows) / 3600
    print(f"{len(rows)} recordings, {hours:.1f} bed-hours: {core_s:.2f} s of one core, {took_s:.2f} s passed")
    print(f"{hours / core_s:.1f} bed-hours per core-second, of {given.repeat} runs the fastest")
    parts = [json.loads(cost_of([sys.executable, "-c", SPLIT, str(given.folder)])[2]) for _ in range(given.repeat)]
    for name, seconds in min(parts, key=lambda one: sum(one.values())).items():
        print(f"{name:>22}: {seconds:7.3f} s of one core")


def cost_of(command: list[str]) -> tuple[float, float, str]:
    """Run a command; return processor time and time passed, s, and what it wrote. Raises CalledProcessError."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    took_s, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    core_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return core_s, took_s, done.stdout


if __name__ == "__main__":
    main()
