"""What the files of saved traces are called, what each must cover, and which are missing; pure.

The names follow from the plan that `check` prints, so a technician copies them from there.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from sequencer.core.history import Role, SavedKind, SavedTrace
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import FloatArray, SweepSettings
from sequencer.recipe.model import Bench, Recipe, Requirement
from sequencer.run.forecast import Forecast
from sequencer.run.windows import OVERVIEW, WIDE, Window, Windows
from sequencer.units import show_hz

__all__ = ["Expected", "VectorName", "expected_files", "gaps", "vector_names"]

_STATES = {  # (kind of hookup, role) -> what stands behind the hookup's name
    (HookupKind.THRU, Role.THRU): "",
    (HookupKind.THRU, Role.FOREIGN): "-off",
    (HookupKind.FLOOR, Role.NOISE): "-off",
    (HookupKind.FLOOR, Role.LEAKAGE): "-on",
    (HookupKind.PATH, Role.DEVICE): "",
    (HookupKind.STANDARD, Role.STANDARD): "",
    (HookupKind.REFLECT, Role.OPEN): "",
    (HookupKind.REFLECT, Role.SHORT): "",
    (HookupKind.REFLECT, Role.LOAD): "",
    (HookupKind.REFLECT, Role.REFLECTION): "",
}
_SLACK = 1.001  # analyzers round start, stop and step


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """One file (with ``repeats``, several): its name without ending, and the sweep it stands for.

    ``planned`` is False for what `check` does not ask for, but which is of use.
    """

    stem: str
    hookup: Hookup
    station: int
    key: str
    role: Role
    settings: SweepSettings
    seconds: float
    repeats: int
    planned: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class VectorName:
    """What the ports of a Touchstone file are: the device's in their order, or none for the floor."""

    stem: str
    ports: tuple[str, ...]
    key: str


def expected_files(forecast: Forecast) -> tuple[Expected, ...]:
    """Return what a run from files can use, in the order of the run."""
    found: list[Expected] = []
    names: dict[str, int] = {}
    met: set[str] = set()
    for station, step in enumerate(forecast.hookups):
        closing = "-closing" if step.hookup.name in met else ""
        met.add(step.hookup.name)
        sweeps = [(s.key, s.role, s.settings, s.seconds / s.repeats, s.repeats, True) for s in step.sweeps]
        if step.hookup.kind is HookupKind.FLOOR:
            sweeps += _more_floor(found, {(s.key, s.role) for s in step.sweeps})
        for key, role, settings, seconds, repeats, planned in sweeps:
            state = _STATES.get((step.hookup.kind, role))
            if state is None:
                continue
            stem = f"{_plain(step.hookup.name)}{closing}{state}_{_plain(key)}"
            folded = stem.casefold()
            names[folded] = names.get(folded, 0) + 1
            stem += f"-{names[folded]}" if names[folded] > 1 else ""
            found.append(
                Expected(
                    stem=stem,
                    hookup=step.hookup,
                    station=station,
                    key=key,
                    role=role,
                    settings=settings,
                    seconds=seconds,
                    repeats=repeats,
                    planned=planned,
                )
            )
    return tuple(found)


def _more_floor(
    found: Sequence[Expected], planned: set[tuple[str, Role]]
) -> list[tuple[str, Role, SweepSettings, float, int, bool]]:
    """The floor in the settings of each thru is as good as the plan's own."""
    more = []
    for thru in found:
        if thru.role is not Role.THRU:
            continue
        off = replace(thru.settings, generator_dbm=None)
        for role, settings in ((Role.LEAKAGE, thru.settings), (Role.NOISE, off)):
            if (thru.key, role) not in planned:
                more.append((thru.key, role, settings, thru.seconds, 1, False))
    return more


def vector_names(recipe: Recipe) -> tuple[VectorName, ...]:
    """Return the names of Touchstone files: the device's ports in the file's order, and the sweep's name if any."""
    keys = ["", OVERVIEW, *recipe.frequencies, *(f"{WIDE}{name}" for name in recipe.frequencies)]
    ports = [p for n in range(1, len(recipe.ports) + 1) for p in itertools.permutations(recipe.ports, n)]
    made: dict[str, VectorName] = {}
    for key in keys:
        behind = f"_{_plain(key)}" if key else ""
        for some in [*ports, ()]:
            stem = "-".join(_plain(port) for port in some) or "floor"
            made.setdefault(
                f"{stem}{behind}".casefold(), VectorName(stem=f"{stem}{behind}", ports=some, key=key or OVERVIEW)
            )
    return tuple(made.values())


def _plain(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9+-]+", "-", name).strip("-")


# --- what is missing


def gaps(
    recipe: Recipe,
    bench: Bench,
    expected: Sequence[Expected],
    saved: Sequence[SavedTrace],
    grids: dict[str, FloatArray],
) -> tuple[str, ...]:
    """Return, in words, what the files lack for each requirement; () where every one can be stated.

    ``grids``: source -> frequencies.
    """
    lines: dict[str, None] = {}
    windows = Windows(recipe, bench)
    for requirement in recipe.requirements:
        window = _window(requirement, windows)
        needs = _needs(requirement)
        lacking = _lacking(requirement, window, needs, expected, saved, grids)
        lines.update(dict.fromkeys(lacking))
    return tuple(lines)


def _window(requirement: Requirement, windows: Windows) -> Window:
    if requirement.port is not None:
        return windows.reflection(requirement.at)
    named = windows.of_path(requirement.hookup_name)
    keys = (requirement.at, f"{WIDE}{requirement.at}")
    return next(w for w in named if w.key in keys and requirement.id in w.why.split("; "))


def _needs(requirement: Requirement) -> tuple[tuple[str, Role], ...]:
    if requirement.port is not None:
        return (
            ("reflect-open", Role.OPEN),
            ("reflect-short", Role.SHORT),
            (requirement.hookup_name, Role.REFLECTION),
        )
    return (("thru", Role.THRU), (requirement.hookup_name, Role.DEVICE))


def _reach_hz(requirement: Requirement, window: Window) -> float:
    """Return how far to each side a file must reach: what is judged, or half of what a wide sweep looks for."""
    if window.key.startswith(WIDE):
        return 0.5 * window.half_hz
    return max(requirement.within_hz or 0.0, 2.0 * window.step_hz)


def _lacking(
    requirement: Requirement,
    window: Window,
    needs: Sequence[tuple[str, Role]],
    expected: Sequence[Expected],
    saved: Sequence[SavedTrace],
    grids: dict[str, FloatArray],
) -> list[str]:
    """Return what stands against the requirement with its own key, unless any other key serves it whole."""
    reach = _reach_hz(requirement, window)
    low, high = requirement.at_hz - reach, requirement.at_hz + reach
    first = min(t.station for t in saved) if saved else 0
    problems: list[str] = []
    keys = dict.fromkeys([window.key, OVERVIEW, *(t.key for t in saved)])
    for key in keys:
        against = []
        used: list[tuple[str, FloatArray]] = []
        for hookup, role in needs:
            here = [
                t
                for t in saved
                if (t.hookup.name, t.role, t.key) == (hookup, role, key)
                and (role is not Role.THRU or t.station == first)
            ]
            if not here:
                against += _missing(hookup, role, key, expected)
            for trace in here:
                against += _unfit(trace, grids[trace.source], low, high, window.step_hz)
                used.append((trace.source, grids[trace.source]))
        against += _apart(used)
        if not against:
            return []
        if key == window.key:
            problems = against
    return problems


def _missing(hookup: str, role: Role, key: str, expected: Sequence[Expected]) -> list[str]:
    found = next((e for e in expected if (e.hookup.name, e.role, e.key) == (hookup, role, key)), None)
    return [f"missing: {found.stem if found is not None else f'{hookup}, {key}'}"]


def _unfit(trace: SavedTrace, grid: FloatArray, low: float, high: float, step_hz: float) -> list[str]:
    if grid[0] > low + 1.0 or grid[-1] < high - 1.0:
        return [
            f"{trace.source}: covers {show_hz(float(grid[0]))} to {show_hz(float(grid[-1]))}, but {show_hz(low)} to "
            f"{show_hz(high)} is judged"
        ]
    inside = grid[(grid >= low - step_hz) & (grid <= high + step_hz)]
    step = float(max((b - a for a, b in itertools.pairwise(inside)), default=float("inf")))
    if step > step_hz * _SLACK + 0.01 and trace.kind is not SavedKind.LINE:
        return [
            f"{trace.source}: its points are {show_hz(step) if inside.size > 1 else 'too far'} apart; at most "
            f"{show_hz(step_hz)}, or a narrow notch hides between them"
        ]
    return []


def _apart(used: Iterable[tuple[str, FloatArray]]) -> list[str]:
    """Files that are set against each other must have the same frequencies: nothing is interpolated."""
    pairs = list(used)
    first = pairs[0] if pairs else None
    for source, grid in pairs[1:]:
        assert first is not None
        if grid.shape != first[1].shape or abs(grid - first[1]).max() > 1.0:
            return [f"{first[0]} and {source}: their frequencies differ; save both over the same range and points"]
    return []
