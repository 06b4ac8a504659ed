"""Write down what a ward of an earlier version holds in Redis, for `tests/integration/test_upgrade.py`.

In a clone at the commit of that version, installed into an environment of its own, and with redis-server and mosquitto:

    python -m tests.upgrade.make PATH-OF-ITS-PYTHON tests/upgrade/0.1.0.msgpack.xz

Its own ingest, detector and devices run for `MINUTES` minutes of signal, sent at once, and `LIVE_S` seconds more. Of
four beds one has a flag that nobody answers, one a flag that was answered and a woman who was turned, one nothing, and
one has been silent since its third minute. What is written is every key with type, time to live and content, not the
server's own file: it can be put back into any server.
"""

import argparse
import json
import lzma
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import msgspec
import redis
from paho.mqtt import publish
from paho.mqtt.enums import MQTTProtocolVersion

from quietward.runtime.embedded import free_port, mosquitto_settings, store_command, wait_for_port

WARD = "ward-1"
SCENARIOS = ("cord-not-recovering", "cord-until-turned", "calm")
MINUTES = 23
LIVE_S = 25
FEW_S = 150
UNANSWERED, ANSWERED, CALM, SILENT = "bed-1", "bed-2", "bed-3", "bed-4"
REDIS = shutil.which("redis-server") or "redis-server"
MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin") or "mosquitto"
Content = dict[str, tuple[str, int, Any]]


def main() -> int:
    """Run the earlier version, then write the file and say what is in it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("python", help="of the environment in which the earlier version is installed")
    parser.add_argument("out", type=Path)
    given = parser.parse_args()
    running: list[subprocess.Popen[bytes]] = []
    with tempfile.TemporaryDirectory() as folder:
        try:
            content = run(given.python, Path(folder), running)
        finally:
            for process in reversed(running):
                process.send_signal(signal.SIGTERM)
                process.wait(20)
    given.out.write_bytes(lzma.compress(msgspec.msgpack.encode(content), preset=9))
    for key, (kind, ttl, value) in sorted(content.items()):
        print(f"{key}  {kind}, {len(value)}{'' if ttl < 0 else f', {ttl} ms left'}")
    print(f"{given.out.stat().st_size / 1000:.0f} kB")
    return 0


def run(python: str, folder: Path, running: list[subprocess.Popen[bytes]]) -> Content:
    """Let the parts of the earlier version work, and return what is in the store then."""
    store_port, broker_port = free_port(), free_port()
    command = store_command(store_port, folder)
    command[0] = REDIS
    running.append(subprocess.Popen(command, stdout=subprocess.DEVNULL))
    running.append(subprocess.Popen([MOSQUITTO, "-c", str(mosquitto_settings(broker_port, folder))]))
    if not (wait_for_port(store_port) and wait_for_port(broker_port)):
        sys.exit("redis-server or mosquitto does not listen")
    environment = {k: v for k, v in os.environ.items() if not k.startswith("QUIETWARD_")} | {
        "QUIETWARD_WARD": WARD,
        "QUIETWARD_BROKER": f"mqtt://127.0.0.1:{broker_port}",
        "QUIETWARD_STORE": f"redis://127.0.0.1:{store_port}/0",
        "QUIETWARD_CHECKPOINT_S": "5",
    }

    def start(*arguments: str) -> None:
        running.append(subprocess.Popen([python, "-m", "quietward", *arguments], env=environment, cwd=folder))

    start("ingest")
    start("detect")
    time.sleep(5)
    begin_ms = int(time.time() * 1000) - MINUTES * 60_000
    publish.multiple(
        [
            (f"quietward/v1/{WARD}/{SILENT}/samples", json.dumps(
                {"session": "s", "seq": n, "t": begin_ms + n * 1000, "hz": 4, "fhr": [140.0] * 4, "ua": [10.0] * 4}
            ), 1, False)
            for n in range(FEW_S)
        ],
        hostname="127.0.0.1", port=broker_port, protocol=MQTTProtocolVersion.MQTTv5,
    )  # fmt: skip
    named = [option for name in SCENARIOS for option in ("--scenario", name)]
    start("simulate", *named, "--beds", str(len(SCENARIOS)), "--head-start", str(MINUTES), "--hours", "1")
    client: Any = redis.Redis(port=store_port)
    root = f"quietward:{{{WARD}:0}}"

    def summary(bed: str) -> dict[str, Any]:
        found = client.hget(f"{root}:summary", bed)
        return {} if found is None else json.loads(found)

    def act(**command: str) -> None:
        inputs = [["done", int(time.time() * 1000), command]]
        client.xadd(f"{root}:input", {"e": msgspec.msgpack.encode(inputs)})

    end = time.monotonic() + 120
    while not all(summary(bed).get("flag") for bed in (UNANSWERED, ANSWERED)):
        if time.monotonic() > end:
            sys.exit("no flags: choose other scenarios, or more minutes")
        time.sleep(1)
    time.sleep(10)
    act(type="acknowledge", bed=ANSWERED, by="Kim", flag=summary(ANSWERED)["flag"])
    act(type="care", bed=ANSWERED, by="Kim", what="turned")
    time.sleep(LIVE_S)
    return dump(client)


def dump(client: Any) -> Content:
    """Return every key with type, time to live in ms (-1: none) and content."""
    read = {
        b"string": client.get,
        b"hash": client.hgetall,
        b"set": lambda key: sorted(client.smembers(key)),
        b"stream": lambda key: [(place.decode(), fields) for place, fields in client.xrange(key)],
    }
    content: Content = {}
    for key in client.scan_iter():
        kind = client.type(key)
        content[key.decode()] = (kind.decode(), client.pttl(key), read[kind](key))
    return content


def put_back(client: Any, content: Content) -> None:
    """Write what `dump` has returned into an empty store, with a client that waits."""
    for key, (kind, ttl, value) in content.items():
        match kind:
            case "string":
                client.set(key, value)
            case "hash":
                client.hset(key, mapping=value)
            case "set":
                client.sadd(key, *value)
            case "stream":
                for place, fields in value:
                    client.xadd(key, fields, id=place)
        if ttl > 0:
            client.pexpire(key, ttl)


if __name__ == "__main__":
    raise SystemExit(main())
