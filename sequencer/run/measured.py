"""One run's curves with everything a budget needs: paths against their thru, ports against open and short."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from functools import lru_cache

import numpy as np

from sequencer.core.curve import Reading, Shift
from sequencer.core.history import Role
from sequencer.core.hookup import RE_MATED
from sequencer.core.normalise import Averaged, Response, response
from sequencer.core.reflection import PortReflection, ReturnLoss, linear_reference
from sequencer.core.trace import FloatArray, own
from sequencer.core.transmission import PathLoss
from sequencer.core.uncertainty import BLOCK, Distribution, Input
from sequencer.errors import MeasurementError
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.figures import BY_US, FROM_FILE, FROM_RUN, Figures, ThruAdapter
from sequencer.run.floor import flat, leak_near, with_leak
from sequencer.run.mating import mated
from sequencer.run.sweeps import Sweeps

__all__ = ["Measured", "PathCurve", "PortCurve", "scatter"]


_HOUR = timedelta(hours=1)


class PathCurve:
    """A path on one key: the response and the levels it was made from."""

    def __init__(
        self, sweeps: Sweeps, path: tuple[str, str], key: str, adapter: ThruAdapter, switch_loss_db: float = 0.0
    ) -> None:
        self.path, self.key, self.name = path, key, f"{path[0]}-{path[1]}"
        device = sweeps.latest(self.name, key, Role.DEVICE)
        reference, floor = sweeps.thru_of(self.name), sweeps.floor_of(self.name)
        thru = sweeps.opening(key, reference)
        if device is None or thru is None:
            missing = "the path" if device is None else "the thru"
            msg = f"{self.name}: {missing} was not swept at {key!r}"
            raise MeasurementError(msg)
        closing = sweeps.closing(key, reference)
        self.own_thru = reference == f"thru {self.name}"
        # A thru of the path itself is taken just before it; the bench's drift then shows in the common thrus.
        self.drifted = (sweeps.opening(key), sweeps.closing(key)) if self.own_thru else (thru, closing)
        # What stands only in the thru takes from the reference, what only the path has gives to it.
        more_db = switch_loss_db - adapter.loss_db
        thru, closing = _through(thru, more_db), closing and _through(closing, more_db)
        self.adapter = adapter
        self.device, self.opening, self.closing = device, thru, closing
        self.leakage = sweeps.latest(floor, key, Role.LEAKAGE)
        noise = sweeps.latest(floor, key, Role.NOISE)
        if noise is None:  # the picture needs no sweep of its own in the floor: with the generator off all are alike
            noise = sweeps.latest("thru", key, Role.FOREIGN)
        self.has_noise = noise is not None
        noise = None if noise is None else flat(noise)
        self.response: Response = response(device, thru, noise, self.leakage, closing)
        self.sweep_center_hz = float(0.5 * (device.freq_hz[0] + device.freq_hz[-1]))
        self.leak: tuple[float, float] | None = None
        if self.leakage is None:  # swept in few points of its own
            thru_dbm = float(np.nanmedian(self.response.thru_dbm))
            self.leak = leak_near(sweeps, self.sweep_center_hz, thru_dbm, floor)
            self.response = with_leak(self.response, self.leak)


class PortCurve:
    """A port on one key: |Gm|^2 over frequency, and how far open and short lie apart."""

    def __init__(self, sweeps: Sweeps, port: str, key: str, switch_loss_db: float = 0.0) -> None:
        self.port, self.key = port, key
        device = sweeps.latest(f"reflect-{port}", key, Role.REFLECTION)
        opened = sweeps.latest("reflect-open", key, Role.OPEN)
        short = sweeps.latest("reflect-short", key, Role.SHORT)
        if device is None or opened is None or short is None:
            msg = f"port {port}: its reflection, the open or the short was not swept at {key!r}"
            raise MeasurementError(msg)
        self.device, self.opened = device, opened
        self.response = response(device, _through(_full_reflection(opened, short), switch_loss_db))
        load = sweeps.latest("reflect-load", key, Role.LOAD)
        self.load_ratio: FloatArray | None = None
        if load is not None:
            self.load_ratio = np.sqrt(response(load, _full_reflection(opened, short)).raw)
        # (1+e)/(1-e) of two full reflections: e is at most directivity plus source match
        apart_db = 10.0 * np.log10(opened.power_mw / short.power_mw)
        self.open_short_db = float(np.nanmax(np.abs(_smooth(apart_db))))
        shown_db = 10.0 * np.log10(device.power_mw)
        self.scatter_db = scatter(shown_db, math.ceil(max(device.shared, 1.0)))
        self.ripple_noise_db = 4.0 * scatter(apart_db, math.ceil(max(opened.shared, 1.0)))
        self.center_hz = float(0.5 * (device.freq_hz[0] + device.freq_hz[-1]))


def _smooth(values: FloatArray, points: int = 5) -> FloatArray:
    """Running median: what is alike over neighbours stays, the noise of single points does not."""
    if values.size < 2 * points:
        return values
    windows = np.lib.stride_tricks.sliding_window_view(values, points)
    return np.asarray(np.median(windows, axis=-1))


def scatter(values: FloatArray, lag: int) -> float:
    """Standard deviation of single points about a smooth curve, from second differences; 0 where there are too few.

    Points nearer than ``lag`` share their noise. The median of sizes of a normal is 0.674 of its standard deviation,
    and a second difference has six times the variance of a point.
    """
    if values.size <= 4 * lag:
        return 0.0
    second = values[2 * lag :] - 2.0 * values[lag:-lag] + values[: -2 * lag]
    return float(np.nanmedian(np.abs(second))) / (0.674 * math.sqrt(6.0))


def _through(reference: Averaged, loss_db: float) -> Averaged:
    """Return the reference as it would read through a switch's way that loses so much more than its own."""
    return replace(reference, power_mw=own(reference.power_mw * 10.0 ** (-loss_db / 10.0))) if loss_db else reference


@lru_cache(maxsize=32)
def _full_reflection(opened: Averaged, short: Averaged) -> Averaged:
    response(opened, short)  # refuses an open and a short that do not fit together
    amplitude = linear_reference(np.sqrt(opened.power_mw), np.sqrt(short.power_mw))
    u_rel = 0.5 * np.hypot(np.nan_to_num(opened.u_rel), np.nan_to_num(short.u_rel))
    return replace(opened, power_mw=own(amplitude**2), u_rel=own(u_rel), repeats=max(opened.repeats, 2))


@lru_cache(maxsize=64)
def _known_db(response: Response) -> FloatArray:
    return own(np.where(response.hidden, response.bound_db, response.loss_db))


class Measured:
    """Everything a run has measured so far, cached; builds level models, drawn in blocks of ``block`` trials."""

    def __init__(
        self,
        recipe: Recipe,
        bench: Bench,
        sweeps: Sweeps,
        block: int = BLOCK,
        distrusted: frozenset[str] = frozenset(),
    ) -> None:
        self.block = block
        self.recipe, self.sweeps = recipe, sweeps
        self.figures = sweeps.once(
            ("figures", id(bench)), ("thru", RE_MATED), lambda: Figures(bench, mated(sweeps, bench))
        )
        self.distrusted = distrusted  # hookups in doubt: no other result rests on them
        self._paths: dict[tuple[tuple[str, str], str], PathCurve] = {}
        self._ports: dict[tuple[str, str], PortCurve] = {}

    # --- curves

    def path(self, path: tuple[str, str], key: str) -> PathCurve:
        """Return a path's curve; MeasurementError where sweeps are missing or do not fit."""
        if (path, key) not in self._paths:
            loss_db = self._switch_loss_db(f"{path[0]}-{path[1]}")
            adapter, rests_on = self.figures.thru_adapter(), self.rests_on(f"{path[0]}-{path[1]}")
            self._paths[path, key] = self.sweeps.once(
                ("path", path, key, loss_db, adapter, *rests_on),
                rests_on,
                lambda: PathCurve(self.sweeps, path, key, adapter, loss_db),
            )
        return self._paths[path, key]

    def port(self, port: str, key: str) -> PortCurve:
        """Return a port's curve; MeasurementError where sweeps are missing or do not fit."""
        if (port, key) not in self._ports:
            loss_db = self._switch_loss_db(f"reflect-{port}")
            self._ports[port, key] = self.sweeps.once(
                ("port", port, key, loss_db),
                self.rests_on(f"reflect-{port}"),
                lambda: PortCurve(self.sweeps, port, key, loss_db),
            )
        return self._ports[port, key]

    def rests_on(self, name: str) -> tuple[str, ...]:
        """Return the hookups whose sweeps a curve of a device hookup is made of, and the figures it is held to."""
        if name.startswith("reflect-"):
            return (name, "reflect-open", "reflect-short", "reflect-load", "thru", RE_MATED)
        return (name, self.sweeps.thru_of(name), self.sweeps.floor_of(name), "thru", RE_MATED)

    def _switch_loss_db(self, hookup: str) -> float:
        return 0.0 if hookup in self.sweeps.by_hand else self.figures.switch_loss_db(hookup)

    def _switch(self, hookup: str, *, own_thru: bool = False) -> tuple[Input, ...]:
        return () if own_thru or hookup in self.sweeps.by_hand else self.figures.switch_loss(hookup)

    def shift(self, center_hz: float) -> Shift:
        """Frequency error of a sweep round a centre."""
        (reference, first), (span, second) = self.figures.frequency()
        return Shift(reference=reference, span=span, center_hz=center_hz, reference_origin=first, span_origin=second)

    # --- transmission

    def reading(self, curve: PathCurve) -> Reading:
        """Return a path's curve for the quantities."""
        return _reading(curve.response, curve.name)

    def path_loss(self, curve: PathCurve, f_hz: float, ratio: float, u_ratio: float) -> PathLoss:
        """Return the level model of a path at one frequency."""
        r, first, second = curve.response, *curve.path
        index = int(np.argmin(np.abs(r.freq_hz - f_hz)))
        leak, u_leak = _leak(r, f_hz) if curve.leak is None else curve.leak
        loss_db = -10.0 * math.log10(min(max(ratio, u_ratio, 1e-30), 1e30))
        gains = [
            self.figures.scale(loss_db),
            *self.figures.switching(r.switched),
            self._drift(curve, f_hz),
            self.figures.tracking(curve.device.used.rbw_hz, _hours(curve.opening, curve.device)),
            *curve.adapter.inputs,
            *self.figures.connections(curve.name, 1 if curve.closing is None else 2),
            *self._switch(curve.name, own_thru=curve.own_thru),
        ]
        thru_db = 4.343 * float(r.thru_u_rel[index])
        if thru_db > 0.0:
            name = f"noise of the thru {curve.key} {f_hz:.0f}"  # one at each frequency: it cancels in no difference
            gains.append(Input(name=name, value=thru_db, distribution=Distribution.NORMAL, kind="A", origin=FROM_RUN))
        cut_off, floor_unsure = bool(r.cut_off[index]), bool(r.noise_cut_off[index])
        return PathLoss(
            where=f"{f_hz:.0f}",
            path=curve.name,
            ratio=ratio,
            u_ratio=u_ratio,
            dof=r.dof if r.repeats > 1 else math.inf,
            noise_share=_share(float(r.u_noise[index]), float(r.u_ratio[index])),
            noise_span=float(r.noise[index]) if floor_unsure and not cut_off else 0.0,
            leak=leak,
            u_leak=u_leak,
            source=self.figures.source(),
            load=self.figures.load(),
            s1=self.reflection_at(first, f_hz),
            s2=self.reflection_at(second, f_hz),
            gains=tuple(gains),
            others=self._others(first, second, f_hz, ratio),
        )

    def _drift(self, curve: PathCurve, f_hz: float) -> Input:
        """Half of what opening and closing thru differ, or could by the stated rate: drift may come and go between.

        By the stated (or assumed) rate alone where there is no closing thru yet.
        """
        opening, closing = curve.drifted
        stated = self.figures.drift((curve.device.began - curve.opening.ended).total_seconds() / 3600.0)
        if closing is None or opening is None:
            return stated
        ratio_db = 10.0 * np.log10(closing.power_mw / opening.power_mw)
        # neighbours share the drift but not the noise
        near = np.argsort(np.abs(curve.opening.freq_hz - f_hz))[:9]
        seen_db = 0.5 * abs(float(np.nanmedian(ratio_db[near])))
        if curve.own_thru and seen_db < stated.value:
            return stated
        by_rate = self.figures.drift(_hours(opening, closing))
        between_db = 0.5 * by_rate.value if by_rate.origin == FROM_FILE and not curve.own_thru else 0.0
        outside_h = max((opening.began - curve.device.ended) / _HOUR, (curve.device.began - closing.ended) / _HOUR, 0.0)
        return Input(
            name="drift and tracking between opening and closing thru",
            value=max(seen_db, between_db) + self.figures.drift(outside_h).value,  # saved traces may lie outside
            distribution=Distribution.AT_LIMIT,
            origin=FROM_RUN if seen_db >= between_db else FROM_FILE,
        )

    def _others(self, first: str, second: str, f_hz: float, ratio: float) -> tuple[Input, ...]:
        """What the loads on the device's other ports send into the path: |S31| |S23| |load|, unknown phase.

        Of two ways that were not both measured, one is assumed to be as well isolated as the path itself: true of
        ports that a tee or a ring joins, and marked, since nothing in this run proves it.
        """
        load, origin = self.figures.load_reflection()
        made = []
        for port in self.recipe.ports:
            if port in (first, second):
                continue
            ways = [self.coupling(first, port, f_hz), self.coupling(port, second, f_hz)]
            known = [way for way in ways if way is not None]
            product, name, source = math.prod(known), f"load on {port}", origin
            if len(known) < 2:
                product *= math.sqrt(min(max(ratio, 0.0), 1.0))
                name, source = f"load on {port} (a path to it not measured, assumed isolated like this one)", BY_US
            made.append(
                Input(name=name, value=product * load, unit="1", distribution=Distribution.U_SHAPED, origin=source)
            )
        return tuple(made)

    def unmeasured_ways(self, path: tuple[str, str], f_hz: float) -> tuple[str, ...]:
        """Name the paths to other ports that were not measured at a frequency though the interval rests on them."""
        pairs = [(end, port) for port in self.recipe.ports if port not in path for end in path]
        return tuple(f"{a}-{b}" for a, b in pairs if self.coupling(a, b, f_hz) is None)

    def coupling(self, a: str, b: str, f_hz: float) -> float | None:
        """Return the measured |S_ab| between two ports, either way round; its bound where hidden; None if unknown."""
        for path in ((a, b), (b, a)):
            if "-".join(path) in self.distrusted:
                continue
            for key in self.sweeps.covering(f"{path[0]}-{path[1]}", Role.DEVICE, f_hz, f_hz):
                try:
                    r = self.path(path, key).response
                except MeasurementError:
                    continue
                loss_db = np.interp(f_hz, r.freq_hz, _known_db(r))
                if math.isfinite(loss_db):
                    return float(min(10.0 ** (-float(loss_db) / 20.0), 1.0))
        return None

    # --- reflection

    def port_curve_at(self, port: str, low_hz: float, high_hz: float, prefer: str = "") -> PortCurve | None:
        """Return the best curve of a port that covers a stretch of frequency."""
        for key in self.sweeps.covering(f"reflect-{port}", Role.REFLECTION, low_hz, high_hz, prefer):
            try:
                return self.port(port, key)
            except MeasurementError:
                continue
        return None

    def reflection_at(self, port: str, f_hz: float) -> PortReflection | None:
        """Return what is known of a port's reflection at a frequency; None where it was not measured."""
        curve = None if f"reflect-{port}" in self.distrusted else self.port_curve_at(port, f_hz, f_hz)
        if curve is None:
            return None
        there = np.isfinite(curve.response.ratio)  # most of it: a response without data is refused
        ratio = float(np.interp(f_hz, curve.response.freq_hz[there], curve.response.ratio[there]))
        return self.port_reflection(curve, f_hz, ratio, 0.0)

    def port_reading(self, curve: PortCurve) -> Reading:
        """Return a port's |Gm|^2 for the quantities."""
        return _reading(curve.response, f"port {curve.port}")

    def port_reflection(self, curve: PortCurve, f_hz: float, ratio: float, u_ratio: float) -> PortReflection:
        """Return the level model of a port at one frequency."""
        ratio = max(ratio, 1e-12)
        hours = (curve.device.began - curve.opened.ended).total_seconds() / 3600.0
        gains = [
            self.figures.scale(-10.0 * math.log10(ratio)),
            *self.figures.switching(curve.response.switched),
            self.figures.drift(hours),
            self.figures.tracking(curve.device.used.rbw_hz, hours),
            self.figures.standards(),
            *self.figures.bridge_connections(f"reflect-{curve.port}"),
            *self._switch(f"reflect-{curve.port}"),
        ]
        u_db = 4.343 * max(u_ratio, 0.0) / ratio
        if u_db > 0.0:
            name = f"noise and averaging reflect-{curve.port} {f_hz:.0f}"
            gains.append(Input(name=name, value=u_db, distribution=Distribution.NORMAL, kind="A", origin=FROM_RUN))
        return PortReflection(
            where=f"{curve.port} {f_hz:.0f}",
            measured=math.sqrt(ratio),
            directivity=self._directivity(curve, f_hz),
            test_port=self.figures.test_port(),
            gains=tuple(gains),
            loads=self._port_loads(curve.port, f_hz, ratio),
        )

    def return_loss(self, curve: PortCurve, f_hz: float, ratio: float, u_ratio: float) -> ReturnLoss:
        """Return the level model of a port's return loss at one frequency."""
        return ReturnLoss(self.port_reflection(curve, f_hz, ratio, u_ratio))

    def _directivity(self, curve: PortCurve, f_hz: float) -> Input:
        """The stated directivity, or what the good load proved if that is less."""
        stated = self.figures.directivity()
        if curve.load_ratio is None:
            return stated
        load, _ = self.figures.load_reflection()
        shown = float(np.interp(f_hz, curve.response.freq_hz, curve.load_ratio)) + load
        return replace(stated, value=shown, origin=FROM_RUN) if shown < stated.value else stated

    def _port_loads(self, port: str, f_hz: float, ratio: float) -> tuple[Input, ...]:
        """Change of a port's reflection by imperfect loads: |S_k1|^2 |load| each, what is not measured by energy."""
        load, origin = self.figures.load_reflection()
        known: dict[str, float] = {}
        unknown = []
        for other in self.recipe.ports:
            if other == port:
                continue
            amplitude = self.coupling(port, other, f_hz)
            if amplitude is None:
                unknown.append(other)
            else:
                known[f"load on {other}"] = amplitude**2
        if unknown:
            left = max(1.0 - min(ratio, 1.0) - sum(known.values()), 0.0)
            known[f"load on {' and '.join(unknown)} (path not measured: at most what energy leaves)"] = left
        return tuple(
            Input(name=name, value=power * load, unit="1", distribution=Distribution.U_SHAPED, origin=origin)
            for name, power in known.items()
        )


def _share(part: float, whole: float) -> float:
    """Return the share of a variance that a part of it makes up."""
    return min((part / whole) ** 2, 1.0) if whole > 0.0 and math.isfinite(part) else 0.0


def _hours(before: Averaged, after: Averaged) -> float:
    return (after.ended - before.began).total_seconds() / 3600.0


def _reading(r: Response, what: str) -> Reading:
    """Leave out the points the instrument gave no data for."""
    there = np.isfinite(r.ratio) & np.isfinite(r.raw) & np.isfinite(r.noise)
    if not np.any(there):
        msg = f"{what}: device, thru and noise have no point in common that holds data; sweep again"
        raise MeasurementError(msg)
    return Reading(
        freq_hz=own(r.freq_hz[there]),
        ratio=own(r.ratio[there]),
        u_ratio=own(np.nan_to_num(r.u_ratio[there])),
        raw=own(r.raw[there]),
        noise=own(r.noise[there]),
        cut_off=r.cut_off[there],
        shared=r.shared,
        expected=own(r.expected[there]),
    )


def _alike(r: Response, f_hz: float) -> slice:
    """Points over which leakage is alike: within 0.1 % of the frequency, at least nine (leads of metres, no source)."""
    step = float(r.freq_hz[1] - r.freq_hz[0]) if r.freq_hz.size > 1 else 1.0
    each_side = max(4, int(1e-3 * f_hz / step))
    index = int(np.argmin(np.abs(r.freq_hz - f_hz)))
    return slice(max(index - each_side, 0), index + each_side + 1)


def _leak(r: Response, f_hz: float) -> tuple[float, float]:
    """Leakage's power ratio at a frequency and its standard uncertainty: the mean over the points alike."""
    if r.leak is None or r.u_leak is None:
        return 0.0, 0.0
    near = _alike(r, f_hz)
    leak, u = r.leak[near], r.u_leak[near]
    independent = max(leak.size / r.shared, 1.0)
    return float(np.nanmean(leak)), float(np.sqrt(np.nanmean(u**2) / independent))
