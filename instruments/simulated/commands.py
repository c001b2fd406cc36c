"""The message exchange of IEEE 488.2: program messages in, response messages out, common commands on the way."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol, TypeVar

from instruments.simulated.manners import Manners
from instruments.simulated.parameters import read_number
from instruments.simulated.status import ESR_OPC, Register, Status
from instruments.simulated.syntax import ScpiError, Tree, Unit, split_message

__all__ = ["Command", "Exchange", "Instrument", "event", "query_only", "setting", "status_commands"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Command:
    """What a header does. Each gets the parameters as text; None where that form does not exist."""

    set: Callable[[tuple[str, ...]], None] | None = None
    query: Callable[[tuple[str, ...]], str | bytes] | None = None
    most: int = 1  # parameters the setting form takes
    query_most: int = 0
    least: int = 1
    query_least: int = 0


def setting(
    read: Callable[[str], T],
    put: Callable[[T], None],
    tell: Callable[[], str],
    *,
    limits: Callable[[str], str] | None = None,
) -> Command:
    """Return a command with one parameter that can be asked back; ``limits`` answers MIN, MAX and DEF."""

    def ask(parameters: tuple[str, ...]) -> str:
        return limits(parameters[0]) if parameters and limits is not None else tell()

    return Command(set=lambda p: put(read(p[0])), query=ask, query_most=1 if limits is not None else 0)


def event(do: Callable[[], None]) -> Command:
    """Return a command without parameter and without query."""
    return Command(set=lambda _: do(), most=0, least=0)


def query_only(tell: Callable[[], str | bytes]) -> Command:
    """Return a query without parameter."""
    return Command(query=lambda _: tell())


class Instrument(Protocol):
    """What the exchange needs of an instrument."""

    status: Status
    tree: Tree[Command]
    terminator: bytes
    manners: Manners

    def identification(self) -> str:
        """Answer to *IDN?."""
        ...

    def reset(self) -> None:
        """*RST."""
        ...

    def busy(self) -> bool:
        """Whether an overlapped command is still at work."""
        ...

    def spend_command(self) -> None:
        """Take the time of one command."""
        ...


def status_commands(status: Status) -> dict[str, Command]:
    """Commands every SCPI instrument has (Vol. 1 4.2.1), but *xxx."""

    def register(name: str, which: Register) -> dict[str, Command]:
        def enable(value: float) -> None:
            which.enable = int(value) & 0x7FFF  # bit 15 is taken and stays zero (SCPI-99 Vol. 2 ch. 20, from memory)

        return {
            f"STATus:{name}[:EVENt]?": query_only(lambda: str(which.read_event())),
            f"STATus:{name}:CONDition?": query_only(lambda: str(which.condition)),
            f"STATus:{name}:ENABle": setting(
                lambda text: read_number(text, "", least=0, most=65535), enable, lambda: str(which.enable)
            ),
        }

    return {
        "SYSTem:ERRor[:NEXT]?": query_only(status.next_error),
        "SYSTem:VERSion?": query_only(lambda: "1999.0"),
        "STATus:PRESet": event(status.preset),
        **register("OPERation", status.operation),
        **register("QUEStionable", status.questionable),
    }


@dataclass(frozen=True, slots=True)
class _Prepared:
    """One unit of a message and what it names, looked up once; ``wrong``: what is said of it where it names nothing."""

    unit: Unit | None
    name: str
    command: Command | None
    wrong: tuple[int, str] | None
    waits: bool


_MOST_PREPARED = 1000  # messages an exchange remembers: a program sends a few dozen, over and over


class Exchange:
    """One controller's conversation with an instrument.

    ``write`` is a generator: it yields where the instrument must first finish an overlapped command (*OPC?, *WAI),
    and goes on when resumed.
    """

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self._responses: list[bytes] = []
        self._commons = self._common_commands()
        self._prepared: dict[str, tuple[_Prepared, ...]] = {}
        self._indefinite = False  # whether this message asked for *IDN?, whose answer has no end but the message's
        self._hung = False  # an instrument that chokes on unknown queries answers nothing more on this connection

    def write(self, message: str) -> Iterator[None]:
        """Execute one program message, its terminator already taken off."""
        status = self._instrument.status
        if self._hung:
            return
        if self._responses:  # a new message while an answer waits to be read
            self._responses.clear()
            status.error(ScpiError(-410))
        self._indefinite = False
        if self._instrument.manners.refuses_compound and ";" in message:
            status.error(ScpiError(-102, message[:40]))
            return
        for prepared in self._prepare(message):
            while self._instrument.manners.blocks and self._instrument.busy():
                yield
            if prepared.unit is None:  # no unit at all: what stands before a mistake is still done
                status.error(_error(prepared.wrong))
                return
            self._instrument.spend_command()
            while prepared.waits and self._instrument.busy():
                yield
            try:
                self._execute(prepared)
            except ScpiError as error:
                status.error(error)
                self._hung |= prepared.unit.query and error.number == -113 and self._instrument.manners.hangs
                if -199 <= error.number <= -100:
                    return  # after a command error nobody knows what the rest was meant to follow

    @property
    def query_delay_s(self) -> float:
        """Time from a query to its answer."""
        return self._instrument.manners.query_delay_s

    def read(self) -> bytes:
        """Return the response message with its terminator; nothing, and -420, when there is none."""
        if not self._responses:
            self._instrument.status.error(ScpiError(-420))
            return b""
        return self.take()

    def take(self) -> bytes:
        """Return the response message if there is one: what a socket sends unasked."""
        if not self._responses or self._hung:
            return b""
        whole = b";".join(self._responses) + self._instrument.terminator
        self._responses.clear()
        return whole

    def _prepare(self, message: str) -> tuple[_Prepared, ...]:
        """Return the units of a message with the commands they name; the path holds even where a command then fails."""
        if message in self._prepared:
            return self._prepared[message]
        found: list[_Prepared] = []
        path: tuple[str, ...] = ()
        try:
            for unit in split_message(message):
                header = unit.header.upper()
                waits = header == "*WAI" or (
                    header == "*OPC" and unit.query and self._instrument.manners.opc == "normal"
                )
                name, command, wrong = unit.header + "?" * unit.query, None, None
                try:
                    if unit.header.startswith("*"):
                        command = self._common(header)
                    else:
                        command, path = self._instrument.tree.find(unit.header, path)
                except ScpiError as error:
                    wrong = (error.number, error.detail)
                found.append(_Prepared(unit, name, command, wrong, waits))
        except ScpiError as error:
            found.append(_Prepared(None, "", None, (error.number, error.detail), waits=False))
        if len(self._prepared) >= _MOST_PREPARED:
            self._prepared.clear()
        self._prepared[message] = tuple(found)
        return self._prepared[message]

    def _execute(self, prepared: _Prepared) -> None:
        unit, name, command = prepared.unit, prepared.name, prepared.command
        if unit is None or command is None:
            raise _error(prepared.wrong)
        form = command.query if unit.query else command.set
        if form is None:
            raise ScpiError(-113, name)
        least, most = (command.query_least, command.query_most) if unit.query else (command.least, command.most)
        if len(unit.parameters) > most:
            raise ScpiError(-108, f"{name} {unit.parameters[most]}")
        if len(unit.parameters) < least:
            raise ScpiError(-109, name)
        if unit.query and self._indefinite:
            raise ScpiError(-440, name)
        self._indefinite |= name.upper() == "*IDN?"
        answer = form(unit.parameters)
        if answer is not None:
            manners = self._instrument.manners
            data = answer if isinstance(answer, bytes) else answer.encode("ascii")
            data = data.lower() if manners.lower_case and isinstance(answer, str) else data
            echo = unit.header.upper().encode("ascii") + b" " if manners.echo else b""
            self._responses.append((echo.lower() if manners.lower_case else echo) + data)

    def _common(self, header: str) -> Command:
        if header not in self._commons or header in self._instrument.manners.lacks:
            raise ScpiError(-113, header)
        return self._commons[header]

    def _common_commands(self) -> dict[str, Command]:
        instrument, status = self._instrument, self._instrument.status

        def complete() -> None:
            if instrument.manners.opc == "never":
                return
            if instrument.busy() and instrument.manners.opc == "normal":
                status.complete_later = True
            else:
                status.esr |= ESR_OPC

        def reset() -> None:
            status.complete_later = False
            instrument.reset()

        def byte(name: str, bits: int = 0xFF) -> Command:
            def put(value: float) -> None:
                setattr(status, name, round(value) & bits)

            return setting(_decimal_byte, put, lambda: str(getattr(status, name)))

        return {
            "*CLS": event(status.clear),
            "*ESE": byte("ese"),
            "*ESR": query_only(lambda: str(status.read_esr())),
            "*IDN": query_only(instrument.identification),
            "*OPC": Command(set=lambda _: complete(), query=lambda _: "1", most=0, least=0),
            "*RST": event(reset),
            "*SRE": byte("sre", 0xBF),  # bit 6 is the summary itself and is not enabled (488.2 11.3.2.3, from memory)
            "*STB": query_only(lambda: str(status.stb(message_available=bool(self._responses)))),
            "*TST": query_only(lambda: "0"),
            "*WAI": event(lambda: None),
        }


def _error(wrong: tuple[int, str] | None) -> ScpiError:
    return ScpiError(*(wrong or (-102, "")))


def _decimal_byte(text: str) -> float:
    """Common commands take numbers, none by name (IEEE 488.2 10.10, from memory)."""
    if text[:1].isalpha():
        raise ScpiError(-148, text)
    return read_number(text, "", least=0, most=255)
