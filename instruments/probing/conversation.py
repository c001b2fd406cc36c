"""Asking an instrument what it may not know: errors, silence and hanging are answers, too.

After an unknown question some instruments leave an entry in an error queue or a bit in a register, some say
nothing, some stop answering on that connection. Each is told apart here, and the last is cured by opening the
connection afresh; all of it within a time that is bounded as a whole.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator

from instruments import scpi
from instruments.errorqueue import ERROR_BITS
from instruments.link import Link
from instruments.probing import spellings
from sequencer.errors import InstrumentError, LinkError, LinkTimeoutError, NotchbookError

__all__ = ["Conversation", "number_in"]

_FORBIDDEN = re.compile(
    r"\*(?:TST|CAL|SAV|RCL|LRN|PSC|DDT|PCB)"
    r"|(?:^|:)(?:CALI?|CALIB\w*|TEST|DIAG\w*|M?MEM\w*|COMM\w*|LAN|GAIN|PRE\w*AMP\w*|PREA\w*)(?:[:? \d]|$)",
    re.IGNORECASE,
)
_RESTART_S = 10.0  # how long an instrument that stopped answering may need to take a new connection
_MOST_ENTRIES = 40
_QUICKLY_S = 0.15  # no instrument is known to be quicker than that to say nothing
_MOST_PATIENT_S = 4.0
_ATTEMPTS = 4  # each twice as patient as the last
_MOST_VAIN = 5  # then what says nothing to a question for a trace does not know it
_TIMES_SLOWEST = 10.0
_SURE_IT_HANGS = 5  # times it answered nothing more after a question
_ACQUAINTED = 8  # answers, after which its pace is known


class Conversation:
    """A link on which anything may be asked.

    Parameters
    ----------
    link : an open link.
    patience_s : longest silence after which a question counts as unknown; shorter once its pace is known.
    within_s : time for everything together.
    say : told what is being done, for people.
    """

    def __init__(
        self,
        link: Link,
        *,
        patience_s: float = 0.5,
        within_s: float = 600.0,
        say: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.link = link
        self._most_patience_s = patience_s
        self._least_patience_s = min(patience_s, _QUICKLY_S)
        self.errors_ask = ""  # how errors are asked for; empty while or where there is no way
        self.styles: tuple[str, ...] = (spellings.SHORT, spellings.LONG)
        self.numbers: dict[str, str] = {}  # nodes that were only understood with a number: SENS -> SENS1
        self.odd: list[str] = []  # answers that were traces, perhaps, but in no form that is known here
        self.identification = ""
        self.switch_words: dict[bool, tuple[str, ...]] = {True: ("ON", "1"), False: ("OFF", "0")}
        self.hangs = self.unstated = False
        self.knows_limits = True  # until MINimum or MAXimum was not understood
        self._late = False
        self._hung = 0
        self.last: list[str] = []  # what the instrument complained of last
        self.slowest_s = self.slowest_trace_s = 0.0
        self._vain = 0  # traces waited for long and in vain, one after the other
        self._answers = 0
        self.say = say
        self.deaf_s = 0.0  # expected time for which nothing may be answered (a sweep that blocks)
        self._until = time.monotonic() + within_s
        self._within_s = within_s

    @property
    def patience_s(self) -> float:
        """Silence after which a question counts as unknown: many times what known ones took to be answered."""
        if self._answers < _ACQUAINTED:
            return max(self._most_patience_s, self._least_patience_s)
        return max(self._least_patience_s, min(_TIMES_SLOWEST * self.slowest_s, self._most_patience_s))

    # --- questions and orders -------------------------------------------------------------------------

    def ask(self, query: str, patience_s: float | None = None) -> str | None:
        """Return the answer, None where the instrument does not know the question."""
        self._check(query)
        silent = 0
        for _attempt in range(_ATTEMPTS):
            answer = self._asked(query, patience_s or self.patience_s)
            if isinstance(answer, str):
                return None if self.complaints() or not answer.strip() else answer
            if answer is None:
                silent += 1
                if self.complaints() or not self.errors_ask or silent > 1:
                    return None
                self._be_more_patient()  # neither an answer nor a complaint: perhaps it is only slow
        return None

    def order(self, command: str) -> bool:
        """Send a setting; False where the instrument complained (True also where it cannot complain)."""
        self._check(command)
        try:
            self._alive_link().write(command)
        except NotchbookError:
            self._recover()
            return False
        return not self.complaints()

    def number(self, query: str) -> float | None:
        """Return the number in an answer, in base units; None where there is no finite one."""
        return number_in(self.ask(query), query)

    def boolean(self, query: str) -> bool | None:
        """Return an on/off answer, None where it is none."""
        answer = self.ask(query)
        try:
            return None if answer is None else scpi.parse_boolean(answer, query)
        except InstrumentError:
            value = number_in(answer, query)
            return None if value not in {0.0, 1.0} else bool(value)

    def switch(self, header: str, *, on: bool) -> str:
        """Turn something on or off and return the command that did it, '' where none was seen to.

        Told as a word or as a digit: some know only one of the two. Where nothing can be asked back, the lack of a
        complaint must do.
        """
        known = self.boolean(f"{header}?")
        if known is None and not self.errors_ask:
            return ""
        for command in (f"{header} {word}" for word in self.switch_words[on]):
            if self.order(command) and (known is None or self.boolean(f"{header}?") is on):
                return command
        return ""

    def learn_switch_words(self, header: str) -> bool:
        """Find out on a harmless switch whether words or digits are understood; False where it cannot be seen.

        A switch that stands at off already, and nothing that complains, would prove nothing.
        """
        was = self.boolean(f"{header}?")
        if was is None:
            return False
        for pair in zip(self.switch_words[False], self.switch_words[True], strict=True):
            self.order(f"{header} {pair[not was]}")
            if self.boolean(f"{header}?") is (not was):
                self.order(f"{header} {pair[was]}")
                self.switch_words = {False: (pair[False],), True: (pair[True],)}
                return True
        return False

    def trace(self, query: str, patience_s: float, size: int | None = None) -> bytes | str | None:
        """Return a raw trace, the payload of a block or text; None where the question is not known.

        ``size``: how many bytes a block holds that does not state it; that one was met tells ``unstated``.
        """
        self._check(query)
        began = time.monotonic()
        raw, slow = self._traced(query, patience_s, size)
        if slow and patience_s < _MOST_PATIENT_S and self._vain < _MOST_VAIN:
            self._vain += 1
            began = time.monotonic()
            raw, _ = self._traced(query, _MOST_PATIENT_S, size)
        if raw is not None:
            self._vain = 0
            self.slowest_trace_s = max(self.slowest_trace_s, time.monotonic() - began)
        return raw

    def _traced(self, query: str, patience_s: float, size: int | None) -> tuple[bytes | str | None, bool]:
        """Return a raw trace, and whether it was perhaps only slow: neither an answer nor a complaint."""
        usual, self.link.timeout_s = self.link.timeout_s, patience_s
        self.unstated = slow = False
        raw: bytes | str | None
        try:
            raw = self._alive_link().query_trace(query, size)
        except NotchbookError as exc:
            raw = None
            self.link.timeout_s = usual
            self.unstated = bool(exc.facts.get("unstated"))
            slow = isinstance(exc, LinkTimeoutError) and not exc.facts.get("answer", b"")
            self._recover()
        finally:
            self.link.timeout_s = usual
        if self.complaints():
            return None, False
        return raw, slow and bool(self.errors_ask)

    def complaints(self) -> list[str]:
        """Return what the instrument complains of, and let it forget that."""
        self.last = self._complaints()
        return self.last

    def _complaints(self) -> list[str]:
        found: list[str] = []
        if not self.errors_ask:
            return found
        while len(found) < _MOST_ENTRIES:
            answer = self._asked(self.errors_ask, max(self.patience_s, 1.0) + self.deaf_s)
            if not isinstance(answer, str):
                return [*found, "no answer"]
            code = error_code(answer, self.errors_ask)
            if code is None:
                return [*found, f"answered {answer[:40]!r}"]
            if code == 0:
                return found
            found.append(answer)
            if self.errors_ask == "*ESR?":
                return found
            if len(found) > 3 and found[-1] == found[-2] == found[-3]:  # kept until it is cleared
                self._alive_link().write("*CLS")
        msg = f"{self.link.resource}: the error queue does not become empty ({found[-1]})"
        raise InstrumentError(msg, resource=self.link.resource)

    def allow(self, seconds: float) -> None:
        """Let questions be asked for so long, whatever the time: to turn off what was turned on."""
        self._until = max(self._until, time.monotonic() + seconds)

    # --- finding ----------------------------------------------------------------------------------------

    def headers(self, function: str) -> Iterator[str]:
        """Yield every header to try: the form of words, and the numbers, known to be understood first."""
        yield from dict.fromkeys(self._headers(function))

    def _headers(self, function: str) -> Iterator[str]:
        plain = [header for style in self.styles for header in spellings.headers(function, style)]
        if self.numbers:
            yield from (spellings.renumbered(header, self.numbers) for header in plain)
        yield from plain
        if self.numbers:
            for style in self.styles:
                yield from spellings.numbered(function, style, self.numbers)

    def families(self, function: str) -> Iterator[tuple[str, ...]]:
        """Yield the headers of each thing listed for a function, with the numbers known to be wanted first."""
        for family in spellings.families(function, self.styles[0]):
            yield tuple(dict.fromkeys((*(spellings.renumbered(header, self.numbers) for header in family), *family)))

    def understood(self, header: str) -> None:
        """Note the numbers in a header that was taken: it was tried without them before."""
        self.numbers |= spellings.numbers_of(header.removesuffix("?"))

    def mnemonic(self, word: str) -> str:
        """Return a word in the form this instrument understands."""
        return spellings.word_forms(word, self.styles[0])

    # --- staying in touch -------------------------------------------------------------------------------

    def _asked(self, query: str, patience_s: float) -> str | bool | None:
        """Return the answer; None for silence; False where it must be asked again (something late came)."""
        began = time.monotonic()
        try:
            answer = self._alive_link().query_or_silence(query, patience_s)
        except NotchbookError:  # half an answer, bytes nobody asked for, a closed connection
            self._be_more_patient()
            self._recover()
            return False
        if answer is None:
            if self._hung >= _SURE_IT_HANGS and self._answers >= _ACQUAINTED:  # no need to wait for more silence
                self._recover()
                return None
            if self._still_there():
                return None
            if self._late:
                self._be_more_patient()
                self._recover()
                return False
            self.hangs = True
            self._hung += 1
            self._recover()
            return None
        self._answers += 1
        if not self.deaf_s:
            self.slowest_s = max(self.slowest_s, time.monotonic() - began)
        return answer

    def _be_more_patient(self) -> None:
        self._least_patience_s = min(2.0 * max(self._least_patience_s, self.patience_s), _MOST_PATIENT_S)

    def _still_there(self) -> bool:
        """Whether a question that is known to be understood is still answered, and by its own answer."""
        self._late = False
        if not self.identification:
            return True
        try:
            answer = self.link.query_or_silence("*IDN?", 2.0 * self.patience_s + self.deaf_s)
        except NotchbookError as exc:
            self._late = isinstance(exc, InstrumentError)  # bytes that nobody asks for any more
            return False
        self._late = answer is not None and answer != self.identification  # the answer to what was asked before
        return answer == self.identification

    def _alive_link(self) -> Link:
        if time.monotonic() > self._until:
            msg = (
                f"{self.link.resource}: not learnt within {self._within_s:g} s; it answers too slowly for so many "
                f"questions. Give it more time, with --within, or write a dialect by hand, from the transcript and its "
                f"manual"
            )
            raise InstrumentError(msg, resource=self.link.resource, slow=True)
        if self.link.dead:
            self._recover()
        return self.link

    def _recover(self) -> None:
        """Open the connection afresh, until the instrument says who it is again."""
        if time.monotonic() > self._until:
            self._until = 0.0
            self._alive_or_raise()
        ends = time.monotonic() + _RESTART_S
        while True:
            try:
                self.link.reopen(within_s=2.0)
                if self._still_there() and self.link.dead == "":
                    return
            except LinkError:
                time.sleep(0.2)
            if time.monotonic() > ends:
                msg = f"{self.link.resource}: it stopped answering, even on a new connection; switch it off and on"
                raise LinkError(msg, resource=self.link.resource)

    def _alive_or_raise(self) -> None:
        msg = f"{self.link.resource}: not learnt within {self._within_s:g} s"
        raise InstrumentError(msg, resource=self.link.resource, slow=True)

    def _check(self, command: str) -> None:
        """Refuse what a probe must never send, whoever wrote it."""
        if _FORBIDDEN.search(command):
            msg = f"the probe must never send {command!r}"
            raise InstrumentError(msg, command=command)


def number_in(answer: str | None, query: str) -> float | None:
    """Return the finite number an answer holds in base units, None where there is none."""
    if answer is None:
        return None
    try:
        return scpi.parse_number(answer.strip().strip("\"'"), query, finite=True)
    except InstrumentError:
        return None


def error_code(answer: str, query: str) -> int | None:
    """Return the code of an error queue entry, or the error bits of a status answer; None for nonsense."""
    try:
        if query == "*ESR?":
            return scpi.parse_integer(answer, query, 0, 255) & ERROR_BITS
        return scpi.parse_error_entry(answer, query)[0]
    except InstrumentError:
        return 0 if "NO ERROR" in answer.upper() else None
