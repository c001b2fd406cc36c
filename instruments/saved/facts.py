"""What the free text of a saved trace tells of its settings, in the spellings analyzers use; no I/O."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from typing import Any

from instruments.saved.table import UNIT_WORDS, refuse
from sequencer.core.trace import Detector
from sequencer.errors import UnitError
from sequencer.units import DB, DBM, FREQUENCY, TIME, Dimension, parse

__all__ = ["DECLARABLE", "Facts", "declared", "told"]


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
    unit: str | None = None
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
        return replace(self, **silent)


_Reader = tuple[str, Dimension]
_GAP = r"[\s_.-]*"
_NUMBERS: dict[str, _Reader] = {
    "start_hz": (rf"start(?:{_GAP}freq(?:uency)?)?", FREQUENCY),
    "stop_hz": (rf"(?:stop|end)(?:{_GAP}freq(?:uency)?)?", FREQUENCY),
    "center_hz": (rf"cent(?:er|re)(?:{_GAP}freq(?:uency)?)?|cf", FREQUENCY),
    "span_hz": (rf"(?:freq(?:uency)?{_GAP})?span", FREQUENCY),
    "rbw_hz": (rf"rbw|res(?:olution)?{_GAP}(?:bw|band{_GAP}width)", FREQUENCY),
    "vbw_hz": (rf"vbw|vid(?:eo)?{_GAP}(?:bw|band{_GAP}width)", FREQUENCY),
    "sweep_time_s": (rf"swt|(?:meas\w*{_GAP})?sweep{_GAP}time", TIME),
    "attenuation_db": (rf"(?:(?:rf|input){_GAP})?att(?:en(?:uation|uator)?)?", DB),
    "reference_dbm": (rf"ref(?:erence)?{_GAP}(?:level|lev|lvl)", DBM),
    "generator_dbm": (
        rf"(?:tg|tracking{_GAP}gen\w*|generator|source|output){_GAP}(?:(?:output|source){_GAP})?"
        rf"(?:level|lev|power|pwr|ampl(?:itude)?)",
        DBM,
    ),
    "offset_db": (
        rf"(?:(?:ref(?:erence)?|level|tg|ext(?:ernal)?|gain){_GAP})+(?:level{_GAP})?offset|ext(?:ernal)?{_GAP}gain",
        DB,
    ),
}
_PLAIN_UNIT = {FREQUENCY: "Hz", TIME: "s", DB: "dB", DBM: "dBm"}
_SAME = {"sec": "s", "msec": "ms", "µs": "us", "μs": "us"}
_UNITS = UNIT_WORDS | {"s", "ms", "us", "min", "h"}
_NUMBER = r"([+-]?[0-9]{1,15}(?:[.,][0-9]{1,15})?(?:[eE][+-]?[0-9]{1,2})?)"
_UNIT = r"(?:[\[(]\s*([A-Za-zµμ]{1,5})\s*[\])])?"
_FOUND = {
    name: re.compile(rf"(?<![A-Za-z])(?:{spelled})[\s_.]*{_UNIT}[\s:=;,]*{_NUMBER}\s*[;,]?\s*([A-Za-zµμ]{{0,5}})", re.I)
    for name, (spelled, _) in _NUMBERS.items()
}
_WORD = r"[\s:=;,]+([A-Za-zµμ+-]+(?:[ ][A-Za-z]+)?)"
_DETECTOR = re.compile(rf"(?<![A-Za-z])det(?:ector)?(?:{_GAP}(?:type|mode))?{_WORD}", re.I)
_Y_UNIT = re.compile(
    rf"(?<![A-Za-z])(?:y{_GAP}|level{_GAP}|ampl(?:itude)?{_GAP})(?:axis{_GAP})?units?[\s:=;,]+(\S+)", re.I
)
_NORMAL = re.compile(r"(?<![A-Za-z])normali[sz](?:e|ed|ation)(?![A-Za-z])[\s:=;,]*([A-Za-z]*)", re.I)
_MODE = re.compile(rf"(?<![A-Za-z])(?:trace{_GAP})?mode{_WORD}", re.I)
_HELD = re.compile(
    rf"(?<![A-Za-z])((?:max(?:imum)?|min(?:imum)?|peak){_GAP}h(?:old)?)(?![A-Za-z])(?![\s:=;,]*(?:off|no|0)(?![A-Za-z0-9]))",
    re.I,
)
_CHANGED = re.compile(
    rf"(?<![A-Za-z])(transducer|trace{_GAP}math|math)[\s:=;,]+(?!(?:off|none|no|0)(?![A-Za-z0-9]))([^\s;,]+)", re.I
)
_AVERAGE = re.compile(rf"(?<![A-Za-z])av(?:era)?ge?{_GAP}(?:type|mode){_WORD}", re.I)
_OHM = re.compile(rf"(?<![A-Za-z])(?:input{_GAP}z|(?:input{_GAP})?(?:impedance|z0))[\s:=;,]*{_NUMBER}", re.I)
_DATE = re.compile(r"(?<![0-9])(?:(\d{4})-(\d\d)-(\d\d)|(\d\d)\.(\d\d)\.(\d{4}))(?![0-9])")
_TIME = re.compile(r"(?<![0-9:.])(\d\d):(\d\d)(?::(\d\d))?(?![0-9:])")
_DETECTORS = {
    "rms": Detector.POWER,
    "power": Detector.POWER,
    "power average": Detector.POWER,
    "sample": Detector.SAMPLE,
    "samp": Detector.SAMPLE,
}
_REFUSED_DETECTORS = ("peak", "pos", "neg", "norm", "quasi", "qp", "min", "max", "auto peak", "average video")


def told(others: Sequence[str], where: str) -> Facts:
    """Return what the lines round the numbers tell.

    Raises
    ------
    StoredDataError
        When they tell two things of one setting, or what no reckoning can undo (a peak detector, a held trace, an
        offset, another impedance).
    """
    found: dict[str, Any] = {}
    dates: list[re.Match[str]] = []
    times: list[re.Match[str]] = []
    for whole in others[:500]:
        line = " ".join(whole[:1000].split())  # one blank: patterns that look on over many are slow
        for name, pattern in _FOUND.items():
            for match in pattern.finditer(line):
                _note(found, name, _quantity(match, _NUMBERS[name][1]), where)
        _words(line, found, where)
        dates += _DATE.finditer(line)
        times += _TIME.finditer(line)
        found["simulated"] = found.get("simulated", False) or "simulated" in line.casefold()
    if found.pop("offset_db", 0.0):
        refuse(where, "an offset was added to its levels; save it again with every offset at 0 dB")
    center, span = found.pop("center_hz", None), found.pop("span_hz", None)
    if center is not None and span is not None:
        found.setdefault("start_hz", center - 0.5 * span)
        found.setdefault("stop_hz", center + 0.5 * span)
    if len(dates) == 1 and len(times) == 1:
        found["taken"] = _when(dates[0], times[0])
    return Facts(**{name: value for name, value in found.items() if value is not None})


def _words(line: str, found: dict[str, Any], where: str) -> None:
    for match in _DETECTOR.finditer(line):
        word = match[1].casefold()
        if word.startswith(_REFUSED_DETECTORS):
            refuse(where, f"was taken with the detector {match[1]!r}; take it again with the power (RMS) or sample one")
        known = _DETECTORS.get(word, _DETECTORS.get(word.split()[0]))
        if known is None:
            refuse(
                where,
                f"tells a detector not known here, {match[1]!r}; take it with the power (RMS) or sample one",
            )
        _note(found, "detector", known, where)
    for match in _Y_UNIT.finditer(line):
        _note(found, "unit", match[1].strip("\"'[]();,"), where)
    for match in _NORMAL.finditer(line):
        _note(found, "normalised", match[1].casefold() not in ("off", "no", "none", "false"), where)
    for match in _MODE.finditer(line):
        if match[1].casefold().replace(" ", "").startswith(("max", "min", "peakhold", "hold")):
            refuse(where, f"is a held trace ({match[1]!r}); take it again as a single sweep")
    for match in _HELD.finditer(line):
        refuse(where, f"is a held trace ({match[1]!r}); take it again as a single sweep")
    for match in _CHANGED.finditer(line):
        refuse(where, f"was changed by the analyzer ({match[1]} {match[2]!r}); save it again with that off")
    for match in _AVERAGE.finditer(line):
        if match[1].casefold().startswith(("log", "video", "volt", "lin")):
            refuse(where, f"was averaged as {match[1]!r}; average as power (RMS), or save single sweeps")
    for match in _OHM.finditer(line):
        if float(match[1].replace(",", ".")) != 50.0:
            refuse(where, f"was taken with {match[1]} ohm; everything here is in 50 ohm")


def _quantity(match: re.Match[str], dimension: Dimension) -> float | None:
    """Return the number with the unit behind it, else in brackets behind its name, else the plain one."""
    word = _SAME.get(match[3].casefold(), match[3]).replace("µ", "u").replace("μ", "u")
    unit = word if word.casefold() in _UNITS else match[1] or _PLAIN_UNIT[dimension]
    try:
        return parse(f"{match[2].replace(',', '.')} {unit}", dimension)
    except UnitError:  # another kind of quantity: not told
        return None


def _note(found: dict[str, Any], name: str, value: Any, where: str) -> None:
    if value is None:
        return
    if found.setdefault(name, value) != value:
        words = name.rpartition("_")[0].replace("_", " ") or name
        refuse(where, f"tells two values of {words}: {found[name]} and {value}")


def _when(date: re.Match[str], time: re.Match[str]) -> datetime | None:
    year, month, day = (date[1], date[2], date[3]) if date[1] else (date[6], date[5], date[4])
    try:
        clock = (int(time[1]), int(time[2]), int(time[3] or 0))
        return datetime(int(year), int(month), int(day), *clock, tzinfo=UTC)
    except ValueError:
        return None


def _detector(text: str) -> Detector:
    known = _DETECTORS.get(text.casefold())
    if known is None:
        msg = f"{text!r} is no detector that can be used: power (RMS) or sample"
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
