"""From one hookup to the next: the fewest moves, in an order that hands can follow, and the cautions then."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.model import Bench
from sequencer.run.fittings import ANALYZER_LEAD, GENERATOR_LEAD, lead_end, load_name, standard, thru_adapter
from sequencer.run.joints import (
    BRIDGE_DETECTOR,
    BRIDGE_SOURCE,
    BRIDGE_TEST,
    FREE,
    LOAD,
    MATRIX,
    Joint,
    Joints,
    adapter_end,
    carried,
    on_matrix,
    re_opened,
    required,
    standard_end,
)

__all__ = ["EVERY_CAUTION", "CLEAR", "Told", "cautions", "instruction"]

STANDARDS = ("open", "short", LOAD)
ENDS = {GENERATOR_LEAD: "the generator lead", ANALYZER_LEAD: "the analyzer lead"}
CLEAR = "Take off whatever is still on the device's ports, on the leads' far ends and on the bridge."
OFF_MATRIX = "Take both leads off the switch matrix, and the matrix off the device."
ON_MATRIX = "Take all else off the leads and the device, and put the matrix back on the device and both leads on it."


Told = tuple[list[str], Joints]


def instruction(
    hookup: Hookup,
    now: Joints | None,
    ports: Sequence[str],
    bench: Bench | None,
    *,
    matrix: bool,
    resumed: bool = False,
) -> Told:
    """Say the fewest moves that make a hookup of what stands on the bench, and return what stands then.

    What is in nobody's way stays where it is, a load on an idle device too.

    Parameters
    ----------
    now : the joints as they stand; None: nothing was told yet, and the leads lie free (``matrix``: all is on it).
    matrix : whether the switch matrix makes the hookup.
    resumed : whether the run stopped before, so that nobody knows what stands.
    """
    needed = on_matrix(ports) if matrix else required(hookup, bench)
    said: list[str] = []
    if now is None:
        said = _prepare(bench)
        now = frozenset(needed) if matrix else FREE
        said += [CLEAR] if resumed and not matrix else []
    after = carried(now, needed)
    if matrix:
        return said + ([] if now == after else [ON_MATRIX]) or ["Leave everything as it is."], after
    if any(joint.place.startswith(MATRIX) for joint in now):
        said.append(OFF_MATRIX)
        now = frozenset(joint for joint in now if not joint.place.startswith(MATRIX))
    again = re_opened(hookup, now, bench)
    if again is not None:
        return [*said, _Tongue(hookup, bench).again(again)], after
    said += _Tongue(hookup, bench).moves(now, after, [joint for joint in needed if joint not in now])
    return said or ["Leave everything as it is."], after


class _Tongue:
    """Puts joints into words for one hookup on one bench."""

    def __init__(self, hookup: Hookup, bench: Bench | None) -> None:
        self.hookup, self.bench = hookup, bench

    def moves(self, now: Joints, after: Joints, coming: Sequence[Joint]) -> list[str]:
        """Say what leaves for good, then all that comes, each when its place is free."""
        standing = set(now)
        movers = {joint.item for joint in coming}
        was = {joint.item: joint for joint in now - after if joint.item in movers}
        left = list(coming)
        said = []
        for joint in sorted(now - after - set(was.values())):
            standing.remove(joint)
            heir = next((new for new in left if new.item not in was and new.place == joint.place == BRIDGE_TEST), None)
            if heir is None:
                said.append(self._off(joint))
                continue
            left.remove(heir)
            standing.add(heir)
            said.append(f"On {self.place(joint.place)}, put {self.item(heir)} in place of {self.item(joint)}.")
        while left:
            new = next((each for each in left if self._ready(each, was.get(each.item), standing)), None)
            if new is None:  # a ring of moves: it is opened at a load, if there is one
                held = was.pop(next(each.item for each in reversed(left) if each.item in was))
                standing.remove(held)
                said.append(self._off(held))
                continue
            left.remove(new)
            old = was.pop(new.item, None)
            standing -= {old}
            standing.add(new)
            said.append(self._on(old, new))
        return said

    def again(self, joint: Joint) -> str:
        """Say how a joint that stands is made anew."""
        if joint == Joint(GENERATOR_LEAD, ANALYZER_LEAD):
            apart, together = "Part the two leads", "join them again"
        else:
            apart, together = f"Take {self.item(joint)} off {self.place(joint.place)}", "put it back"
        return f"{apart}, turn one end by about a third of a turn against the other, and {together} to the same torque."

    @staticmethod
    def _ready(new: Joint, old: Joint | None, standing: set[Joint]) -> bool:
        return not any(new.ends & joint.ends for joint in standing if joint != old)

    def _off(self, joint: Joint) -> str:
        if joint == Joint(GENERATOR_LEAD, ANALYZER_LEAD):
            return "Part the two leads."
        return f"Take {self.item(joint)} off {self.place(joint.place)}."

    def _on(self, old: Joint | None, new: Joint) -> str:
        if new == Joint(GENERATOR_LEAD, ANALYZER_LEAD):
            if old is None:
                return "Join the generator lead to the analyzer lead."
            return f"Take the generator lead off {self.place(old.place)} and join it to the analyzer lead."
        if old is not None:
            return f"Move {self.item(new)} from {self.place(old.place)} to {self.place(new.place)}."
        verb = "Connect {} to {}." if new.item in (*ENDS, BRIDGE_TEST) else "Put {} on {}."
        return verb.format(self.item(new), self.place(new.place))

    def item(self, joint: Joint) -> str:
        """Name what is put somewhere."""
        if joint.load:
            return f"the {load_name(joint.load, self.bench)}"
        if joint.item in ("open", "short"):
            end = Hookup(name="", kind=HookupKind.REFLECT, test_port=joint.item)
            return f"the {standard(end, self.bench)}"
        return self.place(joint.item)

    def place(self, place: str) -> str:
        """Name where something is put."""
        return PLACES.get(place) or ENDS.get(place) or self._two_ended(place) or place

    def _two_ended(self, place: str) -> str:
        for number, end in ((1, "one end"), (2, "the other end")):
            if place == adapter_end(number):
                return f"{end} of the {thru_adapter(self.bench)}"
            if place.startswith(standard_end(number, "")):
                return f"{end} of the standard {place.removeprefix(standard_end(number, ''))}"
        return ""


PLACES = {
    BRIDGE_SOURCE: "the bridge's source port",
    BRIDGE_DETECTOR: "the bridge's detector port",
    BRIDGE_TEST: "the bridge's test port",
}


def _uses_device(hookup: Hookup) -> bool:
    return hookup.kind is HookupKind.PATH or (hookup.kind is HookupKind.REFLECT and hookup.test_port not in STANDARDS)


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
