"""A way between two parts that can be cut: what is sent is dropped, and nobody is told, as when a switch dies."""

import asyncio
import contextlib


class Link:
    """A port that leads to another one, on loopback.

    While it is cut nothing gets through, and no connection is closed. A connection that was there when it was cut
    never carries anything again; new ones do, once it is mended.
    """

    def __init__(self, to_port: int) -> None:
        self.to_port, self.port = to_port, 0
        self._mended = asyncio.Event()
        self._mended.set()
        self._cuts = 0
        self._server: asyncio.Server | None = None
        self._connections: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen."""
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]

    def cut(self) -> None:
        """Let nothing through from now on."""
        self._cuts += 1
        self._mended.clear()

    def mend(self) -> None:
        """Let new connections through."""
        self._mended.set()

    async def close(self) -> None:
        """End all connections."""
        if self._server is not None:
            self._server.close()
        for connection in self._connections:
            connection.cancel()
        await asyncio.gather(*self._connections, return_exceptions=True)

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connection = asyncio.create_task(self._serve(reader, writer))
        self._connections.add(connection)
        connection.add_done_callback(self._connections.discard)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._mended.wait()
            cuts = self._cuts
            onward, back = await asyncio.open_connection("127.0.0.1", self.to_port)
            try:
                ways = [
                    asyncio.create_task(one)
                    for one in (self._carry(reader, back, cuts), self._carry(onward, writer, cuts))
                ]
                await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
                for way in ways:
                    way.cancel()
            finally:
                back.close()
        except OSError:
            pass  # nobody listens there
        finally:
            writer.close()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, cuts: int) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65_536):
                if self._cuts == cuts:
                    writer.write(data)
                    await writer.drain()
