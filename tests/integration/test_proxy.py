"""What a proxy says of a client is believed of the proxies that are named, and of nobody else."""

import urllib.error
import urllib.parse
import urllib.request
from email.message import Message
from pathlib import Path

import pytest

from quietward.contracts.errors import BadSettings
from quietward.contracts.settings import Settings, load
from quietward.dashboard.auth import people
from quietward.dashboard.auth.sessions import MAX_ATTEMPTS, MAX_UNKNOWN
from quietward.runtime.embedded import wait_for_port
from tests.conftest import ANY_KIND, WAIT_S, Parts

PASSWORD = "a long password"


class Straight(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None


def sign_in(port: int, password: str, name: str = "Nora", **headers: str) -> tuple[int, Message]:
    form = urllib.parse.urlencode({"name": name, "password": password}).encode()
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    request = urllib.request.Request(f"http://127.0.0.1:{port}/sign-in", form, named)
    try:
        with urllib.request.build_opener(Straight()).open(request, timeout=WAIT_S) as answer:
            return answer.status, answer.headers
    except urllib.error.HTTPError as error:
        return error.code, error.headers


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "people.toml"
    people.write(path, [people.new_person("Nora", people.Role.NURSE, PASSWORD)])
    return path


@ANY_KIND
@pytest.mark.usefixtures("store")
@pytest.mark.parametrize(("proxies", "is_believed"), [("127.0.0.1", True), ("10.0.0.0/8,127.0.0.0/8", True),
                                                      ("", False), ("10.0.0.1", False)])  # fmt: skip
def test_whose_word_counts(settings: Settings, parts: Parts, file: Path, proxies: str, is_believed: bool) -> None:
    parts.start("serve", environment={"QUIETWARD_PEOPLE": str(file), "QUIETWARD_PROXIES": proxies})
    assert wait_for_port(settings.port, WAIT_S), parts.log("serve")
    far, other = "203.0.113.7", "203.0.113.8"
    for _ in range(MAX_ATTEMPTS):
        assert sign_in(settings.port, "wrong", X_Forwarded_For=far)[0] == 401
    assert sign_in(settings.port, "wrong", X_Forwarded_For=far)[0] == 429, "five wrong passwords, and it must wait"
    status, _ = sign_in(settings.port, "wrong", X_Forwarded_For=other)
    assert status == (401 if is_believed else 429), "the same name from elsewhere is not kept out by it"
    # What a client writes itself stands before what the proxy adds, and counts for nothing.
    status, _ = sign_in(settings.port, "wrong", X_Forwarded_For=f"198.51.100.1, {far}")
    assert status == 429


@pytest.mark.usefixtures("store")
def test_nobody_is_kept_out_by_what_others_try_at_the_same_address(
    settings: Settings, parts: Parts, file: Path
) -> None:
    """As behind a proxy that is not named, or in a ward that has one address to the outside."""
    parts.start("serve", environment={"QUIETWARD_PEOPLE": str(file)})
    assert wait_for_port(settings.port, WAIT_S), parts.log("serve")
    for number in range(MAX_UNKNOWN):
        assert sign_in(settings.port, "wrong", f"made up {number}")[0] == 401
    status, headers = sign_in(settings.port, "wrong", "made up")
    assert status == 429
    assert 0 < int(headers["retry-after"]) <= 300
    assert sign_in(settings.port, PASSWORD)[0] == 303


@ANY_KIND
@pytest.mark.usefixtures("store")
@pytest.mark.parametrize(("proxies", "is_secure"), [("127.0.0.1", True), ("", False)])
def test_a_session_that_came_by_tls_goes_by_tls_only(
    settings: Settings, parts: Parts, file: Path, proxies: str, is_secure: bool
) -> None:
    parts.start("serve", environment={"QUIETWARD_PEOPLE": str(file), "QUIETWARD_PROXIES": proxies})
    assert wait_for_port(settings.port, WAIT_S), parts.log("serve")
    for scheme, secure in (("https", is_secure), ("http", False)):
        status, headers = sign_in(settings.port, PASSWORD, X_Forwarded_Proto=scheme)
        assert status == 303
        cookie = headers["set-cookie"].lower()
        assert ("; secure" in cookie) is secure
        assert "; httponly" in cookie
        assert "samesite=strict" in cookie


@pytest.mark.parametrize("value", ["*", "proxy", "127.0.0.1/8", "1.2.3.4;5.6.7.8"])
def test_a_proxy_is_named_by_address(value: str) -> None:
    with pytest.raises(BadSettings, match="Use addresses or networks by commas"):
        load({}, {"QUIETWARD_PROXIES": value})
