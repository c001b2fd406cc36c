"""Whether the first sweep of a hookup is what that hookup must give; pure.

Every hookup proves itself: a plausible first sweep that differs from the last one (trade notes 12; a
relay that sticks and a lead on the wrong port give a perfectly clean trace of something else).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Flag, FloatArray, Sweep
from sequencer.recipe.model import Quantity, Recipe
from sequencer.run.foreign import without_foreign

__all__ = [
    "NOISE_PEAK_DB",
    "above_display",
    "hookup_fault",
    "noise_dbm_hz",
    "noise_dbm_of",
    "repeats",
    "short_level",
    "sweep_fault",
]

THRU_SLACK_DB = 8.0  # level of a sound thru round the expected one: lead loss, generator flatness
THRU_SPREAD_DB = 6.0  # over an overview a sound pair of leads is flatter than this
THRU_HOLE_DB = 2.0  # below a smooth course: more than two test ports of VSWR 2 make of each other; a stub, a wet lead
THRU_SHORT_DB = 3.0  # less than generator and pads promise: said, since a generator beyond its level gives less, too
THRU_STEP_DB = 0.5  # between neighbours: a loose joint steps, a lead does not
FLOOR_BELOW_DB = 40.0  # leads in loads read at least this far below the thru
PASS_WITHIN_DB = 15.0  # a path must pass somewhere near where it should, else a lead is off
LOSES_DB = 1.0  # so much a path of a duplexer loses somewhere in its overview; common practice, no source
LIKE_THRU_DB = 0.2  # the same of a device that need not stop anything: even one cavity loses more [no source]
REFLECT_SLACK_DB = 8.0
NOISE_PEAK_DB = 13.0  # the highest of 1000 samples of noise stands 8.4 dB above its mean, once in 1000 runs 11.4 dB
STEP_SIGMAS = 5.0  # of noise between neighbours: once in 4000 traces of 400 points
ABOVE_REFERENCE_DB = 1.0  # what a display may show beyond its top line; common practice, no source
FLAT_DB, FLAT_POINTS = 1e-6, 3  # so many points at exactly one level, and that the highest
SAME_DB = 0.02  # two hookups never repeat this closely unless nothing was moved
SMOOTH_POINTS = 20  # fewer draw no course
STRONG_DB = 20.0  # compared where the level is this near its highest, so that noise does not tell them apart


def sweep_fault(sweep: Sweep) -> str:
    """Return what makes any sweep unusable, in words, or ''."""
    if not np.all(np.isfinite(sweep.trace.level_dbm)):
        return f"the trace has {int(np.sum(~np.isfinite(sweep.trace.level_dbm)))} points without data"
    if Flag.OVERLOAD in sweep.flags:
        return "the analyzer says its input is overloaded: lower the generator's level or add a pad"
    if Flag.UNLEVELLED in sweep.flags and sweep.used.generator_dbm is not None:
        return "the generator says it is unlevelled: choose another level in the bench file"
    if Flag.UNCALIBRATED in sweep.flags:
        return "the analyzer says the sweep is too fast for its filter"
    return ""


@lru_cache(maxsize=256)  # every decision looks at all earlier stays again
def above_display(sweep: Sweep) -> str:
    """Return how a trace shows that the level was above the reference, in words, or ''.

    A display that ends there draws a flat top; one that does not shows more than a mixer or converter is set for.
    """
    level, reference = sweep.trace.level_dbm, sweep.used.reference_dbm
    top = float(np.nanmax(level, initial=-np.inf))
    if top > reference + ABOVE_REFERENCE_DB:
        return f"the trace stands {top - reference:.1f} dB above the reference level"
    flat = int(np.sum(level >= top - FLAT_DB))
    if abs(top - reference) <= ABOVE_REFERENCE_DB / 4.0 and flat >= FLAT_POINTS:
        return f"the trace has a flat top at the reference level ({flat} points)"
    return ""


def hookup_fault(
    hookup: Hookup,
    sweep: Sweep,
    *,
    expected_dbm: float,
    thru: Sweep | None,
    last: Sweep | None,
    recipe: Recipe,
    noise_dbm_hz: float | None = None,
    off: Sweep | None = None,
) -> str:
    """Return why the first generator-on sweep does not look like the hookup, in words, or ''.

    Parameters
    ----------
    expected_dbm : level of a thru (or of full reflection, for a bridge hookup) as far as the bench file tells.
    thru : the opening thru's overview, None before it was taken.
    last : the first sweep of the hookup before, None at the start; only compared on the same grid.
    noise_dbm_hz : the analyzer's noise at its input, None before it was seen; what it explains is no fault.
    off : what was heard with the generator off; no floor is blamed for it.
    """
    level = sweep.trace.level_dbm
    if last is not None and repeats(sweep, last):
        return f"the trace repeats the last hookup's within {SAME_DB} dB: nothing seems to have been moved"
    if hookup.kind is HookupKind.THRU:
        return _thru_fault(level, expected_dbm, noise_dbm_of(sweep, noise_dbm_hz))
    if hookup.kind is HookupKind.FLOOR:
        top = float(np.median(thru.trace.level_dbm)) if thru is not None else expected_dbm
        high = float(np.max(without_foreign(sweep, off, expected_dbm), initial=-np.inf))
        if high > max(top - FLOOR_BELOW_DB, noise_dbm_of(sweep, noise_dbm_hz) + NOISE_PEAK_DB):
            return f"up to {high:.1f} dBm come through where both leads should end in loads (thru {top:.1f} dBm)"
        return ""
    if hookup.kind is HookupKind.PATH:
        return _path_fault(hookup, sweep, thru, recipe, noise_dbm_of(sweep, noise_dbm_hz))
    if hookup.test_port in {"open", "short"}:
        middle = float(np.median(level))
        if abs(middle - expected_dbm) > REFLECT_SLACK_DB:
            return f"full reflection should read about {expected_dbm:.0f} dBm, not {middle:.1f} dBm"
    return ""


def repeats(sweep: Sweep, last: Sweep) -> bool:
    """Return whether a trace repeats another more closely than any moved connector would let it."""
    if sweep.trace.freq_hz.shape != last.trace.freq_hz.shape or sweep.used.generator_dbm != last.used.generator_dbm:
        return False
    highest = np.maximum(sweep.trace.level_dbm, last.trace.level_dbm)
    strong = highest > float(np.max(highest)) - STRONG_DB
    return float(np.median(np.abs(sweep.trace.level_dbm - last.trace.level_dbm)[strong])) < SAME_DB


def noise_dbm_of(sweep: Sweep, noise_dbm_hz: float | None) -> float:
    """Return the level that noise alone shows at a sweep's settings; nothing where it is not known."""
    if noise_dbm_hz is None:
        return -np.inf
    return noise_dbm_hz + sweep.used.attenuation_db + 10.0 * float(np.log10(sweep.used.rbw_hz))


def _scatter_db(level_dbm: float, noise_dbm: float) -> float:
    """Standard deviation of the difference of two samples of S in noise N: 8.7 dB sqrt(N / S) (derived)."""
    return 8.686 * math.pow(10.0, (noise_dbm - level_dbm) / 20.0)


def _thru_fault(level: FloatArray, expected_dbm: float, noise_dbm: float) -> str:
    middle = float(np.median(level))
    if middle < expected_dbm - THRU_SLACK_DB:
        return (
            f"too little level: {middle:.1f} dBm, expected about {expected_dbm:.0f} dBm; "
            "are the leads joined, is a pad there that the bench file does not list?"
        )
    if middle > expected_dbm + THRU_SLACK_DB:
        return (
            f"too much level: {middle:.1f} dBm, expected about {expected_dbm:.0f} dBm; "
            "are the pads of the bench file in place?"
        )
    spread = float(np.max(level) - np.min(level))
    scatter_db = _scatter_db(middle, noise_dbm)
    if spread > THRU_SPREAD_DB + STEP_SIGMAS * scatter_db:
        return f"the thru is not flat: {spread:.1f} dB from highest to lowest; look for a bad lead or joint"
    hole = _hole_db(level)
    if hole > THRU_HOLE_DB + STEP_SIGMAS * scatter_db:
        return f"the thru has a hole of {hole:.1f} dB; look for a stub, a crushed or a wet lead"
    step = float(np.max(np.abs(np.diff(level)), initial=0.0))
    if step > THRU_STEP_DB + STEP_SIGMAS * scatter_db:
        return f"the thru has a step of {step:.2f} dB between neighbouring points; look for a loose joint"
    return ""


def _hole_db(level: FloatArray) -> float:
    """Return how far the thru dips below its smooth course: a cubic through what does not lie below a first one."""
    if level.size < SMOOTH_POINTS:
        return 0.0
    at = np.linspace(-1.0, 1.0, level.size)
    above = level >= np.polynomial.Polynomial.fit(at, level, 3)(at) - THRU_STEP_DB
    return float(np.max(np.polynomial.Polynomial.fit(at[above], level[above], 3)(at) - level))


def short_level(sweep: Sweep, expected_dbm: float) -> str:
    """Return how far a thru that may count falls short of what generator and pads promise, in words, or ''."""
    short = expected_dbm - float(np.median(sweep.trace.level_dbm))
    if short <= THRU_SHORT_DB:
        return ""
    return (
        f"the thru reads {short:.1f} dB less than generator and pads of the bench file promise: long leads, a pad that "
        "is not listed, or a generator that cannot give its level (an unlevelled one is not the source that its match "
        "is stated for)"
    )


def _path_fault(hookup: Hookup, sweep: Sweep, thru: Sweep | None, recipe: Recipe, noise_dbm: float) -> str:
    """A path shows loss everywhere, and passes where the recipe says it passes."""
    if thru is None or thru.trace.freq_hz.shape != sweep.trace.freq_hz.shape:
        return ""
    loss = thru.trace.level_dbm - sweep.trace.level_dbm
    least = float(np.min(loss))
    if least < -1.0 - STEP_SIGMAS * _scatter_db(float(np.median(thru.trace.level_dbm)), noise_dbm):
        return f"the path shows {-least:.1f} dB of gain against the thru: is a pad missing, or the thru still in place?"
    selects = len(recipe.ports) > 2 or _rejects_somewhere(hookup, recipe)
    if float(np.max(loss)) < (LOSES_DB if selects else LIKE_THRU_DB):
        return (
            "the path looks like a piece of lead: no rejection anywhere in the overview. Is the thru still in place, "
            "or was the thru not a thru? If device and leads are right, the overview must reach to where the path stops"
        )
    passes = [r for r in recipe.requirements if r.hookup_name == hookup.name and r.quantity is Quantity.INSERTION_LOSS]
    if passes and least > PASS_WITHIN_DB:
        return f"nothing passes: the least loss in the overview is {least:.0f} dB; is a lead off, or on the wrong port?"
    return ""


def _rejects_somewhere(hookup: Hookup, recipe: Recipe) -> bool:
    kinds = {Quantity.REJECTION, Quantity.ISOLATION, Quantity.NOTCH_DEPTH}
    return any(r.hookup_name == hookup.name and r.quantity in kinds for r in recipe.requirements)


@lru_cache(maxsize=16)
def noise_dbm_hz(sweep: Sweep) -> float:
    """Return the noise density of a generator-off sweep, referred to the input at 0 dB attenuation.

    The median is not moved by a few foreign signals; for averaged power it stands within a few tenths of
    the mean, for single samples 1.6 dB below it (median of an exponential is ln 2; derived).
    """
    level = sweep.trace.level_dbm
    middle = float(np.median(level[np.isfinite(level)]))
    return middle - 10.0 * float(np.log10(sweep.used.rbw_hz)) - sweep.used.attenuation_db
