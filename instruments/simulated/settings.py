"""Settings of the simulated analyzer and how they are coupled; what is stored is what the instrument would use."""

from __future__ import annotations

from dataclasses import dataclass, field

from instruments.simulated.bench import SweepRequest
from instruments.simulated.receiver import Averages, Detect, ReceiverSettings
from instruments.simulated.syntax import ScpiError
from instruments.simulated.variants import Variant

__all__ = ["LEAST_SPAN_HZ", "Settings"]

LEAST_SPAN_HZ = 100.0
WIDEST_VBW_HZ = 1.0e7


@dataclass(slots=True)
class Settings:
    """State after *RST unless said otherwise; None means 'coupled'."""

    variant: Variant
    start_hz: float = field(init=False)
    stop_hz: float = field(init=False)
    points: int = field(init=False)
    fixed_rbw_hz: float | None = None
    fixed_vbw_hz: float | None = None
    fixed_sweep_time_s: float | None = None
    fixed_attenuation_db: float | None = None
    reference_dbm: float = 0.0
    generator_dbm: float = -10.0
    generator_unit: str = field(init=False)
    output: bool = False
    detector: str = field(init=False)
    average: bool = field(init=False)
    average_count: int = 10
    average_kind: str = field(init=False)
    trace_mode: str = field(init=False)
    sweep_mode: str = field(init=False)
    continuous: bool = field(init=False)
    format: str = field(init=False)
    swapped: bool = field(init=False)

    def __post_init__(self) -> None:
        variant = self.variant
        self.start_hz, self.stop_hz = variant.frequency_hz
        self.points = variant.points_after_reset
        # a peak detector, so that whoever forgets to choose reads noise too high
        self.detector = next(
            (w for w, kind in variant.detectors.items() if kind == "peak"), next(iter(variant.detectors))
        )
        self.continuous = variant.continuous_after_reset
        self.average = variant.manners.averages_after_reset
        self.average_kind = next(iter(variant.average_kinds), "")
        self.trace_mode = next(iter(variant.trace_modes), "")
        self.sweep_mode = next((w for w, on in variant.sweep_modes.items() if on == self.continuous), "")
        self.fixed_sweep_time_s = variant.sweep_time_by_hand_s
        self.format = variant.formats[0]
        self.generator_unit = variant.manners.generator_unit
        self.swapped = variant.swapped

    @property
    def span_hz(self) -> float:
        """Stop minus start."""
        return self.stop_hz - self.start_hz

    @property
    def rbw_hz(self) -> float:
        """Filter in use; coupled: a hundredth of the span."""
        return self.variant.rbw(self.fixed_rbw_hz if self.fixed_rbw_hz is not None else self.span_hz / 100.0)

    @property
    def vbw_hz(self) -> float:
        """Video filter in use; coupled: three times the RBW."""
        return self.fixed_vbw_hz if self.fixed_vbw_hz is not None else min(WIDEST_VBW_HZ, 3.0 * self.rbw_hz)

    @property
    def attenuation_db(self) -> float:
        """Attenuator in use; coupled: the mixer sees -10 dBm at the reference level."""
        if self.fixed_attenuation_db is not None:
            return self.fixed_attenuation_db
        least, most, _ = self.variant.attenuation_db
        return self.variant.attenuation(min(most, max(least, self.reference_dbm + 10.0)))

    @property
    def sweep_time_s(self) -> float:
        """Time of one sweep; coupled: k * span / (RBW * min(RBW, VBW)), never faster than the instrument can."""
        if self.fixed_sweep_time_s is not None:
            return self.fixed_sweep_time_s
        coupled = self.variant.sweep_factor * self.span_hz / (self.rbw_hz * min(self.rbw_hz, self.vbw_hz))
        least, most = self.variant.sweep_time_s
        return min(most, max(least, coupled))

    @property
    def sweeps(self) -> int:
        """How many sweeps one INITiate takes."""
        several = self.average or self.variant.trace_modes.get(self.trace_mode) in {"average", "most"}
        return self.average_count if several else 1

    def put_start(self, hz: float) -> None:
        """Set the start; a stop below it moves up with it, or it is refused."""
        if self.variant.manners.axis_refuses and hz >= self.stop_hz:
            raise ScpiError(-221, "start above stop")
        self.start_hz = min(hz, self.variant.frequency_hz[1] - LEAST_SPAN_HZ)
        self.stop_hz = max(self.stop_hz, self.start_hz + LEAST_SPAN_HZ)

    def put_stop(self, hz: float) -> None:
        """Set the stop; a start above it moves down with it, or it is refused."""
        if self.variant.manners.axis_refuses and hz <= self.start_hz:
            raise ScpiError(-221, "stop below start")
        self.stop_hz = max(hz, self.variant.frequency_hz[0] + LEAST_SPAN_HZ)
        self.start_hz = min(self.start_hz, self.stop_hz - LEAST_SPAN_HZ)

    def put_center(self, hz: float, span_hz: float | None = None) -> None:
        """Set centre and span; what would leave the instrument's range narrows the span."""
        low, high = self.variant.frequency_hz
        half = min((self.span_hz if span_hz is None else span_hz) / 2.0, hz - low, high - hz)
        half = max(half, LEAST_SPAN_HZ / 2.0)
        self.start_hz, self.stop_hz = hz - half, hz + half

    def request(self) -> SweepRequest:
        """Return the sweep these settings make."""
        return SweepRequest(
            start_hz=self.start_hz,
            stop_hz=self.stop_hz,
            points=self.points,
            sweep_time_s=self.sweep_time_s,
            generator_dbm=self.generator_dbm if self.output else None,
            levelled_dbm=self.variant.levelled_dbm,
            sweep_factor=self.variant.sweep_factor,
            receiver=ReceiverSettings(
                rbw_hz=self.rbw_hz,
                vbw_hz=self.vbw_hz,
                attenuation_db=self.attenuation_db,
                reference_dbm=self.reference_dbm,
                detector=Detect(self.variant.detectors[self.detector]),
                holds=self.variant.trace_modes.get(self.trace_mode) == "most",
                average_count=self.sweeps,
                dwell_s=self.sweep_time_s / self.points,
                display_range_db=self.variant.display_range_db,
                averages=Averages(self.variant.average_kinds.get(self.average_kind, Averages.POWER)),
            ),
        )
