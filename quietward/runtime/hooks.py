"""Points at which tests stop a service: between two steps of which only one may have happened after a crash."""

from collections.abc import Callable

TestHook = Callable[[str], None]
"""Called with the name of the step that is done."""


def no_hook(_: str) -> None:
    """Do nothing."""
