"""The settings of a saved trace as far as they are known, from its text or from people; no I/O."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any

from instruments.saved.averages import KINDS, ON
from sequencer.core.trace import Detector
from sequencer.errors import UnitError
from sequencer.units import DB, DBM, FREQUENCY, TIME, Dimension, parse

__all__ = ["DECLARABLE", "DETECTORS", "Facts", "declared"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Settings as far as they are known; None: not told. ``taken`` is aware UTC where a zone was told, else as UTC."""

    start_hz: float | None = None
    stop_hz: float | None = None
    rbw_hz: float | None = None
    vbw_hz: float | None = None
    sweep_time_s: float | None = None
    attenuation_db: float | None = None
    reference_dbm: float | None = None
    generator_dbm: float | None = None
    detector: Detector | None = None
    averaging: str | None = None  # the analyzer's own: off, power, log, voltage; on, where nobody says of what
    unit: str | None = None
    points: int | None = None
    normalised: bool = False
    taken: datetime | None = None
    simulated: bool = False

    @property
    def known(self) -> frozenset[str]:
        """Names of what is told."""
        return frozenset(f.name for f in fields(self) if self._told(f.name))

    def _told(self, name: str) -> bool:
        return getattr(self, name) is not None and getattr(self, name) is not False  # 0 dB is told

    def over(self, less: Facts) -> Facts:
        """Return these, and where they are silent the others."""
        silent = {f.name: getattr(less, f.name) for f in fields(self) if not self._told(f.name)}
        told = replace(self, **silent)
        if self.averaging == ON and less.averaging not in (None, "off"):
            return replace(told, averaging=less.averaging)  # both say that it was on; one says of what
        return told


DETECTORS = {
    "rms": Detector.POWER,
    "power": Detector.POWER,
    "power average": Detector.POWER,
    "sample": Detector.SAMPLE,
    "samp": Detector.SAMPLE,
}


def _detector(text: str) -> Detector:
    known = DETECTORS.get(text.casefold())
    if known is None:
        msg = f"{text!r} is no detector that can be used: power (RMS) or sample"
        raise UnitError(msg, text=text)
    return known


def _averaging(text: str) -> str:
    known = KINDS.get(text.casefold())
    if known is None:
        msg = f"{text!r}: averaging is off, power (RMS), log (video) or voltage"
        raise UnitError(msg, text=text)
    return known


def _unit(text: str) -> str:
    return text


def _flag(text: str) -> bool:
    if text.casefold() not in ("yes", "no"):
        msg = f"{text!r}: answer yes or no"
        raise UnitError(msg, text=text)
    return text.casefold() == "yes"


def _of(dimension: Dimension) -> Callable[[str], float]:
    return lambda text: parse(text, dimension)


DECLARABLE: dict[str, tuple[str, Callable[[str], Any]]] = {  # as people write it -> the fact and its reader
    "rbw": ("rbw_hz", _of(FREQUENCY)),
    "vbw": ("vbw_hz", _of(FREQUENCY)),
    "sweep time": ("sweep_time_s", _of(TIME)),
    "attenuation": ("attenuation_db", _of(DB)),
    "reference level": ("reference_dbm", _of(DBM)),
    "generator level": ("generator_dbm", _of(DBM)),
    "detector": ("detector", _detector),
    "averaging": ("averaging", _averaging),
    "unit": ("unit", _unit),
    "normalised": ("normalised", _flag),
    "start": ("start_hz", _of(FREQUENCY)),
    "stop": ("stop_hz", _of(FREQUENCY)),
}


def declared(name: str, text: str) -> Facts:
    """Return what an operator declares, as Facts.

    Raises
    ------
    UnitError
        When the text is none for that setting.
    """
    field, read = DECLARABLE[name]
    return Facts(**{field: read(text)})
