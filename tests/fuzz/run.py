"""Runs a reader on many inputs, and keeps count: what it took, what it refused and why, what escaped.

Inputs are led by coverage where `atheris` is installed; else they are mutations of the seeds.
"""

import hashlib
import os
import random
import re
import resource
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from quietward.contracts.errors import QuietwardError
from tests.fuzz.readers import Reader

LONGEST = 20_000
TOLD_EVERY_S = 5.0
REASONS_TOLD = 12
CORPUS = Path(__file__).parent / "corpus"
"""A folder for each reader: inputs that a run found worth keeping, and later runs begin with."""
KEPT, KEPT_BYTES = 50, 4_000
"""So many files of a reader are kept at most, none larger."""
GROWS_AT_MOST_MB, SLOWEST_S = 64.0, 5.0
"""A reader that needs more has failed: libraries that are imported, and buffers that fill, are some 20 MB."""
NUMBER, QUOTED = re.compile(r"[0-9]+"), re.compile(r"[`'].*", re.DOTALL)


@dataclass
class Count:
    """What became of the inputs. escapes: place of an error that may not be -> an input with it, and the error."""

    reader: str
    inputs: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    escapes: dict[str, tuple[bytes, str]] = field(default_factory=dict)
    began: float = field(default_factory=time.monotonic)
    slowest_s: float = 0.0
    first_mb: float = 0.0

    @property
    def faults(self) -> list[str]:
        """Return what should not be, in words."""
        found = [f"ESCAPED  {place}" for place in self.escapes]
        if (grown := memory_mb() - self.first_mb) > GROWS_AT_MOST_MB:
            found.append(f"GREW  by {grown:.0f} MB, over {GROWS_AT_MOST_MB:.0f}")
        if self.slowest_s > SLOWEST_S:
            found.append(f"SLOW  {self.slowest_s:.1f} s for one input, over {SLOWEST_S:.0f}")
        return found

    def line(self) -> str:
        """How far it is, in one line."""
        elapsed_s = max(1e-6, time.monotonic() - self.began)
        share = sum(self.refused.values()) / max(1, self.inputs)
        return (
            f"{self.reader}: {self.inputs:,} inputs, {self.inputs / elapsed_s:,.0f} a second, {share:.1%} refused, "
            f"{len(self.escapes)} escapes, slowest {self.slowest_s * 1000:.0f} ms, {memory_mb():.0f} MB "
            f"({memory_mb() - self.first_mb:+.0f})"
        )


def memory_mb() -> float:
    """Return the most memory that this process has held so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def with_corpus(name: str, reader: Reader, corpus: Path = CORPUS) -> Reader:
    """Return a reader that begins with what earlier runs have kept, too; whether it is taken, nobody says."""
    kept = [path.read_bytes() for path in sorted((corpus / name).glob("*"))]
    sound = len(reader.seeds) if reader.sound is None else reader.sound
    return replace(reader, seeds=[*reader.seeds, *kept], sound=sound)


def keep(found: Path, name: str, seeds: Sequence[bytes], corpus: Path = CORPUS) -> int:
    """Keep the newest of the inputs that a run has found, as long as there is room, and return how many it kept.

    The newest: each of them goes a step further than one before it.
    """
    folder = corpus / name
    folder.mkdir(parents=True, exist_ok=True)
    known, kept = set(seeds), 0
    room = KEPT - sum(1 for _ in folder.iterdir())
    for path in sorted(found.iterdir(), key=lambda path: path.stat().st_mtime_ns, reverse=True):
        data = path.read_bytes()
        if kept >= room:
            break
        if len(data) <= KEPT_BYTES and data not in known:
            (folder / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
            known.add(data)
            kept += 1
    return kept


def once(reader: Reader, data: bytes, count: Count) -> None:
    """Read one input, and count what became of it."""
    began = time.monotonic()
    try:
        reader.read(data)
    except reader.errors as error:
        count.refused[_why(error)] += 1
        if not isinstance(error, QuietwardError) or "\n" in str(error):
            count.escapes.setdefault("a refusal of several lines", (data, str(error)))
    except Exception as error:  # noqa: BLE001
        ours = [one for one in traceback.extract_tb(error.__traceback__) if "/tests/" not in one.filename]
        place = f"{type(error).__name__} at {f'{ours[-1].filename}:{ours[-1].lineno}' if ours else 'the test'}"
        count.escapes.setdefault(place, (data, "".join(traceback.format_exception(error))))
    count.inputs += 1
    count.slowest_s = max(count.slowest_s, time.monotonic() - began)


def _why(error: Exception) -> str:
    """A refusal without what it names: errors of the same kind count together."""
    if not isinstance(error, QuietwardError):
        return type(error).__name__
    what, remedy = re.sub(r"/\S*/", "", error.what), QUOTED.sub("...", error.remedy)
    return f"{type(error).__name__}, {NUMBER.sub('#', what)[:40]}: {NUMBER.sub('#', remedy)[:60]}"


def mutations(seeds: Sequence[bytes], seed: int) -> Iterator[bytes]:
    """Yield the seeds, then changed ones without end."""
    yield from seeds
    yield b""
    rng, words = random.Random(seed), words_of(seeds)
    while True:
        data = bytearray(rng.choice(seeds))
        for _ in range(rng.choice((1, 1, 2, 3, 5, 8))):
            _change(data, rng, seeds, words)
        yield bytes(data[:LONGEST])


EXTREMES = (
    b"-1", b"0", b"1e400", b"-1e-400", b"nan", b"NaN", b"inf", b"9" * 25, b"9" * 5000, b"\xff\xfe", b"\x00",
    b"\xf0\x9f\x98\x80", b"\xed\xa0\x80", b"[" * 3000, b'{"a":' * 2000, b"null", b"true", b'""', b"[]", b"{}", b"\r\n",
    b"\n", b",", b";", b'"', b"'", b"2024-13-45T99:99:99Z", b"../../x", b"/dev/zero", b"%00", b"%ff", b"\xe2\x80\xa8",
)  # fmt: skip


def words_of(seeds: Sequence[bytes]) -> list[bytes]:
    """Return what the seeds are made of, and what readers stumble over."""
    return [*EXTREMES, *sorted({word for one in seeds for word in re.findall(rb"[\w.-]{2,40}", one)})[:600]]


def _change(data: bytearray, rng: random.Random, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    at = rng.randrange(len(data) + 1)
    end = min(len(data), at + rng.choice((1, 1, 2, 4, 8, 30)))
    match rng.randrange(8):
        case 0 if at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        case 1:
            data[at:end] = rng.randbytes(end - at)
        case 2:
            del data[at:end]
        case 3:
            data[at:at] = data[at:end] * rng.choice((1, 2, 50))
        case 4:
            other = rng.choice(seeds)
            cut = rng.randrange(len(other) + 1)
            data[at:] = other[cut:]
        case 5:
            del data[at:]
        case _:
            known = [m.span() for m in re.finditer(rb"[\w.+-]+", bytes(data[at : at + 60]))]
            begin, stop = known[0] if known and rng.random() < 0.7 else (0, 0)
            data[at + begin : at + stop] = rng.choice(words)


def fuzz(name: str, reader: Reader, inputs: int, seed: int, tell: Callable[[str], None]) -> Count:
    """Read so many mutations of the seeds, or until Ctrl-C: what has been counted by then is returned."""
    count = Count(name, first_mb=memory_mb())
    next_at = time.monotonic() + TOLD_EVERY_S
    with suppress(KeyboardInterrupt):
        for data in mutations(reader.seeds, seed):
            if count.inputs >= inputs:
                break
            once(reader, data, count)
            if time.monotonic() > next_at:
                next_at = time.monotonic() + TOLD_EVERY_S
                tell(count.line())
    return count


def fuzz_by_coverage(
    name: str, reader: Reader, inputs: int, seed: int, folder: Path, finish: Callable[[Count], int]
) -> None:
    """Read so many inputs that atheris makes up. Ends the process with the status that `finish` returns."""
    import atheris

    (folder / "seeds").mkdir(parents=True)
    for i, data in enumerate(reader.seeds):
        (folder / "seeds" / str(i)).write_bytes(data)
    lines = ["".join(f"\\x{byte:02x}" for byte in word) for word in words_of(reader.seeds) if len(word) < 60]
    (folder / "words").write_text("".join(f'"{line}"\n' for line in lines))
    count = Count(name, first_mb=memory_mb())
    told_at = time.monotonic()

    def one(data: bytes) -> None:
        nonlocal told_at
        once(reader, data, count)
        if time.monotonic() > told_at + TOLD_EVERY_S:
            told_at = time.monotonic()
            print(count.line(), file=sys.stderr, flush=True)
        if count.inputs >= inputs:
            os._exit(finish(count))  # libFuzzer has no other end that leaves the last word to us

    atheris.Setup(
        [
            sys.argv[0], f"-dict={folder / 'words'}", f"-max_len={LONGEST}", f"-seed={seed}", "-timeout=20",
            "-rss_limit_mb=2048", "-verbosity=0", f"-artifact_prefix={folder}/", str(folder / "seeds"),
        ],
        one,
    )  # fmt: skip
    atheris.Fuzz()


def write_escapes(count: Count, folder: Path) -> None:
    """Keep an input of each escape, and what it raised."""
    for data, said in count.escapes.values():
        folder.mkdir(parents=True, exist_ok=True)
        digest = hashlib.sha256(data).hexdigest()[:12]
        (folder / f"{count.reader}-{digest}").write_bytes(data)
        (folder / f"{count.reader}-{digest}.txt").write_text(said)
