"""What two runs did not have in common: bench, settings, kit, conditions; in words, for people."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sequencer.core.record import Record
from sequencer.core.trace import SweepSettings
from sequencer.units import show_hz

__all__ = ["what_differed"]

_MOST_NAMED = 8
_SETTINGS: tuple[tuple[str, Callable[[SweepSettings], str]], ...] = (
    ("RBW", lambda used: show_hz(used.rbw_hz)),
    ("video filter", lambda used: "widest" if used.vbw_hz is None else show_hz(used.vbw_hz)),
    ("detector", lambda used: used.detector.value),
    ("points", lambda used: str(used.points)),
    ("sweep time", lambda used: "not told" if used.sweep_time_s is None else f"{used.sweep_time_s:.4g} s"),
    ("attenuation", lambda used: f"{used.attenuation_db:g} dB"),
    ("reference level", lambda used: f"{used.reference_dbm:g} dBm"),
    ("generator level", lambda used: "off" if used.generator_dbm is None else f"{used.generator_dbm:g} dBm"),
)
_ASKED_EVERY_TIME = ("transmitter",)  # answers that say nothing of the measurement's result


def what_differed(before: Record, after: Record) -> tuple[str, ...]:
    """Return one line a difference, 'what: before -> now' in words."""
    return (
        *_between("device", before.serial, after.serial),
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
    for name, shown in _SETTINGS:
        places: dict[str, list[str]] = {}
        both = [{(t.hookup, t.key, t.role): shown(t.used) for t in r.traces} for r in (before, after)]
        for where in both[0].keys() & both[1].keys():
            first, second = both[0][where], both[1][where]
            if first != second:
                places.setdefault(f"{first} before, {second} now", []).append(f"{where[0]} {where[1]}")
        told += [f"{name}: {what} ({_named(sorted(set(at)))})" for what, at in sorted(places.items())]
    return told


def _named(places: list[str]) -> str:
    """Name the places, of many the first ones."""
    more = len(places) - _MOST_NAMED
    return ", ".join(places) if more <= 1 else f"{', '.join(places[:_MOST_NAMED])} and {more} more"


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
