"""A spectrum analyzer with tracking generator over a link and a dialect: limits, single sweeps, make safe.

Sweeps are started with `*OPC` and polled, never waited for inside the instrument, so that abort and
output-off can always be sent. Settings are proven by reading them back; the error queue is read after
them and after the sweep, and anything in it is an error.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

from instruments import dialects, errorqueue, scpi
from instruments.dialects import Dialect
from instruments.frontpanel import LONGEST_SWEEP_S, FrontPanel, refuse_long
from instruments.link import Link, Transcript
from instruments.traces import read_trace
from instruments.waiting import run_to_end
from sequencer.core.capability import Capabilities
from sequencer.core.normalise import differing
from sequencer.core.trace import Flag, Sweep, SweepSettings, Trace
from sequencer.errors import BenchError, InstrumentError, LinkTimeoutError
from sequencer.ports import Clock
from sequencer.recipe.model import AnalyzerFile

__all__ = ["LONGEST_SWEEP_S", "ScpiAnalyzer", "open_analyzer"]

_TRACKING_LIMIT_S = 60.0  # a peaking routine takes seconds [common practice, no source]
_SAFE_WITHIN_S = 1.0
_ESR = "*ESR?"
_STALE = (
    -230
)  # "data corrupt or stale", where a trace is asked of a sweep that never was: SCPI-99 Vol. 2 21.8, from memory


def open_analyzer(spec: AnalyzerFile, clock: Clock, transcript: Transcript | None = None) -> ScpiAnalyzer:
    """Open the analyzer of a bench file; the first command turns its generator off.

    Raises
    ------
    LinkError, InstrumentError
        When it cannot be reached or does not answer as its dialect says.
    RecipeError
        When the dialect is not known.
    """
    known = dialects.of_bench(spec)
    link = Link.open(spec.resource, spec.visa, transcript, baud=spec.baud)
    try:
        return ScpiAnalyzer(link, known or dialects.choose(link), clock)
    except BaseException:
        link.close()
        raise


class ScpiAnalyzer:
    """Implements `sequencer.ports.Analyzer`.

    Parameters
    ----------
    link : an open link.
    dialect : how this analyzer is spoken to.
    clock : says when a sweep began.
    pause : waits between polls; the instrument's own time, so never the bench's clock.
    """

    def __init__(self, link: Link, dialect: Dialect, clock: Clock, pause: Callable[[float], None] = time.sleep) -> None:
        self._link = link
        self._dialect = dialect
        self._clock = clock
        self._pause = pause
        self._front = FrontPanel(link, dialect)
        self._busy_until = 0.0  # time.monotonic() of the expected end of the running sweep
        self._begun = self._closed = self._switched_on = False
        self._lost_power = False  # the instrument said so in the middle of a sweep: told at the next session
        link.timeout_s = max(link.timeout_s, dialect.answers_within_s)
        self._who()

    def identification(self) -> Mapping[str, str]:
        """Return {'analyzer': answer to *IDN?}."""
        return {"analyzer": self._identification}

    def capabilities(self) -> Capabilities:
        """Return its limits, asked once when it was opened."""
        return self._capabilities

    def switched_on(self) -> bool:
        """Whether the instrument said, at the start of a session, that it was switched on since anybody last asked."""
        return self._switched_on

    def begin_anew(self) -> None:
        """Begin a whole new session, on a new connection: generator off, reset, asked again who it is.

        Raises
        ------
        LinkError, InstrumentError
            When it cannot be reached or does not answer as its dialect says.
        """
        self._front.forget()
        self._begun, self._switched_on, self._lost_power = False, self._lost_power, False
        self._link.reopen()
        self._who()

    def sweep(self, asked: SweepSettings) -> Sweep:
        """Take one single sweep.

        Raises
        ------
        MeasurementError
            When the sweep would last longer than 20 s.
        InstrumentError
            When the instrument reports an error, or did not do what it was told.
        LinkError, LinkTimeoutError
            When the bus fails, or the sweep does not end.
        """
        try:
            self._begin()
            used = self._front.apply(asked)
            refuse_long(used.sweep_time_s or 0.0)
            duration_s = (used.sweep_time_s or 0.0) + self._dialect.settling_s
            *_, latched = self._front.ask(  # clears it for this sweep; it may be *IDN?, which must come last (488.2)
                [*self._dialect.status, self._dialect.completion.ask]
            )
            if self._dialect.completion.ask == _ESR:
                errorqueue.refuse_power_on(self._link, scpi.parse_integer(latched, _ESR))
            began = self._clock.now()
            self._run(self._dialect.initiate, duration_s, 1.5 * duration_s + 5.0)
            values = read_trace(self._link, self._dialect.trace, used.points)
            flags = self._after_sweep()
            self._refuse_changes(used, self._front.read_back(asked))
        except LinkTimeoutError as exc:
            self._front.forget()
            msg = "; ".join(filter(None, (exc.message, self._complaint())))
            raise LinkTimeoutError(msg, **exc.facts) from exc
        except BaseException as exc:
            self._front.forget()
            self._lost_power |= isinstance(exc, InstrumentError) and bool(exc.facts.get("switched_on"))
            raise
        trace = Trace(used.grid_hz(), values)
        return Sweep(trace, asked, used, flags, began, duration_s)

    def adjust_tracking(self, rbw_hz: float) -> None:
        """Let the instrument peak its generator at this RBW; the generator is on only as it was, or for this.

        Raises
        ------
        InstrumentError
            When the dialect has no such command, or the instrument reports an error.
        """
        dialect = self._dialect
        if not dialect.adjust:
            msg = f"{self._link.resource}: the dialect {dialect.name} has no tracking adjustment"
            raise InstrumentError(msg, resource=self._link.resource)
        try:
            self._begin()
            self._link.write(scpi.fill(dialect.settings["rbw"].set, {"value": rbw_hz}))
            was_on = scpi.parse_boolean(self._link.query(dialect.output), dialect.output)
            if not was_on:
                self._link.write(dialect.on)
            self._link.query(dialect.completion.ask)
            self._run(dialect.adjust, 0.0, _TRACKING_LIMIT_S)
            if not was_on:
                self._link.write(dialect.off)
            self._front.refuse_errors(f"adjusting the tracking with {dialect.adjust}")
        finally:
            self._front.forget()

    def make_safe(self) -> bool:
        """Abort, generator off, read back; True when the instrument said it is off. Never raises.

        A dead link is reopened once. Takes at most 2 s (4 s on a serial line, which is first let fall quiet, and then
        has to say who answers), or as long as a sweep that cannot be aborted runs.
        """
        self._front.forget()
        if self._closed:
            return False
        usual = self._link.timeout_s
        still_sweeping_s = min(max(0.0, self._busy_until - time.monotonic()), LONGEST_SWEEP_S)
        reopened = False
        for _attempt in range(3):
            if self._link.dead and reopened:
                break
            try:
                self._link.log_must_work = False
                self._link.timeout_s = _SAFE_WITHIN_S + still_sweeping_s
                if self._link.dead:
                    reopened = True
                    self._begun = False  # it may have been switched off and on: the next sweep starts afresh
                    self._link.reopen(within_s=_SAFE_WITHIN_S)
                for command in filter(None, (self._dialect.abort, self._dialect.off)):
                    self._link.write(command)
                is_on = scpi.parse_boolean(self._link.query(self._dialect.output), self._dialect.output)
                self._busy_until = 0.0
                return not is_on
            except KeyboardInterrupt:
                reopened = False  # a second Ctrl-C must not keep the generator on
            except Exception:  # noqa: BLE001, S112  # nor may anything else; the caller is told False
                continue
            finally:
                self._link.timeout_s = usual
                self._link.log_must_work = True
        return False

    def close(self) -> None:
        """Make safe and let go of the bus. Never raises."""
        if not self._closed:
            self.make_safe()
            self._closed = True
            self._link.close()

    def _complaint(self) -> str:
        """Return what an instrument that fell silent says of it: a query that it refuses is not answered at all."""
        if not self.make_safe():
            return ""
        try:
            entries = errorqueue.drain(self._link, self._dialect.errors)
        except BenchError:
            return ""
        told = f"its error queue says {errorqueue.listed(entries)}" if entries else ""
        reset = any(code == _STALE for code, _ in entries)
        return told + (": was it reset, or does another program or person use it?" if reset else "")

    # --- session -----------------------------------------------------------------------------------------

    def _begin(self) -> None:
        """Start a session on the instrument: generator off before anything else."""
        if self._begun and not self._link.dead:
            return
        if self._link.dead:
            self._link.reopen()
        if self._dialect.completion.ask == _ESR:  # before *CLS forgets it
            self._link.write(self._dialect.off)
            self._switched_on |= bool(scpi.parse_integer(self._link.query(_ESR), _ESR) & errorqueue.POWER_ON)
        for command in self._dialect.begin:
            self._link.write(command)
        if scpi.parse_boolean(self._link.query(self._dialect.output), self._dialect.output):
            msg = f"{self._link.resource}: told {self._dialect.off!r}, the generator says it is still on"
            raise InstrumentError(msg, resource=self._link.resource)
        self._front.average_nothing()
        self._front.refuse_errors("starting the session")
        self._begun = True

    def _who(self) -> None:
        """Begin a session and ask who answers and what it can do."""
        self._begin()
        self._identification = self._link.query("*IDN?")
        scpi.parse_identification(self._identification)
        self._capabilities = self._front.capabilities()

    # --- the sweep ---------------------------------------------------------------------------------------

    def _run(self, command: str, expected_s: float, limit_s: float) -> None:
        self._busy_until = time.monotonic() + expected_s
        run_to_end(self._link, self._dialect, command, expected_s, limit_s, self._pause)
        self._busy_until = 0.0

    def _after_sweep(self) -> frozenset[Flag]:
        dialect = self._dialect
        bits = 0
        for answer, ask in zip(self._front.ask(list(dialect.status)), dialect.status, strict=True):
            bits |= scpi.parse_integer(answer, ask)
        self._front.refuse_errors("sweeping")
        return frozenset(flag for flag, bit in dialect.flags.items() if bits >> bit & 1)

    def _refuse_changes(self, before: SweepSettings, after: SweepSettings) -> None:
        """A reset, or another program at the same analyzer, must not pass for a sweep of ours."""
        changed = differing(before, after)
        if changed:
            msg = (
                f"{self._link.resource}: while it swept, its settings changed ({', '.join(changed)}): was it reset, "
                f"or does another program or person use it?"
            )
            raise InstrumentError(msg, resource=self._link.resource, changed=changed)
