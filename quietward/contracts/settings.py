"""Settings of a service: read once, checked, frozen.

Order, later wins: defaults, a TOML file (`--settings` or QUIETWARD_SETTINGS), environment QUIETWARD_*, flags.
"""

import tomllib
from collections.abc import Mapping
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin
from urllib.parse import urlsplit

import msgspec
from msgspec import Meta, Struct

from quietward.contracts.errors import BadSettings, possible
from quietward.contracts.validation import invalid_field

ENVIRONMENT_PREFIX = "QUIETWARD_"
NOT_SETTINGS = frozenset({"QUIETWARD_REQUIRE_REAL", "QUIETWARD_EXAMPLES", "QUIETWARD_KILLS", "QUIETWARD_PARENT"})
"""Environment names that belong to the tests and to the demo's processes, not to the settings."""


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything an operator can set.

    beds: names or patterns of the beds that the ward expects, by commas, empty: any; most_beds: how many it takes;
    rate: messages a second that each of them may send on average. seats: subscriber slots; copies: replicas that must
    have every input. proxies: addresses or networks, by commas, whose word for who a client is, and whether it came by
    TLS, the page believes; empty: nobody's. demo_speed: seconds of signal per second of a demo; its beds' clocks run
    ahead on purpose.
    """

    ward: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}$")] = "ward-1"
    broker: str = "mqtt://127.0.0.1:1883"
    store: str = "redis://127.0.0.1:6379/0"
    beds: Annotated[str, Meta(pattern=r"^[a-z0-9*?,\[\]! -]*$")] = ""
    most_beds: Annotated[int, Meta(ge=1, le=100_000)] = 1000
    rate: Annotated[float, Meta(ge=1, le=10_000)] = 2.0
    shards: Annotated[int, Meta(ge=1, le=256)] = 1
    seats: Annotated[int, Meta(ge=1, le=64)] = 1
    copies: Annotated[int, Meta(ge=0, le=5)] = 0
    host: str = "127.0.0.1"
    port: Annotated[int, Meta(ge=1, le=65535)] = 8050
    metrics_port: Annotated[int, Meta(ge=0, le=65535)] = 0
    keep_hours: Annotated[float, Meta(ge=1, le=24 * 30)] = 24.0
    checkpoint_s: Annotated[float, Meta(ge=1, le=3600)] = 30.0
    policy: str = "attention"
    studies: str = "studies"
    people: str = ""
    proxies: str = ""
    log: Literal["text", "json"] = "text"
    demo_speed: Annotated[float, Meta(ge=0.1, le=100)] = 1.0


def load(flags: Mapping[str, object], environment: Mapping[str, str]) -> Settings:
    """Return checked settings.

    flags: values given on the command line; None means not given.
    Raises BadSettings naming the setting, its value and the remedy.
    """
    from_environment = {
        name.removeprefix(ENVIRONMENT_PREFIX).lower(): value
        for name, value in environment.items()
        if name.startswith(ENVIRONMENT_PREFIX) and name not in NOT_SETTINGS
    }
    given = {name: value for name, value in flags.items() if value is not None}
    file = given.pop("settings", from_environment.pop("settings", None))
    merged: dict[str, object] = {**(_read(Path(str(file))) if file else {}), **from_environment, **given}
    for name, value in merged.items():
        if name not in Settings.__struct_fields__:
            remedy = f"There is no such setting. {possible(Settings.__struct_fields__, name)}"
            raise BadSettings(f"setting {name}", value, remedy)
    for name, value in merged.items():
        try:
            msgspec.convert({name: value}, Settings, strict=False)
        except msgspec.ValidationError as error:
            of: Any = Settings.__annotations__[name]
            origin: Any = get_origin(of)
            remedy = possible(get_args(of), value) if origin is Literal else invalid_field(error, merged).reason
            raise BadSettings(f"setting {name}", value, remedy) from error
    settings = msgspec.convert(merged, Settings, strict=False)
    _check_url("broker", settings.broker, "mqtt")
    for url in settings.store.split(","):
        _check_url("store", url, "redis")
    for proxy in filter(None, settings.proxies.split(",")):
        _check_network("proxies", proxy)
    return settings


def _read(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text())
    except OSError as error:
        raise BadSettings("settings file", str(file), f"Cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadSettings("settings file", str(file), f"Is not TOML: {error}") from error


def _check_url(name: str, value: str, scheme: str) -> None:
    example = f"Use {scheme}://[user:password@]host[:port]"
    try:
        parts = urlsplit(value)
        port_is_valid = parts.port is None or parts.port > 0
    except ValueError as error:
        raise BadSettings(f"setting {name}", value, example) from error
    if parts.scheme != scheme or not parts.hostname or not port_is_valid:
        raise BadSettings(f"setting {name}", value, example)


def _check_network(name: str, value: str) -> None:
    try:
        ip_network(value.strip())
    except ValueError as error:
        remedy = "Use addresses or networks by commas, such as 172.31.57.2 or 10.1.0.0/24"
        raise BadSettings(f"setting {name}", value, remedy) from error


def without_password(urls: str) -> str:
    """Return a URL, or several separated by commas, without passwords: for logs and screens."""
    return ",".join(_without_password(url) for url in urls.split(","))


def _without_password(url: str) -> str:
    parts = urlsplit(url)
    if parts.password is None:
        return url
    return url.replace(f":{parts.password}@", ":***@", 1)
