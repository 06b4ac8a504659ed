"""Annotation files of WFDB, in the format of annot(5) of the WFDB applications guide (MIT format).

What is said of a time is a comment (`NOTE`) at its beginning: `deceleration [57.5 s]: late deceleration, ...`. At the
first sample it is a `MEASURE`: the wfdb package takes comments there for definitions of its own, and leaves them out.
"""

import re
import struct
from collections.abc import Iterable, Iterator
from pathlib import Path

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.recordings.recording import Annotation

SUFFIX = ".qwd"
"""The annotator's name: only `atr` would say that people have checked it."""
NOTE, MEASURE, SKIP, SUB, CHANNEL, NUMBER, AUX = 22, 23, 59, 61, 62, 60, 63
LONGEST_TEXT, LONGEST_INTERVAL = 255, 1023
TEXT = re.compile(r"(?P<kind>[^\[:]*?)( \[(?P<length>[\d.]+) s\])?: (?P<text>.*)", re.DOTALL)


def write(path: Path, annotations: Iterable[Annotation]) -> None:
    """Write annotations, their times rounded to samples; texts of more than 255 bytes are cut. Raises OSError."""
    stored = bytearray()
    last, channel = 0, 0
    for one in sorted(annotations, key=lambda one: one.from_s):
        at = max(0, round(one.from_s * HZ))
        interval, same = at - last, bool(stored) and at == last
        if interval > LONGEST_INTERVAL:
            stored += _word(SKIP, 0) + struct.pack("<HH", interval >> 16, interval & 0xFFFF)
            interval = 0
        stored += _word(NOTE if at else MEASURE, interval)
        now_channel = channel + 1 if same else 0  # two at one sample must be of different signals or channels
        if now_channel != channel:
            stored += _word(CHANNEL, now_channel & 0xFF)
        text = _text_of(one)
        stored += _word(AUX, len(text)) + text + b"\0" * (len(text) % 2)
        last, channel = at, now_channel
    path.write_bytes(bytes(stored + _word(0, 0)))


def _word(code: int, value: int) -> bytes:
    return struct.pack("<H", code << 10 | value)


def _text_of(one: Annotation) -> bytes:
    length = "" if one.to_s is None else f" [{one.to_s - one.from_s:.10g} s]"
    text = f"{one.kind}{length}: {one.text}".encode()
    return text[:LONGEST_TEXT].decode(errors="ignore").encode()


def read(path: Path) -> list[Annotation]:
    """Return the comments of an annotation file, none if there is no such file. Raises BadRecording."""
    try:
        stored = path.read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise BadRecording(str(path), type(error).__name__, f"Cannot be read: {error.strerror}") from error
    try:
        return list(_annotations(stored))
    except (struct.error, ValueError) as error:
        raise BadRecording(str(path), len(stored), f"Is no WFDB annotation file, or cut off: {error}") from error


def _annotations(stored: bytes) -> Iterator[Annotation]:
    place, at, code = 0, 0, 0
    while True:
        (word,) = struct.unpack_from("<H", stored, place)
        place += 2
        kind, value = word >> 10, word & 0x3FF
        if word == 0:
            return
        if kind == SKIP:
            high, low = struct.unpack_from("<hH", stored, place)
            at, place = at + (high << 16) + low, place + 4
        elif kind == AUX:
            text, place = stored[place : place + value], place + value + value % 2
            if len(text) < value:
                raise ValueError("a text ends too early")
            if code in (NOTE, MEASURE):
                yield _annotation(at / HZ, text.rstrip(b"\0").decode(errors="replace"))
        elif kind not in (SUB, CHANNEL, NUMBER):
            code, at = kind, at + value


def _annotation(from_s: float, text: str) -> Annotation:
    match = TEXT.fullmatch(text)
    if match is None:
        return Annotation(from_s, None, "note", text)
    length = match["length"]
    return Annotation(from_s, None if length is None else from_s + float(length), match["kind"], match["text"])
