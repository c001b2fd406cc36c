"""From one hookup to the next: the fewest moves, in an order that hands can follow, and the cautions then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.model import Bench
from sequencer.run.fittings import ANALYZER_LEAD, GENERATOR_LEAD, lead_end, loads, standard, thru_adapter

__all__ = ["EVERY_CAUTION", "cautions", "instruction"]

BRIDGE = "bridge"
SOURCE, DETECTOR, TEST_PORT = "the bridge's source port", "the bridge's detector port", "the bridge's test port"
STANDARDS = ("open", "short", "load")
ENDS = {GENERATOR_LEAD: "the generator lead", ANALYZER_LEAD: "the analyzer lead"}


@dataclass(frozen=True, slots=True)
class _Joint:
    """``item`` (a lead, the bridge's test port, a load or standard by its name) is screwed to ``place``."""

    item: str
    place: str

    @property
    def ends(self) -> set[str]:
        """The places it takes up. A lead or the bridge is itself a place something else could sit on."""
        own = {GENERATOR_LEAD: GENERATOR_LEAD, ANALYZER_LEAD: ANALYZER_LEAD, BRIDGE: TEST_PORT}
        return {self.place, own[self.item]} if self.item in own else {self.place}


def instruction(hookup: Hookup, previous: Hookup | None, ports: Sequence[str], bench: Bench | None) -> list[str]:
    """Say the fewest moves from the previous hookup to this one; what may stay where it is stays.

    ``previous`` None: the leads lie free. A load that neither helps nor harms (a thru after a path) stays on
    the device.
    """
    now = [] if previous is None else _joints(previous, bench)
    after = _joints(hookup, bench)
    stays = [joint for joint in now if joint in after]
    coming = _without(after, stays)
    going = _without(now, stays)
    moves: list[tuple[_Joint | None, _Joint]] = []
    for joint in coming:
        was = next((old for old in going if old.item == joint.item), None)
        if was is not None:
            going.remove(was)
        moves.append((was, joint))
    said = _prepare(bench) if previous is None else []
    said += _take_off(going, moves, now, idle=() if _uses_device(hookup) else ports)
    return (said + _carry_out(moves, now, previous, bench)) or ["Leave everything as it is."]


def _joints(hookup: Hookup, bench: Bench | None) -> list[_Joint]:
    found: list[_Joint] = []
    if hookup.kind is HookupKind.THRU:
        found.append(_Joint(GENERATOR_LEAD, ANALYZER_LEAD))
    elif hookup.kind is HookupKind.PATH:
        found += [_Joint(GENERATOR_LEAD, hookup.generator or ""), _Joint(ANALYZER_LEAD, hookup.analyzer or "")]
    elif hookup.kind is HookupKind.STANDARD:
        ends = (f"one end of the standard {hookup.standard}", f"the other end of the standard {hookup.standard}")
        found += [_Joint(GENERATOR_LEAD, ends[0]), _Joint(ANALYZER_LEAD, ends[1])]
    elif hookup.kind is HookupKind.REFLECT:
        found += [_Joint(GENERATOR_LEAD, SOURCE), _Joint(ANALYZER_LEAD, DETECTOR)]
        if hookup.test_port in STANDARDS:
            found.append(_Joint(standard(hookup, bench), TEST_PORT))
        else:
            found.append(_Joint(BRIDGE, hookup.test_port or ""))
    return found + [_Joint(name, where) for where, name in loads(hookup, bench).items()]


def _without(joints: Sequence[_Joint], taken: Sequence[_Joint]) -> list[_Joint]:
    left = list(joints)
    for joint in taken:
        left.remove(joint)
    return left


def _uses_device(hookup: Hookup) -> bool:
    return hookup.kind is HookupKind.PATH or (hookup.kind is HookupKind.REFLECT and hookup.test_port not in STANDARDS)


def _take_off(
    going: list[_Joint], moves: list[tuple[_Joint | None, _Joint]], now: list[_Joint], idle: Sequence[str]
) -> list[str]:
    """What leaves for good, first; a part that another takes the place of is said in one line."""
    said = []
    for joint in going:
        if joint.place in idle and joint.item not in (*ENDS, BRIDGE):
            continue
        now.remove(joint)
        heir = next((new for was, new in moves if was is None and new.place == joint.place == TEST_PORT), None)
        if heir is not None:
            moves.remove((None, heir))
            now.append(heir)
            said.append(f"On {TEST_PORT}, put the {heir.item} in place of the {joint.item}.")
        elif joint.item == GENERATOR_LEAD and joint.place == ANALYZER_LEAD:
            said.append("Part the two leads.")
        else:
            said.append(f"Take {_the(joint.item)} off {_place(joint.place)}.")
    return said


def _carry_out(
    moves: list[tuple[_Joint | None, _Joint]], now: list[_Joint], previous: Hookup | None, bench: Bench | None
) -> list[str]:
    """Order the moves so that each finds its place free; a ring of moves is opened at a load."""
    said = []
    while moves:
        ready = [(was, new) for was, new in moves if not _blocked(was, new, now)]
        if not ready:
            was, new = next(pair for pair in reversed(moves) if pair[0] is not None)
            assert was is not None  # a ring has only parts that stand somewhere
            moves[moves.index((was, new))] = (None, new)
            now.remove(was)
            said.append(f"Take {_the(was.item)} off {_place(was.place)}.")
            continue
        was, new = ready[0]
        moves.remove((was, new))
        if was is not None:
            now.remove(was)
        now.append(new)
        said.append(_say(was, new, unsure=previous is not None and not _uses_device(previous), bench=bench))
    return said


def _blocked(was: _Joint | None, new: _Joint, now: Sequence[_Joint]) -> bool:
    return any(new.ends & joint.ends for joint in now if joint is not was)


def _say(was: _Joint | None, new: _Joint, *, unsure: bool, bench: Bench | None) -> str:
    if new.item == GENERATOR_LEAD and new.place == ANALYZER_LEAD:
        adapter = thru_adapter(bench)
        by = f" with the {adapter}" if adapter else ""
        return (
            f"Take the generator lead off {_place(was.place)} and join it to the analyzer lead{by}."
            if was
            else (f"Join the generator lead to the analyzer lead{by}.")
        )
    if was is not None:
        return f"Move {_the(new.item)} from {_place(was.place)} to {_place(new.place)}."
    if new.item in ENDS or new.item == BRIDGE:
        return f"Connect {_the(new.item)} to {_place(new.place)}."
    if unsure and new.place not in (*ENDS, TEST_PORT):
        return f"See that the {new.item} is on {new.place}."  # it may still be there from before
    return f"Put the {new.item} on {_place(new.place)}."


def _the(item: str) -> str:
    return ENDS.get(item, TEST_PORT if item == BRIDGE else f"the {item}")


def _place(place: str) -> str:
    return ENDS.get(place, place)


def _prepare(bench: Bench | None) -> list[str]:
    """Say what is fitted once and stays for the whole run."""
    said = []
    for lead, instrument in ((GENERATOR_LEAD, "generator output"), (ANALYZER_LEAD, "analyzer input")):
        cord, *pads = lead_end(lead, bench)
        name = ENDS[lead] if cord == lead else f"{cord} (from here on {ENDS[lead]})"
        pad = f" and the {pads[0]} to its far end" if pads else ""
        said.append(f"Fit {name} to the {instrument}{pad}; {'both stay' if pads else 'it stays'} for the whole run.")
    return said


# ---- cautions --------------------------------------------------------------------------------------

LOCKED_OUT = "Transmitter disconnected from the device, locked out and tagged: one key-up destroys the bench."
STILL_LOCKED_OUT = "Transmitter still locked out; transmitter and antenna line stay off the device."
NO_DC = "No DC on any port: bias tees, arrestors and mast amplifiers carry volts. Check with a meter first."
DISCHARGE = "Discharge each lead before mating it (a long coax stores charge): short its centre pin to its shell."
COVERS = "Covers on, cavities and their rods secured, before any transmitter is ever connected again."
PREVAIL = "Local codes and licensed practice come first; this list does not replace them."
FOREIGN = "On a shared site other transmitters reach an antenna line: keep it off the device."

EVERY_CAUTION = (
    LOCKED_OUT,
    FOREIGN,
    NO_DC,
    DISCHARGE,
    COVERS,
    "Cavity sets weigh 10 to 30 kg: lift with two people, and set them down where they cannot fall.",
    "Only a licensed person transmits, on licensed channels, and first into a dummy load.",
    PREVAIL,
)


def cautions(hookup: Hookup, previous: Hookup | None, bench: Bench | None, first: bool) -> tuple[str, ...]:
    """Return the cautions that matter at this moment, most dangerous first; not the whole list every time.

    The first hookup of a run has most of them; the first that touches the device after one that did not has
    those about the device; between two that touch it a reminder is enough.
    """
    uses = _uses_device(hookup)
    used = previous is not None and _uses_device(previous)
    if first:
        device = (FOREIGN, NO_DC) if uses else ()
        return (LOCKED_OUT, *device, _highest_level(bench), DISCHARGE, PREVAIL)
    if uses and not used:
        return (LOCKED_OUT, FOREIGN, NO_DC, DISCHARGE)
    if uses:
        return (STILL_LOCKED_OUT,)
    return (DISCHARGE,) if used else ()


def _highest_level(bench: Bench | None) -> str:
    if bench is not None and bench.analyzer.maximum_input_dbm is not None:
        return f"Highest level into the analyzer: {bench.analyzer.maximum_input_dbm:+g} dBm (bench file)."
    return (
        "Highest level into the analyzer: read the label at its input; inputs are commonly destroyed above about "
        "+20 to +30 dBm."
    )
