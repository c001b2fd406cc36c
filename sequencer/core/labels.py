"""Values of a label as numbers: lengths in metres however they are spelled, and the unit a label is written in."""

from __future__ import annotations

import re

from sequencer.errors import UnitError
from sequencer.units import LENGTH, PLAIN, Dimension, parse

__all__ = ["is_of", "number_of", "unit_of"]

_DIGITS = re.compile(r"\s*[+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?\s*")


def _in_units(label: str) -> str:
    """Write inches as their unit, and a decimal comma as a point."""
    label = re.sub(r"(?<=\d),(?=\d)", ".", label.strip())
    return re.sub(r'(?<=\d)\s*(?:"|\u2033|\u201d)$', " in", label)


def is_of(label: str, dimension: Dimension) -> bool:
    """Whether a label is a quantity of this kind."""
    try:
        parse(_in_units(label), dimension)
    except UnitError:
        return False
    return True


def number_of(label: str) -> float | None:
    """Return the label as a number, a length in metres; None where it is none."""
    dimension = next((one for one in (LENGTH, PLAIN) if is_of(label, one)), None)
    return None if dimension is None else parse(_in_units(label), dimension)


def unit_of(label: str) -> tuple[str, float]:
    """Return the unit as the label writes it, and its factor to the base unit that `number_of` gives.

    Examples
    --------
    >>> unit_of('12,5"')
    ('"', 0.0254)
    >>> unit_of("7")
    ('', 1.0)
    """
    unit = _DIGITS.sub("", label, count=1).strip() if number_of(label) is not None else ""
    return unit, number_of(f"1{unit}") or 1.0
