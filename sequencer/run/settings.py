"""The settings of least time for a window: filter, sweep time, repeats, levels; pure.

RBW and time follow from the limit, the noise and the bench, never from a device's value (sources: the formulas are
derived; the sweep-rate rule was checked by exact integration, see DEVELOPERS.md, 'Numbers of the planner').
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.core.capability import Capabilities
from sequencer.core.trace import Detector, SweepSettings
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.drive import generator_level_dbm
from sequencer.run.proof import NOISE_PEAK_DB
from sequencer.run.windows import OVERVIEW, REFLECTION_DEPTH_DB, Window

__all__ = ["SETTLING_S", "Known", "Setter", "expected_thru_dbm", "fitted", "reflect_level_dbm", "seconds_of"]

ASSUMED_NOISE_DBM_HZ = -140.0  # at 0 dB attenuation; common practice, no source; replaced by the first sweep
ASSUMED_LEAD_LOSS_DB = 1.0  # both leads together; common practice, no source
ASSUMED_FACTOR = 2.5  # k of sweep time = k span / RBW^2, analogue near-Gaussian filters (from memory)
RATE = 0.02  # sweep rate in notch widths squared per second below which depth is right within 0.05 dB
PICTURE_RATE = 2.0  # of the overview: three notches of Q 4500 are drawn 0.2 dB too deep and 2 kHz late, of the highest
# Q 1.5 dB too deep (trade notes 1.8: 0.1 and 0.5 widths of one cavity squared per second)
ROOM_DB = 10.0  # floor below the level of the limit (trade notes 1.3); a device 7 dB better is still read
NOISE_SHARE_DB = 0.06  # standard uncertainty that noise may give a value at its limit; a device a few dB better and
# the fit's ends bring it to 0.1 dB, a twentieth of the variance of a good budget (0.45 dB)
FEWEST_FITTED, MOST_FITTED = 3, 8  # parameters of the fit over a zoom: more, the more of a notch is in it (measured)
DISPLAY_ROOM_DB = 20.0  # of display below the limit
MOST_REPEATS = 48
LEAST_REPEATS = 2  # so that a jump between two sweeps of a device shows
LATENCY_S = 0.1  # commands, answers and settling round one sweep; common practice, no source
SETTLING_S = 0.05  # the instrument's own share of it; common practice, no source
LONGEST_SWEEP_S = 20.0  # a longer one could not be stopped in time
_SHORT_OF = 0.9  # an instrument couples a little slower than it says; common practice, no source
PREFERRED_ATTENUATION_DB = 10.0  # keeps the input matched; a pad at the lead's end does so as well
MIXER_DBM = -20.0  # highest level behind the attenuator, far from compression; common practice, no source
OVERVIEW_POINTS = 601
NOISE_SAMPLES = 30  # independent ones: noise is the same over a zoom, known within 18 %; more where more is needed
LEAKAGE_BELOW_DB = 40.0  # its standard uncertainty below the limit: its share is then 0.2 dB for a device 4 dB better,
# with the 2 dB of a bound and the 6 dB that a port which reflects all adds (trade notes 1.11 want 20 dB at least)
LEAKAGE_MUST_DB = 29.0  # whatever it takes: with as much noise again from the noise that is subtracted, a leak 30 dB
# below the limit is then doubted (its 95 % bound within 20 dB) once in 1000 times; with 27 dB, once in 15 (simulated)
LEAKAGE_POINTS = 11
LEAKAGE_FILTERS = 5  # its span in filter widths
LEAKAGE_SAMPLES = 12  # coupled, a span of five filters gives as many
LEAKAGE_LEAST_RBW_HZ = 100.0  # narrower ones may lose a generator that wanders; common practice, no source
LEAKAGE_BY_HAND_HZ = 300.0  # where nothing tunes the generator by command
LONGEST_LEAKAGE_S = 1.0  # for more than must be


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the run has measured that planning can use; None: not yet."""

    noise_dbm_hz: float | None = None  # referred to the input, at 0 dB attenuation
    thru_dbm: float | None = None  # lowest level of the thru over the overview


def expected_thru_dbm(bench: Bench, caps: Capabilities) -> float:
    """Return the level expected at the analyzer with the leads joined."""
    return generator_level_dbm(bench, caps) - bench.pads_db - ASSUMED_LEAD_LOSS_DB


def reflect_level_dbm(bench: Bench, caps: Capabilities) -> float:
    """Return the level expected with everything reflected at the bridge's test port."""
    loss = bench.bridge.loss_db if bench.bridge else 0.0
    return expected_thru_dbm(bench, caps) - loss


def seconds_of(settings: SweepSettings, caps: Capabilities) -> float:
    """Return the time one sweep will take, as asked or as the instrument couples it."""
    if settings.sweep_time_s is not None:
        return settings.sweep_time_s
    return max((caps.sweep_factor or ASSUMED_FACTOR) * settings.span_hz / settings.rbw_hz**2, caps.sweep_time_s[0])


def fitted(window: Window) -> float:
    """Return about how many parameters the fit over a window will have."""
    return min(FEWEST_FITTED + 3.0 * window.half_hz / window.notch_hz, MOST_FITTED)


class Setter:
    """Chooses settings for windows; what all of them share is worked out once.

    The overview comes before anything is known: its settings rest on expectations alone, so that what is learnt
    from it cannot change it afterwards.
    """

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
        self._chosen: dict[Window, float] = {}
        self.detector = Detector.POWER if Detector.POWER in caps.detectors else Detector.SAMPLE

    # -- one kind of sweep each: (settings, repeats)

    def transmission(self, window: Window, depth_db: float, least: int) -> tuple[SweepSettings, int]:
        """Return the settings for a thru (depth 0) or a path in a window; all of a key share the filter."""
        overview = window.key == OVERVIEW
        top = self.expected_dbm if overview else self.thru_dbm
        rbw_hz = self.rbw_hz(window)
        time_s, repeats = self._dwell(window, rbw_hz, depth_db, least)
        reference_dbm = self._reference_dbm(top, 0.0 if overview else depth_db)
        return self._settings(window, rbw_hz, reference_dbm, time_s), repeats

    def noise(self, window: Window, depth_db: float) -> tuple[SweepSettings, int]:
        """Return the settings with the generator off: the same filter and reference, as long as its share needs."""
        rbw_hz = self.rbw_hz(window)
        _, _, points = self._grid(window)
        whole_s = self._samples_of_noise(rbw_hz, depth_db) / rbw_hz
        coupled_s = self._coupled_s(window, rbw_hz)
        time_s = None if whole_s <= coupled_s else min(whole_s, LONGEST_SWEEP_S)
        if self.detector is not Detector.POWER:  # one sample a point, or one for each 1/RBW
            repeats, time_s = math.ceil(whole_s / min(coupled_s, points / rbw_hz)), None
        else:
            repeats = math.ceil(whole_s / (time_s or coupled_s))
        noise_dbm = self._noise_dbm(rbw_hz)
        plain_dbm = self._reference_dbm(self.thru_dbm, depth_db)
        reference_dbm = self._faint_reference_dbm(noise_dbm + 40.0, plain_dbm, noise_dbm)
        settings = self._settings(window, rbw_hz, reference_dbm, time_s, on=False)
        return settings, min(max(repeats, 1), MOST_REPEATS)

    def foreign(self, window: Window) -> SweepSettings:
        """Return the overview's settings with the generator off."""
        settings, _ = self.transmission(window, 0.0, 1)
        return self._settings(window, settings.rbw_hz, settings.reference_dbm, settings.sweep_time_s, on=False)

    def leakage(self, window: Window) -> tuple[SweepSettings, int]:
        """Return the settings that show leakage well below the limit: few points, the filter of least time.

        A coherent signal far below the noise is known within N0 sqrt(RBW / time) (derived), so a narrow filter
        needs less time for the same floor; coupled, five filter widths take LEAKAGE_SAMPLES / RBW.
        """
        limit_db = self.thru_dbm - window.depth_db - LEAKAGE_BELOW_DB - (self.noise_dbm_hz + self.attenuation_db)
        wanted_hz: float = 10.0 ** (limit_db / 10.0)  # noise bandwidth that would just do with one sample
        least_hz = LEAKAGE_LEAST_RBW_HZ if self.caps.adjusts_tracking else LEAKAGE_BY_HAND_HZ
        most_hz = 2.0 * window.half_hz / LEAKAGE_FILTERS
        rbw_hz = self.allowed_rbw_hz(min(max(wanted_hz * math.sqrt(LEAKAGE_SAMPLES), least_hz), max(most_hz, least_hz)))
        half_hz = min(0.5 * LEAKAGE_FILTERS * rbw_hz, window.half_hz)
        low, high = self.caps.points
        points = min(max(LEAKAGE_POINTS, low), high)
        coupled_s = max(self.factor * 2.0 * half_hz / rbw_hz**2, self.caps.sweep_time_s[0])
        whole_s = max((rbw_hz / wanted_hz) ** 2 / rbw_hz, LEAKAGE_SAMPLES / rbw_hz)
        must_s = whole_s * 100.0 ** ((LEAKAGE_MUST_DB - LEAKAGE_BELOW_DB) / 10.0)
        whole_s = min(whole_s, max(LONGEST_LEAKAGE_S, min(must_s, LONGEST_SWEEP_S), coupled_s))
        each_s, repeats = coupled_s, 1
        if self.detector is Detector.POWER:
            each_s = max(coupled_s, whole_s)
        else:
            repeats = math.ceil(whole_s / min(coupled_s, points / rbw_hz))
        narrow = Window(window.key, window.center_hz, half_hz, half_hz / (LEAKAGE_POINTS // 2), 0.0, "", None, points)
        time_s = None if each_s <= coupled_s else min(each_s, LONGEST_SWEEP_S)
        limit_dbm = self.thru_dbm - window.depth_db
        plain_dbm = self._reference_dbm(self.thru_dbm, window.depth_db)
        noise_dbm = self._noise_dbm(rbw_hz)
        reference_dbm = self._faint_reference_dbm(limit_dbm + 10.0, plain_dbm, noise_dbm)
        return self._settings(narrow, rbw_hz, reference_dbm, time_s), min(repeats, MOST_REPEATS)

    def tracking(self, center_hz: float, rbw_hz: float) -> SweepSettings:
        """Return a narrow sweep of a thru in the narrowest filter, from expectations alone as the overview's."""
        low, high = self.caps.points
        points = min(max(LEAKAGE_POINTS, low), high)
        half_hz = rbw_hz
        narrow = Window("", center_hz, half_hz, half_hz / (LEAKAGE_POINTS // 2), 0.0, "", None, points)
        return self._settings(narrow, rbw_hz, self._reference_dbm(self.expected_dbm, 0.0), None)

    def reflection(self, window: Window) -> SweepSettings:
        """Return the settings for the bridge."""
        overview = window.key == OVERVIEW
        top = self.expected_dbm if overview else self.thru_dbm
        top -= self.bench.bridge.loss_db if self.bench.bridge else 0.0
        rbw_hz = self._in_time(window, self.allowed_rbw_hz(self._quiet_rbw_hz(window, top - REFLECTION_DEPTH_DB)))
        return self._settings(window, rbw_hz, self._reference_dbm(top, 0.0), self._slow_s(window, rbw_hz))

    def _settings(
        self, window: Window, rbw_hz: float, reference_dbm: float, time_s: float | None, *, on: bool = True
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

    # -- grid

    def _grid(self, window: Window) -> tuple[float, float, int]:
        least, most = self.caps.points
        if window.key == OVERVIEW:
            points = min(max(OVERVIEW_POINTS, least), most)
            marks = sorted(set(self.recipe.frequencies.values()))
            return _within_reach(*self.recipe.overview_hz, points, least, marks, self.caps.frequency_hz)
        if window.points or window.key.startswith("extra"):
            points = min(max(window.points or round(2 * window.half_hz / window.step_hz) + 1, least), most)
            even = 0 if window.key.startswith("extra") else 1 - points % 2  # then none is in the middle
            off_hz = even * window.half_hz / (points - 1)
            return window.center_hz - window.half_hz - off_hz, window.center_hz + window.half_hz - off_hz, points
        sides = math.ceil(window.half_hz / window.step_hz - 1e-9)
        step = window.step_hz
        least_sides, most_sides = (least - 1) // 2, (most - 1) // 2
        if sides < least_sides:  # finer, keeping the edges of `within` on the grid
            finer = max(1, least_sides // sides)
            step, sides = step / finer, max(sides * finer, least_sides)
        elif sides > most_sides:
            coarser = math.ceil(sides / most_sides)
            step, sides = step * coarser, math.ceil(sides / coarser)
        points = max(2 * sides + 1, least)  # where the number is fixed and even, one more below
        return window.center_hz - (points - 1 - sides) * step, window.center_hz + sides * step, points

    # -- filter

    def rbw_hz(self, window: Window) -> float:
        """Return the filter of least time, over all sweeps of the key, among those whose floor is low enough."""
        if window in self._chosen:
            return self._chosen[window]
        if window.rbw_hz:
            return self.allowed_rbw_hz(window.rbw_hz)
        top = self.expected_dbm if window.key == OVERVIEW else self.thru_dbm
        widest = self.allowed_rbw_hz(self._quiet_rbw_hz(window, top - window.depth_db))
        if window.key == OVERVIEW:
            return self._in_time(window, widest)
        around = {self.allowed_rbw_hz(widest * by) for by in (30.0, 10.0, 3.0, 1.0, 1 / 3, 0.1)}
        short = [rbw for rbw in around if self._coupled_s(window, rbw) <= _SHORT_OF * LONGEST_SWEEP_S]
        short = short or [self._in_time(window, max(around))]
        quiet = [rbw for rbw in short if rbw <= widest] or [min(short)]
        self._chosen[window] = min(sorted(quiet, reverse=True), key=lambda rbw: self._cost_s(window, rbw))
        return self._chosen[window]

    def _in_time(self, window: Window, rbw_hz: float) -> float:
        """Return the filter, or the next wider one whose sweep may be stopped in time: a picture may be noisier."""
        while self._coupled_s(window, rbw_hz) > _SHORT_OF * LONGEST_SWEEP_S:
            wider = self.allowed_rbw_hz(3.4 * rbw_hz)  # the next of 1-3-10, whatever the steps
            if wider <= rbw_hz:
                break
            rbw_hz = wider
        return rbw_hz

    def _quiet_rbw_hz(self, window: Window, level_dbm: float) -> float:
        """Return the widest RBW whose floor lies ROOM_DB below the level that must be seen.

        Noise asks for a narrow filter, time for a wide one; the notch asks only that it stays below the narrowest one
        expected. Source and filter move together, so a slow sweep reads the notch at one frequency whatever the
        filter's width (trade notes 1.8); what smears is the filter's delay times the sweep's rate, which RATE bounds
        and a narrower filter makes longer. Measured on every healthy simulated device with twice its Q: bottom, value
        at the frequency and worst value within differ from the steady ones by less than 0.01 dB (test_smearing).
        """
        overview = window.key == OVERVIEW
        noise = self.assumed_dbm_hz if overview else self.noise_dbm_hz
        room = level_dbm - ROOM_DB - (noise + self.attenuation_db)
        widest = window.half_hz / 5.0 if overview else max(window.notch_hz, 1e3)
        quiet: float = 10.0 ** (room / 10.0)
        return min(quiet, widest, 30e3)

    def allowed_rbw_hz(self, rbw_hz: float) -> float:
        """Return the analyzer's filter at or below a width, the narrowest where there is none."""
        low, high = self.caps.rbw_range_hz
        rbw = min(max(rbw_hz, low, self.caps.generator_min_rbw_hz), high)
        usable = [b for b in self.caps.rbw_hz if b >= self.caps.generator_min_rbw_hz]
        if usable:
            return max((b for b in usable if b <= rbw * (1 + 1e-9)), default=min(usable))
        least = max(low, self.caps.generator_min_rbw_hz)
        exponent = math.floor(math.log10(rbw) + 1e-9)
        steps = [by * 10.0 ** (exponent + decade) for decade in (0, 1) for by in (1.0, 3.0)]
        allowed = [step for step in steps if step >= least * (1 - 1e-9)]  # a step below the least is up to the next one
        return max((step for step in allowed if step <= rbw * (1 + 1e-9)), default=min(allowed[0], high))

    # -- time

    def _coupled_s(self, window: Window, rbw_hz: float) -> float:
        start, stop, _ = self._grid(window)
        return max(self.factor * (stop - start) / rbw_hz**2, self.caps.sweep_time_s[0])

    def _slow_s(self, window: Window, rbw_hz: float) -> float | None:
        """Return a sweep time slow against the notch, or None where the instrument's own is slower."""
        start, stop, _ = self._grid(window)
        rate = PICTURE_RATE if window.key == OVERVIEW else RATE
        slow = max((stop - start) / (rate * window.notch_hz**2), self.caps.sweep_time_s[0])
        return None if slow <= self._coupled_s(window, rbw_hz) else min(slow, LONGEST_SWEEP_S)

    def _noise_dbm(self, rbw_hz: float) -> float:
        """Return the level that noise alone shows in a filter."""
        return self.noise_dbm_hz + self.attenuation_db + 10.0 * math.log10(rbw_hz)

    def _noise_share(self, rbw_hz: float, depth_db: float) -> float:
        """Return noise over signal, as power, at a depth below the thru."""
        share: float = 10.0 ** ((self._noise_dbm(rbw_hz) - (self.thru_dbm - depth_db)) / 10.0)
        return share

    def _dwell(self, window: Window, rbw_hz: float, depth_db: float, least: int) -> tuple[float | None, int]:
        """Return (sweep time, repeats) that bring noise to its share at the level of the limit, value unseen.

        A signal S on noise N, averaged as power over K independent samples, has a relative variance of
        (2 N/S + (N/S)^2) / K (derived). A power detector collects RBW * time samples a point, so it sweeps slower;
        a sample detector collects one, so it sweeps again.
        """
        _, _, points = self._grid(window)
        slow = self._slow_s(window, rbw_hz)
        if window.key == OVERVIEW:
            return slow, 1
        coupled = self._coupled_s(window, rbw_hz)
        one = max(slow or 0.0, coupled)
        ratio = self._noise_share(rbw_hz, depth_db)
        needed = (2.0 * ratio + ratio**2) / self._wanted(window, points)
        if self.detector is not Detector.POWER:
            # points closer in time than 1/RBW share their sample
            needed *= max(1.0, points / (rbw_hz * one))
            return slow, min(max(math.ceil(needed), least), MOST_REPEATS)
        whole = needed * points / rbw_hz
        repeats = min(max(math.ceil(whole / LONGEST_SWEEP_S), least), MOST_REPEATS)
        each = whole / repeats
        return (slow if each <= one else min(each, LONGEST_SWEEP_S)), repeats

    def _wanted(self, window: Window, points: int) -> float:
        """Return the relative variance that noise may have at one point, its share being that of the fit."""
        relative = NOISE_SHARE_DB * math.log(10.0) / 10.0
        return relative**2 * max(1.0, points / fitted(window))

    def _samples_of_noise(self, rbw_hz: float, depth_db: float) -> float:
        """Return how many samples of noise alone are needed: a tenth of the device's variance comes from them."""
        relative = NOISE_SHARE_DB * math.log(10.0) / 10.0
        return max(NOISE_SAMPLES, 10.0 * (self._noise_share(rbw_hz, depth_db) / relative) ** 2)

    def _cost_s(self, window: Window, rbw_hz: float) -> float:
        """Return the time of all sweeps of a key: two thrus, noise, and each path at its depth."""
        own = self._slow_s(window, rbw_hz) or self._coupled_s(window, rbw_hz)
        noise_s = max(self._samples_of_noise(rbw_hz, window.depth_db) / rbw_hz, self._coupled_s(window, rbw_hz))
        total = 2.0 * (own + LATENCY_S) + noise_s + LATENCY_S
        for depth_db in window.depths_db or (window.depth_db,):
            time_s, repeats = self._dwell(window, rbw_hz, depth_db, LEAST_REPEATS)
            total += repeats * ((time_s or self._coupled_s(window, rbw_hz)) + LATENCY_S)
        return total

    def _reference_dbm(self, top_dbm: float, depth_db: float) -> float:
        """Return a reference level just above the highest level, lower where the display would end too soon.

        Lowered, it stays 25 dB above the level of the limit; what stands above it all the same is swept again with
        the plain one.
        """
        reach = self.caps.display_range_db
        top = top_dbm + 3.0
        if reach is not None and depth_db > 40.0 and depth_db + DISPLAY_ROOM_DB > reach:
            top -= min(depth_db - 25.0, depth_db + DISPLAY_ROOM_DB + 5.0 - reach)
        return self._allowed_reference_dbm(top)

    def _faint_reference_dbm(self, level_dbm: float, else_dbm: float, noise_dbm: float) -> float:
        """Return a reference for levels of at most about ``level_dbm``, where the display ends; else what is given.

        The highest samples of the noise stay below it.
        """
        if self.caps.display_range_db is not None:
            else_dbm = min(self._allowed_reference_dbm(level_dbm), else_dbm)
        return max(else_dbm, self._allowed_reference_dbm(noise_dbm + NOISE_PEAK_DB))

    def _allowed_reference_dbm(self, level_dbm: float) -> float:
        low, high = self.caps.reference_dbm
        return min(max(5.0 * math.ceil(level_dbm / 5.0), low), high)


def _within_reach(
    start: float, stop: float, points: int, least: int, marks: Sequence[float], reach_hz: tuple[float, float]
) -> tuple[float, float, int]:
    """Return a marked grid that the analyzer can sweep, with fewer points or moved by whole steps where it must.

    Where none can be (the overview reaches from end to end), the overview itself: it is a picture, its marks are read
    between two points.
    """
    low, high = reach_hz
    first, last, points = _marked_grid(start, stop, points, marks)
    if low <= first and last <= high:
        return first, last, points
    step = (last - first) / (points - 1)
    first += max(0, math.floor((start - first) / step)) * step  # spare steps on this side go first
    first += max(0, math.ceil((low - first) / step)) * step
    points = max(min(points, 1 + math.ceil((stop - first) / step - 1e-9)), least)
    last = first + (points - 1) * step
    return (first, last, points) if first < start + step and last <= high else (start, stop, points)


def _marked_grid(start: float, stop: float, points: int, marks: Sequence[float]) -> tuple[float, float, int]:
    """Return a grid over start..stop, within a step, on which the first two marks lie (so all equally spaced ones)."""
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
