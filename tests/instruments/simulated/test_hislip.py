"""The small HiSLIP server, by PyVISA-py's own client and by hand-made bytes (IVI-6.1, from memory)."""

from __future__ import annotations

import json
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest
import pyvisa

pytestmark = pytest.mark.bench

HEADER = struct.Struct("!2sBBIQ")


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    command = [sys.executable, "-m", "instruments.simulated", "--transport", "hislip", "--speed", "1"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stderr is not None
    said = json.loads(process.stdout.readline())
    yield int(said["analyzer"].split(",")[1].split("::")[0])
    process.stdin.close()
    assert process.wait(20) == 0
    assert process.stderr.read() == b""  # nothing a client did made it complain
    process.stdout.close()
    process.stderr.close()


@pytest.fixture
def session(port: int) -> Iterator[Any]:
    manager = pyvisa.ResourceManager("@py")
    resource = f"TCPIP::127.0.0.1::hislip0,{port}::INSTR"
    opened = manager.open_resource(resource, read_termination="\n", write_termination="\n", timeout=5000)
    opened.write("*CLS;*RST")
    yield opened
    opened.close()


class Raw:
    """One connection, spoken to in bytes."""

    def __init__(self, port: int) -> None:
        self.wire = socket.create_connection(("127.0.0.1", port), timeout=5.0)

    def tell(self, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> None:
        self.wire.sendall(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)

    def hear(self) -> tuple[int, int, int, bytes]:
        prologue, kind, control, parameter, length = HEADER.unpack(self.wire.recv(16, socket.MSG_WAITALL))
        assert prologue == b"HS"
        return kind, control, parameter, self.wire.recv(length, socket.MSG_WAITALL) if length else b""


@pytest.fixture
def pair(port: int) -> Iterator[tuple[Raw, Raw]]:
    sync, other = Raw(port), Raw(port)
    sync.tell(0, 0, 0x0100 << 16 | 0x7878, b"hislip0")
    kind, overlap, parameter, _ = sync.hear()
    assert (kind, overlap, parameter >> 16) == (1, 0, 0x0100)  # InitializeResponse, synchronized, version 1.0
    other.tell(17, 0, parameter & 0xFFFF)
    assert other.hear()[0] == 18
    yield sync, other
    sync.wire.close()
    other.wire.close()


def test_the_status_byte_tells_of_a_waiting_answer_until_it_is_read(session: Any) -> None:
    assert session.read_stb() & 0x10 == 0
    session.write("*IDN?")
    deadline = time.monotonic() + 5
    while not session.read_stb() & 0x10:  # MAV: IEEE 488.2, 11.2.1.2 (from memory)
        assert time.monotonic() < deadline
    assert session.read().startswith("Notchbook,simulated bench")
    assert session.read_stb() & 0x10 == 0
    session.write("NONSENSE")
    session.query("*OPC?")
    assert session.read_stb() & 0x04  # the error queue is not empty: SCPI-99 Vol. 1, 9 (from memory)


def test_device_clear_forgets_what_was_asked_and_ends_a_wait(session: Any) -> None:
    session.write("FREQ:STAR 100 MHZ;STOP 200 MHZ;:BAND 10 KHZ;:SWE:TIME 30;:INIT;*OPC?")
    time.sleep(0.3)  # until it waits: a clear that overtakes the message would forget it too
    began = time.monotonic()
    session.clear()
    assert session.query("STAT:OPER:COND?") == "8"  # the sweep itself goes on: a clear is no abort
    assert session.query("ABOR;*IDN?").startswith("Notchbook")
    assert time.monotonic() - began < 5.0  # it would have been 30 s
    assert session.query("SYST:ERR?") == '0,"No error"'


def test_an_answer_nobody_read_is_an_interrupted_query(session: Any) -> None:
    session.write("*IDN?")
    assert session.query("SYST:ERR?") == '-410,"Query INTERRUPTED"'


def test_a_long_message_comes_in_parts_and_a_long_answer_goes_in_parts(pair: tuple[Raw, Raw]) -> None:
    sync, other = pair
    other.tell(15, payload=struct.pack("!Q", 16 + 10))  # AsyncMaxMsgSize: ten bytes of payload at a time
    kind, _, _, size = other.hear()
    assert kind == 16
    assert struct.unpack("!Q", size)[0] >= 1024
    sync.tell(6, 0, 0xFFFFFF00, b"*ID")
    sync.tell(7, 0, 0xFFFFFF02, b"N?\n")
    parts = [sync.hear()]
    while parts[-1][0] == 6:  # Data; the last is DataEND
        parts.append(sync.hear())
    assert {parameter for _, _, parameter, _ in parts} == {0xFFFFFF02}  # the id of the message that asked
    assert all(len(payload) <= 10 for *_, payload in parts)
    assert b"".join(payload for *_, payload in parts).startswith(b"Notchbook,simulated bench")


def test_interrupted_is_told_on_both_connections(pair: tuple[Raw, Raw]) -> None:
    sync, other = pair
    sync.tell(7, 0, 0xFFFFFF00, b"*IDN?\n")
    assert sync.hear()[0] == 7
    sync.tell(7, 0, 0xFFFFFF02, b"*CLS\n")  # RMT-delivered is not set
    assert sync.hear()[:3] == (13, 0, 0xFFFFFF02)
    assert other.hear()[:3] == (14, 0, 0xFFFFFF02)


def test_what_is_not_known_is_an_error_and_the_session_goes_on(pair: tuple[Raw, Raw]) -> None:
    sync, other = pair
    other.tell(4, 1, 0, b"")  # a lock
    assert other.hear()[:2] == (3, 1)  # Error, unrecognized message type
    sync.tell(7, 0, 0xFFFFFF00, b"x" * 200_000)
    assert sync.hear()[:2] == (3, 4)  # Error, message too large
    sync.tell(7, 0, 0xFFFFFF02, b"*OPC?\n")
    assert sync.hear() == (7, 0, 0xFFFFFF02, b"1\n")


@pytest.mark.parametrize(
    ("first", "code"),
    [
        pytest.param(b"GET / HTTP/1.1\r\n\r\n", 1, id="another-protocol"),
        pytest.param(HEADER.pack(b"HS", 17, 0, 4711, 0), 3, id="no-such-session"),
        pytest.param(HEADER.pack(b"HS", 0, 0, 0, 4) + b"lan0", 3, id="another-sub-address"),
        pytest.param(HEADER.pack(b"HS", 7, 0, 0, 0), 3, id="data-before-anything"),
    ],
)
def test_a_client_that_cannot_be_followed_is_told_why_and_hung_up_on(port: int, first: bytes, code: int) -> None:
    raw = Raw(port)
    raw.wire.sendall(first)
    assert raw.hear()[:2] == (2, code)  # FatalError
    assert raw.wire.recv(1) == b""
    raw.wire.close()


def test_data_before_the_second_connection_is_fatal(port: int) -> None:
    raw = Raw(port)
    raw.tell(0, 0, 0, b"hislip0")
    assert raw.hear()[0] == 1
    raw.tell(7, 0, 0, b"*IDN?\n")
    assert raw.hear()[:2] == (2, 2)
    raw.wire.close()
