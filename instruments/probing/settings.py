"""Every setting of a sweep, in the order in which they can be learnt: the attenuator first, so that it stays safe."""

from __future__ import annotations

from instruments import scpi
from instruments.probing import attenuator, knobs, values
from instruments.probing.attenuator import LEAST_ATTENUATION_DB
from instruments.probing.conversation import number_in
from instruments.probing.knobs import Knob
from instruments.probing.values import Sweeper

__all__ = ["AXIS", "LEAST_ATTENUATION_DB", "NOISE_RBW_HZ", "POINTS", "learn_all"]

POINTS = 401.0
AXIS = ("start", "stop", "rbw")  # without these no sweep can be taken, and nothing be learnt from one
NOISE_RBW_HZ = 3e5
_CAREFUL_FACTOR = 4.0  # 2 to 3.5 are usual [common practice, no source]


def learn_all(sweeper: Sweeper) -> None:
    """Learn frequency axis, points, filters, times and levels of the analyzer; the generator is another matter."""
    _Settings(sweeper).everything()


def _timelike(asked: float, got: float) -> bool:
    """Whether a time was taken as it was sent, told in tenths of a millisecond or finer."""
    return abs(got - asked) <= 0.02 * asked + 6e-5


class _Settings:
    """The settings of one instrument as they become known."""

    def __init__(self, sweeper: Sweeper) -> None:
        self._sweeper = sweeper
        self.talk = sweeper.talk
        self.learnt = sweeper.learnt

    def everything(self) -> None:
        """Learn them all, as far as they are there."""
        talk, found = self.talk, self.learnt.settings

        self._keep("attenuation", attenuator.learn(talk))
        self._keep("start", knobs.learn(talk, "start", "HZ", (100e6, 120e6, 100e6), knobs.close))
        self._keep("stop", knobs.learn(talk, "stop", "HZ", (200e6, 180e6, 200e6), knobs.close))
        self._keep("rbw", knobs.learn(talk, "rbw", "HZ", (1e5, 1e4), knobs.filterlike))
        self._keep("vbw", knobs.learn(talk, "vbw", "HZ", (1e5, 3e3), knobs.filterlike))
        self._keep("reference", knobs.learn(talk, "reference", "DBM", (-10.0, -20.0), lambda a, g: abs(g - a) < 0.6))
        self._keep("sweep time", knobs.learn(talk, "sweep time", "S", (0.5, 0.2), lambda a, g: 0.9 * a <= g <= 1.1 * a))
        self._keep("points", knobs.learn_points(talk))
        self._sweeper.set(points=POINTS)
        if "attenuation" in found:
            attenuator.learn_range(talk, found["attenuation"])
        if "reference" in found:
            found["reference"].limits = knobs.ends(talk, found["reference"], -20.0, -90.0, 20.0)
        if all(name in found for name in AXIS):
            self._axis()
            self._filters()
            self._times()
        for header in talk.headers("level unit"):
            if talk.ask(f"{header}?") is not None:
                if talk.order(f"{header} DBM"):
                    self.learnt.begin.append(f"{header} DBM")
                break
        if all(name in found for name in AXIS):
            self.learnt.one_message = self._joined(found["start"].ask, found["stop"].ask)

    def _keep(self, name: str, knob: Knob | None) -> None:
        if knob is not None and (knob.set or name == "points"):
            self.learnt.settings[name] = knob
            self.talk.understood(knob.ask)

    def _joined(self, first: str, second: str) -> bool:
        """Whether two questions may travel in one message."""
        apart = [self.talk.ask(first), self.talk.ask(second)]
        message = scpi.join(first, second)
        together = self.talk.ask(message)
        if together is None or None in apart:
            return False
        parts = together.split(";")
        same = [number_in(part, message) for part in parts] == [number_in(part, message) for part in apart]
        return len(parts) == len(apart) and same

    def _axis(self) -> None:
        talk, found = self.talk, self.learnt.settings
        start, stop = found["start"], found["stop"]
        if knobs.put(talk, start, 300e6) != 300e6 or talk.last:
            self.learnt.wide_first = True
        for knob, value in ((start, 100e6), (stop, 200e6), (start, 100e6)):
            knobs.put(talk, knob, value)
        start.limits = knobs.ends(talk, start, 100e6, 1e3, 190e6)
        stop.limits = knobs.ends(talk, stop, 200e6, 110e6, 5e10)
        # The axis as a whole: a start near the top, or a stop near the bottom, is never of use alone.
        low, high = start.limits[0], stop.limits[1]
        start.limits = stop.limits = (low, high)

    def _filters(self) -> None:
        talk, learnt, found = self.talk, self.learnt, self.learnt.settings
        self._sweeper.set(start=150e6, stop=151e6)
        rbw, vbw = found["rbw"], found.get("vbw")
        if "sweep time" in found:
            coupled = next(iter(knobs.learn_auto(talk, "sweep time auto", found["sweep time"])), "")
            found["sweep time"].coupled = coupled
        rbw.limits = knobs.ends(talk, rbw, 1e4, 1.0, 1e7, knobs.filterlike)
        learnt.rbw_hz = knobs.learn_filters(talk, rbw, *rbw.limits)
        if learnt.rbw_hz:
            rbw.limits = (learnt.rbw_hz[0], learnt.rbw_hz[-1])
        if vbw is not None:
            self._video(rbw, vbw)
        knobs.put(talk, rbw, 1e4)

    def _video(self, rbw: Knob, vbw: Knob) -> None:
        """Find what keeps the video filter as wide as the RBW: left to the instrument if it does, else its widest."""
        talk = self.talk
        assert rbw.limits is not None
        for command in knobs.learn_auto(talk, "vbw auto", vbw):
            wide = True
            for hz in (3e3, 3e5):
                used, video = knobs.put(talk, rbw, hz), talk.number(vbw.ask)
                wide = wide and used is not None and video is not None and video >= 0.999 * used
            if wide:
                vbw.coupled = command
                return
        widest = knobs.ends(talk, vbw, 1e5, 1e4, 1e8, knobs.filterlike)[1]
        vbw.coupled = scpi.fill(vbw.set, {"value": widest})
        if widest < rbw.limits[1]:
            vbw.note = "narrower than the widest RBW: use no wider RBW than this"
            rbw.limits = (rbw.limits[0], widest)
            self.learnt.rbw_hz = tuple(hz for hz in self.learnt.rbw_hz if hz <= widest)

    def _times(self) -> None:
        talk, found = self.talk, self.learnt.settings
        if "sweep time" not in found:
            return
        knob = found["sweep time"]
        self._sweeper.set(rbw=NOISE_RBW_HZ)
        knob.limits = knobs.ends(talk, knob, 0.5, 1e-3, 1000.0, _timelike)
        values.learn_factor(self._sweeper, (1e7, 5e7))
        if knob.coupled:
            coupled_s = [self._coupled(span_hz) for span_hz in (1e6, 1e7)]
            if None in coupled_s or coupled_s[0] == coupled_s[1]:
                knob.coupled = ""  # said ON, does not follow
        if not knob.coupled:
            self.learnt.factor = _CAREFUL_FACTOR
            how = f"computed as {_CAREFUL_FACTOR:g} * span / RBW^2"
            self.learnt.notes.append(f"sweep times are not coupled by the instrument: {how}")

    def _coupled(self, span_hz: float) -> float | None:
        self._sweeper.set(start=150e6, stop=150e6 + span_hz, rbw=1e4)
        self._sweeper.couple()
        return self._sweeper.told("sweep time")
