"""A small HiSLIP server: as much of IVI-6.1 (1.x, synchronized mode) as a client like PyVISA-py uses; from memory.

A client has two connections: messages travel on the synchronous one; status byte and device clear on the
asynchronous one. Locks, overlapped mode, service requests and encryption are not here; what is not known is
answered by an Error message, what cannot be followed any more by a FatalError.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import struct
from dataclasses import dataclass, field
from enum import IntEnum

from instruments.simulated.commands import Exchange, Instrument
from instruments.simulated.server import HOST, LONGEST_MESSAGE, Server, execute
from instruments.simulated.simtime import SimulatedTime
from instruments.simulated.syntax import ScpiError

__all__ = ["SUB_ADDRESS", "Header", "Message", "listen_hislip"]

SUB_ADDRESS = b"hislip0"
VERSION = 0x0100  # 1.0
VENDOR = b"NB"
MAV = 0x10


class Message(IntEnum):
    """Message types that are understood or sent."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAX_SIZE = 15
    ASYNC_MAX_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23


# codes of FatalError and of Error
POOR_HEADER, NO_SECOND_CHANNEL, BAD_START = 1, 2, 3
UNKNOWN_TYPE, TOO_LARGE = 1, 4


class FatalError(Exception):
    """The client cannot be followed any more."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text


@dataclass(frozen=True, slots=True)
class Header:
    """Sixteen bytes before every payload: 'HS', type, control code, parameter, length of the payload."""

    kind: int
    control: int
    parameter: int
    length: int

    FORM = struct.Struct("!2sBBIQ")

    @classmethod
    def unpack(cls, data: bytes) -> Header:
        """Read the sixteen bytes."""
        prologue, *fields = cls.FORM.unpack(data)
        if prologue != b"HS":
            raise FatalError(POOR_HEADER, "no HiSLIP header")
        return cls(*fields)


class Channel:
    """One of a client's two connections."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    async def receive(self) -> tuple[Header, bytes]:
        """Return the next message; one that is too long is read past, and its payload is not kept."""
        header = Header.unpack(await self._reader.readexactly(Header.FORM.size))
        if header.length <= LONGEST_MESSAGE:
            return header, await self._reader.readexactly(header.length)
        left = header.length
        while left:
            left -= len(await self._reader.readexactly(min(left, LONGEST_MESSAGE)))
        await self.send(Message.ERROR, TOO_LARGE, payload=b"message too large")
        return await self.receive()

    async def send(self, kind: Message, control: int = 0, parameter: int = 0, payload: bytes = b"") -> None:
        """Send one message."""
        self._writer.write(Header.FORM.pack(b"HS", kind, control, parameter, len(payload)) + payload)
        await self._writer.drain()

    def close(self) -> None:
        """Hang up."""
        self._writer.close()


@dataclass(slots=True, eq=False)
class Session:
    """One client: its exchange with the instrument, and what has been sent to it but not yet been read."""

    sync: Channel
    exchange: Exchange
    instrument: Instrument
    time: SimulatedTime
    other: Channel | None = None  # the asynchronous connection, once it is there
    largest: int = LONGEST_MESSAGE  # payload the client takes
    unread: bool = False  # an answer was sent whose end the client has not told to have read
    clearing: bool = False
    input: bytearray = field(default_factory=bytearray)
    work: asyncio.Task[None] | None = None

    async def serve_sync(self) -> None:
        """Serve the synchronous connection until its end."""
        while True:
            header, payload = await self.sync.receive()
            if self.other is None:
                raise FatalError(NO_SECOND_CHANNEL, "the asynchronous connection is missing")
            if header.kind == Message.DEVICE_CLEAR_COMPLETE:
                self.clearing = False
                await self.sync.send(Message.DEVICE_CLEAR_ACKNOWLEDGE)
            elif self.clearing:
                continue  # sent before the client knew that all is being cleared
            elif header.kind in (Message.DATA, Message.DATA_END):
                await self._data(header, payload)
            elif header.kind == Message.TRIGGER:
                self.instrument.status.error(ScpiError(-211))
            else:
                await self.sync.send(Message.ERROR, UNKNOWN_TYPE, payload=b"unrecognized message type")

    async def _data(self, header: Header, payload: bytes) -> None:
        if header.control & 1:  # RMT delivered: the client has read the last answer to its end
            self.unread = False
        if self.unread:
            self.unread = False
            self.instrument.status.error(ScpiError(-410))
            await self.sync.send(Message.INTERRUPTED, 0, header.parameter)
            if self.other is not None:
                await self.other.send(Message.ASYNC_INTERRUPTED, 0, header.parameter)
        self.input += payload
        if len(self.input) > LONGEST_MESSAGE:
            self.input.clear()
            self.instrument.status.error(ScpiError(-363))
        if header.kind != Message.DATA_END:
            return
        lines = bytes(self.input).removesuffix(b"\n").split(b"\n")
        self.input.clear()
        self.work = asyncio.create_task(self._run(lines, header.parameter))
        with contextlib.suppress(asyncio.CancelledError):
            await self.work
        if self.work.cancelled() and not self.clearing:
            raise asyncio.CancelledError  # it is the server that ends, not the client that clears
        self.work = None

    async def _run(self, lines: list[bytes], message_id: int) -> None:
        for line in lines:
            await execute(self.exchange, line.rstrip(b"\r").decode("latin-1"), self.time)
            answer = self.exchange.take()
            while answer:
                part, answer = answer[: self.largest], answer[self.largest :]
                self.unread = True
                await self.sync.send(Message.DATA if answer else Message.DATA_END, 0, message_id, part)

    async def serve_async(self, channel: Channel) -> None:
        """Serve the asynchronous connection until its end."""
        while True:
            header, payload = await channel.receive()
            if header.kind == Message.ASYNC_STATUS_QUERY:
                if header.control & 1:
                    self.unread = False
                await channel.send(Message.ASYNC_STATUS_RESPONSE, self.status_byte())
            elif header.kind == Message.ASYNC_DEVICE_CLEAR:
                self._clear()
                await channel.send(Message.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
            elif header.kind == Message.ASYNC_MAX_SIZE and len(payload) == 8:
                self.largest = max(1, min(int.from_bytes(payload) - Header.FORM.size, 1 << 20))
                await channel.send(Message.ASYNC_MAX_SIZE_RESPONSE, payload=LONGEST_MESSAGE.to_bytes(8))
            elif header.kind == Message.ASYNC_REMOTE_LOCAL:  # there is no front panel to lock
                await channel.send(Message.ASYNC_REMOTE_LOCAL_RESPONSE)
            else:
                await channel.send(Message.ERROR, UNKNOWN_TYPE, payload=b"unrecognized message type")

    def status_byte(self) -> int:
        """Return the status byte; an answer is available from when it was sent until the client has read its end."""
        return self.instrument.status.stb(message_available=self.unread)

    def _clear(self) -> None:
        """Forget input and output, and break off a wait; the instrument itself goes on with what it does."""
        self.clearing, self.unread = True, False
        self.input.clear()
        self.exchange.take()
        if self.work is not None:
            self.work.cancel()


async def listen_hislip(instrument: Instrument, time: SimulatedTime, port: int) -> tuple[Server, str]:
    """Start listening; returns the server and the VISA resource (the port is the system's choice for port 0)."""
    lobby = Lobby(instrument, time)
    server = await asyncio.start_server(lobby.connected, HOST, port)
    port = int(server.sockets[0].getsockname()[1])
    return server, f"TCPIP::{HOST}::{SUB_ADDRESS.decode()},{port}::INSTR"


class Lobby:
    """Where connections come in: the first message of each says to which client it belongs."""

    def __init__(self, instrument: Instrument, time: SimulatedTime) -> None:
        self._instrument, self._time = instrument, time
        self._sessions: dict[int, Session] = {}
        self._numbers = itertools.count(1)

    async def connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection until its end."""
        channel = Channel(reader, writer)
        # Python 3.11 would print the cancellation at the end of the process as an error of ours.
        with contextlib.suppress(asyncio.CancelledError, asyncio.IncompleteReadError, ConnectionError):
            try:
                await self._serve(channel)
            except FatalError as exc:
                await channel.send(Message.FATAL_ERROR, exc.code, payload=exc.text.encode("ascii"))
        channel.close()

    async def _serve(self, channel: Channel) -> None:
        header, payload = await channel.receive()
        if header.kind == Message.INITIALIZE and payload.lower() in (b"", SUB_ADDRESS):
            number = next(self._numbers) & 0xFFFF
            session = Session(channel, Exchange(self._instrument), self._instrument, self._time)
            self._sessions[number] = session
            try:
                await channel.send(Message.INITIALIZE_RESPONSE, 0, VERSION << 16 | number)
                await session.serve_sync()
            finally:
                del self._sessions[number]
                if session.other is not None:
                    session.other.close()
        elif header.kind == Message.ASYNC_INITIALIZE and header.parameter in self._sessions:
            session = self._sessions[header.parameter]
            session.other = channel
            await channel.send(Message.ASYNC_INITIALIZE_RESPONSE, 0, int.from_bytes(VENDOR))
            await session.serve_async(channel)
        else:
            raise FatalError(BAD_START, "no such session or sub-address")
