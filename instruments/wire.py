"""What lies under a link: how long it waits, what its transcript keeps, and the socket that PyVISA-py holds."""

from __future__ import annotations

import hashlib
import socket
import time
from typing import Any

__all__ = ["Patience", "send_without_delay", "shortened", "wire_of"]

_SLOWEST_BYTES_PER_S = 500.0  # half of a 9600 baud line; whoever dribbles slower than that has failed
_LONGEST_IN_TRANSCRIPT = 4096  # a longer text or block is named by size and hash


def shortened(direction: str, data: bytes) -> bytes:
    """Return what a transcript keeps of an exchange: a block, or a long text, by size and hash."""
    if len(data) > _LONGEST_IN_TRANSCRIPT or (data.startswith(b"#") and direction == "<"):
        digest = hashlib.sha256(data).hexdigest()
        return data[:2] + f"... {len(data)} bytes, sha256 {digest}".encode()
    return data


class Patience:
    """How long to wait: a longest silence, and a slowest mean rate so that a dribble ends too."""

    def __init__(self, silence_s: float) -> None:
        self._silence_s = silence_s
        self._began = self._last = time.monotonic()
        self._count = 0

    def heard(self, count: int) -> None:
        """Note that so many bytes came."""
        self._count += count
        self._last = time.monotonic()

    def left_s(self) -> float:
        """Return how much longer to wait; 0 or less: no more."""
        by_rate = self._began + self._count / _SLOWEST_BYTES_PER_S
        return min(self._last, by_rate) + self._silence_s - time.monotonic()


# --- what depends on PyVISA-py's inside: two functions, both no-ops elsewhere --------------------------


def wire_of(session: Any) -> socket.socket | None:
    """Return the socket under a PyVISA-py session (raw socket, HiSLIP), None for anything else."""
    sessions = getattr(session.visalib, "sessions", None)
    inner = sessions.get(session.session) if isinstance(sessions, dict) else None
    interface = getattr(inner, "interface", None)
    wire = getattr(interface, "_sync", interface)
    return wire if isinstance(wire, socket.socket) else None


def send_without_delay(session: Any) -> None:
    """Set TCP_NODELAY: a write followed by a query else costs 44 ms (Nagle against delayed acknowledgement)."""
    wire = wire_of(session)
    if wire is not None:
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
