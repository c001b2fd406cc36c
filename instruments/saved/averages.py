"""What the lines round a saved trace tell of the analyzer's own averaging: off, or on, and of what; no I/O."""

from __future__ import annotations

import re
from collections.abc import Sequence

from instruments.saved.table import refuse

__all__ = ["KINDS", "ON", "averaging_told"]

ON = "on"  # and nobody says what its mean was of
KINDS = {
    "off": "off",
    "none": "off",
    "power": "power",
    "rms": "power",
    "log": "log",
    "video": "log",
    "voltage": "voltage",
}
_GAP = r"[\s_.-]*"
_KIND = r"(?:log|video|vid|power|pwr|rms|volt|lin)[a-z]*"
_AVERAGE = rf"(?<![A-Za-z])(?:({_KIND}){_GAP})?(?:av(?:era)?g(?:e|es|ing)?|aver)"
_IS = r"[\s:=;,]+"
_END = r"(?![A-Za-z0-9])"
_SWITCH = re.compile(
    rf"{_AVERAGE}(?:{_GAP}state{_IS}([01])"
    rf"|(?:{_GAP}(?:state|mode|type))?{_IS}(on|off|yes|no|none|true|false|enabled|disabled)){_END}",
    re.I,
)
_MANY = r"count|cnt|num(?:ber)?|no|sweeps|times|factor"
_COUNT = re.compile(rf"{_AVERAGE}(?:{_GAP}/{_GAP}hold)?(?:{_GAP}(?:{_MANY}))?{_IS}"
                    r"(?:([0-9]{1,6})\s*/\s*)?([0-9]{1,6})(?![0-9.,]*[0-9A-Za-z])", re.I)  # fmt: skip
_OF = re.compile(rf"{_AVERAGE}{_GAP}(?:type|mode|kind){_IS}({_KIND})", re.I)
_TRACE = re.compile(
    rf"(?<![A-Za-z])(?:(?:trace|trc){_GAP}[A-F0-9]?{_GAP}(?:mode|type)?|mode){_IS}{_AVERAGE}(?![A-Za-z])", re.I
)
_NOT = frozenset({"0", "off", "no", "none", "false", "disabled"})


def averaging_told(lines: Sequence[str], where: str) -> str | None:
    """Return off, power, log or voltage, ``ON`` where it is on and its kind not told, None where nothing is told.

    Raises
    ------
    StoredDataError
        When two lines contradict each other.
    """
    on: set[bool] = set()
    kinds: set[str] = set()
    count_above_one = False
    for line in lines:
        for match in _SWITCH.finditer(line):
            is_on = (match[2] or match[3]).casefold() not in _NOT
            on.add(is_on)
            kinds |= {_kind(match[1])} if match[1] and is_on else set()
        for match in _COUNT.finditer(line):
            count_above_one |= int(match[3]) > 1
            kinds |= {_kind(match[1])} if match[1] else set()
        kinds |= {_kind(match[2]) for match in _OF.finditer(line)}
        for match in _TRACE.finditer(line):
            on.add(True)
            kinds |= {_kind(match[1])} if match[1] else set()
    if len(on) > 1 or len(kinds) > 1:
        told = " and ".join(sorted(kinds)) if len(kinds) > 1 else "on and off"
        refuse(where, f"tells two values of averaging: {told}")
    if on == {False}:
        return "off"
    if kinds:
        return kinds.pop()
    return ON if on or count_above_one else None


def _kind(word: str) -> str:
    plain = word.casefold()
    if plain.startswith(("log", "vid")):
        return "log"
    return "voltage" if plain.startswith(("volt", "lin")) else "power"
