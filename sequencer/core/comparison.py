"""What comparing runs gives: plain values for pages, tables and terminals; `sequencer.studies` makes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sequencer.core.record import Change, FamilyChange, Record, Result

__all__ = ["Against", "Compared", "Curved", "LabelPoint", "Point", "Series", "Slope", "Study", "Studied", "Trend"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One quantity in two runs; ``why_not`` says why it has no change, '' where it has."""

    before: Result
    after: Result
    change: Change
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """A run against the reference: every quantity both have, and one statement for all of them.

    ``left_out`` names quantities that only one of them has, or that they ask for differently.
    """

    reference: Record
    other: Record
    quantities: tuple[Compared, ...]
    family: FamilyChange
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One run's result in a trend. ``bench`` is a short name of the bench, ``temperature_c`` None if not recorded."""

    run_id: str
    at: datetime
    result: Result
    bench: str
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Change per year in the quantity's unit, with its 95 % interval; ``inflated``: the runs scatter more than stated.

    ``at`` and ``value`` are a point of the line, for drawing it.
    """

    per_year: float
    interval: tuple[float, float]
    inflated: bool
    at: datetime
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """A quantity of one device over the years; ``slope`` from three values on."""

    id: str
    points: tuple[Point, ...]
    slope: Slope | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Every quantity of one device; measured runs only, or (``simulated``) simulated runs only."""

    serial: str
    simulated: bool
    runs: tuple[Record, ...]
    series: tuple[Series, ...]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPoint:
    """A quantity at one value of the label: the mean of its runs; ``spread`` is their greatest difference.

    ``half_db`` is half the interval that counts within the evening, in the quantity's unit; ``number`` is the label
    as a number in its base unit, None where it is none.
    """

    label: str
    number: float | None
    results: tuple[Result, ...]
    value: float | None
    half: float | None
    spread: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Curved:
    """A curve through the points near the best one: its best place with interval, in the label's base unit.

    ``outside`` warns that the interval leaves the range that was measured. ``samples`` are points to draw.
    """

    best: float
    interval: tuple[float, float]
    value: float
    outside: bool
    used: tuple[str, ...]
    samples: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Studied:
    """One quantity against the label.

    ``wants`` is 'least' or 'greatest' (or 'middle' between two limits); ``apart`` are the labels the best one
    surely differs from, ``not_apart`` those it does not.
    """

    id: str
    wants: str
    points: tuple[LabelPoint, ...]
    best: str | None
    apart: tuple[str, ...] = ()
    not_apart: tuple[str, ...] = ()
    curved: Curved | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """Runs side by side by the values of one label. ``missing`` says what would make it a sound experiment."""

    key: str
    runs: Mapping[str, tuple[Record, ...]]
    quantities: tuple[Studied, ...]
    simulated: bool
    control: str = ""
    controls: tuple[Record, ...] = ()
    missing: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
