"""What the free text of a saved trace tells that no reckoning can undo: such a trace is refused by name; no I/O."""

from __future__ import annotations

import re

from instruments.saved.numbers import NUMBER, NumberError, value_of
from instruments.saved.table import refuse

__all__ = ["refuse_spoilt"]

_GAP = r"[\s_.-]*"
_FIRST = r"(?<![A-Za-z])"
_SEP = r"[\s:=;,]*"
_OFF = r"(?:off|none|no|not|false|disabled?|inactive|ok|good|n/?a|-+|[+-]?0+(?:[.,]0*)?(?:e[+-]?0+)?)(?![A-Za-z0-9.,])"
_HELD = re.compile(rf"{_FIRST}((?:max(?:imum)?|min(?:imum)?|peak){_GAP}h(?:old)?)(?![A-Za-z])(?!{_SEP}{_OFF})", re.I)
_MODE = re.compile(rf"{_FIRST}(?:trace{_GAP})?mode[\s:=;,]+((?:max|min|peak{_GAP}hold|hold)[A-Za-z ]*)", re.I)
_OHM = re.compile(rf"{_FIRST}(?:input{_GAP}z|(?:input{_GAP})?(?:impedance|z0)){_SEP}({NUMBER})", re.I)
_OFFSET = re.compile(rf"(offs(?:et)?)(?![A-Za-z])[\s_.]*(?:[\[(][A-Za-z]{{1,5}}[\])])?{_SEP}({NUMBER})", re.I)
_NAME = re.compile(r"[A-Za-z\s_.-]{0,40}\Z")  # what stands before 'offset'
_HARMLESS = re.compile(r"limit|trig|time|delay|marker|phase|gate|display", re.I)
_BEFORE_US = re.compile(  # what stands between the device and the analyzer's input, and was reckoned in or not
    rf"{_FIRST}((?:(?:ext(?:ernal)?|pre{_GAP}amp[a-z]{{0,6}}|user|cable|antenna|probe|path|fixture|pad|elec[a-z]{{0,10}}){_GAP}){{1,3}}"
    rf"(?:gain|loss|att[a-z]{{0,8}}|factor|corr[a-z]{{0,8}})){_GAP}(?:[\[(][A-Za-z]{{1,5}}[\])])?{_SEP}({NUMBER})",
    re.I,
)
_ALONE = tuple(  # whether a word follows or not
    (re.compile(rf"{_FIRST}({name})(?![A-Za-z])(?!{_SEP}{_OFF})", re.I), text)
    for name, text in (
        (
            rf"(?:meas\w*{_GAP})?un{_GAP}cal(?:ibrated)?",
            "the analyzer says the sweep is uncalibrated: too fast for its filter; sweep more slowly and save it again",
        ),
        (
            rf"(?:(?:if|rf|adc|input|mixer){_GAP})*over{_GAP}(?:load(?:ed)?|range)|ovl?d",
            "the analyzer says its input is overloaded: lower the generator's level or add a pad, and take it again",
        ),
        (
            rf"(?:trace|trc|math){_SEP}[A-F1-6]\s?[-+]\s?(?:[A-F1-6]|DL)",
            "was reckoned from traces; save the trace itself",
        ),
    )
)
_SWITCHED = tuple(  # something must follow that is not 'off'; a heading alone tells nothing
    (re.compile(rf"{_FIRST}({name})(?![A-Za-z])[\s:=;,]+(?!{_OFF}|gain)([A-Za-z0-9.+-][^\s;,]*)", re.I), text)
    for name, text in (
        (
            rf"(?:(?:ext(?:ernal)?|int(?:ernal)?){_GAP})?(?:pre{_GAP}amp(?:lifier)?|lna)",
            "switch the preamplifier off and take it again",
        ),
        (r"smooth(?:ing)?", "it moves a notch's bottom up; save it again without smoothing"),
        (rf"signal{_GAP}track(?:ing)?", "it moves the range while it is swept; take it again with that off"),
        (rf"noise{_GAP}(?:cancel[a-z]{{0,8}}|corr[a-z]{{0,8}}|reduction)", "save it again with that off"),
        (rf"(?:ampl?(?:itude)?{_GAP})?corr(?:ections?)?", "save it again with that off"),
        (rf"transducer|trace{_GAP}math|math", "was changed by the analyzer; save it again with that off"),
    )
)


def refuse_spoilt(line: str, where: str, *, comma: bool) -> None:
    """Refuse a trace of which this line tells a held trace, an offset, another impedance, or what else spoils it.

    Raises
    ------
    StoredDataError
        With what the line says, and what to do.
    """
    for held in (*_HELD.finditer(line), *_MODE.finditer(line)):
        refuse(where, f"is a held trace ({held[1].strip()!r}); take it again as a single sweep")
    for match in _OHM.finditer(line):
        if _read(match[1], where, line, comma=comma) != 50.0:
            refuse(where, f"was taken with {match[1]} ohm; everything here is in 50 ohm")
    for match in (*_OFFSET.finditer(line), *_BEFORE_US.finditer(line)):
        before = _NAME.search(line[max(match.start() - 40, 0) : match.start()])
        name = f"{before[0] if before else ''}{match[1]}".strip()
        if not _HARMLESS.search(name) and _read(match[2], where, line, comma=comma) != 0.0:
            refuse(
                where,
                f"an offset was added to it ({name!r}: {match[2]}); save it again with every offset, "
                "external gain and external attenuation at 0",
            )
    for pattern, text in _ALONE:
        for match in pattern.finditer(line):
            refuse(where, f"{match[1]!r}: {text}")
    for pattern, text in _SWITCHED:
        for match in pattern.finditer(line):
            refuse(where, f"'{match[1]} {match[2][:30]}': {text}")


def _read(text: str, where: str, line: str, *, comma: bool) -> float:
    try:
        return value_of(text, comma=comma)
    except NumberError as exc:
        refuse(where, f"the line {line[:80]!r} cannot be read in one way: {exc}; correct that line")
