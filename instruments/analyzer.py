"""A spectrum analyzer with tracking generator over a link and a dialect: limits, single sweeps, make safe.

Sweeps are started with `*OPC` and polled, never waited for inside the instrument, so that abort and
output-off can always be sent. Settings are proven by reading them back; the error queue is read after
them and after the sweep, and anything in it is an error.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache

from instruments import dialects, errorqueue, scpi
from instruments.dialects import Dialect, Setting
from instruments.link import Link, Transcript
from instruments.traces import read_trace
from instruments.waiting import run_to_end
from sequencer.core.capability import Capabilities
from sequencer.core.normalise import differing
from sequencer.core.trace import Flag, Sweep, SweepSettings, Trace, impossible
from sequencer.errors import InstrumentError, MeasurementError
from sequencer.ports import Clock
from sequencer.recipe.model import AnalyzerFile

__all__ = ["LONGEST_SWEEP_S", "ScpiAnalyzer", "open_analyzer"]

LONGEST_SWEEP_S = 20.0  # a longer one could not be interrupted soon enough: average instead
_TRACKING_LIMIT_S = 60.0  # a peaking routine takes seconds [common practice, no source]
_SAFE_WITHIN_S = 1.0
_MOST_POINTS = 1_000_001
_ESR = "*ESR?"
_MESSAGE_LIMIT = 240  # characters; small input buffers hold 256 [common practice, no source]


def open_analyzer(spec: AnalyzerFile, clock: Clock, transcript: Transcript | None = None) -> ScpiAnalyzer:
    """Open the analyzer of a bench file; the first command turns its generator off.

    Raises
    ------
    LinkError, InstrumentError
        When it cannot be reached or does not answer as its dialect says.
    RecipeError
        When the dialect is not known.
    """
    known = None
    if spec.dialect_text:
        known = dialects.parse(spec.dialect_text, spec.dialect_source)
    elif spec.dialect != "auto":
        known = dialects.load(spec.dialect)
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
        self._sent: dict[str, str] = {}  # setting -> command last accepted
        self._used: SweepSettings | None = None
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
        self._forget()
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
            used = self._apply(asked)
            _refuse_long(used.sweep_time_s or 0.0)
            duration_s = (used.sweep_time_s or 0.0) + self._dialect.settling_s
            latched, *_ = self._ask([self._dialect.completion.ask, *self._dialect.status])  # clears it for this sweep
            if self._dialect.completion.ask == _ESR:
                errorqueue.refuse_power_on(self._link, scpi.parse_integer(latched, _ESR))
            began = self._clock.now()
            self._run(self._dialect.initiate, duration_s, 1.5 * duration_s + 5.0)
            values = read_trace(self._link, self._dialect.trace, used.points)
            flags = self._after_sweep()
            self._refuse_changes(used, self._read_back(asked))
        except BaseException as exc:
            self._forget()
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
            self._refuse_errors(f"adjusting the tracking with {dialect.adjust}")
        finally:
            self._forget()

    def make_safe(self) -> bool:
        """Abort, generator off, read back; True when the instrument said it is off. Never raises.

        A dead link is reopened once. Takes at most 2 s, or as long as a sweep that cannot be aborted runs.
        """
        self._forget()
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
        self._refuse_errors("starting the session")
        self._begun = True

    def _who(self) -> None:
        """Begin a session and ask who answers and what it can do."""
        self._begin()
        self._identification = self._link.query("*IDN?")
        scpi.parse_identification(self._identification)
        self._capabilities = self._ask_capabilities()

    def _forget(self) -> None:
        """Send every setting anew next time: what stands in the instrument is no longer known."""
        self._sent = {}
        self._used = None

    def _ask_capabilities(self) -> Capabilities:
        settings, dialect = self._dialect.settings, self._dialect
        ends = {name: self._limits(name) for name in settings if name not in {"detector", "vbw"}}
        self._refuse_errors("asking for its limits")
        fixed = not settings["points"].set
        points = self._points()
        return Capabilities(
            frequency_hz=(ends["start"][0], ends["stop"][1]),
            points=(points, points) if fixed else (int(ends["points"][0]), int(ends["points"][1])),
            rbw_range_hz=ends["rbw"],
            rbw_hz=dialect.rbw_hz,
            attenuation_db=ends["attenuation"],
            attenuation_step_db=settings["attenuation"].step or 10.0,
            reference_dbm=ends["reference"],
            generator_dbm=ends["generator level"],
            generator_step_db=settings["generator level"].step,
            generator_fitted=True,
            generator_min_rbw_hz=dialect.generator_min_rbw_hz,
            detectors=tuple(dialect.detectors),
            display_range_db=dialect.display_range_db,
            sweep_time_s=ends["sweep time"],
            sweep_factor=dialect.sweep_factor,
            adjusts_tracking=bool(dialect.adjust),
        )

    def _points(self) -> int:
        """Return the number of points in use."""
        setting = self._dialect.settings["points"]
        if not setting.ask:
            assert setting.limits is not None  # the loader saw to it
            return int(setting.limits[0])
        return scpi.parse_integer(self._link.query(setting.ask), setting.ask, 2, _MOST_POINTS)

    def _limits(self, name: str) -> tuple[float, float]:
        setting = self._dialect.settings[name]
        if setting.limits is not None:
            return setting.limits
        if not setting.set:
            return (0.0, 0.0)
        asks = [f"{setting.ask} MIN", f"{setting.ask} MAX"]
        finite = name != "sweep time"  # whose greatest may be told as infinite
        answers = zip(asks, self._ask(asks), strict=True)
        low, high = (scpi.parse_number(answer, ask, finite=finite) for ask, answer in answers)
        return low, high

    # --- settings ----------------------------------------------------------------------------------------

    def _apply(self, asked: SweepSettings) -> SweepSettings:
        """Send what differs from what stands in the instrument; return all settings as read back."""
        if asked.sweep_time_s is not None:
            _refuse_long(asked.sweep_time_s)
        wanted = self._commands(asked)
        changed = [command for name, command in wanted.items() if self._sent.get(name) != command]
        if not changed and self._used is not None:
            return self._used
        self._forget()
        axis_moves = any(wanted[name] in changed for name in ("start", "stop"))
        self._send(self._in_order(wanted) if axis_moves else changed)
        used = self._read_back(asked)
        self._refuse_errors("setting up the sweep")
        self._sent, self._used = wanted, used
        return used

    def _commands(self, asked: SweepSettings) -> dict[str, str]:
        """Return one command per setting, in the order of sending; generator output last."""
        dialect = self._dialect
        if asked.detector not in dialect.detectors:
            has = ", ".join(dialect.detectors)
            msg = f"{self._link.resource}: the analyzer has no {asked.detector} detector (it has: {has})"
            raise InstrumentError(msg, resource=self._link.resource, detector=str(asked.detector))
        if asked.vbw_hz is not None and "vbw" not in dialect.settings:
            msg = f"{self._link.resource}: the dialect {dialect.name} knows no video filter to set"
            raise InstrumentError(msg, resource=self._link.resource)
        values: dict[str, float | str | None] = {
            "start": asked.start_hz,
            "stop": asked.stop_hz,
            "points": asked.points,
            "rbw": asked.rbw_hz,
            "vbw": asked.vbw_hz,
            "detector": dialect.detectors[asked.detector],
            "attenuation": asked.attenuation_db,
            "reference": asked.reference_dbm,
            "generator level": asked.generator_dbm,
            "sweep time": asked.sweep_time_s,
        }
        commands = {"output": dialect.off} if asked.generator_dbm is None else {}
        for name in dialects.SETTINGS:
            setting, value = dialect.settings.get(name), values[name]
            if setting is not None and isinstance(value, int | float) and setting.choices:
                value = next((choice for choice in setting.choices if choice >= value), setting.choices[-1])
            if setting is not None and isinstance(value, float) and name == "attenuation":
                value = _next_step(setting, value)
            if setting is not None and value is None and name == "sweep time" and not setting.coupled:
                value = self._coupled_s(asked)
            if setting is None or (value is None and not setting.coupled) or (value is not None and not setting.set):
                continue  # not there, generator off, or fixed
            commands[name] = setting.coupled if value is None else scpi.fill(setting.set, {"value": value})
        if asked.generator_dbm is not None:
            commands["output"] = dialect.on
        return commands

    def _coupled_s(self, asked: SweepSettings) -> float:
        """Return the sweep time an instrument should have chosen that cannot couple it."""
        least, most = self._capabilities.sweep_time_s
        return min(max((self._dialect.sweep_factor or 0.0) * asked.span_hz / asked.rbw_hz**2, least), most)

    def _in_order(self, wanted: Mapping[str, str]) -> list[str]:
        """Return all settings; where a start above the present stop is refused, the axis is opened first."""
        if not self._dialect.wide_first:
            return list(wanted.values())
        lowest = scpi.fill(self._dialect.settings["start"].set, {"value": self._capabilities.frequency_hz[0]})
        return [lowest, wanted["stop"], *(command for name, command in wanted.items() if name != "stop")]

    def _read_back(self, asked: SweepSettings) -> SweepSettings:
        dialect = self._dialect
        asks = {name: setting.ask for name, setting in dialect.settings.items() if setting.ask}
        asks["output"] = dialect.output
        said = dict(zip(asks, self._ask(list(asks.values())), strict=True))
        units = {"start": "HZ", "stop": "HZ", "rbw": "HZ", "vbw": "HZ", "sweep time": "S"}
        number = {
            name: scpi.parse_number(said[name], asks[name], units.get(name), finite=True)
            for name in asks
            if name not in {"detector", "output"}
        }
        self._check_output(said["output"], asked)
        word = scpi.parse_word(said["detector"], asks["detector"])
        told = dialect.detectors[asked.detector].upper()
        length = max(3, min(len(word), len(told)))  # told in one of its forms, it may answer in the other
        if word[:length] != told[:length]:
            msg = f"{self._link.resource}: told to use the detector {dialect.detectors[asked.detector]}, it uses {word}"
            raise InstrumentError(msg, resource=self._link.resource, sent=asks["detector"], answer=said["detector"])
        vbw_hz = number.get("vbw")
        if asked.vbw_hz is None and vbw_hz is not None and vbw_hz >= number["rbw"]:
            vbw_hz = None  # as wide as it need be
        bottom = None if dialect.display_range_db is None else number["reference"] - dialect.display_range_db
        used = replace(
            asked,
            start_hz=number["start"],
            stop_hz=number["stop"],
            points=scpi.parse_integer(said["points"], asks["points"], 2, _MOST_POINTS)
            if "points" in said
            else self._points(),
            rbw_hz=number["rbw"],
            vbw_hz=vbw_hz,
            attenuation_db=number["attenuation"],
            reference_dbm=number["reference"],
            generator_dbm=None if asked.generator_dbm is None else number["generator level"],
            sweep_time_s=number["sweep time"],
            display_bottom_dbm=bottom,
        )
        odd = impossible(used)
        if odd:
            msg = f"{self._link.resource}: it says that it uses {odd}, which cannot be; check its dialect"
            raise InstrumentError(msg, resource=self._link.resource)
        return used

    def _check_output(self, answer: str, asked: SweepSettings) -> None:
        is_on = scpi.parse_boolean(answer, self._dialect.output)
        if is_on != (asked.generator_dbm is not None):
            entries = errorqueue.drain(self._link, self._dialect.errors)
            why = f"; error queue: {errorqueue.listed(entries)}" if entries else ""
            msg = f"{self._link.resource}: the generator is {'on' if is_on else 'off'}, not as asked{why}"
            raise InstrumentError(msg, resource=self._link.resource, entries=tuple(entries))

    def _send(self, commands: list[str]) -> None:
        for message, _ in self._messages(commands):
            self._link.write(message)

    def _ask(self, queries: list[str]) -> list[str]:
        answers: list[str] = []
        for message, count in self._messages(queries):
            answers += scpi.split_answers(self._link.query(message), count, message)
        return answers

    def _messages(self, commands: list[str]) -> tuple[tuple[str, int], ...]:
        """Return (message, how many commands are in it); one round trip costs more than the text."""
        return _packed(tuple(commands), _MESSAGE_LIMIT if self._dialect.one_message else 0)

    # --- the sweep ---------------------------------------------------------------------------------------

    def _run(self, command: str, expected_s: float, limit_s: float) -> None:
        self._busy_until = time.monotonic() + expected_s
        run_to_end(self._link, self._dialect, command, expected_s, limit_s, self._pause)
        self._busy_until = 0.0

    def _after_sweep(self) -> frozenset[Flag]:
        dialect = self._dialect
        bits = 0
        for answer, ask in zip(self._ask(list(dialect.status)), dialect.status, strict=True):
            bits |= scpi.parse_integer(answer, ask)
        self._refuse_errors("sweeping")
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

    def _refuse_errors(self, doing: str) -> None:
        errorqueue.refuse_errors(self._link, self._dialect.errors, doing)


@lru_cache(maxsize=256)
def _packed(commands: tuple[str, ...], limit: int) -> tuple[tuple[str, int], ...]:
    packed: list[list[str]] = []
    for command in commands:
        if packed and len(scpi.join(*packed[-1], command)) <= limit:
            packed[-1].append(command)
        else:
            packed.append([command])
    return tuple((scpi.join(*group), len(group)) for group in packed)


def _next_step(setting: Setting, value: float) -> float:
    """Return the attenuator's step at or above what was asked: some refuse what lies between."""
    if setting.limits is None or not setting.step:
        return value
    steps = math.ceil((value - setting.limits[0]) / setting.step - 1e-6)
    return min(max(setting.limits[0] + steps * setting.step, setting.limits[0]), setting.limits[1])


def _refuse_long(duration_s: float) -> None:
    if duration_s > LONGEST_SWEEP_S:
        msg = (
            f"one sweep would last {duration_s:.3g} s, at most {LONGEST_SWEEP_S:g} s is allowed, so that it can be "
            f"stopped in time: narrow the span or widen the RBW, or take several sweeps"
        )
        raise MeasurementError(msg, sweep_time_s=duration_s)
