"""Simulated devices by name: healthy ones for every starter recipe, and units with a fault of the trade."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from instruments.simulated.designs import DESIGNS, Coax, Design, Kind, Side
from sequencer.core.circuit import BpBrCavity, Circuit, Element, Joint, Leg, Line, PassCavity, RejectCavity
from sequencer.errors import UsageError

__all__ = ["Device", "build", "for_recipe", "names"]


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
    return Leg(side.port, design.common, tuple(elements))


def _circuit(design: Design) -> Circuit:
    ports = (*(side.port for side in design.sides), design.common)
    return Circuit(ports, tuple(_leg(design, side) for side in design.sides))


def names() -> list[str]:
    """Every device by its full name."""
    return [design.name for design in DESIGNS]


def build(name: str) -> Device:
    """Build a device by name."""
    for design in DESIGNS:
        if design.name == name:
            circuit = _circuit(design)
            return Device(
                name=name,
                title=design.title,
                ports=circuit.ports,
                frequencies=design.frequencies,
                circuit=circuit,
                recipe=design.recipe,
            )
    msg = f"there is no simulated device {name!r}"
    raise UsageError(msg, name=name)


def for_recipe(recipe_name: str) -> str:
    """Name of the healthy device a starter recipe is written for."""
    for design in DESIGNS:
        if design.recipe == recipe_name:
            return design.name
    msg = f"no simulated device belongs to the recipe {recipe_name!r}"
    raise UsageError(msg, recipe=recipe_name)
