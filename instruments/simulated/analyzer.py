"""The simulated analyzer with tracking generator: what each function of a variant's table does."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

import sequencer
from instruments.simulated.bench import Bench, Reading
from instruments.simulated.commands import Command, event, query_only, setting, status_commands
from instruments.simulated.parameters import block, read_boolean, read_number, read_word
from instruments.simulated.settings import LEAST_SPAN_HZ, WIDEST_VBW_HZ, Settings
from instruments.simulated.status import ESR_PON, Status
from instruments.simulated.syntax import ScpiError, Tree, short_form
from instruments.simulated.variants import Variant

__all__ = ["Analyzer"]

SETTLING_S = 0.05  # before each sweep, after whatever was changed
COMMAND_S = 0.001
PEAKING_S = 2.0
OPERATION_CORRECTING = 1 << 7  # SCPI-99 Vol. 1 ch. 9
NO_DATA = 9.91e37  # SCPI-99 Vol. 1 7.2.1.5 (from memory)
DBUV_ABOVE_DBM = 106.9897  # 1 mW into 50 ohm is 0.2236 V


class Analyzer:
    """State and commands; satisfies `commands.Instrument`."""

    def __init__(self, bench: Bench, variant: Variant) -> None:
        self._bench = bench
        bench.when_switched_on.append(self.switched_on)
        self._variant = variant
        self.terminator = variant.terminator
        self.manners = variant.manners
        self.status = Status(variant.error_queue, self.manners.error_entries)
        self._settings = Settings(variant)
        self._settings.output = variant.output_at_power_on
        self._left_on()
        self._reading: Reading | None = None
        self._old: Reading | None = None  # what a trace memory still holds while a new sweep runs
        self.tree: Tree[Command] = Tree(full_forms=self.manners.full_forms)
        own_queue = variant.commands.get("error queue", "")
        for pattern, command in status_commands(self.status).items():
            lost = (variant.error_queue == 0 or own_queue) and pattern.startswith("SYSTem:ERRor")
            if not lost and not any(_begins(pattern, header) for header in self.manners.lacks):
                self.tree.add(pattern.rstrip("?"), command)
        functions = self._functions()
        for name, pattern in variant.commands.items():
            command = functions[name]
            if pattern.endswith("?"):
                command = Command(query=command.query, query_most=command.query_most, query_least=command.query_least)
            self.tree.add(pattern.rstrip("?"), command)

    def identification(self) -> str:
        """Say first that it is no instrument."""
        fields = ("Notchbook", f"simulated bench {self._variant.name}", str(self._bench.seed), sequencer.__version__)
        return ",".join(fields[: self.manners.identification_fields])

    def switched_on(self) -> None:
        """Come up from power-off."""
        self.reset()
        self.status.clear()
        self.status.preset()
        self.status.esr = ESR_PON
        self._settings.output = self._variant.output_at_power_on
        self._left_on()

    def _left_on(self) -> None:
        """Whoever used it last left it so; *RST undoes it."""
        for name, value in self._variant.left.items():
            setattr(self._settings, name, value)

    def reset(self) -> None:
        """*RST."""
        self._stop()
        self._settings = Settings(self._variant)
        self._reading = None

    def busy(self) -> bool:
        """Whether a sweep or the tracking adjustment is at work (continuous sweeping does not count)."""
        return self._bench.time.running()

    def spend_command(self) -> None:
        """Take the time of one command."""
        self._bench.time.running()
        self._bench.time.spend(COMMAND_S)

    # --- sweeping

    def _initiate(self) -> None:
        if self._settings.continuous or self.busy():
            raise ScpiError(-213)
        reading = self._sweep()

        def done() -> None:
            self._reading = reading
            self.status.questionable.set(self._bits(reading))
            self._over()

        self._old, self._reading = self._reading or self._old, None
        self.status.operation.set(1 << self.manners.sweeping_bit)
        self._bench.time.begin(self._duration_s(), done)

    def _sweep(self) -> Reading:
        return self._bench.sweep(self._settings.request())

    def _duration_s(self) -> float:
        return SETTLING_S + self._settings.sweep_time_s * self._settings.sweeps

    def _over(self) -> None:
        self.status.operation.set(0)
        self.status.operation_over()

    def _bits(self, reading: Reading) -> int:
        return sum(1 << self._variant.questionable_bits[flag] for flag in reading.flags)

    def _stop(self) -> None:
        """ABORt: what runs is broken off, and *OPC waits for nothing more."""
        if self.busy():
            self._bench.time.cancel()
            self._over()

    def _trace(self, parameters: tuple[str, ...]) -> bytes:
        self._right_trace(parameters)
        self._bench.time.spend(self.manners.trace_delay_s)  # it makes text of it first
        if self._settings.continuous:  # free running: the answer is the sweep that ends next
            self._stop()
            self._reading = self._sweep()
            self.status.questionable.set(self._bits(self._reading))
            self._bench.time.spend(SETTLING_S + self._settings.sweep_time_s)  # an average grows from sweep to sweep
        reading = self._reading
        if reading is None and self.manners.no_data == "old":
            reading = self._old
        if reading is None and self.manners.no_data != "sentinel":
            raise ScpiError(-230, "no complete sweep since the frequency axis was set")
        level = np.full(self._settings.points, NO_DATA) if reading is None else reading.level_dbm
        kind = self._settings.format
        if self.manners.pairs:
            hertz = np.linspace(self._settings.start_hz, self._settings.stop_hz, self._settings.points)
            level = np.column_stack((hertz, level)).ravel()
        if kind.startswith("INT"):  # thousandths of a dB
            order = "<" if self._settings.swapped else ">"
            return block(np.round(level * 1e3).astype(f"{order}i4").tobytes())
        if kind.startswith("REAL"):
            order = "<" if self._settings.swapped else ">"
            payload = level.astype(f"{order}f{int(kind.partition(',')[2]) // 8}").tobytes()
            return b"#0" + payload if self.manners.trace_blocks == "indefinite" else block(payload)
        text = self._variant.ascii_separator.join(map(self._variant.ascii_levels.__mod__, level.tolist()))
        whole = (text + self._variant.ascii_separator.strip() * self._variant.trailing_comma).encode("ascii")
        return block(whole) if self.manners.trace_blocks == "text" else whole

    def _right_trace(self, parameters: tuple[str, ...]) -> None:
        if parameters and parameters[0].upper() != self._variant.trace_name:
            raise ScpiError(-224, parameters[0])

    # --- the tracking generator

    def _put_output(self, on: bool) -> None:
        if on and self._settings.rbw_hz < self._variant.generator_least_rbw_hz:
            raise ScpiError(-221, "RBW too narrow for the tracking generator")
        self._settings.output = on

    def _peak(self) -> None:
        """Adjust the tracking: needs a signal, so a thru in place and the output on."""
        if self.busy():
            raise ScpiError(-221, "busy")
        settings = self._settings
        if not settings.output or float(np.median(self._sweep().level_dbm)) < settings.generator_dbm - 60.0:
            raise ScpiError(-340, "no signal to adjust to")
        rbw_hz = settings.rbw_hz

        def done() -> None:
            self._bench.adjust_tracking(rbw_hz)
            self._over()

        self.status.operation.set(OPERATION_CORRECTING)
        self._bench.time.begin(PEAKING_S, done)

    # --- what the variant's table names

    def _functions(self) -> dict[str, Command]:
        v = self._variant
        low, high = v.frequency_hz

        def state() -> Settings:
            return self._settings

        def put_points(value: float) -> None:
            choices = v.points_choices
            if choices and v.manners.clamps:
                value = min(choices, key=lambda choice: abs(choice - value))
            if choices and round(value) not in choices:
                raise ScpiError(-224, f"{value:g}")
            state().points = round(value)

        def put_span(value: float) -> None:
            state().put_center((state().start_hz + state().stop_hz) / 2.0, value)

        def stepped(value: float, used: float) -> float:
            if v.manners.steps_only and abs(used - value) > 1e-6 * abs(value):
                raise ScpiError(-224, f"{value:g}")
            return used

        def put_rbw(value: float) -> None:
            state().fixed_rbw_hz = stepped(value, v.rbw(value))
            if state().output and state().rbw_hz < v.generator_least_rbw_hz:
                state().output = False
                raise ScpiError(-221, "generator off: RBW too narrow for it")

        def put_continuous(on: bool) -> None:
            state().continuous = on

        def put_sweep_mode(word: str) -> None:
            self._changing(lambda: put_continuous(v.sweep_modes[word]))

        named = 1 if v.trace_name else 0
        axis = self._number
        return {
            "start": axis("HZ", low, high, lambda hz: state().put_start(hz), lambda: state().start_hz, axis=True),
            "stop": axis("HZ", low, high, lambda hz: state().put_stop(hz), lambda: state().stop_hz, axis=True),
            "center": axis(
                "HZ",
                low,
                high,
                lambda hz: state().put_center(hz),
                lambda: (state().start_hz + state().stop_hz) / 2.0,
                axis=True,
            ),
            "span": axis("HZ", LEAST_SPAN_HZ, high - low, put_span, lambda: state().span_hz, axis=True),
            "points": axis("", v.points[0], v.points[1], put_points, lambda: state().points, axis=True),
            "sweep time": self._number(
                "S", *v.sweep_time_s, lambda s: self._fix("fixed_sweep_time_s", s), lambda: state().sweep_time_s
            ),
            "sweep time auto": self._auto("fixed_sweep_time_s", lambda: state().sweep_time_s),
            "rbw": self._number("HZ", *v.rbw_range_hz, put_rbw, lambda: state().rbw_hz),
            "rbw auto": self._auto("fixed_rbw_hz", lambda: state().rbw_hz),
            "vbw": self._number(
                "HZ", 1.0, WIDEST_VBW_HZ, lambda hz: self._fix("fixed_vbw_hz", hz), lambda: state().vbw_hz
            ),
            "vbw auto": self._auto("fixed_vbw_hz", lambda: state().vbw_hz),
            "detector": self._choice("detector", v.detectors),
            "average": self._switch(lambda on: self._fix("average", on), lambda: state().average),
            "average count": self._number(
                "", 1, 999, lambda n: self._fix("average_count", round(n)), lambda: state().average_count
            ),
            "trace mode": self._choice("trace_mode", v.trace_modes),
            "average kind": self._choice("average_kind", v.average_kinds),
            "attenuation": self._number(
                "DB",
                *v.attenuation_db[:2],
                lambda db: self._fix("fixed_attenuation_db", stepped(db, v.attenuation(db))),
                lambda: state().attenuation_db,
            ),
            "attenuation auto": self._auto("fixed_attenuation_db", lambda: state().attenuation_db),
            "reference": self._number(
                "DBM", *v.reference_dbm, lambda dbm: self._fix("reference_dbm", dbm), lambda: state().reference_dbm
            ),
            "generator level": self._generator_level(stepped),
            "generator unit": setting(
                lambda text: read_word(text, ("DBM", "DBUV")),
                lambda word: self._fix("generator_unit", word),
                lambda: state().generator_unit,
            ),
            "error queue": query_only(self.status.next_error),
            "generator output": self._switch(self._put_output, lambda: state().output),
            "tracking peak": event(self._peak),
            "continuous": self._switch(put_continuous, lambda: state().continuous),
            "initiate": event(self._initiate),
            "abort": event(self._stop),
            "trigger source": setting(lambda text: read_word(text, ("IMMediate",)), lambda _: None, lambda: "IMM"),
            "format": Command(set=self._put_format, query=lambda _: self._tell_format(), most=2),
            "byte order": setting(
                lambda text: read_word(text, ("NORMal", "SWAPped")),
                lambda word: setattr(state(), "swapped", word == "SWAPped"),
                lambda: "SWAP" if state().swapped else "NORM",
            ),
            "level unit": setting(lambda text: read_word(text, ("DBM",)), lambda _: None, lambda: "DBM"),
            "trace": Command(query=self._trace, query_most=named, query_least=named),
            "trace points": Command(query=self._points, query_most=named, query_least=named),
            "sweep mode": setting(
                lambda text: read_word(text, tuple(v.sweep_modes)),
                put_sweep_mode,
                lambda: next(short_form(w).upper() for w, on in v.sweep_modes.items() if on == state().continuous),
            ),
        }

    def _points(self, parameters: tuple[str, ...]) -> str:
        self._right_trace(parameters)
        return self._variant.numbers % self._settings.points

    def _fix(self, name: str, value: object) -> None:
        setattr(self._settings, name, value)

    def _changing(self, put: Callable[[], None], *, axis: bool = False) -> None:
        """Break off a running sweep, change a setting, and let the old trace go where its axis is gone."""
        self._stop()
        if axis:
            self._reading = self._old = None
        put()

    def _number(
        self,
        unit: str,
        least: float,
        most: float,
        put: Callable[[float], None],
        tell: Callable[[], float],
        *,
        axis: bool = False,
    ) -> Command:
        def read(text: str) -> float:
            if self.manners.suffix_required and unit and not text[-1:].isalpha():
                raise ScpiError(-131, text)
            if not self.manners.clamps or text[:1].isalpha():
                return read_number(text, unit, least=least, most=most)
            return min(max(read_number(text, unit), least), most)

        return setting(
            read,
            lambda value: self._changing(lambda: put(value), axis=axis),
            lambda: self._told(tell(), unit),
            limits=(lambda text: self._told(read(text), unit)) if self.manners.limits_asked else None,
        )

    def _told(self, value: float, unit: str) -> str:
        """Return a number as this variant answers it."""
        form = self.manners.units
        if not unit or not form:
            return self._variant.numbers % value
        if form != "scaled":
            return self._variant.numbers % value + (" " if form == "spaced" else "") + unit
        scales = {"HZ": ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz"), (1.0, "Hz")), "S": ((1.0, "s"), (1e-3, "ms"))}
        factor, name = next(
            (one for one in scales.get(unit, ()) if abs(value) >= one[0]), scales.get(unit, ((1.0, unit),))[-1]
        )
        return f"{value / factor:.9f} {name}"

    def _generator_level(self, stepped: Callable[[float, float], float]) -> Command:
        """Level of the generator, sent and told in dBm, or in dB above a microvolt into 50 ohm until told otherwise."""
        v = self._variant
        least, most, _ = v.generator_dbm

        def more() -> float:
            return DBUV_ABOVE_DBM if self._settings.generator_unit == "DBUV" else 0.0

        def command() -> Command:
            return self._number(
                self._settings.generator_unit,
                least + more(),
                most + more(),
                lambda value: self._fix("generator_dbm", stepped(value - more(), v.generator(value - more()))),
                lambda: self._settings.generator_dbm + more(),
            )

        def put(parameters: tuple[str, ...]) -> None:
            do = command().set
            assert do is not None
            do(parameters)

        def tell(parameters: tuple[str, ...]) -> str | bytes:
            ask = command().query
            assert ask is not None
            return ask(parameters)

        return Command(set=put, query=tell, query_most=1 if self.manners.limits_asked else 0)

    def _switch(self, put: Callable[[bool], None], tell: Callable[[], bool]) -> Command:
        def read(text: str) -> bool:
            if self.manners.booleans_taken == ("digits" if text[:1].isalpha() else "words"):
                raise ScpiError(-104, text)
            return read_boolean(text)

        told = ("OFF", "ON") if self.manners.boolean_words else ("0", "1")
        if self.manners.boolean_numbers:
            told = (self._variant.numbers % 0, self._variant.numbers % 1)
        return setting(read, lambda on: self._changing(lambda: put(on)), lambda: told[tell()])

    def _auto(self, name: str, now: Callable[[], float]) -> Command:
        """Coupling of a setting: ON forgets the fixed value, OFF fixes the one in use."""
        return self._switch(
            lambda on: self._fix(name, None if on else now()), lambda: getattr(self._settings, name) is None
        )

    def _choice(self, name: str, words: Iterable[str]) -> Command:
        known = tuple(words)
        return setting(
            lambda text: read_word(text, known),
            lambda word: self._changing(lambda: self._fix(name, word)),
            lambda: short_form(str(getattr(self._settings, name)).upper()),
        )

    def _put_format(self, parameters: tuple[str, ...]) -> None:
        if parameters[0].upper() in ("ASC", "ASCII") and parameters[1:] in ((), ("0",)):
            parameters = ("ASC",)
        if self.manners.format_spaced:
            parameters = tuple(",".join(parameters).split())
        self._settings.format = read_word(",".join(parameters), self._variant.formats)

    def _tell_format(self) -> str:
        if self.manners.format_spaced:
            return short_form(self._settings.format.partition(",")[0]) + self._settings.format.partition(",")[2].rjust(
                3
            )
        if self._settings.format.startswith("ASC"):
            return "ASC,0"
        word, comma, length = self._settings.format.partition(",")
        return short_form(word).upper() + comma + length


def _begins(pattern: str, header: str) -> bool:
    """Whether a header lies in a subsystem, or is itself, what a variant lacks: 'STATUS', 'STATUS:OPERATION'."""
    plain = pattern.upper().replace("[", "").replace("]", "").rstrip("?")
    return plain == header or plain.startswith(f"{header}:")
