"""Languages: English sentences are the keys, `LANGUAGE.po` beside this file has them in another language.

What the code writes itself is looked up (`text`). What comes as a finished English sentence, from the detector, the log
or a summary, is recognised by the template it was made from (`said`), so that wire, store and exports stay the same for
all readers. `dashboard/assets/shared/language.mjs` does the same in the browser, over the same table.
"""

import re
from collections.abc import Iterator, Mapping
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date
from functools import cache, cached_property, lru_cache
from importlib.resources import files

from babel.core import Locale, negotiate_locale
from babel.dates import format_date
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from babel.numbers import format_decimal

SOURCE = "en"
TERMINAL = "terminal"
"""The context of entries for the command line, which no page needs."""
LIST = "values"
"""A placeholder for names with commas between them."""
OWN = frozenset({"bed", "by", "label", "name", "note", "of", "other", "to", LIST, "why"})
"""Placeholders for what people have written and for names: it stays as it is."""
WRITTEN = frozenset({"note", "why"})
"""Those of them that are sentences."""
FACTS = " · "
BETWEEN = "; "
NOW = "; now "
SEPARATORS = (NOW, BETWEEN, ": ", ", ")
"""Between parts of a sentence that are put together; each part is looked up by itself."""
WEAK_LETTERS = 8
"""A template with fewer letters of its own is recognised only where no separator is within what is put into it."""
PLACEHOLDER = re.compile(r"\{(\w+)\}")
"""One that is called n, n2 and so on holds a number."""
_NUMBER = re.compile(r"-?\d+\.\d+")
_FOR_NUMBERS = re.compile(r"n\d*")
_BED = "[a-z0-9-]+"

Word = str | tuple[str, ...]
"""A translation, or one for each plural form."""


@dataclass(frozen=True)
class _Template:
    """A key with placeholders. literal: its longest part that is always there, a quick first test. free: placeholders
    that may hold separators though it is weak; whole: those that may hold what stands between two sentences.
    """

    pattern: re.Pattern[str]
    literal: str
    is_weak: bool
    free: frozenset[str]
    whole: frozenset[str]
    translation: str

    def values_in(self, sentence: str) -> dict[str, str] | None:
        """Return what was put into the template to make a sentence; None if it is of another."""
        match = self.pattern.fullmatch(sentence) if self.literal in sentence else None
        if match is None:
            return None
        values = match.groupdict()
        if any(BETWEEN in value for name, value in values.items() if name not in self.whole):
            return None
        closed = [value for name, value in values.items() if name not in self.free]
        if self.is_weak and any(one in value for one in SEPARATORS for value in closed):
            return None
        return values


class Language:
    """One language: its table, and its numbers and times."""

    def __init__(self, name: str, words: Mapping[str, Word]) -> None:
        self.name, self.words = name, words
        self.locale = Locale.parse("en_GB" if name == SOURCE else name)
        self._remembered = lru_cache(maxsize=4096)(self._said)

    def text(self, english: str, **values: object) -> str:
        """Return a sentence of the code. values: of its placeholders. Raises KeyError for one that is missing."""
        word = self.words.get(english, english)
        return _filled(word if isinstance(word, str) else word[-1], {k: self._shown(v) for k, v in values.items()})

    def said(self, sentence: str) -> str:
        """Return a finished English sentence in this language; what no template of the table has made stays."""
        return sentence if self.name == SOURCE or not sentence else self._remembered(sentence)

    def number(self, value: float, digits: int = 0) -> str:
        """Return a number as it is written here."""
        return format_decimal(round(value, digits), format=f"0.{'0' * digits}" if digits else "0", locale=self.locale)

    def date(self, day: date) -> str:
        """Return a day as it is written here."""
        return day.strftime("%Y-%m-%d") if self.name == SOURCE else format_date(day, "medium", self.locale)

    def _shown(self, value: object) -> str:
        return (
            format_decimal(value, locale=self.locale, group_separator=False) if isinstance(value, float) else str(value)
        )

    def _said(self, sentence: str) -> str:
        if isinstance(word := self.words.get(sentence), str):
            return word
        if FACTS in sentence:
            return FACTS.join(map(self.said, sentence.split(FACTS)))
        if (whole := self._whole(sentence)) is not None:
            return whole
        for separator in SEPARATORS:
            first, there, rest = sentence.partition(separator)
            if there:
                return self.said(first) + self.text(there) + self.said(rest)
        return sentence

    def _whole(self, sentence: str) -> str | None:
        """Return what one key says of all of a sentence, which may stand within another and begin small."""
        if _NUMBER.fullmatch(sentence):
            return self.number(float(sentence), len(sentence.partition(".")[2]))
        variants = tuple(dict.fromkeys((sentence, sentence[:1].upper() + sentence[1:])))
        for written in variants:
            if isinstance(word := self.words.get(written), str):
                return word
        for template in self._templates:
            for written in variants:
                if (values := template.values_in(written)) is not None:
                    translated = {name: value if name in OWN else self.said(value) for name, value in values.items()}
                    return _filled(template.translation, translated)
        return None

    @cached_property
    def _templates(self) -> list[_Template]:
        """All keys with placeholders, those that say most first, and of equals those that name somebody."""
        entries = [
            (_literals(key), key, word) for key, word in self.words.items() if isinstance(word, str) and "{" in key
        ]
        entries.sort(key=lambda one: (-sum(map(len, one[0])), OWN.isdisjoint(PLACEHOLDER.findall(one[1]))))
        return [
            _Template(_pattern(key), max(parts, key=len), _letters(parts) < WEAK_LETTERS, _free(key), _whole(key), word)
            for parts, key, word in entries
            if any(parts)
        ]


def _literals(key: str) -> list[str]:
    return PLACEHOLDER.split(key)[::2]


def _letters(parts: list[str]) -> int:
    return sum(letter.isalpha() for part in parts for letter in part)


def _free(key: str) -> frozenset[str]:
    """Return the placeholders of a key that may hold separators: lists, and what ends it behind a colon."""
    *_, before, last, after = ["", "", *PLACEHOLDER.split(key)]
    return frozenset({LIST, *([last] if not after and before.endswith(": ") else [])})


def _whole(key: str) -> frozenset[str]:
    """Return the placeholders of a key that may hold "; ". What people have written at its end does not: behind it may
    be another sentence, and where there is none, it stays as it is all the same.
    """
    *_, last, after = ["", *PLACEHOLDER.split(key)]
    return (_free(key) | WRITTEN) - (set() if after else {last} & OWN - {LIST})


def _pattern(key: str) -> re.Pattern[str]:
    pieces = PLACEHOLDER.split(key)
    parts = [f"(?P<{p}>{_value(p)})" if i % 2 else re.escape(p) for i, p in enumerate(pieces)]
    return re.compile("".join(parts), re.DOTALL)


def _value(name: str) -> str:
    return r"-?\d[\d.]*|–|unknown" if _FOR_NUMBERS.fullmatch(name) else _BED if name == "bed" else ".*?"


def _filled(template: str, values: Mapping[str, str]) -> str:
    return PLACEHOLDER.sub(lambda match: values[match[1]], template)


ENGLISH = Language(SOURCE, {})
reader: ContextVar[Language] = ContextVar("reader", default=ENGLISH)
"""The language of whoever reads what is being written."""


def names() -> list[str]:
    """Return the languages there are, English first."""
    return [SOURCE, *sorted(_tables())]


def _tables() -> Iterator[str]:
    for file in files("quietward.language").iterdir():
        if file.name.endswith(".po"):
            yield file.name.removesuffix(".po")


@cache
def language(name: str, context: str | None = None) -> Language:
    """Return a language: what pages say, with a context what is said there as well. Raises FileNotFoundError for one
    without a table.
    """
    if name == SOURCE:
        return ENGLISH
    messages = (m for m in _table(name) if m.context in (None, context))
    return Language(name, {_key(m.id): _word(m.string) for m in messages if m.id and m.string})


@cache
def _table(name: str) -> Catalog:
    with (files("quietward.language") / f"{name}.po").open("rb") as file:
        return read_po(file, locale=name)


def _key(message: str | tuple[str, ...] | list[str]) -> str:
    return message if isinstance(message, str) else message[0]


def _word(translation: str | tuple[str, ...] | list[str]) -> Word:
    return translation if isinstance(translation, str) else tuple(translation)


def chosen(setting: str, accepted: str) -> Language:
    """Return the language of a reader. setting: the ward's, empty: none. accepted: what a browser asks for, the header
    Accept-Language. A ward that has set one has it on every screen; else the browser counts, and English behind it.
    """
    if setting:
        return language(setting)
    wanted = [part.partition(";")[0].strip().replace("-", "_") for part in accepted.split(",")]
    name = negotiate_locale(wanted, names())
    return language(name or SOURCE)
