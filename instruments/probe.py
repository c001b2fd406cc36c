"""Learns a dialect by asking the instrument: what it understands is kept, proven by reading back and by value.

The generator is turned off before anything else and switched on last of all, only after somebody confirmed
a thru, at its lowest level. Nothing is sent that tests, calibrates, saves, recalls or touches memory, network or
preamplifier; the attenuator never goes below 10 dB, the generator's level never above the stated maximum.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from instruments import dialects
from instruments.dialects import Dialect
from instruments.link import Link
from instruments.probing import averaging, ending, generator, settings, traces, values
from instruments.probing.conversation import Conversation, error_code
from instruments.probing.knobs import Knob
from instruments.probing.learnt import Learnt
from instruments.probing.settings import AXIS, LEAST_ATTENUATION_DB, NOISE_RBW_HZ, POINTS
from instruments.probing.spellings import LONG, SHORT
from instruments.probing.values import Sweeper
from instruments.probing.writing import dialect_text
from instruments.proving import why_not
from sequencer.core.trace import FloatArray
from sequencer.errors import InstrumentError, NotchbookError
from sequencer.ports import Clock

__all__ = ["Probed", "probe"]

_RESET_S = 20.0  # a reset of an old analyzer takes seconds [common practice, no source]
_SHORT_SWEEP_S = 0.05
_LATE_S = 5.0  # beyond the stated time of a sweep, as in a run (trade notes 6.8)


@dataclass(frozen=True, slots=True)
class Probed:
    """What a probe came to: the dialect, its text, and remarks for people."""

    dialect: Dialect
    text: str
    notes: tuple[str, ...]


def probe(
    link: Link,
    clock: Clock,
    *,
    maximum_dbm: float,
    confirm: Callable[[], bool] = lambda: False,
    say: Callable[[str], None] = lambda _: None,
    patience_s: float = 0.5,
    within_s: float = 900.0,
    sweep_s: float = 0.4,
) -> Probed:
    """Learn how the instrument on ``link`` is spoken to.

    Parameters
    ----------
    maximum_dbm : the generator's level is never set higher.
    confirm : asked when the generator's turn comes: is the thru in place, and may it be switched on?
    say : told what is being looked for.
    patience_s : silence after which a question counts as unknown.
    within_s : time for everything together.
    sweep_s : length of the sweeps that prove how their end is seen.

    Raises
    ------
    InstrumentError
        When something a sweep needs was not found: ``facts["text"]`` is what was learnt, to be completed by hand.
    LinkError
        When it cannot be reached, or not again.
    """
    usual = link.timeout_s
    link.timeout_s = max(2.0, 4.0 * patience_s)
    talk = Conversation(link, patience_s=patience_s, within_s=within_s, say=say)
    asking = _Asking(talk, Learnt(), maximum_dbm, sweep_s)
    try:
        asking.everything(confirm)
    except NotchbookError as exc:
        exc.facts.setdefault("text", dialect_text(asking.learnt))
        raise
    finally:
        link.timeout_s = usual
    return _checked(link, clock, asking.learnt)


def _checked(link: Link, clock: Clock, learnt: Learnt) -> Probed:
    text = dialect_text(learnt)
    if lost := learnt.missing():
        unsought = learnt.unsought()
        msg = f"{link.resource}: no spelling was found for: {', '.join(one for one in lost if one not in unsought)}"
        msg += f"; and so could not be looked for: {', '.join(unsought)}" if unsought else ""
        if learnt.not_single:
            msg += (
                ". The detectors are there, but noise scatters too little for single sweeps: averaging of its own, or "
                "a hold, is probably on in a spelling that is not known here. Switch it off at the front panel and "
                'probe again; if a reset brings it back, write its command under begin, as "... AVER OFF" or '
                '"... MODE WRIT"'
            )
        msg += ". What was learnt can be completed by hand from the instrument's manual"
        raise InstrumentError(msg, resource=link.resource, missing=tuple(lost), text=text)
    dialect = dialects.parse(text, "probed dialect")
    if why := why_not(link, dialect, clock):
        msg = f"{link.resource}: what was learnt did not hold when it was used: {why}"
        raise InstrumentError(msg, resource=link.resource, text=text)
    return Probed(dialect, text, tuple(learnt.notes))


class _Asking:
    """The order of the questions: what later ones need comes first."""

    def __init__(self, talk: Conversation, learnt: Learnt, maximum_dbm: float, sweep_s: float) -> None:
        self.talk = talk
        self.learnt = learnt
        self._maximum_dbm = maximum_dbm
        self._sweep_s = sweep_s
        self._longest_s = _SHORT_SWEEP_S  # of the sweeps in hand
        self._single = self._free_run = ""  # commands: sweep by yourself, and not
        self._sweeper = Sweeper(talk, learnt, self._take)

    def everything(self, confirm: Callable[[], bool]) -> None:
        talk, learnt = self.talk, self.learnt
        talk.say("who it is, and how it complains")
        generator.off_blindly(talk)
        self._who()
        self._errors()
        self._style()
        any(talk.learn_switch_words(header) for header in talk.headers("continuous"))
        talk.say("the generator's switch; off")
        if not generator.find_switch(talk, learnt):
            learnt.notes.append("no switch of a tracking generator was found: perhaps none is fitted")
            return
        generator.turned_off(talk, learnt)
        self._reset()
        talk.say("frequency, points, filters, sweep time, attenuator, reference level")
        settings.learn_all(self._sweeper)
        talk.say("averaging of its own; off, and of power")
        learnt.averaging = averaging.learn(talk)
        learnt.begin += filter(None, [learnt.averaging.writes])
        if not learnt.averaging.ask:
            learnt.notes.append(
                "no switch of averaging of its own was found; if it has one, write it under averaging, or keep it off"
            )
        if all(name in learnt.settings for name in AXIS):
            talk.say("the trace, and how a single sweep is taken")
            if self._sweeping():
                talk.say("detectors, display, coupling, by their values")
                self._by_value()
        talk.say("the generator's level")
        generator.learn_level(talk, learnt, self._maximum_dbm)
        if learnt.missing():
            return
        self._generator_on(confirm)
        learnt.answers_within_s = max(learnt.answers_within_s, 3.0 * max(talk.slowest_s, talk.slowest_trace_s))

    # --- first acquaintance -----------------------------------------------------------------------------

    def _who(self) -> None:
        link, heard, odd = self.talk.link, list[str](), ""
        for _attempt in range(3):
            if link.dead:
                link.reopen()
            try:
                answer = link.query_or_silence("*IDN?", max(2.0, 4.0 * self.talk.patience_s))
            except NotchbookError as exc:
                odd = f". {exc.message}" if isinstance(exc, InstrumentError) else odd
                continue
            if answer:
                again = link.query_or_silence("*IDN?", 2.0)  # an answer to something sent before would differ
                if again == answer:
                    self.learnt.identification = self.talk.identification = answer
                    return
                heard += [text for text in (answer, again) if text and text not in heard]
            link.reopen()
        if heard:
            told = ", ".join(repr(text[:60]) for text in heard)
            msg = (
                f"{link.resource}: it answers, but never twice alike to *IDN?: {told}. "
                f"A port that greets or prompts is for people; programs have another one, a raw socket"
            )
            raise InstrumentError(msg, resource=link.resource)
        msg = (
            f"{link.resource}: no answer to *IDN? that could be read. Is it the right address, is remote control "
            f"switched on, is another program connected? A raw socket often needs another port number than a browser "
            f"does{odd}"
        )
        raise InstrumentError(msg, resource=link.resource)

    def _errors(self) -> None:
        """Find out how errors are told, by an error made on purpose."""
        talk = self.talk
        for header in talk.headers("error queue"):
            ask = f"{header}?"
            answer = talk.ask(ask)
            if answer is None or error_code(answer, ask) is None:
                continue
            talk.errors_ask = ask
            if self._made_error_shows():
                self.learnt.errors = ask
                return
            talk.errors_ask = ""
        if talk.number("*ESR?") is not None:
            talk.errors_ask = "*ESR?"
            if self._made_error_shows():
                self.learnt.errors = "*ESR?"
                return
            talk.errors_ask = ""
        self.learnt.notes.append("errors cannot be asked for: what works was told by read-back alone")

    def _made_error_shows(self) -> bool:
        self.talk.complaints()
        return not self.talk.order("NOTCHBOOK:NOSUCH 1") and not self.talk.complaints()

    def _style(self) -> None:
        """Find out whether short forms are understood."""
        talk = self.talk
        short = ((SHORT, "FREQ:STAR?"), (SHORT, "SENS:FREQ:STAR?"))
        for style, ask in (*short, (LONG, "FREQUENCY:START?"), (LONG, "SENSE:FREQUENCY:START?")):
            if talk.number(ask) is not None:
                # Who knows the short form knows the long one, too, so that needs no trying.
                talk.styles = (SHORT,) if style == SHORT else (LONG, SHORT)
                return

    def _reset(self) -> None:
        """Reset if it can be, and prepare what every session begins with."""
        talk, learnt = self.talk, self.learnt
        began = time.monotonic()
        talk.deaf_s = _RESET_S
        if talk.order("*RST"):
            talk.ask("*IDN?", _RESET_S)
            learnt.begin = [learnt.off, "*RST", learnt.off]
            learnt.answers_within_s = max(learnt.answers_within_s, 2.0 * (time.monotonic() - began))
        else:
            learnt.begin = [learnt.off]
        talk.deaf_s = 0.0
        generator.turned_off(talk, learnt)
        if talk.order("*CLS"):
            learnt.begin.append("*CLS")
        self._continuous(on=False)

    def _continuous(self, *, on: bool) -> None:
        """Switch sweeping by itself on or off; the way to do it is found when it is first switched off."""
        talk, learnt = self.talk, self.learnt
        if on:
            if self._free_run:
                talk.order(self._free_run)
            return
        if self._single:
            talk.order(self._single)
            return
        for header in talk.headers("continuous"):
            if command := talk.switch(header, on=False):
                self._single = command
                self._free_run = f"{header} {'ON' if command.endswith('F') else '1'}"
                break
        else:
            for header in talk.headers("sweep mode"):
                if talk.ask(f"{header}?") is not None and talk.order(f"{header} {talk.mnemonic('SINGle')}"):
                    self._single = f"{header} {talk.mnemonic('SINGle')}"
                    self._free_run = f"{header} {talk.mnemonic('CONTinuous')}"
                    break
        if self._single:
            learnt.begin.append(self._single)
        else:
            learnt.notes.append(
                "how sweeping by itself is switched off was not found; if it does, write it under begin: INIT:CONT OFF"
            )
        for family in talk.families("switched off"):  # would change the trace
            on_off = next((header for header in family if talk.boolean(f"{header}?") is not None), "")
            if on_off and (command := talk.switch(on_off, on=False)):
                learnt.begin.append(command)

    # --- sweeping ---------------------------------------------------------------------------------------------

    def _patience_s(self) -> float:
        """How long a trace may take that is there, or free running."""
        talk = self.talk
        return max(2.0 * talk.patience_s, 4.0 * talk.slowest_s, 2.0 * talk.slowest_trace_s) + 3.0 * self._longest_s

    def _read(self) -> FloatArray | None:
        form = self.learnt.trace
        return None if form is None else traces.read(self.talk, form, self._patience_s())

    def _quiet(self, sweep_time_s: float) -> None:
        """Set up a fast sweep of plain noise."""
        self._sweeper.set(start=100e6, stop=200e6, points=POINTS, rbw=NOISE_RBW_HZ, attenuation=LEAST_ATTENUATION_DB)
        self._sweeper.couple()
        self._sweeper.set(sweep_time=sweep_time_s)
        self._longest_s = sweep_time_s

    def _points(self) -> int | None:
        knob = self.learnt.settings.get("points")
        number = self.talk.number(knob.ask) if knob is not None and knob.ask else None
        return None if number is None else int(number)

    def _sweeping(self) -> bool:
        talk, learnt = self.talk, self.learnt
        self._quiet(_SHORT_SWEEP_S)
        self._sweeper.set(reference=-50.0)
        self._continuous(on=True)
        time.sleep(3.0 * _SHORT_SWEEP_S)
        learnt.trace = traces.find_query(talk, self._points(), self._patience_s())
        if learnt.trace is None and traces.ask_for_text(talk):  # it came in a form nobody here knows
            learnt.trace = traces.find_query(talk, self._points(), self._patience_s())
        self._continuous(on=False)
        if learnt.trace is None:
            learnt.notes += talk.odd
            return False
        if "points" not in learnt.settings:
            raw = self._read()
            if raw is not None:
                learnt.settings["points"] = Knob("", limits=(float(raw.size), float(raw.size)))
        learnt.initiate = ending.find_initiate(
            talk, self._read, _SHORT_SWEEP_S, ending.longest_s(_SHORT_SWEEP_S, self._sweep_s)
        )
        if not learnt.initiate:
            return False
        if not values.show_noise(self._sweeper):
            learnt.notes.append("its noise never showed on the display; the end of a sweep could not be proven well")
        self._take()
        learnt.trace = traces.choose_form(talk, learnt.trace, self._points(), self._patience_s())
        learnt.begin += learnt.trace.begin
        learnt.abort = ending.find_abort(talk, learnt.initiate)
        self._quiet(self._sweep_s)
        end = ending.learn_ending(talk, learnt.initiate, self._read, self._sweep_s, one_message=learnt.one_message)
        learnt.completion, learnt.settling_s = end.completion, round(min(end.more_s, 5.0) + 0.005, 2)
        learnt.notes.append(end.note)
        return True

    def _take(self) -> FloatArray | None:
        """Take one sweep as far as is known how."""
        learnt = self.learnt
        knob = learnt.settings.get("sweep time")
        expected_s = (self.talk.number(knob.ask) if knob else None) or self._sweep_s
        if learnt.completion is None:
            self.talk.order(learnt.initiate)
            time.sleep(ending.longest_s(expected_s, self._sweep_s))
        elif (
            ending.run(
                self.talk,
                learnt.completion,
                learnt.initiate,
                expected_s,
                one_message=learnt.one_message,
                late_s=_LATE_S,
            )
            is None
        ):
            return None
        return self._read()

    def _by_value(self) -> None:
        learnt = self.learnt
        self._quiet(_SHORT_SWEEP_S)
        values.learn_detectors(self._sweeper)
        if not learnt.detectors:
            return
        self._calm()
        if "reference" in learnt.settings:
            top = learnt.settings["reference"].limits
            values.learn_display(self._sweeper, min(top[1], 20.0) if top else 0.0)
            self._sweeper.set(reference=-20.0)
        if "sweep time" in learnt.settings:
            values.learn_uncalibrated(self._sweeper, learnt.settings["sweep time"])

    def _calm(self) -> None:
        """Set up a sweep of as little noise as a fifth of a second allows."""
        word = next(iter(self.learnt.detectors.values()))
        self.talk.order(f"{self.learnt.detector_header} {word}")
        self._sweeper.set(start=150e6, stop=150.05e6, rbw=1e3, attenuation=LEAST_ATTENUATION_DB)
        self._sweeper.couple()

    def _generator_on(self, confirm: Callable[[], bool]) -> None:
        learnt = self.learnt
        if not confirm():
            learnt.notes.append(
                "no thru was confirmed: the generator was never switched on, its filters are not proven"
            )
            return
        self.talk.say("the generator, on at its lowest level into the thru")
        self._quiet(_SHORT_SWEEP_S)
        self._sweeper.set(start=140e6, stop=150e6, rbw=3e4, reference=-20.0)
        self._sweeper.couple()
        if why := generator.try_on(self._sweeper):
            learnt.notes.append(f"the generator is not proven: {why}")
