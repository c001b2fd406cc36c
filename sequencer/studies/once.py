"""Runs that rest on the same sweeps: a run and what was judged again from it count once; pure."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.core.record import Record

__all__ = ["once", "same_sweeps"]


def once(records: Sequence[Record]) -> tuple[list[Record], list[str]]:
    """Return one run for each set of sweeps, the one that took them if it is there, and in words what is left out."""
    first: dict[str, Record] = {}
    left_out = []
    for record in sorted(records, key=lambda r: bool(r.parent)):
        same = first.setdefault(_taken_by(record, records), record)
        if same is not record:
            left_out.append(f"{record.run_id}: the sweeps of {same.run_id}, judged again")
    kept = {id(record) for record in first.values()}
    return [record for record in records if id(record) in kept], left_out


def same_sweeps(a: Record, b: Record) -> bool:
    """Whether two runs rest on the same sweeps."""
    return _taken_by(a, (a, b)) == _taken_by(b, (a, b))


def _taken_by(record: Record, known: Sequence[Record]) -> str:
    """Return the id of the run that took a record's sweeps, as far back as its ancestors are known."""
    by_id = {other.run_id: other for other in known}
    name, seen = record.run_id, {""}
    while name not in seen:
        seen.add(name)
        parent = by_id[name].parent if name in by_id else ""
        if parent:
            name = parent
    return name
