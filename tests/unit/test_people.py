"""People, roles, passwords and sessions of the page."""

import re
import stat
import traceback
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from quietward.cli import app
from quietward.contracts.commands import (
    Acknowledge,
    Arrive,
    Attend,
    Command,
    CorrectArrival,
    Forget,
    Leave,
    Move,
    RecordCare,
    SetBedLimit,
    Shelve,
    TakeIn,
    UndoStay,
    WardCommand,
)
from quietward.contracts.errors import BadSettings
from quietward.contracts.stays import Arrival
from quietward.dashboard.auth import people
from quietward.dashboard.auth.middleware import is_own_origin
from quietward.dashboard.auth.people import People, Role, why_not
from quietward.dashboard.routes.account import local_path

ACTS: list[Command] = [
    Acknowledge("bed-1", "Kim", "bed-1-f1"),
    Attend("bed-1", "Kim"),
    Shelve("bed-1", "Kim", "bed-1-f1", 60, "why"),
    RecordCare("bed-1", "Kim", "turned"),
    Arrive("bed-1", "Kim", Arrival("green")),
    Move("bed-1", "Kim", "bed-2"),
    CorrectArrival("bed-1", "Kim", Arrival("green")),
    Leave("bed-1", "Kim"),
    UndoStay("bed-1", "Kim"),
]
LIMIT = SetBedLimit("bed-1", "Kim", "low-baseline", 95.0, 60, "known")


def test_what_is_written_is_read_and_holds_no_password(tmp_path: Path) -> None:
    file = tmp_path / "people.toml"
    names = {'Ann "the first"': Role.NURSE, "Łucja 🌙": Role.IN_CHARGE}
    people.write(file, [people.new_person(name, role, "correct horse") for name, role in names.items()])
    assert "correct horse" not in file.read_text()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    known = People(file)
    for name, role in names.items():
        found = known.find(name)
        assert found is not None
        assert found.role is role
        assert people.password_matches(found, "correct horse")
        assert not people.password_matches(found, "correct Horse")
    assert known.find("Kim") is None
    assert not people.password_matches(None, "correct horse")


def test_two_people_with_one_password_are_kept_apart() -> None:
    one, other = (people.new_person(name, Role.NURSE, "the same one") for name in ("Ann", "Kim"))
    assert one.password != other.password


def test_a_password_is_checked_as_the_standard_library_says_scrypt_is(tmp_path: Path) -> None:
    """RFC 7914, section 12, last but one vector is for N=16384, r=8, p=1; ours has p=5, so the same call with it."""
    import base64
    import hashlib

    vector = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, maxmem=2**26)
    assert vector.hex().startswith("7023bdcb3afd7348461c06cd81fd38eb")
    kept = people.new_person("Ann", Role.NURSE, "pleaseletmein").password.split("$")
    salt, key = (base64.b64decode(part) for part in kept[1:])
    assert hashlib.scrypt(b"pleaseletmein", salt=salt, n=2**14, r=8, p=5, maxmem=2**26) == key


def test_the_file_is_read_again_when_it_changes_and_kept_when_it_breaks(tmp_path: Path) -> None:
    file = tmp_path / "people.toml"
    people.write(file, [people.new_person("Ann", Role.NURSE, "long enough")])
    known = People(file)
    people.write(file, [people.new_person("Kim", Role.VIEWER, "long enough")])
    assert known.find("Ann") is None
    assert known.find("Kim") is not None
    file.write_text("[[person]]\nname = 3")
    assert known.find("Kim") is not None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[person]]\nname = 3", r"person\[0\]\.name: 3\. Expected `str`, got `int`"),
        ("nonsense", "quietward person NAME"),
        (
            '[[person]]\nname="A"\nrole="king"\npassword="scrypt$YQ==$YQ=="',
            r"role: 'king'\. Use viewer, nurse or in charge",
        ),
        ('[[person]]\nname="A"\nrole="nurse"\npassword="plain words"', "password"),
        ('[[person]]\nname="A"\nrole="nurse"\npassword="scrypt$YQ==$YQ=="\n' * 2, "twice"),
    ],
)
def test_a_wrong_file_is_said_at_once(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "people.toml"
    file.write_text(text)
    with pytest.raises(BadSettings, match=said):
        People(file)
    with pytest.raises(BadSettings, match="Cannot be read"):
        People(tmp_path / "not-there.toml")


@pytest.mark.parametrize(
    "text",
    [
        '[[person]]\nname="A"\nrole="nurse"\npassword="plain words"',
        '[[person]]\nname="A"\nrole="nurse"\npasword="plain words"',
        '[[persons]]\nname="A"\nrole="nurse"\npassword="plain words"',
        'person = "plain words"',
        'password = "plain words',
    ],
)
def test_what_may_be_a_password_is_never_told(tmp_path: Path, text: str) -> None:
    file = tmp_path / "people.toml"
    file.write_text(text)
    with pytest.raises(BadSettings) as refused:
        people.read(file)
    said = "".join(traceback.format_exception(refused.value))
    assert "plain words" not in said
    assert str(file) in str(refused.value)


def test_a_short_password_is_refused() -> None:
    with pytest.raises(BadSettings, match="8 letters or more"):
        people.new_person("Ann", Role.NURSE, "short")


@pytest.mark.parametrize("act", ACTS)
def test_a_viewer_may_do_nothing_and_a_nurse_may_answer_and_note(act: Command) -> None:
    assert [why_not(role, act) == "" for role in Role] == [False, True, True]


def test_the_audit_log_has_words_for_everything_that_is_done() -> None:
    page = (Path(__file__).parents[2] / "dashboard" / "assets" / "shift" / "view.mjs").read_text()
    named = re.findall(r'^  "?([a-z-]+)"?: N_', page.partition("const ACTIONS = {")[2].partition("};")[0], re.MULTILINE)
    assert sorted(named) == sorted(one.__struct_config__.tag for one in get_args(Command | WardCommand))


@pytest.mark.parametrize("act", [LIMIT, TakeIn("visitor-1", "Kim"), Forget("bed-1", "Kim", 7)])
def test_only_who_is_in_charge_gives_a_bed_its_own_limits_takes_a_device_in_and_deletes_a_record(
    act: Command | WardCommand,
) -> None:
    assert [why_not(role, act) == "" for role in Role] == [False, False, True]


@pytest.mark.parametrize(
    ("origin", "host", "is_own"),
    [
        ("http://127.0.0.1:8050", "127.0.0.1:8050", True),
        (None, "127.0.0.1:8050", True),
        ("http://127.0.0.1:8051", "127.0.0.1:8050", False),
        ("http://elsewhere.example", "127.0.0.1:8050", False),
        ("null", "127.0.0.1:8050", False),
    ],
)
def test_only_our_own_origin_counts(origin: str | None, host: str, is_own: bool) -> None:
    assert is_own_origin(origin, host) is is_own


@given(st.text(max_size=40))
def test_after_signing_in_nobody_is_led_elsewhere(path: str) -> None:
    to = local_path(path)
    assert to.startswith("/")
    assert not to.startswith(("//", "/\\"))
    assert "\n" not in to
    assert "\r" not in to


@pytest.mark.parametrize(
    "path", ["//evil.example", "/\\evil.example", "https://evil.example", "/a\r\nset-cookie: x", ""]
)
def test_paths_that_lead_elsewhere_lead_to_the_ward(path: str) -> None:
    assert local_path(path) == "/"
    assert local_path("/bed/bed-1?x=1") == "/bed/bed-1?x=1"


def test_the_command_adds_changes_and_removes_people(tmp_path: Path) -> None:
    file = tmp_path / "people.toml"

    def person(*arguments: str, typed: str = "") -> str:
        found = CliRunner().invoke(
            app, ["person", *arguments, "--file", str(file)], input=typed, catch_exceptions=False
        )
        return found.stdout

    assert "Nora (nurse)" in person("Nora", typed="long enough\nlong enough\n")
    assert "long enough" not in person("Ines", "--role", "in charge", typed="also long enough\nalso long enough\n")
    assert people.password_matches(People(file).find("Ines"), "also long enough")
    person("Nora", "--role", "viewer", "--password", "another one")
    changed = People(file).find("Nora")
    assert changed is not None
    assert (changed.role, people.password_matches(changed, "another one")) == (Role.VIEWER, True)
    assert "Ines (in charge)" in person("Nora", "--remove")
    assert People(file).find("Nora") is None
    with pytest.raises(BadSettings, match="Use viewer, nurse or in charge"):
        person("Kim", "--role", "king", "--password", "long enough")
