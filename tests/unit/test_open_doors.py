"""Doors that stand open: the page does not open one by itself, and doctor names those it sees."""

import pytest

from quietward.contracts.errors import BadSettings
from quietward.contracts.settings import Settings, load
from quietward.dashboard.app import _load_people, trusted_hosts
from quietward.runtime import doctor


def test_a_page_without_people_is_for_this_machine_alone() -> None:
    assert _load_people(Settings()) is None
    for settings, names in ((Settings(host="0.0.0.0"), "host"), (Settings(names="ward.example.org"), "names")):  # noqa: S104
        with pytest.raises(BadSettings, match=f"setting {names}"):
            _load_people(settings)


def test_a_page_on_loopback_answers_to_its_own_names_and_its_proxys() -> None:
    assert set(trusted_hosts(Settings())) == {"127.0.0.1", "localhost", "[::1]"}
    assert set(trusted_hosts(Settings(names="a.b,c"))) == {"127.0.0.1", "localhost", "[::1]", "a.b", "c"}
    assert trusted_hosts(Settings(host="192.0.2.1")) == ["*"]
    with pytest.raises(BadSettings, match="names"):
        load({}, {"QUIETWARD_NAMES": "http://x"})


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        (Settings(), ""),
        (Settings(names="w"), "open to whoever asks for w"),
        (Settings(names="w", people="p"), ""),
        (Settings(host="192.0.2.1"), "open to whoever reaches"),
        (Settings(host="192.0.2.1", people="p"), "without TLS"),
        (Settings(host="192.0.2.1", people="p", proxies="192.0.2.2"), ""),
    ],
)
def test_doctor_says_how_open_the_page_is(settings: Settings, says: str) -> None:
    found = doctor._page(settings)
    assert found.well == (not says)
    assert says in found.seen
    assert found.well or found.remedy


@pytest.mark.parametrize(
    ("settings", "is_well", "says"),
    [
        (Settings(), True, "any device may name any bed; QUIETWARD_BEDS"),
        (Settings(broker="mqtt://192.0.2.1:1883"), False, "any device may name any bed"),
        (Settings(broker="mqtt://192.0.2.1:1883", beds="bed-*"), True, "only bed-*, and who is taken in"),
    ],
)
def test_doctor_says_who_may_name_which_bed(settings: Settings, is_well: bool, says: str) -> None:
    found = doctor._beds(settings)
    assert found.well == is_well
    assert found.seen.startswith(says)
    assert "QUIETWARD_BEDS" in found.remedy


@pytest.mark.parametrize(("url", "is_well"), [("mqtt://192.0.2.1:1", False), ("mqtts://192.0.2.1:1", True)])
def test_doctor_names_a_way_that_is_not_encrypted(url: str, is_well: bool) -> None:
    found = doctor._encrypted("broker", url, "mqtts")
    assert found.well == is_well
    assert is_well or "mqtts://" in found.remedy
