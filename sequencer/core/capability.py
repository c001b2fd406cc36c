"""What an analyzer can do, as far as a plan needs to know it."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.core.trace import Detector

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
