"""What cannot be known of a run from files, result by result: in doubt nothing is decided; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np

from sequencer.core.history import Entry, Role, SavedKind, SavedTrace, Swept
from sequencer.core.hookup import HookupKind
from sequencer.core.record import Result, Statement
from sequencer.core.trace import Sweep, SweepSettings
from sequencer.recipe.model import Quantity, Requirement
from sequencer.run.saved import DAYS_APART_S, MUST, saved_in, saved_plan, set_against, too_fast
from sequencer.run.saved_averaging import averaging_doubts
from sequencer.run.visits import visits

__all__ = ["NO_CLOSING", "NO_LEAKAGE", "NO_NOISE", "doubted"]

NO_NOISE = "no noise sweep: noise is not subtracted and the reading may stand on it"
NO_LEAKAGE = "no leakage sweep: leakage is not in the interval"
NO_CLOSING = "no closing thru: drift is taken from its stated or assumed rate"
NOISE_NEAR_DB = 10.0  # a tenth is noise: 1.5 dB more or less of it are 0.2 dB of the rest
_STOP_BAND = frozenset(
    {
        Quantity.REJECTION,
        Quantity.ISOLATION,
        Quantity.NOTCH_DEPTH,
        Quantity.NOTCH_FREQUENCY,
        Quantity.REJECTION_BANDWIDTH,
    }
)


def doubted(result: Result, requirement: Requirement, history: Sequence[Entry]) -> Result:
    """Return a result of a run from files with what cannot be known of it: in doubt, nothing is decided."""
    saved = saved_in(history)
    if not saved:
        return result
    notes = (
        *_doubts(result, requirement, saved),
        *_speed_doubts(requirement, saved, history),
        *_noise_doubts(requirement, saved, history),
        *_averaging_doubts(requirement, saved, history),
        *_date_doubts(requirement, saved, history),
    )
    if not notes:
        return result
    return replace(result, statement=Statement.UNDECIDED, notes=(*result.notes, *notes))


def _doubts(result: Result, requirement: Requirement, saved: Sequence[SavedTrace]) -> list[str]:
    own = {requirement.hookup_name}
    own |= {"reflect-open", "reflect-short"} if requirement.port is not None else {"thru", "floor"}
    own |= {f"thru {requirement.hookup_name}"}
    here = [t for t in saved if t.hookup.name in own]
    made = []
    unknown = [MUST[name] for name in MUST if any(name in t.unknown for t in here)]
    if unknown:
        made.append(f"read from files that do not tell {', '.join(unknown)}, and nobody declared it")
    vector = any(t.kind is SavedKind.VECTOR for t in here)
    if not vector and any(t.kind is SavedKind.LINE for t in here):
        reference = "thru" if requirement.port is None else "open and short"
        made.append(f"normalised in the instrument, and no {reference} was saved after that to show that it was sound")
    elif NO_CLOSING in result.notes and not vector and any("time" in t.unknown for t in here):
        made.append("no closing thru, and how long the measurement took is not known: neither is the drift")
    if requirement.quantity in _STOP_BAND:
        texts = {NO_NOISE: "noise", NO_LEAKAGE: "leakage"}
        if vector:  # its floor is swept with the source on, and holds both
            texts = {NO_LEAKAGE: "floor"}
        lacking = [what for text, what in texts.items() if text in result.notes]
        if lacking:
            made.append(f"no {' and no '.join(lacking)} trace here: what is read may be that, not the device")
    return made


def _date_doubts(requirement: Requirement, saved: Sequence[SavedTrace], history: Sequence[Entry]) -> list[str]:
    """What is set against each other must be of one day: an instrument of another day is another instrument."""
    began = {e.source: e.sweep.began for e in history if isinstance(e, Swept) and e.source}
    dated = [t for t in saved if "taken" in t.from_file and t.source in began]
    references = {"reflect-open", "reflect-short"} if requirement.port is not None else {"thru"}
    references |= {f"thru {requirement.hookup_name}"}
    references |= {"floor"} if requirement.quantity in _STOP_BAND else set()
    pairs = [
        (abs(began[other.source] - began[trace.source]), trace.source, other.source)
        for trace in dated
        if trace.hookup.name == requirement.hookup_name
        for other in dated
        if other.hookup.name in references and (other.key == trace.key or other.hookup.kind is HookupKind.FLOOR)
    ]
    apart, source, other_source = max(pairs, default=(timedelta(0), "", ""))
    if apart.total_seconds() <= DAYS_APART_S:
        return []
    return [
        f"{source} is of {began[source]:%Y-%m-%d %H:%M}, {other_source} of {began[other_source]:%Y-%m-%d %H:%M}: taken "
        "on different days, they decide nothing; take all of them in one session, or correct the dates"
    ]


def _speed_doubts(requirement: Requirement, saved: Sequence[SavedTrace], history: Sequence[Entry]) -> list[str]:
    plan = saved_plan(saved)
    made = []
    for stay, station in zip(visits(history), plan.stations, strict=False):
        if stay.hookup.name == requirement.hookup_name:
            within_hz = requirement.within_hz or 0.0
            text = too_fast(stay, station, (requirement.at_hz - within_hz, requirement.at_hz + within_hz))
            made += [text] if text else []
    return made


def _noise_doubts(requirement: Requirement, saved: Sequence[SavedTrace], history: Sequence[Entry]) -> list[str]:
    """Noise that is subtracted, or bounds a loss, must have been seen in the path's own filter and attenuation.

    Scaled, it is as sure as the filter's noise bandwidth and the attenuator; where the path reads near it, a decibel
    moves a bound by ten.
    """
    if requirement.quantity not in _STOP_BAND:
        return []
    made: dict[str, None] = {}
    for stay in visits(history):
        for swept in stay.swept if stay.hookup.name == requirement.hookup_name else ():
            trace = next((t for t in saved if t.source == swept.source and t.role is Role.DEVICE), None)
            grid = swept.sweep.trace.freq_hz
            if trace is None or not grid[0] <= requirement.at_hz <= grid[-1]:
                continue
            for other in set_against(saved, trace):
                noise = _swept(history, other.source) if other.role is Role.NOISE else None
                if noise is None or (_gain_db(trace.settings) == _gain_db(other.settings)):
                    continue
                there = float(np.median(noise.trace.level_dbm)) - _gain_db(other.settings) + _gain_db(trace.settings)
                if float(np.min(swept.sweep.trace.level_dbm)) < there + NOISE_NEAR_DB:
                    text = f"{trace.source} reads near the noise, and {other.source} tells that in another"
                    made[f"{text} RBW or attenuation only: nothing that rests on it is decided"] = None
    return list(made)


def _averaging_doubts(requirement: Requirement, saved: Sequence[SavedTrace], history: Sequence[Entry]) -> list[str]:
    made: dict[str, None] = {}
    for stay in visits(history):
        for swept in stay.swept if stay.hookup.name == requirement.hookup_name else ():
            trace = next((t for t in saved if t.source == swept.source and t.role is Role.DEVICE), None)
            grid, level = swept.sweep.trace.freq_hz, swept.sweep.trace.level_dbm
            if trace is None or not grid[0] <= requirement.at_hz <= grid[-1]:
                continue
            if requirement.quantity not in _STOP_BAND:
                level = level[[int(np.argmin(np.abs(grid - requirement.at_hz)))]]
            made |= dict.fromkeys(averaging_doubts(trace, float(np.nanmin(level)), set_against(saved, trace), history))
    return list(made)[:1]


def _swept(history: Sequence[Entry], source: str) -> Sweep | None:
    return next((e.sweep for e in history if isinstance(e, Swept) and e.source == source), None)


def _gain_db(used: SweepSettings) -> float:
    return used.attenuation_db + 10.0 * float(np.log10(used.rbw_hz))
