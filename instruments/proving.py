"""Proves a dialect by using it, the generator off: what it says must be seen in a few sweeps of plain noise."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from instruments.analyzer import ScpiAnalyzer
from instruments.dialects import Dialect
from instruments.link import Link
from instruments.traces import read_trace
from sequencer.core.trace import Detector, SweepSettings
from sequencer.errors import BenchError, InstrumentError, MeasurementError
from sequencer.ports import Clock

__all__ = ["why_not"]

_SWEEP_S = 0.3
_FLAT_SHARE = 0.05  # of the points on one and the same lowest level: the display's bottom


def why_not(link: Link, dialect: Dialect, clock: Clock) -> str:
    """Return why the dialect does not fit the instrument, empty where nothing speaks against it.

    The link stays open, the generator off. What is proven: settings read back, a single sweep whose trace is final
    when its end is told, another sweep that differs, filters as listed, and the display's bottom as stated.
    """
    try:
        analyzer = ScpiAnalyzer(link, dialect, clock)
        settings = _noise(dialect, analyzer)
        first = analyzer.sweep(settings)
        at_once = first.trace.level_dbm
        time.sleep(1.5 * _SWEEP_S + 0.2)
        if not np.array_equal(at_once, read_trace(link, dialect.trace, at_once.size), equal_nan=True):
            return "the trace still changed after the end of the sweep had been told"
        if not np.all(np.isfinite(at_once)):
            return "points of a finished sweep are missing"
        if np.array_equal(at_once, analyzer.sweep(settings).trace.level_dbm):
            return "two sweeps gave the very same trace"
        return _display(analyzer, settings) or _filters(analyzer, settings)
    except (BenchError, MeasurementError) as exc:
        return exc.message


def _noise(dialect: Dialect, analyzer: ScpiAnalyzer) -> SweepSettings:
    can = analyzer.capabilities()
    low, high = can.frequency_hz
    start_hz = min(max(100e6, low), 0.5 * high)
    return SweepSettings(
        start_hz=start_hz,
        stop_hz=min(2.0 * start_hz, high),
        points=int(min(max(401, can.points[0]), can.points[1])),
        rbw_hz=min(max([hz for hz in can.rbw_hz if hz <= 3e5], default=3e5), can.rbw_range_hz[1]),
        attenuation_db=min(max(10.0, can.attenuation_db[0]), can.attenuation_db[1]),
        reference_dbm=max(-50.0, can.reference_dbm[0]),
        generator_dbm=None,
        detector=Detector.SAMPLE if Detector.SAMPLE in dialect.detectors else Detector.POWER,
        sweep_time_s=_SWEEP_S,
    )


def _display(analyzer: ScpiAnalyzer, settings: SweepSettings) -> str:
    can = analyzer.capabilities()
    rbw_hz = min([hz for hz in can.rbw_hz if hz >= 1e3], default=max(1e3, can.rbw_range_hz[0]))
    center_hz = settings.center_hz
    narrow = replace(
        settings,
        start_hz=center_hz - 25.0 * rbw_hz,
        stop_hz=center_hz + 25.0 * rbw_hz,
        rbw_hz=rbw_hz,
        reference_dbm=min(20.0, can.reference_dbm[1]),
        sweep_time_s=None,
    )
    sweep = analyzer.sweep(narrow)
    shown = sweep.trace.level_dbm
    lowest = float(np.min(shown))
    if np.mean(shown == lowest) > _FLAT_SHARE:
        stated = sweep.used.display_bottom_dbm
        if stated is None:
            return f"the display ends at {lowest:.1f} dBm, of which the dialect says nothing"
        if abs(stated - lowest) > 1.0:
            return f"the display ends at {lowest:.1f} dBm, the dialect says {stated:.1f} dBm"
    return ""


def _filters(analyzer: ScpiAnalyzer, settings: SweepSettings) -> str:
    can = analyzer.capabilities()
    for asked_hz in (2e4, 5e4):
        if not can.rbw_hz or not can.rbw_range_hz[0] <= asked_hz <= can.rbw_range_hz[1]:
            continue
        narrow = replace(
            settings,
            start_hz=settings.center_hz - 10.0 * asked_hz,
            stop_hz=settings.center_hz + 10.0 * asked_hz,
            rbw_hz=asked_hz,
            sweep_time_s=None,
        )
        try:
            used_hz = analyzer.sweep(narrow).used.rbw_hz
        except InstrumentError:
            analyzer.sweep(settings)  # it refuses what lies between its filters, and goes on
            continue
        if not any(abs(used_hz / hz - 1.0) < 0.01 for hz in can.rbw_hz):
            return f"it has a filter of {used_hz:g} Hz, which the dialect does not list"
    return ""
