"""One question to the store, for health checks: without the client and its event loop, which take ten times as long to
start as such a check may cost.
"""

import socket
from typing import Any, cast
from urllib.parse import unquote, urlsplit

import hiredis

from quietward.contracts.errors import Refused, Unreachable
from quietward.contracts.settings import split_urls, without_password
from quietward.contracts.tls import Tls, trouble

WITHIN_S = 3.0
REDIRECTIONS = 3


def ask(urls: str, tls: Tls, *command: str) -> Any:
    """Return the reply to a command: of the server at the URL, or of the cluster's server that holds its key.

    urls: of one server, or of several of a cluster, separated by commas: the first that answers counts. tls: whom to
    trust at rediss:// URLs. Raises Unreachable.
    """
    failed: Exception | None = None
    for url in split_urls(urls):
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port or 6379
        login = [unquote(text) for text in (parts.username, parts.password) if text]
        try:
            for _ in range(REDIRECTIONS):
                reply = _once(host, port, tls if parts.scheme == "rediss" else None, login, command)
                if not isinstance(reply, hiredis.ReplyError) or not str(reply).startswith("MOVED "):
                    break
                moved_to, _, moved_port = str(reply).split()[2].rpartition(":")
                host, port = moved_to or host, int(moved_port)
        except OSError as error:
            failed = error
            continue
        if isinstance(reply, Exception):
            raise Refused("store refuses us", without_password(url), f"It said: {reply}")
        return reply
    if failed is not None and (cause := trouble(failed, tls, "redis")):
        raise Unreachable(f"store {cause[0]}", without_password(urls), cause[1]) from failed
    remedy = f"Start it, or set QUIETWARD_STORE. It said: {failed}"
    raise Unreachable("store does not answer", without_password(urls), remedy) from failed


def _secured(sock: socket.socket, host: str, tls: Tls | None) -> socket.socket:
    return sock if tls is None else tls.context().wrap_socket(sock, server_hostname=host)


def _once(host: str, port: int, tls: Tls | None, login: list[str], command: tuple[str, ...]) -> Any:
    """Return the reply of one server; errors that it sends are returned, too. Raises OSError."""
    with socket.create_connection((host, port), WITHIN_S) as plain, _secured(plain, host, tls) as sock:
        reader = hiredis.Reader(notEnoughData=sock)  # anything that no reply can be
        for words in ([("AUTH", *login)] if login else []) + [command]:
            sock.sendall(hiredis.pack_command(cast("Any", words)))
            while (reply := reader.gets()) is sock:
                if not (received := sock.recv(65_536)):
                    raise ConnectionResetError("it closed the connection")
                reader.feed(received)
            if isinstance(reply, hiredis.ReplyError):
                break
    return reply
