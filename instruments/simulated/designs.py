"""The invented duplexers of the simulated bench, as the data a builder would write down.

Every unit is invented. What is set here is what a person sets: metal and diameters, where the rods tune, where the
trimmers put the notches, how far the loops are turned in, and how long the cables are. The circuit follows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from sequencer.core.resonator import ALUMINIUM, BRASS, COPPER, Resonator

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

    ``wrong_cable`` is by how many quarter waves the wrong cable of that fault is longer, ``wrong_channel`` by what share
    of the split notches set for another channel are further out: chosen so that what a fault spoils is spoilt beyond
    any doubt of the bench, and what it leaves is left.
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


DESIGNS: tuple[Design, ...] = (
    Design(
        name="vhf-600k",
        title="four-cavity VHF band-pass/band-reject duplexer, 600 kHz split",
        recipe="vhf-600k-acceptance",
        frequencies={"transmit": 146.6100e6, "receive": 146.0100e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.152, rod_diameter_m=0.042, conductivity_s_per_m=COPPER, share=0.403),
        loop_h=60e-9,
        coax=PTFE,
        sides=(
            Side(
                port="TX",
                rods_hz=(146.5992e6, 146.5992e6),
                notches_hz=(146.0104e6, 146.0096e6),
                coupling=0.04383,
                lead_m=0.04,
                harness_m=0.318,
                tee_m=0.32,
            ),
            Side(
                port="RX",
                rods_hz=(146.0076e6, 146.0076e6),
                notches_hz=(146.6096e6, 146.6103e6),
                coupling=0.04499,
                lead_m=0.04,
                harness_m=0.332,
                tee_m=0.321,
            ),
        ),
    ),
    Design(
        name="6m-1m",
        title="four-cavity 6 m band-pass/band-reject duplexer, 1 MHz split",
        recipe="6m-1m-acceptance",
        frequencies={"transmit": 53.1100e6, "receive": 52.1100e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.152, rod_diameter_m=0.042, conductivity_s_per_m=ALUMINIUM, share=0.323),
        loop_h=150e-9,
        coax=PE,
        sides=(
            Side(
                port="TX",
                rods_hz=(53.0888e6, 53.0888e6),
                notches_hz=(52.1102e6, 52.1098e6),
                coupling=0.09887,
                lead_m=0.04,
                harness_m=0.83,
                tee_m=0.851,
            ),
            Side(
                port="RX",
                rods_hz=(52.1118e6, 52.1118e6),
                notches_hz=(53.1098e6, 53.1101e6),
                coupling=0.10215,
                lead_m=0.04,
                harness_m=0.891,
                tee_m=0.841,
            ),
        ),
    ),
    Design(
        name="125cm-1m6",
        title="four-cavity 1.25 m band-pass/band-reject duplexer, 1.6 MHz split",
        recipe="125cm-1m6-acceptance",
        frequencies={"transmit": 224.4400e6, "receive": 222.8400e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.127, rod_diameter_m=0.035, conductivity_s_per_m=ALUMINIUM, share=0.37),
        loop_h=40e-9,
        coax=PTFE,
        sides=(
            Side(
                port="TX",
                rods_hz=(224.4081e6, 224.4081e6),
                notches_hz=(222.8407e6, 222.8393e6),
                coupling=0.0591,
                lead_m=0.04,
                harness_m=0.208,
                tee_m=0.209,
            ),
            Side(
                port="RX",
                rods_hz=(222.86e6, 222.86e6),
                notches_hz=(224.4393e6, 224.4405e6),
                coupling=0.05981,
                lead_m=0.04,
                harness_m=0.225,
                tee_m=0.209,
            ),
        ),
    ),
    Design(
        name="70cm-5m",
        title="four-cavity 70 cm band-pass/band-reject duplexer, 5 MHz split",
        recipe="70cm-5m-acceptance",
        frequencies={"transmit": 444.5750e6, "receive": 449.5750e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.089, rod_diameter_m=0.025, conductivity_s_per_m=ALUMINIUM, share=0.302),
        loop_h=20e-9,
        coax=PTFE,
        wrong_cable=1.0,
        sides=(
            Side(
                port="TX",
                rods_hz=(444.3133e6, 444.3133e6),
                notches_hz=(449.5737e6, 449.5759e6),
                coupling=0.07697,
                lead_m=0.033,
                harness_m=0.094,
                tee_m=0.107,
            ),
            Side(
                port="RX",
                rods_hz=(449.2909e6, 449.2909e6),
                notches_hz=(444.5763e6, 444.5737e6),
                coupling=0.06868,
                lead_m=0.033,
                harness_m=0.093,
                tee_m=0.108,
            ),
        ),
    ),
    Design(
        name="70cm-1m6",
        title="four-cavity 70 cm band-pass/band-reject duplexer, 1.6 MHz split",
        recipe="70cm-1m6-acceptance",
        frequencies={"transmit": 433.1500e6, "receive": 434.7500e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.11, rod_diameter_m=0.03, conductivity_s_per_m=COPPER, share=0.341),
        loop_h=20e-9,
        coax=PTFE,
        wrong_cable=1.0,
        sides=(
            Side(
                port="TX",
                rods_hz=(433.049e6, 433.049e6),
                notches_hz=(434.7487e6, 434.7509e6),
                coupling=0.0445,
                lead_m=0.034,
                harness_m=0.092,
                tee_m=0.114,
            ),
            Side(
                port="RX",
                rods_hz=(434.6399e6, 434.6399e6),
                notches_hz=(433.1513e6, 433.1487e6),
                coupling=0.03889,
                lead_m=0.034,
                harness_m=0.092,
                tee_m=0.112,
            ),
        ),
    ),
    Design(
        name="70cm-7m6",
        title="four-cavity 70 cm band-pass/band-reject duplexer, 7.6 MHz split",
        recipe="70cm-7m6-acceptance",
        frequencies={"transmit": 438.9500e6, "receive": 431.3500e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.068, rod_diameter_m=0.019, conductivity_s_per_m=BRASS, share=0.314),
        loop_h=20e-9,
        coax=PTFE,
        wrong_cable=1.0,
        sides=(
            Side(
                port="TX",
                rods_hz=(438.4947e6, 438.4947e6),
                notches_hz=(431.3513e6, 431.3487e6),
                coupling=0.08663,
                lead_m=0.034,
                harness_m=0.094,
                tee_m=0.113,
            ),
            Side(
                port="RX",
                rods_hz=(430.9174e6, 430.9174e6),
                notches_hz=(438.9487e6, 438.9509e6),
                coupling=0.09805,
                lead_m=0.034,
                harness_m=0.095,
                tee_m=0.11,
            ),
        ),
    ),
    Design(
        name="33cm-25m",
        title="four-cavity 33 cm band-pass/band-reject duplexer, 25 MHz split",
        recipe="33cm-25m-acceptance",
        frequencies={"transmit": 927.5250e6, "receive": 902.5250e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.034, rod_diameter_m=0.0095, conductivity_s_per_m=BRASS, share=0.33),
        loop_h=10e-9,
        coax=PTFE,
        wrong_cable=1.0,
        sides=(
            Side(
                port="TX",
                rods_hz=(925.8669e6, 925.8669e6),
                notches_hz=(902.5277e6, 902.5223e6),
                coupling=0.11176,
                lead_m=0.027,
                harness_m=0.153,
                tee_m=0.171,
            ),
            Side(
                port="RX",
                rods_hz=(901.7802e6, 901.7802e6),
                notches_hz=(927.5222e6, 927.5269e6),
                coupling=0.12259,
                lead_m=0.027,
                harness_m=0.147,
                tee_m=0.165,
            ),
        ),
    ),
    Design(
        name="lm-vhf-4m6",
        title="compact four-cavity land-mobile VHF duplexer, 4.6 MHz split",
        recipe="lm-vhf-4m6-acceptance",
        frequencies={"transmit": 158.6100e6, "receive": 154.0100e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.055, rod_diameter_m=0.015, conductivity_s_per_m=BRASS, share=0.305),
        loop_h=60e-9,
        coax=PTFE,
        wrong_cable=1.0,
        sides=(
            Side(
                port="TX",
                rods_hz=(158.2628e6, 158.2628e6),
                notches_hz=(154.0105e6, 154.0095e6),
                coupling=0.12618,
                lead_m=0.04,
                harness_m=0.257,
                tee_m=0.316,
            ),
            Side(
                port="RX",
                rods_hz=(153.6874e6, 153.6874e6),
                notches_hz=(158.6095e6, 158.6103e6),
                coupling=0.14762,
                lead_m=0.04,
                harness_m=0.257,
                tee_m=0.304,
            ),
        ),
    ),
    Design(
        name="lm-uhf-5m",
        title="four-cavity land-mobile UHF duplexer, 5 MHz split",
        recipe="lm-uhf-5m-acceptance",
        frequencies={"transmit": 461.5500e6, "receive": 466.5500e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.07, rod_diameter_m=0.019, conductivity_s_per_m=ALUMINIUM, share=0.318),
        loop_h=20e-9,
        coax=PTFE,
        wrong_cable=-0.41,
        sides=(
            Side(
                port="TX",
                rods_hz=(461.3193e6, 461.3193e6),
                notches_hz=(466.5486e6, 466.551e6),
                coupling=0.07717,
                lead_m=0.033,
                harness_m=0.092,
                tee_m=0.103,
            ),
            Side(
                port="RX",
                rods_hz=(466.282e6, 466.282e6),
                notches_hz=(461.5514e6, 461.5486e6),
                coupling=0.06952,
                lead_m=0.033,
                harness_m=0.092,
                tee_m=0.103,
            ),
        ),
    ),
    Design(
        name="lm-uhf-3m",
        title="four-cavity land-mobile UHF duplexer, 3 MHz split",
        recipe="lm-uhf-3m-acceptance",
        frequencies={"transmit": 482.3125e6, "receive": 485.3125e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.09, rod_diameter_m=0.025, conductivity_s_per_m=COPPER, share=0.321),
        loop_h=20e-9,
        coax=PTFE,
        sides=(
            Side(
                port="TX",
                rods_hz=(482.2317e6, 482.2317e6),
                notches_hz=(485.311e6, 485.3135e6),
                coupling=0.05502,
                lead_m=0.032,
                harness_m=0.096,
                tee_m=0.097,
            ),
            Side(
                port="RX",
                rods_hz=(485.2254e6, 485.2254e6),
                notches_hz=(482.3139e6, 482.3111e6),
                coupling=0.05187,
                lead_m=0.032,
                harness_m=0.094,
                tee_m=0.098,
            ),
        ),
    ),
    Design(
        name="two-cavity",
        title="small 70 cm duplexer of two band-pass/band-reject cavities, 5 MHz split",
        recipe="two-cavity-acceptance",
        frequencies={"transmit": 441.2000e6, "receive": 446.2000e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.11, rod_diameter_m=0.03, conductivity_s_per_m=COPPER, share=0.341),
        loop_h=20e-9,
        coax=PTFE,
        sides=(
            Side(
                port="TX",
                rods_hz=(441.1403e6,),
                notches_hz=(446.2e6,),
                coupling=0.10725,
                lead_m=0.04,
                harness_m=0.0,
                tee_m=0.1062,
            ),
            Side(
                port="RX",
                rods_hz=(446.1445e6,),
                notches_hz=(441.2e6,),
                coupling=0.10469,
                lead_m=0.04,
                harness_m=0.0,
                tee_m=0.1074,
            ),
        ),
    ),
    Design(
        name="six-cavity",
        title="six-cavity VHF band-pass/band-reject duplexer, 600 kHz split",
        recipe="six-cavity-acceptance",
        frequencies={"transmit": 147.2400e6, "receive": 147.8400e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.152, rod_diameter_m=0.042, conductivity_s_per_m=COPPER, share=0.403),
        loop_h=60e-9,
        coax=PTFE,
        wrong_cable=0.9,
        wrong_channel=0.5,
        sides=(
            Side(
                port="TX",
                rods_hz=(147.1298e6, 147.1298e6, 147.1298e6),
                notches_hz=(147.839e6, 147.84e6, 147.841e6),
                coupling=0.09314,
                lead_m=0.04,
                harness_m=0.3452,
                tee_m=0.3003,
            ),
            Side(
                port="RX",
                rods_hz=(147.995e6, 147.995e6, 147.995e6),
                notches_hz=(147.239e6, 147.24e6, 147.241e6),
                coupling=0.09933,
                lead_m=0.04,
                harness_m=0.3124,
                tee_m=0.3553,
            ),
        ),
    ),
    Design(
        name="reject-only",
        title="four-cavity reject-only VHF duplexer",
        recipe="reject-only-acceptance",
        ports=("HIGH", "LOW", "ANT"),
        frequencies={"high": 167.2500e6, "low": 162.2500e6},
        kind=Kind.REJECT,
        resonator=Resonator(shell_diameter_m=0.09, rod_diameter_m=0.025, conductivity_s_per_m=COPPER, share=0.315),
        coax=PTFE,
        sides=(
            Side(
                port="HIGH",
                rods_hz=(162.2503e6, 162.2497e6),
                inductance_h=806e-9,
                lead_m=0.04,
                harness_m=0.4194,
                tee_m=0.2934,
            ),
            Side(
                port="LOW",
                rods_hz=(167.2503e6, 167.2497e6),
                inductance_h=759e-9,
                lead_m=0.04,
                harness_m=0.207,
                tee_m=0.3312,
            ),
        ),
    ),
    Design(
        name="pass-only",
        title="four-cavity pass-only UHF duplexer, 10 MHz split",
        recipe="pass-only-acceptance",
        frequencies={"transmit": 457.5500e6, "receive": 467.5500e6},
        kind=Kind.PASS,
        resonator=Resonator(shell_diameter_m=0.127, rod_diameter_m=0.035, conductivity_s_per_m=COPPER, share=0.322),
        loop_h=8e-9,
        coax=PTFE,
        sides=(
            Side(
                port="TX",
                rods_hz=(456.7717e6, 456.7717e6),
                coupling=0.07451,
                lead_m=0.04,
                harness_m=0.2621,
                tee_m=0.0853,
            ),
            Side(
                port="RX",
                rods_hz=(467.1577e6, 467.1577e6),
                coupling=0.06949,
                lead_m=0.04,
                harness_m=0.2242,
                tee_m=0.0774,
            ),
        ),
    ),
    Design(
        name="hybrid-ring",
        title="four-cavity hybrid-ring UHF duplexer with load port, 5 MHz split",
        recipe="hybrid-ring-acceptance",
        ports=("TX", "RX", "ANT", "LOAD"),
        frequencies={"transmit": 461.5500e6, "receive": 466.5500e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.07, rod_diameter_m=0.019, conductivity_s_per_m=ALUMINIUM, share=0.356),
        loop_h=20e-9,
        coax=PTFE,
        sides=(
            Side(
                port="TX",
                rods_hz=(461.5397e6,),
                notches_hz=(466.5493e6,),
                coupling=0.06407,
                lead_m=0.1077,
                harness_m=0.0,
                tee_m=0.108,
            ),
            Side(
                port="RX",
                rods_hz=(466.5323e6,),
                notches_hz=(461.5507e6,),
                coupling=0.0625,
                lead_m=0.1082,
                harness_m=0.0,
                tee_m=0.1069,
            ),
            Side(
                port="TX",
                rods_hz=(466.5229e6,),
                notches_hz=(461.5507e6,),
                coupling=0.06182,
                lead_m=0.108,
                harness_m=0.0,
                tee_m=0.3261,
                end="LOAD",
            ),
            Side(
                port="RX",
                rods_hz=(461.5839e6,),
                notches_hz=(466.5493e6,),
                coupling=0.06387,
                lead_m=0.1075,
                harness_m=0.0,
                tee_m=0.108,
                end="LOAD",
            ),
        ),
    ),
    Design(
        name="single-cavity",
        title="one VHF band-pass/band-reject cavity",
        recipe="single-cavity-acceptance",
        ports=("IN", "OUT"),
        frequencies={"pass": 146.6100e6, "reject": 146.0100e6},
        kind=Kind.BPBR,
        resonator=Resonator(shell_diameter_m=0.152, rod_diameter_m=0.042, conductivity_s_per_m=COPPER, share=0.411),
        loop_h=60e-9,
        coax=PTFE,
        sides=(
            Side(
                port="IN",
                rods_hz=(146.6102e6,),
                notches_hz=(146.0104e6,),
                coupling=0.047,
                lead_m=0.04,
                harness_m=0.0,
                tee_m=0.04,
                end="OUT",
            ),
        ),
    ),
)
