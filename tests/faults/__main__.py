"""Print the fault table: `python -m tests.faults [--short] [--only WORDS]`, with mosquitto and redis-server.

A tool of the project and no command of `quietward`: it kills and starves what it watches, and must never be pointed at
a ward that somebody relies on, so it takes no address and starts all parts itself, on loopback. Ten minutes, or one
with `--short`. Exit code 1 when a row is not as it should be.
"""

import argparse
import asyncio
import tempfile
from pathlib import Path

from tests.faults.faults import OFFLINE_BEDS, OFFLINE_S, all_faults, offline, short_form
from tests.faults.table import HEAD, Row, line, measure
from tests.faults.ward import running_ward


async def main() -> int:
    """Print the table and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--short", action="store_true", help="A few faults.")
    parser.add_argument("--only", default="", help="Faults whose name holds these words.")
    parser.add_argument("--logs", action="store_true", help="Keep the logs of all parts, and say where.")
    asked = parser.parse_args()
    faults = [one for one in (short_form() if asked.short else all_faults()) if asked.only in one.name]

    def told(row: Row) -> None:
        print(line(row), flush=True)

    folder = Path(tempfile.mkdtemp(prefix="quietward-faults-"))
    if asked.logs:
        print(f"logs: {folder}")
    print(HEAD, flush=True)
    rows = []
    if faults:
        async with running_ward(folder / "ward") as ward:
            rows = await measure(ward, faults, told)
    if not asked.short and asked.only in offline().name:
        async with running_ward(folder / "offline", OFFLINE_BEDS, OFFLINE_S) as ward:
            rows += await measure(ward, [offline()], told)
    return 1 if any(row.faults for row in rows) else 0


if __name__ == "__main__":
    raise SystemExit(asyncio.run(main()))
