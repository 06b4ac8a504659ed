"""MQTT 5 over aiomqtt: a subscriber that acknowledges by hand, a publisher that learns what became of its messages.

aiomqtt 2.5 hides both behind private attributes. All of them are touched here and nowhere else, and
`private_attributes_missing` says when a new version has moved one.
"""

import asyncio
import contextlib
import itertools
import socket
import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from types import TracebackType
from typing import Any, Self
from urllib.parse import unquote, urlsplit

import aiomqtt
from paho.mqtt.client import MQTT_ERR_SUCCESS
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from quietward.contracts.errors import Refused, Unreachable
from quietward.contracts.settings import without_password
from quietward.contracts.tls import SYSTEM, Tls, trouble
from quietward.transport import packets
from quietward.transport.packets import Message

KEEPALIVE_S = 5
"""A dead connection is noticed within one and a half times this."""
CONNECT_TIMEOUT_S = 5
SESSION_KEPT_S = 24 * 3600
RECEIVE_MAXIMUM = 1000
LARGEST_PACKET = 65_536
"""Brokers hand on nothing larger to ingest, so a device cannot fill its memory; far above what a second needs."""
WAITING_BYTES = 64 * 1024 * 1024
"""Of messages at QoS 0 that wait to be taken, as while the store is away; what comes beyond is dropped. Those at QoS 1
the broker holds back (receive maximum), those at QoS 0 it sends however many there are."""
MESSAGE_BYTES = 500
"""What a message costs beside topic and payload."""
IN_FLIGHT = 500
READ_AT_ONCE = 65_536
PACKETS_AT_ONCE = 1000
"""Read in one turn of the loop; then other tasks run."""
CONTENT_TYPE = "application/json"
PORT, TLS_PORT = 1883, 8883

MqttError = aiomqtt.MqttError


def private_attributes_missing() -> list[str]:
    """Return the private attributes of aiomqtt and paho that this module needs and that are missing."""

    async def look() -> list[str]:
        client = aiomqtt.Client("127.0.0.1")
        is_there = {
            **{
                f"Client._client.{name}": hasattr(client, "_client") and hasattr(client._client, name)
                for name in (
                    "manual_ack_set",
                    "_handle_publish",
                    "_handle_pubackcomp",
                    "_in_packet",
                    "_packet_queue",
                    "_sock_recv",
                    "_ssl_wrap_socket",
                )
            },
            "Client._pending_subscribes": isinstance(getattr(client, "_pending_subscribes", None), dict),
            "Client._connected": isinstance(getattr(client, "_connected", None), asyncio.Future),
            "Client._disconnected": isinstance(getattr(client, "_disconnected", None), asyncio.Future),
        }
        return [name for name, there in is_there.items() if not there]

    return asyncio.run(look())


class _Client(aiomqtt.Client):
    """aiomqtt's client, when something last came, and why its connection was lost: aiomqtt forgets that while it still
    connects.
    """

    lost: Exception | None = None
    handshake: Exception | None = None  # why TLS failed: aiomqtt keeps the words only
    heard_at = 0.0  # s, of a clock that nobody sets


def _client(url: str, tls: Tls, client_id: str, **more: Any) -> _Client:
    parts = urlsplit(url)
    is_tls = parts.scheme == "mqtts"
    client = _Client(
        parts.hostname or "",
        parts.port or (TLS_PORT if is_tls else PORT),
        identifier=client_id,
        tls_context=tls.context() if is_tls else None,
        username=unquote(parts.username) if parts.username else None,
        password=unquote(parts.password) if parts.password else None,
        protocol=aiomqtt.ProtocolVersion.V5,  # its default is 3.1.1
        keepalive=KEEPALIVE_S,
        timeout=CONNECT_TIMEOUT_S,
        socket_options=[
            (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        ],  # a second of signal must not wait for the acknowledgement of another
        **more,
    )
    client._client.disable_logger()  # it formats a line for every packet, even if nobody logs it
    _watch_sockets(client)
    _notice_early_end(client)
    _keep_handshake_error(client)
    return client


def _watch_sockets(client: _Client) -> None:
    """Watch the sockets without two races of aiomqtt, in which uvloop aborts the process or misses reads for seconds.

    aiomqtt schedules the watching of a socket for the next turn of the loop, by its file descriptor: if the socket is
    closed meanwhile, the descriptor is invalid or belongs to another. And it reads one packet a turn: after a reset of
    the connection, uvloop calls the reader once and never again. Here everything received is read in one turn, which
    is also cheaper.
    """
    loop, here, paho = asyncio.get_running_loop(), threading.get_ident(), client._client
    opened: Any = paho.on_socket_open
    guarded = partial(_guarded, client)
    receive = paho._sock_recv

    def hear(at_most: int) -> bytes:
        received = receive(at_most)
        client.heard_at = time.monotonic()
        return received

    ahead = _ReadAhead(hear)
    paho._sock_recv = ahead.take  # type: ignore[method-assign,assignment]

    def read(sock: socket.socket) -> None:
        ahead.is_dry = False
        for _ in range(PACKETS_AT_ONCE):
            paho.loop_read()
            if paho.socket() is not sock or ahead.is_dry:
                return
        loop.call_soon(guarded, partial(read_on, sock))

    def read_on(sock: socket.socket) -> None:
        if paho.socket() is sock:
            read(sock)

    def write(sock: socket.socket) -> None:
        if paho.socket() is sock and paho.want_write():
            loop.add_writer(sock.fileno(), guarded, paho.loop_write)

    def on_socket_open(*what: Any) -> None:
        opened(*what)
        loop.call_soon_threadsafe(loop.add_reader, what[2].fileno(), guarded, partial(read, what[2]))

    def on_socket_register_write(*what: Any) -> None:
        # aiomqtt connects in a thread; everything else happens in the loop's, which need not be woken.
        soon = loop.call_soon if threading.get_ident() == here else loop.call_soon_threadsafe
        soon(write, what[2])

    paho.on_socket_open, paho.on_socket_register_write = on_socket_open, on_socket_register_write


class _ReadAhead:
    """Reads whatever the socket has: paho reads every packet in four pieces, each of them a system call.

    Serves one connection; a client here never makes a second one.
    """

    def __init__(self, receive: Callable[[int], bytes]) -> None:
        self._receive, self._buffer, self._at = receive, b"", 0
        self.is_dry = False

    def take(self, at_most: int) -> bytes:
        """Return some bytes, none at the end. Raises BlockingIOError when there are none yet, and OSError.

        is_dry is set then: with TLS nothing else tells, since bytes may wait behind an empty socket.
        """
        if self._at == len(self._buffer):
            try:
                self._buffer, self._at = self._receive(READ_AT_ONCE), 0
            except BlockingIOError:
                self.is_dry = True
                raise
        part = self._buffer[self._at : self._at + at_most]
        self._at += len(part)
        return part


def _guarded(client: _Client, step: Callable[[], object]) -> None:
    """Run a step; on any error mark the connection as dead."""
    try:
        step()
    except Exception as error:  # noqa: BLE001
        client.lost = error
        if not client._disconnected.done():
            client._disconnected.set_exception(error)


def _notice_early_end(client: _Client) -> None:
    """Notice a connection that ends before the broker's CONNACK, where aiomqtt would wait for its timeout, and one that
    ends along with it, which aiomqtt would take for a connection that stands: nothing would ever come of it.
    """
    ended: Any = client._client.on_disconnect

    def on_disconnect(*what: Any) -> None:
        closed = MqttError("the connection was closed")
        client.lost = client.lost or closed
        if not client._connected.done():
            client._connected.set_exception(closed)
        ended(*what)
        if client._disconnected.done():
            client._disconnected.exception()  # what aiomqtt forgets would be logged as never retrieved

    client._client.on_disconnect = on_disconnect


def _keep_handshake_error(client: _Client) -> None:
    """Keep what a TLS handshake failed with; it says more than aiomqtt passes on."""
    paho: Any = client._client
    wrap = paho._ssl_wrap_socket

    def wrap_and_keep(sock: socket.socket) -> Any:
        try:
            return wrap(sock)
        except Exception as error:
            client.handshake = error
            sock.close()
            raise

    paho._ssl_wrap_socket = wrap_and_keep


async def _enter(client: _Client, url: str, tls: Tls) -> None:
    shown = without_password(url)
    try:
        await client.__aenter__()
        if client.lost is not None:
            await _give_up(client, client.lost)
    except aiomqtt.MqttError as error:
        if client.handshake is not None and (found := trouble(client.handshake, tls, "mqtt")):
            raise Unreachable(f"broker {found[0]}", shown, found[1]) from error
        if "ot authorized" in str(error) or "user name or password" in str(error).lower():
            raise Refused("broker refuses us", shown, "Check user and password in QUIETWARD_BROKER") from error
        hint = "mqtt:// if it does not speak TLS" if url.startswith("mqtts:") else "mqtts:// if it wants TLS"
        remedy = (
            f"Start it, or set QUIETWARD_BROKER ({hint}; some brokers are silent on a wrong password too). "
            f"It said: {error}"
        )
        raise Unreachable("broker is not there", shown, remedy) from error


async def _give_up(client: _Client, lost: Exception) -> None:
    """Leave a connection that was lost while it was made. Raises MqttError."""
    if not client._disconnected.done():
        client._disconnected.set_exception(lost)
    await _leave(client, None, None, None)
    raise MqttError(str(lost)) from lost


async def _leave(client: _Client, *error: Any) -> None:
    await client.__aexit__(*error)
    lost = client._disconnected
    if lost.done() and not lost.cancelled():
        lost.exception()  # already raised elsewhere; not retrieved it would be logged again


def _send(paho: Any, kind: int, packet: bytes, mid: int = 0) -> None:
    """Send a packet at once, as far as the socket accepts it; paho would wait for the loop's next turn."""
    paho._packet_queue(kind << 4, packet, mid, int(mid > 0))
    paho.loop_write()


def _check_granted(topic: str, granted: Sequence[int | ReasonCode]) -> None:
    for code in granted:
        if (code.value if isinstance(code, ReasonCode) else code) >= packets.FAILED_FROM:
            raise MqttError(f"the broker refuses the subscription to {topic}: {code}")


def _waiting_bytes(message: Message) -> int:
    """Return what a message costs that the broker does not count for us; 0 at QoS 1."""
    return 0 if message.qos else MESSAGE_BYTES + len(message.topic) + len(message.payload)


class Subscriber:
    """A persistent session: what was published while we were disconnected is delivered on reconnection.

    Use as `async with`, once: a new Subscriber for every connection. tls: whom to trust at an mqtts:// URL. dropped:
    called with the topic of each message at QoS 0 for which there was no room.
    """

    def __init__(
        self,
        url: str,
        client_id: str,
        *topics: str,
        tls: Tls = SYSTEM,
        dropped: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.url, self.topics, self.tls, self._dropped = url, topics, tls, dropped
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_KEPT_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        properties.MaximumPacketSize = LARGEST_PACKET
        self._client = _client(url, tls, client_id, clean_start=False, properties=properties)
        paho: Any = self._client._client
        paho.manual_ack_set(True)
        paho._handle_publish = self._receive
        self._paho = paho
        self._received: list[Message] = []
        self._waiting_bytes = 0  # of those at QoS 0
        self._changed = asyncio.Event()  # a message was received, or the connection is lost
        self._session_present = False
        on_connect: Any = paho.on_connect

        def note_session(*arguments: Any) -> None:
            self._session_present = arguments[2].session_present
            on_connect(*arguments)

        paho.on_connect = note_session

    async def __aenter__(self) -> Self:
        await _enter(self._client, self.url, self.tls)
        try:
            for topic in self.topics:
                if self._session_present:
                    # The session may have been cut off before it subscribed, so subscribe again. But do not wait for
                    # the SUBACK: the embedded broker sends none behind a backlog.
                    _, number = self._paho.subscribe(topic, qos=1)
                    self._client._pending_subscribes[number] = asyncio.get_running_loop().create_future()
                else:
                    _check_granted(topic, await self._client.subscribe(topic, qos=1))
        except BaseException:
            await _leave(self._client, None, None, None)
            raise
        self._client._disconnected.add_done_callback(lambda _: self._changed.set())
        return self

    async def __aexit__(self, *error: object) -> None:
        await _leave(self._client, *error)

    async def turn_to(self, topic: str, *others: str) -> None:
        """Subscribe to this topic and no more to the others; what waits in the session is still delivered.

        Raises MqttError when the broker refuses, does not answer, or is gone.
        """
        for other in others:
            await self._client.unsubscribe(other)
        _check_granted(topic, await self._client.subscribe(topic, qos=1))

    def _receive(self) -> MQTTErrorCode:
        """Keep a message; paho and aiomqtt would spend most of ingest's time on objects for it."""
        packet = self._paho._in_packet
        message = packets.message(packet["command"], bytes(packet["packet"]))
        size = _waiting_bytes(message)
        if size and self._waiting_bytes + size > WAITING_BYTES:
            self._dropped(message.topic)
            return MQTT_ERR_SUCCESS
        self._waiting_bytes += size
        self._received.append(message)
        self._changed.set()
        return MQTT_ERR_SUCCESS

    @property
    def silent_s(self) -> float:
        """Seconds since the broker last sent anything; an idle one answers a ping every KEEPALIVE_S."""
        return time.monotonic() - self._client.heard_at

    async def next_batch(self, at_most: int = 5000) -> list[Message]:
        """Wait for a message; return it with all others received so far. Raises MqttError when disconnected."""
        while not self._received:
            if (lost := self._client._disconnected).done():
                raise MqttError("Disconnected") from lost.exception()
            await self._changed.wait()
            self._changed.clear()
        batch = self._received[:at_most]
        del self._received[:at_most]
        if self._waiting_bytes:
            self._waiting_bytes -= sum(map(_waiting_bytes, batch))
        return batch

    def acknowledge(self, batch: Sequence[Message]) -> None:
        """Acknowledge messages: they are stored safely. Raises MqttError when disconnected."""
        if self._paho.socket() is None:
            raise MqttError("Disconnected")
        pubacks = packets.acknowledgements(message.mid for message in batch if message.qos)
        if pubacks:
            _send(self._paho, PacketTypes.PUBACK, pubacks)


class Publisher:
    """Publishes with many messages in flight, and reports those that the broker refused.

    Use as `async with`, once. refused: called with the topic of each refused message (usually an access rule).
    will_topic: where the broker says `offline` for us, empty: nowhere. tls: whom to trust at an mqtts:// URL.
    """

    def __init__(
        self, url: str, client_id: str, will_topic: str, refused: Callable[[str], None], tls: Tls = SYSTEM
    ) -> None:
        self.url, self.tls = url, tls
        will = aiomqtt.Will(will_topic, b"offline", qos=1, retain=True) if will_topic else None
        self._client = _client(url, tls, client_id, clean_start=True, will=will)
        paho: Any = self._client._client
        paho._handle_pubackcomp = self._note_answer
        self._paho = paho
        self._room = asyncio.Semaphore(IN_FLIGHT)
        self._unanswered: dict[int, tuple[str, Callable[[], None], Callable[[], None]]] = {}
        self._mids = (n % 0xFFFF + 1 for n in itertools.count())  # itertools.cycle would keep every one of them
        self._refused = refused
        on_connect: Any = paho.on_connect

        def note_room(*arguments: Any) -> None:
            """Never have more in flight than the broker accepts: it would disconnect."""
            self._room = asyncio.Semaphore(min(IN_FLIGHT, getattr(arguments[4], "ReceiveMaximum", IN_FLIGHT)))
            on_connect(*arguments)

        paho.on_connect = note_room

    def _note_answer(self, _: str) -> MQTTErrorCode:
        mid, code = packets.answer(bytes(self._paho._in_packet["packet"]))
        if mid in self._unanswered:
            topic, answered, unheard = self._unanswered.pop(mid)
            self._room.release()
            (unheard if code == packets.NOBODY else answered)()
            if code >= packets.FAILED_FROM:
                self._refused(topic)
        return MQTT_ERR_SUCCESS

    async def __aenter__(self) -> Self:
        await _enter(self._client, self.url, self.tls)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await _leave(self._client, kind, error, trace)

    @property
    def connected(self) -> bool:
        """False once the connection is lost."""
        return not self._client._disconnected.done()

    async def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        answered: Callable[[], None] = lambda: None,
        unheard: Callable[[], None] | None = None,
    ) -> None:
        """Send at QoS 1 without waiting for the PUBACK. Raises MqttError when disconnected.

        answered: called when the broker has accepted or refused the message. Until then it can be lost with the
        connection: keep it, and publish it again, if it must not be lost. unheard: called in its place when the broker
        says that it has no subscriber for the message, which is lost then; without it that is an answer, too.
        """
        if self._room.locked():
            await self._wait_for_room()
        else:
            await self._room.acquire()  # at once
        if not self.connected:
            raise aiomqtt.MqttError("Disconnected")
        mid = next(mid for mid in self._mids if mid not in self._unanswered)
        self._unanswered[mid] = topic, answered, unheard or answered
        _send(self._paho, PacketTypes.PUBLISH, packets.publish(topic, payload, mid, CONTENT_TYPE, retain=retain), mid)

    async def _wait_for_room(self) -> None:
        try:
            async with asyncio.timeout(CONNECT_TIMEOUT_S):  # wait_for of Python 3.11 can swallow a cancellation
                await self._room.acquire()
        except TimeoutError as error:
            raise aiomqtt.MqttError("The broker has stopped answering") from error

    def hang_up(self) -> None:
        """Cut the connection without DISCONNECT, as a pulled cable does: the broker publishes our last will."""
        sock = self._paho.socket()
        if sock is not None:
            with contextlib.suppress(OSError):  # already closed
                sock.shutdown(socket.SHUT_RDWR)

    async def settle(self, within_s: float = 2.0) -> int:
        """Wait for the PUBACK of every message; return how many are still missing."""
        end = asyncio.get_running_loop().time() + within_s
        while self._unanswered and self.connected and asyncio.get_running_loop().time() < end:
            await asyncio.sleep(0.01)
        return len(self._unanswered)
