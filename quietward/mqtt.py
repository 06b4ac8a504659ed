"""MQTT 5 over aiomqtt: a subscriber that acknowledges by hand, a publisher that learns what became of its messages.

aiomqtt 2.5 hides both behind private attributes. All of them are touched here and nowhere else, and
`private_attributes_missing` says when a new version has moved one.
"""

import asyncio
import contextlib
import socket
from collections.abc import Callable, Sequence
from functools import partial
from types import TracebackType
from typing import Any, NamedTuple, Self
from urllib.parse import unquote, urlsplit

import aiomqtt
from paho.mqtt.client import MQTT_ERR_SUCCESS
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties, VariableByteIntegers
from paho.mqtt.reasoncodes import ReasonCode

from quietward.errors import Unreachable
from quietward.settings import without_password

KEEPALIVE_S = 5
"""A dead connection is noticed within one and a half of these."""
CONNECT_TIMEOUT_S = 5
SESSION_KEPT_S = 24 * 3600
RECEIVE_MAXIMUM = 1000
REFUSED_FROM = 0x80  # MQTT 5: reason codes from here on are failures
IN_FLIGHT = 500
PACKETS_AT_ONCE = 1000
"""So many are read before others have their turn."""
CONTENT_TYPE = "application/json"
CONTENT_TYPE_ID = 3  # MQTT 5, section 2.2.2.2

MqttError = aiomqtt.MqttError


class Message(NamedTuple):
    """What was published. mid: to be acknowledged by."""

    topic: str
    payload: bytes
    qos: int
    mid: int
    content_type: str


def private_attributes_missing() -> list[str]:
    """Return the private attributes of aiomqtt and paho that this module needs and cannot find."""

    async def look() -> list[str]:
        client = aiomqtt.Client("127.0.0.1")
        found = {
            "Client._client.manual_ack_set": hasattr(client, "_client") and hasattr(client._client, "manual_ack_set"),
            "Client._client._handle_publish": hasattr(client, "_client") and hasattr(client._client, "_handle_publish"),
            "Client._client._in_packet": hasattr(client, "_client") and hasattr(client._client, "_in_packet"),
            "Client._client.ack": hasattr(client, "_client") and hasattr(client._client, "ack"),
            "Client._queue.get_nowait": hasattr(client, "_queue") and hasattr(client._queue, "get_nowait"),
            "Client._pending_subscribes": isinstance(getattr(client, "_pending_subscribes", None), dict),
            "Client._connected": isinstance(getattr(client, "_connected", None), asyncio.Future),
            "Client._disconnected": isinstance(getattr(client, "_disconnected", None), asyncio.Future),
        }
        return [name for name, is_there in found.items() if not is_there]

    return asyncio.run(look())


def _client(url: str, client_id: str, **more: Any) -> aiomqtt.Client:
    parts = urlsplit(url)
    client = aiomqtt.Client(
        parts.hostname or "",
        parts.port or 1883,
        identifier=client_id,
        username=unquote(parts.username) if parts.username else None,
        password=unquote(parts.password) if parts.password else None,
        protocol=aiomqtt.ProtocolVersion.V5,  # its default is 3.1.1
        keepalive=KEEPALIVE_S,
        timeout=CONNECT_TIMEOUT_S,
        **more,
    )
    _watch_sockets(client)
    _notice_early_end(client)
    return client


def _watch_sockets(client: aiomqtt.Client) -> None:
    """Read and write without two gaps that aiomqtt leaves, in which uvloop aborts the process or is deaf for seconds.

    It asks the loop a turn ahead to watch a socket for writing, by its number: closed meanwhile, that is nobody's or
    another's. And it reads one packet a turn: when a connection was reset, uvloop calls the reader once, never again.
    Here all that has come is read in one turn, which is cheaper, too.
    """
    loop, paho = asyncio.get_running_loop(), client._client
    opened: Any = paho.on_socket_open
    careful = partial(_carefully, client)

    def read(sock: socket.socket) -> None:
        for _ in range(PACKETS_AT_ONCE):
            paho.loop_read()
            if paho.socket() is not sock or _is_empty(sock):
                return
        loop.call_soon(careful, partial(read_on, sock))

    def read_on(sock: socket.socket) -> None:
        if paho.socket() is sock:
            read(sock)

    def write(sock: socket.socket) -> None:
        if paho.socket() is sock and paho.want_write():
            loop.add_writer(sock.fileno(), careful, paho.loop_write)

    def on_socket_open(*what: Any) -> None:
        opened(*what)
        loop.call_soon_threadsafe(loop.add_reader, what[2].fileno(), careful, partial(read, what[2]))

    def on_socket_register_write(*what: Any) -> None:
        loop.call_soon_threadsafe(write, what[2])

    paho.on_socket_open, paho.on_socket_register_write = on_socket_open, on_socket_register_write


def _carefully(client: aiomqtt.Client, step: Callable[[], object]) -> None:
    """Do it; whatever fails in it, the connection is of no use any more."""
    try:
        step()
    except Exception as error:  # noqa: BLE001
        if not client._disconnected.done():
            client._disconnected.set_exception(error)


def _is_empty(sock: socket.socket) -> bool:
    """Return True if there is nothing to read, not even an end or an error."""
    try:
        sock.recv(1, socket.MSG_PEEK)
    except BlockingIOError:
        return True
    except OSError:
        pass  # the next read says so
    return False


def _notice_early_end(client: aiomqtt.Client) -> None:
    """Fail at once when the connection ends before the broker has answered; aiomqtt would wait for its timeout."""
    ended: Any = client._client.on_disconnect

    def on_disconnect(*what: Any) -> None:
        if not client._connected.done():
            client._connected.set_exception(MqttError("the connection was closed"))
        ended(*what)

    client._client.on_disconnect = on_disconnect


async def _enter(client: aiomqtt.Client, url: str) -> None:
    shown = without_password(url)
    try:
        await client.__aenter__()
    except aiomqtt.MqttError as error:
        if "ot authorized" in str(error) or "user name or password" in str(error).lower():
            raise Unreachable("broker refuses us", shown, "Check user and password in QUIETWARD_BROKER") from error
        remedy = (
            f"Start it, or set QUIETWARD_BROKER (some brokers are silent on a wrong password too). It said: {error}"
        )
        raise Unreachable("broker is not there", shown, remedy) from error


async def _leave(client: aiomqtt.Client, *error: Any) -> None:
    await client.__aexit__(*error)
    gone = client._disconnected
    if gone.done() and not gone.cancelled():
        gone.exception()  # has been told by what failed; unread it would be reported again


def _check_granted(topic: str, granted: Sequence[int | ReasonCode]) -> None:
    for code in granted:
        if (code.value if isinstance(code, ReasonCode) else code) >= REFUSED_FROM:
            raise MqttError(f"the broker refuses the subscription to {topic}: {code}")


class Subscriber:
    """A persistent session: what was published while we were away comes when we are back.

    Use as `async with`, once: a new Subscriber for every connection.
    """

    def __init__(self, url: str, client_id: str, *topics: str) -> None:
        self.url, self.topics = url, topics
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_KEPT_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        self._client = _client(url, client_id, clean_start=False, properties=properties)
        paho: Any = self._client._client
        paho.manual_ack_set(True)
        paho._handle_publish = self._take
        self._paho = paho
        self._session_present = False
        on_connect: Any = self._paho.on_connect

        def note_session(*arguments: Any) -> None:
            self._session_present = arguments[2].session_present
            on_connect(*arguments)

        self._paho.on_connect = note_session

    async def __aenter__(self) -> Self:
        await _enter(self._client, self.url)
        try:
            for topic in self.topics:
                if self._session_present:
                    # It may have been cut off before it subscribed, so ask again; but do not wait for the answer: the
                    # embedded broker never gives one behind a backlog.
                    _, number = self._paho.subscribe(topic, qos=1)
                    self._client._pending_subscribes[number] = asyncio.get_running_loop().create_future()
                else:
                    _check_granted(topic, await self._client.subscribe(topic, qos=1))
        except BaseException:
            await _leave(self._client, None, None, None)
            raise
        return self

    async def __aexit__(self, *error: object) -> None:
        await _leave(self._client, *error)

    def _take(self) -> MQTTErrorCode:
        """Put what has come into the queue; paho and aiomqtt spend most of ingest's time on objects for it."""
        packet = self._paho._in_packet
        self._client._queue.put_nowait(_decoded(packet["command"], bytes(packet["packet"])))  # type: ignore[arg-type]
        return MQTT_ERR_SUCCESS

    async def next_batch(self, at_most: int = 5000) -> list[Message]:
        """Wait for a message and return it with all that have come meanwhile. Raises MqttError when disconnected."""
        messages: Any = self._client.messages
        batch: list[Message] = [await anext(messages)]
        queue: asyncio.Queue[Message] = self._client._queue  # type: ignore[assignment]
        while len(batch) < at_most:
            try:
                batch.append(queue.get_nowait())
            except asyncio.QueueEmpty:
                break
        return batch

    def acknowledge(self, batch: Sequence[Message]) -> None:
        """Tell the broker that these messages are safe. Raises MqttError when disconnected."""
        for message in batch:
            if message.qos:
                code = self._paho.ack(message.mid, message.qos)
                if code != MQTT_ERR_SUCCESS:
                    raise aiomqtt.MqttCodeError(code, "Could not acknowledge")
        self._paho.loop_write()  # now, not with the loop's next turn


def _decoded(command: int, packet: bytes) -> Message:
    """Return a PUBLISH (MQTT 5, section 3.3) without its fixed header. At most QoS 1: no more was subscribed."""
    qos = command >> 1 & 3
    at = 2 + int.from_bytes(packet[:2])
    topic = packet[2:at].decode()
    mid = int.from_bytes(packet[at : at + 2]) if qos else 0
    at += 2 if qos else 0
    length, used = VariableByteIntegers.decode(packet[at:])  # type: ignore[no-untyped-call]
    properties, payload = packet[at + used : at + used + length], packet[at + used + length :]
    if not properties:
        content_type = ""
    elif properties[0] == CONTENT_TYPE_ID and int.from_bytes(properties[1:3]) == length - 3:  # this and nothing else
        content_type = properties[3:].decode()
    else:
        found = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        found.unpack(packet[at:])  # type: ignore[no-untyped-call]
        content_type = getattr(found, "ContentType", "")
    return Message(topic, payload, qos, mid, content_type)


class _Packed(Properties):
    """Properties that every message has: turned into bytes once and not for each."""

    _bytes = b""

    def pack(self) -> bytes:
        """Return them as bytes; nothing may be set afterwards."""
        if not self._bytes:
            object.__setattr__(self, "_bytes", super().pack())  # type: ignore[no-untyped-call]
        return self._bytes


class Publisher:
    """Publishes with many messages in flight, and counts what the broker refused.

    Use as `async with`, once. `refused`: called with the topic when the broker says no (an access rule, usually).
    """

    def __init__(self, url: str, client_id: str, will_topic: str, refused: Callable[[str], None]) -> None:
        self.url = url
        will = aiomqtt.Will(will_topic, b"offline", qos=1, retain=True)
        self._client = _client(url, client_id, clean_start=True, will=will, max_inflight_messages=IN_FLIGHT)
        self._paho: Any = self._client._client
        self._room = asyncio.Semaphore(IN_FLIGHT)
        self._unanswered: dict[int, tuple[str, Callable[[], None]]] = {}
        self._refused = refused
        self._properties = _Packed(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        self._properties.ContentType = CONTENT_TYPE
        on_publish: Any = self._paho.on_publish

        def note_answer(client: Any, data: Any, mid: int, code: ReasonCode, properties: Any) -> None:
            if mid in self._unanswered:
                topic, answered = self._unanswered.pop(mid)
                self._room.release()
                answered()
                if code.is_failure:
                    self._refused(topic)
            on_publish(client, data, mid, code, properties)

        self._paho.on_publish = note_answer

    async def __aenter__(self) -> Self:
        await _enter(self._client, self.url)
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
        self, topic: str, payload: bytes, *, retain: bool = False, answered: Callable[[], None] = lambda: None
    ) -> None:
        """Send at QoS 1 without waiting for the answer. Raises MqttError when disconnected.

        answered: called when the broker has taken or refused the message. Until then it can still be lost with the
        connection: whoever must not lose it keeps it and publishes it again.
        """
        if self._room.locked():
            await self._wait_for_room()
        else:
            await self._room.acquire()  # at once
        if not self.connected:
            raise aiomqtt.MqttError("Disconnected")
        info = self._paho.publish(topic, payload, qos=1, retain=retain, properties=self._properties)
        if info.rc != MQTT_ERR_SUCCESS:
            self._room.release()
            raise aiomqtt.MqttCodeError(info.rc, "Could not publish")
        self._unanswered[info.mid] = topic, answered

    async def _wait_for_room(self) -> None:
        try:
            async with asyncio.timeout(CONNECT_TIMEOUT_S):  # wait_for of Python 3.11 can swallow a cancellation
                await self._room.acquire()
        except TimeoutError as error:
            raise aiomqtt.MqttError("The broker has stopped answering") from error

    def hang_up(self) -> None:
        """End the connection without goodbye, as a pulled cable does: the broker speaks our last will."""
        sock = self._paho.socket()
        if sock is not None:
            with contextlib.suppress(OSError):  # it is over already
                sock.shutdown(socket.SHUT_RDWR)

    async def settle(self, within_s: float = 2.0) -> int:
        """Wait until the broker has answered for everything; return how many answers are still missing."""
        end = asyncio.get_running_loop().time() + within_s
        while self._unanswered and self.connected and asyncio.get_running_loop().time() < end:
            await asyncio.sleep(0.01)
        return len(self._unanswered)
