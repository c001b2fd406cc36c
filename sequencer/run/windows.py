"""Where a recipe's limits must be looked at: centre, width, step and depth of each key of sweeps; pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from sequencer.recipe.model import Bench, Quantity, Recipe, Requirement

__all__ = ["LEAKAGE", "OVERVIEW", "WIDE", "Window", "Windows", "merged"]

WIDE = "wide "  # begins the keys of zooms that must show edges
ASSUMED_Q = 10_000.0  # highest unloaded Q met in cavities; a lower one makes every notch wider
ALIGNED = 0.5  # three aligned notches are 0.51 times as wide as one (derived, checked by program)
POINTS_A_NOTCH = 5  # steps across the narrowest notch; target and edges lie on the grid anyway
REFLECTION_DEPTH_DB = 40.0  # as far down as a good bridge sees
OVERVIEW_DEPTH_DB = 60.0
EXTRA_POINTS = 1001  # of a sweep that the recipe adds without saying how many
ASSUMED_PPM = 5.0

OVERVIEW = "overview"
LEAKAGE = "leakage"  # 'leakage NAME': few points within the zoom round the frequency NAME

_WIDE = frozenset(
    {
        Quantity.NOTCH_FREQUENCY,
        Quantity.NOTCH_DEPTH,
        Quantity.REJECTION_BANDWIDTH,
        Quantity.PASS_BANDWIDTH,
        Quantity.RIPPLE,
    }
)


@dataclass(frozen=True, slots=True)
class Window:
    """A key of sweeps: where, how fine, and how deep it must see. ``depths_db``: what each path asks of it."""

    key: str
    center_hz: float
    half_hz: float
    step_hz: float
    depth_db: float
    why: str
    rbw_hz: float | None = None
    points: int | None = None
    depths_db: tuple[float, ...] = ()

    @property
    def notch_hz(self) -> float:
        """The narrowest notch to expect here: aligned cavities of the highest Q."""
        return ALIGNED * self.center_hz / ASSUMED_Q


@dataclass(frozen=True, slots=True)
class Windows:
    """The windows of a recipe; the bench says how far its frequency axis may be off."""

    recipe: Recipe
    bench: Bench

    def of_path(self, name: str) -> list[Window]:
        """Return the windows that a path's requirements ask for, the overview first."""
        needs = [r for r in self.recipe.requirements if r.path and r.hookup_name == name]
        windows = [self.overview()]
        for frequency in dict.fromkeys(r.at for r in needs):
            here = [r for r in needs if r.at == frequency]
            near = [r for r in here if r.quantity not in _WIDE]
            wide = [r for r in here if r.quantity in _WIDE]
            if near:
                windows.append(self._zoom(frequency, near))
            if wide:
                windows.append(self._wide(frequency, wide))
        for number, extra in enumerate(self.recipe.sweeps, 1):
            if f"{extra.path[0]}-{extra.path[1]}" == name:
                half = 0.5 * (extra.stop_hz - extra.start_hz)
                depth = max((r.minimum or 0.0 for r in needs if r.quantity.unit == "dB"), default=60.0)
                window = Window(f"extra {number}", extra.start_hz + half, half, 0.0, depth, "asked for by the recipe")
                step = max(2.0 * half / (EXTRA_POINTS - 1), window.notch_hz / POINTS_A_NOTCH)
                windows.append(replace(window, step_hz=step, rbw_hz=extra.rbw_hz, points=extra.points))
        return [replace(window, depths_db=(window.depth_db,)) for window in windows]

    def overview(self) -> Window:
        """Return the whole response's."""
        start, stop = self.recipe.overview_hz
        why = "the whole response, for the picture and to prove the hookup; a notch's bottom is judged in its zoom"
        return Window(OVERVIEW, 0.5 * (start + stop), 0.5 * (stop - start), 0.0, OVERVIEW_DEPTH_DB, why)

    def reflection(self, frequency: str) -> Window:
        """Return the zoom for reflections round a frequency."""
        hz = self.recipe.frequencies[frequency]
        needs = [r for r in self.recipe.requirements if r.at == frequency and r.quantity.unit == "dB"]
        within = max((r.within_hz or 0.0 for r in needs), default=0.0)
        step = _step_hz(hz, within)
        half = max(1.25 * within, 4.0 * step)
        return Window(frequency, hz, half, step, REFLECTION_DEPTH_DB, f"reflection at {frequency}")

    def leakage(self, every: Iterable[Window]) -> list[Window]:
        """Return one window for each frequency that any path is judged at, as deep as the deepest there.

        Leakage is coherent and smooth over a zoom, so a few points stand for all of it.
        """
        found = []
        for frequency, hz in self.recipe.frequencies.items():
            here = [w for w in every if w.key in (frequency, f"{WIDE}{frequency}")]
            if here:
                depth, half = max(w.depth_db for w in here), min(w.half_hz for w in here)
                why = "leakage is smooth, so few points and a narrow filter show it"
                found.append(Window(f"{LEAKAGE} {frequency}", hz, half, 0.0, depth, why))
        return found

    def _zoom(self, frequency: str, needs: Sequence[Requirement]) -> Window:
        hz = self.recipe.frequencies[frequency]
        within = max(r.within_hz or 0.0 for r in needs)
        step = _step_hz(hz, within)
        figure = self.bench.specifications.frequency_reference_ppm
        error_hz = (figure.worst if figure else ASSUMED_PPM) * 1e-6 * hz
        half = max(1.25 * within, 4.0 * step, 2.0 * error_hz + 2.0 * step)
        depth = max((r.minimum or 0.0 for r in needs), default=0.0)
        return Window(frequency, hz, half, step, depth, "; ".join(r.id for r in needs))

    def _wide(self, frequency: str, needs: Sequence[Requirement]) -> Window:
        hz = self.recipe.frequencies[frequency]
        half = max(_reach_hz(r) for r in needs)
        depth = max(_depth_db(r, self.recipe.requirements) for r in needs)
        step = min(_step_hz(hz, 0.0), half / 25.0)
        return Window(f"{WIDE}{frequency}", hz, half, step, depth, "; ".join(r.id for r in needs))


def merged(windows: Iterable[Window]) -> list[Window]:
    """Return one window per key: as wide, as fine and as deep as any path needs, so one thru serves all."""
    found: dict[str, Window] = {}
    for window in windows:
        have = found.get(window.key)
        if have is None:
            found[window.key] = window
            continue
        found[window.key] = replace(
            have,
            half_hz=max(have.half_hz, window.half_hz),
            step_hz=min(have.step_hz, window.step_hz),
            depth_db=max(have.depth_db, window.depth_db),
            depths_db=have.depths_db + window.depths_db,
            why=have.why if window.why in have.why else f"{have.why}; {window.why}",
        )
    return list(found.values())


def _step_hz(hz: float, within_hz: float) -> float:
    step = ALIGNED * hz / ASSUMED_Q / POINTS_A_NOTCH
    return within_hz / math.ceil(within_hz / step) if within_hz else step


def _reach_hz(requirement: Requirement) -> float:
    """Return how far from its frequency a wide requirement must look."""
    if requirement.quantity in {Quantity.REJECTION_BANDWIDTH, Quantity.PASS_BANDWIDTH}:
        return 1.5 * (requirement.minimum or requirement.maximum or 0.0)
    if requirement.quantity is Quantity.RIPPLE:
        return 1.1 * (requirement.within_hz or 0.0)
    return 1.5 * (requirement.within_hz or 0.0)


def _depth_db(requirement: Requirement, every: Iterable[Requirement]) -> float:
    """Return how deep a wide requirement must see."""
    if requirement.quantity is Quantity.NOTCH_DEPTH:
        return requirement.minimum or 0.0
    if requirement.quantity is Quantity.REJECTION_BANDWIDTH:
        return (requirement.level_db or 0.0) + 5.0
    if requirement.quantity is Quantity.NOTCH_FREQUENCY:
        same = [r.minimum or 0.0 for r in every if r.path == requirement.path and r.at == requirement.at]
        same = [m for m in same if m < 200.0]
        return max([60.0, *same])
    return 0.0
