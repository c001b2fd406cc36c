"""The one door to the bus: exact reading over PyVISA, short waits, translated errors, a transcript.

PyVISA-py's faults are not all its own (a closed peer looks like silence and spins, a time-out throws away
what had come, a short block passes for a whole one), so reading is done here: waits in slices of at most
0.25 s, end of file seen by peeking, blocks by count, one terminator, nothing behind it. After any
irregular exchange, an interrupt included, the link is dead until :meth:`Link.reopen`: a late answer could
pass for the answer to the next question. A serial line brings it even then, so the first question of a session
on one is asked only when `*IDN?` has been answered by what can be nothing else.
"""

from __future__ import annotations

import contextlib
import select
import socket
import time
from collections.abc import Callable, Iterator
from typing import Any

from instruments import tracedata
from instruments.faults import bus_errors, system_error_text
from instruments.wire import Patience, send_without_delay, shortened, wire_of
from sequencer.errors import InstrumentError, LinkError, LinkTimeoutError, NotchbookError

__all__ = ["Link", "Transcript"]

Transcript = Callable[[str, bytes], None]
"""Called with '>' (sent), '<' (came) or '!' (opened, closed, failed) and the bytes; long blocks by hash."""

_SLICE_S = 0.25  # an interrupt is noticed, and a closed peer seen, within this time on any system
_TEXT_LIMIT = 16_000_000  # bytes; an ASCII trace of a million points
_CHUNK = 65536
_WHO = "*IDN?"
_QUIET_S, _QUIET_WITHIN_S = 0.4, 1.5  # answers follow each other faster; the generator is to be off within 2 s


class Link:
    """A message-based instrument on a bus.

    Parameters
    ----------
    resource : VISA resource name, as "TCPIP::192.0.2.10::5025::SOCKET".
    visa : VISA library as PyVISA names it: "@py" (pure Python), "@ivi" or a path.
    transcript : called with every exchange.
    timeout_s : longest silence accepted while an answer is due.
    baud : rate of a serial line; None for the library's usual 9600. Nothing else uses it.
    """

    def __init__(
        self,
        resource: str,
        visa: str = "@py",
        transcript: Transcript | None = None,
        timeout_s: float = 5.0,
        baud: int | None = None,
    ) -> None:
        self.resource = resource
        self.timeout_s = timeout_s
        self.log_must_work = True  # False while the bench is made safe: a full disk must not keep a generator on
        self._visa = visa
        self._baud = baud
        self._transcript = transcript
        self._session: Any = None  # a pyvisa.resources.MessageBasedResource
        self._wire: socket.socket | None = None
        self._ends = True  # whether the bus marks the end of a message (END) besides the line feed
        self._dead = "it is not open"
        self._may_be_late = False  # whether what comes next may still answer a question of an earlier session
        self._named = b""  # what was answered when somebody asked who it is: not all say it with commas
        self._asked_who = False  # of such a session, and was not answered: it may be still

    @classmethod
    def open(
        cls,
        resource: str,
        visa: str = "@py",
        transcript: Transcript | None = None,
        timeout_s: float = 5.0,
        baud: int | None = None,
    ) -> Link:
        """Open a link.

        Raises
        ------
        LinkError
            When the bus library, the host, the port or the interface is not there.
        """
        link = cls(resource, visa, transcript, timeout_s, baud)
        link._open(open_within_s=5.0)
        return link

    @property
    def dead(self) -> str:
        """Why the link cannot be used until it is reopened; empty while it can."""
        return self._dead

    def write(self, command: str) -> None:
        """Send one message that has no answer."""
        with self._exchange(command):
            self._send(command)

    def query(self, command: str) -> str:
        """Send one message and return its text answer without the terminator.

        Raises
        ------
        LinkTimeoutError, LinkError
            When nothing, or half an answer, came in time; when the peer closed.
        InstrumentError
            When the answer is not one line of ASCII text.
        """
        with self._exchange(command):
            self._send(command)
            answer = self._read_line(command)
            try:
                text = answer.decode("ascii")
            except UnicodeDecodeError as exc:
                self._log("<", answer)
                msg = f"{self.resource}: sent {command!r}, bytes came that are no text: {answer[:40]!r}"
                raise InstrumentError(msg, resource=self.resource, sent=command, answer=answer[:2000]) from exc
            self._log("<", answer)
            self._named = answer if command == _WHO else self._named
        return text

    def query_or_silence(self, command: str, within_s: float) -> str | None:
        """Ask what the instrument may not know; None if it stays wholly silent (the link stays usable).

        An answer that comes after all is caught before the next message is sent.
        """
        usual, self.timeout_s = self.timeout_s, within_s
        try:
            return self.query(command)
        except LinkTimeoutError as exc:
            if exc.facts.get("answer", b""):
                raise
            self._dead = ""
            return None
        finally:
            self.timeout_s = usual

    def query_block(self, command: str, unstated: int | None = None) -> bytes:
        """Send one message and return the bytes of the block that answers it.

        ``unstated`` is how many bytes a block must hold that does not state its length; without it such a block is
        refused.

        Raises
        ------
        LinkTimeoutError, LinkError
            When fewer bytes came than the header promised.
        InstrumentError
            When the answer is no definite block, or more bytes came than promised.
        """
        with self._exchange(command):
            self._send(command)
            return self._read_block(command, unstated=unstated)

    def query_trace(self, command: str, unstated: int | None = None) -> bytes | str:
        """Send one message whose answer is a block or text, nobody knows yet which; ``unstated`` as above.

        Raises
        ------
        LinkTimeoutError, LinkError, InstrumentError
            As `query` and `query_block` do.
        """
        with self._exchange(command):
            self._send(command)
            patience = Patience(self.timeout_s)
            got, ended = bytearray(), False
            while not ended and b"\n" not in got and (echo := tracedata.echo_length(bytes(got))) in {None, len(got)}:
                data, ended = self._some(command, patience, got)
                got += data
            echo = tracedata.echo_length(bytes(got))
            if got[echo or 0 :][:1] == b"#":
                return self._read_block(command, got, ended=ended, unstated=unstated)
            answer = self._read_line(command, got, ended=ended)
            self._log("<", answer)
        return answer.decode("ascii", "replace")

    def reopen(self, within_s: float = 5.0) -> None:
        """Let go of the bus and open it afresh; the only cure of a dead link."""
        self._let_go()
        self._open(open_within_s=within_s)

    def _swallow_late(self) -> None:
        """Wait until a serial line is quiet: it outlives its session, and a late answer would pass for the next one."""
        late = bytearray()
        began = quiet_since = time.monotonic()
        while (now := time.monotonic()) - quiet_since < _QUIET_S and now - began < _QUIET_WITHIN_S:
            with bus_errors(self.resource, "open"):
                waiting = int(getattr(self._session, "bytes_in_buffer", 0))
                if waiting:
                    late += self._session.visalib.read(self._session.session, waiting)[0]
                    quiet_since = time.monotonic()
            time.sleep(0.005)
        if late:
            self._log("!", b"let go of what still came of an earlier session: " + bytes(late[:200]))

    def close(self) -> None:
        """Let go of the bus. Never raises."""
        self._let_go()
        self._dead = "it was closed"
        with contextlib.suppress(Exception):  # a full disk must not keep the bus held
            self._log("!", b"closed")

    # --- opening --------------------------------------------------------------------------------------

    def _open(self, *, open_within_s: float) -> None:
        try:
            self._open_session(open_within_s)
        except BaseException:
            self._let_go()  # half open: nobody else would ever close it
            raise
        self._dead = ""
        self._may_be_late = not self._ends and self._wire is None
        if self._may_be_late:
            self._swallow_late()
        self._log("!", b"opened " + self.resource.encode("ascii", "replace"))

    def _open_session(self, open_within_s: float) -> None:
        with bus_errors(self.resource, "open"):
            import pyvisa  # 0.18 s that only a command with a bus should pay
            from pyvisa.resources import MessageBasedResource

            manager = pyvisa.ResourceManager(self._visa)
            session = manager.open_resource(self.resource, open_timeout=int(open_within_s * 1000))
            if not isinstance(session, MessageBasedResource):
                session.close()
                msg = f"{self.resource}: this kind of resource does not carry messages"
                raise LinkError(msg, resource=self.resource)
            self._session = session
            self._wire = wire_of(session)
            send_without_delay(session)
            kind = str(session.resource_class).upper()
            serial = str(session.resource_name).upper().startswith("ASRL")
            self._ends = kind != "SOCKET" and not serial
            if serial and self._baud is not None:
                self._session.baud_rate = self._baud
            if self._wire is not None:
                refused = self._wire.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
                if refused:  # PyVISA-py opens a refused port without a word
                    raise OSError(refused, system_error_text(refused))

    def _let_go(self) -> None:
        session, self._session, self._wire = self._session, None, None
        self._dead = self._dead or "it was closed"
        if session is not None:
            with contextlib.suppress(Exception):  # whatever a broken session says on its way out is no news
                session.close()

    # --- one exchange ---------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _exchange(self, command: str) -> Iterator[None]:
        """Guard one exchange: whatever goes wrong inside, Ctrl-C included, leaves the link dead."""
        if self._dead:
            msg = f"{self.resource}: {command!r} not sent: the link cannot be used, {self._dead}"
            raise LinkError(msg, resource=self.resource, command=command)
        self._dead = "an exchange was broken off"
        try:
            with bus_errors(self.resource, command):
                if not self._may_be_late:
                    self._expect_quiet(command)
                elif "?" in command and command != _WHO:
                    self._pass_over_late()
                yield
        except NotchbookError as exc:
            self._dead = f"an earlier exchange failed ({exc.message[:120]})"
            with contextlib.suppress(NotchbookError):  # the first failure is the one to tell
                self._log("!", exc.message.encode("ascii", "replace"))
            raise
        self._dead = ""

    def _pass_over_late(self) -> None:
        """Ask who is there, and pass over all that comes until that is answered: whatever comes then was asked after.

        Were it an answer to the same question asked earlier, its like would come next, which is no on or off or number.
        """
        asked_before, self._asked_who = self._asked_who, True
        self._send(_WHO)
        until, patience, late, got = time.monotonic() + 2.0 * self.timeout_s, Patience(self.timeout_s), b"", bytearray()
        while not _is_identification(bytes(got), self._named):
            line, newline, rest = bytes(got).partition(b"\n")
            if newline:
                late, got = late + line + newline, bytearray(rest)
                continue
            if time.monotonic() > until:
                raise self._irregular(_WHO, bytearray(late), "other answers came, and no end of them")
            got += self._some(_WHO, patience, got)[0]
        self._may_be_late = False
        self._log("<", bytes(got).rstrip(b"\r\n"))
        if late:
            self._log("!", b"passed over what still came of an earlier session: " + late[:200])
        if asked_before:
            self._swallow_late()
        self._asked_who = False

    def _send(self, command: str) -> None:
        if not command.isascii() or not command.isprintable():
            msg = f"{self.resource}: {command!r} is not one line of ASCII text"
            raise InstrumentError(msg, resource=self.resource, command=command)
        data = command.encode("ascii") + b"\n"
        self._session.visalib.write(self._session.session, data)
        self._log(">", command.encode("ascii"))

    def _expect_quiet(self, command: str) -> None:
        """Refuse to ask while unasked bytes lie in the input: they would pass for the answer."""
        if self._wire is None:
            if not self._ends and int(getattr(self._session, "bytes_in_buffer", 0)):
                stray = bytes(self._session.visalib.read(self._session.session, 1)[0])
                if stray == b"\r" and not int(getattr(self._session, "bytes_in_buffer", 0)):
                    return  # some end their lines with LF CR
                msg = f"{self.resource}: before {command!r} was sent, bytes came that nobody asked for: {stray!r} ..."
                raise InstrumentError(msg, resource=self.resource, sent="", answer=stray)
            return
        if select.select([self._wire], [], [], 0.0)[0]:
            stray = self._wire.recv(64, socket.MSG_PEEK)
            if stray == b"\r":  # some end their lines with LF CR
                self._wire.recv(1)
                return
            if not stray:
                raise self._closed(command, b"")
            msg = f"{self.resource}: before {command!r} was sent, bytes came that nobody asked for: {stray[:40]!r}"
            raise InstrumentError(msg, resource=self.resource, sent="", answer=stray)

    def _read_line(self, command: str, got: bytearray | None = None, *, ended: bool = False) -> bytes:
        """Return one line without LF, CR LF or LF CR, ``got`` its beginning; nothing may follow it."""
        patience = Patience(self.timeout_s)
        got = bytearray() if got is None else got
        while not ended and b"\n" not in got:
            data, ended = self._some(command, patience, got)
            got += data
            if len(got) > _TEXT_LIMIT:
                raise self._irregular(command, got, "the answer does not end")
        line, _, behind = bytes(got).partition(b"\n")
        if behind not in {b"", b"\r"}:
            raise self._irregular(command, got, "more came behind the end of the answer")
        return line.removesuffix(b"\r")

    def _read_block(
        self, command: str, got: bytearray | None = None, *, ended: bool = False, unstated: int | None = None
    ) -> bytes:
        """Return the payload of a definite block; an echoed header before it is passed over."""
        patience = Patience(self.timeout_s)
        got = bytearray() if got is None else got
        header: tuple[int, int] | None = None
        while True:
            echo = tracedata.echo_length(bytes(got))
            if echo is not None:
                del got[:echo]
                if unstated is not None and got[:2] == b"#0":
                    header = 2, unstated
                    break
                header = tracedata.block_header(bytes(got[:12]), command)
            if header is not None:
                break
            if ended or b"\n" in got[:2]:
                raise self._irregular(command, got, "the answer ended within the header of its block")
            data, ended = self._some(command, patience, got)
            got += data
        length = header[0] + header[1]
        while len(got) < length or (not ended and bytes(got[length:]) in {b"", b"\r"}):
            if ended:
                raise self._irregular(command, got, f"{length} bytes promised, {len(got)} came")
            data, ended = self._some(command, patience, got, length)
            got += data
        tail = bytes(got[length:])
        if tail not in {b"\n", b"\r\n", b"\n\r"} and not (ended and tail in {b"", b"\r"}):
            raise self._irregular(command, got, f"{length} bytes promised, then {tail[:16]!r} came, not the end")
        self._log("<", bytes(got[:length]))
        return bytes(got[header[0] : length])

    def _some(self, command: str, patience: Patience, so_far: bytearray, due: int = 0) -> tuple[bytes, bool]:
        """Return what came and whether the bus marked the end of the message; a CR left of the last line is nothing."""
        from pyvisa.constants import StatusCode

        session = self._session
        count = self._wait_for_bytes(command, patience, so_far, due)
        quiet = (StatusCode.success_device_not_present, StatusCode.success_max_count_read)
        with session.ignore_warning(*quiet):
            data, status = session.visalib.read(session.session, count)
        patience.heard(len(data))
        if not so_far and not due:
            data = data.lstrip(b"\r")
        ends = {StatusCode.success, StatusCode.success_termination_character_read}
        return bytes(data), self._ends and status in ends

    def _wait_for_bytes(self, command: str, patience: Patience, so_far: bytearray, due: int) -> int:
        """Wait until a read cannot block; return how many bytes it may ask for."""
        while (left := patience.left_s()) > 0:
            if self._ends:
                self._session.timeout = max(1, int(left * 1000))
            if self._wire is not None:
                if not select.select([self._wire], [], [], min(_SLICE_S, left))[0]:
                    continue
                waiting = len(self._wire.recv(_CHUNK, socket.MSG_PEEK))
                if not waiting:
                    raise self._closed(command, so_far)
                return _CHUNK if self._ends else waiting
            if self._ends:  # GPIB, USB: a read given up half-way confuses them, so one wait of the whole time
                return _CHUNK
            waiting = int(getattr(self._session, "bytes_in_buffer", 1))
            if waiting:
                return waiting
            time.sleep(min(0.005, left))
        self._log("<", bytes(so_far))
        what = f"{len(so_far)} of {due} bytes came" if due else f"{len(so_far)} bytes came, no end of line"
        msg = f"{self.resource}: sent {command!r}, no answer within {self.timeout_s:g} s ({what})"
        raise LinkTimeoutError(msg, resource=self.resource, command=command, answer=bytes(so_far[:2000]))

    def _closed(self, command: str, so_far: bytes | bytearray) -> LinkError:
        msg = f"{self.resource}: {command!r}: the instrument closed the connection ({len(so_far)} bytes had come)"
        return LinkError(msg, resource=self.resource, command=command)

    def _irregular(self, command: str, got: bytearray, why: str) -> InstrumentError:
        shown = bytes(got[:40])
        msg = f"{self.resource}: sent {command!r}, {why}; it began with {shown!r}"
        return InstrumentError(msg, resource=self.resource, sent=command, answer=bytes(got[:2000]))

    def _log(self, direction: str, data: bytes) -> None:
        if self._transcript is None:
            return
        try:
            self._transcript(direction, shortened(direction, data))
        except Exception:
            if self.log_must_work:
                raise


def _is_identification(got: bytes, named: bytes) -> bool:
    """Whether this is one line of text with commas, or the name it gave before (any, where it gave none yet).

    No number at its beginning, as errors and traces have, and neither on nor off.
    """
    line, newline, behind = got.partition(b"\n")
    text = line.decode("latin-1").strip().strip("\"'")
    if not newline or behind not in {b"", b"\r"} or not text.isascii() or not text.isprintable():
        return False
    with contextlib.suppress(ValueError):
        float(text.partition(",")[0])
        return False
    return "," in text or (text.upper() not in {"", "ON", "OFF"} and named.strip() in {b"", line.strip()})
