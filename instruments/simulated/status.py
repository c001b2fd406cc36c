"""Status reporting of IEEE 488.2 ch. 11 and SCPI-99 Vol. 1 ch. 9: registers, their summaries, the error queue."""

from __future__ import annotations

from collections import deque

from instruments.simulated.syntax import ScpiError

__all__ = ["ESR_OPC", "ESR_PON", "Register", "Status", "esr_weight"]

ESR_OPC, ESR_QUERY, ESR_DEVICE, ESR_EXECUTION, ESR_COMMAND, ESR_PON = 1, 4, 8, 16, 32, 128
STB_ERRORS, STB_QUESTIONABLE, STB_MAV, STB_ESB, STB_MSS, STB_OPERATION = 4, 8, 16, 32, 64, 128


def esr_weight(number: int) -> int:
    """Weight of the standard event bit an error number raises (SCPI-1999 Vol. 2, 21.8)."""
    for class_, weight in ((-100, ESR_COMMAND), (-200, ESR_EXECUTION), (-300, ESR_DEVICE), (-400, ESR_QUERY)):
        if class_ - 99 <= number <= class_:
            return weight
    return ESR_DEVICE if number > 0 else 0


class Register:
    """Condition, event and enable; events latch on rising conditions until they are read."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0

    def set(self, condition: int) -> None:
        """Put a new condition."""
        self.event |= condition & ~self.condition
        self.condition = condition

    def read_event(self) -> int:
        """Return the event register and clear it."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """Whether an enabled event stands."""
        return bool(self.event & self.enable)


class Status:
    """All of one instrument's status."""

    def __init__(self, queue_length: int, entries: str = "plain") -> None:
        self._entries = entries
        self.esr = ESR_PON
        self.ese = 0
        self.sre = 0
        self.complete_later = False  # *OPC waits for an overlapped command to end
        self.operation = Register()
        self.questionable = Register()
        self._errors: deque[ScpiError] = deque()
        self._queue_length = queue_length

    def error(self, error: ScpiError) -> None:
        """Queue an error; a full queue loses it and says so in its last place."""
        self.esr |= esr_weight(error.number)
        if len(self._errors) < self._queue_length:
            self._errors.append(error)
        elif self._errors:
            self._errors[-1] = ScpiError(-350)
            self.esr |= esr_weight(-350)

    def next_error(self) -> str:
        """Oldest entry first; '0,"No error"' when there is none."""
        entry = (self._errors.popleft() if self._errors else ScpiError(0)).entry()
        number, _, text = entry.partition(",")
        if self._entries == "signed":
            return f"{int(number):+d},{text}"
        if self._entries == "unquoted":
            return f"{number}, {text[1:-1]}"
        if self._entries == "upper":
            return entry.upper()
        return number if self._entries == "number" else entry

    def read_esr(self) -> int:
        """Return the standard event status register and clear it."""
        esr, self.esr = self.esr, 0
        return esr

    def operation_over(self) -> None:
        """Set the operation complete bit if *OPC has asked for it."""
        if self.complete_later:
            self.complete_later = False
            self.esr |= ESR_OPC

    def clear(self) -> None:
        """*CLS: events and errors go, enables stay; a waiting *OPC is forgotten."""
        self.esr = 0
        self.complete_later = False
        self.operation.event = self.questionable.event = 0
        self._errors.clear()

    def preset(self) -> None:
        """STATus:PRESet."""
        self.operation.enable = self.questionable.enable = 0

    def stb(self, *, message_available: bool) -> int:
        """Status byte as *STB? tells it; reading clears nothing."""
        stb = STB_ERRORS * bool(self._errors) + STB_QUESTIONABLE * self.questionable.summary
        stb += STB_MAV * message_available + STB_ESB * bool(self.esr & self.ese)
        stb += STB_OPERATION * self.operation.summary
        return stb + STB_MSS * bool(stb & self.sre)
