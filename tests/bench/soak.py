"""Memory of a ward over many hours: `python -m tests.bench.soak [--minutes 60] [--speed 24] [--real] [--out FILE]`.

A demo with a page open in Chromium all the time: every part, the embedded broker and store included (`--real`:
mosquitto and redis-server with an append-only file). Once a minute it writes what each process and the page hold, the
bytes of a frame that the page is sent, what is in the store by kind of key, and how much lies on the disk.

At the end: how much each has grown over the second half, by the hour and by the message, and whether it is flat. The
first half is left out, since buffers and windows fill in it. Flat is what holds, on average of the last quarter, at
most 2 % or 1 MB more than on average of the third quarter. What is kept is compared with its limit, too, and the page
must have been drawn anew all the time. Exit code 1 if anything is not as it should be.
"""

import argparse
import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import fmean

import numpy as np
import psutil
import redis
from playwright.sync_api import sync_playwright

from quietward.contracts.addresses import AUDIT_REFUSED_KEPT, LOG_KEPT, REFUSED_KEPT, TREND_KEPT, Ward
from quietward.runtime.embedded import free_port, mosquitto_settings, store_command, wait_for_port
from quietward.runtime.process import command_of
from tests.bench.page import counters
from tests.browser.conftest import ARGUMENTS
from tests.conftest import CHROMIUM, MOSQUITTO, REDIS

SAMPLED_EVERY_S = 60
MB = 1e6
ROUGHLY = 1.2
"""A stream that is trimmed in whole nodes holds a little more than its limit."""
MUST_BE_FLAT = {"page in the browser, bytes a frame"}
"""Beside what is memory."""
Sample = dict[str, float]


@contextlib.contextmanager
def ward_running(given: argparse.Namespace, folder: Path) -> Iterator[tuple[str, redis.Redis, dict[str, int]]]:
    """Run the ward. Yields the page's address, the store, and the processes' ids by part."""
    port = free_port()
    line = command_of("demo", "--beds", str(given.beds), "--speed", str(given.speed), "--no-browser")
    ids: dict[str, int] = {}
    with contextlib.ExitStack() as stack:
        if given.real:
            broker_port, store_port = free_port(), free_port()
            for name, command, listens in (
                (
                    "mosquitto",
                    [str(MOSQUITTO), "-c", str(mosquitto_settings(broker_port, folder, durable=True))],
                    broker_port,
                ),
                ("redis-server", [str(REDIS), *store_command(store_port, folder, durable=True)[1:]], store_port),
            ):
                ids[name] = stack.enter_context(started(command)).pid
                assert wait_for_port(listens), name
            line += ["--broker", f"mqtt://127.0.0.1:{broker_port}", "--store", f"redis://127.0.0.1:{store_port}/0"]
        environment = os.environ | {"TMPDIR": str(folder), "QUIETWARD_KEEP_HOURS": str(given.keep_hours)}
        demo = stack.enter_context(started([*line, "--port", str(port)], environment))
        assert wait_for_port(port, 120), "no page"
        while all_unwatched(f"http://127.0.0.1:{port}/health"):  # the detector may have to compile its core first
            assert demo.poll() is None, "the demo has ended"
            time.sleep(1)
        for process in psutil.Process(demo.pid).children(recursive=True):
            words = process.cmdline()
            name = words[words.index("quietward") + 1] if "quietward" in words else process.name()
            ids[name] = process.pid
            if name == "embedded-store":
                store_port = int(words[words.index("--port") + 1])
        yield f"http://127.0.0.1:{port}", redis.Redis(port=store_port), ids


@contextlib.contextmanager
def started(command: list[str], environment: dict[str, str] | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """Run a program; end it on the way out."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment)
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(60)


def all_unwatched(address: str) -> bool:
    """Whether no bed of the ward is watched yet."""
    with urllib.request.urlopen(address, timeout=10) as answer:
        return b'"watched":0' in answer.read()


def kept(store: redis.Redis, ward: Ward) -> Sample:
    """Return MB and entries of what is in the store, by kind of key; the longest stream of each kind as well."""
    found: Sample = {"store: in use, MB": store.info("memory")["used_memory"] / MB}
    roots = [f"{shard.root}:" for shard in ward.all_shards]
    for key in store.scan_iter(count=1000):
        name = key.decode()
        root = next((root for root in roots if name.startswith(root)), "")
        kind = name.removeprefix(root).split(":")[0] if root else name.split(":")[-1]
        size, length = store.memory_usage(key, samples=0) or 0, store.xlen(key) if store.type(key) == b"stream" else 1
        for what, value in (("MB", size / MB), ("entries", length)):
            found[f"store: {kind}, {what}"] = found.get(f"store: {kind}, {what}", 0) + value
        longest = f"store: {kind}, longest"
        found[longest] = max(found.get(longest, 0), length)
    return found


def on_disk(folder: Path) -> float:
    """Return what lies in a folder, in MB."""
    sizes = []
    for path in folder.rglob("*"):
        with contextlib.suppress(OSError):  # replaced meanwhile
            sizes.append(path.stat().st_size if path.is_file() else 0)
    return sum(sizes) / MB


def watch(given: argparse.Namespace, folder: Path, tell: Callable[[Sample], None]) -> list[Sample]:
    """Run the ward with a page for as long as asked, and return what was sampled."""
    samples: list[Sample] = []
    with ward_running(given, folder) as (address, store, ids), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.goto(address)
        session = page.context.new_cdp_session(page)
        session.send("Performance.enable")
        frames: list[int] = []
        page.on("websocket", lambda ws: ws.on("framereceived", lambda frame: frames.append(size_of(frame))))
        page.reload()
        began = time.monotonic()
        while (elapsed_s := time.monotonic() - began) < given.minutes * 60:
            page.wait_for_timeout(1000 * min(SAMPLED_EVERY_S, given.minutes * 60 - elapsed_s))
            now = counters(session)
            sample = {
                "min": (time.monotonic() - began) / 60,
                **{f"{name}, MB": psutil.Process(pid).memory_info().rss / MB for name, pid in ids.items()},
                "page in the browser, heap, MB": now["JSHeapUsedSize"] / MB,
                "page in the browser, elements": now["Nodes"],
                "page in the browser, frames a minute": len(frames),
                "page in the browser, bytes a frame": fmean(frames or [0]),
                "page in the browser, main thread, s in all": now["TaskDuration"],
                "disk, MB": on_disk(folder),
                **kept(store, Ward("ward-1")),
            }
            frames.clear()
            samples.append(sample)
            tell(sample)
        browser.close()
    return samples


def size_of(frame: str | bytes) -> int:
    """Return the bytes of a frame of the page's socket."""
    return len(frame.encode() if isinstance(frame, str) else frame)


def table(samples: list[Sample], per_s: float) -> tuple[list[str], list[str]]:
    """Return the lines of the table, and what is not flat. per_s: messages a second."""
    lines = ["| what | half way | at the end | by the hour | bytes a message | flat |", "|---|---|---|---|---|---|"]
    second = samples[len(samples) // 2 :]
    third, fourth = second[: len(second) // 2], second[len(second) // 2 :]
    minutes = np.array([one["min"] for one in second])
    not_flat = []
    for name in sorted(set(second[0]) & set(second[-1]) - {"min"}):
        values = np.array([one.get(name, np.nan) for one in second])
        hourly = float(np.polyfit(minutes / 60, values, 1)[0])
        before, after = (fmean(one[name] for one in part) for part in (third, fourth))
        is_memory = name.endswith("MB")
        is_flat = after <= before + max(0.02 * before, 1.0 if is_memory else 0.0)
        said = "yes" if is_flat else "no"
        a_message = f"{hourly * MB / 3600 / per_s:+.1f}" if is_memory else ""
        lines.append(f"| {name} | {values[0]:,.1f} | {values[-1]:,.1f} | {hourly:+.2f} | {a_message} | {said} |")
        if not is_flat and (is_memory or name in MUST_BE_FLAT) and not name.startswith(("store", "disk")):
            not_flat.append(f"{name} is not flat: {before:.1f}, then {after:.1f}")
    return lines, not_flat


def beyond_limits(last: Sample, given: argparse.Namespace) -> list[str]:
    """Return what is kept beyond its limit at the end."""
    limits: dict[str, float] = {
        "store: refused, entries": REFUSED_KEPT,
        "store: audit-refused, entries": AUDIT_REFUSED_KEPT,
        "store: log, longest": LOG_KEPT,
        "store: trend, longest": TREND_KEPT,
        "store: input, entries": given.keep_hours * 3600 * (given.beds + 1),  # one a second and bed, and a tick
    }
    return [
        f"{name} is {last[name]:,.0f}, more than {limit:,.0f}"
        for name, limit in limits.items()
        if last.get(name, 0) > ROUGHLY * limit + 100
    ]


def main() -> int:
    """Run, print the table, and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=59, help="24 h of signal, the first 12 min of it at once.")
    parser.add_argument("--speed", type=float, default=24)
    parser.add_argument("--beds", type=int, default=12)
    parser.add_argument("--keep-hours", type=float, default=6, help="Hours of signal that the store keeps.")
    parser.add_argument("--real", action="store_true", help="mosquitto and redis-server.")
    parser.add_argument("--out", type=Path, help="Samples as JSON lines.")
    given = parser.parse_args()

    def tell(sample: Sample) -> None:
        shown = {name: value for name, value in sample.items() if not name.startswith("store: ") or "in use" in name}
        print(", ".join(f"{name} {value:.1f}" for name, value in shown.items()), flush=True)
        if given.out is not None:
            with given.out.open("a") as file:
                file.write(json.dumps(sample) + "\n")

    with tempfile.TemporaryDirectory(prefix="quietward-soak-") as folder:
        samples = watch(given, Path(folder), tell)
    lines, faults = table(samples, given.beds * given.speed)
    faults += beyond_limits(samples[-1], given)
    slowest = min(one["page in the browser, frames a minute"] for one in samples[1:-1])
    if slowest < 50:
        faults.append(f"the page was sent {slowest:.0f} frames in a minute")
    print("\n".join(["", *lines, "", *(faults or ["All is flat, and within its limits."])]))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
