"""Families of coaxial connectors, and how well a mating of each repeats below 1 GHz; no I/O.

The letters are those of IEC 61169: part 4 (7-16), 8 (BNC), 12 (UHF), 15 (SMA), 16 (N), 17 (TNC), 54 (4.3-10)
[parts from memory]. The figures are common practice for clean, tightened ends, no source: screwed ends with a defined
reference plane repeat best, a bayonet moves when the lead is touched, and UHF ends have no defined impedance at all.
"""

from __future__ import annotations

__all__ = ["MATING_DB", "UNTOLD_DB", "assumed_mating_db", "family"]

MATING_DB = {"7-16": 0.01, "4.3-10": 0.01, "N": 0.02, "SMA": 0.02, "TNC": 0.02, "BNC": 0.04, "UHF": 0.06}
"""Family -> standard deviation of the loss of one mating, dB."""

UNTOLD_DB = 0.02  # where no family is told: a screwed one


def family(end: str) -> str:
    """Return the family that an end of the kit such as 'N plug' belongs to; '' where none is known.

    Examples
    --------
    >>> family("7/16 socket"), family("bnc plug"), family("post plug")
    ('7-16', 'BNC', '')
    """
    words = [word.upper().replace("/", "-") for word in end.split()]
    return next((word for word in words if word in MATING_DB), "")


def assumed_mating_db(connector: str) -> float:
    """Return the standard deviation of one mating that is assumed for a family of connector; '' for one not told."""
    return MATING_DB.get(connector, UNTOLD_DB)
