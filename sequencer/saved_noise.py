"""Saved traces against the noise that their own stated settings allow: what lies below it was not taken so; pure.

Noise at the input grows with the filter's width and with the attenuation before the mixer. A trace that reads less
than a floor trace of the same run, brought to its settings, or less than a warm resistor gives, contradicts them; and
a bound made with such a figure would stand above the truth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from sequencer.core.history import Role, SavedKind
from sequencer.core.hookup import HookupKind
from sequencer.core.trace import FloatArray, SweepSettings
from sequencer.errors import UsageError
from sequencer.run.saved_averaging import NEAR_NOISE_DB
from sequencer.units import show_hz

if TYPE_CHECKING:
    from sequencer.saved_pieces import Piece

__all__ = ["near_noise", "refuse_below_noise"]

_THERMAL_DBM_HZ = -174.0  # k T at 290 K
_SAME_DB = 1.0  # noise of one analyzer at one setting, an evening and some megahertz apart; common practice, no source
_SWITCHED_DB = 1.0  # a filter's noise bandwidth beside its name, an attenuator's step; common practice, no source
_LOG_DB = 2.51  # a video filter averages noise in decibels this much too low (exact: 10 lg e times Euler's constant)
_ONE_SAMPLE_DB = 4.34  # scatter of the mean of m samples of noise, times sqrt m: 10 lg e (derived)
_SHARED_DB = 5.57  # scatter of one sample of noise: 10 lg e times pi / sqrt 6 (derived)
_SHARED = 0.5  # of the points apart from each other, or fewer: then each holds one sample, not the mean of some
_SIGMAS = 4.0
_RARE = math.log(1e6)  # noise does so once in a million traces
_CLIPPED = 0.2  # of all points at the very lowest level: the display ended there, and the noise may be anywhere below
_NEAR = 9  # points that are averaged, to find a notch that lies below the noise in a wide trace
_REFERENCE_DB = 5.0  # a higher reference level may show the noise of the stages behind it


def near_noise(pieces: Sequence[Piece]) -> list[Piece]:
    """Return the traces whose averaging matters: paths that read near the noise, the floor, and any that tell of some.

    Elsewhere a mean of decibels and one of power are alike (`run.saved_averaging`).
    """
    floors = [p for p in pieces if p.expected.hookup.kind is HookupKind.FLOOR]
    noise = [float(np.nanmedian(p.level_db)) for p in floors if p.expected.role is Role.NOISE]
    paths = [p for p in pieces if p.expected.role is Role.DEVICE]
    near = [p for p in paths if noise and float(np.nanmin(p.level_db)) < max(noise) + NEAR_NOISE_DB]
    told = [p for p in pieces if p.facts.averaging == "on" and p not in near and p not in floors]
    return [*near, *(floors if near else ()), *told]


def refuse_below_noise(pieces: Sequence[Piece]) -> None:
    """Refuse traces that lie clearly below the noise that their stated filter and attenuation allow.

    Raises
    ------
    UsageError
        Naming both traces, with both levels.
    """
    levels = [p for p in pieces if p.kind is SavedKind.LEVEL and not {"rbw_hz", "attenuation_db"} & set(p.unknown)]
    floors = [p for p in levels if p.expected.role in (Role.NOISE, Role.FOREIGN) and not _clipped(p.level_db)]
    for piece in levels:
        used = piece.settings
        assert used is not None
        warm_dbm = _THERMAL_DBM_HZ + _gain_db(used)
        low = _below(piece, warm_dbm, _SAME_DB + _low_db(piece))
        if low is not None:
            _refuse(piece, low, f"a resistor at room temperature reads {warm_dbm:.1f} dBm")
        for floor in floors:
            if floor is piece or not _overlap(floor, piece):
                continue
            there = floor.settings
            assert there is not None
            if there.reference_dbm > used.reference_dbm + _REFERENCE_DB:
                continue
            noise_dbm, unsure_db = _noise(floor.level_db)
            here_dbm = noise_dbm - _gain_db(there) + _gain_db(used)
            low = _below(piece, here_dbm, unsure_db + _may_differ_db(used, there) + _low_db(piece))
            if low is not None:
                told = (
                    f"noise alone reads {here_dbm:.1f} dBm, by {floor.source} ({noise_dbm:.1f} dBm at {_words(there)})"
                )
                _refuse(piece, low, told)


def _refuse(piece: Piece, low_dbm: float, told: str) -> None:
    assert piece.settings is not None
    msg = (
        f"{piece.source}: reads {low_dbm:.1f} dBm, but at its stated {_words(piece.settings)} {told}: no trace can lie "
        "so far below. One of these settings is not what it was: correct it, in the file or traces.yaml, or sweep again"
    )
    raise UsageError(msg, source=piece.source)


def _words(used: SweepSettings) -> str:
    return f"RBW {show_hz(used.rbw_hz)} and attenuation {used.attenuation_db:g} dB"


def _gain_db(used: SweepSettings) -> float:
    return 10.0 * math.log10(used.rbw_hz) + used.attenuation_db


def _may_differ_db(used: SweepSettings, there: SweepSettings) -> float:
    """Return by how much scaled noise may be off from one setting to the other, dB; the causes are independent."""
    video = any(s.vbw_hz is not None and s.vbw_hz < s.rbw_hz for s in (used, there))
    switched = (used.rbw_hz != there.rbw_hz) + (used.attenuation_db != there.attenuation_db)
    return math.sqrt(_SAME_DB**2 + switched * _SWITCHED_DB**2) + (_LOG_DB if video else 0.0)


def _low_db(*pieces: Piece) -> float:
    """Return by how much a mean of decibels, or of nobody knows what, may stand below that of power."""
    return 0.0 if all(p.averaging in ("off", "power") for p in pieces) else _LOG_DB


def _overlap(a: Piece, b: Piece) -> bool:
    return bool(a.freq_hz[0] <= b.freq_hz[-1] and b.freq_hz[0] <= a.freq_hz[-1])


def _clipped(level_db: FloatArray) -> bool:
    return float(np.mean(level_db <= np.nanmin(level_db, initial=np.inf))) >= _CLIPPED


def _scatter_db(level_db: FloatArray) -> float:
    """Standard deviation of a point, dB, from second differences: a slope has none."""
    bends = np.diff(level_db[np.isfinite(level_db)], 2)
    return float(np.median(np.abs(bends))) * 1.48 / math.sqrt(6.0) if bends.size else _ONE_SAMPLE_DB


def _samples(piece: Piece) -> float:
    """Return how many samples of noise a point can hold at the stated settings: RBW times the time spent on it.

    Below 1 points share samples: an oversampled trace scatters little from point to point, and proves no more for that.
    Time that nobody tells tells nothing; sweeps averaged by the analyzer are not counted, so as not to accuse.
    """
    assert piece.settings is not None
    time_s = None if "sweep_time_s" in piece.unknown else piece.settings.sweep_time_s
    return 0.0 if time_s is None else piece.settings.rbw_hz * time_s / piece.freq_hz.size


def _noise(level_db: FloatArray) -> tuple[float, float]:
    """Return the mean level of noise, dBm, as its median tells it (signals raise that little), and how unsure, dB.

    Points that share the filter's noise change smoothly: of noise that forgets over L points the second differences
    are L squared smaller than its spread (Gaussian filter, derived), so the root of their ratio counts what is apart.
    """
    good = level_db[np.isfinite(level_db)]
    scatter = max(_scatter_db(good), 0.01)
    spread = max(1.48 * float(np.median(np.abs(good - np.median(good)))), scatter)
    apart = math.sqrt(scatter / spread)
    if apart < _SHARED:
        scatter = spread = max(spread, _SHARED_DB)
    samples = max((_ONE_SAMPLE_DB / scatter) ** 2, 1.0)  # averaged in each point
    below_mean_db = -10.0 * math.log10(1.0 - 1.0 / (3.0 * samples))  # of the median of a gamma distribution, nearly
    return float(np.median(good)) + below_mean_db, _SIGMAS * 1.25 * spread / math.sqrt(max(apart * good.size, 1.0))


def _below(piece: Piece, noise_dbm: float, margin_db: float) -> float | None:
    """Return the lowest mean level, dBm, over the trace or some neighbours, if noise would never read that; or None."""
    good = piece.level_db[np.isfinite(piece.level_db)]
    for count in dict.fromkeys((good.size, _NEAR)):
        if not 0 < count <= good.size:
            continue
        power = np.convolve(10.0 ** (good / 10.0), np.ones(count) / count, "valid")
        at = int(np.argmin(power))
        scatter = max(_scatter_db(good[at : at + count]), 0.1)
        samples = max(count * min((_ONE_SAMPLE_DB / scatter) ** 2, _samples(piece)), 1.0)
        low_dbm = 10.0 * math.log10(max(float(power[at]), 1e-40))
        if low_dbm < noise_dbm - margin_db - _least_db(samples, _RARE + math.log(power.size)):
            return low_dbm
    return None


def _least_db(samples: float, rare: float) -> float:
    """Return how far below its mean the average of samples of noise's power falls, dB, with exp(-rare) probability.

    By Chernoff's bound for the exponential distribution: P(mean < x) < exp(-n (x - 1 - ln x)).
    """
    low, high = 0.0, 60.0  # dB below
    for _ in range(40):
        middle = 0.5 * (low + high)
        x = 10.0 ** (-middle / 10.0)
        low, high = (middle, high) if samples * (x - 1.0 - math.log(x)) < rare else (low, middle)
    return high
