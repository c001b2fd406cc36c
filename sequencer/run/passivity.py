"""What no passive device does, and what no cavity port does; pure.

A passive device gives back no more than it gets (|S11|^2 + |S21|^2 <= 1, conservation of energy), so a path that
gains, or a path and a port that together give more, were not what their names say, or their references were not. A
cavity port reflects where its paths stop: one that reads as a good load does all over an overview is a load, and one
that reads as a path does, or reflects nothing where nothing comes through either, is no port: the bridge was not on it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from sequencer.core.history import Role
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import Draws
from sequencer.errors import MeasurementError
from sequencer.run.measured import Measured, PathCurve, PortCurve
from sequencer.run.shapes import FEWEST_POINTS, one_shape
from sequencer.run.windows import OVERVIEW
from sequencer.units import show_hz

__all__ = ["Doubt", "unphysical"]

_DRAWS = Draws(seed=1, block=0, n=2000)
_SLACK_DB = 0.1  # a whole curve is searched for its worst point: what a draw in 2000 leaves out; no source
_LEAST_SHARE = 0.1  # where less comes through, the port alone says too much, and `consistency` looks at that
STOPPED_DB = 20.0  # so much a path loses where nothing to speak of comes through: 1 %
SWALLOWED_DB = 10.0  # less than a tenth comes back at the best of these points: no cavity off its resonance keeps nine
_PASSES_DB = 10.0  # a path that loses less all over an overview stops nowhere, and its port need not reflect


class Doubt(NamedTuple):
    """What speaks against hookups, in words; ``others`` rest on the same reference and are in doubt with them."""

    hookups: tuple[str, ...]
    text: str
    others: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """All that it falls on."""
        return self.hookups + self.others


def unphysical(measured: Measured, only: str = "") -> Iterator[Doubt]:
    """Yield what the sweeps show that no such device can do, once for the same hookups; ``only``: against this one."""
    told: set[tuple[str, ...]] = set()
    for doubt in _all(measured, only):
        if doubt.hookups not in told:
            told.add(doubt.hookups)
            yield doubt


def _all(measured: Measured, only: str) -> Iterator[Doubt]:
    for path in _paths(measured):
        if only and only not in ("-".join(path), *(f"reflect-{port}" for port in path)):
            continue
        for key in measured.sweeps.keys("-".join(path), Role.DEVICE):
            try:
                curve = measured.path(path, key)
                gain = list(_gain(measured, curve))
                yield from gain
                for port in path if not gain else ():  # the port adds nothing to what is wrong already
                    yield from _energy(measured, curve, port)
            except MeasurementError:  # sweeps that do not fit are told of where they are used
                continue
    for port in measured.recipe.ports:
        if only not in ("", f"reflect-{port}"):
            continue
        for look in (_load_like, _path_like, _swallowing):
            try:
                found = list(look(measured, port))
            except MeasurementError:
                continue
            yield from found
            if found:
                break


def _paths(measured: Measured) -> list[tuple[str, str]]:
    paths = [need.path for need in measured.recipe.requirements if need.path] + [s.path for s in measured.recipe.sweeps]
    return list(dict.fromkeys(paths))


def _middles(values: FloatArray) -> FloatArray:
    """Median of three neighbours: one point of noise is no gain."""
    if values.size < 3:
        return values
    one, two, three = values[:-2], values[1:-1], values[2:]
    inner = np.maximum(np.minimum(one, two), np.minimum(np.maximum(one, two), three))
    return np.concatenate([inner[:1], inner, inner[-1:]])


def _least_power(measured: Measured, curve: PathCurve, index: int, ratio: float) -> FloatArray:
    """Return draws of |S21|^2 at a point of a path's curve."""
    u = float(np.nan_to_num(curve.response.u_ratio[index]))
    loss = measured.path_loss(curve, float(curve.response.freq_hz[index]), ratio, u)
    return np.asarray(10.0 ** (-loss.draw(_DRAWS) / 10.0))


def _gain(measured: Measured, curve: PathCurve) -> Iterator[Doubt]:
    ratio = _middles(curve.response.ratio)
    if not np.any(np.isfinite(ratio)):
        return
    index = int(np.nanargmax(ratio))
    if ratio[index] <= 1.0:
        return
    least_db = 10.0 * math.log10(float(np.min(_least_power(measured, curve, index, float(ratio[index])))))
    if least_db > _SLACK_DB:
        thru = measured.sweeps.thru_of(curve.name)
        paths = ["-".join(path) for path in _paths(measured)]
        yield Doubt(
            (curve.name,),
            f"{curve.name} shows at least {least_db:.2f} dB of gain at {show_hz(float(curve.response.freq_hz[index]))}"
            ", and no passive device has any: its reference is wrong. Look at the thru (a joint or a pad that only the "
            "thru had) and at what the bench file says the switch and the adapters lose",
            tuple(name for name in paths if name != curve.name and measured.sweeps.thru_of(name) == thru),
        )


def _energy(measured: Measured, curve: PathCurve, port: str) -> Iterator[Doubt]:
    freq = curve.response.freq_hz
    back = measured.port_curve_at(port, float(freq[0]), float(freq[-1]), curve.key)
    if back is None:
        return
    there = np.isfinite(back.response.ratio)
    reflected = np.interp(freq, back.response.freq_hz[there], _middles(back.response.ratio[there]))
    through = _middles(curve.response.ratio)
    if not np.any(np.isfinite(through)):
        return
    index = int(np.nanargmax(np.where(through < _LEAST_SHARE, -np.inf, through + reflected)))
    if through[index] + reflected[index] <= 1.0 or through[index] < _LEAST_SHARE:
        return
    least = _least_power(measured, curve, index, float(through[index]))
    noise = 10.0 ** (-4.0 * back.scatter_db / 10.0)  # four standard deviations
    both = least + _back_power(measured, back, float(freq[index]), float(reflected[index]) * noise)
    if 10.0 * math.log10(float(np.min(both))) > _SLACK_DB:
        yield Doubt(
            (curve.name, f"reflect-{port}"),
            f"{curve.name} passes {100 * through[index]:.0f} % and port {port} reflects {100 * reflected[index]:.0f} % "
            f"at {show_hz(float(freq[index]))}, and no passive device gives more than it gets: {curve.name} or "
            f"reflect-{port} was not what its name says, or a reference is wrong. Look where the leads, the bridge and "
            "the loads sit",
        )


def _back_power(measured: Measured, back: PortCurve, f_hz: float, ratio: float) -> FloatArray:
    """Return draws of |S11|^2, as little as directivity and match leave."""
    model = measured.port_reflection(back, f_hz, ratio, 0.0)
    gain_db = sum((_DRAWS.of(gain) for gain in model.gains), np.zeros(_DRAWS.n))
    size = np.maximum(math.sqrt(ratio) * 10.0 ** (gain_db / 20.0) - model.directivity.value, 0.0)
    return np.asarray((size / (1.0 + model.test_port.value * size)) ** 2)


def _load_like(measured: Measured, port: str) -> Iterator[Doubt]:
    """A port that nowhere reflects more than a good load on this bridge, though a path of it stops somewhere."""
    if "overview" not in measured.sweeps.keys(f"reflect-{port}", Role.REFLECTION):
        return
    curve = measured.port(port, "overview")
    load, _ = measured.figures.load_reflection()
    as_load = measured.figures.directivity().value + load
    ratio = curve.response.ratio[np.isfinite(curve.response.ratio)]
    most = math.sqrt(max(float(np.max(_middles(ratio), initial=0.0)), 1e-12))
    if most > 1.1 * as_load:  # 10 %: scale and switching, a dB of what is 20 dB down or more
        return
    own = [path for path in _paths(measured) if port in path]
    if own and not any(_stops(measured, path) for path in own):
        return
    yield Doubt(
        (f"reflect-{port}",),
        f"port {port} reflects no more than a good load does all over the overview "
        f"({-20.0 * math.log10(most):.0f} dB return loss or better), and a cavity port reflects where its path stops: "
        "is the bridge still on the load?",
    )


def _path_like(measured: Measured, port: str) -> Iterator[Doubt]:
    """A port whose overview is a path's, up to one constant: leads that were left on it, the bridge not fitted.

    What a lossless port reflects is what its paths leave, so the two are mirror images: alike only where both are flat,
    and of flat ones nothing is said.
    """
    back = measured.sweeps.latest(f"reflect-{port}", OVERVIEW, Role.REFLECTION)
    if back is None:
        return
    for name in map("-".join, _paths(measured)):
        through = measured.sweeps.latest(name, OVERVIEW, Role.DEVICE)
        if through is not None and one_shape(measured, back, through):
            yield Doubt(
                (f"reflect-{port}",),
                f"reflect-{port} reads like {name} all over the overview, and no port reflects as a path passes: are "
                f"the leads still on {name}, and the bridge not fitted?",
            )
            return


def _swallowing(measured: Measured, port: str) -> Iterator[Doubt]:
    """A port that reflects little wherever all its paths stop: energy has to go somewhere, and a cavity keeps little.

    Said only where every other port was measured from this one: what was not may take it all.
    """
    mine = [path for path in _paths(measured) if port in path]
    if {end for path in mine for end in path} != set(measured.recipe.ports):
        return
    back = measured.port(port, OVERVIEW).response
    stopped = np.ones(back.ratio.shape, dtype=bool)
    for path in mine:
        raw = measured.path(path, OVERVIEW).response.raw
        if raw.shape != stopped.shape:
            return
        stopped &= raw < 10.0 ** (-STOPPED_DB / 10.0)
    if int(np.sum(stopped)) < FEWEST_POINTS:
        return
    most = float(np.nanmax(_middles(back.ratio)[stopped], initial=0.0))
    if most < 10.0 ** (-SWALLOWED_DB / 10.0):
        yield Doubt(
            (f"reflect-{port}",),
            f"port {port} reflects nothing ({-10.0 * math.log10(max(most, 1e-12)):.0f} dB return loss or better) where "
            "nothing passes from it either, and energy has to go somewhere: was the bridge fitted, and are leads and "
            "loads on their ports?",
        )


def _stops(measured: Measured, path: tuple[str, str]) -> bool:
    try:
        ratio = measured.path(path, "overview").response.raw
    except MeasurementError:
        return False
    return bool(np.nanmin(ratio) < 10.0 ** (-_PASSES_DB / 10.0))
