"""A proxy between Notchbook and an instrument on a raw socket that breaks what it is told to, when it is told to."""

from __future__ import annotations

import contextlib
import re
import socket
import struct
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["MISHAPS", "Fault", "Proxy"]

Send = Callable[[bytes], None]


class Dropped(Exception):
    """The connection to the program is to be closed."""


@dataclass
class Fault:
    """What happens to a message that matches, from its ``after``-th match on, ``times`` times (None: for ever).

    ``answer`` gets the true answer (empty where none was due) and what sends bytes to the program. ``inject`` are
    messages that a second client sends to the instrument before this one is passed on. ``swallow``: the instrument
    never gets the message.
    """

    match: str
    after: int = 1
    times: int | None = 1
    answer: Callable[[bytes, Send], None] | None = None
    inject: tuple[str, ...] = ()
    swallow: bool = False
    seen: int = 0
    done: int = 0

    def strikes(self, message: str) -> bool:
        """Whether this message is hit; counts."""
        if not re.search(self.match, message):
            return False
        self.seen += 1
        if self.seen < self.after or (self.times is not None and self.done >= self.times):
            return False
        self.done += 1
        return True


class Proxy:
    """Listens on a port of its own and passes messages to an instrument, one thread a connection."""

    def __init__(self, port: int) -> None:
        self.upstream = port
        self.fault: Fault | None = None
        self.connections = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.resource = f"TCPIP::127.0.0.1::{self.port}::SOCKET"
        self._closed = False
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closed = True
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(2.0)

    def ask(self, message: str) -> str:
        """Ask the instrument directly, as a second client."""
        with socket.create_connection(("127.0.0.1", self.upstream), timeout=5.0) as wire:
            wire.sendall(message.encode("ascii") + b"\n")
            return _answer(wire).decode("ascii").strip() if "?" in message else ""

    def _accept(self) -> None:
        while not self._closed:
            try:
                peer, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            threading.Thread(target=self._serve, args=(peer,), daemon=True).start()

    def _serve(self, peer: socket.socket) -> None:
        with peer, socket.create_connection(("127.0.0.1", self.upstream)) as wire:
            for end in (peer, wire):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            rest = b""
            with contextlib.suppress(OSError, Dropped):
                while data := peer.recv(65536):
                    *lines, rest = (rest + data).split(b"\n")
                    for line in lines:
                        self._message(line.decode("latin-1"), peer, wire)

    def _message(self, message: str, peer: socket.socket, wire: socket.socket) -> None:
        fault = self.fault
        struck = fault is not None and fault.strikes(message)
        assert fault is not None or not struck
        if struck and fault is not None:
            for other in fault.inject:
                self.ask(other)
                self.ask("*OPC?")  # in a message of its own: a command error ends the one it stands in
        true = b""
        if not (struck and fault is not None and fault.swallow):
            wire.sendall(message.encode("latin-1") + b"\n")
            true = _answer(wire) if "?" in message else b""
        if struck and fault is not None and fault.answer is not None:
            fault.answer(true, peer.sendall)
        elif true:
            peer.sendall(true)


def _answer(wire: socket.socket) -> bytes:
    """Read one whole answer of an instrument that behaves."""
    got = b""
    while True:
        got += wire.recv(65536)
        if got.startswith(b"#") and len(got) > 2:
            head = 2 + int(got[1:2])
            if len(got) >= head and len(got) > head + int(got[2:head]):
                return got
        elif got.endswith(b"\n"):
            return got


# --- what can happen to an answer -----------------------------------------------------------------------------


def drop(_true: bytes, _send: Send) -> None:
    raise Dropped


def drop_halfway(true: bytes, send: Send) -> None:
    send(true[: len(true) // 2])
    time.sleep(0.05)  # so that what was sent arrives before the end does
    raise Dropped


def drop_afterwards(true: bytes, send: Send) -> None:
    send(true)
    time.sleep(0.05)
    raise Dropped


def silence(_true: bytes, _send: Send) -> None:
    pass


def slowly(true: bytes, send: Send) -> None:
    for start in range(0, len(true), 1 + len(true) // 20):
        send(true[start : start + 1 + len(true) // 20])
        time.sleep(0.03)


def short(true: bytes, send: Send) -> None:
    send(true[:-9] + b"\n")


def long(true: bytes, send: Send) -> None:
    send(true[:-1] + b"\0\0\0\0\0\0\0\0\n")


def indefinite(true: bytes, send: Send) -> None:
    send(b"#0" + true[2 + int(true[1:2]) :])


def wrong_digits(true: bytes, send: Send) -> None:
    """The header promises eight bytes too few."""
    head = 2 + int(true[1:2])
    fewer = str(int(true[2:head]) - 8).encode()
    send(b"#%d%s" % (len(fewer), fewer) + true[head:])


def bad_header(true: bytes, send: Send) -> None:
    send(b"#x" + true[2:])


def garbage(_true: bytes, send: Send) -> None:
    send(b"\xff\xfe\x00\x80garbage\x07\n")


def _points(value: float) -> Callable[[bytes, Send], None]:
    """Let every tenth point of a little-endian 32-bit trace be this value."""

    def answer(true: bytes, send: Send) -> None:
        head = 2 + int(true[1:2])
        body = bytearray(true[head:-1])
        for start in range(0, len(body) - 3, 40):
            body[start : start + 4] = struct.pack("<f", value)
        send(true[:head] + bytes(body) + b"\n")

    return answer


TRACE = r"TRAC\?"
BEFORE = 4  # the fourth trace: two of the opening thru are through
MISHAPS: dict[str, Callable[[int | None], Fault]] = {
    "dropped before the block": lambda n: Fault(TRACE, BEFORE, n, drop),
    "dropped within the block": lambda n: Fault(TRACE, BEFORE, n, drop_halfway),
    "dropped after the block": lambda n: Fault(TRACE, BEFORE, n, drop_afterwards),
    "silent": lambda n: Fault(TRACE, BEFORE, n, silence),
    "slow answers": lambda n: Fault(TRACE, BEFORE, n, slowly),
    "block too short": lambda n: Fault(TRACE, BEFORE, n, short),
    "block too long": lambda n: Fault(TRACE, BEFORE, n, long),
    "indefinite block": lambda n: Fault(TRACE, BEFORE, n, indefinite),
    "wrong length digits": lambda n: Fault(TRACE, BEFORE, n, wrong_digits),
    "no block header": lambda n: Fault(TRACE, BEFORE, n, bad_header),
    "garbage": lambda n: Fault(TRACE, BEFORE, n, garbage),
    "garbage for a status": lambda n: Fault(r"\*ESR\?", 9, n, garbage),
    "NaN in the trace": lambda n: Fault(TRACE, BEFORE, n, _points(float("nan"))),
    "infinity in the trace": lambda n: Fault(TRACE, BEFORE, n, _points(float("inf"))),
    "no-data sentinel": lambda n: Fault(TRACE, BEFORE, n, _points(9.91e37)),
    "error queue": lambda n: Fault(r"INIT", BEFORE, n, inject=("NO:SUCH:COMMAND",)),
    "the sweep never ends": lambda n: Fault(r"INIT(;|$)", BEFORE, n, swallow=True),
    "reset by another": lambda n: Fault(TRACE, BEFORE, n, inject=("*RST",)),
    "RBW set by another": lambda n: Fault(r"INIT(;|$)", BEFORE, n, inject=("BAND 300 KHZ",)),
    "generator off by another": lambda n: Fault(r"INIT(;|$)", BEFORE, n, inject=("OUTP OFF",)),
}
"""Name -> the fault, given how often it happens (None: whenever it can)."""
