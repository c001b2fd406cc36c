"""From recipe, bench and analyzer to hookups and their sweeps, in order; pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from sequencer.core.capability import Capabilities
from sequencer.core.history import Role
from sequencer.core.hookup import RE_MATED, Hookup, HookupKind
from sequencer.recipe.model import Bench, Recipe, Rule
from sequencer.run.compression import SMALL_DB, with_compression
from sequencer.run.order import least_touches
from sequencer.run.planned import Plan, PlannedSweep, Station
from sequencer.run.settings import (
    LEAST_REPEATS,
    Known,
    Setter,
    expected_thru_dbm,
    reflect_level_dbm,
    seconds_of,
)
from sequencer.run.standards import standard_hookup, standards, value_of
from sequencer.run.windows import OVERVIEW, Window, Windows, merged

__all__ = [
    "TRACKING",
    "Known",
    "Plan",
    "PlannedSweep",
    "Station",
    "expected_thru_dbm",
    "make_plan",
    "reflect_level_dbm",
    "seconds_of",
]

TRACKING = "tracking"  # the key of what is swept to adjust the generator


def make_plan(recipe: Recipe, bench: Bench, caps: Capabilities, known: Known) -> Plan:
    """Plan the run.

    Raises
    ------
    MeasurementError
        Never: what cannot be done is a gap, so that `check` can show all of it at once.
    """
    for known_recipe, known_bench, known_caps, then, plan in _LATEST:
        if recipe is known_recipe and bench is known_bench and caps is known_caps and known == then:
            return plan
    plan = _Maker(recipe, bench, Setter(recipe, bench, caps, known)).plan()
    _LATEST.append((recipe, bench, caps, known, plan))
    return plan


# A run asks for its plan before every step; the values it follows from do not change, and so does not the plan.
_LATEST: deque[tuple[Recipe, Bench, Capabilities, Known, Plan]] = deque(maxlen=4)


@dataclass(frozen=True, slots=True)
class _Maker:
    recipe: Recipe
    bench: Bench
    setter: Setter

    def plan(self) -> Plan:
        paths = list(dict.fromkeys([r.path for r in self.recipe.requirements if r.path]))
        paths += [s.path for s in self.recipe.sweeps if s.path not in paths]
        path_hookups = [self._path_hookup(*path) for path in paths]
        bridged = self._bridge_ports(paths)
        gaps = tuple(
            (r.id, "the bench file has no bridge") for r in self.recipe.requirements if r.port and not self.bench.bridge
        )
        exchanged = [(b, a) for a, b in self.recipe.exchange if (a, b) in paths]
        switch = self.bench.switch
        lacking = [f"{a}-{b}" for a, b in exchanged if switch is not None and f"{a}-{b}" not in switch.hookups]
        gaps += tuple((f"{name}, the leads exchanged", "the switch has no such hookup") for name in lacking)
        checks = [(standard_hookup(item), item) for item in standards(self.bench)] if path_hookups else []
        unswitched = {h.name for h, _ in checks if switch is not None and h.name not in switch.hookups}
        gaps += tuple((name, "the switch has no such hookup") for name in sorted(unswitched))
        if self.recipe.re_mate and path_hookups and self._unmatable():
            why = "the switch makes the thru and opens no joint; what the bench file states is taken, else the family's"
            gaps += (("connection repeatability", why),)
        path_hookups += [self._path_hookup(a, b) for a, b in exchanged if f"{a}-{b}" not in lacking]
        known_checks = [h for h, _ in checks if h.name not in unswitched]
        stages = self._transmission_stages(path_hookups, known_checks) if path_hookups else []
        stages += self._reflection_stages(bridged) if bridged else []
        order = least_touches(stages, self.bench)  # a matrix has no hands; those of the simulated bench are told so
        transmitted = [h for h in order.hookups if h.kind is not HookupKind.REFLECT]
        stations = self._transmission(transmitted, path_hookups, known_checks) if path_hookups else []
        stations += self._reflection([h for h in order.hookups if h.kind is HookupKind.REFLECT])
        rbws = [sweep.settings.rbw_hz for station in stations for sweep in station.sweeps]
        narrowest_hz = min(rbws, default=1e3)
        tracking = self._tracking(narrowest_hz) if path_hookups else None
        return Plan(
            stations=tuple(stations),
            narrowest_rbw_hz=narrowest_hz,
            tracking=tracking,
            gaps=gaps,
            touches_over=order.over,
        )

    def _tracking(self, rbw_hz: float) -> PlannedSweep:
        center_hz = next(iter(self.recipe.frequencies.values()))
        settings = self.setter.tracking(center_hz, rbw_hz)
        return PlannedSweep(key=TRACKING, role=Role.TRACKING, settings=settings, repeats=1, why="")

    def _path_hookup(self, a: str, b: str) -> Hookup:
        loads = tuple(port for port in self.recipe.ports if port not in (a, b))
        return Hookup(name=f"{a}-{b}", kind=HookupKind.PATH, generator=a, analyzer=b, loads=loads)

    def _bridge_ports(self, paths: Iterable[tuple[str, str]]) -> list[str]:
        if self.bench.bridge is None:
            return []
        wanted = {r.port for r in self.recipe.requirements if r.port}
        if not wanted and self.recipe.decision.rule is Rule.SIMPLE:
            return []  # a quick look: the reading is judged as it stands, so a narrower interval is not worth 5 hookups
        wanted |= {port for path in paths for port in path}
        return [port for port in self.recipe.ports if port in wanted]

    def _windows(self) -> Windows:
        return Windows(self.recipe, self.bench)

    def _transmission_stages(self, paths: Sequence[Hookup], checks: Sequence[Hookup]) -> list[list[Hookup]]:
        """Return what must come before what: a thru first and last, what is known before anything unknown."""
        thru = Hookup(name="thru", kind=HookupKind.THRU)
        floor = Hookup(name="floor", kind=HookupKind.FLOOR, loads=("generator lead", "analyzer lead"))
        if self.bench.switch is not None or checks:  # its isolation must be known before a path is swept through it
            return [[thru], [floor, *checks], list(paths), [thru]]
        return [[thru], [floor, *paths], [thru]]

    def _transmission(
        self, hookups: Sequence[Hookup], paths: Sequence[Hookup], checks: Sequence[Hookup]
    ) -> list[Station]:
        thru, *middle, closing = hookups
        windows = {hookup.name: self._windows().of_path(self._swept_as(hookup)) for hookup in paths}
        every = merged(window for several in windows.values() for window in several)
        thrus = tuple(self._swept(w, Role.THRU, 0.0, least=1) for w in every)
        opening = (self._foreign(every[0]), *thrus)
        stations = [Station(hookup=thru, sweeps=opening, why="the reference for every loss")]
        stations += self._re_mated(thrus[0])
        for hookup in middle:
            if hookup.kind is HookupKind.FLOOR:
                why = "what noise and leakage alone would read"
                stations.append(Station(hookup=hookup, sweeps=self._floor(every), why=why))
                continue
            if hookup.kind is HookupKind.STANDARD:
                why = "what is known must read right before anything unknown is measured"
                stations.append(Station(hookup=hookup, sweeps=self._standard(hookup, every), why=why))
                continue
            stations += self._path_thru(hookup, [w for w in every if w.key in {o.key for o in windows[hookup.name]}])
            sweeps = [self._device(w, every) for w in windows[hookup.name]]
            why = "limits of this path"
            if self._swept_as(hookup) != hookup.name:
                why = f"a passive device must read the same as {self._swept_as(hookup)}"
            stations.append(Station(hookup=hookup, sweeps=tuple(sweeps), why=why))
        stations.append(Station(hookup=closing, sweeps=thrus, why="shows what drifted since the first thru"))
        small = next((check.name for check in checks if value_of(check, self.bench) <= SMALL_DB), "")
        return list(with_compression(stations, self.setter.caps, small))

    def _re_mated(self, overview: PlannedSweep) -> list[Station]:
        """Return the thrus whose joint is opened and closed again, at once: what drifts meanwhile adds to its scatter.

        They leave the joints as they stand, so the order of what follows does not know of them.
        """
        hookup = Hookup(name=RE_MATED, kind=HookupKind.THRU)
        why = "how well a joint repeats is measured: the scatter goes into every interval"
        station = Station(hookup=hookup, sweeps=(replace(overview, role=Role.RE_MATED),), why=why)
        return [] if self._unmatable() else [station] * self.recipe.re_mate

    def _unmatable(self) -> bool:
        """Whether a switch makes the hookups, and has none in which a joint is made anew: closed contacts show none."""
        return self.bench.switch is not None and RE_MATED not in self.bench.switch.hookups

    def _standard(self, hookup: Hookup, every: Sequence[Window]) -> tuple[PlannedSweep, ...]:
        """The overview, and the first zoom as deep as the standard's value."""
        zoom = next((w for w in every if w.key in self.recipe.frequencies), every[-1])
        value_db = value_of(hookup, self.bench)
        sweeps = [self._swept(every[0], Role.STANDARD, every[0].depth_db, least=1)]
        if zoom.key != OVERVIEW:
            sweeps.append(self._swept(replace(zoom, why="its value"), Role.STANDARD, value_db, least=LEAST_REPEATS))
        return tuple(sweeps)

    def _path_thru(self, path: Hookup, windows: Sequence[Window]) -> list[Station]:
        """Return the thru through the switch's contacts of a path, just before it, where the switch can make one."""
        name = f"thru {path.name}"
        if self.bench.switch is None or name not in self.bench.switch.hookups:
            return []
        hookup = Hookup(name=name, kind=HookupKind.THRU, generator=path.generator, analyzer=path.analyzer)
        sweeps = tuple(self._swept(w, Role.THRU, 0.0, least=1) for w in windows)
        return [Station(hookup=hookup, sweeps=sweeps, why=f"the reference for {path.name}: what its own contacts lose")]

    def _swept_as(self, hookup: Hookup) -> str:
        """Return the path whose limits say how a path is swept: with the leads exchanged, the other way round."""
        other = (str(hookup.analyzer), str(hookup.generator))
        return "-".join(other) if other in self.recipe.exchange else hookup.name

    def _foreign(self, overview: Window) -> PlannedSweep:
        settings = self.setter.foreign(overview)
        why = "the noise there is, and whether other transmitters are heard"
        return PlannedSweep(key=overview.key, role=Role.FOREIGN, settings=settings, repeats=1, why=why)

    def _floor(self, every: Sequence[Window]) -> tuple[PlannedSweep, ...]:
        """The overview proves the hookup; noise in each zoom's own filter; leakage in few points round each."""
        sweeps = [self._swept(every[0], Role.LEAKAGE, every[0].depth_db, least=1)]
        for window in every[1:]:
            settings, repeats = self.setter.noise(window, window.depth_db)
            why = "the noise that the device's reading holds"
            sweeps.append(PlannedSweep(key=window.key, role=Role.NOISE, settings=settings, repeats=repeats, why=why))
        for window in self._windows().leakage(every):
            settings, repeats = self.setter.leakage(window)
            for role, asked in ((Role.LEAKAGE, settings), (Role.NOISE, replace(settings, generator_dbm=None))):
                planned = PlannedSweep(key=window.key, role=role, settings=asked, repeats=repeats, why=window.why)
                sweeps.append(planned)
        return tuple(sweeps)

    def _device(self, window: Window, every: Sequence[Window]) -> PlannedSweep:
        whole = next(w for w in every if w.key == window.key)
        return self._swept(replace(whole, why=window.why), Role.DEVICE, window.depth_db, least=LEAST_REPEATS)

    def _swept(self, window: Window, role: Role, depth_db: float, *, least: int) -> PlannedSweep:
        settings, repeats = self.setter.transmission(window, depth_db, least)
        return PlannedSweep(key=window.key, role=role, settings=settings, repeats=repeats, why=window.why)

    def _reflection_stages(self, ports: Sequence[str]) -> list[list[Hookup]]:
        """Return the bridge's open and short, then the ports."""
        ends = [Hookup(name=f"reflect-{end}", kind=HookupKind.REFLECT, test_port=end) for end in ("open", "short")]
        others = {port: tuple(other for other in self.recipe.ports if other != port) for port in ports}
        return [
            ends,
            [
                Hookup(name=f"reflect-{port}", kind=HookupKind.REFLECT, test_port=port, loads=loads)
                for port, loads in others.items()
            ],
        ]

    def _reflection(self, hookups: Sequence[Hookup]) -> list[Station]:
        ends = {"open": Role.OPEN, "short": Role.SHORT}
        made = self._windows()
        windows = [made.overview(), *(made.reflection(name) for name in self.recipe.frequencies)]
        stations = []
        for hookup in hookups:
            role = ends.get(str(hookup.test_port), Role.REFLECTION)
            sweeps = tuple(self._reflected(window, role) for window in windows)
            why = "reflection of this port" if role is Role.REFLECTION else "reference of the bridge"
            stations.append(Station(hookup=hookup, sweeps=sweeps, why=why))
        return stations

    def _reflected(self, window: Window, role: Role) -> PlannedSweep:
        repeats = LEAST_REPEATS if role is Role.REFLECTION and window.key != OVERVIEW else 1
        settings = self.setter.reflection(window)
        return PlannedSweep(key=window.key, role=role, settings=settings, repeats=repeats, why=window.why)
