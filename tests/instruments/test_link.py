"""The one door to the bus: exact reading, no hang, no spin, every foreign fault translated."""

from __future__ import annotations

import contextlib
import errno
import gc
import hashlib
import os
import signal
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from pyvisa.errors import InvalidSession

from instruments import faults
from instruments import link as link_module
from instruments.link import Link
from instruments.wire import send_without_delay, wire_of
from sequencer.errors import InstrumentError, LinkError, LinkTimeoutError, NotchbookError, StoreError


@pytest.fixture
def log() -> list[tuple[str, bytes]]:
    return []


@pytest.fixture
def link(toy: Any, log: list[tuple[str, bytes]]) -> Iterator[Link]:
    opened = Link.open(toy.resource, "@py", lambda way, data: log.append((way, data)), timeout_s=0.3)
    yield opened
    opened.close()


def send(*pieces: bytes | float) -> Callable[[socket.socket, str], None]:
    """Answer in pieces, with pauses (numbers, s) between; a last None-like b"" closes."""

    def answer(peer: socket.socket, _line: str) -> None:
        for piece in pieces:
            if isinstance(piece, float):
                time.sleep(piece)
            elif piece:
                peer.sendall(piece)
            else:
                peer.shutdown(socket.SHUT_RDWR)

    return answer


CLOSE = b""

# --- what must work ---


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        pytest.param(b"hello\n", "hello", id="LF"),
        pytest.param(b"hello\r\n", "hello", id="CR-LF"),
        pytest.param(b"hello\n\r", "hello", id="LF-CR"),
        pytest.param(send(b"hello\n", 0.05, b"\r"), "hello", id="LF-CR-in-pieces"),
        pytest.param(b"\n", "", id="empty-line"),
        pytest.param(send(b"hel", 0.05, b"lo", 0.05, b"\n"), "hello", id="in-pieces"),
        pytest.param(b"x" * 200_000 + b"\n", "x" * 200_000, id="long"),
    ],
)
def test_a_line_is_read_whole_without_its_end(toy: Any, link: Link, answer: Any, expected: str) -> None:
    toy.answers["X?"] = answer
    assert link.query("X?") == expected
    time.sleep(0.1)
    assert link.query("X?") == expected  # nothing of the first one's end was left lying for the second
    assert not link.dead


PAYLOAD = bytes(range(256)) * 16  # holds every byte, line feeds included


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(b"#44096" + PAYLOAD + b"\n", id="LF"),
        pytest.param(b"#44096" + PAYLOAD + b"\r\n", id="CR-LF"),
        pytest.param(b"#44096" + PAYLOAD + b"\n\r", id="LF-CR"),
        pytest.param(
            send(b"#", 0.03, b"440", 0.03, b"96" + PAYLOAD[:99], 0.03, PAYLOAD[99:], 0.03, b"\n"), id="pieces"
        ),
        pytest.param(send(b"#9000004096" + PAYLOAD + b"\r", 0.03, b"\n"), id="nine-digits"),
    ],
)
def test_a_block_is_read_by_its_count(toy: Any, link: Link, answer: Any) -> None:
    toy.answers["TRAC?"] = answer
    toy.answers["X?"] = b"1\n"
    assert link.query_block("TRAC?") == PAYLOAD
    assert link.query("X?") == "1"  # nothing was left lying in between


def test_an_empty_block_is_an_empty_payload(toy: Any, link: Link) -> None:
    toy.answers["TRAC?"] = b"#10\n"
    assert link.query_block("TRAC?") == b""


def test_no_delay_is_set_so_a_write_before_a_query_costs_no_44_ms(toy: Any, link: Link) -> None:
    wire = wire_of(link._session)
    assert wire is not None
    assert wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
    toy.answers["X?"] = b"1\n"
    began = time.monotonic()
    for _ in range(20):
        link.write("A 1")
        link.query("X?")
    assert time.monotonic() - began < 20 * 0.044 / 2  # style.md Part 5: 44 ms a pair without; half of it is ample


def test_no_delay_is_a_no_op_where_there_is_no_socket_of_pyvisa_py() -> None:
    class Vendor:
        visalib = object()
        session = 1

    assert wire_of(Vendor()) is None
    send_without_delay(Vendor())


# --- the transcript ---


def test_the_transcript_has_every_exchange_and_long_blocks_by_hash(
    toy: Any, link: Link, log: list[tuple[str, bytes]]
) -> None:
    whole = b"#44096" + PAYLOAD
    toy.answers |= {"X?": b"1\r\n", "TRAC?": whole + b"\n"}
    link.write("A 1")
    link.query("X?")
    link.query_block("TRAC?")
    assert log[1:5] == [(">", b"A 1"), (">", b"X?"), ("<", b"1"), (">", b"TRAC?")]
    direction, told = log[5]
    assert direction == "<"
    assert hashlib.sha256(whole).hexdigest().encode() in told
    assert b"4102 bytes" in told
    assert len(told) < 200


def test_a_transcript_that_cannot_be_written_fails_the_exchange(toy: Any) -> None:
    def full(_way: str, data: bytes) -> None:
        if data == b"X?":
            msg = "disk full"
            raise StoreError(msg)

    toy.answers["X?"] = b"1\n"
    link = Link.open(toy.resource, transcript=full, timeout_s=0.3)
    with pytest.raises(StoreError):
        link.query("X?")
    with pytest.raises(LinkError, match="earlier exchange failed"):
        link.query("X?")
    link.close()


# --- what must be refused: each ends in our error, in time, without burning a core, and kills the link ---

IRREGULAR = [
    pytest.param("query", b"", LinkTimeoutError, "no answer within 0.3 s", id="silence"),
    pytest.param("query", b"half", LinkTimeoutError, "4 bytes came, no end of line", id="no-end-of-line"),
    pytest.param("query", send(CLOSE), LinkError, "closed the connection", id="drop-before-the-answer"),
    pytest.param("query", send(b"half", CLOSE), LinkError, "4 bytes had come", id="drop-within-the-answer"),
    pytest.param("query", b"1\n2\n", InstrumentError, "behind the end", id="two-lines"),
    pytest.param("query", b"\xff\xfe\x80\n", InstrumentError, "no text", id="garbage"),
    pytest.param("block", b"", LinkTimeoutError, "no answer", id="block-silence"),
    pytest.param("block", send(CLOSE), LinkError, "closed the connection", id="drop-before-the-block"),
    pytest.param("block", send(b"#44096" + PAYLOAD[:99], CLOSE), LinkError, "105 bytes", id="drop-within-the-block"),
    pytest.param("block", send(b"#44096" + PAYLOAD, CLOSE), LinkError, "closed", id="drop-behind-the-block"),
    pytest.param("block", b"#44096" + PAYLOAD[:-16] + b"\n", LinkTimeoutError, "4087 of 4102", id="16-bytes-short"),
    pytest.param("block", b"#44096" + PAYLOAD + b"xx\n", InstrumentError, "not the end", id="two-bytes-over"),
    pytest.param("block", b"#44096" + PAYLOAD, LinkTimeoutError, "4102 of 4102", id="no-terminator"),
    pytest.param("block", b"#34096" + PAYLOAD + b"\n", InstrumentError, "not the end", id="a-digit-too-few"),
    pytest.param("block", b"#54096" + PAYLOAD + b"\n", InstrumentError, "block header", id="a-digit-too-many"),
    pytest.param("block", b"#0" + PAYLOAD + b"\n", InstrumentError, "unstated length", id="indefinite"),
    pytest.param("block", b"#9999999999", InstrumentError, "not believable", id="a-gigabyte"),
    pytest.param("block", b"-1.0,-2.0\n", InstrumentError, "'#' expected", id="text-for-a-block"),
    pytest.param("block", b"#\n", InstrumentError, "header", id="nothing-for-a-block"),
    pytest.param("block", b"\n", InstrumentError, "'#' expected|header", id="an-empty-line-for-a-block"),
]


@pytest.mark.parametrize(("how", "answer", "kind", "says"), IRREGULAR)
def test_an_irregular_answer_is_our_error_and_kills_the_link(
    toy: Any, link: Link, how: str, answer: Any, kind: type[NotchbookError], says: str
) -> None:
    toy.answers |= {"Q?": answer or (lambda _peer, _line: None), "X?": b"1\n"}
    cpu, began = time.thread_time(), time.monotonic()
    with pytest.raises(kind, match=says) as caught:
        (link.query if how == "query" else link.query_block)("Q?")
    assert time.monotonic() - began < 0.3 + 0.7  # the time-out, a slice of 0.25 s, and a busy machine
    assert time.thread_time() - cpu < 0.1  # waits, does not spin
    assert "Q?" in caught.value.message
    assert toy.resource in caught.value.message or "sent 'Q?'" in caught.value.message
    assert type(caught.value) is kind
    with pytest.raises(LinkError, match="not sent"):
        link.write("X 1")
    link.reopen()
    assert link.query("X?") == "1"


@pytest.mark.parametrize(
    ("bytes_due", "says"),
    [
        pytest.param(4096, "", id="as-many-as-due"),
        pytest.param(4080, "not the end", id="more-than-due"),
        pytest.param(4112, "no answer", id="fewer-than-due"),
    ],
)
def test_a_block_of_unstated_length_is_read_only_by_the_count_that_is_due(
    toy: Any, link: Link, bytes_due: int, says: str
) -> None:
    payload = bytes([10]) * 4096  # line feeds all through: no end can be seen in the bytes
    toy.answers["Q?"] = b"#0" + payload + b"\n"
    if not says:
        assert link.query_block("Q?", bytes_due) == payload
        assert link.dead == ""
        return
    with pytest.raises(NotchbookError, match=says):
        link.query_block("Q?", bytes_due)
    assert link.dead


def test_what_was_opened_only_by_half_is_closed_again(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[Any] = []

    def gone(session: Any) -> None:
        opened.append(session)
        raise OSError(22, "the peer closed meanwhile")

    monkeypatch.setattr(link_module, "send_without_delay", gone)
    with pytest.raises(LinkError):
        Link.open(toy.resource)
    with pytest.raises(InvalidSession):
        _ = opened[0].session


def test_a_peer_that_dribbles_is_given_up_though_it_is_never_silent(toy: Any, link: Link) -> None:
    toy.answers["X?"] = send(*[b"x", 0.05] * 60)
    began = time.monotonic()
    with pytest.raises(LinkTimeoutError):
        link.query("X?")
    assert time.monotonic() - began < 1.0


def test_an_answer_that_comes_too_late_is_not_taken_for_the_next(toy: Any, link: Link) -> None:
    toy.answers |= {"SLOW?": send(0.15, b"late\n"), "X?": b"1\n"}
    assert link.query_or_silence("SLOW?", 0.05) is None
    time.sleep(0.2)
    with pytest.raises(InstrumentError, match="nobody asked for"):
        link.query("X?")


def test_silence_can_be_an_answer(toy: Any, link: Link) -> None:
    toy.answers |= {"X?": b"1\n"}
    assert link.query_or_silence("NONSENSE?", 0.05) is None
    assert link.query("X?") == "1"
    assert link.query_or_silence("X?", 0.05) == "1"


def test_a_peer_that_went_away_between_two_exchanges_is_noticed_before_anything_is_sent(toy: Any, link: Link) -> None:
    toy.answers["X?"] = b"1\n"
    link.query("X?")
    toy.drop()
    time.sleep(0.05)
    with pytest.raises(LinkError, match="closed the connection"):
        link.write("OUTP ON")
    assert "OUTP ON" not in toy.received


@pytest.mark.parametrize("command", ["A\nB", "A\x00", "é", ""])
def test_only_one_line_of_ascii_is_sent(toy: Any, link: Link, command: str) -> None:
    if command:
        with pytest.raises(InstrumentError, match="ASCII"):
            link.write(command)
    assert toy.received == []


@pytest.fixture
def sigint_heard() -> Iterator[None]:
    """SIGINT raises, though whoever started the tests ignores it (a shell's background)."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("sigint_heard")
def test_ctrl_c_within_a_read_leaves_a_link_that_can_be_reopened(toy: Any, link: Link) -> None:
    toy.answers |= {"SLOW?": lambda _peer, _line: None, "X?": b"1\n"}
    link.timeout_s = 5.0
    threading.Timer(0.1, os.kill, (os.getpid(), signal.SIGINT)).start()
    began = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        link.query("SLOW?")
    assert time.monotonic() - began < 1.0
    with pytest.raises(LinkError, match="broken off"):
        link.query("X?")
    link.reopen()
    assert link.query("X?") == "1"
    assert toy.connections == 2


# --- every row of the list of measured faults of PyVISA-py (style.md Part 5) ---


def _unused_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # PyVISA-py does not close a socket it failed to connect
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("name", "visa", "says"),
    [
        pytest.param("TCPIP::127.0.0.1::{unused}::SOCKET", "@py", "refused: is the instrument on", id="refused-port"),
        pytest.param("TCPIP::nosuchhost.invalid::5025::SOCKET", "@py", "check the host name", id="unknown-host"),
        pytest.param("TCPIP::a..b::5025::SOCKET", "@py", "open", id="malformed-host"),
        pytest.param("nonsense", "@py", "open", id="malformed-resource"),
        pytest.param("TCPIP::127.0.0.1::5025::SOCKET", "@nosuch", "visa in the bench file", id="unknown-backend"),
        pytest.param("TCPIP::127.0.0.1::5025::SOCKET", "/no/such/library.so", "open", id="missing-vendor-library"),
        pytest.param("GPIB0::7::INSTR", "@py", "open", id="missing-gpib-support"),
        pytest.param("ASRL/dev/nosuchport::INSTR", "@py", "open", id="missing-serial-port"),
        pytest.param("USB0::0x1234::0x5678::0::INSTR", "@py", "open", id="missing-usb-support"),
        pytest.param("TCPIP::127.0.0.1::hislip0,{unused}::INSTR", "@py", "open", id="refused-hislip"),
    ],
)
def test_what_cannot_be_opened_says_so(name: str, visa: str, says: str) -> None:
    name = name.format(unused=_unused_port())
    with pytest.raises(LinkError, match=says) as caught:
        Link.open(name, visa)
    assert name in caught.value.message
    assert caught.value.exit_code == 3
    del caught
    gc.collect()  # PyVISA-py leaves the socket it gave up to the collector, whose warning belongs here


def test_a_used_up_link_is_ours_too(toy: Any) -> None:
    link = Link.open(toy.resource)
    link.close()
    link.close()
    with pytest.raises(LinkError, match="it was closed"):
        link.query("X?")


def _foreign() -> list[Any]:
    from pyvisa import constants, errors

    late = errors.VisaIOError(constants.StatusCode.error_timeout)
    lost = errors.VisaIOError(constants.StatusCode.error_connection_lost)
    return [
        pytest.param(late, LinkTimeoutError, "no answer in time", id="VisaIOError-time-out"),
        pytest.param(lost, LinkError, "connection", id="VisaIOError-other"),
        pytest.param(errors.InvalidSession(), LinkError, "closed before", id="InvalidSession"),
        pytest.param(ConnectionRefusedError(errno.ECONNREFUSED, "x"), LinkError, "is the instrument on", id="refused"),
        pytest.param(ConnectionResetError(errno.ECONNRESET, "x"), LinkError, "closed the connection", id="reset"),
        pytest.param(BrokenPipeError(errno.EPIPE, "x"), LinkError, "closed the connection", id="broken-pipe"),
        pytest.param(TimeoutError("timed out"), LinkTimeoutError, "in time", id="socket-time-out"),
        pytest.param(OSError("no library"), LinkError, "visa in the bench file", id="vendor-library"),
        pytest.param(ValueError("no backend\nmore"), LinkError, "no backend .check", id="ValueError"),
        pytest.param(RuntimeError("Connection was dropped by server."), LinkError, "dropped", id="hislip-drop"),
        pytest.param(Exception("could not connect: x"), LinkError, "host name", id="bare-Exception"),
        pytest.param(ImportError("no module"), LinkError, "library is missing", id="ImportError"),
        pytest.param(KeyError("x"), LinkError, "bus library failed .KeyError", id="anything-else"),
    ]


@pytest.mark.parametrize(("foreign", "kind", "says"), _foreign())
def test_every_foreign_fault_is_translated_once(foreign: Exception, kind: type[LinkError], says: str) -> None:
    with pytest.raises(LinkError, match=says) as caught, faults.bus_errors("RES", "CMD?"):
        raise foreign
    assert type(caught.value) is kind
    assert caught.value.__cause__ is foreign
    assert caught.value.message.startswith("RES: CMD?: ")
    assert "\n" not in caught.value.message


def test_our_own_errors_and_interrupts_pass_the_door_unchanged() -> None:
    ours = StoreError("full")
    with pytest.raises(StoreError) as caught, faults.bus_errors("RES", "CMD?"):
        raise ours
    assert caught.value is ours
    with pytest.raises(KeyboardInterrupt), faults.bus_errors("RES", "CMD?"):
        raise KeyboardInterrupt


# --- other buses ---


@pytest.fixture
def serial_line() -> Iterator[tuple[int, int]]:
    """Both ends of a pseudo-terminal: (the instrument's, the one that is opened by name)."""
    pytest.importorskip("serial")
    pytest.importorskip("pty")
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, slave
    os.close(master)
    os.close(slave)


def test_a_serial_line_is_read_as_exactly(log: list[tuple[str, bytes]], serial_line: tuple[int, int]) -> None:
    master, slave = serial_line

    def instrument() -> None:
        asked = b""
        while not asked.endswith(b"STOP\n"):
            asked += os.read(master, 100)
            if asked.endswith(b"X?\n"):
                os.write(master, b"1\r\n")
            if asked.endswith(b"*IDN?\n"):  # is asked before the first question
                os.write(master, IDENTITY)
            if asked.endswith(b"TRAC?\n"):
                os.write(master, b"#44096" + PAYLOAD[:2000])
                time.sleep(0.02)
                os.write(master, PAYLOAD[2000:] + b"\n")

    thread = threading.Thread(target=instrument, daemon=True)
    thread.start()
    link = Link.open(f"ASRL{os.ttyname(slave)}::INSTR", timeout_s=1.0)
    assert link.query("X?") == "1"
    assert link.query_block("TRAC?") == PAYLOAD
    assert link.query("X?") == "1"
    link.write("STOP")
    thread.join(2)
    link.timeout_s = 0.2
    with pytest.raises(LinkTimeoutError):
        link.query("X?")
    link.close()


IDENTITY = b"Invented,Toy,0,1\n"


@pytest.mark.parametrize("late_s", [0.35, 0.9], ids=["while it is let fall quiet", "when the next question was asked"])
def test_a_late_answer_on_a_serial_line_is_no_answer_of_the_next_session(
    serial_line: tuple[int, int], late_s: float
) -> None:
    """The line stays when its session is let go of; shifted by one, 'off' would rest on another query's answer."""
    master, slave = serial_line

    def instrument() -> None:
        asked = b""
        while not asked.endswith(b"STOP\n"):
            asked = asked.partition(b"\n")[2] if b"\n" in asked else asked + os.read(master, 100)
            line, newline, _ = asked.partition(b"\n")
            if line == b"*ESR?":
                time.sleep(late_s)  # later than anybody waits for it
            if newline and line.endswith(b"?"):
                os.write(master, {b"*ESR?": b"0\n", b"OUTP?": b"1\n", b"*IDN?": IDENTITY}[line])

    threading.Thread(target=instrument, daemon=True).start()
    link = Link.open(f"ASRL{os.ttyname(slave)}::INSTR", timeout_s=0.2)
    with pytest.raises(LinkTimeoutError):
        link.query("*ESR?")
    link.reopen()
    link.timeout_s = 1.0
    assert link.query("OUTP?") == "1"
    link.write("STOP")
    link.close()


@pytest.mark.parametrize("name", ["RELAYS 8", "3 Invented Brothers,Toy,0,1"])
@pytest.mark.parametrize("asked", [True, False], ids=["asked for it first", "not asked for it"])
def test_who_names_itself_by_no_commas_or_a_number_is_known(
    serial_line: tuple[int, int], name: str, asked: bool
) -> None:
    master, slave = serial_line

    def instrument() -> None:
        with contextlib.suppress(OSError):
            while heard := os.read(master, 100):
                os.write(master, name.encode("ascii") + b"\n" if b"*IDN?" in heard else b"1\n")

    threading.Thread(target=instrument, daemon=True).start()
    link = Link.open(f"ASRL{os.ttyname(slave)}::INSTR", timeout_s=0.3)
    assert not asked or link.query("*IDN?") == name
    assert link.query("CLOS?") == "1"
    link.close()


def test_a_serial_line_is_opened_at_the_rate_asked_for() -> None:
    pytest.importorskip("serial")
    pytest.importorskip("pty")
    import termios

    _, slave = os.openpty()
    for baud, speed in ((None, termios.B9600), (57600, termios.B57600)):
        link = Link.open(f"ASRL{os.ttyname(slave)}::INSTR", baud=baud)
        assert termios.tcgetattr(slave)[4:6] == [speed, speed]
        link.reopen()
        assert termios.tcgetattr(slave)[4:6] == [speed, speed]
        link.close()


class ToyHislip:
    """Enough of HiSLIP (IVI-6.1, message types from PyVISA-py's table) to answer queries; faults included."""

    def __init__(self, answers: dict[bytes, list[bytes]]) -> None:
        self._answers = answers  # payloads of the Data messages; the last goes as DataEnd; b"drop" closes
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.resource = f"TCPIP::127.0.0.1::hislip0,{self._listener.getsockname()[1]}::INSTR"
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                threading.Thread(target=self._talk, args=(self._listener.accept()[0],), daemon=True).start()

    def _talk(self, peer: socket.socket) -> None:
        def tell(kind: int, parameter: int = 0, payload: bytes = b"") -> None:
            peer.sendall(struct.pack("!2sBBIQ", b"HS", kind, 0, parameter, len(payload)) + payload)

        with peer, contextlib.suppress(OSError):
            while len(header := peer.recv(16, socket.MSG_WAITALL)) == 16:
                _, kind, _, parameter, length = struct.unpack("!2sBBIQ", header)
                payload = peer.recv(length, socket.MSG_WAITALL) if length else b""
                if kind == 0:
                    tell(1, 0x01000001)
                elif kind == 17:
                    tell(18)
                elif kind == 15:
                    tell(16, 0, payload)
                elif kind == 7:
                    for number, part in enumerate(parts := self._answers.get(payload, []), 1):
                        if part == b"drop":
                            return
                        tell(7 if number == len(parts) else 6, parameter, part)

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()


def test_hislip_marks_the_end_of_a_message_itself() -> None:
    toy = ToyHislip(
        {
            b"X?\n": [b"1\n"],
            b"BARE?\n": [b"no line feed"],
            b"TRAC?\n": [b"#44096" + PAYLOAD[:99], PAYLOAD[99:]],
            b"LONG?\n": [b"#6131072" + PAYLOAD * 32 + b"\n"],
            b"SHORT?\n": [b"#44096" + PAYLOAD[:99]],
            b"DROP?\n": [b"half", b"drop"],
            b"GONE?\n": [b"drop"],
        }
    )
    link = Link.open(toy.resource, timeout_s=0.3)
    assert link.query("X?") == "1"
    assert link.query("BARE?") == "no line feed"
    assert link.query_block("TRAC?") == PAYLOAD
    assert link.query_block("LONG?") == PAYLOAD * 32
    for command, kind, says in (
        ("SHORT?", InstrumentError, "4102 bytes promised, 105 came"),
        ("DROP?", LinkError, "dropped"),
        ("GONE?", LinkError, "closed the connection"),
        ("SILENT?", LinkTimeoutError, "no answer"),
    ):
        with pytest.raises(kind, match=says):
            link.query_block(command)
        link.reopen()
    assert link.query("X?") == "1"
    link.close()
    toy.close()
