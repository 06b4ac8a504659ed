"""A page that somebody attacks, before anybody knows who it is, goes on answering everybody else."""

import asyncio
import contextlib
import http.client
import resource
import socket
from collections.abc import Iterator

import pytest
import websockets

from quietward.contracts.settings import Settings
from quietward.runtime.embedded import wait_for_port
from tests.conftest import ANY_KIND, WAIT_S, Parts
from tests.integration.test_flow import get

HALF_SENT, FILES_BEFORE = 1_010, 1_024
pytestmark = ANY_KIND


@contextlib.contextmanager
def files_at_most(number: int) -> Iterator[None]:
    """As many files may be open, of this process and of those that it starts, until they raise the limit."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (number, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.fixture
def page(settings: Settings, parts: Parts) -> int:
    """The port of a running page that was started with the files that Linux allows a process at first."""
    with files_at_most(FILES_BEFORE):
        parts.start("serve")
    assert wait_for_port(settings.port, WAIT_S), parts.log("serve")
    return settings.port


def test_a_thousand_requests_that_never_come_whole_keep_nobody_out(page: int) -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard < 2 * FILES_BEFORE:
        pytest.skip(f"this machine allows {hard} open files")
    with files_at_most(hard), contextlib.ExitStack() as half_sent:
        for _ in range(HALF_SENT):
            one = half_sent.enter_context(socket.create_connection(("127.0.0.1", page), timeout=WAIT_S))
            one.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
        status, _ = get(page, "/health")
        assert status == 200
        connection = http.client.HTTPConnection("127.0.0.1", page, timeout=5)
        connection.request("GET", "/health")
        assert connection.getresponse().status == 200


async def test_a_page_that_sends_a_megabyte_is_closed(page: int) -> None:
    """The page's own scripts send nothing over the socket."""
    async with websockets.connect(f"ws://127.0.0.1:{page}/live", max_size=None) as live:
        await live.recv()
        await live.send(b"x" * 1_000_000)
        async with asyncio.timeout(WAIT_S):
            await live.wait_closed()
    assert live.close_code == 1009
    status, _ = get(page, "/health")
    assert status == 200


def test_a_name_that_leads_here_from_elsewhere_is_not_answered_to(page: int) -> None:
    for host, status in (("evil.example", 400), ("127.0.0.1", 200), (f"localhost:{page}", 200)):
        connection = http.client.HTTPConnection("127.0.0.1", page, timeout=WAIT_S)
        connection.request("GET", "/health", headers={"Host": host})
        assert connection.getresponse().status == status, host
        connection.close()
