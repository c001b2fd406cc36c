"""Serves a simulated instrument on a pseudo-terminal, which a client opens like any serial port."""

from __future__ import annotations

import asyncio
import contextlib
import os

from instruments.simulated.commands import Exchange, Instrument
from instruments.simulated.server import Server, talk
from instruments.simulated.simtime import SimulatedTime
from sequencer.errors import UsageError

__all__ = ["listen_serial"]


class _Line:
    """A conversation over one pseudo-terminal; there is one, as a serial line has one other end."""

    def __init__(self, task: asyncio.Task[None], held: int) -> None:
        self._task = task
        self._held = held

    def close(self) -> None:
        """Take the line down."""
        self._task.cancel()
        with contextlib.suppress(OSError):
            os.close(self._held)


async def listen_serial(instrument: Instrument, time: SimulatedTime) -> tuple[Server, str]:
    """Open a pseudo-terminal and serve it; returns the server and the VISA resource.

    Raises
    ------
    UsageError
        On a system without pseudo-terminals.
    """
    try:
        import pty  # not on every system
        import tty
    except ImportError:
        msg = "this system has no pseudo-terminals: choose the transport socket or hislip"
        raise UsageError(msg) from None
    master, held = pty.openpty()
    tty.setraw(held)  # every byte as it is, no echo
    name = os.ttyname(held)  # and held open: else the line would count as hung up between two clients
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader()
    pipe, copy = os.fdopen(master, "rb", buffering=0), os.fdopen(os.dup(master), "wb", buffering=0)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), pipe)
    transport, protocol = await loop.connect_write_pipe(
        lambda: asyncio.StreamReaderProtocol(asyncio.StreamReader()), copy
    )
    writer = asyncio.StreamWriter(transport, protocol, reader, loop)

    async def serve() -> None:
        with contextlib.suppress(asyncio.CancelledError):
            await talk(reader, writer, Exchange(instrument), instrument, time)

    return _Line(asyncio.create_task(serve()), held), f"ASRL{name}::INSTR"
