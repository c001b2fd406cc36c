"""Whether a device's trace repeats while nothing is moved; pure.

A loose joint or a cracked braid shows as a jump between two sweeps of the same setting. A best trace certifies
nothing: what jumps is taken again with more sweeps, and where it jumps again no requirement is decided on it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise

import numpy as np

from sequencer.core.history import Entry, Role, Warned
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Detector, FloatArray, Sweep
from sequencer.run.planned import PlannedSweep
from sequencer.run.steps import Connect, Warn, unsaid
from sequencer.run.visits import Visit, known, visits

__all__ = [
    "DEVICE_ROLES",
    "FLEX_SWEEPS",
    "flexed",
    "jump_db",
    "jump_text",
    "jumped_db",
    "jumpy",
    "leads_jump_db",
    "located_text",
    "new_jump",
    "unlocated",
    "unsteady",
]

FLEX_SWEEPS = 20  # a joint that shows in one sweep of four hides in 0.3 % of twenty (0.75 ** 20), in 10 % of eight
JUMP_DB = 0.1  # smaller ones are inside what re-mating a connector does
SIGMAS = 6.0  # of noise; with a few hundred points a run, a false jump once in about a million runs
NEAR_NOISE_DB = 10.0  # nearer to the noise an amplitude does not scatter evenly either, and nothing is told

DEVICE_ROLES = frozenset({Role.DEVICE, Role.REFLECTION})


@lru_cache(maxsize=1000)  # the same repeats are looked at before every step of a stay
def jump_db(first: Sweep, second: Sweep, noise_dbm_hz: float) -> float:
    """Return the largest difference between two sweeps of one setting, dB, that noise does not explain; 0 if none.

    Compared as amplitudes, which noise scatters evenly; its logarithm has a long tail downwards.
    """
    if first.trace.freq_hz.shape != second.trace.freq_hz.shape:
        return 0.0
    used = second.used
    noise_mw = 10.0 ** ((noise_dbm_hz + used.attenuation_db + 10.0 * np.log10(used.rbw_hz)) / 10.0)
    first_mw, second_mw = 10.0 ** (first.trace.level_dbm / 10.0), 10.0 ** (second.trace.level_dbm / 10.0)
    power: FloatArray = 0.5 * (first_mw + second_mw)
    share = noise_mw / power
    samples = 1.0
    if used.detector is Detector.POWER and used.sweep_time_s:
        samples = max(1.0, used.rbw_hz * used.sweep_time_s / used.points)
    # a mean power has the relative variance (2 s + s^2) / K, its root a quarter of that; two of them differ
    u_relative = np.sqrt((2.0 * share + share**2) / (2.0 * samples))
    apart = np.abs(np.sqrt(first_mw) - np.sqrt(second_mw)) / np.sqrt(power)
    clear = share < 10.0 ** (-NEAR_NOISE_DB / 10.0)
    jumped = clear & (apart > JUMP_DB * np.log(10.0) / 20.0 + SIGMAS * u_relative)
    size = np.abs(first.trace.level_dbm - second.trace.level_dbm)
    return float(np.max(size[jumped])) if np.any(jumped) else 0.0


def jumped_db(stay: Visit, noise_dbm_hz: float | None, roles: Collection[Role] = DEVICE_ROLES) -> float:
    """Return the largest jump between neighbouring repeats in a stay at a device hookup; 0 if none."""
    if noise_dbm_hz is None:
        return 0.0
    largest = 0.0
    for key in dict.fromkeys(s.key for s in stay.swept if s.role in roles):
        repeats = [s.sweep for s in stay.swept if s.key == key and s.role in roles]
        largest = max([largest, *(jump_db(a, b, noise_dbm_hz) for a, b in pairwise(repeats))])
    return largest


def unsteady(history: Sequence[Entry]) -> dict[str, float]:
    """Return the hookups whose counted sweeps jump, with the size in dB: all of them where the leads themselves do."""
    noise = known(history).noise_dbm_hz
    leads_db = leads_jump_db(history)
    sizes = {stay.hookup.name: max(jumped_db(stay, noise), leads_db) for stay in visits(history)}
    return {name: size for name, size in sizes.items() if size}


def leads_jump_db(history: Sequence[Entry]) -> float:
    """Return the largest jump of a thru, which is the leads' own, in dB; 0 if none."""
    noise = known(history).noise_dbm_hz
    thrus = (stay for stay in visits(history) if stay.hookup.kind is HookupKind.THRU)
    return max((jumped_db(stay, noise, {Role.THRU}) for stay in thrus), default=0.0)


def jump_text(hookup: Hookup, size_db: float) -> str:
    """Return a jump in words."""
    return f"{hookup.name}: the trace jumped by {size_db:.2g} dB between two sweeps with nothing moved on purpose"


def located_text(thru: Visit, names: Sequence[str], noise_dbm_hz: float | None) -> str:
    """Return what the same flex on the thru tells of the joint that jumped in these hookups."""
    where = " and ".join(names)
    size = jumped_db(thru, noise_dbm_hz, {Role.THRU})
    if size:
        return (
            f"the thru jumps by {size:.2g} dB too when its leads are flexed: the joint that jumped in {where} is not "
            "located; look at the leads, their pads and connectors first"
        )
    return f"the thru holds while its leads are flexed as they were: the joint that jumps in {where} is the device's"


def jumpy(stays: Sequence[Visit], noise: float | None) -> list[str]:
    """Return the hookups among these whose trace jumped again when it was taken again."""
    return [stay.hookup.name for stay in stays if stay.jumped and jumped_db(stay, noise)]


def unlocated(stays: Sequence[Visit], noise: float | None, history: Sequence[Entry]) -> Warn | None:
    """A jump after the last thru cannot be held against the leads: say so."""
    last = max((n for n, stay in enumerate(stays) if stay.hookup.kind is HookupKind.THRU), default=-1)
    shaky = jumpy(stays[last + 1 :], noise)
    text = f"the joint that jumped in {' and '.join(shaky)} is not located: no thru was flexed after it"
    return unsaid(text, history) if shaky else None


def new_jump(stay: Visit, noise: float | None, history: Sequence[Entry]) -> Connect | Warn | None:
    """A trace that jumped is taken again with more sweeps; what jumps again is said, and nothing rests on it."""
    size = jumped_db(stay, noise)
    if not size:
        return None
    text = jump_text(stay.hookup, size)
    if not stay.jumped:
        return Connect(hookup=stay.hookup, why="the jump must show whether it comes back", refused=text, jump_db=size)
    text = f"{text} again: {stay.hookup.name} does not repeat, and nothing that rests on it can be decided"
    said = any(isinstance(e, Warned) and stay.hookup.name in e.why and "does not repeat" in e.why for e in history)
    return None if said else Warn(why=text)


def flexed(sweeps: Sequence[PlannedSweep]) -> tuple[PlannedSweep, ...]:
    """More sweeps of each zoom, while the operator taps and flexes."""
    why = "tap and flex the leads, and the device, gently while these sweeps run"
    return tuple(
        replace(s, repeats=max(s.repeats, FLEX_SWEEPS), why=f"{why}; {s.why}") if s.key != "overview" else s
        for s in sweeps
    )
