"""What an analyzer can do, from the ends of its settings: as it tells them, or as its dialect states them."""

from __future__ import annotations

from collections.abc import Mapping

from instruments.dialects.model import Dialect
from sequencer.core.capability import Capabilities

__all__ = ["capabilities_of", "stated_capabilities"]


def capabilities_of(dialect: Dialect, ends: Mapping[str, tuple[float, float]]) -> Capabilities:
    """Return the limits of an analyzer; ``ends`` are (least, most) by setting, in base units, dBm and dB."""
    settings = dialect.settings
    return Capabilities(
        frequency_hz=(ends["start"][0], ends["stop"][1]),
        points=(int(ends["points"][0]), int(ends["points"][1])),
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


def stated_capabilities(dialect: Dialect, usual: Capabilities) -> Capabilities:
    """Return what a dialect states without asking anybody; what it leaves to the instrument is as ``usual``."""
    ends: dict[str, tuple[float, float]] = {
        "start": usual.frequency_hz,
        "stop": usual.frequency_hz,
        "points": usual.points,
        "rbw": usual.rbw_range_hz,
        "attenuation": usual.attenuation_db,
        "reference": usual.reference_dbm,
        "generator level": usual.generator_dbm,
        "sweep time": usual.sweep_time_s,
    }
    stated = {name: setting.limits for name, setting in dialect.settings.items() if setting.limits is not None}
    return capabilities_of(dialect, ends | stated)
