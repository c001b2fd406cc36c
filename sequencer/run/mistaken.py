"""Whether a lead sits on the wrong port: a path that reads like another path, and not as its limits need it; pure.

A lead that was not moved, or moved to the wrong port, gives a perfectly clean trace of another path (trade notes 12).
Two sides of a duplexer never read alike; two branches of a divider may, so being alike is held against a path only
where one of the two is also far beyond its own limits.

One curve under two names is more than being alike: between branches that were built and tuned one by one there is a
difference in shape, which no mating makes. So where a shape repeats within a mating all over the overview, it was
swept twice, and nobody knows under which name it was the right one: neither is decided, whatever their limits, since
the path that was not measured may hold anything. Of curves without a shape (a divider's branches) this is not said:
there nothing tells a repeat from a likeness.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import combinations

import numpy as np

from sequencer.core.history import Role
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Sweep
from sequencer.recipe.model import Quantity, Recipe
from sequencer.run.measured import Measured
from sequencer.run.passivity import Doubt
from sequencer.run.proof import NOISE_PEAK_DB, noise_dbm_of
from sequencer.run.shapes import ALIKE_DB, one_curve
from sequencer.run.visits import Visit
from sequencer.run.windows import OVERVIEW

__all__ = ["exchanged", "mistaken_before", "mistaken_for", "repeated"]

STRONG_DB = 20.0  # compared where the level is this near its highest, so that noise does not tell them apart
FAR_DB = 10.0  # beyond a limit: no device that was meant for this recipe is so far off by being out of tune
_LOSSES = frozenset({Quantity.INSERTION_LOSS, Quantity.REJECTION, Quantity.ISOLATION})


def mistaken_for(
    stay: Visit, earlier: Sequence[Visit], thru: Sweep | None, recipe: Recipe, noise: float | None = None
) -> str:
    """Return why the path in place looks like another one, in words, or ''."""
    now = _overview(stay)
    for other in _twins(stay, earlier):
        if now is not None and thru is not None and _far_off(stay.hookup, now, thru, recipe, noise):
            return f"it reads as {other.hookup.name} did, not as {stay.hookup.name} must: is a lead on the wrong port?"
    return ""


def mistaken_before(
    stay: Visit, earlier: Sequence[Visit], thru: Sweep | None, recipe: Recipe, noise: float | None = None
) -> str:
    """Return which earlier path turns out to have been this one, in words, or ''."""
    for other in _twins(stay, earlier):
        before, name = _overview(other), other.hookup.name
        if before is not None and thru is not None and _far_off(other.hookup, before, thru, recipe, noise):
            return f"{name} read as {stay.hookup.name} does, not as {name} must: a lead was on the wrong port then"
    return ""


def repeated(measured: Measured, only: str = "") -> Iterator[Doubt]:
    """Yield the pairs of paths between other ports whose overviews are one curve; of all, or with ``only`` of them."""
    paths = dict.fromkeys(need.path for need in measured.recipe.requirements if need.path is not None)
    for one, two in combinations(paths, 2):
        names = ("-".join(one), "-".join(two))
        if set(one) == set(two) or only not in ("", *names):
            continue
        a, b = (measured.sweeps.latest(name, OVERVIEW, Role.DEVICE) for name in names)
        if a is not None and b is not None and one_curve(measured, a, b):
            yield Doubt(
                names,
                f"{names[0]} and {names[1]} read as one curve all over the overview, as the same path swept twice "
                "does: was a lead on the wrong port, or not moved?",
            )


def exchanged(stay: Visit, thru: Sweep | None, recipe: Recipe, noise: float | None = None) -> str:
    """Return which other path's limits this path keeps, in words, where it is far beyond its own; else ''.

    Leads on the other side's ports look like that, and so does a device whose sides are changed over: the first is
    asked, the second is then measured as it is.
    """
    now, own = _overview(stay), stay.hookup
    if own.kind is not HookupKind.PATH or now is None or thru is None or not _far_off(own, now, thru, recipe, noise):
        return ""
    for name in dict.fromkeys(need.hookup_name for need in recipe.requirements if need.path is not None):
        other = replace(own, name=name)
        if name != own.name and _has_both(name, recipe) and not _far_off(other, now, thru, recipe, noise):
            return f"it reads as {name} must, not as {own.name} must"
    return ""


def _has_both(name: str, recipe: Recipe) -> bool:
    """A path that must pass here and stop there; nothing else is told from a broken one by its limits."""
    needs = [need for need in recipe.requirements if need.hookup_name == name and need.quantity in _LOSSES]
    return any(need.maximum is not None for need in needs) and any(need.minimum is not None for need in needs)


def _twins(stay: Visit, earlier: Sequence[Visit]) -> list[Visit]:
    """Return the earlier paths between other ports that read like this one."""
    now = _overview(stay)
    if stay.hookup.kind is not HookupKind.PATH or now is None:
        return []
    ends = {stay.hookup.generator, stay.hookup.analyzer}
    found = []
    for other in earlier:
        before = _overview(other)
        apart = other.hookup.kind is HookupKind.PATH and {other.hookup.generator, other.hookup.analyzer} != ends
        if apart and before is not None and _alike(now, before):
            found.append(other)
    return found


def _overview(stay: Visit) -> Sweep | None:
    return next((s.sweep for s in stay.swept if s.key == OVERVIEW and s.sweep.used.generator_dbm is not None), None)


@lru_cache(maxsize=256)  # every decision looks at all earlier stays again
def _alike(a: Sweep, b: Sweep) -> bool:
    if a.trace.freq_hz.shape != b.trace.freq_hz.shape or a.used.generator_dbm != b.used.generator_dbm:
        return False
    highest = np.maximum(a.trace.level_dbm, b.trace.level_dbm)
    strong = highest > float(np.nanmax(highest)) - STRONG_DB
    return float(np.nanmedian(np.abs(a.trace.level_dbm - b.trace.level_dbm)[strong])) < ALIKE_DB


def _far_off(hookup: Hookup, sweep: Sweep, thru: Sweep, recipe: Recipe, noise: float | None) -> bool:
    """Return whether the path misses one of its limits on loss by far, as far as an overview in this noise tells."""
    if thru.trace.freq_hz.shape != sweep.trace.freq_hz.shape:
        return False
    loss_db = thru.trace.level_dbm - sweep.trace.level_dbm
    for need in recipe.requirements:
        if need.hookup_name != hookup.name or need.quantity not in _LOSSES:
            continue
        here_db = float(np.interp(need.at_hz, sweep.trace.freq_hz, loss_db))
        if need.maximum is not None and here_db > need.maximum + FAR_DB:
            return True
        seen = float(np.interp(need.at_hz, sweep.trace.freq_hz, sweep.trace.level_dbm))
        seen_at_all = seen > noise_dbm_of(sweep, noise) + NOISE_PEAK_DB
        # an overview sees no deeper than 60 dB
        if need.minimum is not None and here_db < min(need.minimum, 60.0) - FAR_DB and seen_at_all:
            return True
    return False
