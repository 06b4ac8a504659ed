"""The language of the command line: that of `QUIETWARD_LANGUAGE`, else that of the terminal, else English."""

import os
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from quietward.language.catalogue import Language

ASKED = ("QUIETWARD_LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")
"""Variables of the environment that name a language; the first that is set counts."""
ENGLISH = ("", "en", "C", "C.", "PO")
"""How those begin that ask for English, or for none."""


def said(sentence: str) -> str:
    """Return a finished English sentence in the reader's language."""
    here = _here()
    return sentence if here is None else here.said(sentence)


def say(sentence: str = "", **to: Any) -> None:
    """Print a finished English sentence in the reader's language. to: as of `print`."""
    print(said(sentence), **to)


def asked_for(environment: Mapping[str, str]) -> "Language | None":
    """Return the language that an environment asks for; None for English, or where there is no table of it."""
    wanted = next(filter(None, map(environment.get, ASKED)), "")[:2]
    if wanted in ENGLISH:
        return None
    from quietward.language.catalogue import TERMINAL, language, names  # a tenth of a second, for this alone

    return language(wanted, TERMINAL) if wanted in names() else None


@cache
def _here() -> "Language | None":
    return asked_for(os.environ)
