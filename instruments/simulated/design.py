"""What a builder would write down of a duplexer: metal, diameters, where rods and trimmers tune, and the cables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from sequencer.core.resonator import Resonator

__all__ = ["Coax", "Design", "Kind", "Side"]


class Kind(StrEnum):
    """What sort of cavity a unit has."""

    BPBR = "band-pass/band-reject"
    REJECT = "reject"
    PASS = "pass"


@dataclass(frozen=True, slots=True, kw_only=True)
class Coax:
    """A cable: velocity factor, and loss at 100 MHz (published cable tables, rounded, from memory)."""

    velocity_factor: float
    loss_db_per_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One side of a unit (of a ring: one arm), from its port to the node ``end``.

    ``rods_hz``: what each cavity's rod tunes it to, the port's cavity first. ``notches_hz``: where the trimmers
    put the notches (band-pass/band-reject only). ``coupling``: of the loops (reject cavities: ``inductance_h``).
    ``lead_m`` joins the port to the first cavity, ``harness_m`` the cavities, ``tee_m`` the last one to the end.
    ``condition``: part of the healthy Q that each cavity still has. ``joint_ohm``: a bad joint in the harness.
    """

    port: str
    rods_hz: tuple[float, ...]
    notches_hz: tuple[float, ...] = ()
    coupling: float = 0.0
    inductance_h: float = 0.0
    lead_m: float
    harness_m: float
    tee_m: float
    end: str = "ANT"
    condition: tuple[float, ...] = ()
    joint_ohm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A unit: sides that meet where they end.

    ``wrong_cable`` is by how many quarter waves the wrong cable of that fault is longer, ``wrong_channel`` by what
    share of the split notches set for another channel are further out: chosen so that what a fault spoils is spoilt
    beyond any doubt of the bench, and what it leaves is left.
    """

    name: str
    title: str
    recipe: str
    ports: tuple[str, ...] = ("TX", "RX", "ANT")
    frequencies: Mapping[str, float]
    kind: Kind
    resonator: Resonator
    coax: Coax
    sides: tuple[Side, ...]
    loop_h: float = 0.0
    wrong_cable: float = -2.0 / 3.0
    wrong_channel: float = 0.2
