"""Makes tables out of bytes: each few bytes say what is changed where in a table that is sound."""

import copy
import datetime as dt
import marshal
import math
from collections.abc import Sequence
from typing import Any

EACH = 5
"""Bytes of one change: its place (2), its kind, and what it takes (2)."""
MOST = 12
"""Changes of one table; later bytes do nothing."""

VALUES: tuple[Any, ...] = (
    0, 1, -1, 2, 3, 0.0, -0.0, 0.5, 1.0, 1.5, 100, 1e-300, 1e9, 1e300, math.inf, -math.inf, math.nan, 2**31, 2**63 - 1,
    -(2**63), 10**30, True, False, "", "x", " ", "\x00", "{}", "{", "{0}", "{x:d}", "{baseline_bpm:9999}", "%s", "\n",
    "../x", "/dev/zero", "a" * 5000, "\U0001f600", "\u2028", "calm", "x.toml", [], [[]], [0, 1], [1, 0], [1, 1, 1],
    [math.nan, 1], [1, math.inf], ["x"], {}, {"x": 1}, dt.date(2024, 2, 29), dt.time(1, 2),
    dt.datetime(2024, 2, 29, 1, 2, tzinfo=dt.UTC),
)  # fmt: skip


def words_of(tables: Sequence[Any]) -> list[str]:
    """Return all texts and keys of tables, sorted."""
    found: set[str] = set()

    def walk(value: Any) -> None:
        match value:
            case str():
                found.add(value)
            case dict():
                found.update(value)
                for one in value.values():
                    walk(one)
            case list():
                for one in value:
                    walk(one)

    walk(list(tables))
    return sorted(found)


def changed(tables: Sequence[bytes], data: bytes, words: Sequence[str]) -> dict[str, Any]:
    """Return one of the tables, changed as the bytes say: which table, then EACH bytes for each change.

    tables: as `marshal` writes them, which copies them ten times as fast as `copy` does.
    """
    table: dict[str, Any] = marshal.loads(tables[data[0] % len(tables) if data else 0])  # noqa: S302 - our own
    places = _places(table)  # once: what a change brings is not changed again, and that is ten times as fast
    for at in range(1, min(len(data) - EACH, (MOST - 1) * EACH) + 1, EACH):
        where, kind, what = data[at] << 8 | data[at + 1], data[at + 2], data[at + 3] << 8 | data[at + 4]
        container, key = places[where % len(places)]
        if _is_there(container, key):
            _change(container, key, kind, what, places, words)
    return table


def _places(table: dict[str, Any]) -> list[tuple[Any, Any]]:
    """Return everything in a table: what holds it, and its key or index there."""
    found: list[tuple[Any, Any]] = []
    holders: list[Any] = [table]
    for holder in holders:  # grows meanwhile
        for key, one in holder.items() if type(holder) is dict else enumerate(holder):
            found.append((holder, key))
            if type(one) is dict or type(one) is list:
                holders.append(one)
    return found


def _is_there(container: Any, key: Any) -> bool:
    """Return whether earlier changes have left a place."""
    return key in container if isinstance(container, dict) else key < len(container)


def _change(container: Any, key: Any, kind: int, what: int, places: list[Any], words: Sequence[str]) -> None:
    old = container[key]
    match kind % 8:
        case 0:
            container[key] = copy.deepcopy(VALUES[what % len(VALUES)])
        case 1:
            container[key] = words[what % len(words)]
        case 2:
            from_container, from_key = places[what % len(places)]
            if _is_there(from_container, from_key):
                container[key] = copy.deepcopy(from_container[from_key])
        case 3:
            del container[key]
        case 4 if isinstance(container, list):
            container[key:key] = [copy.deepcopy(old)] * (what % 40)
        case 4:
            container[words[what % len(words)]] = container.pop(key)
        case 5 if isinstance(old, int | float) and not isinstance(old, bool):
            container[key] = old * 2.0 ** (what % 64 - 32)
        case 6 if isinstance(old, int | float) and not isinstance(old, bool):
            container[key] = old + (what - 0x8000) / (1 if kind & 8 else 256)
        case 7 if isinstance(old, int | float) and not isinstance(old, bool):
            container[key] = [old, old + what / 256]
        case _ if isinstance(old, str):
            at = what % (len(old) + 1)
            container[key] = old[:at] + "{" * (what % 3) + old[at + what % 7 :]
        case _:
            container[words[what % len(words)] if isinstance(container, dict) else key] = copy.deepcopy(old)
