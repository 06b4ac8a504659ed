"""What reads what others wrote: each with inputs to begin with, and the only errors that it may raise."""

import asyncio
import contextlib
import csv
import functools
import io
import marshal
import os
import random
import shutil
import subprocess
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock
from urllib.parse import unquote_to_bytes

import msgspec
import numpy as np

from quietward.contracts import tables as parsing
from quietward.contracts.addresses import Ward
from quietward.contracts.errors import (
    BadMessage,
    BadRecording,
    BadRules,
    BadScenario,
    BadSettings,
    BadStudy,
    QuietwardError,
)
from quietward.contracts.inputs import Block, encode_inputs, inputs_of
from quietward.contracts.policy_info import PolicyInfo
from quietward.contracts.settings import Settings, device_passwords, load, without_password
from quietward.contracts.tables import parse_json, parse_toml_table
from quietward.dashboard.auth import people
from quietward.dashboard.routes import commands
from quietward.detect import rule_file
from quietward.detect.core.alerting.policy import Policy
from quietward.ingest.validate import check
from quietward.practice import answer, class_routes, marks, mistakes, progress, results, sets, simulated, strip
from quietward.recordings.files import Labour, read_recording, write_recording
from quietward.recordings.recording import Annotation
from quietward.runtime.embedded import free_port, store_command, wait_for_port
from quietward.simulator import scenario, shift
from quietward.study import plan, truth
from quietward.transport import packets
from tests.fuzz import changes

MEMORY = next((one for one in ("/dev/shm",) if os.access(one, os.W_OK)), None)  # noqa: S108
"""Where files are that live for a moment."""
AT = 1_790_000_000_000
Read = Callable[[bytes], object]


@dataclass(frozen=True)
class Reader:
    """seeds: inputs to begin with; read: reads one, or raises one of `errors`, and no other. sound: how many of the
    seeds, the first, are taken; all of them if not given."""

    seeds: list[bytes]
    read: Read
    errors: tuple[type[Exception], ...]
    sound: int | None = None


@contextmanager
def packet() -> Iterator[Reader]:
    """A PUBLISH as a broker hands it on, or the answer to one of ours: fixed header's first byte, then the packet."""

    def read(data: bytes) -> object:
        found = packets.message(data[0] if data else 0x32, data[1:])
        assert 0 <= found.mid < 0x10000
        packets.answer(data[1:])
        return check(found.topic, found.payload, found.content_type, AT, found.malformed, [])

    topic = b"quietward/v1/ward-1/bed-1/samples"
    head = b"\x32" + len(topic).to_bytes(2) + topic + b"\x00\x07"
    kind = b"\x03\x00\x10application/json"
    other = b"\x01\x01\x02\x00\x00\x00\x09" + kind + b"\x26\x00\x01a\x00\x01b\x0b\x07\x23\x00\x01"
    bodies = [bytes([len(p)]) + p + SAMPLES for p in (b"", kind, other)]
    yield Reader([head + body for body in bodies], read, (BadMessage,))


SAMPLES = b'{"session":"s","seq":17,"t":1790000000000,"hz":4,"fhr":[142.25,null,141,139],"ua":[12,0,1,127]}'
MORE = SAMPLES[:-1] + b',"mhr":80,"stage":1,"src":"sim","weeks":39,"colour":[{"a":1e400}]}'
SENML = (
    b'[{"bn":"s:","bt":1790000000,"n":"fhr","u":"beat/min","v":142},{"n":"fhr","u":"beat/min","t":0.25,"v":141},'
    b'{"n":"ua","u":"/","v":1}]'
)


@contextmanager
def message() -> Iterator[Reader]:
    """A message's payload; its first byte says of which content type and topic."""
    kinds = ("", "application/json", "application/senml+json", "text/plain")

    def read(data: bytes) -> object:
        which = data[0] if data else 0
        topic = f"quietward/v1/w/b/{'status' if which & 4 else 'samples'}"
        found = check(topic, data[1:], kinds[which & 3], AT, "", [])
        again = inputs_of({b"e": encode_inputs([found])})
        assert isinstance(again[0], type(found)), "what was taken can be read from the stream"
        if isinstance(found, Block):
            assert len(found.fhr) == len(found.ua) == 4
        return found

    yield Reader([b"\x00" + SAMPLES, b"\x01" + MORE, b"\x02" + SENML, b"\x04online"], read, (BadMessage,))


@contextmanager
def stream() -> Iterator[Reader]:
    """An entry of an input stream. What cannot be decoded is told as such, and never an error."""
    block = Block("b", "s", 1, AT, AT, [140.0, None, 1.0, 2.0], [1.0, 2.0, 3.0, None])
    yield Reader([encode_inputs([block, block])], lambda data: inputs_of({b"e": data}), ())


def _recording(
    suffix: str, beside: str = "", *, only_beside: bool = False
) -> Callable[[], contextlib.AbstractContextManager[Reader]]:
    """A reader of a format.

    beside: suffix of a second file, which comes behind the first zero byte, or is all there is (`only_beside`).
    """

    @contextmanager
    def reader() -> Iterator[Reader]:
        with tempfile.TemporaryDirectory(prefix="quietward-fuzz-", dir=MEMORY) as folder:
            path = Path(folder) / f"one{suffix}"
            other = path.with_suffix(beside) if beside else path

            def read(data: bytes) -> object:
                if beside and not only_beside:
                    first, _, data = data.partition(b"\0")
                    path.write_bytes(first)
                other.write_bytes(data)
                found = read_recording(path)
                assert found.fhr.shape == found.ua.shape
                assert found.fhr.dtype == found.ua.dtype == np.float64
                return found

            trace, tone = np.array([140.0, np.nan, 141.5, 139.0] * 5), np.array([10.0, 11.0, np.nan, 12.0] * 5)
            said = [Annotation(1.0, 3.0, "deceleration", "late"), Annotation(2.0, None, "noted", "x")]
            write_recording(path, trace, tone, annotations=said)
            seed = other.read_bytes()
            if beside and not only_beside:
                seed = path.read_bytes() + b"\0" + seed
            yield Reader([seed, *([] if only_beside else MORE_SEEDS.get(suffix, []))], read, (BadRecording,))

    return reader


MORE_SEEDS: dict[str, list[bytes]] = {
    ".csv": [
        b"time_ms;FHR [bpm];UA;stage\n0;140,5;1,0;1\n250;;2,0;2\n500;1e2;3;2\n",
        b"time,fhr,ua\n2024-01-01T00:00:00Z,140,1\n2024-01-01T00:00:01Z,141,2\n",
        b"t_s,fhr,ua\r\n0,140,1\r\n0.25,,\r\n0.5,,\r\n60,141,1\r\n",
    ],
    ".hea": [
        b"one 2 4 8 10:00:00 01/01/2024\none.dat 212 100(0)/bpm 12 0 0 0 0 FHR\none.dat 212 100/nd 12 0 0 0 0 UC\n"
        b"# Gest. weeks 39\n# Pos. II.st. 5\0" + bytes(range(24)),
        b"one 2 4\none.dat 16+4 1e3(-5)/bpm 16 0 0 0 0 FHR\none.dat 16+4 9/nd 16 0 0 0 0 UC\n\0abcdefghijkl",
    ],
}


def _file(
    read_file: Callable[[str], object], seeds: Callable[[], list[bytes]], suffix: str, *errors: type[QuietwardError]
) -> Callable[[], contextlib.AbstractContextManager[Reader]]:
    """A reader of a file that people write."""

    @contextmanager
    def reader() -> Iterator[Reader]:
        with tempfile.TemporaryDirectory(prefix="quietward-fuzz-", dir=MEMORY) as folder:
            path = Path(folder) / f"one{suffix}"

            def read(data: bytes) -> object:
                path.write_bytes(data)
                return read_file(str(path))

            yield Reader(seeds(), read, errors)

    return reader


def _table(
    read_file: Callable[[str], object],
    package: str,
    names: tuple[str, ...],
    *errors: type[QuietwardError],
    use: Callable[[Any], object] = lambda found: found,
) -> Callable[[], contextlib.AbstractContextManager[Reader]]:
    """A reader of TOML tables, and what is done with one that was taken (`use`); names: of some that come along.

    What begins with a zero byte is no text: it says what to change in one of those tables (`changes.changed`). Few
    changes of a text leave it TOML, and changed values get further; nor is it written and parsed then.
    """

    @contextmanager
    def reader() -> Iterator[Reader]:
        texts = [(files(package) / name).read_bytes() for name in names]
        tables = [tomllib.loads(text.decode()) for text in texts]
        words = changes.words_of(tables)
        made: dict[str, Any] = {}
        copies = [marshal.dumps(table) for table in tables]

        along = functools.lru_cache(256)(tomllib.loads)  # a shift reads its scenarios, and so on

        def loads(text: str) -> dict[str, Any]:
            return made["table"] if text == CHANGED else along(text)

        with (
            tempfile.TemporaryDirectory(prefix="quietward-fuzz-", dir=MEMORY) as folder,
            mock.patch.object(parsing, "tomllib", SimpleNamespace(loads=loads)),
        ):
            path, changed_path = Path(folder) / "one.toml", Path(folder) / "changed.toml"
            changed_path.write_text(CHANGED)

            def read(data: bytes) -> object:
                if data[:1] == b"\0":
                    made["table"] = changes.changed(copies, data[1:], words)
                    return use(read_file(str(changed_path)))
                path.write_bytes(data)
                return use(read_file(str(path)))

            which = [bytes((0, i)) for i in range(len(tables))]
            some = [start + bytes(range(at, at + changes.EACH)) for start in which for at in range(0, 80, 7)]
            yield Reader([*texts, *which, *some], read, errors, sound=len(texts) + len(which))

    return reader


CHANGED = "# changed"
"""Stands in a file for a table that was made in memory."""


def _labour(path: str) -> object:
    return parse_toml_table(Path(path).read_text("utf-8", "replace"), Labour, path, BadRecording)


LABOUR = [b"weeks = 39\nsecond_stage_from_s = 12.5\n"]
TRUTH = [
    (
        b'{"needs":[{"what":"bedside","from_s":1,"until_s":9}],"states":[{"what":"x","from_s":0,"until_s":1}],'
        b'"artefacts":[],"weeks":39,"second_stage_from_s":7.5}'
    )
]
PEOPLE = [b'[[person]]\nname = "Nora"\nrole = "nurse"\npassword = "scrypt$AAAA$BBBB"\n']
ACCOUNTS = [b"ward-1/bed-1:one\n# no\nward-1/bed-2:two\n"]
SETTINGS = [
    (
        b'ward = "w"\nbroker = "mqtts://u:p@h:1"\nstore = "redis://h/0,rediss://u:p@k:1"\nport = 1\nrate = 2.5\n'
        b'beds = "bed-*,x"\nlog = "json"\n'
    )
]


def _settings(path: str) -> object:
    found = load({"settings": path}, {})
    without_password(found.store)
    return found


@contextmanager
def url() -> Iterator[Reader]:
    """The address of a broker or store. What is shown of it never holds its password."""

    def read(data: bytes) -> object:
        text = data.decode("utf-8", "replace")
        without_password(text)
        return load({"store" if text.startswith("redis") else "broker": text}, {})

    seeds = [b"mqtt://u:p@h:1", b"mqtts://h", b"redis://u:p%40@h:1/0,rediss://[::1]:2/1"]
    yield Reader(seeds, read, (BadSettings,))


@contextmanager
def act() -> Iterator[Reader]:
    """What is posted when somebody does something at a bed."""
    policy = _policy_info()

    def read(data: bytes) -> object:
        return commands.parse(data, {"bed-1"}, policy, {"bed-9"})

    yield Reader(
        [
            b'{"type":"acknowledge","bed":"bed-1","by":"Nora","flag":"bed-1-f1"}',
            b'{"type":"shelve","bed":"bed-1","by":"Nora","flag":"bed-1-f1","for_s":60,"why":"x"}',
            b'{"type":"care","bed":"bed-1","by":"Nora","what":"other","text":"x","stay":3}',
            b'{"type":"pause","bed":"bed-1","by":"Nora","for_s":60,"why":"x"}',
            b'{"type":"own-limit","bed":"bed-1","by":"Nora","condition":"concern-high","limit":50,"for_s":60,"why":"x"}',
            b'{"type":"arrive","bed":"bed-1","by":"Nora","arrival":{"label":"Room 1","weeks":39,"risks":[],"note":""}}',
            b'{"type":"take-in","bed":"bed-9","by":"Ines"}',
        ],
        read,
        (commands.BadCommand,),
    )


def _noted(policy: Policy) -> object:
    """What a page is told of a policy."""
    return rule_file.policy_info(replace(_rules(), policy=policy))


_rules = functools.cache(rule_file.load)


def _begun(labour: scenario.Scenario) -> object:
    """A labour that was taken can be lived."""
    return scenario.one_bed(labour, random.Random(1))


def _policy_info() -> PolicyInfo:
    return rule_file.policy_info(rule_file.load())


@contextmanager
def practice() -> Iterator[Reader]:
    """A learner's answer, and behind the first zero byte the code of the strip that it is to."""
    rules = rule_file.load()

    def read(data: bytes) -> object:
        body, _, code = data.partition(b"\0")
        answer.check(parse_json(body, answer.Answer, "answer", answer.BadAnswer), rules)
        return simulated.parse_code(code.decode("utf-8", "replace"))

    sound = b'{"rules":"figo-2015","marks":[],"baseline_bpm":140,"rule_class":1,"next":"look","note":"","learner":"x"}'
    code = simulated.code_of(scenario.names()[0], 7).encode()
    yield Reader([sound + b"\0" + code], read, (answer.BadAnswer, strip.BadStrip))


@contextmanager
def practice_set() -> Iterator[Reader]:
    """The table of a set, beside a recording."""
    with tempfile.TemporaryDirectory(prefix="quietward-fuzz-", dir=MEMORY) as folder:
        own = Path(folder) / "sets" / "spring"
        own.mkdir(parents=True)
        (own / "b.csv").write_text("t_s,fhr,ua\n")
        classroom = sets.Classroom(Path(folder))

        def read(data: bytes) -> object:
            (own / sets.TABLE).write_bytes(data)
            found = classroom.read("spring")
            for place, one in enumerate(found.strips, start=1):
                assert one.code in (f"spring:{place}", one.name), "of a recording, or simulated"
                assert classroom.find(one.code)[1] == one
            return found

        code = simulated.code_of("calm", 7)
        text = f'title = "Early or late?"\nstrips = ["b", "{code}"]\ntruth = "marks"\n'
        yield Reader([text.encode(), b""], read, (sets.BadSet, strip.BadStrip))


@contextmanager
def new_set() -> Iterator[Reader]:
    """A set that is made on the page: what was made can be read again."""
    with tempfile.TemporaryDirectory(prefix="quietward-fuzz-", dir=MEMORY) as folder:
        classroom = sets.Classroom(Path(folder))

        def read(data: bytes) -> object:
            new = parse_json(data, sets.NewSet, "set", class_routes.BadNewSet)
            classroom.write(new)
            try:
                found = classroom.read(new.name)
                assert [one.name for one in found.strips] == new.strips
                assert found.title == (new.title or new.name)
            finally:
                shutil.rmtree(classroom.folder)
            return found

        codes = [simulated.code_of("calm", 7), simulated.code_of("lively", 1)]
        seed = {"name": "spring", "strips": codes, "title": "\U0001f600 \\ \x7f"}
        yield Reader([msgspec.json.encode(seed)], read, (class_routes.BadNewSet, sets.BadSet, strip.BadStrip))


@contextmanager
def kept_results() -> Iterator[Reader]:
    """The file of a class's results, which people may edit: lines that are none are passed over, and all is shown."""
    kinds = [mistakes.Mistake(mistakes.KINDS[0], 1, 2), mistakes.Mistake(mistakes.CLASS, 0, 1)]
    seed = msgspec.json.encode(results.Result(AT, "one", "abcdef-1", "green", "nora", 70, kinds)) + b"\n"
    with tempfile.TemporaryDirectory(prefix="quietward-fuzz-", dir=MEMORY) as folder:
        kept = results.Results(Path(folder))

        def read(data: bytes) -> object:
            kept.path.write_bytes(data)
            found = kept.read()
            msgspec.json.encode(progress.of_class(found))
            msgspec.json.encode([progress.progress(one.learner, [one]) for one in found])
            table = results.as_csv(found).encode().decode()
            assert len(list(csv.reader(io.StringIO(table, newline="")))) == 1 + len(found)
            return found

        odd = [seed.replace(b'"of":2', b'"of":0'), seed.replace(b'"score":70', b'"score":' + b"9" * 400)]
        yield Reader([seed, seed + b"{}\n" + seed, *odd], read, ())


MARKS = [
    (
        b'baseline_bpm = 140\nneeded = "look"\nclass = 2\nstrip_ends_s = 900.5\nabout = "x"\n'
        b'[[mark]]\nfrom_s = 1\nto_s = 60.5\nkind = "late deceleration"\n'
    )
]
MARKS_CSV = [
    b"from_s,to_s,kind\n1,60.5,late\n70,80,Contraction\n",
    b"\xef\xbb\xbffrom_s, to_s,kind\r\n1,2,acceleration\r\n",
]


@contextmanager
def http() -> Iterator[Reader]:
    """A request to the page: its first line is `METHOD path?query`, the second headers, then the body.

    Whatever is asked, the server answers; a status of 500 or an error that leaves it would be an escape.
    """
    from quietward.dashboard.app import create_app
    from quietward.dashboard.auth.authentication import Authenticator
    from quietward.dashboard.auth.sessions import Sessions
    from quietward.dashboard.live.hub import Hub
    from quietward.practice import routes
    from quietward.store.client import connected

    port, loop = free_port(), asyncio.new_event_loop()
    with tempfile.TemporaryDirectory(prefix="quietward-fuzz-", dir=MEMORY) as folder:
        child = subprocess.Popen(store_command(port, Path(folder)), stdout=subprocess.DEVNULL)
        try:
            assert wait_for_port(port)
            opened = connected(f"redis://127.0.0.1:{port}/0")
            store = loop.run_until_complete(opened.__aenter__())
            ward = Ward("w")
            hub = Hub(ward, store)
            settings = Settings(ward="w", studies=folder)
            app = create_app(
                hub, Authenticator(None, Sessions(store, ward)), settings, [routes.extension(Path(folder))]
            )

            async def ask(data: bytes) -> int:
                line, _, rest = data.partition(b"\n")
                head, _, body = rest.partition(b"\n")
                method, _, target = line.partition(b" ")
                path, _, query = target.partition(b"?")
                headers = [tuple(one.split(b": ", 1)) for one in head.split(b";") if b": " in one]
                scope = {
                    "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "http",
                    "method": method.decode("latin-1").upper() or "GET", "root_path": "", "raw_path": path,
                    "path": "/" + unquote_to_bytes(path).decode("utf-8", "replace").lstrip("/"), "query_string": query,
                    "headers": [(b"host", b"127.0.0.1"), *((name.lower(), value) for name, value in headers)],
                    "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8050), "state": {},
                }  # fmt: skip
                statuses: list[int] = []
                given = [{"type": "http.request", "body": body, "more_body": False}]

                async def receive() -> dict[str, object]:
                    return given.pop() if given else {"type": "http.disconnect"}

                async def send(answer: dict[str, object]) -> None:
                    if answer["type"] == "http.response.start":
                        statuses.append(int(str(answer["status"])))

                async with asyncio.timeout(20):
                    await app(scope, receive, send)  # type: ignore[arg-type]
                return statuses[0] if statuses else 0

            def read(data: bytes) -> object:
                if b"/studies" in data and b"POST" in data:
                    return None  # starts a job of its own
                status = loop.run_until_complete(ask(data))
                is_dash = b"_dash-update" in data[:80]  # Dash itself answers 500 to what its own script never sends
                assert 200 <= status < 500 or status == 503 or is_dash, f"status {status}"
                if status >= 400:
                    raise _NotServed("status", status, "")
                return status

            paths = PATHS.split()
            seeds = [b"GET " + path + b"\naccept: text/html;cookie: quietward-w=x\n" for path in paths]
            json_head = b"\ncontent-type: application/json;origin: http://127.0.0.1\n"
            seeds += [b"POST /act" + json_head + b'{"type":"care","bed":"bed-1","by":"N","what":"turned"}']
            seeds += [b"POST /sign-in\ncontent-type: application/x-www-form-urlencoded\nname=N&password=p&next=/"]
            seeds += [b"POST /practice/strips/abcdef-1/answer" + json_head + b"{}", b"POST /sign-out" + json_head]
            seeds += [b"POST /_dash-update-component" + json_head + b'{"output":"page.children","inputs":[]}']
            yield Reader(seeds, read, (_NotServed,), sound=1)
            loop.run_until_complete(opened.__aexit__(None, None, None))
        finally:
            child.kill()
            child.wait()


PATHS = b"""
/ /bed/bed-1 /shift /health /clock /log/bed-1 /me /audit.json /refused.json /shift/flags.json?hours=4
/shift/flags.csv?hours=1.5 /hours/bed-1.json?hours=4&utc-offset-min=60 /export/bed-1/log.csv /export/bed-1/log.json
/paper/bed-1?minutes=30&cm=1&bpm=20&utc-offset-min=-60 /handover/bed-1?utc-offset-min=0 /handover /handover-sheets
/stay/bed-1/1 /stay/bed-1/1/log.csv /stay/bed-1/1/record.zip /stay/bed-1/1/strip?utc-offset-min=0 /studies
/studies/x/report.html /studies/x/what-if.json /studies/running /practice/scenarios /sign-in?next=%2Fbed%2F1
/assets/live.mjs /_dash-component-suites/../ /_dash-component-suites/x/y.js
"""


class _NotServed(QuietwardError):
    """A request was refused."""


READERS: dict[str, Callable[[], contextlib.AbstractContextManager[Reader]]] = {
    "packet": packet,
    "message": message,
    "stream": stream,
    "wfdb": _recording(".hea", ".dat"),
    "wfdb-annotations": _recording(".hea", ".qwd", only_beside=True),
    "edf": _recording(".edf"),
    "csv": _recording(".csv"),
    "csv-annotations": _recording(".csv", ".annotations.csv", only_beside=True),
    "parquet": _recording(".parquet"),
    "fhir": _recording(".fhir.json"),
    "senml": _recording(".senml.json"),
    "labour": _file(_labour, lambda: LABOUR, ".toml", BadRecording),
    "truth": _file(lambda path: truth.read(Path(path)), lambda: TRUTH, ".json", BadRecording),
    "settings": _file(_settings, lambda: SETTINGS, ".toml", BadSettings),
    "accounts": _file(device_passwords, lambda: ACCOUNTS, ".txt", BadSettings),
    "people": _file(lambda path: people.read(Path(path)), lambda: PEOPLE, ".toml", BadSettings),
    "policy": _table(rule_file.read_policy, "quietward.detect", ("rules/attention.toml",), BadRules, use=_noted),
    "rule-set": _table(
        rule_file.read_rule_set, "quietward.detect", ("rules/figo-2015.toml", "rules/nichd-2008.toml"), BadRules
    ),
    "scenario": _table(
        scenario.load,
        "quietward.simulator",
        ("scenarios/calm.toml", "scenarios/quiet-catastrophe.toml"),
        BadScenario,
        use=_begun,
    ),
    "shift": _table(
        shift.load,
        "quietward.simulator",
        ("shifts/night-shift.toml", "shifts/two-at-once.toml"),
        BadScenario,
        use=lambda found: shift.placed(found, 1),
    ),
    "study": _table(plan.load, "quietward.study", ("studies/busy-hours.toml",), BadStudy, BadScenario, BadRules),
    "url": url,
    "act": act,
    "practice": practice,
    "practice-set": practice_set,
    "new-set": new_set,
    "results": kept_results,
    "marks": _file(lambda path: marks.read_marks(Path(path)), lambda: MARKS, ".toml", marks.BadMarks),
    "marks-csv": _file(lambda path: marks.read_marks(Path(path)), lambda: MARKS_CSV, ".csv", marks.BadMarks),
    "http": http,
}
