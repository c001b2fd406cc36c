"""What has to lie on the table for all hookups of a run, how many of each, with which ends, and where each stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sequencer.recipe.model import Bench

__all__ = ["Packed", "Stand", "packing"]

_INSTRUMENTS = ("generator", "analyzer")
_NOT_TOLD = "not told"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """A hookup: its name, what a signal meets from generator to analyzer, and the load on each end or port."""

    name: str
    chain: Sequence[str]
    loads: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """One kind of item: how many are needed at once, its connectors as far as the bench file tells, where it stands."""

    count: int
    item: str
    ends: str
    where: str


def packing(stands: Sequence[Stand], bench: Bench | None) -> list[Packed]:
    """Return every item between generator and analyzer and every load, each once, in the order they come up.

    The count is the greatest number that stands at once; a bridge, which a signal passes twice, is one. What is called
    alike counts together.
    """
    most: dict[str, int] = {}
    places: dict[str, dict[str, list[str]]] = {}
    for stand in stands:
        for item, spots in _spots(stand).items():
            most[item] = max(most.get(item, 0), len(spots))
            for spot in spots:
                hookups = places.setdefault(item, {}).setdefault(spot, [])
                hookups += [stand.name] if stand.name not in hookups else []
    names = list(dict.fromkeys(stand.name for stand in stands))
    return [
        Packed(count=most[item], item=item, ends=_ends(item, bench), where=_where(where, names))
        for item, where in places.items()
    ]


def _spots(stand: Stand) -> dict[str, list[str]]:
    """Return where each item of one hookup stands."""
    found: dict[str, list[str]] = {}
    loads = list(stand.loads.values())
    for place, item in enumerate(stand.chain):
        if item in _INSTRUMENTS or item.startswith("device ") or item in loads:
            continue
        twice = item.startswith("bridge")
        if item == "switch matrix" or twice:
            spot = ""
        elif "lead" in item.split() or "pad" in item.split():
            spot = "generator side" if place < len(stand.chain) / 2 else "analyzer side"
        elif any(other.startswith("bridge") for other in stand.chain):
            spot = "on the bridge"
        else:
            spot = "between the leads"
        if spot or item not in found:
            found.setdefault(item, []).append(spot)
    for port, load in stand.loads.items():
        found.setdefault(load, []).append(f"on {port}")
    return found


def _where(places: Mapping[str, Sequence[str]], names: Sequence[str]) -> str:
    """Say where an item stands: spots that serve the same hookups together, 'every hookup' where all use it."""
    together: dict[tuple[str, ...], list[str]] = {}
    for spot, hookups in places.items():
        together.setdefault(tuple(hookups), []).append(spot)
    told = []
    for hookups, spots in together.items():
        when = "every hookup" if len(hookups) == len(names) else ", ".join(hookups)
        spot = " and ".join(filter(None, spots))
        told.append(f"{spot}: {when}" if spot else when)
    return "; ".join(told)


def _ends(item: str, bench: Bench | None) -> str:
    """Return the ends that the bench file gives an item, or the family of the one that meets the device."""
    if bench is None:
        return _NOT_TOLD
    for own in bench.kit:
        if item.endswith(f" {own.id}") and own.ends:
            return ", ".join(own.ends)
    if item.startswith("bridge"):
        families: Iterable[str] = (bench.bridge.connector if bench.bridge is not None else "",)
    else:
        pads = [pad for pad in (bench.generator_pad, bench.analyzer_pad) if pad is not None]
        families = (
            pad.connector for pad in pads if item == " ".join(filter(None, (f"{pad.loss_db:g} dB pad", pad.id)))
        )
    return ", ".join(dict.fromkeys(filter(None, families))) or _NOT_TOLD
