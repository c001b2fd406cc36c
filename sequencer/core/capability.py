"""What an analyzer can do, as far as a plan needs to know it."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.core.trace import Detector
from sequencer.errors import InstrumentError

__all__ = ["Capabilities"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Capabilities:
    """Limits of an analyzer with tracking generator.

    ``points`` is (least, most); equal ends mean a fixed number. ``rbw_hz`` is the list of filters where
    they are few and known (ascending), else empty, and ``rbw_range_hz`` holds in any case.
    ``display_range_db`` is how far below the reference level the trace reaches; None where unlimited.
    ``sweep_factor`` is k in sweep time = k * span / RBW^2 as the instrument couples it, None where unknown.
    """

    frequency_hz: tuple[float, float]
    points: tuple[int, int]
    rbw_range_hz: tuple[float, float]
    attenuation_db: tuple[float, float]
    reference_dbm: tuple[float, float]
    generator_dbm: tuple[float, float]
    generator_fitted: bool
    detectors: tuple[Detector, ...] = (Detector.POWER, Detector.SAMPLE)
    rbw_hz: tuple[float, ...] = ()
    attenuation_step_db: float = 10.0
    generator_step_db: float = 0.0
    display_range_db: float | None = None
    sweep_time_s: tuple[float, float] = (0.0, 1.0e4)
    sweep_factor: float | None = None
    adjusts_tracking: bool = False
    generator_min_rbw_hz: float = 0.0
    noise_dbm_hz: float | None = None  # only a predicting bench knows it beforehand

    def __post_init__(self) -> None:
        """Refuse limits that no analyzer has, before anything is planned with them."""
        odd = [name for name, fits in self._checks() if not fits]
        if odd:
            said = ", ".join(f"{name} {getattr(self, name)}" for name in odd)
            msg = f"the analyzer states limits that cannot be: {said}; check its dialect"
            raise InstrumentError(msg, odd=tuple(odd))

    def _checks(self) -> tuple[tuple[str, bool], ...]:
        def span(ends: tuple[float, float], least: float, most: float) -> bool:
            return least <= ends[0] <= ends[1] <= most

        factor, display = self.sweep_factor, self.display_range_db
        return (
            ("frequency_hz", span(self.frequency_hz, 0.0, 1e13) and self.frequency_hz[0] < self.frequency_hz[1]),
            ("points", span(self.points, 2, 10_000_000) and self.points[1] >= 51),  # fewer plan no zoom
            ("rbw_range_hz", span(self.rbw_range_hz, 1e-3, 1e12)),
            ("rbw_hz", all(1e-3 <= hz <= 1e12 for hz in self.rbw_hz)),
            ("attenuation_db", span(self.attenuation_db, -200.0, 200.0)),
            ("reference_dbm", span(self.reference_dbm, -500.0, 500.0)),
            ("generator_dbm", span(self.generator_dbm, -500.0, 500.0)),
            ("attenuation_step_db", 0.0 <= self.attenuation_step_db <= 200.0),
            ("generator_step_db", 0.0 <= self.generator_step_db <= 200.0),
            ("sweep_time_s", 0.0 <= self.sweep_time_s[0] <= self.sweep_time_s[1]),  # the greatest may be infinite
            ("sweep_factor", factor is None or 1e-6 <= factor <= 1e6),
            ("display_range_db", display is None or 1.0 <= display <= 1000.0),
            ("generator_min_rbw_hz", 0.0 <= self.generator_min_rbw_hz <= 1e12),
            ("noise_dbm_hz", self.noise_dbm_hz is None or -300.0 <= self.noise_dbm_hz <= 300.0),
        )
