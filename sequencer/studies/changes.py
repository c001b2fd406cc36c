"""Change of every quantity between two runs, and one statement for all of them.

E_n of a quantity is its difference over the expanded uncertainty of that difference (ISO 13528:2015 9.7, ISO/IEC
17043 [clauses from memory]), made only of what the two runs do not share. With many quantities some |E_n| passes 1 by
chance far more often than 5 % (trade notes 12.8), so the device is said to have changed where the largest |E_n|
passes what the largest of an unchanged device passes in 5 % of comparisons: the single-step maximum test of Westfall
and Young (Resampling-Based Multiple Testing, 1993 [from memory]), with the joint draws of all differences. It needs
no independence, which Sidak's level does, and is not wasteful where quantities share errors, which Holm's is. A change
that a bound proves (`sequencer.studies.onesided`) has no E_n but counts in the same 5 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.core.comparison import Against, Compared
from sequencer.core.record import Change, FamilyChange, Record, Result
from sequencer.core.trace import FloatArray
from sequencer.errors import NotchbookError, UsageError
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Recipe
from sequencer.studies.apart import what_differed
from sequencer.studies.differences import Family, ends, has_value, in_doubt, standing
from sequencer.studies.once import same_sweeps
from sequencer.studies.onesided import Sided, sided
from sequencer.studies.reasons import likely_reason

__all__ = ["LEVEL", "carried", "check_baseline", "compare", "with_baseline"]

LEVEL = 0.05  # how often an unchanged device may be called changed


@dataclass(frozen=True, slots=True, eq=False)
class _Drawn:
    compared: Compared
    e_n: FloatArray | None
    one_sided: Sided | None = None


def compare(before: Record, after: Record, *, max_change: dict[str, float] | None = None) -> Against:
    """Compare a run with a reference run.

    Parameters
    ----------
    max_change : result id -> greatest allowed change, in the unit of the result.
    """
    family = Family((before, after))
    drawn: list[_Drawn] = []
    theirs = {result.id: result for result in before.results}
    left_out: list[str] = []
    alone: dict[str, list[str]] = {after.run_id: [], before.run_id: []}
    for result in after.results:
        old = theirs.pop(result.id, None)
        if old is None:
            alone[after.run_id].append(result.id)
        elif (old.unit, old.at_hz, old.condition, old.path, old.port) != _asked(result):
            left_out.append(f"{result.id}: asked for differently ({_how(old)} before, {_how(result)} now)")
        else:
            allowed = (max_change or {}).get(result.id)
            drawn.append(_one(family, old, result, before.run_id, allowed))
    alone[before.run_id] += theirs
    if same_sweeps(before, after):
        left_out.append(
            "both rest on the same sweeps, one judged again: that nothing changed says nothing of the device"
        )
    left_out += [f"only in {run}: {', '.join(names)}" for run, names in alone.items() if names]
    quantities = tuple(each.compared for each in drawn)
    return Against(
        reference=before,
        other=after,
        quantities=quantities,
        family=_statement(family, before, after, drawn),
        left_out=tuple(left_out),
    )


def check_baseline(baseline: Record, *, serial: str, simulated: bool) -> None:
    """Refuse a run that cannot be a baseline; asked before anything is measured.

    Raises
    ------
    UsageError
        Saying why, and what to do.
    """
    name = baseline.run_id
    if baseline.simulated != simulated:
        kinds = ("measured", "simulated") if simulated else ("simulated", "measured")
        msg = f"run {name} was {kinds[0]}: it cannot be the baseline of a {kinds[1]} run"
        raise UsageError(msg, run=name)
    if not baseline.complete:
        msg = f"run {name} ended early: only a whole run can be a baseline"
        raise UsageError(msg, run=name)
    if baseline.serial != serial:
        known, asked = (text or "no serial" for text in (baseline.serial, serial))
        msg = f"run {name} is of device {known}, this one of {asked}: give the --serial of the baseline"
        raise UsageError(msg, run=name)


def check_limits_on_change(recipe: Recipe) -> None:
    """Refuse a recipe that limits the change since a baseline where there is none.

    Raises
    ------
    UsageError
        Naming the limit, and what to do.
    """
    limited = next((one.id for one in recipe.requirements if one.max_change is not None), None)
    if limited is not None:
        msg = (
            f"recipe {recipe.name} limits how much {limited} may change ('max change'), and there is no baseline to "
            "hold it against: give --baseline RUN to a run, or take 'max change' out of the recipe"
        )
        raise UsageError(msg, recipe=recipe.name)


def with_baseline(record: Record, baseline: Record) -> Record:
    """Return the record with the change of every quantity since the baseline, and the statement for all of them.

    `max change` of the recipe's limits is read from the record's own recipe.

    Raises
    ------
    UsageError
        When the baseline is of another device, of the other kind (simulated or measured), or was interrupted.
    """
    check_baseline(baseline, serial=record.serial, simulated=record.simulated)
    against = compare(baseline, record, max_change=_max_changes(record))
    changes = {each.after.id: each.change for each in against.quantities}
    results = tuple(replace(result, change=changes.get(result.id)) for result in record.results)
    return replace(record, results=results, change=against.family)


def carried(record: Record, parent: Record) -> Record:
    """Return a record that was judged again from its parent's sweeps, with what the parent said of its change.

    Limits on the change are the record's own. What changed in the parent stays changed, though the other recipe may no
    longer ask for it; of a quantity that only the other recipe asks for no change is known.
    """
    family = parent.change
    if family is None:
        return record
    allowed, stated = _max_changes(record), {result.id: result for result in parent.results}
    results = []
    for result in record.results:
        old = stated.pop(result.id, None)
        known = None if old is None or _asked(old) != _asked(result) else old.change
        change = known or Change(baseline=family.baseline, difference=None, interval=(None, None), e_n=None)
        most = allowed.get(result.id)
        results.append(
            replace(result, change=replace(change, max_change=most, exceeded=_exceeded(*change.interval, most)))
        )
    changes = [(result.id, result.change) for result in results if result.change is not None]
    here = {name for name, one in changes if family.sees(name, one)}
    seen = [result.id for result in parent.results if result.change and family.sees(result.id, result.change)]
    said = replace(
        family,
        exceeded=_any_exceeded([change for _, change in changes]),
        unknown=sum(one.e_n is None and name not in here for name, one in changes),
        elsewhere=(*family.elsewhere, *(name for name in seen if name not in here)),
    )
    return replace(record, results=tuple(results), change=said)


def _max_changes(record: Record) -> dict[str, float]:
    try:
        requirements = load_recipe(record.recipe_text, "recipe.yaml").requirements
    except NotchbookError:  # a recipe of another version: the changes are stated without their limits
        return {}
    return {one.id: one.max_change for one in requirements if one.max_change is not None}


def _asked(result: Result) -> tuple[str, float, str, str | None, str | None]:
    return result.unit, result.at_hz, result.condition, result.path, result.port


def _how(result: Result) -> str:
    return f"{result.at_hz / 1e6:.6g} MHz {result.condition}".strip()


def _one(family: Family, old: Result, new: Result, baseline: str, allowed: float | None) -> _Drawn:
    if in_doubt(old) or in_doubt(new):
        which = "the baseline" if in_doubt(old) else "this run"
        why = f"in {which} it is undecided because of a doubt (see its notes), so there is no E_n"
        return _without_e_n(old, new, baseline, allowed, why)
    if not (has_value(old) and has_value(new)):
        return _one_sided(family, old, new, baseline, allowed)
    assert old.value is not None
    assert new.value is not None
    first, second = family.errors((old, new))
    assert first is not None
    assert second is not None
    errors = second - first
    difference = new.value - old.value
    low, high = ends(errors)
    stands = standing(errors)
    e_n = float(stands(difference))
    change = Change(
        baseline=baseline,
        difference=difference,
        interval=(difference - high, difference - low),
        e_n=None if not np.isfinite(e_n) else e_n if difference >= 0 else -e_n,
        max_change=allowed,
        exceeded=_exceeded(difference - high, difference - low, allowed),
    )
    return _Drawn(Compared(before=old, after=new, change=change), stands(errors))


def _one_sided(family: Family, old: Result, new: Result, baseline: str, allowed: float | None) -> _Drawn:
    """Return what a bound or an open interval leaves to say of a change: one end of its interval, or nothing."""
    which = "both runs" if not has_value(old) and not has_value(new) else "the one run"
    which = which if which == "both runs" else "the baseline" if not has_value(old) else "this run"
    found = sided(old, new, (family.own_errors(0, old), family.own_errors(1, new)))
    why = f"in {which} only a bound or an open interval is known, so there is no E_n"
    return _without_e_n(old, new, baseline, allowed, why, found)


def _without_e_n(
    old: Result, new: Result, baseline: str, allowed: float | None, why: str, found: Sided | None = None
) -> _Drawn:
    low, high = (None, None) if found is None else found.interval
    change = Change(
        baseline=baseline,
        difference=None,
        interval=(low, high),
        e_n=None,
        max_change=allowed,
        exceeded=_exceeded(low, high, allowed),
    )
    return _Drawn(Compared(before=old, after=new, change=change, why_not=why), None, found)


def _exceeded(low: float | None, high: float | None, allowed: float | None) -> bool | None:
    """Whole interval inside: not exceeded; whole interval outside: exceeded; else it cannot be said."""
    if allowed is None:
        return None
    if (low is not None and low > allowed) or (high is not None and high < -allowed):
        return True
    return False if low is not None and high is not None and -allowed <= low and high <= allowed else None


def _any_exceeded(changes: Sequence[Change]) -> bool | None:
    """Whether any limit on a change is exceeded; None where that cannot be said of one, or there is none."""
    verdicts = [change.exceeded for change in changes if change.max_change is not None]
    return True if True in verdicts else None if None in verdicts or not verdicts else False


def _statement(family: Family, before: Record, after: Record, drawn: list[_Drawn]) -> FamilyChange:
    usable = [each for each in drawn if each.e_n is not None and each.compared.change.e_n is not None]
    standings = [each.e_n for each in usable if each.e_n is not None]
    standings += [each.one_sided.standing() for each in drawn if each.one_sided is not None]
    greatest = np.max(standings, axis=0) if standings else np.zeros(1)
    critical = float(np.quantile(greatest, 1.0 - LEVEL))
    by_bounds = [each for each in drawn if each.one_sided is not None and each.one_sided.proven(critical)]
    e_n = max((each.compared.change.e_n or 0.0 for each in usable), key=abs, default=None)
    reached = None if e_n is None else int(np.count_nonzero(greatest >= abs(e_n)))
    said = FamilyChange(
        baseline=before.run_id,
        level=LEVEL,
        compared=len(usable),
        largest_e_n=e_n,
        critical_e_n=critical if standings else None,
        p_value=None if reached is None else (reached + 1) / (greatest.size + 1),
        changed=True if by_bounds else None if e_n is None else abs(e_n) > critical,
        exceeded=_any_exceeded([each.compared.change for each in drawn]),
        shared=family.pair(0, 1).words(),
        differing=what_differed(before, after),
        by_bounds=tuple(each.compared.after.id for each in by_bounds),
        unknown=len(drawn) - len(usable) - len(by_bounds),
    )
    return replace(said, reason=likely_reason([each.compared for each in drawn], said, before, after))
