"""Which lead, pad, adapter and load of the kit stands at which joint of a hookup.

The kit's order decides: the first lead listed is the generator's, the second the analyzer's; loads are numbered
in the order listed, and the hookup says which it uses. What the kit does not list gets a plain name, so nothing here
ever fails.
"""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.connectors import family
from sequencer.recipe.model import Bench, KitItem, Pad

__all__ = [
    "ANALYZER_LEAD",
    "GENERATOR_LEAD",
    "chain",
    "lead_end",
    "lead_family",
    "load_name",
    "load_numbers",
    "loads",
    "loads_listed",
    "standard",
    "standard_load",
    "thru_adapter",
]

GENERATOR_LEAD = "generator lead"
ANALYZER_LEAD = "analyzer lead"


def chain(hookup: Hookup, bench: Bench | None) -> tuple[str, ...]:
    """Return what a signal meets from generator to analyzer; it passes the bridge twice.

    The floor is two dead ends; they stand one after the other. A switch matrix stands behind either lead, except
    where a hookup is made by hand.
    """
    matrix = ("switch matrix",) if bench is not None and bench.switch is not None and not hookup.by_hand else ()
    out = ("generator", *lead_end(GENERATOR_LEAD, bench), *matrix)
    back = (*matrix, *reversed(lead_end(ANALYZER_LEAD, bench)), "analyzer")
    if hookup.kind is HookupKind.THRU:
        adapter = thru_adapter(bench)
        return (*out, *((adapter,) if adapter else ()), *back)
    if hookup.kind is HookupKind.FLOOR:
        ends = loads(hookup, bench)
        return (*out, ends.get(GENERATOR_LEAD, "50 ohm load"), ends.get(ANALYZER_LEAD, "50 ohm load"), *back)
    if hookup.kind is HookupKind.STANDARD:
        return (*out, f"standard {hookup.standard}", *back)
    if hookup.kind is HookupKind.REFLECT:
        bridge = _named("bridge", bench.bridge.id if bench is not None and bench.bridge is not None else "")
        return (*out, bridge, standard(hookup, bench), bridge, *back)
    return (*out, f"device {hookup.generator}", f"device {hookup.analyzer}", *back)


def lead_end(lead: str, bench: Bench | None) -> tuple[str, ...]:
    """Return the lead and the pad that stays on its far end, from the instrument outward."""
    first = lead == GENERATOR_LEAD
    leads = _items(bench, "lead")
    item = leads[0 if first else 1] if len(leads) > (0 if first else 1) else None
    pad = None if bench is None else bench.generator_pad if first else bench.analyzer_pad
    names = [f"lead {item.id}" if item is not None else lead]
    if pad is not None:
        names.append(_named(f"{pad.loss_db:g} dB pad", pad.id))
    return tuple(names)


def loads(hookup: Hookup, bench: Bench | None) -> Mapping[str, str]:
    """Return joint -> the 50 ohm load on it."""
    numbers = load_numbers(hookup)
    return {where: load_name(number, bench) for where, number in zip(hookup.loads, numbers, strict=True)}


def load_numbers(hookup: Hookup) -> tuple[int, ...]:
    """Return which load each joint of ``hookup.loads`` carries, by number from 1; where it does not say, in order."""
    return hookup.load_numbers or tuple(range(1, len(hookup.loads) + 1))


def load_name(number: int, bench: Bench | None) -> str:
    """Return the name of a load by its number; one that the kit does not list is any load."""
    have = _items(bench, "load")
    return _named("50 ohm load", have[number - 1].id if number <= len(have) else "")


def loads_listed(bench: Bench | None) -> int:
    """Return how many loads the kit lists."""
    return len(_items(bench, "load"))


def standard_load(bench: Bench | None) -> int:
    """Return the number of the best load, the one that is hung on the bridge's test port."""
    have = _items(bench, "load")
    best = min(have, key=lambda item: item.vswr.worst if item.vswr else float("inf"), default=None)
    return 1 if best is None else have.index(best) + 1


def standard(hookup: Hookup, bench: Bench | None) -> str:
    """Return what hangs on the bridge's test port: 'open ...', 'short ...', the best load, or 'device A'."""
    if hookup.test_port == "load":
        return load_name(standard_load(bench), bench)
    if hookup.test_port in ("open", "short"):
        have = list(_items(bench, hookup.test_port))
        return _named(hookup.test_port, have[0].id if have else "")
    return f"device {hookup.test_port}"


def thru_adapter(bench: Bench | None) -> str:
    """Return the adapter that joins the leads in the thru where both end alike (two plugs, two sockets), else ''."""
    ends = {_open_end(GENERATOR_LEAD, bench), _open_end(ANALYZER_LEAD, bench)}
    if len(ends) != 1 or "" in ends:
        return ""
    needed = "socket" if "plug" in ends else "plug"
    for item in _items(bench, "adapter"):
        if len(item.ends) == 2 and all(_gender(end) == needed for end in item.ends):
            return _named("adapter", item.id)
    return ""


def _open_end(lead: str, bench: Bench | None) -> str:
    """'plug', 'socket' or '' (not told) of what the device would see."""
    return _gender(_end_text(lead, bench))


def _end_text(lead: str, bench: Bench | None) -> str:
    """What the kit says of the end that the device would see; '' where it does not."""
    first = lead == GENERATOR_LEAD
    pad: Pad | None = None if bench is None else bench.generator_pad if first else bench.analyzer_pad
    if pad is not None:
        pads = [item for item in _items(bench, "pad") if item.id == pad.id and item.ends]
        return pads[0].ends[-1] if pads else ""
    leads = _items(bench, "lead")
    index = 0 if first else 1
    return leads[index].ends[-1] if len(leads) > index and leads[index].ends else ""


def lead_family(lead: str, bench: Bench | None) -> str:
    """Return the family of connector that a lead, or the pad on it, ends in; '' where the bench file does not tell."""
    pad = None if bench is None else bench.generator_pad if lead == GENERATOR_LEAD else bench.analyzer_pad
    return pad.connector if pad is not None and pad.connector else family(_end_text(lead, bench))


def _gender(end: str) -> str:
    words = end.lower().split()
    return next((word for word in ("plug", "socket") if word in words), "")


def _items(bench: Bench | None, what: str) -> tuple[KitItem, ...]:
    return () if bench is None else tuple(item for item in bench.kit if item.what == what)


def _named(what: str, item_id: str) -> str:
    return f"{what} {item_id}" if item_id else what
