"""Simulated devices by name: healthy ones for every starter recipe, and units with a fault of the trade."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from instruments.simulated.design import Coax, Design, Kind, Side
from instruments.simulated.designs import DESIGNS
from instruments.simulated.faults import FAULTS, Fault
from sequencer.core.circuit import BpBrCavity, Circuit, Element, Joint, Leg, Line, PassCavity, RejectCavity
from sequencer.errors import UsageError

__all__ = ["DEFAULT", "Device", "build", "for_recipe", "names", "resolve"]

DEFAULT = "vhf-600k"
_INCH_M = 0.0254


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device on the simulated bench. ``circuit_disturbed`` is the same unit while a bad joint lets go."""

    name: str
    title: str
    ports: tuple[str, ...]
    frequencies: Mapping[str, float]
    circuit: Circuit
    recipe: str
    healthy: bool = True
    fault: str = ""
    circuit_disturbed: Circuit | None = None


def _line(coax: Coax, length_m: float) -> Line:
    return Line(
        length_m=length_m,
        velocity_factor=coax.velocity_factor,
        loss_db_per_m=coax.loss_db_per_m,
        loss_at_hz=100e6,
    )


def _cavity(design: Design, side: Side, number: int) -> Element:
    rod_hz = side.rods_hz[number]
    condition = side.condition[number] if side.condition else 1.0
    unloaded_q = condition * design.resonator.unloaded_q(rod_hz)
    if design.kind is Kind.REJECT:
        return RejectCavity(resonance_hz=rod_hz, unloaded_q=unloaded_q, inductance_h=side.inductance_h)
    if design.kind is Kind.PASS:
        return PassCavity(resonance_hz=rod_hz, unloaded_q=unloaded_q, coupling=side.coupling, loop_h=design.loop_h)
    return BpBrCavity.with_notch_at(
        side.notches_hz[number],
        resonance_hz=rod_hz,
        unloaded_q=unloaded_q,
        coupling=side.coupling,
        loop_h=design.loop_h,
    )


def _leg(design: Design, side: Side) -> Leg:
    elements: list[Element] = [_line(design.coax, side.lead_m)]
    for number in range(len(side.rods_hz)):
        if number:
            if side.joint_ohm:
                elements.append(Joint(resistance_ohm=side.joint_ohm))
            elements.append(_line(design.coax, side.harness_m))
        elements.append(_cavity(design, side, number))
    elements.append(_line(design.coax, side.tee_m))
    return Leg(side.port, side.end, tuple(elements))


def _circuit(design: Design) -> Circuit:
    return Circuit(design.ports, tuple(_leg(design, side) for side in design.sides))


def _takes_faults(design: Design) -> bool:
    """Two sides of several band-pass/band-reject cavities: there is a harness, a trimmer and a leg to swap."""
    return design.kind is Kind.BPBR and len(design.sides) == 2 and len(design.sides[0].rods_hz) > 1


def _split(name: str) -> tuple[Design, Fault | None] | None:
    for design in DESIGNS:
        if name == design.name:
            return design, None
        for fault in FAULTS:
            if name == f"{design.name}-{fault.word}" and _takes_faults(design):
                return design, fault
    return None


def names() -> list[str]:
    """Every device by its full name: the healthy ones, then the faulty ones."""
    faulty = [f"{design.name}-{fault.word}" for design in DESIGNS if _takes_faults(design) for fault in FAULTS]
    return [design.name for design in DESIGNS] + faulty


def for_recipe(recipe_name: str) -> str:
    """Name of the healthy device that a starter recipe is written for; the 2 m unit for any other recipe."""
    for design in DESIGNS:
        if recipe_name.rpartition("-")[0] == design.name:
            return design.name
    return DEFAULT


def resolve(word: str, recipe_name: str = "") -> str:
    """Return the full device name that a word on the command line means.

    Nothing means the device the recipe is written for; a fault's word means that device with the fault.

    Raises
    ------
    UsageError
        When there is no such device; the message lists what there is.
    """
    family = for_recipe(recipe_name)
    if not word:
        return family
    full = f"{family}-{word}" if word in {fault.word for fault in FAULTS} else word
    if _split(full) is None:
        healthy, faults = ", ".join(design.name for design in DESIGNS), ", ".join(fault.word for fault in FAULTS)
        if full != word:
            msg = f"the simulated {family} has no variant {word!r}: only two-sided band-pass/band-reject units have"
        else:
            msg = f"there is no simulated device {word!r}; there are: {healthy}; and with a fault: {faults}"
        raise UsageError(msg, device=word, recipe=recipe_name)
    return full


def build(
    name: str,
    *,
    harness_m: float | None = None,
    harness_in: float | None = None,
    shift_hz: float = 0.0,
    q_times: float = 1.0,
) -> Device:
    """Build a device by its full name, or by a fault's word for the 2 m unit.

    ``shift_hz`` moves both channels: its owner has tuned every rod and trimmer that far.

    ``q_times`` multiplies the unloaded Q of every cavity: a device that rings longer than any planner expects.

    ``harness_m`` (or ``harness_in``, inches) cuts the cables between the cavities of both sides to that length.

    Raises
    ------
    UsageError
        When there is no such device, or the length cannot be meant.
    """
    full = resolve(name)
    found = _split(full)
    assert found is not None  # resolve() has seen to it
    design, fault = found
    if harness_in is not None:
        if harness_m is not None:
            msg = "give the harness length once: harness_m or harness_in"
            raise UsageError(msg)
        harness_m = harness_in * _INCH_M
    if harness_m is not None:
        design = _with_harness(design, harness_m)
    if q_times != 1.0:
        design = _with_q(design, q_times)
    if shift_hz:
        design = _tuned(design, shift_hz)
    ill = fault.inflict(design) if fault else design
    lets_go = fault is not None and fault.comes_and_goes
    circuit = _circuit(design if lets_go else ill)
    return Device(
        name=full,
        title=f"{design.title}, {fault.title}" if fault else design.title,
        ports=design.ports,
        frequencies=design.frequencies,
        circuit=circuit,
        recipe=design.recipe,
        healthy=fault is None,
        fault=fault.word if fault else "",
        circuit_disturbed=_circuit(ill) if lets_go else None,
    )


def _tuned(design: Design, shift_hz: float) -> Design:
    sides = tuple(
        replace(
            side,
            rods_hz=tuple(hz + shift_hz for hz in side.rods_hz),
            notches_hz=tuple(hz + shift_hz for hz in side.notches_hz),
        )
        for side in design.sides
    )
    channels = {name: hz + shift_hz for name, hz in design.frequencies.items()}
    return replace(design, sides=sides, frequencies=channels)


def _with_q(design: Design, times: float) -> Design:
    if not (math.isfinite(times) and 0.01 <= times <= 100.0):
        msg = f"Q times {times:g}: it must lie between 0.01 and 100"
        raise UsageError(msg, q_times=times)

    def better(side: Side) -> Side:
        now = side.condition or tuple(1.0 for _ in side.rods_hz)
        return replace(side, condition=tuple(times * each for each in now))

    return replace(design, sides=tuple(better(side) for side in design.sides))


def _with_harness(design: Design, harness_m: float) -> Design:
    if not _takes_faults(design):
        msg = f"the simulated {design.name} takes no harness length: it is not a two-sided band-pass/band-reject unit"
        raise UsageError(msg, device=design.name)
    if not (math.isfinite(harness_m) and 0.0 < harness_m <= 20.0):
        msg = f"harness length {harness_m:g} m: it must be more than 0 and at most 20 m"
        raise UsageError(msg, harness_m=harness_m)
    return replace(design, sides=tuple(replace(side, harness_m=harness_m) for side in design.sides))
