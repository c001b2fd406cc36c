"""What only values tell, all of it on the analyzer's own noise with the generator off."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from instruments.probing import spellings
from instruments.probing.averaging import chooses
from instruments.probing.conversation import Conversation, number_in
from instruments.probing.knobs import Knob, put
from instruments.probing.learnt import Learnt
from sequencer.core.trace import Detector, FloatArray

__all__ = [
    "Sweeper",
    "is_single_samples",
    "learn_detectors",
    "learn_display",
    "learn_factor",
    "learn_uncalibrated",
    "show_noise",
]

_FLAT_SHARE = 0.05  # noise of single samples repeats its lowest value once, not in a twentieth of the points
_POWER_WITHIN_DB = 0.7  # an average of voltage stands 1.05 dB, of the logarithm 2.51 dB below that of power (Rice)
_LEAST_SAMPLES = 400  # then the bounds below are at least five standard errors wide
_IN_TURN_DB = 1.5
_LEAST_SPREAD_DB = 3.5  # single samples of noise spread by 5.57 dB, means of three of them by 3.2 dB
_NOISE_SWEEPS = 4  # of 400 single samples each: the mean of power is known to 0.11 dB


@dataclass(frozen=True, slots=True)
class Sweeper:
    """Takes a single sweep, waits for its end, and returns the trace (None where it came to nothing)."""

    talk: Conversation
    learnt: Learnt
    take: Callable[[], FloatArray | None]

    def set(self, **values: float) -> None:
        """Set by name, '_' for a blank."""
        for name, value in values.items():
            knob = self.learnt.settings.get(name.replace("_", " "))
            if knob is None or not knob.set:
                continue
            there = value
            if name == "rbw" and self.learnt.rbw_hz:  # some take nothing between their filters
                there = min(self.learnt.rbw_hz, key=lambda hz: abs(math.log(hz / value)))
            if name == "attenuation" and knob.limits:
                there = max(value, knob.limits[0])
            put(self.talk, knob, there)

    def couple(self) -> None:
        """Hand video filter and sweep time to the instrument, where it takes them."""
        for name in ("vbw", "sweep time"):
            knob = self.learnt.settings.get(name)
            if knob is not None and knob.coupled:
                self.talk.order(knob.coupled)

    def told(self, name: str) -> float | None:
        """Return what the instrument says it uses."""
        return self.talk.number(self.learnt.settings[name].ask)


def _flat(trace: FloatArray) -> bool:
    there = trace[np.isfinite(trace)]
    return bool(there.size == 0 or np.mean(there == np.min(there)) > _FLAT_SHARE)


def show_noise(sweeper: Sweeper) -> bool:
    """Lower the reference level until noise stands clear of the display's bottom; False where it never does."""
    for reference_dbm in (-30.0, -50.0, -70.0, -90.0):
        sweeper.set(reference=reference_dbm)
        trace = sweeper.take()
        if trace is not None and not _flat(trace) and float(np.nanmax(trace)) < reference_dbm - 1.0:
            return True
    return False


def learn_detectors(sweeper: Sweeper) -> None:
    """Find the words for one sample a point and for the mean of power, each proven by the noise it shows.

    One sample a point has the statistics of noise itself; a mean of power shows the same power as that.
    """
    talk, learnt = sweeper.talk, sweeper.learnt
    for header in talk.headers("detector"):
        if talk.ask(f"{header}?") is None:
            continue
        found = {
            kind: [word for word in spellings.words("detector words", kind) if chooses(talk, header, word)]
            for kind in ("sample", "power")
        }
        if found["sample"] or found["power"]:
            break
    else:
        return
    learnt.detector_header = header
    talk.understood(header)
    noise_db = None
    for word in found["sample"]:
        shown = _noise(sweeper, header, talk.mnemonic(word))
        if shown is not None and is_single_samples(shown):
            learnt.detectors[Detector.SAMPLE] = talk.mnemonic(word)
            noise_db = _power_db(shown)
            break
        calm = shown is not None and bool(np.nanstd(shown) <= _LEAST_SPREAD_DB)
        learnt.not_single |= calm
        why = " (is averaging of its own or a hold on, or a video filter narrow?)" if calm else ""
        learnt.notes.append(f"detector {talk.mnemonic(word)} does not show single samples of noise{why}: not used")
    for word in found["power"]:
        shown = _noise(sweeper, header, talk.mnemonic(word))
        if noise_db is None or shown is None:
            learnt.notes.append(f"detector {talk.mnemonic(word)}: nothing to compare its noise with; not used")
        elif abs(off_db := _power_db(shown) - noise_db) <= _POWER_WITHIN_DB:
            learnt.detectors[Detector.POWER] = talk.mnemonic(word)
            break
        else:
            learnt.notes.append(f"detector {talk.mnemonic(word)} is {off_db:.1f} dB off the mean of power: not used")


def is_single_samples(shown_dbm: FloatArray) -> bool:
    """Whether noise is shown as it is: its power spread exponentially, and neighbours alike.

    The level of such noise in dB has a standard deviation of 5.57 dB and a mean 2.51 dB below its power (Rice,
    BSTJ 1944-45, from memory). Peaks and averages spread less; a detector that shows highest and lowest in turn
    differs between odd and even points.
    """
    there = shown_dbm[np.isfinite(shown_dbm)]
    if there.size < _LEAST_SAMPLES:
        return False
    in_turn = abs(float(np.mean(shown_dbm[0::2]) - np.mean(shown_dbm[1::2])))
    below = _power_db(there) - float(np.mean(there))
    return 4.5 < float(np.std(there)) < 6.8 and 1.9 < below < 3.2 and in_turn < _IN_TURN_DB


def _noise(sweeper: Sweeper, header: str, word: str) -> FloatArray | None:
    """Return the noise of a few sweeps as this detector shows it."""
    sweeper.talk.order(f"{header} {word}")
    traces = [sweeper.take() for _ in range(_NOISE_SWEEPS)]
    whole = [trace for trace in traces if trace is not None]
    return np.concatenate(whole) if len(whole) == len(traces) else None


def _power_db(shown_dbm: FloatArray) -> float:
    """Return the mean power of levels, in dBm."""
    return float(10.0 * np.log10(np.nanmean(10.0 ** (shown_dbm / 10.0))))


def learn_display(sweeper: Sweeper, top_dbm: float) -> None:
    """Find how far below the reference level the display ends: noise well below it lies flat on its bottom."""
    ranges = []
    for reference_dbm in (top_dbm, top_dbm - 10.0):
        sweeper.set(reference=reference_dbm)
        said = sweeper.told("reference")
        trace = sweeper.take()
        if said is None or trace is None or not _flat(trace):
            return
        ranges.append(said - float(np.nanmin(trace)))
    if abs(ranges[0] - ranges[1]) < 0.6:  # the flat bottom moved with the reference
        sweeper.learnt.display_range_db = round(float(np.mean(ranges)), 1)


def learn_factor(sweeper: Sweeper, spans_hz: tuple[float, float]) -> None:
    """Find k of sweep time = k * span / RBW^2 as the instrument couples it, the larger of two."""
    found = []
    for rbw_hz, span_hz in zip((1e4, 3e4), spans_hz, strict=True):
        sweeper.set(start=150e6, stop=150e6 + span_hz, rbw=rbw_hz)
        sweeper.couple()
        rbw, time_s = sweeper.told("rbw"), sweeper.told("sweep time")
        start, stop = sweeper.told("start"), sweeper.told("stop")
        if rbw and time_s and start is not None and stop is not None and stop > start:
            found.append(time_s * rbw * rbw / (stop - start))
    if found and max(found) < 100.0:
        sweeper.learnt.factor = float(f"{max(found):.3g}")


def learn_uncalibrated(sweeper: Sweeper, knob: Knob) -> None:
    """Find the status bit that says 'swept too fast', by sweeping too fast."""
    talk, learnt = sweeper.talk, sweeper.learnt
    for family in talk.families("questionable"):
        asks = (f"{header}?" for header in family)
        learnt.status += [ask for ask in asks if number_in(talk.ask(ask), ask) is not None][:1]
    if not learnt.status or not knob.coupled:
        return
    sweeper.set(start=150e6, stop=160e6, rbw=1e4)
    bits = []
    for hurried in (False, True):
        sweeper.couple()
        coupled_s = sweeper.told("sweep time") or 0.0
        if hurried:
            put(talk, knob, max(coupled_s / 20.0, knob.limits[0] if knob.limits else 0.0))
            if (sweeper.told("sweep time") or coupled_s) > coupled_s / 4.0:
                return
        for ask in learnt.status:
            talk.number(ask)
        sweeper.take()
        bits.append([int(talk.number(ask) or 0) for ask in learnt.status])
    rose = 0
    for calm, hurry in zip(*bits, strict=True):
        rose |= hurry & ~calm
    if rose and rose & (rose - 1) == 0:
        learnt.uncalibrated_bit = rose.bit_length() - 1
