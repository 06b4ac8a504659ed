"""Straight lines of a PDF's pages, in millimetres on paper: enough of the format to measure a printed grid.

After ISO 32000-1, 8.2 to 8.5 (from memory): a content stream's `cm` multiplies the current matrix, `q` and `Q` keep and
restore it, `m` and `l` go to points; a point of the page is 1/72 inch.
"""

import re
import zlib

MM_PER_POINT = 25.4 / 72
Matrix = tuple[float, float, float, float, float, float]
Line = tuple[tuple[float, float], tuple[float, float]]


def lines(pdf: bytes) -> list[Line]:
    """Return all lines between two points, page by page."""
    found: list[Line] = []
    for stream in re.finditer(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        try:
            text = zlib.decompress(stream[1]).decode("latin-1")
        except zlib.error:
            continue  # a font or a picture
        if " cm\n" in text:
            found += _lines(text)
    return found


def _lines(text: str) -> list[Line]:
    now: Matrix = (1, 0, 0, 1, 0, 0)
    kept: list[Matrix] = []
    found: list[Line] = []
    numbers: list[float] = []
    path: list[tuple[float, float]] = []
    for word in text.split():
        if re.fullmatch(r"-?\d*\.?\d+", word):
            numbers.append(float(word))
            continue
        match word:
            case "q":
                kept.append(now)
            case "Q":
                now = kept.pop()
            case "cm":
                a, b, c, d, e, f = numbers[-6:]
                now = _product((a, b, c, d, e, f), now)
            case "m":
                path = [_at(now, numbers)]
            case "l":
                path.append(_at(now, numbers))
            case "S" if len(path) == 2:
                found.append((path[0], path[1]))
        numbers = []
    return found


def _product(m: Matrix, n: Matrix) -> Matrix:
    return (
        m[0] * n[0] + m[1] * n[2], m[0] * n[1] + m[1] * n[3], m[2] * n[0] + m[3] * n[2], m[2] * n[1] + m[3] * n[3],
        m[4] * n[0] + m[5] * n[2] + n[4], m[4] * n[1] + m[5] * n[3] + n[5],
    )  # fmt: skip


def _at(m: Matrix, numbers: list[float]) -> tuple[float, float]:
    x, y = numbers[-2:]
    return ((m[0] * x + m[2] * y + m[4]) * MM_PER_POINT, (m[1] * x + m[3] * y + m[5]) * MM_PER_POINT)
