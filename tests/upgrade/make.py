"""Write down what a ward of an earlier version holds, for `tests/integration/test_upgrade.py`.

With redis-server and mosquitto, and that version installed into an environment of its own:

    python -m tests.upgrade.make PATH-OF-ITS-PYTHON tests/upgrade/VERSION.msgpack.xz

Its own ingest, detector and devices run for `MINUTES` minutes of signal, sent at once, and `LIVE_S` seconds more. Of
four beds one has a flag that nobody answers, one a flag that was answered and a woman who was turned, one nothing, and
one has been silent since its third minute. On its page somebody in charge has signed in, made a set of strips to
practise on, and answered one. What is written is every key of Redis with type, time to live and content, not the
server's own file: it can be put back into any server. Files that the page keeps are of the type `file`, by their path.
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
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

import msgspec
import redis
from paho.mqtt import publish
from paho.mqtt.enums import MQTTProtocolVersion

from quietward.runtime.embedded import free_port, mosquitto_settings, store_command, wait_for_port

WARD = "ward-1"
PERSON, PASSWORD = "Nora", "a long password"
CLASS, LEARNER = "spring", "blue"
KEPT = "people.toml", "classroom"
"""What the page keeps in files, beside one another in a folder."""
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
    store_port, broker_port, page_port = free_port(), free_port(), free_port()
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
        "QUIETWARD_PORT": str(page_port),
        "QUIETWARD_PEOPLE": str(folder / KEPT[0]),
        "QUIETWARD_CLASSROOM": str(folder / KEPT[1]),
    }
    person = ["person", PERSON, "--role", "in charge", "--password", PASSWORD, "--file", str(folder / KEPT[0])]
    subprocess.run([python, "-m", "quietward", *person], check=True, cwd=folder)

    def start(*arguments: str) -> None:
        running.append(subprocess.Popen([python, "-m", "quietward", *arguments], env=environment, cwd=folder))

    for part in ("ingest", "detect", "serve"):
        start(part)
    if not wait_for_port(page_port, 60):
        sys.exit("the page's server does not listen")
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
    practise(f"http://127.0.0.1:{page_port}")
    time.sleep(LIVE_S)
    files = [path for name in KEPT for path in [folder / name, *sorted((folder / name).rglob("*"))] if path.is_file()]
    return dump(client) | {str(path.relative_to(folder)): ("file", -1, path.read_bytes()) for path in files}


def practise(address: str) -> None:
    """Sign in, make a set of one simulated strip, and answer it."""
    ask = urllib.request.build_opener(urllib.request.HTTPCookieProcessor()).open

    def post(path: str, document: Any) -> Any:
        request = urllib.request.Request(address + path, json.dumps(document).encode())
        with ask(request, timeout=60) as answer:
            return json.load(answer)

    form = urllib.parse.urlencode({"name": PERSON, "password": PASSWORD}).encode()
    with ask(f"{address}/sign-in", form, timeout=60):
        pass
    with ask(f"{address}/practice/scenarios", timeout=60) as answer:
        strip = f"{json.load(answer)['scenarios'][0]['digest']}-1"
    post("/practice/sets", {"name": CLASS, "strips": [strip]})
    answer = {"baseline_bpm": 140, "marks": [], "rules": "nichd-2008", "rule_class": None, "next": None}
    if not post(f"/practice/strips/{strip}/answer", answer | {"learner": LEARNER, "set": CLASS})["kept"]:
        sys.exit("the answer was not kept")


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


def put_back(client: Any, content: Content, folder: Path) -> None:
    """Write what was kept into an empty store, with a client that waits, and its files into a folder."""
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
            case "file":
                (folder / key).parent.mkdir(parents=True, exist_ok=True)
                (folder / key).write_bytes(value)
        if ttl > 0:
            client.pexpire(key, ttl)


if __name__ == "__main__":
    raise SystemExit(main())
