"""What speaks against the hookups of a run, all their sweeps seen together, and which results rest on them; pure.

The policy asks once on the spot; what comes back, or shows only at the end, is kept and said, and nothing that rests
on it is decided, neither for the device nor against it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from sequencer.core.history import Entry, Role, SavedTrace
from sequencer.core.hookup import HookupKind
from sequencer.core.record import Result, Statement
from sequencer.core.uncertainty import BLOCK
from sequencer.recipe.model import Bench, Recipe, Requirement
from sequencer.run.connected import unconnected
from sequencer.run.measured import Measured
from sequencer.run.mistaken import repeated
from sequencer.run.overlap import Gap, gap, gap_text, parted
from sequencer.run.passivity import Doubt, unphysical
from sequencer.run.saved import saved_in
from sequencer.run.stepped import stepped
from sequencer.run.visits import Visit, foretold, sweeps_of
from sequencer.run.windows import OVERVIEW

__all__ = ["came_back", "contradicted", "distrusting", "suspected", "suspicion", "suspicions", "unproven"]

_GAIN = "reads more than no loss, its whole interval: a passive device has no gain, so its reference is wrong; look at "


def suspicions(measured: Measured, saved: Sequence[SavedTrace] = ()) -> tuple[Doubt, ...]:
    """Return what speaks against hookups, each with the hookups that it falls on; ``saved``: where read from files."""
    apart = parted(measured, saved)
    return (*unphysical(measured), *unconnected(measured), *stepped(measured), *apart, *repeated(measured))


def distrusting(
    recipe: Recipe, bench: Bench, history: Sequence[Entry], block: int = BLOCK, before: Sequence[Recipe] = ()
) -> tuple[Measured, tuple[Doubt, ...]]:
    """Return what was measured, doubtful hookups kept out of the intervals of others, and the doubts.

    A recipe that asks for less sees less of what the sweeps say against a hookup: those before it are asked too.
    """
    measured = Measured(recipe, bench, sweeps_of(history), block)
    doubts: tuple[Doubt, ...] = ()
    if not foretold(history):
        others = [Measured(other, bench, measured.sweeps, block) for other in before]
        found = [doubt for each in (measured, *others) for doubt in suspicions(each, saved_in(history))]
        doubts = tuple({(doubt.text, tuple(doubt.names)): doubt for doubt in found}.values())
    if not doubts:
        return measured, doubts
    names = frozenset(name for doubt in doubts for name in doubt.names)
    return Measured(recipe, bench, measured.sweeps, block, names), doubts


def suspected(result: Result, requirement: Requirement, doubts: Sequence[Doubt]) -> Result:
    """Decide nothing on a hookup that is in doubt, or on an interval that no passive device has."""
    notes = [doubt.text for doubt in doubts if requirement.hookup_name in doubt.names]
    high = result.interval[1]
    if requirement.quantity.unit == "dB" and high is not None and high < 0.0:
        look = "open, short and bridge" if requirement.port else "the thru"
        notes.append(f"{requirement.id} {_GAIN}{look}, and at the losses that the bench file states for the switch")
    if result.statement is Statement.FAIL and result.value is not None and _within(result):
        ends = set(requirement.path or (requirement.port,))
        names = dict.fromkeys(name for doubt in doubts for name in doubt.names)
        near = [name for name in names if ends & set(name.removeprefix("reflect-").split("-"))]
        if near:  # the value conforms, and its interval is only so wide because these cannot be used
            notes.append(f"{' and '.join(near)} cannot be used, so the interval is wider than it need be")
    if not notes:
        return result
    return replace(result, statement=Statement.UNDECIDED, notes=(*result.notes, *notes))


def _within(result: Result) -> bool:
    value, limit = result.value or 0.0, result.limit
    return (limit.min is None or value >= limit.min) and (limit.max is None or value <= limit.max)


def suspicion(stay: Visit, recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> str:
    """Return what the overview just taken of a device hookup says against it, in words, or ''."""
    latest = stay.swept[-1] if stay.swept else None
    if (
        latest is None
        or foretold(history)
        or latest.key != OVERVIEW
        or latest.role not in (Role.DEVICE, Role.REFLECTION)
    ):
        return ""
    measured, name = Measured(recipe, bench, sweeps_of(history)), stay.hookup.name
    return _against(stay, [*unphysical(measured, name), *repeated(measured, name)])


def unproven(stay: Visit, recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> str:
    """Return how a path, all its sweeps taken, shows that its leads were off or a joint loose, in words, or ''."""
    if stay.hookup.kind is not HookupKind.PATH:
        return ""
    measured, name = Measured(recipe, bench, sweeps_of(history)), stay.hookup.name
    return _against(stay, [*unconnected(measured, name), *stepped(measured, name)])


def contradicted(stay: Visit, recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> tuple[str, float]:
    """Return how a device hookup's zooms contradict its own overview, in words, and by how many dB; ('', 0) if not."""
    if stay.hookup.kind is not HookupKind.PATH and stay.hookup.test_port not in recipe.ports:
        return "", 0.0
    found: Gap | None = gap(Measured(recipe, bench, sweeps_of(history)), stay.hookup.name)
    return ("", 0.0) if found is None else (gap_text(stay.hookup.name, found), found.size_db)


def came_back(stay: Visit, doubt: str) -> str:
    """Return what is said of a doubt that connecting once more did not remove; '' where there is none."""
    if not doubt:
        return ""
    return f"{stay.hookup.name}: connected once more, and the doubt came back; nothing that rests on it is decided"


def _against(stay: Visit, doubts: Iterable[Doubt]) -> str:
    return next((doubt.text for doubt in doubts if stay.hookup.name in doubt.hookups), "")
