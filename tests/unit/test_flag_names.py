"""One rule for the names of flags: what the page may send is what the core reads a number in."""

import msgspec
import pytest

from quietward.contracts.commands import Acknowledge
from quietward.contracts.flag_names import flag_name, flag_number, is_of_second


def may_be_sent(flag: str) -> bool:
    try:
        msgspec.convert({"type": "acknowledge", "bed": "bed-1", "by": "Kim", "flag": flag}, Acknowledge)
    except msgspec.ValidationError:
        return False
    return True


@pytest.mark.parametrize("of_second", [False, True])
def test_what_is_named_is_read_and_may_be_sent(of_second: bool) -> None:
    name = flag_name("bed-1", 17, of_second=of_second)
    assert (flag_number(name), is_of_second(name), may_be_sent(name)) == (17, of_second, True)


@pytest.mark.parametrize(
    "flag", ["bed-x17", "bed-1-x17", "bed-1-17", "bed-1-f", "", "f1", "bed-1-f1 ", "bed-1-s٣", "Bed-1-f1"]
)
def test_what_is_no_flag_has_no_number_and_may_not_be_sent(flag: str) -> None:
    assert (flag_number(flag), is_of_second(flag), may_be_sent(flag)) == (0, False, False)
