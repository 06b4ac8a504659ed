"""Pure: how a bed's flags are named: its name, `f` of the bed or its first twin, `s` of the second twin, a number.

Numbers go on from flag to flag, of each twin by themselves. No flag has the number 0.
"""

import re

FLAG_PATTERN = "^[a-z0-9-]{1,32}-([fs])([0-9]{1,9})$"
_FLAG = re.compile(FLAG_PATTERN)


def flag_name(bed: str, number: int, *, of_second: bool = False) -> str:
    """Return the name of a flag. of_second: it is of the second twin."""
    return f"{bed}-{'s' if of_second else 'f'}{number}"


def flag_number(flag: str) -> int:
    """Return the number in a flag's name; 0 for what is no such name."""
    named = _FLAG.fullmatch(flag)
    return int(named[2]) if named else 0


def is_of_second(flag: str) -> bool:
    """Return whether a flag, by its name, is of a second twin."""
    named = _FLAG.fullmatch(flag)
    return named is not None and named[1] == "s"
