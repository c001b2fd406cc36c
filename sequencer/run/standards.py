"""Check standards of the kit, measured where the device will sit: they read right, or the run stops; pure.

About 3 dB and 60 to 80 dB, with certified values, show in one reading that pads, levels, scale and leakage are what
the bench file says. A reading is right where its distance from the certificate's value is within both intervals.
"""

from __future__ import annotations

import math
import re

import numpy as np

from sequencer.core.history import Role
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.mismatch import gamma
from sequencer.core.normalise import Averaged
from sequencer.core.trace import FloatArray
from sequencer.recipe.model import Bench, KitItem
from sequencer.run.figures import Figures
from sequencer.run.floor import flat, leak_near
from sequencer.run.mating import mated
from sequencer.run.sweeps import Sweeps
from sequencer.units import show_db

__all__ = ["standard_fault", "standard_hookup", "standard_reading", "standards", "value_of"]

ASSUMED_VSWR = 1.2  # of a standard whose own is not stated; common practice, no source
ASSUMED_U_DB = 0.1  # of a value stated without uncertainty; common practice, no source
COVERAGE = 2.0  # standard uncertainties: 95 % of a normal
_PREFIX = "standard-"


def standards(bench: Bench) -> tuple[KitItem, ...]:
    """Return the kit's check standards whose value is stated."""
    return tuple(item for item in bench.kit if item.what == "standard" and item.value_db is not None)


def standard_hookup(item: KitItem) -> Hookup:
    """Return the hookup that measures a standard: 'standard-ID', with - for what a switch cannot spell."""
    return Hookup(name=_PREFIX + re.sub("[^A-Za-z0-9_]", "_", item.id), kind=HookupKind.STANDARD, standard=item.id)


def value_of(hookup: Hookup, bench: Bench) -> float:
    """Return the certified loss of the standard in a hookup, dB."""
    return next((item.value_db or 0.0 for item in standards(bench) if item.id == hookup.standard), 0.0)


def standard_fault(hookup: Hookup, key: str, bench: Bench, sweeps: Sweeps) -> str:
    """Return how a standard reads wrong, in words, or '' where it reads right or was not swept."""
    text, right = standard_reading(hookup, key, bench, sweeps)
    return "" if right else text


def standard_reading(hookup: Hookup, key: str, bench: Bench, sweeps: Sweeps) -> tuple[str, bool]:
    """Return how a standard reads, in words, and whether that is right; ('', True) where it was not swept."""
    item = next((each for each in standards(bench) if each.id == hookup.standard), None)
    swept, thru = sweeps.latest(hookup.name, key, Role.STANDARD), sweeps.opening(key)
    if item is None or item.value_db is None or swept is None or thru is None:
        return "", True
    noise = sweeps.latest("floor", key, Role.NOISE)
    loss_db, u_noise_db = _loss_db(swept, thru, noise)
    if not math.isfinite(loss_db):
        text = f"the check standard {item.id} does not stand above the noise: {item.value_db:g} dB cannot be read here"
        return text, False
    figures = Figures(bench, mated(sweeps, bench))
    loss_db -= figures.switch_loss_db(hookup.name)
    vswr = ASSUMED_VSWR if item.vswr is None else item.vswr.worst
    parts = [
        ASSUMED_U_DB if item.u_db is None else item.u_db,
        u_noise_db,
        figures.scale(loss_db).row().u,
        *(each.row().u for each in figures.connections(hookup.name, 1)),
        *(each.row().u for each in figures.switch_loss(hookup.name)),
        _mismatch_db(figures, gamma(vswr)),
        _leakage_db(sweeps, swept, thru, loss_db),
    ]
    for name in ("attenuation_db", "reference_dbm", "rbw_hz"):
        if getattr(swept.used, name) != getattr(thru.used, name):
            parts += [each.row().u for each in figures.switching((name,))]
    allowed_db = COVERAGE * math.hypot(*parts)
    of = f" of {item.calibrated}" if item.calibrated else ""
    text = (
        f"the check standard {item.id} reads {show_db(loss_db)}, its certificate{of} says {show_db(item.value_db)}, "
        f"and together they may differ by {show_db(allowed_db)}"
    )
    if abs(loss_db - item.value_db) <= allowed_db:
        return text, True
    return f"{text}: something on this bench is not as the bench file says", False


def _loss_db(swept: Averaged, thru: Averaged, noise: Averaged | None) -> tuple[float, float]:
    """Return the mean loss over the zoom and its standard uncertainty by noise; NaN where it is not above it."""
    power: FloatArray = swept.power_mw - (0.0 if noise is None else flat(noise).power_mw)
    ratio = float(np.nanmean(power / thru.power_mw))
    scatter = float(np.nanstd(power / thru.power_mw, ddof=1)) / math.sqrt(max(power.size / swept.shared, 1.0))
    if ratio <= 3.0 * scatter:
        return math.nan, math.inf
    return -10.0 * math.log10(ratio), 10.0 / math.log(10.0) * scatter / ratio


def _mismatch_db(figures: Figures, own: float) -> float:
    """First order, phases unknown: both of its ends, and the thru itself (trade notes 3.2)."""
    source, load = figures.source().size, figures.load().size
    return 20.0 / math.log(10.0) / math.sqrt(2.0) * math.hypot(source * own, load * own, source * load)


def _leakage_db(sweeps: Sweeps, swept: Averaged, thru: Averaged, loss_db: float) -> float:
    leak = leak_near(sweeps, float(np.median(swept.freq_hz)), 10.0 * math.log10(float(np.nanmedian(thru.power_mw))))
    if leak is None:
        return 0.0
    amplitude = math.sqrt(max(leak[0], 0.0) + 1.645 * leak[1])
    below: float = 10.0 ** (loss_db / 20.0)
    return 20.0 / math.log(10.0) / math.sqrt(2.0) * amplitude * below
