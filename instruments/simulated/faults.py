"""Faults of the trade, done to a healthy design: what each does to the unit, and how it is told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from instruments.simulated.design import Design, Side
from sequencer.core.circuit import LIGHT_M_PER_S

__all__ = ["FAULTS", "Fault"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault: its word on the command line, what it is, what it does; ``comes_and_goes``: only when disturbed."""

    word: str
    title: str
    inflict: Callable[[Design], Design]
    comes_and_goes: bool = False


def _first_side(change: Callable[[Design, Side], Side]) -> Callable[[Design], Design]:
    def inflict(design: Design) -> Design:
        first, *others = design.sides
        return replace(design, sides=(change(design, first), *others))

    return inflict


def _oxidised(_: Design, side: Side) -> Side:
    """Contacts of the first cavity gone green: a quarter of its Q is left."""
    return replace(side, condition=(0.25, *(1.0 for _ in side.rods_hz[1:])))


def _wrong_notch(design: Design, side: Side) -> Side:
    """All trimmers set for a channel that is further out."""
    one, other = design.frequencies.values()
    away = design.wrong_channel * abs(one - other)
    away = -away if side.notches_hz[0] < (one + other) / 2 else away
    return replace(side, notches_hz=tuple(hz + away for hz in side.notches_hz))


def _wrong_harness(design: Design, side: Side) -> Side:
    """A cable too short or too long: the notches no longer add up, nor does the match."""
    quarter_m = design.coax.velocity_factor * LIGHT_M_PER_S / (4.0 * side.rods_hz[0])
    return replace(side, harness_m=side.harness_m + quarter_m * design.wrong_cable)


def _swapped(design: Design) -> Design:
    """The labels of the two sides changed over."""
    one, other = design.sides
    return replace(design, sides=(replace(other, port=one.port), replace(one, port=other.port)))


def _bad_joint(_: Design, side: Side) -> Side:
    """A cracked solder joint in the harness, seen while it is open."""
    return replace(side, joint_ohm=15.0)


FAULTS: tuple[Fault, ...] = (
    Fault(word="oxidised", title="oxidised contacts in one cavity", inflict=_first_side(_oxidised)),
    Fault(word="wrong-notch", title="notches of one side set for another channel", inflict=_first_side(_wrong_notch)),
    Fault(word="swapped-legs", title="the two sides changed over", inflict=_swapped),
    Fault(word="wrong-harness", title="wrong cable between two cavities", inflict=_first_side(_wrong_harness)),
    Fault(
        word="intermittent",
        title="a joint in the harness that lets go when disturbed",
        inflict=_first_side(_bad_joint),
        comes_and_goes=True,
    ),
)
