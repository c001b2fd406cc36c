"""What forbids a run before anything is touched: frequencies out of reach, hookups no switch makes; pure."""

from __future__ import annotations

from sequencer.core.capability import Capabilities
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.matrix import uncommanded
from sequencer.run.plan import Known, make_plan
from sequencer.units import show_hz

__all__ = ["beyond_reach", "unmade"]


def beyond_reach(recipe: Recipe, bench: Bench, caps: Capabilities) -> str:
    """Return in words what the plan sweeps beyond the analyzer's range; else ''."""
    stations = make_plan(recipe, bench, caps, Known()).stations
    swept = [hz for s in stations for p in s.sweeps for hz in (p.settings.start_hz, p.settings.stop_hz)]
    wanted = (*recipe.overview_hz, *recipe.frequencies.values(), *swept)
    least_hz, most_hz = caps.frequency_hz
    if least_hz <= min(wanted) and max(wanted) <= most_hz:
        return ""
    return (
        f"the recipe is measured from {show_hz(min(wanted))} to {show_hz(max(wanted))}, and this analyzer reaches from "
        f"{show_hz(least_hz)} to {show_hz(most_hz)}; it takes another analyzer, or another recipe"
    )


def unmade(recipe: Recipe, bench: Bench, caps: Capabilities) -> str:
    """Return in words what the bench file's switch has no command for and hands cannot make in its place; else ''.

    Paths are made by hand past it; thru and floor are what they are measured against, and the bridge has its own.
    """
    if bench.switch is None:
        return ""
    plan = make_plan(recipe, bench, caps, Known())
    names, by_hand = dict.fromkeys(s.hookup.name for s in plan.stations), uncommanded(plan, bench)
    lacking = [name for name in names if name not in bench.switch.hookups and name not in by_hand]
    if not lacking:
        return ""
    return (
        f"the switch has no command for {len(lacking)} of the plan's {len(names)} hookups: {', '.join(lacking)}; add "
        "them under 'switch.hookups' of the bench file, or take 'switch' out of it and make every hookup by hand"
    )
