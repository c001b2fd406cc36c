"""A run whose sweeps are read from files: its steps, and what cannot be known of it; pure.

Nothing can be taken again, so what a live run would repeat ends it here, or leaves its results undecided.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from sequencer.core.capability import Capabilities
from sequencer.core.history import Entry, Identified, Resumed, Role, SavedKind, SavedTrace, Swept, Voided
from sequencer.core.hookup import HookupKind
from sequencer.core.trace import Sweep
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.foreign import foreign_peaks, foreign_text
from sequencer.run.mistaken import mistaken_before, mistaken_for
from sequencer.run.planned import Plan, PlannedSweep, Station
from sequencer.run.proof import above_display, hookup_fault, sweep_fault
from sequencer.run.retake import retake_step, too_fast_for
from sequencer.run.settings import expected_thru_dbm, reflect_level_dbm
from sequencer.run.steadiness import jumped_db
from sequencer.run.steps import Connect, Drop, Stop, SweepStep, Void, Warn
from sequencer.run.visits import Visit, known_at, visits, without_sweeps
from sequencer.run.windows import OVERVIEW

__all__ = ["DAYS_APART_S", "MUST", "saved_in", "saved_plan", "saved_step", "set_against", "too_fast", "why_apart"]

MUST = {  # settings without which nothing is decided, in words
    "rbw_hz": "RBW",
    "attenuation_db": "attenuation",
    "reference_dbm": "reference level",
    "generator_dbm": "generator level",
    "detector": "detector",
    "sweep_time_s": "sweep time",
}
DAYS_APART_S = 86400.0  # a thru or floor further off in time than a day belongs to another measurement
LOOKS_NORMALISED_DB = 0.5  # a thru at 0 dBm so flat, where pads and leads alone lose more
_RELATIVE = frozenset({SavedKind.NORMALISED, SavedKind.VECTOR, SavedKind.LINE})


def saved_in(history: Sequence[Entry]) -> tuple[SavedTrace, ...]:
    """Return the saved traces that stand in place of sweeps, () in a run on instruments."""
    return next((e.saved for e in reversed(without_sweeps(history)) if isinstance(e, Identified)), ())


def saved_plan(saved: Sequence[SavedTrace]) -> Plan:
    """Return the run that the files make."""
    stations = []
    for number in sorted({t.station for t in saved}):
        here = [t for t in saved if t.station == number]
        groups: dict[tuple[str, Role], list[SavedTrace]] = {}
        for trace in here:
            groups.setdefault((trace.key, trace.role), []).append(trace)
        sweeps = tuple(
            PlannedSweep(key=key, role=role, settings=group[0].settings, repeats=len(group), why="read from a file")
            for (key, role), group in groups.items()
        )
        stations.append(Station(hookup=here[0].hookup, sweeps=sweeps, why=""))
    rbws = [t.settings.rbw_hz for t in saved]
    return Plan(stations=tuple(stations), narrowest_rbw_hz=min(rbws, default=1e3))


def saved_step(
    recipe: Recipe, bench: Bench, caps: Capabilities, saved: Sequence[SavedTrace], history: Sequence[Entry]
) -> Connect | SweepStep | Warn | Stop | Void | None:
    """Return the next step, None when everything was read."""
    changed = _changed(saved, history)
    if changed is not None:
        return changed
    stays, plan = visits(history), saved_plan(saved)
    noise = known_at(stays).noise_dbm_hz
    said = {e.why for e in history}
    numbers = sorted({t.station for t in saved})
    last: Sweep | None = None
    for place, (number, station) in enumerate(zip(numbers, plan.stations, strict=True)):
        stay = stays[place] if place < len(stays) else None
        if stay is None or stay.waiting:
            return Connect(hookup=station.hookup, why=station.why)
        here = [t for t in saved if t.station == number]
        if len(stay.swept) < len(here):
            trace = here[len(stay.swept)]
            why = f"read from {trace.source}"
            return SweepStep(
                hookup=station.hookup.name,
                key=trace.key,
                role=trace.role,
                settings=trace.settings,
                why=why,
                source=trace.source,
            )
        fault = _fault(recipe, bench, caps, here, stay, stays, place, last)
        if fault:
            return Stop(why=f"{stay.hookup.name}: {fault}")
        remarks = _remarks(stay, station, expected_thru_dbm(bench, caps), noise, here)
        for text in (*_unlike(saved, here), *_outside(stays[: place + 1], saved), *remarks):
            if text not in said:
                return Warn(why=text)
        first = stay.first_on()
        last = last if first is None else first.sweep
    return None


def _changed(saved: Sequence[SavedTrace], history: Sequence[Entry]) -> Void | None:
    """A resumed run goes on with the same files; if one was changed, everything is read afresh."""
    at = next((n for n in range(len(history) - 1, -1, -1) if isinstance(history[n], Resumed)), None)
    if at is None or any(isinstance(e, Voided) for e in history[at:]):
        return None
    same = saved_in(history[:at]) == tuple(saved)
    return None if same else Void(why="the saved traces, or what is declared of them, are not those of before")


def _fault(
    recipe: Recipe,
    bench: Bench,
    caps: Capabilities,
    here: Sequence[SavedTrace],
    stay: Visit,
    stays: Sequence[Visit],
    place: int,
    last: Sweep | None,
) -> str:
    """Return why what was read in a stay cannot be that hookup, with the file, or ''."""
    for swept in stay.swept:
        spoilt = sweep_fault(swept.sweep)
        if spoilt:
            return f"{swept.source}: {spoilt}; save it again"
    first = stay.first_on()
    if first is None:
        return ""
    trace = next(t for t in here if t.source == first.source)
    if trace.kind is SavedKind.LINE:
        return ""
    thru = _thru_like(stays, first)
    if trace.kind in _RELATIVE:
        expected = 0.0
    else:
        bridge = stay.hookup.kind is HookupKind.REFLECT
        expected = reflect_level_dbm(bench, caps) if bridge else expected_thru_dbm(bench, caps)
        level = first.sweep.trace.level_dbm
        if stay.hookup.kind is HookupKind.THRU and expected < -2.0 and np.max(np.abs(level)) < LOOKS_NORMALISED_DB:
            return f"{first.source} is a line at 0: normalised already? Then declare it (unit: dB) for every file"
        for swept in stay.swept:
            text = "" if "reference_dbm" in trace.unknown else above_display(swept.sweep)
            if text:
                return f"{swept.source}: {text}; save it again with a higher reference level"
    port = stay.hookup.kind is HookupKind.REFLECT
    before = None if port or trace.kind is SavedKind.VECTOR else last
    fault = hookup_fault(stay.hookup, first.sweep, expected_dbm=expected, thru=thru, last=before, recipe=recipe)
    if fault:
        return f"{first.source}: {fault}"
    return mistaken_for(stay, stays[:place], thru, recipe) or mistaken_before(stay, stays[:place], thru, recipe)


def _thru_like(stays: Sequence[Visit], swept: Swept) -> Sweep | None:
    found = next((stay.first(swept.key, Role.THRU) for stay in stays if stay.hookup.kind is HookupKind.THRU), None)
    return None if found is None else found.sweep


def _remarks(
    stay: Visit, station: Station, expected_dbm: float, noise: float | None, here: Sequence[SavedTrace]
) -> list[str]:
    """Return what must be said of a stay."""
    texts = []
    off = stay.first(OVERVIEW, Role.FOREIGN)
    if off is not None:
        texts.append(foreign_text(foreign_peaks(off.sweep, expected_dbm)))
    size = jumped_db(stay, noise)
    if size:
        texts.append(
            f"{stay.hookup.name}: two traces of one range differ by {size:.2g} dB beyond their noise: "
            f"{why_apart(here)}; nothing that rests on it can be decided"
        )
    texts.append(too_fast(stay, station))
    return [text for text in texts if text]


def why_apart(here: Sequence[SavedTrace]) -> str:
    """Return why traces of one hookup may read different levels, in words: no file tells that nothing was moved."""
    known = "a joint comes and goes, or they are of two matings or two states of the device"
    unknown = [MUST[name] for name in MUST if any(name in t.unknown for t in here)]
    declared = [MUST[name] for name in MUST if any(name in t.declared for t in here)]
    if unknown:
        return f"{known}, or of other settings (nobody tells {', '.join(unknown)})"
    levels = ("attenuation_db", "reference_dbm", "generator_dbm")
    differ = [MUST[name] for name in levels if len({getattr(t.settings, name) for t in here}) > 1]
    if differ:
        return f"{known}, or the analyzer reads levels otherwise at other settings ({', '.join(differ)})"
    return f"{known}, or {', '.join(declared)} not as declared" if declared else known


def _unlike(saved: Sequence[SavedTrace], here: Sequence[SavedTrace]) -> list[str]:
    """Return, for filter and attenuation, how a stay's traces differ from what they are set against; one text each."""
    texts = []
    for name, unit in (("rbw_hz", "Hz"), ("attenuation_db", "dB")):
        apart: dict[str, None] = {}
        for trace, other in ((one, other) for one in here for other in set_against(saved, one)):
            ours, theirs = getattr(trace.settings, name), getattr(other.settings, name)
            if ours != theirs and name not in (*trace.unknown, *other.unknown):
                apart[f"{trace.source} {ours:g} {unit}, {other.source} {theirs:g} {unit}"] = None
        if apart:
            texts.append(
                f"{here[0].hookup.name}: the {MUST[name]} differs ({'; '.join(apart)}); if that is not so, correct it; "
                "if it is, the intervals carry what switching does"
            )
    return texts


def _outside(stays: Sequence[Visit], saved: Sequence[SavedTrace]) -> list[str]:
    """Return, once the closing thru was read, which paths were taken before the first thru or after the last."""
    timed = {t.source for t in saved if "taken" in t.from_file}
    times = [
        (stay.hookup, [s.sweep.began for s in stay.swept if s.source in timed and s.role in (Role.THRU, Role.DEVICE)])
        for stay in stays
    ]
    thrus = [at for hookup, began in times for at in began if hookup.kind is HookupKind.THRU]
    if stays[-1].hookup.kind is not HookupKind.THRU or len(stays) < 2 or not thrus:
        return []
    made = []
    for hookup, began in times:
        off = max((max(min(thrus) - at, at - max(thrus)) for at in began), default=timedelta(0))
        if off > timedelta(0) and hookup.kind is HookupKind.PATH:
            made.append(
                f"{hookup.name} was taken up to {off / timedelta(hours=1):.3g} h outside the time between the first "
                "and the last thru: drift in that time is taken at its stated or assumed rate"
            )
    return made


def set_against(saved: Sequence[SavedTrace], trace: SavedTrace) -> list[SavedTrace]:
    """Return the first trace of each kind that one is normalised by, or that is subtracted from it."""
    roles = {Role.DEVICE: (Role.THRU, Role.NOISE, Role.LEAKAGE), Role.REFLECTION: (Role.OPEN, Role.SHORT)}
    levels = [t for t in saved if t.key == trace.key and t.kind is SavedKind.LEVEL is trace.kind]
    found = (next((t for t in levels if t.role is role), None) for role in roles.get(trace.role, ()))
    return [t for t in found if t is not None]


def too_fast(stay: Visit, station: Station, window_hz: tuple[float, float] | None = None) -> str:
    """Return that a stay was swept too fast for the notch it shows, in words, or ''.

    An overview is a picture and may be fast, unless it stands for zooms: where no other sweep covers ``window_hz``
    (None: where there is no other).
    """
    step = retake_step(station.sweeps, stay, ())
    if isinstance(step, Drop) and step.slower > 1.0:
        return step.why.partition("; taken again")[0]
    device = [s for s in stay.swept if s.role is Role.DEVICE]
    zooms = [s.sweep.trace.freq_hz for s in device if s.key != OVERVIEW]
    if window_hz is not None:
        zooms = [freq for freq in zooms if freq[0] <= window_hz[0] + 1.0 and freq[-1] >= window_hz[1] - 1.0]
    overviews = [s for s in device if s.key == OVERVIEW]
    return too_fast_for(stay, overviews) if overviews and not zooms else ""
