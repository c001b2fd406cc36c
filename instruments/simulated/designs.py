"""The invented duplexers of the simulated bench, as the data a builder would write down.

Every unit is invented. What is set here is what a person sets: metal and diameters, where the rods tune, where the
trimmers put the notches, how far the loops are turned in, and how long the cables are. The circuit follows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from sequencer.core.resonator import COPPER, Resonator

__all__ = ["DESIGNS", "Coax", "Design", "Kind", "Side"]


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


PTFE = Coax(velocity_factor=0.695, loss_db_per_m=0.13)  # double-screened, about 5 mm
PE = Coax(velocity_factor=0.66, loss_db_per_m=0.07)  # solid polyethylene, double-screened, about 10 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One side of a unit, from its port to the common one.

    ``rods_hz``: what each cavity's rod tunes it to, the port's cavity first. ``notches_hz``: where the trimmers
    put the notches (band-pass/band-reject only). ``coupling``: of the loops (reject cavities: ``inductance_h``).
    ``lead_m`` joins the port to the first cavity, ``harness_m`` the cavities, ``tee_m`` the last one to the tee.
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
    condition: tuple[float, ...] = ()
    joint_ohm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A unit: two sides joined at ``common``."""

    name: str
    title: str
    recipe: str
    frequencies: Mapping[str, float]
    kind: Kind
    resonator: Resonator
    loop_h: float
    coax: Coax
    sides: tuple[Side, Side]
    common: str = "ANT"


DESIGNS: tuple[Design, ...] = (
    Design(
        name="vhf-600k",
        title="four-cavity VHF band-pass/band-reject duplexer, 600 kHz split",
        recipe="vhf-600k-acceptance",
        frequencies={"transmit": 146.610e6, "receive": 146.010e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.152, rod_diameter_m=0.042, conductivity_s_per_m=COPPER, share=0.408),
        loop_h=60e-9,
        coax=PTFE,
        sides=(
            Side(
                port="TX",
                rods_hz=(146.5989e6, 146.5989e6),
                notches_hz=(146.0104e6, 146.0094e6),
                coupling=0.04405,
                lead_m=0.04,
                harness_m=0.318,
                tee_m=0.318,
            ),
            Side(
                port="RX",
                rods_hz=(146.0209e6, 146.0209e6),
                notches_hz=(146.6095e6, 146.6103e6),
                coupling=0.04433,
                lead_m=0.04,
                harness_m=0.35,
                tee_m=0.321,
            ),
        ),
    ),
)
