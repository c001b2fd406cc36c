"""Recipes and bench files as typed, frozen values; text and line numbers stay in the loader.

All frequencies in hertz, levels in dBm, ratios in dB. `sequencer.recipe.loader` makes these from YAML
and refuses what cannot be meant before any instrument is touched.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

__all__ = [
    "AnalyzerFile",
    "Bench",
    "Bridge",
    "Decision",
    "ExtraSweep",
    "Figure",
    "KitItem",
    "Pad",
    "Quantity",
    "Recipe",
    "Requirement",
    "Rule",
    "Specifications",
    "SwitchFile",
    "SwitchLoss",
    "Witness",
]


class Quantity(StrEnum):
    """What can be required of a device; the values are the recipe's words."""

    INSERTION_LOSS = "insertion loss"  # dB, path, at; `within` asks for the worst
    REJECTION = "rejection"  # dB, path, at; `within` asks for the worst (least)
    ISOLATION = "isolation"  # dB, path, at; `within` likewise
    RETURN_LOSS = "return loss"  # dB, port, at; `within` likewise
    NOTCH_FREQUENCY = "notch frequency"  # Hz, path, at = where to look, `within` = how far
    NOTCH_DEPTH = "notch depth"  # dB, path, at, `within`: the loss at the bottom
    REJECTION_BANDWIDTH = "rejection bandwidth"  # Hz, path, at: width round `at` where loss >= `level`
    PASS_BANDWIDTH = "pass bandwidth"  # Hz, path, at: width where loss <= least + `above`
    RIPPLE = "ripple"  # dB, path, at, `within`: greatest minus least loss over the band

    @property
    def unit(self) -> str:
        """Unit of its results: 'dB' or 'Hz'."""
        return "Hz" if self in _IN_HERTZ else "dB"

    @property
    def of_port(self) -> bool:
        """Whether it belongs to a port (else to a path)."""
        return self is Quantity.RETURN_LOSS


_IN_HERTZ = frozenset({Quantity.NOTCH_FREQUENCY, Quantity.REJECTION_BANDWIDTH, Quantity.PASS_BANDWIDTH})


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One limit at one frequency (`at: [a, b]` becomes two). Exactly one of path and port is set.

    ``id`` is stable: 'rejection TX-ANT receive', with ' within 8 kHz' etc. only where needed to be unique.
    For the notch frequency a `max: 3 kHz` in the recipe means distance from ``at_hz``; the loader turns it
    into minimum and maximum.
    """

    id: str
    quantity: Quantity
    at: str
    at_hz: float
    path: tuple[str, str] | None = None
    port: str | None = None
    within_hz: float | None = None
    level_db: float | None = None
    above_db: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    max_change: float | None = None
    line: int = 0

    @property
    def hookup_name(self) -> str:
        """Name of the hookup it is measured in."""
        if self.path is not None:
            return f"{self.path[0]}-{self.path[1]}"
        return f"reflect-{self.port}"


class Rule(StrEnum):
    """Decision rules of the design."""

    SIMPLE = "simple"
    GUARDED = "guarded"
    FOUR_WAY = "four-way"
    RISK = "risk"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """How a value and its interval become a statement. ``max_risk`` only with the rule `risk`."""

    rule: Rule = Rule.GUARDED
    coverage: float = 0.95
    max_risk: float | None = None
    accept_conditional: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraSweep:
    """A sweep the recipe adds to what its limits plan; ``rbw_hz`` and ``points`` None: the planner's."""

    path: tuple[str, str]
    start_hz: float
    stop_hz: float
    rbw_hz: float | None = None
    points: int | None = None
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """A step that this bench cannot measure: a person does it and types in what they read.

    ``readings``: what is asked for -> the unit it is told in ('W', 'min', 'degC', 'dB', 'dBm'; '' for words).
    """

    name: str
    do: str
    readings: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """A recipe, checked."""

    name: str
    title: str
    ports: tuple[str, ...]
    frequencies: Mapping[str, float]
    overview_hz: tuple[float, float]
    requirements: tuple[Requirement, ...]
    decision: Decision = field(default_factory=Decision)
    sweeps: tuple[ExtraSweep, ...] = ()
    warm_up_s: float = 0.0  # two thrus this far apart must agree before the run begins; 0: only where there is reason
    exchange: tuple[tuple[str, str], ...] = ()  # paths swept the other way round, too: a passive device must agree
    re_mate: int = 0  # so often the thru's joint is opened and closed again, to see how well it repeats
    witnessed: tuple[Witness, ...] = ()  # done and typed in by a person, after the last sweep
    notes: str = ""
    valid_for: str = ""
    source: str = ""
    text: str = ""
    sha256: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A stated figure: a limit, a typical value, or a measured one. Bare text is a limit."""

    limit: float | None = None
    typical: float | None = None
    measured: float | None = None

    @property
    def worst(self) -> float:
        """The value a careful budget takes: measured, else limit, else typical."""
        for value in (self.measured, self.limit, self.typical):
            if value is not None:
                return value
        msg = "a Figure needs a value"
        raise ValueError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyzerFile:
    """How to reach the analyzer, and what is known of its input."""

    resource: str
    visa: str = "@py"
    dialect: str = "auto"
    dialect_text: str = ""  # the whole dialect, where the bench file holds it; its lines count as in the file
    dialect_source: str = ""
    vswr: Figure | None = None
    maximum_input_dbm: float | None = None
    calibrated: str = ""
    baud: int | None = None  # of a serial line; None: the library's usual 9600


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """A pad that stays on the end of a lead. ``vswr`` is that of the pad itself."""

    loss_db: float
    vswr: Figure | None = None
    id: str = ""
    connector: str = ""  # family of the end that meets the device, by its letters in IEC 61169; '' not told


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """A directional bridge."""

    directivity_db: Figure
    test_port_vswr: Figure | None = None
    loss_db: float = 12.0  # generator to analyzer with everything reflected [common practice, no source]
    id: str = ""
    connector: str = ""  # family of its test port
    calibrated: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Specifications:
    """What the bench's maker or a calibration says of it; None means not stated."""

    scale_per_db: Figure | None = None
    scale_over_range_db: Figure | None = None
    attenuator_switching_db: Figure | None = None
    reference_switching_db: Figure | None = None
    rbw_switching_db: Figure | None = None
    drift_db_per_h: Figure | None = None
    connection_db: Figure | None = None
    frequency_reference_ppm: Figure | None = None
    frequency_span_percent: Figure | None = None
    load_vswr: Figure | None = None
    noise_dbm_hz: float | None = None  # of the analyzer, at 0 dB attenuation: the time told beforehand rests on it


@dataclass(frozen=True, slots=True, kw_only=True)
class KitItem:
    """A lead, pad, adapter, load or check standard of the kit."""

    id: str
    what: str  # lead | pad | adapter | load | open | short | standard
    ends: tuple[str, ...] = ()
    loss_db: Figure | None = None
    vswr: Figure | None = None
    calibrated: str = ""
    value_db: float | None = None
    u_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchLoss:
    """What the switch's way of a hookup loses more than that of the thru (a bridge hookup: than that of the open).

    ``u_db`` is a standard uncertainty (k = 1); ``date`` the day it was measured.
    """

    loss_db: float
    u_db: float
    date: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchFile:
    """A switch matrix: hookup name -> SCPI command.

    ``read_back`` is a query of what is closed; with '{channels}' it is sent the channels of the command.
    ``losses``: hookup name -> a stored figure; a path may have a hookup 'thru A-B' instead.
    """

    resource: str
    hookups: Mapping[str, str]
    visa: str = "@py"
    settling_s: float = 0.05
    read_back: str = ""
    errors: str = "SYST:ERR?"  # empty: it has no error queue
    losses: Mapping[str, SwitchLoss] = field(default_factory=dict)
    baud: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A bench file, checked."""

    analyzer: AnalyzerFile
    generator_level_dbm: float | None = None
    generator_vswr: Figure | None = None
    bridge: Bridge | None = None
    generator_pad: Pad | None = None
    analyzer_pad: Pad | None = None
    specifications: Specifications = field(default_factory=Specifications)
    kit: tuple[KitItem, ...] = ()
    switch: SwitchFile | None = None
    source: str = ""
    text: str = ""
    sha256: str = ""

    @property
    def pads_db(self) -> float:
        """What the pads that stay on both leads lose together."""
        return sum(pad.loss_db for pad in (self.generator_pad, self.analyzer_pad) if pad is not None)

    @property
    def highest_level_dbm(self) -> float:
        """The generator's level that brings the analyzer to its maximum input; infinite where none is stated.

        Only the pads are counted on, with the leads joined as for the thru: leads lose little, a bridge or a device
        may be left out by mistake, and an open at the bridge's test port returns less than joined leads.
        """
        maximum = self.analyzer.maximum_input_dbm
        return math.inf if maximum is None else maximum + self.pads_db
