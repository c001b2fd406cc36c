"""Whether a zoom agrees with the overview of its own hookup: one thing, read twice in one mating; pure.

A joint that was open for the overview alone shows in no repeat, for it is swept once; nor do zooms of another day
beside this day's overviews. Both normalised to their own thru (or open and short), the two must meet within their
noise, what the stated figures allow, and what the frequency axes, the step and the filter of the overview leave open.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from sequencer.core.history import Role, SavedTrace
from sequencer.core.normalise import fitting
from sequencer.core.trace import FloatArray, SweepSettings
from sequencer.errors import MeasurementError
from sequencer.run.measured import Measured, PathCurve, PortCurve
from sequencer.run.passivity import Doubt
from sequencer.run.proof import FLOOR_BELOW_DB
from sequencer.run.saved import why_apart
from sequencer.run.steadiness import JUMP_DB, SIGMAS
from sequencer.run.windows import ASSUMED_Q, OVERVIEW
from sequencer.units import show_db, show_hz

__all__ = ["Gap", "gap", "parted"]

OVER_NOISE_DB = 15.0  # nearer to it a level scatters unevenly, and six sigmas are more than any gap
# Where the zoom is narrower than a step of the overview, a notch can hide between its points; one that does is not
# flat in the zoom, nor its flanks in the overview.
FLAT_DB = 1.0
_UNSEEN_DB = 0.02  # as in `consistency`
_ABOUT, _FEWEST = 2.0, 9  # so many zooms to each side, with so many points of the overview, tell its course through it
_ROUGH = 0.02  # of a level, 0.1 dB: what a fast sweep and a polynomial leave
_FIT_SIGMAS = 4.5
_PLACES = 5  # along a zoom: its course is smooth
_NOISE_DB = 1.0  # noise of one analyzer at one setting, some megahertz apart; common practice, no source


class Gap(NamedTuple):
    """Where a zoom and its overview lie furthest apart: both in dB of loss, and by how much they miss each other."""

    key: str
    at_hz: float
    overview_db: float
    zoom_db: float
    beyond_db: float

    @property
    def size_db(self) -> float:
        """How far they lie apart, dB."""
        return abs(self.overview_db - self.zoom_db)


def parted(measured: Measured, saved: Sequence[SavedTrace] = ()) -> Iterator[Doubt]:
    """Yield the hookups of the device whose zooms and overview contradict each other, with both figures.

    ``saved`` are the traces that stand in place of sweeps; of these no one knows that nothing was moved.
    """
    paths = dict.fromkeys(need.path for need in measured.recipe.requirements if need.path is not None)
    for name in ("-".join(path) for path in paths):
        yield from _doubts(name, gap(measured, name), saved)
    for name in (f"reflect-{port}" for port in measured.recipe.ports):
        yield from _doubts(name, gap(measured, name), saved)


def _doubts(name: str, found: Gap | None, saved: Sequence[SavedTrace]) -> Iterator[Doubt]:
    if found is not None:
        yield Doubt((name,), gap_text(name, found, [t for t in saved if t.hookup.name == name]))


def gap_text(name: str, found: Gap, saved: Sequence[SavedTrace] = ()) -> str:
    """Return a gap in words; ``saved``: the files of that hookup, where it was read from some."""
    why = (
        "they are not of one mating of one device, a joint comes and goes, or the analyzer reads levels otherwise at "
        "other settings"
    )
    if saved:
        why = why_apart([t for t in saved if t.key in (OVERVIEW, found.key)])
    what = "return loss" if name.startswith("reflect-") else "loss"
    return (
        f"{name}: the overview reads {show_db(found.overview_db, 1)} of {what} at {show_hz(found.at_hz)} and the zoom "
        f"{found.key!r} of the same hookup {show_db(found.zoom_db, 1)}: {why}"
    )


def gap(measured: Measured, name: str) -> Gap | None:
    """Return the widest gap between the overview of a hookup of the device and its zooms; None where they agree."""
    role = Role.REFLECTION if name.startswith("reflect-") else Role.DEVICE
    keys = measured.sweeps.keys(name, role)
    if OVERVIEW not in keys:
        return None
    rests_on = measured.rests_on(name)
    return measured.sweeps.once(
        ("gap", id(measured.figures), name, rests_on), rests_on, lambda: _widest(measured, name, keys)
    )


def _widest(measured: Measured, name: str, keys: Iterable[str]) -> Gap | None:
    found = []
    for key in keys:
        try:
            each = None if key == OVERVIEW else _gap(measured, name, key)
        except MeasurementError:  # sweeps that do not fit are told of where they are used
            continue
        found += [] if each is None else [each]
    return max(found, key=lambda each: each.beyond_db, default=None)


def _curve(measured: Measured, name: str, key: str) -> PathCurve | PortCurve:
    first, _, second = name.partition("-")
    return measured.port(second, key) if first == "reflect" else measured.path((first, second), key)


def _gap(measured: Measured, name: str, key: str) -> Gap | None:
    whole, near = _curve(measured, name, OVERVIEW), _curve(measured, name, key)
    picture, zoom = whole.response, near.response
    used = whole.device.used
    ours, theirs = _levels(measured, near), _levels(measured, whole)
    first, last = float(zoom.freq_hz[0]), float(zoom.freq_hz[-1])
    step = float(picture.freq_hz[1] - picture.freq_hz[0])
    inside = picture.freq_hz[(picture.freq_hz > first) & (picture.freq_hz < last)]
    allowed_db = _allowed_db(measured, whole, near)
    apart_hz = max(_apart_hz(measured, near, whole, each) for each in (first, last))
    worst: Gap | None = None
    places = np.append(inside, 0.5 * (first + last))
    # two bands lie no further apart than the two curves do in their midst: nearly always that is all there is to do
    apart_db = np.abs(np.interp(places, zoom.freq_hz, ours[0]) - np.interp(places, picture.freq_hz, theirs[0]))
    for at_hz in places[apart_db > allowed_db].tolist():
        low_hz, high_hz = at_hz - 0.5 * step, at_hz + 0.5 * step  # what a point of the overview stands for
        narrow = low_hz < first or last < high_hz
        mine = _band(zoom.freq_hz, *ours, max(low_hz, first), min(high_hz, last))
        other = _band(picture.freq_hz, *theirs, low_hz - apart_hz, high_hz + apart_hz + _late_hz(used, at_hz))
        if mine is None or other is None:
            continue
        if narrow and max(mine.high - mine.low, other.high - other.low) > FLAT_DB:
            continue
        over_db = max(mine.low - other.high, other.low - mine.high)
        if over_db <= allowed_db:
            continue
        beyond = over_db - allowed_db - 2.0 * measured.figures.scale(max(mine.high, other.high)).most
        beyond -= SIGMAS * math.hypot(mine.u_db, other.u_db)
        if beyond > 0.0 and (worst is None or beyond > worst.beyond_db):
            at = int(np.argmin(np.abs(picture.freq_hz - at_hz)))
            here = int(np.argmin(np.abs(zoom.freq_hz - at_hz)))
            worst = Gap(key, at_hz, float(theirs[0][at]), float(ours[0][here]), beyond)
    return worst or _together(measured, whole, near, key, apart_hz)


def _together(
    measured: Measured, whole: PathCurve | PortCurve, near: PathCurve | PortCurve, key: str, apart_hz: float
) -> Gap | None:
    """Return the gap between a zoom and the course that all points of the overview about it show; None if none.

    So near the noise a point alone says nothing, but power less noise has no bias, and many points tell a notch.
    """
    if not isinstance(whole, PathCurve) or not isinstance(near, PathCurve) or not whole.has_noise or not near.has_noise:
        return None
    picture, zoom, used = whole.response, near.response, whole.device.used
    first, last = float(zoom.freq_hz[0]), float(zoom.freq_hz[-1])
    about = np.abs(picture.freq_hz - 0.5 * (first + last)) <= _ABOUT * (last - first)
    if np.any(picture.cut_off[about]) or np.any(zoom.cut_off) or np.sum(about) < _FEWEST:
        return None
    freq_hz, raw, noise = picture.freq_hz[about], picture.raw[about], picture.noise[about]
    # a point's own reading would give the lowest of them the least uncertainty
    level = np.maximum(np.convolve(np.pad(raw, 2, mode="edge"), np.ones(5) / 5.0, "valid"), noise)
    u = np.sqrt((2.0 * level * noise - noise**2) / whole.device.independent + (_ROUGH * level) ** 2)
    at_hz = np.linspace(first, last, _PLACES)
    late_hz = np.linspace(-apart_hz, _late_hz(used, last) + apart_hz, _PLACES)  # where the overview shows it
    seen = fitting(freq_hz, raw - noise, u, np.add.outer(at_hz, late_hz).ravel(), shared=picture.shared)
    course = fitting(zoom.freq_hz, zoom.ratio, zoom.u_ratio, at_hz, shared=zoom.shared)
    if seen is None or course is None:
        return None
    value, u_value = (each.reshape(_PLACES, _PLACES) for each in seen)
    spread = _FIT_SIGMAS * np.max(u_value, axis=1) + (10.0 ** (_NOISE_DB / 10.0) - 1.0) * float(np.median(noise))
    mine, u_mine = course[0], _FIT_SIGMAS * course[1]
    loss_db = -10.0 * math.log10(float(np.max(np.maximum(mine, u_mine))))
    allowed = 10.0 ** ((_allowed_db(measured, whole, near) + 2.0 * measured.figures.scale(loss_db).most) / 10.0)
    over = np.maximum(np.min(value, axis=1) - spread, 0.0) / (np.maximum(mine, 0.0) + u_mine) / allowed
    under = np.maximum(mine - u_mine, 0.0) / (np.maximum(np.max(value, axis=1), 0.0) + spread) / allowed
    worst = int(np.argmax(np.maximum(over, under)))
    beyond = float(max(over[worst], under[worst]))
    if not beyond > 1.0:
        return None
    seen_db = -10.0 * math.log10(max(float(np.mean(value[worst])), float(spread[worst])))
    zoom_db = -10.0 * math.log10(max(float(mine[worst]), float(u_mine[worst])))
    return Gap(key, float(at_hz[worst]), seen_db, zoom_db, 10.0 * math.log10(beyond))


def _apart_hz(measured: Measured, near: PathCurve | PortCurve, whole: PathCurve | PortCurve, at_hz: float) -> float:
    """How far the two frequency axes may lie apart, Hz: the reference is out alike for both, the span is not."""
    centers = (float(np.mean(each.response.freq_hz[[0, -1]])) for each in (whole, near))
    return sum(measured.shift(center_hz).sizes_hz(at_hz)[1] for center_hz in centers)


class _Band(NamedTuple):
    low: float
    high: float
    u_db: float


def _band(freq_hz: FloatArray, loss_db: FloatArray, u_db: FloatArray, low_hz: float, high_hz: float) -> _Band | None:
    """Return between what a curve reads from one frequency to another; None where it reads nothing in part of it."""
    first, last = np.searchsorted(freq_hz, (low_hz, high_hz))
    ends = np.interp((low_hz, high_hz), freq_hz, loss_db)
    here = np.concatenate([ends, loss_db[first:last]])
    if not np.all(np.isfinite(here)):
        return None
    noise = u_db[max(first - 1, 0) : last + 1]
    return _Band(float(np.min(here)), float(np.max(here)), float(np.max(noise)))


def _levels(measured: Measured, curve: PathCurve | PortCurve) -> tuple[FloatArray, FloatArray]:
    """Return a curve's loss and its noise, dB; NaN where it does not stand clear of noise and display."""
    r, floor = curve.response, _noise(measured, curve)
    with np.errstate(divide="ignore", invalid="ignore"):
        clear = (r.raw > floor * 10.0 ** (OVER_NOISE_DB / 10.0)) & ~r.cut_off & (r.ratio > 0.0)
        loss_db = np.where(clear, -10.0 * np.log10(r.ratio), np.nan)
        share = floor / r.raw  # a mean power of K samples has the relative variance (2 s + s^2) / K, its reference too
        theory = (2.0 * share + share**2 + 2.0 * floor) / curve.device.independent
        u_db = 4.343 * np.sqrt(np.maximum((np.nan_to_num(r.u_ratio) / r.raw) ** 2, theory))
    return loss_db, u_db


def _noise(measured: Measured, curve: PathCurve | PortCurve) -> FloatArray:
    """Return noise over the reference as a power ratio; where nobody saw any, what every analyzer keeps below."""
    r, used = curve.response, curve.device.used
    if isinstance(curve, PathCurve) and curve.has_noise:
        return r.noise
    heard = measured.sweeps.latest("thru", OVERVIEW, Role.FOREIGN)
    if heard is None:
        return np.full(r.raw.shape, 10.0 ** (-(FLOOR_BELOW_DB + OVER_NOISE_DB) / 10.0))
    wider = used.rbw_hz / heard.used.rbw_hz * 10.0 ** ((used.attenuation_db - heard.used.attenuation_db) / 10.0)
    return np.asarray(float(np.nanmedian(heard.power_mw)) * wider / 10.0 ** (r.thru_dbm / 10.0))


def _late_hz(used: SweepSettings, at_hz: float) -> float:
    """How far a sweep runs on while filter and cavities settle, Hz."""
    rate = used.span_hz / used.sweep_time_s if used.sweep_time_s else 0.0
    return rate * (1.0 / used.rbw_hz + ASSUMED_Q / (math.pi * at_hz))


def _allowed_db(measured: Measured, whole: PathCurve | PortCurve, near: PathCurve | PortCurve) -> float:
    """As much as the stated figures allow two readings of one mating to differ, all but the scale, dB.

    What the filter, the attenuator and the reference switch is alike in the device and its reference, unless they too
    differ in it. A mating is allowed for, since nobody asks that saved traces be of one; a jump below it is none.
    """
    figures, parts = measured.figures, []
    for curve in (whole, near):
        reference = curve.opening if isinstance(curve, PathCurve) else curve.opened
        hours = abs((curve.device.ended - reference.began).total_seconds()) / 3600.0
        parts += [*figures.switching(curve.response.switched), figures.tracking(curve.device.used.rbw_hz, hours)]
    apart_s = abs((near.device.ended - whole.device.began).total_seconds())
    joints = figures.connections("", 1)[:2] if isinstance(whole, PathCurve) else figures.bridge_connections("")[:1]
    parts += [figures.drift(apart_s / 3600.0), *joints]
    return JUMP_DB + _UNSEEN_DB + sum(each.most for each in parts)
