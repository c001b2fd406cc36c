"""Small pieces of text for the terminal: durations, folded paragraphs, tables, characters made harmless."""

from __future__ import annotations

import math
import re
import textwrap
import unicodedata
from collections.abc import Sequence
from itertools import zip_longest
from typing import TYPE_CHECKING

from sequencer.core.hookup import Hookup, HookupKind

if TYPE_CHECKING:  # words are needed where the numeric core is not
    from sequencer.core.trace import SweepSettings

__all__ = [
    "bounded_width",
    "count",
    "describe",
    "duration",
    "fold",
    "listed",
    "plain",
    "printable",
    "settings_range",
    "sweep_name",
    "table",
]

_ASCII = {"\N{MINUS SIGN}": "-", "≥": ">=", "≤": "<=", "°": "deg ", "\N{NO-BREAK SPACE}": " "}
_UNIT = re.compile(r"(?<=\d) (?=(?:[kMG]?Hz|dBm?|%|m?s|min|h)\b|%)")  # no line ends between a number and its unit
NARROWEST = 40  # below this, tables and diagrams would fall apart; the terminal may wrap them itself


def bounded_width(columns: int, widest: int = 100) -> int:
    """Return a width to write for: one column is left free, lines longer than ``widest`` are hard to read."""
    return max(NARROWEST, min(columns - 1, widest))


def printable(text: str) -> str:
    r"""Return one line in which no character can steer the terminal (an instrument's answer is not trusted).

    Examples
    --------
    >>> printable("ACME\x1b[2J,7\r\nx")
    'ACME?[2J,7 x'
    """
    flat = " ".join(text.split())
    return "".join("?" if unicodedata.category(char) in ("Cc", "Cf", "Cs", "Co", "Cn") else char for char in flat)


def plain(text: str) -> str:
    """Return the report's words in signs that every terminal has."""
    for sign, letters in _ASCII.items():
        text = text.replace(sign, letters)
    return text


def duration(seconds: float) -> str:
    """Write a time as a person would say it.

    Examples
    --------
    >>> duration(0.0126), duration(0.26), duration(9.96), duration(74), duration(3899)
    ('13 ms', '0.3 s', '10 s', '1 min 14 s', '1 h 05 min')
    """
    if 0.0 < seconds < 0.095:
        return f"{max(round(1e3 * seconds), 1)} ms"
    if seconds < 9.95:
        return f"{max(seconds, 0.0):.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest:02d} s" if rest else f"{minutes} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes:02d} min"


def listed(names: Sequence[str]) -> str:
    """Join names as a sentence does.

    Examples
    --------
    >>> listed(["TX"]), listed(["TX", "RX", "ANT"])
    ('TX', 'TX, RX and ANT')
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""


def count(number: int, noun: str) -> str:
    """'1 sweep', '3 sweeps'."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def describe(hookup: Hookup) -> str:
    """Say in one sentence what a hookup is."""
    if hookup.kind is HookupKind.THRU and hookup.generator:
        return f"The two leads joined through the switch's contacts of {hookup.generator}-{hookup.analyzer}."
    if hookup.re_mated:
        return "The two leads joined as before, after their joint was opened and closed again."
    if hookup.kind is HookupKind.THRU:
        return "The two leads joined to each other, without the device."
    if hookup.kind is HookupKind.FLOOR:
        return "Both leads end in 50 ohm loads, without the device."
    if hookup.kind is HookupKind.STANDARD:
        return f"The check standard {hookup.standard} between the two leads, without the device."
    rest = f", 50 ohm on {listed(hookup.loads)}" if hookup.loads else ""
    if hookup.kind is HookupKind.REFLECT:
        if hookup.test_port in ("open", "short", "load"):
            article = "an" if hookup.test_port == "open" else "a"
            return f"The bridge looks at {article} {hookup.test_port}{rest}."
        return f"The bridge looks into {hookup.test_port}{rest}."
    return f"Generator into {hookup.generator}, analyzer on {hookup.analyzer}{rest}."


def settings_range(settings: SweepSettings) -> str:
    """Return start and stop to a hundredth of the span (the report has every digit), the unit said once.

    Examples
    --------
    >>> from sequencer.core.trace import SweepSettings
    >>> level = {"points": 11, "rbw_hz": 1e3, "attenuation_db": 10.0, "reference_dbm": 0.0, "generator_dbm": None}
    >>> settings_range(SweepSettings(start_hz=143980787.0, stop_hz=148025730.0, **level))
    '143.98 to 148.03 MHz'
    >>> settings_range(SweepSettings(start_hz=146599333.0, stop_hz=146620667.0, **level))
    '146.5993 to 146.6207 MHz'
    """
    power, unit = next((p, u) for p, u in ((6, "MHz"), (3, "kHz"), (0, "Hz")) if settings.stop_hz >= 10.0**p or not p)
    places = max(power + 2 - math.floor(math.log10(settings.stop_hz - settings.start_hz)), 0)
    start, stop = (f"{hz / 10.0**power:.{places}f}" for hz in (settings.start_hz, settings.stop_hz))
    while places > 3 and start.endswith("0") and stop.endswith("0"):
        places, start, stop = places - 1, start[:-1], stop[:-1]
    return f"{start} to {stop} {unit}"


def sweep_name(key: str, role: str) -> str:
    """Name a sweep by its key, with its role where that says more: 'overview (leakage)', 'transmit', 'tracking'."""
    return key if role in ("", "device") or key.startswith(role) else f"{key} ({role})"


def fold(text: str, width: int, first: str = "", rest: str | None = None) -> list[str]:
    """Fold one paragraph, its first line led by ``first``, the others by ``rest`` (default: as many blanks)."""
    hang = " " * len(first) if rest is None else rest
    return _wrapped(_bound(text), width, first, hang) or [first.rstrip()]


def _bound(text: str) -> str:
    """Make it printable, a number and its unit one word."""
    return _UNIT.sub("\N{NO-BREAK SPACE}", printable(text))


def _wrapped(bound: str, width: int, first: str = "", hang: str = "") -> list[str]:
    lines = textwrap.wrap(bound, width, initial_indent=first, subsequent_indent=hang, break_on_hyphens=False)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int, indent: str = "  ") -> list[str]:
    """Lay rows out in columns; the widest are folded between words until the whole fits in ``width``, if it can."""
    body = [[_bound(cell) for cell in row] for row in rows]
    told = [k for k, column in enumerate(zip(heads, *body, strict=True)) if any(column)]  # one that is empty is none
    heads, body = [heads[k] for k in told], [[row[k] for k in told] for row in body]
    columns = list(zip(heads, *body, strict=True))
    widths = [max(map(len, column)) for column in columns]
    least = [max(len(word) for cell in column for word in cell.split(" ")) for column in columns]
    while sum(widths) + 2 * (len(heads) - 1) + len(indent) > width and widths != least:
        widest = max((k for k in range(len(widths)) if widths[k] > least[k]), key=lambda k: widths[k])
        widths[widest] -= 1
    lines = [_row(heads, widths, indent), _row(["-" * size for size in widths], widths, indent)]
    for row in body:
        folded = [_wrapped(cell, size) for cell, size in zip(row, widths, strict=True)]
        lines += [_row(parts, widths, indent) for parts in zip_longest(*folded, fillvalue="")]
    return lines


def _row(cells: Sequence[str], widths: Sequence[int], indent: str) -> str:
    return (indent + "  ".join(f"{cell:<{size}}" for cell, size in zip(cells, widths, strict=True))).rstrip()
