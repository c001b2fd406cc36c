"""What the free text of a saved trace tells that no reckoning can undo: such a trace is refused by name; no I/O."""

from __future__ import annotations

import re
from collections.abc import Iterable

from instruments.saved.numbers import NUMBER, NumberError, value_of
from instruments.saved.table import refuse

__all__ = ["refuse_spoilt", "refuse_spoilt_vector"]

_GAP = r"[\s_.-]*"
_FIRST = r"(?<![A-Za-z])"
_SEP = r"[\s:=;,]*"
_IS = r"[\s:=;,]+"
_WHICH = r"(?:state|status|mode|set|file|table|factors?|type|count|flag|trace|detected|warning|indicator)"
_NONE = r"off|none|no|not|false|disabled?|inactive|ok|good"
_OFF = rf"(?:{_NONE}|n/?a|-+|[+-]?0+(?:[.,]0*)?(?:e[+-]?0+)?)(?![A-Za-z0-9]|[.,][0-9])"
_NOT_SO = rf"(?!{_SEP}(?:{_WHICH}{_SEP})?{_OFF})"
_HELD = re.compile(rf"{_FIRST}((?:max(?:imum)?|min(?:imum)?|peak){_GAP}h(?:old)?)(?![A-Za-z]){_NOT_SO}", re.I)
_MODE = re.compile(rf"{_FIRST}(?:trace{_GAP})?mode[\s:=;,]+((?:max|min|peak{_GAP}hold|hold)[A-Za-z ]*)", re.I)
_OHM = re.compile(
    rf"{_FIRST}(?:input{_GAP}z|(?:input{_GAP})?(?:impedance|z0)){_SEP}({NUMBER})"
    rf"|(?<![0-9])(?<![0-9][.,])([0-9]{{1,6}}(?:[.,][0-9]{{1,6}})?)\s?(?:ohms?|\u2126|\u03a9)(?![A-Za-z])",
    re.I,
)
_OFFSET = re.compile(
    rf"(off?se?t|offs|ofs|shift)(?![A-Za-z])[\s_.]*(?:[\[(][A-Za-z]{{1,5}}[\])])?{_SEP}({NUMBER})", re.I
)
_NAME = re.compile(r"[A-Za-z\s_.-]{0,40}\Z")  # what stands before 'offset'
_HARMLESS = re.compile(r"limit|trig|time|delay|marker|phase|gate|display", re.I)
_BEFORE_US = re.compile(  # what stands between the device and the analyzer's input, and was reckoned in or not
    rf"{_FIRST}((?:(?:ext(?:ernal)?|pre{_GAP}amp[a-z]{{0,6}}|user|cable|antenna|probe|path|fixture|pad|elec[a-z]{{0,10}}){_GAP}){{1,3}}"
    rf"(?:gain|loss|att[a-z]{{0,8}}|factor|corr[a-z]{{0,8}})){_GAP}(?:[\[(][A-Za-z]{{1,5}}[\])])?{_SEP}({NUMBER})",
    re.I,
)
_WATCH = r"(?:protect|detection|alarm|limit|threshold)"  # what looks out for it is not it
_ONE = r"(?:T(?:r(?:ace|c)?)?[\s_]?)?[A-F1-9](?![0-9.])"  # of the traces
_KEPT = r"(?:ref|mem)[a-z]{0,6}"
_LESS = r"\s?(?:[-+]|minus)\s?"
_ALONE = tuple(  # whether a word follows or not
    (re.compile(rf"{_FIRST}({name})(?![A-Za-z]){_NOT_SO}(?!{_SEP}{_WATCH})", re.I), text)
    for name, text in (
        (
            rf"(?:meas\w*{_GAP})?un{_GAP}cal(?:ibrated)?",
            "the analyzer says the sweep is uncalibrated: too fast for its filter; sweep more slowly and save it again",
        ),
        (
            rf"(?:(?:if|rf|adc|input|mixer){_GAP})*over{_GAP}(?:load(?:ed)?|range|flow(?:ed)?|driven?)|ovl?d|ovl|ovf"
            rf"|(?:if|rf|adc|input|mixer|status){_SEP}over"
            rf"|(?:if|rf|adc|input|mixer){_GAP}(?:saturat|clip|compress)[a-z]{{0,5}}",
            "the analyzer says its input is overloaded: lower the generator's level or add a pad, and take it again",
        ),
        (
            rf"(?:lo|pll|ref(?:erence)?){_SEP}(?:un|not{_GAP}){_GAP}lock(?:ed)?",
            "the analyzer says that its oscillator is not locked: frequencies are unsure; take it again when it is",
        ),
        (
            rf"(?:trace|trc|math|function|result){_SEP}(?:[A-F1-9]{_SEP})?{_ONE}{_LESS}(?:{_ONE}|DL|{_KEPT})"
            rf"|{_KEPT}{_LESS}(?:trace|trc)|(?:trace|level|ampl[a-z]{{0,5}}){_GAP}diff[a-z]{{0,7}}"
            rf"|diff[a-z]{{0,7}}{_GAP}trace|subtract[a-z]{{0,4}}",
            "was reckoned from traces; save the trace itself",
        ),
    )
)


def _switched(*pairs: tuple[str, str]) -> tuple[tuple[re.Pattern[str], str], ...]:
    """Something must follow that is not 'off'; a heading alone tells nothing."""
    on = rf"(?![A-Za-z]){_IS}(?!{_OFF}|gain|(?:{_WHICH}|[0-9]{{1,2}}){_IS}{_OFF})([A-Za-z0-9.+-][^\s;,]*)"
    return tuple((re.compile(rf"{_FIRST}({name}){on}", re.I), text) for name, text in pairs)


_SWITCHED = _switched(
    (r"smooth(?:ing)?", "it moves a notch's bottom up; save it again without smoothing"),
    (rf"signal{_GAP}track(?:ing)?", "it moves the range while it is swept; take it again with that off"),
    (
        rf"noise{_GAP}(?:floor{_GAP})?(?:cancel[a-z]{{0,8}}|corr[a-z]{{0,8}}|reduction|ext[a-z]{{0,6}})",
        "save it again with that off",
    ),
    (rf"(?:trace{_GAP})?hold(?={_IS}(?:on|yes|true|max|min))", "take it again as a single sweep"),
    (
        rf"(?:time{_GAP}|sweep{_GAP})?gat(?:e|ed|ing)(?={_IS}(?:on|yes|true))",
        "it hides times of the sweep; save it with that off",
    ),
    (rf"trace{_GAP}math|math", "was changed by the analyzer; save it again with that off"),
)
_SCALAR = _switched(  # of a spectrum analyzer only: a vector analyzer must be corrected
    (
        rf"(?:(?:ext(?:ernal)?|int(?:ernal)?){_GAP})?(?:pre{_GAP}amp(?:lifier)?|lna)",
        "switch the preamplifier off and take it again",
    ),
    (
        rf"(?:(?:ampl?(?:itude)?|freq(?:uency)?|user|level){_GAP})?(?:corr(?:ections?)?|compensation)"
        rf"|(?:antenna|ant|probe|cable|path|fixture|ext(?:ernal)?){_GAP}(?:fact?(?:or)?s?|corr[a-z]{{0,8}}|comp[a-z]{{0,9}})",
        "save it again with that off",
    ),
    (r"transducer", "was changed by the analyzer; save it again with that off"),
)
_VECTOR = _switched(
    (
        rf"(?:port{_GAP}ext[a-z]{{0,7}}|de{_GAP}embed[a-z]{{0,5}}|fixture[a-z]{{0,4}}(?:{_GAP}sim[a-z]{{0,8}})?)"
        rf"(?={_IS}(?:{_WHICH}{_IS})?(?:on|yes|true|enabled|active|1)(?![A-Za-z0-9]))",  # comments are free text, too
        "it moves the test ports away from where the correction was made; save it again with that off",
    ),
    (rf"mag[a-z]{{0,6}}{_GAP}offs(?:et)?", "save it again with that at 0"),
)
_UNCORRECTED = re.compile(
    rf"{_FIRST}((?:corr|cal)[a-z]{{0,10}}{_IS}(?:{_WHICH}{_IS})?(?:off|none|false|disabled|inactive)"
    rf"|un{_GAP}(?:corrected|cal(?:ibrated)?)|not{_GAP}(?:corrected|calibrated))(?![A-Za-z0-9])",
    re.I,
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
        ohm = match[1] or match[2]
        if _read(ohm, where, line, comma=comma) != 50.0:
            refuse(where, f"was taken with {ohm} ohm; everything here is in 50 ohm")
    for match in (*_OFFSET.finditer(line), *_BEFORE_US.finditer(line)):
        before = _NAME.search(line[max(match.start() - 40, 0) : match.start()])
        name = f"{before[0] if before else ''}{match[1]}".strip()
        if not _HARMLESS.search(name) and _read(match[2], where, line, comma=comma) != 0.0:
            refuse(
                where,
                f"an offset was added to it ({name!r}: {match[2]}); save it again with every offset, "
                "external gain and external attenuation at 0",
            )
    _refuse_done_to(line, where, _SCALAR)


def refuse_spoilt_vector(line: str, where: str) -> None:
    """Refuse a vector file of which this comment tells that it is not corrected, or was changed after that.

    Raises
    ------
    StoredDataError
        With what the comment says, and what to do.
    """
    for match in _UNCORRECTED.finditer(line):
        refuse(
            where, f"{match[1]!r}: a vector analyzer's figures hold with its correction only; calibrate, save it again"
        )
    _refuse_done_to(line, where, _VECTOR)


def _refuse_done_to(line: str, where: str, more: Iterable[tuple[re.Pattern[str], str]]) -> None:
    for pattern, text in _ALONE:
        for match in pattern.finditer(line):
            refuse(where, f"{match[1]!r}: {text}")
    for pattern, text in (*_SWITCHED, *more):
        for match in pattern.finditer(line):
            refuse(where, f"'{match[1]} {match[2][:30]}': {text}")


def _read(text: str, where: str, line: str, *, comma: bool) -> float:
    try:
        return value_of(text, comma=comma)
    except NumberError as exc:
        refuse(where, f"the line {line[:80]!r} cannot be read in one way: {exc}; correct that line")
