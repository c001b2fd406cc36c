"""The settings of an analyzer: sent as its dialect spells them where they changed, and proven by reading them back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

from instruments import dialects, errorqueue, scpi
from instruments.dialects import Dialect, Setting
from instruments.link import Link
from instruments.readback import same_word, unlike
from sequencer.core.capability import Capabilities
from sequencer.core.trace import SweepSettings, impossible
from sequencer.errors import InstrumentError, MeasurementError

__all__ = ["LONGEST_SWEEP_S", "FrontPanel", "refuse_long"]

LONGEST_SWEEP_S = 20.0  # a longer one could not be interrupted soon enough: average instead
_MOST_POINTS = 1_000_001
_MESSAGE_LIMIT = 240  # characters; small input buffers hold 256 [common practice, no source]


class FrontPanel:
    """What stands in the instrument, as far as is known: limits, settings, errors."""

    def __init__(self, link: Link, dialect: Dialect) -> None:
        self._link = link
        self._dialect = dialect
        self._limits_known: Capabilities | None = None
        self._sent: dict[str, str] = {}  # setting -> command last accepted
        self._asked: SweepSettings | None = None
        self._used: SweepSettings | None = None
        self._told: tuple[SweepSettings, tuple[str, ...], SweepSettings] | None = None  # asked, answers, what they mean

    def forget(self) -> None:
        """Send every setting anew next time: what stands in the instrument is no longer known."""
        self._sent = {}
        self._asked = self._used = None

    def refuse_errors(self, doing: str) -> None:
        """Raise InstrumentError where the instrument complains of anything."""
        errorqueue.refuse_errors(self._link, self._dialect.errors, doing)

    def average_nothing(self) -> None:
        """Switch the instrument's own averaging off, let it be of power where that can be chosen, and see it said.

        Raises
        ------
        LinkError, InstrumentError
            When it cannot be reached, or still averages after it was told twice.
        """
        averaging = self._dialect.averaging
        commands = [*filter(None, [averaging.one_sweep]), *averaging.orders.values()]
        if not averaging.orders:
            return
        for again in (True, False):
            self._send(list(dict.fromkeys(commands)))
            said = dict(zip(averaging.orders, self.ask(list(averaging.orders)), strict=True))
            if not again or not any(unlike(order, said[ask], ask) for ask, order in averaging.orders.items()):
                self._check_averaging(said)
                return

    def _check_averaging(self, said: Mapping[str, str]) -> None:
        for ask, order in self._dialect.averaging.orders.items():
            if unlike(order, said[ask], ask):
                msg = (
                    f"{self._link.resource}: told {order!r}, it answers {said[ask]!r} to {ask}: it would average by "
                    f"itself, perhaps decibels, which reads noise 2.5 dB low. Switch its averaging off by hand (and to "
                    f"power), or correct 'averaging' in the dialect"
                )
                raise InstrumentError(msg, resource=self._link.resource, sent=ask, answer=said[ask])

    def capabilities(self) -> Capabilities:
        """Ask for its limits; they are remembered.

        Raises
        ------
        LinkError, InstrumentError
            When it does not tell them.
        """
        settings = self._dialect.settings
        ends = {name: self._limits(name) for name in settings if name not in {"detector", "vbw"}}
        self.refuse_errors("asking for its limits")
        if not settings["points"].set:
            points = self._points()
            ends["points"] = (points, points)
        self._limits_known = dialects.capabilities_of(self._dialect, ends)
        return self._limits_known

    def _known(self) -> Capabilities:
        return self._limits_known or self.capabilities()

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
        answers = zip(asks, self.ask(asks), strict=True)
        low, high = (scpi.parse_number(answer, ask, finite=finite) for ask, answer in answers)
        return low, high

    def apply(self, asked: SweepSettings) -> SweepSettings:
        """Send what differs from what stands in the instrument; return all settings as read back."""
        if asked.sweep_time_s is not None:
            refuse_long(asked.sweep_time_s)
        if self._used is not None and asked == self._asked:
            return self._used
        wanted = self._commands(asked)
        changed = [command for name, command in wanted.items() if self._sent.get(name) != command]
        if not changed and self._used is not None:
            self._asked = asked
            return self._used
        self.forget()
        axis_moves = any(wanted[name] in changed for name in ("start", "stop"))
        self._send(self._in_order(wanted) if axis_moves else changed)
        used = self.read_back(asked)
        self.refuse_errors("setting up the sweep")
        self._sent, self._asked, self._used = wanted, asked, used
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
        least, most = self._known().sweep_time_s
        return min(max((self._dialect.sweep_factor or 0.0) * asked.span_hz / asked.rbw_hz**2, least), most)

    def _in_order(self, wanted: Mapping[str, str]) -> list[str]:
        """Return all settings; where a start above the present stop is refused, the axis is opened first."""
        if not self._dialect.wide_first:
            return list(wanted.values())
        lowest = scpi.fill(self._dialect.settings["start"].set, {"value": self._known().frequency_hz[0]})
        return [lowest, wanted["stop"], *(command for name, command in wanted.items() if name != "stop")]

    def read_back(self, asked: SweepSettings) -> SweepSettings:
        """Return what the instrument says it uses; InstrumentError where that is not what it was told, or cannot be."""
        asks = {name: setting.ask for name, setting in self._dialect.settings.items() if setting.ask}
        asks["output"] = self._dialect.output
        asks |= {ask: ask for ask in self._dialect.averaging.orders}
        answers = tuple(self.ask(list(asks.values())))
        if self._told is None or self._told[:2] != (asked, answers):  # the same answers mean the same
            self._told = (asked, answers, self._understood(asked, asks, dict(zip(asks, answers, strict=True))))
        return self._told[2]

    def _understood(self, asked: SweepSettings, asks: Mapping[str, str], said: Mapping[str, str]) -> SweepSettings:
        dialect = self._dialect
        units = {"start": "HZ", "stop": "HZ", "rbw": "HZ", "vbw": "HZ", "sweep time": "S"}
        number = {
            name: scpi.parse_number(said[name], asks[name], units.get(name), finite=True)
            for name in asks
            if name not in {"detector", "output", *dialect.averaging.orders}
        }
        self._check_output(said["output"], asked)
        self._check_averaging(said)
        word = scpi.parse_word(said["detector"], asks["detector"])
        told = dialect.detectors[asked.detector].upper()
        if not same_word(told, word):
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

    def ask(self, queries: list[str]) -> list[str]:
        """Return the answer to each query, asked in as few messages as the instrument takes."""
        answers: list[str] = []
        for message, count in self._messages(queries):
            answers += scpi.split_answers(self._link.query(message), count, message)
        return answers

    def _messages(self, commands: list[str]) -> tuple[tuple[str, int], ...]:
        """Return (message, how many commands are in it); one round trip costs more than the text."""
        return _packed(tuple(commands), _MESSAGE_LIMIT if self._dialect.one_message else 0)


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


def refuse_long(duration_s: float) -> None:
    """Raise MeasurementError for a sweep that could not be stopped in time."""
    if duration_s > LONGEST_SWEEP_S:
        msg = (
            f"one sweep would last {duration_s:.3g} s, at most {LONGEST_SWEEP_S:g} s is allowed, so that it can be "
            f"stopped in time: narrow the span or widen the RBW, or take several sweeps"
        )
        raise MeasurementError(msg, sweep_time_s=duration_s)
