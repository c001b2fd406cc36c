"""What a run's own sweeps say against the figures its intervals rest on; pure.

Each check compares two readings of one thing, or a reading with what no passive device can do, and allows all that
the stated figures allow at their limits together. What still stands out is either a fault of the moment or a figure
that is too kind; the report says so, with both numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from operator import attrgetter

import numpy as np

from sequencer.core.history import Role
from sequencer.core.normalise import Averaged, differing
from sequencer.core.trace import FloatArray
from sequencer.errors import MeasurementError
from sequencer.run.mating import LEAST_DB
from sequencer.run.measured import Measured, PortCurve

__all__ = ["inconsistencies"]

_MOST = attrgetter("most")
_SIGMAS = 4.0  # of noise: a false alarm in 16,000 checks
_UNSEEN_DB = (
    0.02  # tracking, ripple between points and whatever else two sweeps may differ by; common practice, no source
)
_AT_LEAST = "the bench file states too little, or something moved: intervals that rest on it are too narrow"
_LUCK = 4.0  # six matings of the best family scatter so many times less once in 400 runs (chi-squared)
_SWITCHES = ("attenuation_db", "reference_dbm", "rbw_hz")


def inconsistencies(measured: Measured) -> tuple[str, ...]:
    """Return what does not fit the bench's figures, in words; nothing where all of it fits."""
    found: list[str] = []
    for check in (_thrus, _keys, _bridge, _matings):
        try:
            found += check(measured)
        except MeasurementError:  # sweeps that do not fit are told of where they are used
            continue
    return tuple(dict.fromkeys(found))


def _noise_db(*averaged: Averaged) -> float:
    """Four standard uncertainties of the median of a difference over all points, dB."""
    points = averaged[0].power_mw.size / max(averaged[0].shared, 1.0)
    variance = sum(_middle(each.u_rel) ** 2 for each in averaged if each.repeats > 1)
    return _SIGMAS * 4.343 * 1.25 * math.sqrt(variance / max(points, 1.0))


def _middle(values: FloatArray) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if good.size else 0.0


def _thrus(measured: Measured) -> Iterator[str]:
    """Closing against opening thru: drift at its stated rate, and two matings."""
    for key in measured.sweeps.keys("thru", Role.THRU):
        opening, closing = measured.sweeps.opening(key), measured.sweeps.closing(key)
        if opening is None or closing is None or differing(opening.used, closing.used):
            continue
        moved_db = _middle(10.0 * np.log10(closing.power_mw / opening.power_mw))
        hours = (closing.ended - opening.began).total_seconds() / 3600.0
        drift, joints = measured.figures.drift(hours), measured.figures.connections("thru", 1)[-1:]
        allowed_db = drift.most + 2.0 * sum(map(_MOST, joints)) + _UNSEEN_DB + _noise_db(opening, closing)
        if abs(moved_db) > allowed_db:
            yield (
                f"opening and closing thru differ by {abs(moved_db):.3f} dB at {key!r}; the stated drift and "
                f"connection repeatability allow {allowed_db:.3f} dB: {_AT_LEAST}"
            )


def _keys(measured: Measured) -> Iterator[str]:
    """One thru at two settings: what switching the RBW, the attenuator and the reference level may do."""
    picture = measured.sweeps.opening("overview")
    if picture is None:
        return
    for key in measured.sweeps.keys("thru", Role.THRU):
        zoom = measured.sweeps.opening(key)
        if zoom is None or key == "overview" or zoom.used.generator_dbm != picture.used.generator_dbm:
            continue
        switched = tuple(name for name in differing(picture.used, zoom.used) if name in _SWITCHES)
        there = np.interp(zoom.freq_hz, picture.freq_hz, 10.0 * np.log10(picture.power_mw))
        apart_db = _middle(10.0 * np.log10(zoom.power_mw) - there)
        scale = measured.figures.scale(picture.used.reference_dbm - zoom.used.reference_dbm)
        allowed_db = sum(map(_MOST, (*measured.figures.switching(switched), scale)))
        allowed_db += _UNSEEN_DB + _one_point_db(picture) + _noise_db(zoom) + _lifted_db(measured, picture)
        if switched and abs(apart_db) > allowed_db:
            yield (
                f"the thru reads {abs(apart_db):.3f} dB apart at the settings of 'overview' and {key!r}; the stated "
                f"switching errors allow {allowed_db:.3f} dB: {_AT_LEAST}"
            )


def _lifted_db(measured: Measured, picture: Averaged) -> float:
    """How much noise adds to the thru's power in the picture's wide filter, dB."""
    noise = measured.sweeps.latest("thru", "overview", Role.FOREIGN)
    if noise is None:
        return 0.0
    share = float(np.nanmean(noise.power_mw)) / float(np.nanmedian(picture.power_mw))
    return 10.0 * math.log10(1.0 + share)


def _one_point_db(of: Averaged) -> float:
    """Four standard uncertainties of two neighbouring points, dB, from their own scatter along the trace."""
    level = 10.0 * np.log10(of.power_mw)
    steps = np.diff(level, 2)
    return _SIGMAS * 0.5 * _middle(np.abs(steps))


def _bridge(measured: Measured) -> Iterator[str]:
    """Open against short, and no port that gives back more than it gets."""
    directivity, match = measured.figures.directivity().value, measured.figures.test_port().value
    for port in measured.recipe.ports:
        for key in measured.sweeps.keys(f"reflect-{port}", Role.REFLECTION):
            curve = measured.port(port, key)
            joint_db, standards_db = _joints_db(measured, curve)
            size = directivity + match
            either_db = 20.0 * math.log10((1 + size) / (1 - size)) if size < 1.0 else math.inf  # may hide one wholly
            allowed_db = either_db + 2.0 * (joint_db + standards_db) + _UNSEEN_DB
            if curve.open_short_db > allowed_db + curve.ripple_noise_db:
                yield (
                    f"open and short on the bridge differ by {curve.open_short_db:.2f} dB at {key!r}; its stated "
                    f"directivity and match allow {allowed_db:.2f} dB: clean the test port or correct the bench file"
                )
            most_db, u_db = _highest_db(curve)
            full_db = 20.0 * math.log10(directivity + 1.0 / (1.0 - match)) + 2.0 * joint_db + standards_db
            full_db += sum(map(_MOST, measured.figures.switch_loss(f"reflect-{port}")))
            if most_db > full_db + _SIGMAS * u_db:
                yield (
                    f"port {port} seems to give back {most_db:.2f} dB more than it gets at {key!r}; the stated "
                    f"directivity and match allow a reading of {full_db:.2f} dB: {_AT_LEAST}"
                )


def _matings(measured: Measured) -> Iterator[str]:
    """The thru's joint, opened and closed: no better than any joint is, and no worse than stated."""
    figures, mated = measured.figures, measured.figures.mated
    if mated is None:
        return
    if mated.seen_db < LEAST_DB / _LUCK:
        yield (
            f"{mated.times} matings of the thru scatter by {mated.seen_db:.4f} dB, less than any joint does: was it "
            f"opened each time? {mated.u_db:g} dB is taken, as of the best connectors"
        )
    stated = figures.bench.specifications.connection_db
    if stated is not None:
        allowed_db = 2.0 * stated.worst + figures.drift(mated.hours).most + _UNSEEN_DB
        if mated.range_db > allowed_db:
            yield (
                f"{mated.times} matings of the thru differ by up to {mated.range_db:.3f} dB; the stated drift and "
                f"connection repeatability allow {allowed_db:.3f} dB: what was measured is taken; correct the file"
            )


def _joints_db(measured: Measured, curve: PortCurve) -> tuple[float, float]:
    """Return the most one joint and drift can do, and the most the standards can, dB."""
    hours = (curve.device.began - curve.opened.began).total_seconds() / 3600.0
    joint = measured.figures.bridge_connections("port")[0].most
    return joint + 0.5 * measured.figures.drift(hours).most, measured.figures.standards().most


def _highest_db(curve: PortCurve) -> tuple[float, float]:
    """Highest reading of three neighbours' median, dB above full reflection, and its noise."""
    ratio = curve.response.ratio
    if ratio.size >= 3:
        ratio = np.median(np.stack([ratio[:-2], ratio[1:-1], ratio[2:]]), axis=0)
    if not np.any(np.isfinite(ratio)):
        return -math.inf, 0.0
    index = int(np.nanargmax(ratio))
    u = float(np.nan_to_num(curve.response.u_ratio[min(index + 1, curve.response.u_ratio.size - 1)]))
    u_db = max(4.343 * u / max(float(ratio[index]), 1e-12), curve.scatter_db)
    return 10.0 * math.log10(max(float(ratio[index]), 1e-12)), u_db
