"""Who may ask for what of a class: sets and answers of others are for whoever is in charge."""

import asyncio
import json
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from fastapi import FastAPI

from quietward.dashboard.auth.authentication import User
from quietward.dashboard.auth.people import Role
from quietward.practice import simulated
from quietward.practice.routes import extension

CODE = simulated.code_of("calm", 1)
ANSWER: dict[str, object] = {"baseline_bpm": None, "marks": [], "rules": "nichd-2008", "rule_class": None, "next": None}


class Answered(NamedTuple):
    """What the server answered."""

    status: int
    text: str

    @property
    def json(self) -> Any:
        return json.loads(self.text)


class Client:
    """The Practice routes for a user who may be changed."""

    def __init__(self, folder: Path) -> None:
        self.server = FastAPI()
        extension(folder).add_routes(self.server)
        self.user = User("Nora", Role.IN_CHARGE)

    def ask(self, method: str, target: str, document: object = None) -> Answered:
        path, _, query = target.partition("?")
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "http", "method": method,
            "path": path, "raw_path": path.encode(), "query_string": query.encode(), "headers": [],
            "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 2), "root_path": "", "state": {"user": self.user},
        }  # fmt: skip
        sent: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            body = document if isinstance(document, bytes) else json.dumps(document).encode()
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: Any) -> None:
            sent.append(message)

        asyncio.run(self.server(scope, receive, send))
        return Answered(sent[0]["status"], b"".join(m.get("body", b"") for m in sent[1:]).decode())

    def answer(self, name: str, label: str, of: str = "") -> Answered:
        self.user = User(name, Role.VIEWER)
        return self.ask("POST", f"/practice/strips/{CODE}/answer", ANSWER | {"learner": label, "set": of})


@pytest.fixture
def client(tmp_path: Path) -> Client:
    return Client(tmp_path)


@pytest.mark.parametrize("role", [Role.VIEWER, Role.NURSE])
def test_only_whoever_is_in_charge_sees_makes_and_exports_sets(client: Client, role: Role) -> None:
    new = {"name": "spring", "strips": [CODE]}
    assert client.ask("POST", "/practice/sets", new).status == 200
    client.user = User("Kim", role)
    for path in ("/practice/sets", "/practice/sets/spring/overview", "/practice/sets/spring/results.csv"):
        refused = client.ask("GET", path)
        assert (refused.status, "Ask whoever is in charge" in refused.text) == (403, True)
    assert client.ask("POST", "/practice/sets", new | {"name": "other"}).status == 403
    assert client.ask("GET", "/practice/sets/spring").json["strips"] == [CODE], "a learner who has the link"


def test_a_label_shows_what_was_answered_under_ones_own_account(client: Client) -> None:
    for name in ("Kim", "Ada", "Kim"):
        assert client.answer(name, " blue ").json["kept"] is True
    counts = {}
    for user in (
        User("Kim", Role.VIEWER),
        User("Ada", Role.NURSE),
        User("Eve", Role.VIEWER),
        User("Nora", Role.IN_CHARGE),
    ):
        client.user = user
        counts[user.name] = len(client.ask("GET", "/practice/learner?label=blue").json["progress"]["scores"])
    assert counts == {"Kim": 2, "Ada": 1, "Eve": 0, "Nora": 3}


def test_without_a_label_nothing_is_kept_and_a_set_must_hold_the_strip(client: Client, tmp_path: Path) -> None:
    assert client.answer("Kim", "  ").json["kept"] is False
    assert not (tmp_path / "results.jsonl").exists()
    client.user = User("Nora", Role.IN_CHARGE)
    client.ask("POST", "/practice/sets", {"name": "spring", "strips": [simulated.code_of("calm", 2)]})
    refused = client.answer("Kim", "blue", "spring")
    assert (refused.status, "This strip is not in it" in refused.text) == (422, True)
    assert client.answer("Kim", "blue", "nothing").status == 404


@pytest.mark.parametrize(
    ("path", "body", "says"),
    [
        (f"/practice/strips/{CODE}/answer", b"{", "answer: b'{'. Is not JSON: Input data was truncated"),
        (f"/practice/strips/{CODE}/answer", b"[" * 50_000, "Is not JSON"),
        (f"/practice/strips/{CODE}/answer", b"\xff", "Is not JSON"),
        (
            f"/practice/strips/{CODE}/answer",
            json.dumps(ANSWER | {"rule_class": 4}).encode(),
            "answer: rule_class: 4. Use 1, 2 or 3",
        ),
        (
            f"/practice/strips/{CODE}/answer",
            json.dumps(ANSWER | {"marks": [{"what": "acceleration", "from_s": -1, "until_s": 5}]}).encode(),
            "answer: marks[0].from_s: -1. Expected `float` >= 0.0. Fix this value",
        ),
        ("/practice/sets", b'{"name": "spring"}', "set: strips: None. Is missing; give a list"),
        ("/practice/sets", b'{"name": "s", "strips": []}', "set: strips: []. Expected `array` of length >= 1"),
        ("/practice/sets", b"null", "set: top level: None. Expected `object`, got `null`. Fix this value"),
    ],
)  # fmt: skip
def test_what_cannot_be_taken_is_told_with_field_value_and_remedy(
    client: Client, path: str, body: bytes, says: str
) -> None:
    refused = client.ask("POST", path, body)
    assert refused.status == 422
    assert says in refused.text


def test_answers_that_cannot_be_written_are_compared_all_the_same(client: Client, tmp_path: Path) -> None:
    (tmp_path / "results.jsonl").mkdir()
    found = client.answer("Kim", "blue").json
    assert (found["kept"], found["compared"]["score"]) == (False, 0)
    assert "Cannot be written" in found["trouble"]
