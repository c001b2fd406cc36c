"""What the free text of a saved trace tells of its settings, in the spellings analyzers use; no I/O."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, NoReturn

from instruments.saved.averages import averaging_told
from instruments.saved.facts import DETECTORS, Facts
from instruments.saved.headings import UNIT_WORDS, plain_unit
from instruments.saved.numbers import NUMBER, NumberError, value_of
from instruments.saved.spoilt import refuse_spoilt
from instruments.saved.table import refuse
from sequencer.errors import UnitError
from sequencer.units import DB, DBM, FREQUENCY, TIME, Dimension, parse

__all__ = ["RANGE_SLACK", "date_told", "told"]

RANGE_SLACK = 0.02  # of the span: what rounding makes of a start or stop that is told beside the rows
_MOST_LINES, _LONGEST = 1000, 1000
_TELLS = re.compile(r"[^\W\d_]|[0-9][:/.-][0-9]")  # words, a date, a time of day
_GAP = r"[\s_.-]*"
_NUMBERS: dict[str, tuple[str, Dimension]] = {
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
        r"(?:level|lev|power|pwr|ampl(?:itude)?)"
        rf"|(?:tg|tracking{_GAP}gen\w*)(?=[\s:=;,]*{NUMBER}[\s;,]*dbm)",
        DBM,
    ),
}
_ELSEWHERE = re.compile(  # before 'attenuation': another one than the analyzer's own
    r"(?:ext(?:ernal)?|user|cable|probe|path|fixture|pad|elec\w*|tg|tracking gen\w*|generator|source|output)[\s_.-]*\Z",
    re.I,
)
_PLAIN_UNIT = {FREQUENCY: "Hz", TIME: "s", DB: "dB", DBM: "dBm"}
_SAME = {"sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "minutes": "min"}
_UNITS = UNIT_WORDS | {"s", "ms", "us", "min", "h"}
_HOW_SET = frozenset({"auto", "automatic", "man", "manual", "coupled", "cpl", "uncoupled", "fixed"})
_UNIT = r"(?:[\[(/]\s*([A-Za-zµμ]{1,12})\s*[\])]?|_([A-Za-zµμ]{1,5})(?=[\s:=;,]))?"
_FOUND = {
    name: re.compile(
        rf"(?<![A-Za-z/])(?:{spelled})(?:[\s.]|_(?=[\s_:=\d]))*{_UNIT}([\s:=;,]*)(?=[+-]?[.,]?[0-9])", re.I
    )
    for name, (spelled, _) in _NUMBERS.items()
}
_AT_NUMBER = re.compile(NUMBER)
_BEHIND = re.compile(r"(\s*[;,|]?\s*)([A-Za-zµμ%]*)")
_NEXT_NAME = re.compile(
    "(?:"
    + "|".join(spelled for spelled, _ in _NUMBERS.values())
    + r"|det\w*|trace|mode|marker|date|time|sweep|points?|unit|tracking|av(?:era)?g\w*|rf|input|ext(?:ernal)?"
    r"|offset|norm\w*|pre-?amp\w*|video|resolution|scale|impedance|no|num\w*)(?![A-Za-z])",
    re.I,
)
_GLUED = re.compile(r"[0-9'’`^*:+.-]")
_WORD = r"[\s:=;,]+([A-Za-zµμ+-]+(?:[ ][A-Za-z]+)?)"
_DETECTOR = re.compile(rf"(?<![A-Za-z])det(?:ector)?(?:{_GAP}(?:type|mode))?{_WORD}", re.I)
_Y_UNIT = re.compile(
    rf"(?<![A-Za-z])(?:y{_GAP}|level{_GAP}|ampl(?:itude)?{_GAP})(?:axis{_GAP})?units?[\s:=;,]+(\S+)", re.I
)
_NORMAL = re.compile(r"(?<![A-Za-z])normali[sz](?:e|ed|ation)(?![A-Za-z])[\s:=;,]*([A-Za-z]*)", re.I)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_NAMED = rf"({'|'.join(_MONTHS)})[a-z]{{0,6}}"
_DATE = re.compile(  # 01/02/2026 may be January or February, and is not read
    r"(?<![0-9])(?:(\d{4})([-/.])(\d\d)\2(\d\d)|(\d\d?)\.(\d\d?)\.(\d{4})"
    rf"|(\d\d?)[\s.-]{{1,2}}{_NAMED}[\s.,-]{{1,2}}(\d{{4}})"
    rf"|(?<![a-z]){_NAMED}[\s.-]{{1,2}}(\d\d?)(?:,?\s|\s[0-9:]{{7,8}}\s)(\d{{4}}))(?![0-9])",
    re.I,
)
_TIME = re.compile(r"(?<![0-9:.+])(?<!:\d\d-)(\d\d?):(\d\d)(?::(\d\d))?(?![0-9:])(?:\.\d+)?(?:\s?([AP])\.?M\b)?", re.I)
_POINTS = re.compile(
    rf"(?:\A|[;,:!#*]\s*)(?:(?:no|num(?:ber)?|count)\.?{_GAP}(?:of{_GAP})?)?(?:(?:sweep|trace|meas|data){_GAP})?"
    r"(?:points|pts|values)[\s:=;,]+([0-9]{1,7})(?![0-9.,'])",
    re.I,
)
_REFUSED_DETECTORS = ("peak", "pos", "neg", "norm", "quasi", "qp", "min", "max", "auto peak", "average video")


def told(others: Sequence[str], where: str, *, comma: bool = False) -> Facts:
    """Return what the lines round the numbers tell; ``comma``: the file is known to write decimal commas.

    Raises
    ------
    StoredDataError
        When they tell two things of one setting, a number that cannot be read in one way, or what no reckoning can
        undo (`instruments.saved.spoilt`).
    """
    found: dict[str, Any] = {}
    lines = _lines(others, where)
    for line in lines:
        for name, pattern in _FOUND.items():
            for match in pattern.finditer(line):
                if name != "attenuation_db" or not _ELSEWHERE.search(line[max(match.start() - 40, 0) : match.start()]):
                    _note(found, name, _quantity(line, match, _NUMBERS[name][1], where, comma), where)
        _words(line, found, where)
        for match in _POINTS.finditer(line):
            _note(found, "points", int(match[1]), where)
        refuse_spoilt(line, where, comma=comma)
        found["simulated"] = found.get("simulated", False) or "simulated" in line.casefold()
    found["averaging"] = averaging_told(lines, where)
    center, span = found.pop("center_hz", None), found.pop("span_hz", None)
    if center is not None and span is not None:
        for name, hz in (("start_hz", center - 0.5 * span), ("stop_hz", center + 0.5 * span)):
            if abs(found.setdefault(name, hz) - hz) > RANGE_SLACK * span:
                refuse(where, f"tells two ranges: its {name[:-3]} is not what centre and span make of it; correct it")
    found["taken"] = date_told(lines)
    return Facts(**{name: value for name, value in found.items() if value is not None})


def date_told(lines: Sequence[str]) -> datetime | None:
    """Return when a trace was taken, None where these lines tell no date and time, or more than one."""
    dates = [match for line in lines for match in _DATE.finditer(line[:_LONGEST])]
    times = [match for line in lines for match in _TIME.finditer(line[:_LONGEST])]
    if not len({date[0] for date in dates}) == len({time[0] for time in times}) == 1:
        return None
    return _when(dates[0], times[0])


def _lines(others: Sequence[str], where: str) -> list[str]:
    """Return the lines that have words or a date, with one blank for many: patterns that look on over many are slow."""
    lines = [" ".join(line.split()) for line in others if _TELLS.search(line)]
    if len(lines) > _MOST_LINES or any(len(line) > _LONGEST for line in lines):
        what = f"more than {_MOST_LINES} lines of text, or one longer than {_LONGEST} characters"
        refuse(where, f"holds {what}, and none may be passed over: take out what is no setting of this trace")
    return lines


def _words(line: str, found: dict[str, Any], where: str) -> None:
    for match in _DETECTOR.finditer(line):
        word = match[1].casefold()
        if word.startswith(_REFUSED_DETECTORS):
            refuse(where, f"was taken with the detector {match[1]!r}; take it again with the power (RMS) or sample one")
        known = DETECTORS.get(word, DETECTORS.get(word.split()[0]))
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


def _quantity(line: str, match: re.Match[str], dimension: Dimension, where: str, comma: bool) -> float | None:
    """Return the number behind a name with its unit: behind it, else beside the name, else the plain one.

    None where it is of another kind. What stands behind the number and is no unit spoils the line.
    """
    beside, gap = match[1] or match[2], match[3]
    if beside is not None and beside.casefold() in ("rbw", "vbw"):  # a ratio: Span/RBW
        return None
    if dimension is not TIME and (_DATE.match(line, match.end()) or _TIME.match(line, match.end())):
        return None  # when it began, not from where
    number = _AT_NUMBER.match(line, match.end())
    if number is None:  # nothing but a mark
        return None
    text, behind = number[0], _BEHIND.match(line, number.end())
    assert behind is not None
    spacing, word = behind[1], behind[2]
    if "," in text and "," in gap:
        _unreadable(where, line, f"the commas of {text!r} may part cells or be decimal marks")
    try:
        value = value_of(text, comma=comma)
    except NumberError as exc:
        _unreadable(where, line, str(exc))
    rest = line[behind.end() :]
    unit = _spelled(word)
    if plain_unit(unit) not in _UNITS:
        if not spacing and (word or _GLUED.match(rest)):
            _unreadable(where, line, f"{(word or rest)[:12]!r} behind {text!r} is no unit known here")
        if word and plain_unit(word) not in _HOW_SET and not _NEXT_NAME.match(line, behind.start(2)):
            _unreadable(where, line, f"{word[:12]!r} behind {text!r} is no unit known here")
        if not word and _AT_NUMBER.match(rest):
            _unreadable(where, line, f"another number stands behind {text!r}")
        unit = "" if beside is None or plain_unit(beside) in _HOW_SET else _spelled(beside)
        if unit and plain_unit(unit) not in _UNITS:
            _unreadable(where, line, f"{unit[:12]!r} is no unit known here")
    elif (further := re.match(rf"\s*{NUMBER}\s*([A-Za-zµμ]+)", rest)) and _of_kind(further[1], dimension):
        _unreadable(where, line, f"another number stands behind '{text} {word}'")
    elif beside is not None and _of_kind(beside, dimension) and plain_unit(_spelled(beside)) != plain_unit(unit):
        _unreadable(where, line, f"it tells two units, {beside} and {word}")
    try:
        return parse(f"{value!r} {unit or _PLAIN_UNIT[dimension]}", dimension)
    except UnitError:  # another kind of quantity: not told
        return None


def _spelled(unit: str) -> str:
    return _SAME.get(unit.casefold(), unit.replace("µ", "u").replace("μ", "u"))


def _of_kind(unit: str, dimension: Dimension) -> bool:
    return plain_unit(_spelled(unit)) in {spelled.casefold() for spelled, _ in dimension.units}


def _unreadable(where: str, line: str, why: str) -> NoReturn:
    refuse(where, f"the line {line[:80]!r} cannot be read in one way: {why}; correct that line")


def _note(found: dict[str, Any], name: str, value: Any, where: str) -> None:
    if value is None:
        return
    if found.setdefault(name, value) != value:
        words = name.rpartition("_")[0].replace("_", " ") or name
        refuse(where, f"tells two values of {words}: {found[name]} and {value}")


def _when(date: re.Match[str], time: re.Match[str]) -> datetime | None:
    year, month, day = next(
        (date[y], date[m], date[d]) for y, m, d in ((1, 3, 4), (7, 6, 5), (10, 9, 8), (13, 11, 12)) if date[y]
    )
    number = int(month) if month.isdecimal() else _MONTHS.index(month.casefold()) + 1
    hour = int(time[1])
    if time[4]:  # 12:30 AM is half past midnight
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if time[4] in "pP" else 0)
    try:
        return datetime(int(year), number, int(day), hour, int(time[2]), int(time[3] or 0), tzinfo=UTC)
    except ValueError:
        return None
