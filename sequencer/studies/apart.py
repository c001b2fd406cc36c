"""What two runs did not have in common: bench, settings, kit, conditions; in words, for people."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.core.record import Record
from sequencer.units import show_hz

__all__ = ["what_differed"]

_ASKED_EVERY_TIME = ("transmitter",)  # answers that say nothing of the measurement's result


def what_differed(before: Record, after: Record) -> tuple[str, ...]:
    """Return one line a difference, 'what: before -> now' in words."""
    return (
        *_between("program", before.program, after.program),
        *_of(before.identification, after.identification, "instrument"),
        *_between("recipe", before.recipe_name, after.recipe_name, _text("recipe", before, after)),
        *_bench(before, after),
        *_settings(before, after),
        *_equipment(before, after),
        *_of(before.conditions, after.conditions, "condition", _ASKED_EVERY_TIME),
        *_of(before.labels, after.labels, "label"),
    )


def _between(what: str, first: str, second: str, otherwise: str = "") -> list[str]:
    if first != second:
        return [f"{what}: {first or 'none'} before, {second or 'none'} now"]
    return [otherwise] if otherwise else []


def _text(what: str, before: Record, after: Record) -> str:
    same = before.recipe_sha256 == after.recipe_sha256
    return "" if same else f"{what}: the same name, but the text was changed"


def _of(first: Mapping[str, str], second: Mapping[str, str], kind: str, skip: tuple[str, ...] = ()) -> list[str]:
    told = []
    for key in dict.fromkeys([*first, *second]):
        if key not in skip and first.get(key, "") != second.get(key, ""):
            told += _between(f"{kind} {key}", first.get(key, ""), second.get(key, ""))
    return told


def _bench(before: Record, after: Record) -> list[str]:
    """Name the lines of the bench files that differ, addresses apart."""

    def lines(record: Record) -> list[str]:
        kept = (line.strip() for line in record.bench_text.splitlines())
        return [line for line in kept if line and not line.startswith(("#", "resource:"))]

    first, second = lines(before), lines(after)
    gone, come = [one for one in first if one not in second], [one for one in second if one not in first]
    return [f"bench file, before: {line}" for line in gone] + [f"bench file, now: {line}" for line in come]


def _settings(before: Record, after: Record) -> list[str]:
    told = []
    for name, read in (("RBW", "rbw_hz"), ("attenuation", "attenuation_db"), ("reference level", "reference_dbm")):
        places: dict[str, list[str]] = {}
        both = [{(t.hookup, t.key, t.role): float(getattr(t.used, read)) for t in r.traces} for r in (before, after)]
        for where in both[0].keys() & both[1].keys():
            first, second = both[0][where], both[1][where]
            if first != second:
                shown = [
                    show_hz(v) if read == "rbw_hz" else f"{v:g} dB{'m' * (read[-3:] == 'dbm')}" for v in (first, second)
                ]
                places.setdefault(f"{shown[0]} before, {shown[1]} now", []).append(f"{where[0]} {where[1]}")
        told += [f"{name}: {what} ({', '.join(sorted(set(at)))})" for what, at in sorted(places.items())]
    return told


def _equipment(before: Record, after: Record) -> list[str]:
    def items(record: Record) -> dict[str, str]:
        made: dict[str, str] = {}
        for item in record.equipment:
            if item.get("what") == "analyzer":  # its id is an address; the instrument itself is compared by its answer
                made["calibration of the analyzer"] = item.get("calibrated", "")
                continue
            name = item.get("what", "item")
            made[name] = f"{made[name]}, {item.get('id', '')}" if name in made else item.get("id", "")
        return made

    return _of(items(before), items(after), "kit:")
