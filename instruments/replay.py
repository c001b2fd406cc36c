"""A recorded run as an instrument: bus.log and the traces of a run folder answer as the analyzer once did.

So one evening with a real analyzer becomes a test: whoever changes the driver sees at once whether that analyzer would
still be understood. Answers come in the recorded order, sweep by sweep; what is asked once more gets the last answer
again, and how queries are packed into messages does not matter. Long answers stand in bus.log by hash only; they are
made again from the trace files, and used only where the hash agrees.

Where the connection broke, or the run was resumed, the log goes on in a new session, and so does the replay as soon as
it is connected to again. A sweep that broke off with its session was kept nowhere and is left out, and so is a session
in which no sweep was kept (the generator was only turned off).
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import socket
import struct
import threading
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from instruments import scpi
from sequencer.errors import NotchbookError, StoredDataError
from sequencer.formats.trace_csv import load_trace_csv

__all__ = ["Replay", "load_replay", "serving"]

_HASHED = re.compile(rb"(?:.{0,2}\.\.\. \d+ bytes, sha256 |sha256:)([0-9a-f]{64})", re.DOTALL)
_FORMATS = ("%.6E", "%.5E", "%.7E", "%.8E", "%.9E", "%.10E", "%.11E", "%+.6E", "%.2f", "%.3f", "%.4f", "%.5f", "%.6f")


@dataclass(frozen=True, slots=True)
class _Exchange:
    """One command or query as it was sent, its answer if any, and the line of bus.log it stands in."""

    unit: str
    answer: bytes | None
    line: int
    lost: str = ""  # the hash of a long answer that nobody kept


class Replay:
    """What the analyzer was asked and answered, and where the replay stands in it.

    Parameters
    ----------
    log : text of bus.log.
    long_answers : what long answers may have been, in any order; found by their hash.
    initiate : how a sweep is started; answers never come from beyond the next one.

    Raises
    ------
    StoredDataError
        When a line cannot be read, or a long answer is none of those given.
    """

    def __init__(self, log: str, long_answers: Iterable[bytes] = (), initiate: str = "INIT") -> None:
        known = {hashlib.sha256(data).hexdigest(): data for data in long_answers}
        self._initiate = initiate
        self._sessions = _sessions(_exchanges(log, known), set(known.values()), initiate)
        self._session = self._at = 0
        self._connected = False
        self._last: dict[str, bytes] = {}
        self.unknown: list[str] = []  # what was asked and had never been
        self.lock = threading.Lock()

    @property
    def left(self) -> int:
        """How many sweeps were recorded and kept that nobody has asked for yet."""
        return sum(e.unit == self._initiate for session in self._left() for e in session)

    def connected(self) -> None:
        """Note a connection to the analyzer: from the second on, the next recorded session in which it swept begins."""
        if self._connected and self._session + 1 < len(self._sessions):
            self._pass(len(self._recorded))
            self._session, self._at = self._session + 1, 0
        self._connected = True

    def message(self, text: str) -> bytes | None:
        """Return the answer to one message, without its terminator; None where none is due, or nothing is known."""
        answers = []
        for unit in _units(text):
            answer = self._unit(unit)
            if answer is not None:
                answers.append(answer)
        return b";".join(answers) if answers else None

    @property
    def _recorded(self) -> list[_Exchange]:
        return self._sessions[self._session]

    def _left(self) -> Iterator[list[_Exchange]]:
        yield self._recorded[self._at :]
        yield from self._sessions[self._session + 1 :]

    def _pass(self, end: int) -> None:
        """Go on to a place of the session; what was answered before it is what comes again where it is asked again."""
        self._last |= {e.unit: e.answer for e in self._recorded[self._at : end] if e.answer is not None}
        self._at = end

    def _unit(self, unit: str) -> bytes | None:
        for number in range(self._at, len(self._recorded)):
            exchange = self._recorded[number]
            if exchange.unit == unit:
                self._pass(number + 1)
                return exchange.answer
            if exchange.unit == self._initiate:
                break
        if "?" not in unit:
            return None
        if unit not in self._last:
            self.unknown.append(unit)
            return None
        return self._last[unit]


def _sessions(log: Iterable[_Exchange | None], kept: set[bytes], initiate: str) -> list[list[_Exchange]]:
    """Return what was said from each opening (None) to the next, as far as sweeps came of it; at least one.

    Raises
    ------
    StoredDataError
        When a long answer is lost that does not belong to a sweep which broke off.
    """
    found: list[list[_Exchange]] = [[]]
    for exchange in log:
        if exchange is None:
            found.append([])
        else:
            found[-1].append(exchange)
    for session in found[:-1]:
        sweeps = [number for number, e in enumerate(session) if e.unit == initiate]
        if sweeps and not any(e.answer in kept for e in session[sweeps[-1] :]):
            del session[sweeps[-1] :]
    lost = next((e for session in found for e in session if e.lost), None)
    if lost is not None:
        msg = f"bus.log:{lost.line}: a long answer (SHA-256 {lost.lost[:12]}...) is in none of the trace files"
        raise StoredDataError(msg, line=lost.line)
    swept = [session for session in found if any(e.unit == initiate for e in session)]
    return swept or [[e for session in found for e in session]]


def _exchanges(log: str, known: dict[str, bytes]) -> Iterator[_Exchange | None]:
    """Yield every exchange with the analyzer, None where the link to it was opened."""
    sent: tuple[str, int] | None = None
    for number, line in enumerate(log.splitlines(), 1):
        if not line or line.startswith("#"):
            continue
        fields = line.split("\t")
        if len(fields) != 4:
            msg = f"bus.log:{number}: time, direction, size and bytes expected, separated by tabs"
            raise StoredDataError(msg, line=number)
        direction, data = fields[1], _bytes(fields[3], number)
        opened = direction == "!" and data.startswith(b"opened ")
        if direction not in {">", "<"} and not opened:
            continue  # closed, failed, or another instrument's; or said to learn the dialect, before the run
        if direction == ">" or opened:
            if sent is not None:
                yield from (_Exchange(unit, None, sent[1]) for unit in _units(sent[0]))
            sent = None if opened else (data.decode("latin-1"), number)
            if opened:
                yield None
            continue
        if sent is None:
            continue  # a late answer
        hashed = _HASHED.fullmatch(data)
        digest = "" if hashed is None else hashed[1].decode("ascii")
        if digest and digest not in known:
            yield _Exchange(sent[0], None, number, lost=digest)
        else:
            yield from _paired(sent, known.get(digest, data))
        sent = None
    if sent is not None:
        yield from (_Exchange(unit, None, sent[1]) for unit in _units(sent[0]))


def _paired(sent: tuple[str, int], answer: bytes) -> Iterator[_Exchange]:
    units = _units(sent[0])
    asked = [unit for unit in units if "?" in unit]
    if len(asked) == 1:
        answers = [answer]
    else:
        try:
            answers = [part.encode("latin-1") for part in scpi.split_answers(answer.decode("latin-1"), len(asked), "")]
        except NotchbookError:  # it was wrong then as well, and stays so for the first of them
            answers = [answer] + [b""] * (len(asked) - 1)
    given = iter(answers)
    for unit in units:
        yield _Exchange(unit, next(given) if "?" in unit else None, sent[1])


def _bytes(shown: str, number: int) -> bytes:
    try:
        return shown.encode("ascii").decode("unicode_escape").encode("latin-1")
    except (UnicodeError, ValueError) as exc:
        msg = f"bus.log:{number}: bytes that were not written by Notchbook"
        raise StoredDataError(msg, line=number) from exc


def _units(message: str) -> list[str]:
    parts = (part.strip().removeprefix(":") for part in message.split(";"))
    return [part for part in parts if part]


def load_replay(folder: Path, initiate: str = "INIT") -> Replay:
    """Return the analyzer of a run folder.

    Raises
    ------
    StoredDataError
        When bus.log or a trace file is missing or damaged, or they do not belong together.
    """
    try:
        log = (folder / "bus.log").read_text(encoding="ascii")
        texts = {path: path.read_text(encoding="utf-8") for path in sorted((folder / "traces").glob("*.csv"))}
    except (OSError, UnicodeError) as exc:
        msg = f"{folder}: cannot be read as a recorded run ({exc})"
        raise StoredDataError(msg, folder=str(folder)) from exc
    spellings: list[bytes] = []
    for path, text in texts.items():
        levels = load_trace_csv(text, str(path)).sweep.trace.level_dbm
        spellings += _spellings([float(level) for level in levels])
    return Replay(log, spellings, initiate)


def _spellings(levels: Sequence[float]) -> Iterator[bytes]:
    """Return every way in which an analyzer may have sent these levels."""
    for code in ("<f", ">f", "<d", ">d"):
        with contextlib.suppress(OverflowError):
            payload = b"".join(struct.pack(code, level) for level in levels)
            size = str(len(payload)).encode("ascii")
            for digits in range(len(size), 10):
                yield b"#%d%s" % (digits, size.rjust(digits, b"0")) + payload
    for form in _FORMATS:
        numbers = [form % level for level in levels]
        for separator in (",", ", "):
            text = separator.join(numbers).encode("ascii")
            yield text
            yield text + b","


@contextlib.contextmanager
def serving(replay: Replay, terminator: bytes = b"\n") -> Iterator[str]:
    """Serve a replay on a raw socket of this computer while the block runs; yields its VISA resource name."""
    listener = socket.create_server(("127.0.0.1", 0))
    peers: list[socket.socket] = []

    def accept() -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = listener.accept()
                peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                peers.append(peer)
                with replay.lock:
                    replay.connected()
                threading.Thread(target=talk, args=(peer,), daemon=True).start()

    def talk(peer: socket.socket) -> None:
        rest = b""
        with contextlib.suppress(OSError), peer:
            while data := peer.recv(65536):
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    with replay.lock:
                        answer = replay.message(line.decode("latin-1"))
                    if answer is not None:
                        peer.sendall(answer + terminator)

    threading.Thread(target=accept, daemon=True).start()
    try:
        yield f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    finally:
        with contextlib.suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        for peer in peers:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)
