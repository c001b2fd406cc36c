"""Serves the simulated instruments on raw sockets of this computer, one task a connection, one thread for all."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import Protocol

from instruments.simulated.commands import Exchange, Instrument
from instruments.simulated.simtime import SimulatedTime
from instruments.simulated.syntax import ScpiError

__all__ = ["HOST", "LONGEST_MESSAGE", "Server", "execute", "listen", "talk", "until"]

HOST = "127.0.0.1"  # never reachable from another computer
LONGEST_MESSAGE = 1 << 16
LOOK_AGAIN_S = 0.01  # wall; how soon *OPC? and *WAI notice that another connection aborted the sweep
NOT_WORTH_SLEEPING_S = 0.002  # wall; shorter debts are paid together


class Server(Protocol):
    """Whatever serves an instrument until it is closed."""

    def close(self) -> None:
        """Stop serving."""
        ...


async def listen(instrument: Instrument, time: SimulatedTime, port: int) -> tuple[Server, str]:
    """Start listening; returns the server and the VISA resource (the port is the system's choice for port 0)."""

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # At the end of the process this task is cancelled; Python 3.11 would print that as an error of ours.
        with contextlib.suppress(asyncio.CancelledError):
            await talk(reader, writer, Exchange(instrument), instrument, time)

    server = await asyncio.start_server(connected, HOST, port)
    return server, f"TCPIP::{HOST}::{server.sockets[0].getsockname()[1]}::SOCKET"


async def talk(
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
    exchange: Exchange,
    instrument: Instrument,
    time: SimulatedTime,
) -> None:
    """Serve one connection until its end; a line is a program message, and answers are sent unasked."""
    unfinished = b""
    with contextlib.suppress(ConnectionError):
        while data := await reader.read(LONGEST_MESSAGE):
            *lines, unfinished = (unfinished + data).split(b"\n")
            if len(unfinished) > LONGEST_MESSAGE:
                unfinished = b""
                instrument.status.error(ScpiError(-363))
            for line in lines:
                await execute(exchange, line.rstrip(b"\r").decode("latin-1"), time)
                if answer := exchange.take():
                    writer.write(answer)
                    await writer.drain()
    with contextlib.suppress(ConnectionError):
        writer.close()
        await writer.wait_closed()


async def execute(exchange: Exchange, message: str, time: SimulatedTime) -> None:
    """Execute one program message and let its time pass; other connections are served meanwhile."""
    for _ in exchange.write(message):
        if time.speed > 0.0:
            await asyncio.sleep(min(LOOK_AGAIN_S, max(0.0, time.left_wall_s())))
        else:
            time.finish()
    delay_s = exchange.query_delay_s
    if time.speed > 0.0 and delay_s > 0.0 and "?" in message:
        await asyncio.sleep(delay_s / time.speed)
    if time.speed <= 0.0:
        time.finish()
        time.owed_s = 0.0
    elif time.owed_s / time.speed > NOT_WORTH_SLEEPING_S:
        owed_s, time.owed_s = time.owed_s, 0.0
        await asyncio.sleep(owed_s / time.speed)


async def until(stop: asyncio.Event, servers: list[Server], ready: Callable[[], None]) -> None:
    """Say that all is ready, serve until ``stop`` is set, then close the listeners."""
    ready()
    await stop.wait()
    for server in servers:
        server.close()
