"""Signing in, roles, and who did what: nothing of the ward is told to anybody who is not signed in."""

import json
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPResponse
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from quietward.contracts.commands import Acknowledge
from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import BedLimit, Level
from quietward.dashboard.auth import people
from quietward.dashboard.auth.middleware import NOT_SIGNED_IN
from quietward.dashboard.auth.people import Role
from quietward.dashboard.auth.sessions import MAX_ATTEMPTS
from tests.browser.conftest import screen
from tests.browser.made_up import MadeUpWard
from tests.conftest import CHROMIUM, WAIT_S, require, wait_for

PASSWORD = "a long password"
ROLES = {"Vera": Role.VIEWER, "Nora": Role.NURSE, "Ines": Role.IN_CHARGE}


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeUpWard]:
    require(CHROMIUM, "chromium")
    folder = tmp_path_factory.mktemp("guarded")
    file = folder / "people.toml"
    people.write(file, [people.new_person(name, role, PASSWORD) for name, role in ROLES.items()])
    found = MadeUpWard(folder, people=file)
    yield found
    found.end()


@pytest.fixture
def ward(guarded: MadeUpWard) -> MadeUpWard:
    guarded.begin_anew()
    guarded.wait_until_seen()
    return guarded


def sign_in(page: Page, ward: MadeUpWard, name: str, path: str = "/") -> None:
    page.goto(f"{ward.address}{path}")
    expect(page.locator(".notice")).to_have_text(NOTICE)
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator(".signed-in")).to_have_text(f"{name}, {ROLES[name]}")


class Straight(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None


def ask(ward: MadeUpWard, path: str, body: bytes | None = None, **headers: str) -> tuple[int, HTTPResponse]:
    request = urllib.request.Request(f"{ward.address}{path}", body, headers)
    try:
        answer = urllib.request.build_opener(Straight()).open(request, timeout=WAIT_S)
    except urllib.error.HTTPError as error:
        return error.code, error  # type: ignore[return-value]
    return answer.status, answer


def form(name: str, password: str, to: str = "/") -> bytes:
    return urllib.parse.urlencode({"name": name, "password": password, "next": to}).encode()


def cookie_of(ward: MadeUpWard, name: str) -> str:
    status, answer = ask(ward, "/sign-in", form(name, PASSWORD))
    assert status == 303
    said = answer.headers["set-cookie"]
    assert {"HttpOnly", "SameSite=strict", "Max-Age=43200"} <= set(said.split("; "))
    return str(said.split(";")[0])


def close_code(ward: MadeUpWard, **headers: str) -> int:
    """Return with which code the socket is closed, 0 when it is not."""
    with connect(f"ws://127.0.0.1:{ward.port}/live", additional_headers=headers, open_timeout=WAIT_S) as socket:
        try:
            socket.recv(timeout=WAIT_S)
        except ConnectionClosed as closed:
            return closed.rcvd.code if closed.rcvd else -1
        return 0


def test_somebody_who_is_not_signed_in_is_told_nothing(ward: MadeUpWard) -> None:
    of_a_bed = ["/log/bed-1", "/export/bed-1/log.csv", "/handover/bed-1", "/paper/bed-1", "/hours/bed-1.json"]
    for path in (
        *of_a_bed,
        "/shift/flags.json",
        "/audit.json",
        "/me",
        "/practice/scenarios",
        "/studies",
        "/_dash-layout",
    ):
        status, answer = ask(ward, path)
        assert (status, answer.read()) == (401, b"sign in first"), path
    assert ask(ward, "/act", b"{}")[0] == 401
    status, answer = ask(ward, "/bed/bed-1?x=1")
    assert (status, answer.headers["location"]) == (303, "/sign-in?next=%2Fbed%2Fbed-1%3Fx%3D1")
    assert ask(ward, "/health")[0] == 200


def test_a_cookie_that_was_tampered_with_is_none(ward: MadeUpWard) -> None:
    good = cookie_of(ward, "Nora")
    assert ask(ward, "/me", Cookie=good)[0] == 200
    name, _, value = good.partition("=")
    for bad in (good[:-2] + "xx", f"{name}=", f"{name}=WyJ4IiwiSW5lcyJd.x.y", f"{name}=x{value}"):
        assert ask(ward, "/me", Cookie=bad)[0] == 401


def test_who_has_signed_out_is_out_everywhere(ward: MadeUpWard) -> None:
    cookie = cookie_of(ward, "Nora")
    assert ask(ward, "/sign-out", b"", Cookie=cookie)[0] == 204
    assert ask(ward, "/me", Cookie=cookie)[0] == 401


def test_wrong_passwords_have_a_limit_and_it_is_not_told_which_was_wrong(ward: MadeUpWard) -> None:
    told = {ask(ward, "/sign-in", form(n, "wrong"))[1].read().replace(n.encode(), b"") for n in ("Ines", "Nobody")}
    assert len(told) == 1
    for _ in range(MAX_ATTEMPTS - 1):
        assert ask(ward, "/sign-in", form("Ines", "wrong"))[0] == 401
    status, answer = ask(ward, "/sign-in", form("Ines", PASSWORD))
    assert status == 429
    assert 0 < int(answer.headers["retry-after"]) <= 300
    assert ask(ward, "/sign-in", form("Nora", PASSWORD))[0] == 303  # others are not kept out by it
    for key in ward.store.scan_iter("*attempts*"):
        ward.store.delete(key)


def test_nothing_is_taken_from_elsewhere(ward: MadeUpWard) -> None:
    """Acts, Dash's own callbacks and the socket alike."""
    cookie = cookie_of(ward, "Nora")
    for path in ("/act", "/_dash-update-component", "/sign-out"):
        assert ask(ward, path, b"{}", Cookie=cookie, Origin="http://elsewhere.example")[0] == 403, path
    assert close_code(ward, Cookie=cookie, Origin="http://elsewhere.example") == 1008
    assert close_code(ward) == NOT_SIGNED_IN
    assert close_code(ward, Cookie=cookie) == 0


def test_a_nurse_answers_under_her_own_name_whatever_the_page_says(ward: MadeUpWard) -> None:
    ward.flag("bed-1", Level.LOOK)
    cookie = cookie_of(ward, "Nora")
    act = {"type": "acknowledge", "bed": "bed-1", "by": "somebody else", "flag": "bed-1-f1"}
    assert ask(ward, "/act", json.dumps(act).encode(), Cookie=cookie)[0] == 204
    assert ward.next_act() == Acknowledge("bed-1", "Nora", "bed-1-f1")


def test_roles_hold_on_the_server_and_show_on_the_page(browser: Browser, page: Page, ward: MadeUpWard) -> None:
    ward.flag("bed-1", Level.LOOK)
    sign_in(page, ward, "Vera", "/bed/bed-1")
    assert page.url.endswith("/bed/bed-1")
    expect(page.locator(".headline")).to_have_text("look")
    expect(page.get_by_role("button", name="Acknowledge")).to_be_hidden()
    expect(page.get_by_role("button", name="turned to the side")).to_be_hidden()
    act = {"type": "acknowledge", "bed": "bed-1", "by": "Vera", "flag": "bed-1-f1"}
    status, answer = ask(ward, "/act", json.dumps(act).encode(), Cookie=cookie_of(ward, "Vera"))
    assert (status, answer.read()) == (403, b"Viewers can look, and change nothing")
    limit = {
        "type": "own-limit",
        "bed": "bed-1",
        "by": "x",
        "condition": "low-baseline",
        "limit": 95,
        "for_s": 60,
        "why": "y",
    }
    assert ask(ward, "/act", json.dumps(limit).encode(), Cookie=cookie_of(ward, "Nora"))[0] == 403
    refused = ask(ward, "/act", json.dumps(limit).encode(), Cookie=cookie_of(ward, "Nora"))[1].read()
    assert refused == b"Only the nurse in charge can change limits"
    assert ask(ward, "/act", json.dumps(limit).encode(), Cookie=cookie_of(ward, "Ines"))[0] == 204
    assert ask(ward, "/audit.json", Cookie=cookie_of(ward, "Nora"))[0] == 403
    with screen(browser) as other:
        sign_in(other, ward, "Ines", "/shift")
        entries = other.locator(".audit-log")
        expect(entries).to_contain_text("Vera, viewer")
        expect(entries).to_contain_text("Acknowledge: refused")
        expect(entries).to_contain_text("This bed's limits")


def test_what_was_refused_is_for_who_is_in_charge_alone(browser: Browser, page: Page, ward: MadeUpWard) -> None:
    ward.store.hset(ward.ward.refusals, "bed-1 rate", 7)
    status, answer = ask(ward, "/refused.json", Cookie=cookie_of(ward, "Nora"))
    assert (status, answer.read()) == (403, b"Only the nurse in charge can read what was refused")
    assert ask(ward, "/refused.json")[0] == 401
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    sign_in(page, ward, "Nora", "/shift")
    with screen(browser) as other:
        sign_in(other, ward, "Ines", "/shift")
        expect(other.locator(".refused tbody tr")).to_contain_text("7 messages")
    with page.expect_response("**/shift/flags.json*"):
        page.get_by_label("show").select_option("2")
    expect(page.locator(".figures dt").first).to_be_visible()
    expect(page.locator(".refused")).to_be_hidden()
    assert [url for url in asked if url.endswith("/refused.json")] == []
    ward.store.delete(ward.ward.refusals)


def test_a_nurse_is_told_before_she_writes_that_limits_are_not_hers(page: Page, ward: MadeUpWard) -> None:
    limited = [BedLimit("low-baseline", 95.0, "Ines", "known low", ward.now_ms() + 3_600_000)]
    ward.put("bed-1", limited=limited)
    sign_in(page, ward, "Nora", "/bed/bed-1")
    page.wait_for_load_state("networkidle")
    form = page.locator(".fold", has=page.locator("summary", has_text="limits"))
    form.locator("summary").click()
    expect(form.locator(".hint")).to_have_text("Only the nurse in charge can change limits.")
    for name in ("because", "limit", "for minutes"):
        expect(form.get_by_label(name, exact=True)).to_be_disabled()
    expect(form.get_by_role("button", name="Set")).to_be_disabled()
    expect(form.get_by_role("button", name="Back to ward limit")).to_be_disabled()
    shelve = page.locator(".fold", has=page.locator("summary", has_text="Monitor off"))
    shelve.locator("summary").click()
    expect(shelve.get_by_role("button", name="Monitor off")).to_be_enabled()


def test_whoever_is_in_charge_changes_limits(page: Page, ward: MadeUpWard) -> None:
    sign_in(page, ward, "Ines", "/bed/bed-1")
    page.wait_for_load_state("networkidle")
    form = page.locator(".fold", has=page.locator("summary", has_text="limits"))
    form.locator("summary").click()
    expect(form.locator(".hint")).to_contain_text("The ward's limit is 100")
    expect(form.get_by_role("button", name="Set")).to_be_enabled()


def test_a_failed_sign_in_keeps_the_name_and_is_logged_without_a_role(page: Page, ward: MadeUpWard) -> None:
    page.goto(f"{ward.address}/sign-in")
    name = 'Ines "the <first>"'
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator(".wrong")).to_have_text("Name or password is wrong.")
    expect(page.get_by_label("Name")).to_have_value(name)
    expect(page.get_by_label("Password")).to_be_focused()
    status, answer = ask(ward, "/audit.json", Cookie=cookie_of(ward, "Ines"))
    assert status == 200
    failed = next(one for one in json.load(answer)["deeds"] if one["what"] == "could not sign in")
    assert (failed["who"], failed["role"]) == (name, "")


def test_a_move_names_both_beds_in_the_audit_log(page: Page, ward: MadeUpWard) -> None:
    move = {"type": "move", "bed": "bed-1", "by": "Ines", "to": "bed-2"}
    cookie = cookie_of(ward, "Ines")
    assert ask(ward, "/act", json.dumps(move).encode(), Cookie=cookie)[0] == 204
    _, answer = ask(ward, "/audit.json", Cookie=cookie)
    newest = next(one for one in json.load(answer)["deeds"] if one["what"] == "move")
    assert (newest["bed"], newest["to"]) == ("bed-1", "bed-2")
    sign_in(page, ward, "Ines", "/shift")
    expect(page.locator(".audit-log")).to_contain_text("bed-1 → bed-2")


def test_whoever_is_taken_out_of_the_file_is_out_within_seconds(page: Page, ward: MadeUpWard, tmp_path: Path) -> None:
    """The session is checked again while a socket is open."""
    sign_in(page, ward, "Nora")
    file = ward.studies.parent / "people.toml"
    known = people.read(file)
    try:
        people.write(file, [one for one in known if one.name != "Nora"])
        page.wait_for_url("**/sign-in?next=%2F")
    finally:
        people.write(file, known)


def test_signing_out_by_the_button(page: Page, ward: MadeUpWard) -> None:
    sign_in(page, ward, "Nora")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in?next=%2F")
    page.goto(f"{ward.address}/shift")
    assert "/sign-in" in page.url


def test_a_restart_of_the_page_signs_nobody_out(ward: MadeUpWard) -> None:
    """What signs the sessions lies in the store."""
    cookie = cookie_of(ward, "Nora")
    secret = ward.store.get(ward.ward.secret)
    assert isinstance(secret, bytes)
    ward.page.terminate()
    ward.page.wait(WAIT_S)
    ward.start_page()
    assert wait_for(lambda: ask(ward, "/me", Cookie=cookie)[0] == 200)


def test_a_link_that_is_pressed_while_the_server_restarts_is_followed(page: Page, ward: MadeUpWard) -> None:
    """Address and page said different things before, for as long as the page was open."""
    sign_in(page, ward, "Nora")
    expect(page.locator(".band")).to_have_count(2)
    page.wait_for_load_state("networkidle")
    ward.page.terminate()
    ward.page.wait(WAIT_S)
    page.locator(".top nav a", has_text="Shift").click()
    page.wait_for_url("**/shift")
    expect(page.locator("#trouble")).to_contain_text("No connection to the server")
    expect(page.locator(".live.ward")).to_be_visible()
    ward.start_page()
    expect(page.locator(".live.shift h1")).to_be_visible()
    assert page.url.endswith("/shift")
    expect(page.locator(".top nav a[aria-current]")).to_have_text("Shift")


def test_another_password_ends_the_sessions_of_the_old_one(ward: MadeUpWard) -> None:
    cookie = cookie_of(ward, "Nora")
    file = ward.studies.parent / "people.toml"
    known = people.read(file)
    try:
        people.write(file, [people.new_person(one.name, one.role, "another password") for one in known])
        assert ask(ward, "/me", Cookie=cookie)[0] == 401
    finally:
        people.write(file, known)


def test_tries_at_the_same_time_are_all_counted(ward: MadeUpWard) -> None:
    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(lambda _: ask(ward, "/sign-in", form("Vera", "wrong"))[0], range(12)))
    assert answers.count(401) == MAX_ATTEMPTS
    assert answers.count(429) == 12 - MAX_ATTEMPTS
    for key in ward.store.scan_iter("*attempts*"):
        ward.store.delete(key)


def test_other_sites_cannot_use_what_is_ours(ward: MadeUpWard) -> None:
    """What a browser says of a request (Fetch Metadata, W3C): a picture on another site, and a link to us."""
    cookie = cookie_of(ward, "Nora")
    picture = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Cookie": cookie}
    assert ask(ward, "/hours/bed-1.json?hours=8", None, **picture)[0] == 403
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Cookie": cookie}
    assert ask(ward, "/shift", None, **link)[0] == 200


def test_devices_that_are_not_expected_are_shown_to_who_is_in_charge_and_taken_in_by_her(
    browser: Browser, ward: MadeUpWard
) -> None:
    now = ward.now_ms()
    ward.store.hset(ward.ward.unexpected, "visitor-1", f"{now - 60_000} {now}")
    with screen(browser) as page:
        sign_in(page, ward, "Nora")
        expect(page.locator(".band").first).to_be_visible()
        ward.wait_until_seen()
        page.wait_for_timeout(1500)
        expect(page.locator(".unexpected")).to_be_hidden()
    with screen(browser) as page:
        sign_in(page, ward, "Ines")
        page.get_by_text("1 device waits to be taken in").click()
        expect(page.locator(".unexpected li")).to_contain_text("visitor-1")
        expect(page.locator(".unexpected .heard")).to_contain_text("heard since")
        page.get_by_role("button", name="Take in visitor-1").click()
        expect(page.locator(".unexpected")).to_be_hidden()
    assert wait_for(lambda: ward.store.smembers(ward.ward.taken_in) == {b"visitor-1"})
    assert wait_for(lambda: ward.store.hgetall(ward.ward.unexpected) == {})
