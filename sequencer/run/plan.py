"""From recipe, bench and analyzer to hookups and sweeps; pure.

RBW and span follow from the limit, the device and the bench (sources: the formulas are derived; the
sweep-rate rule was checked by exact integration, see DEVELOPERS.md, 'Numbers of the planner').
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from sequencer.core.capability import Capabilities
from sequencer.core.history import Role
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Detector, SweepSettings
from sequencer.recipe.model import Bench, Quantity, Recipe, Requirement
from sequencer.run.order import least_touches

__all__ = [
    "Known",
    "Plan",
    "PlannedSweep",
    "Station",
    "expected_thru_dbm",
    "generator_level_dbm",
    "make_plan",
    "reflect_level_dbm",
    "seconds_of",
]

ASSUMED_NOISE_DBM_HZ = -140.0  # at 0 dB attenuation; common practice, no source; replaced by the first sweep
ASSUMED_LEAD_LOSS_DB = 1.0  # both leads together; common practice, no source
ASSUMED_Q = 10_000.0  # highest unloaded Q met in cavities; a lower one makes every notch wider
ASSUMED_FACTOR = 2.5  # k of sweep time = k span / RBW^2, analogue near-Gaussian filters (from memory)
ALIGNED = 0.5  # three aligned notches are 0.51 times as wide as one (derived, checked by program)
RATE = 0.02  # sweep rate in notch widths squared per second below which depth is right within 0.05 dB
ROOM_DB = 13.0  # floor below the level of the limit: 10 dB, and 3 dB for a device better than its limit
NOISE_SHARE_DB = 0.2  # standard uncertainty from noise wanted at the level of a rejection limit
MOST_REPEATS = 16
LEAST_REPEATS = 2  # so that a jump between two sweeps of a device shows
LATENCY_S = 0.05  # commands and answers round one sweep; common practice, no source
LONGEST_SWEEP_S = 20.0  # a longer one could not be stopped in time
PREFERRED_ATTENUATION_DB = 10.0  # keeps the input matched; a pad at the lead's end does so as well
MIXER_DBM = -20.0  # highest level behind the attenuator, far from compression; common practice, no source
OVERVIEW_POINTS = 1001
POINTS_A_NOTCH = 5  # steps across the narrowest notch; target and edges lie on the grid anyway
REFLECTION_DEPTH_DB = 40.0  # as far down as a good bridge sees


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the run has measured that planning can use; None: not yet."""

    noise_dbm_hz: float | None = None  # referred to the input, at 0 dB attenuation
    thru_dbm: float | None = None  # lowest level of the thru over the overview


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSweep:
    """One setting, taken ``repeats`` times and averaged as power."""

    key: str
    role: Role
    settings: SweepSettings
    repeats: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A hookup at its place in the run, and the sweeps taken there, the proving one first."""

    hookup: Hookup
    sweeps: tuple[PlannedSweep, ...]
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The whole run in order. ``gaps`` says, per requirement id, what this bench cannot do at all."""

    stations: tuple[Station, ...]
    narrowest_rbw_hz: float
    gaps: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class _Window:
    """A key of sweeps: where, how fine, and how deep it must see."""

    key: str
    center_hz: float
    half_hz: float
    step_hz: float
    depth_db: float
    why: str
    rbw_hz: float | None = None
    points: int | None = None


def generator_level_dbm(bench: Bench, caps: Capabilities) -> float:
    """Return the level to use: the bench file's, else 0 dBm, within what the generator can do."""
    asked = 0.0 if bench.generator_level_dbm is None else bench.generator_level_dbm
    return min(max(asked, caps.generator_dbm[0]), caps.generator_dbm[1])


def _pads_db(bench: Bench) -> float:
    return sum(pad.loss_db for pad in (bench.generator_pad, bench.analyzer_pad) if pad is not None)


def expected_thru_dbm(bench: Bench, caps: Capabilities) -> float:
    """Return the level expected at the analyzer with the leads joined."""
    return generator_level_dbm(bench, caps) - _pads_db(bench) - ASSUMED_LEAD_LOSS_DB


def reflect_level_dbm(bench: Bench, caps: Capabilities) -> float:
    """Return the level expected with everything reflected at the bridge's test port."""
    loss = bench.bridge.loss_db if bench.bridge else 0.0
    return expected_thru_dbm(bench, caps) - loss


def seconds_of(settings: SweepSettings, caps: Capabilities) -> float:
    """Return the time one sweep will take, as asked or as the instrument couples it."""
    if settings.sweep_time_s is not None:
        return settings.sweep_time_s
    return max((caps.sweep_factor or ASSUMED_FACTOR) * settings.span_hz / settings.rbw_hz**2, caps.sweep_time_s[0])


def make_plan(recipe: Recipe, bench: Bench, caps: Capabilities, known: Known) -> Plan:
    """Plan the run.

    Raises
    ------
    MeasurementError
        Never: what cannot be done is a gap, so that `check` can show all of it at once.
    """
    made = _Maker(recipe, bench, caps, known)
    return made.plan()


class _Maker:
    """The steps of planning share many facts; they live here for one call."""

    def __init__(self, recipe: Recipe, bench: Bench, caps: Capabilities, known: Known) -> None:
        self.recipe, self.bench, self.caps = recipe, bench, caps
        self.level_dbm = generator_level_dbm(bench, caps)
        self.expected_dbm = expected_thru_dbm(bench, caps)
        self.thru_dbm = self.expected_dbm if known.thru_dbm is None else known.thru_dbm
        self.assumed_dbm_hz = ASSUMED_NOISE_DBM_HZ if caps.noise_dbm_hz is None else caps.noise_dbm_hz
        self.noise_dbm_hz = self.assumed_dbm_hz if known.noise_dbm_hz is None else known.noise_dbm_hz
        low, high = caps.attenuation_db
        pad_db = bench.analyzer_pad.loss_db if bench.analyzer_pad else 0.0
        wanted = max(PREFERRED_ATTENUATION_DB - pad_db, self.expected_dbm - MIXER_DBM, low)
        step = caps.attenuation_step_db or 1.0
        self.attenuation_db = min(max(math.ceil(wanted / step) * step, low), high)
        self.factor = caps.sweep_factor or ASSUMED_FACTOR
        self.detector = Detector.POWER if Detector.POWER in caps.detectors else Detector.SAMPLE

    # -- hookups

    def plan(self) -> Plan:
        paths = list(dict.fromkeys([r.path for r in self.recipe.requirements if r.path]))
        paths += [s.path for s in self.recipe.sweeps if s.path not in paths]
        path_hookups = [self._path_hookup(*path) for path in paths]
        bridged = self._bridge_ports(paths)
        gaps = tuple(
            (r.id, "the bench file has no bridge") for r in self.recipe.requirements if r.port and not self.bench.bridge
        )
        stations: list[Station] = []
        if path_hookups:
            stations += self._transmission(path_hookups)
        if bridged:
            stations += self._reflection(bridged)
        rbws = [sweep.settings.rbw_hz for station in stations for sweep in station.sweeps]
        return Plan(stations=tuple(stations), narrowest_rbw_hz=min(rbws, default=1e3), gaps=gaps)

    def _path_hookup(self, a: str, b: str) -> Hookup:
        loads = tuple(port for port in self.recipe.ports if port not in (a, b))
        return Hookup(name=f"{a}-{b}", kind=HookupKind.PATH, generator=a, analyzer=b, loads=loads)

    def _bridge_ports(self, paths: Iterable[tuple[str, str]]) -> list[str]:
        if self.bench.bridge is None:
            return []
        wanted = {r.port for r in self.recipe.requirements if r.port}
        wanted |= {port for path in paths for port in path}
        return [port for port in self.recipe.ports if port in wanted]

    def _transmission(self, paths: Sequence[Hookup]) -> list[Station]:
        thru = Hookup(name="thru", kind=HookupKind.THRU)
        floor = Hookup(name="floor", kind=HookupKind.FLOOR, loads=("generator lead", "analyzer lead"))
        windows = {hookup.name: self._windows(hookup.name) for hookup in paths}
        every = _merged(window for several in windows.values() for window in several)
        opening = [self._sweep(w, Role.FOREIGN, w.depth_db, on=False) for w in every if w.key == "overview"]
        opening += [self._sweep(w, Role.THRU, 0.0) for w in every]
        closing = [self._sweep(w, Role.THRU, 0.0) for w in every]
        middle = least_touches([floor, *paths], before=thru, after=thru)
        stations = [Station(hookup=thru, sweeps=tuple(opening), why="the reference for every loss")]
        for hookup in middle:
            if hookup.kind is HookupKind.FLOOR:
                stations.append(self._floor(hookup, every, windows))
                continue
            sweeps = [self._device(w, every) for w in windows[hookup.name]]
            stations.append(Station(hookup=hookup, sweeps=tuple(sweeps), why="limits of this path"))
        stations.append(Station(hookup=thru, sweeps=tuple(closing), why="shows what drifted since the first thru"))
        return stations

    def _floor(self, hookup: Hookup, every: Sequence[_Window], windows: dict[str, list[_Window]]) -> Station:
        sweeps = []
        deepest = {w.key: max(v.depth_db for ws in windows.values() for v in ws if v.key == w.key) for w in every}
        for window in every:
            deep = deepest[window.key]
            sweeps.append(self._sweep(window, Role.LEAKAGE, deep))
            sweeps.append(self._sweep(window, Role.NOISE, deep, on=False))
        return Station(hookup=hookup, sweeps=tuple(sweeps), why="what noise and leakage alone would read")

    def _device(self, window: _Window, every: Sequence[_Window]) -> PlannedSweep:
        whole = next(w for w in every if w.key == window.key)
        return self._sweep(replace(whole, why=window.why), Role.DEVICE, window.depth_db)

    def _reflection(self, ports: Sequence[str]) -> list[Station]:
        names = self.recipe.ports
        ends = [
            (Hookup(name="reflect-open", kind=HookupKind.REFLECT, test_port="open"), Role.OPEN),
            (Hookup(name="reflect-short", kind=HookupKind.REFLECT, test_port="short"), Role.SHORT),
        ]
        for port in ports:
            loads = tuple(other for other in names if other != port)
            hookup = Hookup(name=f"reflect-{port}", kind=HookupKind.REFLECT, test_port=port, loads=loads)
            ends.append((hookup, Role.REFLECTION))
        roles = {hookup.name: role for hookup, role in ends}
        order = least_touches([h for h, _ in ends], first=("reflect-open", "reflect-short"))
        windows = [self._overview(), *[self._reflect_window(name) for name in self.recipe.frequencies]]
        stations = []
        for hookup in order:
            role = roles[hookup.name]
            sweeps = tuple(self._reflect_sweep(window, role) for window in windows)
            why = "reflection of this port" if role is Role.REFLECTION else "reference of the bridge"
            stations.append(Station(hookup=hookup, sweeps=sweeps, why=why))
        return stations

    # -- windows: where to look, how fine, how deep

    def _windows(self, name: str) -> list[_Window]:
        needs = [r for r in self.recipe.requirements if r.path and r.hookup_name == name]
        windows = [self._overview()]
        for frequency in dict.fromkeys(r.at for r in needs):
            here = [r for r in needs if r.at == frequency]
            near = [r for r in here if not _is_wide(r)]
            wide = [r for r in here if _is_wide(r)]
            if near:
                windows.append(self._zoom(frequency, near))
            if wide:
                windows.append(self._wide(frequency, wide))
        for number, extra in enumerate(self.recipe.sweeps, 1):
            if f"{extra.path[0]}-{extra.path[1]}" == name:
                half = 0.5 * (extra.stop_hz - extra.start_hz)
                center = extra.start_hz + half
                step = max(2.0 * half / (OVERVIEW_POINTS - 1), self._notch_hz(center) / POINTS_A_NOTCH)
                depth = max((r.minimum or 0.0 for r in needs if r.quantity.unit == "dB"), default=60.0)
                why = "asked for by the recipe"
                windows.append(_Window(f"extra {number}", center, half, step, depth, why, extra.rbw_hz, extra.points))
        return windows

    def _overview(self) -> _Window:
        start, stop = self.recipe.overview_hz
        marks = sorted(set(self.recipe.frequencies.values()))
        return _Window("overview", 0.5 * (start + stop), 0.5 * (stop - start), 0.0, 60.0, _grid_note(marks))

    def _zoom(self, frequency: str, needs: Sequence[Requirement]) -> _Window:
        hz = self.recipe.frequencies[frequency]
        within = max(r.within_hz or 0.0 for r in needs)
        step = self._notch_hz(hz) / POINTS_A_NOTCH
        if within:
            step = within / math.ceil(within / step)
        half = max(1.25 * within, 4.0 * step, 2.0 * self._frequency_error_hz(hz) + 2.0 * step)
        depth = max((r.minimum or 0.0 for r in needs), default=0.0)
        return _Window(frequency, hz, half, step, depth, "; ".join(r.id for r in needs))

    def _wide(self, frequency: str, needs: Sequence[Requirement]) -> _Window:
        hz = self.recipe.frequencies[frequency]
        half = max(_reach_hz(r) for r in needs)
        depth = max(_depth_db(r, self.recipe.requirements) for r in needs)
        step = min(self._notch_hz(hz) / POINTS_A_NOTCH, half / 25.0)
        return _Window(f"wide {frequency}", hz, half, step, depth, "; ".join(r.id for r in needs))

    def _reflect_window(self, frequency: str) -> _Window:
        hz = self.recipe.frequencies[frequency]
        needs = [r for r in self.recipe.requirements if r.at == frequency and r.quantity.unit == "dB"]
        within = max((r.within_hz or 0.0 for r in needs), default=0.0)
        step = self._notch_hz(hz) / POINTS_A_NOTCH
        if within:
            step = within / math.ceil(within / step)
        half = max(1.25 * within, 4.0 * step)
        return _Window(frequency, hz, half, step, REFLECTION_DEPTH_DB, f"reflection at {frequency}")

    def _notch_hz(self, hz: float) -> float:
        """Return the narrowest notch to expect: aligned cavities of the highest Q."""
        return ALIGNED * hz / ASSUMED_Q

    def _frequency_error_hz(self, hz: float) -> float:
        figure = self.bench.specifications.frequency_reference_ppm
        return (figure.worst if figure else 5.0) * 1e-6 * hz

    # -- settings

    def _sweep(self, window: _Window, role: Role, depth_db: float, *, on: bool = True) -> PlannedSweep:
        # The overview comes before anything is known: its settings rest on expectations alone, so that
        # what is learnt from it cannot change it afterwards.
        overview = window.key == "overview"
        top = self.expected_dbm if overview else self.thru_dbm
        rbw = self._rbw(window)
        time, repeats = self._dwell(window, rbw, depth_db, 1 if role is Role.THRU else LEAST_REPEATS)
        reference = self._reference(top, 0.0 if overview else depth_db)
        settings = self._settings(window, rbw, reference, time, on=on)
        return PlannedSweep(key=window.key, role=role, settings=settings, repeats=repeats, why=window.why)

    def _reflect_sweep(self, window: _Window, role: Role) -> PlannedSweep:
        overview = window.key == "overview"
        top = self.expected_dbm if overview else self.thru_dbm
        top -= self.bench.bridge.loss_db if self.bench.bridge else 0.0
        rbw = self._allowed_rbw(self._rbw_for(window, top - REFLECTION_DEPTH_DB))
        start, stop, _ = self._grid(window)
        time = self._time(window, stop - start, rbw)
        settings = self._settings(window, rbw, self._reference(top, 0.0), time, on=True)
        repeats = LEAST_REPEATS if role is Role.REFLECTION and not overview else 1
        return PlannedSweep(key=window.key, role=role, settings=settings, repeats=repeats, why=window.why)

    def _settings(
        self, window: _Window, rbw_hz: float, reference_dbm: float, time_s: float | None, *, on: bool
    ) -> SweepSettings:
        start, stop, points = self._grid(window)
        return SweepSettings(
            start_hz=start,
            stop_hz=stop,
            points=points,
            rbw_hz=rbw_hz,
            attenuation_db=self.attenuation_db,
            reference_dbm=reference_dbm,
            generator_dbm=self.level_dbm if on else None,
            detector=self.detector,
            sweep_time_s=time_s,
        )

    def _grid(self, window: _Window) -> tuple[float, float, int]:
        least, most = self.caps.points
        if window.key == "overview":
            points = min(max(OVERVIEW_POINTS, least), most)
            return _marked_grid(*self.recipe.overview_hz, points, sorted(set(self.recipe.frequencies.values())))
        if window.key.startswith("extra"):
            points = min(max(window.points or round(2 * window.half_hz / window.step_hz) + 1, least), most)
            return window.center_hz - window.half_hz, window.center_hz + window.half_hz, points
        sides = math.ceil(window.half_hz / window.step_hz - 1e-9)
        step = window.step_hz
        least_sides, most_sides = math.ceil((least - 1) / 2), (most - 1) // 2
        if sides < least_sides:  # finer, keeping the edges of `within` on the grid
            finer = max(1, least_sides // sides)
            step, sides = step / finer, max(sides * finer, least_sides)
        elif sides > most_sides:
            coarser = math.ceil(sides / most_sides)
            step, sides = step * coarser, math.ceil(sides / coarser)
        return window.center_hz - sides * step, window.center_hz + sides * step, 2 * sides + 1

    def _rbw(self, window: _Window) -> float:
        """Return the filter of least time among those whose floor is low enough."""
        if window.rbw_hz:
            return self._allowed_rbw(window.rbw_hz)
        top = self.expected_dbm if window.key == "overview" else self.thru_dbm
        widest = self._allowed_rbw(self._rbw_for(window, top - window.depth_db))
        if window.key == "overview":
            return widest
        start, stop, _ = self._grid(window)
        around = {self._allowed_rbw(widest * by) for by in (30.0, 10.0, 3.0, 1.0, 1 / 3, 0.1)}
        short = [rbw for rbw in around if self.factor * (stop - start) / rbw**2 <= LONGEST_SWEEP_S] or [max(around)]
        quiet = [rbw for rbw in short if rbw <= widest] or [min(short)]
        return min(sorted(quiet, reverse=True), key=lambda rbw: self._cost_s(window, rbw))

    def _rbw_for(self, window: _Window, level_dbm: float) -> float:
        """Return the widest RBW whose floor lies ROOM_DB below the level that must be seen."""
        noise = self.assumed_dbm_hz if window.key == "overview" else self.noise_dbm_hz
        room = level_dbm - ROOM_DB - (noise + self.attenuation_db)
        widest = window.half_hz / 5.0 if window.key == "overview" else max(self._notch_hz(window.center_hz), 1e3)
        quiet: float = 10.0 ** (room / 10.0)
        return min(quiet, widest, 30e3)

    def _allowed_rbw(self, rbw_hz: float) -> float:
        low, high = self.caps.rbw_range_hz
        rbw = min(max(rbw_hz, low, self.caps.generator_min_rbw_hz), high)
        usable = [b for b in self.caps.rbw_hz if b >= self.caps.generator_min_rbw_hz]
        if usable:
            return max((b for b in usable if b <= rbw * (1 + 1e-9)), default=min(usable))
        exponent = math.floor(math.log10(rbw) + 1e-9)
        decade: float = 10.0**exponent
        return 3.0 * decade if 3.0 * decade <= rbw * (1 + 1e-9) else decade

    def _time(self, window: _Window, span_hz: float, rbw_hz: float) -> float | None:
        """Return a sweep time slow against the notch, or None where the instrument's own is slower."""
        rate = RATE if window.key != "overview" else 5 * RATE  # the overview is a picture, never judged
        slow = max(span_hz / (rate * self._notch_hz(window.center_hz) ** 2), self.caps.sweep_time_s[0])
        coupled = self.factor * span_hz / rbw_hz**2
        if slow <= coupled:
            return None
        return min(slow, LONGEST_SWEEP_S)

    def _reference(self, top_dbm: float, depth_db: float) -> float:
        """Return a reference level just above the highest level, lower where the display would end too soon."""
        low, high = self.caps.reference_dbm
        reach = self.caps.display_range_db
        top = top_dbm + 3.0
        if reach is not None and depth_db > 40.0 and depth_db + ROOM_DB > reach:
            top -= min(depth_db - 25.0, depth_db + ROOM_DB + 5.0 - reach)
        return min(max(5.0 * math.ceil(top / 5.0), low), high)

    def _dwell(self, window: _Window, rbw_hz: float, depth_db: float, least: int) -> tuple[float | None, int]:
        """Return (sweep time, repeats) that bring noise to its share at the level of the limit, value unseen.

        A signal S on noise N, averaged as power over K independent samples, has a relative variance of
        (2 N/S + 2 (N/S)^2) / K, the subtracted noise included (derived). A power detector collects RBW * time
        samples a point, so it sweeps slower; a sample detector collects one, so it sweeps again.
        """
        start, stop, points = self._grid(window)
        slow = self._time(window, stop - start, rbw_hz)
        if window.key == "overview":
            return slow, 1
        coupled = self.factor * (stop - start) / rbw_hz**2
        noise_dbm = self.noise_dbm_hz + self.attenuation_db + 10.0 * math.log10(rbw_hz)
        ratio: float = 10.0 ** ((noise_dbm - (self.thru_dbm - depth_db)) / 10.0)
        needed = (2.0 * ratio + 2.0 * ratio**2) * (10.0 / math.log(10.0) / NOISE_SHARE_DB) ** 2
        one = max(slow or 0.0, coupled)
        if self.detector is not Detector.POWER:
            return slow, min(max(math.ceil(needed), least), MOST_REPEATS)
        whole = needed * points / rbw_hz
        repeats = min(max(math.ceil(whole / LONGEST_SWEEP_S), least), MOST_REPEATS)
        each = whole / repeats
        return (slow if each <= one else min(each, LONGEST_SWEEP_S)), repeats

    def _cost_s(self, window: _Window, rbw_hz: float) -> float:
        start, stop, _ = self._grid(window)
        time, repeats = self._dwell(window, rbw_hz, window.depth_db, LEAST_REPEATS)
        return repeats * ((time or self.factor * (stop - start) / rbw_hz**2) + LATENCY_S)


def _is_wide(requirement: Requirement) -> bool:
    return requirement.quantity in {
        Quantity.NOTCH_FREQUENCY,
        Quantity.NOTCH_DEPTH,
        Quantity.REJECTION_BANDWIDTH,
        Quantity.PASS_BANDWIDTH,
        Quantity.RIPPLE,
    }


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


def _merged(windows: Iterable[_Window]) -> list[_Window]:
    """Return one window per key: as wide, as fine and as deep as any path needs, so one thru serves all."""
    merged: dict[str, _Window] = {}
    for window in windows:
        have = merged.get(window.key)
        if have is None:
            merged[window.key] = window
            continue
        why = have.why if window.why in have.why else f"{have.why}; {window.why}"
        half, depth = max(have.half_hz, window.half_hz), max(have.depth_db, window.depth_db)
        step = min(have.step_hz, window.step_hz)
        merged[window.key] = replace(have, half_hz=half, step_hz=step, depth_db=depth, why=why)
    return list(merged.values())


def _marked_grid(start: float, stop: float, points: int, marks: Sequence[float]) -> tuple[float, float, int]:
    """Return a grid over at least start..stop on which the first two marks lie (with them, all equally spaced ones)."""
    if not marks:
        return start, stop, points
    step = (stop - start) / (points - 2)
    apart = marks[1] - marks[0] if len(marks) > 1 else 0.0
    if apart > step:
        step = apart / math.floor(apart / step)
    first = marks[0] - math.floor((marks[0] - start) / step) * step
    spare = points - 1 - math.ceil((stop - first) / step - 1e-9)
    first -= max(0, spare // 2) * step
    return first, first + (points - 1) * step, points


def _grid_note(marks: Sequence[float]) -> str:
    return "the whole response, for the picture and to prove the hookup" if marks else "the whole response"
