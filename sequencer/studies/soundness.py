"""Whether a study is a sound experiment: its control, what it lacks, what speaks against it."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from sequencer.core.record import Record
from sequencer.studies.changes import compare
from sequencer.studies.sharing import EVENING, same_analyzer

__all__ = ["control_words", "doubts", "what_lacks"]


def control_words(control: Sequence[Record]) -> tuple[str, tuple[str, ...]]:
    """Say whether the control stayed as it was, and warn where it did not."""
    if len(control) < 2:
        return "", ()
    first, *_, last = sorted(control, key=lambda r: r.measuring_began)
    family = compare(first, last).family
    if family.changed is None:
        return "the control runs have no value in common", ()
    if family.changed:
        told = f"the unchanged control changed between {first.run_id} and {last.run_id}"
        return told, (f"{told}: the bench or the room moved, so differences between labels are not to be trusted",)
    return f"the unchanged control stayed as it was (p = {family.p_value:.2f})", ()


def what_lacks(
    groups: Mapping[str, Sequence[Record]], tried: Sequence[Record], key: str, control: Sequence[Record]
) -> tuple[str, ...]:
    """Return what would make the runs a sound experiment: repeats, random order, a control first and last."""
    missing = []
    once = [label for label, group in groups.items() if len(group) < 2]
    if once:
        missing.append(f"each {key} at least twice, taken apart in between: only one run of {', '.join(once)}")
    order = [record.labels[key] for record in tried]
    places = [list(groups).index(label) for label in order]
    steps = [b - a for a, b in itertools.pairwise(places)]
    if len(groups) > 2 and (all(step >= 0 for step in steps) or all(step <= 0 for step in steps)):
        missing.append("random order: they were measured one after the other along the label, as drift would be too")
    times = sorted(record.measuring_began for record in control)
    if len(control) < 2:
        missing.append("one unchanged control, measured first and last (run it with --label control=yes)")
    elif times[0] > tried[0].measuring_began or times[-1] < tried[-1].measuring_began:
        missing.append(
            "the unchanged control before the first run and after the last: nothing tells of what lies outside"
        )
    return tuple(missing)


def doubts(tried: Sequence[Record], control: Sequence[Record]) -> tuple[str, ...]:
    """Warn of what the runs, control included, have not in common."""
    told = []
    runs = sorted((*tried, *control), key=lambda r: r.measuring_began)
    if runs[-1].measuring_began - runs[0].measuring_began > EVENING:
        told.append("the runs are more than an evening apart: the frequency reference and the room may have moved")
    undated = [record.run_id for record in runs if record.measured is None]
    if undated:
        told.append(f"the files of {', '.join(undated)} tell no date: nobody knows that they are of the same evening")
    if not all(same_analyzer(tried[0], record) for record in runs):
        told.append("not all runs were taken with one analyzer: its scale does not cancel between them")
    if len({record.serial for record in tried}) > 1:
        told.append("the runs name different serials: the units differ, too")
    if {record.serial for record in control} - {record.serial for record in tried} or len(
        {record.serial for record in control}
    ) > 1:
        told.append("the control runs name another unit: they tell of the bench at best, not of this unit's joints")
    return tuple(told)
