"""Variants of the simulated analyzer, read from variants.yaml into typed values, and how each rounds its settings."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import yaml

from instruments.simulated.manners import Manners
from sequencer.errors import UsageError

__all__ = ["Variant", "load_variant", "variant_names"]

_DECADE = {
    "1-3-10": (1.0, 3.0),
    "1-2-5": (1.0, 2.0, 5.0),
    "percent": tuple(round(1.1**n, 2) for n in range(25)),
    # Steps of about a tenth of a decade and less: the 24 rounded values of the E24 series of IEC 60063.
    "tenth": (
        *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
        *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One kind of analyzer: spelling and limits."""

    name: str
    commands: Mapping[str, str]
    trace_name: str
    detectors: Mapping[str, str]
    formats: tuple[str, ...]
    swapped: bool
    numbers: str
    ascii_levels: str
    trailing_comma: bool
    terminator: bytes
    questionable_bits: Mapping[str, int]
    error_queue: int
    continuous_after_reset: bool
    output_at_power_on: bool
    frequency_hz: tuple[float, float]
    points: tuple[int, int]
    points_after_reset: int
    rbw_range_hz: tuple[float, float]
    rbw_steps: str
    attenuation_db: tuple[float, float, float]  # least, most, step
    reference_dbm: tuple[float, float]
    generator_dbm: tuple[float, float, float]  # least, most, step
    levelled_dbm: tuple[float, float]
    generator_least_rbw_hz: float
    display_range_db: float | None
    sweep_time_s: tuple[float, float]
    sweep_factor: float
    manners: Manners
    points_choices: tuple[int, ...] = ()
    dialect: str = "auto"
    ascii_separator: str = ","
    attenuation_rounds: str = "up"
    average_kinds: Mapping[str, str] = field(default_factory=dict)
    trace_modes: Mapping[str, str] = field(default_factory=dict)
    sweep_modes: Mapping[str, bool] = field(default_factory=dict)
    sweep_time_by_hand_s: float | None = None
    left: Mapping[str, Any] = field(default_factory=dict)

    def rbw(self, asked_hz: float) -> float:
        """Return the filter nearest to what was asked, by ratio."""
        return _nearest_filter(self.rbw_steps, *self.rbw_range_hz, asked_hz)

    def attenuation(self, asked_db: float) -> float:
        """Step of the attenuator that is used: the next that is not less than asked, unless it rounds otherwise."""
        least, most, step = self.attenuation_db
        steps = (asked_db - least) / step
        whole = {"up": math.ceil(steps - 1e-9), "nearest": round(steps), "down": math.floor(steps + 1e-9)}
        return min(most, least + whole[self.attenuation_rounds] * step)

    def generator(self, asked_dbm: float) -> float:
        """Nearest step of the generator's level."""
        step = self.generator_dbm[2]
        return round(round(asked_dbm / step) * step, 6)


@lru_cache(maxsize=1024)
def _nearest_filter(steps: str, least_hz: float, most_hz: float, asked_hz: float) -> float:
    decades = range(math.floor(math.log10(least_hz)), math.floor(math.log10(most_hz)) + 1)
    filters = [round(step * 10.0**decade, 6) for decade in decades for step in _DECADE[steps]]
    fitted = [hz for hz in filters if least_hz <= hz <= most_hz]
    return min(fitted, key=lambda hz: abs(math.log(hz / asked_hz)))


def _table(path: str = "") -> dict[str, Any]:
    file = Path(path) if path else resources.files("instruments.simulated") / "variants.yaml"
    table = yaml.safe_load(file.read_text(encoding="utf-8"))
    if not isinstance(table, dict) or not table or not all(isinstance(row, dict) for row in table.values()):
        msg = f"{path}: a mapping of a name to what the variant is, as in variants.yaml, expected"
        raise UsageError(msg, name=path)
    return table


def variant_names() -> list[str]:
    """Every variant."""
    return list(_table())


def load_variant(name: str) -> Variant:
    """Read one variant: a shipped one, or the first of a file (a path that ends in .yaml).

    Raises
    ------
    UsageError
        When there is none of that name.
    """
    try:
        table = _table(name if name.endswith(".yaml") else "")
    except (OSError, yaml.YAMLError) as exc:
        msg = f"{name}: cannot be read ({exc})"
        raise UsageError(msg, name=name) from exc
    if name.endswith(".yaml"):
        try:
            return _variant(str(next(iter(table))), table[next(iter(table))])
        except (KeyError, TypeError, ValueError, AttributeError) as exc:
            msg = f"{name}: {type(exc).__name__} {exc}: every field of free-binary must stand there"
            raise UsageError(msg, name=name) from exc
    if name not in table:
        msg = f"there is no simulated analyzer {name!r}; there are {', '.join(table)}"
        raise UsageError(msg, name=name)
    return _variant(name, table[name])


def _variant(name: str, row: Mapping[str, Any]) -> Variant:
    attenuation, generator = row["attenuation dB"], row["generator dBm"]
    return Variant(
        name=name,
        commands={name: pattern for name, pattern in row["commands"].items() if pattern},
        trace_name=row["trace name"],
        detectors=row["detectors"],
        formats=tuple(row["formats"]),
        swapped=row.get("swapped", False),
        numbers=row["numbers"],
        ascii_levels=row["ascii levels"],
        trailing_comma=row["ascii trailing comma"],
        terminator=row["terminator"].encode(),
        questionable_bits=row["questionable bits"],
        error_queue=row["error queue"],
        continuous_after_reset=row["continuous after reset"],
        output_at_power_on=row["output at power on"],
        frequency_hz=tuple(row["frequency Hz"]),
        points=tuple(row["points"]),
        points_after_reset=row["points after reset"],
        rbw_range_hz=(row["rbw Hz"]["least"], row["rbw Hz"]["most"]),
        rbw_steps=row["rbw Hz"]["steps"],
        attenuation_db=(attenuation["least"], attenuation["most"], attenuation["step"]),
        reference_dbm=tuple(row["reference dBm"]),
        generator_dbm=(generator["least"], generator["most"], generator["step"]),
        levelled_dbm=tuple(generator["levelled"]),
        generator_least_rbw_hz=row["generator least RBW Hz"],
        display_range_db=row["display range dB"],
        sweep_time_s=tuple(row["sweep time s"]),
        sweep_factor=row["sweep factor"],
        manners=Manners.read(name, row.get("manners", {})),
        dialect=row.get("dialect", "auto"),
        points_choices=tuple(row.get("points choices", ())),
        ascii_separator=row.get("ascii separator", ","),
        attenuation_rounds=attenuation.get("rounds", "up"),
        average_kinds=row.get("average kinds", {}),
        trace_modes=row.get("trace modes", {}),
        sweep_modes=row.get("sweep modes", {}),
        sweep_time_by_hand_s=row.get("sweep time by hand s"),
        left=row.get("left", {}),
    )
