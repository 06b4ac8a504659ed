"""As much of PromQL's grammar as our rules and dashboard use: what is not in it is refused.

After https://prometheus.io/docs/prometheus/latest/querying/basics/, operators/ and functions/ beside it.
"""

import re
from typing import NamedTuple

TOKEN = re.compile(
    r"""\s*(?: (?P<range>\[(?:\d+(?:ms|[smhdwy]))+\]) | (?P<number>\d+(?:\.\d+)?) | (?P<text>"[^"\\]*")
    | (?P<name>[A-Za-z_:][\w:]*) | (?P<sign>==|!=|>=|<=|=~|!~|[-+*/<>=(){},]) )\s*""",
    re.VERBOSE,
)
FUNCTIONS = {
    "absent": ("vector",),
    "deriv": ("range",),
    "histogram_quantile": ("scalar", "vector"),
    "increase": ("range",),
    "rate": ("range",),
}
"""Kinds of the arguments of those functions that are used."""
AGGREGATIONS = ("avg", "count", "max", "min", "sum")
BINARY = ("==", "!=", ">=", "<=", ">", "<", "+", "-", "*", "/", "and", "or", "unless")


class BadQuery(Exception):
    """A query that Prometheus would not take."""


class _Token(NamedTuple):
    kind: str
    text: str


def check(query: str) -> None:
    """Raise BadQuery unless Prometheus takes a query, and it gives a vector: one value for each series."""
    tokens, at = [], 0
    while at < len(query):
        found = TOKEN.match(query, at)
        if found is None:
            raise BadQuery(f"{query!r}: what is {query[at:]!r}?")
        tokens.append(_Token(str(found.lastgroup), found[str(found.lastgroup)]))
        at = found.end()
    reader = _Reader(tokens)
    kind = reader.expression()
    reader.expect("")
    if kind != "vector":
        raise BadQuery(f"{query!r} gives a {kind}, not a vector")


class _Reader:
    def __init__(self, tokens: list[_Token]) -> None:
        self.tokens = [*tokens, _Token("end", "")]

    @property
    def next(self) -> _Token:
        return self.tokens[0]

    def take(self, *texts: str) -> bool:
        """Pass over one of these, if it comes next."""
        if self.next.kind == "text" or self.next.text not in texts:
            return False
        del self.tokens[0]
        return True

    def expect(self, text: str) -> None:
        if self.next.text != text:
            raise BadQuery(f"{self.next.text or 'the end'!r} in place of {text or 'the end'!r}")
        self.tokens = self.tokens[1:] or self.tokens

    def take_kind(self, kind: str) -> str:
        if self.next.kind != kind:
            raise BadQuery(f"{self.next.text or 'the end'!r} in place of a {kind}")
        return self.tokens.pop(0).text

    def expression(self) -> str:
        kind = self.operand()
        while self.take(*BINARY):
            other = self.operand()
            if "range" in (kind, other):
                raise BadQuery("an operator takes no range")
            kind = "vector" if "vector" in (kind, other) else "scalar"
        return kind

    def operand(self) -> str:
        self.take("-")
        if self.next.kind == "number":
            self.take_kind("number")
            return "scalar"
        if self.take("("):
            kind = self.expression()
            self.expect(")")
            return kind
        if self.next.text == "{":
            return self.selector()
        name = self.take_kind("name")
        if name in AGGREGATIONS:
            return self.aggregation(name)
        if self.next.text != "(":
            return self.selector()
        self.arguments(name, FUNCTIONS.get(name))
        return "vector"

    def aggregation(self, name: str) -> str:
        is_grouped = self.grouping()
        self.arguments(name, ("vector",))
        if not is_grouped:
            self.grouping()
        return "vector"

    def grouping(self) -> bool:
        if not self.take("by", "without"):
            return False
        self.expect("(")
        while self.next.text != ")":
            self.take_kind("name")
            if not self.take(","):
                break
        self.expect(")")
        return True

    def arguments(self, name: str, kinds: tuple[str, ...] | None) -> None:
        if kinds is None:
            raise BadQuery(f"there is no function {name}, or it stands in no query yet")
        self.expect("(")
        found = [self.expression()]
        while self.take(","):
            found.append(self.expression())
        self.expect(")")
        if tuple(found) != kinds:
            raise BadQuery(f"{name} takes {kinds}, not {found}")

    def selector(self) -> str:
        if self.take("{"):
            while self.next.text != "}":
                self.take_kind("name")
                if not self.take("=", "!=", "=~", "!~"):
                    raise BadQuery(f"{self.next.text!r} compares no label")
                self.take_kind("text")
                if not self.take(","):
                    break
            self.expect("}")
        if self.next.kind != "range":
            return "vector"
        self.take_kind("range")
        return "range"
