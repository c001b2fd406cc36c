"""A toy instrument on a raw socket, in this process: it answers what a test tells it to, faults included."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator

import pytest

Answer = bytes | Callable[[socket.socket, str], None]


class Toy:
    """Answers each line by the table ``answers`` (bytes are sent; a callable does as it likes)."""

    def __init__(self) -> None:
        self.answers: dict[str, Answer] = {}
        self.otherwise: Callable[[str], bytes | None] = lambda _line: None
        self.received: list[str] = []
        self.connections = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.resource = f"TCPIP::127.0.0.1::{self.port}::SOCKET"
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self._listener.accept()
                self.connections += 1
                self._open.append(peer)
                threading.Thread(target=self._talk, args=(peer,), daemon=True).start()

    def _talk(self, peer: socket.socket) -> None:
        with contextlib.suppress(OSError), peer:
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            rest = b""
            while data := peer.recv(65536):
                *lines, rest = (rest + data).split(b"\n")
                for raw in lines:
                    line = raw.decode("latin-1")
                    self.received.append(line)
                    answer = self.answers.get(line)
                    if answer is None:
                        answer = self.otherwise(line)
                    if callable(answer):
                        answer(peer, line)
                    elif answer is not None:
                        peer.sendall(answer)

    def drop(self) -> None:
        """Close every connection, as a rebooting instrument does."""
        for peer in self._open:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.drop()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(2)


@pytest.fixture
def toy() -> Iterator[Toy]:
    """One toy instrument."""
    server = Toy()
    yield server
    server.close()
