"""Settings of a service: read once, checked, frozen.

Order, later wins: defaults, a TOML file (`--settings` or QUIETWARD_SETTINGS), environment QUIETWARD_*, flags.
"""

import re
import tomllib
from collections.abc import Mapping
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin
from urllib.parse import quote, unquote, urlsplit

import msgspec
from msgspec import Meta, Struct, structs

from quietward.contracts.errors import BadSettings, possible
from quietward.contracts.tls import Tls
from quietward.contracts.validation import NOT_TOML, invalid_field

ENVIRONMENT_PREFIX = "QUIETWARD_"
NOT_SETTINGS = frozenset({"QUIETWARD_REQUIRE_REAL", "QUIETWARD_EXAMPLES", "QUIETWARD_KILLS", "QUIETWARD_PARENT"})
"""Environment names that belong to the tests and to the demo's processes, not to the settings."""
LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
SECRET = re.compile("pass|pwd|secret|token|key$", re.IGNORECASE)
"""The value of what is called so and is no setting is not shown: somebody may have guessed where a password belongs."""
LONGEST_KEPT_H = 24.0 * 30
"""No ward keeps samples for longer."""
ESCAPES = "Write / # ? @ : in a name or password as %2F %23 %3F %40 %3A; or put the password into a file"


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything an operator can set.

    beds: names or patterns of the beds that the ward expects, by commas, empty: any; most_beds: how many it takes;
    rate: messages a second that each of them may send on average. seats: subscriber slots; copies: replicas that must
    have every input. proxies: addresses or networks, by commas, whose word for who a client is, and whether it came by
    TLS, the page believes; empty: nobody's. demo_speed: seconds of signal per second of a demo; its beds' clocks run
    ahead on purpose. language: of every page and sheet, as `de`; empty: what the browser asks for, else English.
    broker_password_file, store_password_file: the first line is the password of the URL, which then has none.
    device_passwords: file of the devices' accounts, a line `<ward>/<bed>:<password>` for each.
    tls_ca: PEM file whose certificates are believed at mqtts:// and rediss://; empty: those of the system's CAs.
    tls_certificate, tls_key: our own, for a server that asks for one.
    names: by which a proxy is asked for the page, by commas. classroom: folder of the Practice page's sets and results.
    """

    ward: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}$")] = "ward-1"
    broker: str = "mqtt://127.0.0.1:1883"
    store: str = "redis://127.0.0.1:6379/0"
    broker_password_file: str = ""
    store_password_file: str = ""
    device_passwords: str = ""
    tls_ca: str = ""
    tls_certificate: str = ""
    tls_key: str = ""
    beds: Annotated[str, Meta(pattern=r"^[a-z0-9*?,\[\]! -]*$")] = ""
    most_beds: Annotated[int, Meta(ge=1, le=100_000)] = 1000
    rate: Annotated[float, Meta(ge=1, le=10_000)] = 2.0
    shards: Annotated[int, Meta(ge=1, le=256)] = 1
    seats: Annotated[int, Meta(ge=1, le=64)] = 1
    copies: Annotated[int, Meta(ge=0, le=5)] = 0
    host: str = "127.0.0.1"
    port: Annotated[int, Meta(ge=1, le=65535)] = 8050
    names: Annotated[str, Meta(pattern=r"^[A-Za-z0-9.,-]*$")] = ""
    metrics_port: Annotated[int, Meta(ge=0, le=65535)] = 0
    keep_hours: Annotated[float, Meta(ge=1, le=LONGEST_KEPT_H)] = 24.0
    checkpoint_s: Annotated[float, Meta(ge=1, le=3600)] = 30.0
    policy: str = "attention"
    studies: str = "studies"
    classroom: str = "classroom"
    people: str = ""
    proxies: str = ""
    log: Literal["text", "json"] = "text"
    demo_speed: Annotated[float, Meta(ge=0.1, le=100)] = 1.0
    language: Annotated[str, Meta(pattern="^[a-z]{0,3}$")] = ""

    @property
    def tls(self) -> Tls:
        """Whom we trust, and who we are."""
        return Tls(self.tls_ca, self.tls_certificate, self.tls_key)


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
            shown = without_password(value) if isinstance(value, str) else value
            raise BadSettings(f"setting {name}", "***" if SECRET.search(name) else shown, remedy)
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
    for url in split_urls(settings.store):
        _check_url("store", url, "redis")
    for proxy in filter(None, settings.proxies.split(",")):
        _check_network("proxies", proxy)
    if any(urlsplit(url).scheme in ("mqtts", "rediss") for url in (settings.broker, *split_urls(settings.store))):
        settings.tls.context()  # a file that cannot be read is told at the start
    return structs.replace(
        settings,
        broker=_with_password("broker", settings.broker, settings.broker_password_file),
        store=_with_password("store", settings.store, settings.store_password_file),
        broker_password_file="",
        store_password_file="",
    )


def _read(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text())
    except OSError as error:
        raise BadSettings("settings file", str(file), f"Cannot be read: {error.strerror}") from error
    except NOT_TOML as error:
        raise BadSettings("settings file", str(file), f"Is not TOML: {error}") from error


def _check_url(name: str, value: str, scheme: str) -> None:
    example = f"Use {scheme}://[user:password@]host[:port], or {scheme}s:// for TLS"
    shown = without_password(value)
    try:
        parts = urlsplit(value)
        port_is_valid = parts.port is None or parts.port > 0
    except ValueError as error:
        raise BadSettings(f"setting {name}", shown, f"{example}. {ESCAPES}") from error
    if "@" in parts.path + parts.query + parts.fragment:
        raise BadSettings(f"setting {name}", shown, ESCAPES)
    path = r"/?" if scheme == "mqtt" else r"(/\d*)?"
    if parts.query or parts.fragment or not re.fullmatch(path, parts.path):
        raise BadSettings(f"setting {name}", shown, f"{example}, and nothing behind it")
    if parts.scheme not in (scheme, f"{scheme}s") or not parts.hostname or not port_is_valid:
        raise BadSettings(f"setting {name}", shown, example)


def _with_password(name: str, urls: str, file: str) -> str:
    """Return URLs with the password that a file holds. Raises BadSettings."""
    if not file:
        return urls
    if any(urlsplit(url).password is not None for url in split_urls(urls)):
        remedy = f"There is a password in QUIETWARD_{name.upper()}, too; remove one of them"
        raise BadSettings(f"setting {name}_password_file", file, remedy)
    password = _first_line(f"setting {name}_password_file", file)
    names = [unquote(urlsplit(url).username or "") for url in split_urls(urls)]
    return ",".join(with_account(url, user, password) for url, user in zip(split_urls(urls), names, strict=True))


def _first_line(name: str, file: str) -> str:
    lines = _text_of(name, file).splitlines()
    if not lines or not lines[0]:
        raise BadSettings(name, file, "Its first line is empty; write the password there")
    return lines[0]


def _text_of(name: str, file: str) -> str:
    try:
        return Path(file).read_text()
    except (OSError, ValueError) as error:
        raise BadSettings(name, file, f"Cannot be read: {getattr(error, 'strerror', error)}") from error


def device_passwords(file: str) -> dict[str, str]:
    """Return passwords of devices by account, `<ward>/<bed>`. Raises BadSettings.

    The file is what `mosquitto_passwd -U` is given to hash, so accounts of other parts may stand there, too.
    """
    passwords: dict[str, str] = {}
    for n, line in enumerate(_text_of("setting device_passwords", file).splitlines(), start=1):
        if line and not line.startswith("#"):
            account, colon, password = line.partition(":")
            if not (account and colon and password):  # never show the line: it may be a password
                raise BadSettings("setting device_passwords", f"{file}, line {n}", "Write <ward>/<bed>:<password>")
            if account in passwords:
                raise BadSettings("setting device_passwords", f"{file}, line {n}", f"{account} occurs twice")
            passwords[account] = password
    return passwords


def with_account(url: str, name: str, password: str) -> str:
    """Return a URL with another name and password."""
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{quote(name, safe='')}:{quote(password, safe='')}@{rest.rpartition('@')[2]}"


def without_account(url: str) -> str:
    """Return a URL without name and password."""
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.rpartition('@')[2]}"


def split_urls(urls: str) -> list[str]:
    """Return the URLs of a list separated by commas; a comma in a password separates none."""
    return re.split(r",(?=rediss?://|mqtts?://)", urls)


def _check_network(name: str, value: str) -> None:
    try:
        ip_network(value.strip())
    except ValueError as error:
        remedy = "Use addresses or networks by commas, such as 172.31.57.2 or 10.1.0.0/24"
        raise BadSettings(f"setting {name}", value, remedy) from error


def without_password(urls: str) -> str:
    """Return a URL, or several separated by commas, without passwords, for logs and screens; they may be malformed."""
    return ",".join(map(_without_password, split_urls(urls)))


def _without_password(url: str) -> str:
    # Without an @ what follows the name may still be a password, whose host was forgotten; a port is a number. Slashes
    # may be too few, or none.
    return re.sub(
        r"(?s)^((?:[A-Za-z][\w+.-]*:/+)?[^:]*):(.*@|(?!\d*(/|$)).*$)",
        lambda m: f"{m[1]}:***{'@' if '@' in m[2] else ''}",
        url,
    )
