"""From the journal of a run to results: picks the sweeps, normalises, states intervals, judges."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.core import conformity, edges, quantities
from sequencer.core.curve import Estimate, LevelModel
from sequencer.core.history import Entry, Role
from sequencer.core.record import Bound, Contribution, Curve, CurveKind, Limit, Result, Statement
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import BLOCK, Distribution
from sequencer.errors import MeasurementError
from sequencer.recipe.model import AnalyzerFile, Bench, Decision, Quantity, Recipe, Requirement
from sequencer.run.consistency import inconsistencies
from sequencer.run.detected import no_power_average, shy_of_noise
from sequencer.run.exchange import compared, other_way
from sequencer.run.matrix import shortfall
from sequencer.run.measured import Measured, PathCurve
from sequencer.run.passivity import Doubt
from sequencer.run.saved import saved_in, why_apart
from sequencer.run.saved_doubts import NO_CLOSING, NO_LEAKAGE, NO_NOISE, doubted
from sequencer.run.steadiness import unsteady
from sequencer.run.suspect import distrusting, suspected
from sequencer.units import show_db, show_hz

__all__ = ["Evaluation", "evaluate", "overall"]

_NOWHERE = AnalyzerFile(resource="")  # noise needs no bench file
_SMALL = 0.01  # budget lines below this share of the largest are left out: they change uc by less than 1e-4 of it
_IN_HZ = re.compile(r" (\d{4,})(?= \(|$)")
_TOO_WIDE = (
    "the interval reaches beyond the limit on both sides, so this measurement cannot tell inside from outside; its "
    "budget says what would have to be smaller"
)


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """All results of a run in the recipe's order, the curves of its plots, and what the report must warn of."""

    results: tuple[Result, ...]
    curves: tuple[Curve, ...]
    warnings: tuple[str, ...]
    probability_conforming: float | None = None


def evaluate(
    recipe: Recipe, bench: Bench, history: Sequence[Entry], *, block: int = BLOCK, before: Sequence[Recipe] = ()
) -> Evaluation:
    """Return every requirement's result, the curves and the warnings. Never raises for missing or bad sweeps.

    ``before``: recipes that the same sweeps were taken or judged for before; what they find speaks against the hookups.
    """
    measured, doubts = distrusting(recipe, bench, history, block, before)
    jumps = unsteady(history)
    odd = no_power_average(measured)
    stated = [_shy(measured, r, *_stated(recipe, measured, r), odd) for r in recipe.requirements]
    both = [
        _both_ways(recipe, measured, _weighed(_steady(result, r, jumps, history), r, history, doubts), estimate, r)
        for (result, estimate), r in zip(stated, recipe.requirements, strict=True)
    ]
    # what is undecided has no probability that would say anything of the device
    results = tuple(
        replace(result, probability_conforming=None) if result.statement is Statement.UNDECIDED else result
        for result, _ in both
    )
    curves, warnings = _curves(recipe, measured)
    warnings += tuple(warning for _, warning in both if warning)
    warnings += inconsistencies(measured)
    warnings += tuple(doubt.text for doubt in doubts)
    warnings += (odd,) if odd else ()
    bridge = any(requirement.quantity.of_port for requirement in recipe.requirements)
    assumed = measured.figures.assumptions(bridge=bridge)
    if assumed:
        warnings += (f"the bench file is silent on these, so they are assumed: {'; '.join(assumed)}",)
    sure = all(
        _weighed(result, r, history, doubts) is result
        and (result.statement is not Statement.UNDECIDED or r.minimum is r.maximum is None)
        for (result, _), r in zip(stated, recipe.requirements, strict=True)
    )
    return Evaluation(results, curves, warnings, _all_conform(stated, jumps) if sure else None)


def _shy(
    measured: Measured, requirement: Requirement, result: Result, estimate: Estimate, odd: str
) -> tuple[Result, Estimate]:
    """Decide nothing near noise that no average of power is (``odd``: how that shows, in words)."""
    if odd and requirement.path is not None:
        try:
            curve = _path_curve(measured, requirement)
        except MeasurementError:
            return result, estimate
        result = shy_of_noise(result, curve, *_window(requirement), odd)
    return result, estimate


def _weighed(result: Result, requirement: Requirement, history: Sequence[Entry], doubts: Sequence[Doubt]) -> Result:
    """Return a result with what speaks against its files and against its hookups; itself where nothing does."""
    return suspected(doubted(result, requirement, history), requirement, doubts)


def _both_ways(
    recipe: Recipe, measured: Measured, result: Result, estimate: Estimate, requirement: Requirement
) -> tuple[Result, str]:
    """Hold a result against the same path with its leads exchanged, where the recipe asks for it."""
    other = other_way(recipe, requirement)
    if other is None:
        return result, ""
    among = sum(other_way(recipe, each) is not None for each in recipe.requirements)
    return compared(result, estimate, *_stated(recipe, measured, other), among=among)


def _steady(result: Result, requirement: Requirement, jumps: Mapping[str, float], history: Sequence[Entry]) -> Result:
    """Decide nothing on a trace that does not repeat: neither for the device nor against it."""
    size_db = jumps.get(requirement.hookup_name)
    if not size_db:
        return result
    files = [trace for trace in saved_in(history) if trace.hookup.name == requirement.hookup_name]
    why = why_apart(files) if files else "a joint comes and goes"
    note = f"the trace of {requirement.hookup_name} jumps by {size_db:.2g} dB: {why}"
    return replace(result, statement=Statement.UNDECIDED, notes=(*result.notes, note))


def overall(results: Sequence[Result]) -> Statement:
    """Return the statement for the device: the gravest of the results that have a limit."""
    return conformity.overall(
        result.statement for result in results if result.limit.min is not None or result.limit.max is not None
    )


# --- one requirement


def _window(requirement: Requirement) -> tuple[float, float]:
    within = requirement.within_hz or 0.0
    return requirement.at_hz - within, requirement.at_hz + within


def _all_conform(stated: Sequence[tuple[Result, Estimate]], jumps: Mapping[str, float]) -> float | None:
    """Return the probability that the device meets all its limits; None where one of them has no draws."""
    limited = [(result, estimate) for result, estimate in stated if result.limit != Limit()]
    if jumps or any(estimate.draws is None for _, estimate in limited):
        return None
    return conformity.probability_of_all(
        [(estimate.draws.drawn, result.limit) for result, estimate in limited if estimate.draws is not None]
    )


def _stated(recipe: Recipe, measured: Measured, requirement: Requirement) -> tuple[Result, Estimate]:
    try:
        leaky = shortfall(requirement, measured.figures.bench, measured.sweeps)
        if leaky is not None:
            msg = f"not stated: {leaky.text}; make this hookup by hand, past the matrix"
            raise MeasurementError(msg)  # noqa: TRY301  # the same answer as for sweeps that are missing
        estimate = _estimate(recipe, measured, requirement)
    except MeasurementError as exc:
        estimate = Estimate(value=None, draws=None, notes=(exc.message,))
    coverage = recipe.decision.coverage
    low, high = (_finite(end) for end in estimate.interval(coverage))
    value = _finite(estimate.value)
    limit = Limit(min=requirement.minimum, max=requirement.maximum)
    probability = None
    if estimate.draws is not None and (limit.min is not None or limit.max is not None):
        probability = estimate.draws.share_within(limit.min, limit.max)
    finding = conformity.Finding(value=value, low=low, high=high, probability_conforming=probability)
    known_bound = value is None and low is not None
    notes = estimate.notes
    if limit.min is None and limit.max is None:
        notes += ("no limit is set: stated for information",)
    statement = conformity.decide(recipe.decision, finding, limit)
    if value is not None and conformity.too_wide(finding, limit):
        notes += (_TOO_WIDE,)
    if statement is Statement.UNDECIDED:
        notes += _short_of_the_rule(recipe.decision, finding, limit, estimate)
    result = Result(
        id=requirement.id,
        quantity=requirement.quantity.value,
        at=requirement.at,
        at_hz=requirement.at_hz,
        unit=requirement.quantity.unit,
        value=value,
        interval=(low, high),
        coverage=coverage,
        statement=statement,
        path=None if requirement.path is None else "-".join(requirement.path),
        port=requirement.port,
        bound=Bound.AT_LEAST if known_bound else None,
        limit=limit,
        margin=_finite(conformity.margin(finding, limit)),
        probability_conforming=probability,
        budget=_readable(estimate.rows, requirement.quantity.unit),
        condition=_condition(requirement),
        notes=notes,
    )
    return result, estimate


def _short_of_the_rule(
    decision: Decision, finding: conformity.Finding, limit: Limit, estimate: Estimate
) -> tuple[str, ...]:
    """Return why a bound that is shown beyond its limit still does not pass; nothing where it is not so."""
    if finding.value is not None or finding.low is None or estimate.draws is None:
        return ()
    if limit.max is not None or limit.min is None or finding.low < limit.min:
        return ()
    risk = conformity.risk_on_a_bound(decision)
    surer_db = estimate.draws.quantile(risk)  # only levels have bounds
    return (f"the bound shown meets the limit; with the {100 * risk:.2g} % risk of the rule it is {show_db(surer_db)}",)


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _readable(rows: Sequence[Contribution], unit: str) -> tuple[Contribution, ...]:
    """Return the lines that matter, and one that sums up those that do not."""
    known = [_in_words(row) for row in rows if math.isfinite(row.u) and row.u > 0.0]
    most = max((row.u for row in known), default=0.0)
    shown = tuple(row for row in known if row.u >= _SMALL * most)
    rest = [row for row in known if row not in shown]
    together = math.sqrt(sum(row.u**2 for row in rest))
    if not rest or not shown:
        return shown
    names = ", ".join(dict.fromkeys(row.name for row in rest))
    return (
        *shown,
        Contribution(
            name=f"everything smaller: {names}",
            value=together,
            unit=unit,
            distribution=Distribution.NORMAL.value,
            divisor=1.0,
            sensitivity=1.0,
            u=together,
            kind="B",
            origin="root sum of squares",
        ),
    )


def _in_words(row: Contribution) -> Contribution:
    """Return a line whose name tells its frequency as people write it: draws are named in plain hertz."""
    return replace(row, name=_IN_HZ.sub(lambda hz: f" at {show_hz(float(hz[1]))}", row.name))


def _condition(requirement: Requirement) -> str:
    parts = []
    if requirement.within_hz is not None:
        parts.append(f"within {show_hz(requirement.within_hz)}")
    if requirement.level_db is not None:
        parts.append(f"at {show_db(requirement.level_db, 1)}")
    if requirement.above_db is not None:
        parts.append(f"{show_db(requirement.above_db, 1)} above the least loss")
    return ", ".join(parts)


def _path_curve(measured: Measured, requirement: Requirement) -> PathCurve:
    """Return the curve of the requirement's path on the best key: the frequency's own, else the narrowest."""
    assert requirement.path is not None
    low, high = _window(requirement)
    problem: MeasurementError | None = None
    for key in measured.sweeps.covering(requirement.hookup_name, Role.DEVICE, low, high, requirement.at):
        try:
            return measured.path(requirement.path, key)
        except MeasurementError as exc:
            problem = problem or exc
    if problem is not None:
        raise problem
    msg = f"{requirement.hookup_name}: no sweep of the path reaches from {show_hz(low)} to {show_hz(high)}"
    raise MeasurementError(msg)


def _estimate(recipe: Recipe, measured: Measured, requirement: Requirement) -> Estimate:
    coverage, within = recipe.decision.coverage, requirement.within_hz or 0.0
    if requirement.port is not None:
        return _return_loss(measured, requirement, coverage)
    assert requirement.path is not None
    if requirement.quantity.unit == "Hz":
        return _between_edges(measured, requirement, coverage)
    curve = _path_curve(measured, requirement)
    reading, shift = measured.reading(curve), measured.shift(curve.sweep_center_hz)

    def build(f_hz: float, ratio: float, u_ratio: float) -> LevelModel:
        return measured.path_loss(curve, f_hz, ratio, u_ratio)

    at_hz = requirement.at_hz
    match requirement.quantity:
        case Quantity.RIPPLE:
            estimate = quantities.ripple(reading, at_hz, within, shift, build, coverage=coverage, block=measured.block)
        case Quantity.INSERTION_LOSS | Quantity.NOTCH_DEPTH:
            estimate = quantities.worst(
                reading, at_hz, within, shift, build, greatest=True, coverage=coverage, block=measured.block
            )
        case _:
            estimate = quantities.worst(reading, at_hz, within, shift, build, coverage=coverage, block=measured.block)
    return _with_notes(measured, curve, estimate)


def _between_edges(measured: Measured, requirement: Requirement, coverage: float) -> Estimate:
    """Try the sweeps from narrow to wide until both edges stand in one, with all that their levels may be off."""
    assert requirement.path is not None
    at_hz = requirement.at_hz
    estimate: Estimate | None = None
    found: Estimate | None = None
    problem: MeasurementError | None = None
    for key in measured.sweeps.covering(requirement.hookup_name, Role.DEVICE, *_window(requirement)):
        try:
            curve = measured.path(requirement.path, key)
        except MeasurementError as exc:
            problem = problem or exc
            continue

        def build(f_hz: float, ratio: float, u_ratio: float, curve: PathCurve = curve) -> LevelModel:
            return measured.path_loss(curve, f_hz, ratio, u_ratio)

        reading, shift = measured.reading(curve), measured.shift(curve.sweep_center_hz)
        if requirement.quantity is Quantity.NOTCH_FREQUENCY:
            reach = requirement.within_hz or 0.25 * float(reading.freq_hz[-1] - reading.freq_hz[0])
            estimate = edges.notch(reading, at_hz, reach, shift, build, coverage=coverage, block=measured.block)
        elif requirement.quantity is Quantity.REJECTION_BANDWIDTH:
            level = requirement.level_db or 0.0
            estimate = edges.rejection_bandwidth(
                reading, at_hz, level, shift, build, coverage=coverage, block=measured.block
            )
        else:
            above = requirement.above_db or 3.0
            estimate = edges.pass_bandwidth(
                reading, at_hz, above, shift, build, coverage=coverage, block=measured.block
            )
        if estimate.value is not None:
            found = _with_notes(measured, curve, estimate)
            if all(end is None or math.isfinite(end) for end in found.interval(coverage)):
                return found
    if found is not None:
        return replace(found, notes=(*found.notes, "an edge may lie outside the sweep: that end is open"))
    if estimate is None:
        msg = f"{requirement.hookup_name}: no sweep of the path covers {show_hz(at_hz)}"
        raise problem or MeasurementError(msg)
    return estimate


def _return_loss(measured: Measured, requirement: Requirement, coverage: float) -> Estimate:
    assert requirement.port is not None
    low, high = _window(requirement)
    curve = measured.port_curve_at(requirement.port, low, high, requirement.at)
    if curve is None:
        msg = f"port {requirement.port}: reflection, open and short were not all swept at {show_hz(requirement.at_hz)}"
        raise MeasurementError(msg)

    def build(f_hz: float, ratio: float, u_ratio: float) -> LevelModel:
        return measured.return_loss(curve, f_hz, ratio, u_ratio)

    return quantities.worst(
        measured.port_reading(curve),
        requirement.at_hz,
        requirement.within_hz or 0.0,
        measured.shift(curve.center_hz),
        build,
        coverage=coverage,
        block=measured.block,
        hides="noise, the display or the bridge's directivity",
    )


def _with_notes(measured: Measured, curve: PathCurve, estimate: Estimate) -> Estimate:
    notes = list(estimate.notes)
    if not curve.has_noise:
        notes.append(NO_NOISE)
    if curve.response.leak is None:
        notes.append(NO_LEAKAGE)
    if curve.closing is None:
        notes.append(NO_CLOSING)
    missing = [port for port in curve.path if measured.port_curve_at(port, *_ends(curve)) is None]
    if missing:
        notes.append(f"reflection not measured at {' and '.join(missing)}: taken as large as energy allows")
    if any("assumed isolated" in row.name for row in estimate.rows):
        ways = " and ".join(measured.unmeasured_ways(curve.path, curve.sweep_center_hz))
        notes.append(f"{ways} not measured, so taken to isolate as this path does; it tells how much the loads matter")
    return replace(estimate, notes=tuple(notes))


def _ends(curve: PathCurve) -> tuple[float, float]:
    return curve.sweep_center_hz, curve.sweep_center_hz


# --- curves


def _curves(recipe: Recipe, measured: Measured) -> tuple[tuple[Curve, ...], tuple[str, ...]]:
    curves: list[Curve] = []
    warnings: list[str] = []
    paths = dict.fromkeys([r.path for r in recipe.requirements if r.path] + [s.path for s in recipe.sweeps])
    for path in paths:
        for key in measured.sweeps.keys("-".join(path), Role.DEVICE):
            try:
                curves += _path_curves(measured.path(path, key))
            except MeasurementError as exc:
                warnings.append(exc.message)
    for port in recipe.ports:
        for key in measured.sweeps.keys(f"reflect-{port}", Role.REFLECTION):
            try:
                curve = measured.port(port, key)
            except MeasurementError as exc:
                warnings.append(exc.message)
                continue
            curves.append(_curve(CurveKind.RETURN_LOSS, port, key, curve.response.freq_hz, curve.response.loss_db))
    for key in measured.sweeps.keys("thru", Role.THRU):
        both = ((CurveKind.THRU_OPENING, measured.sweeps.opening), (CurveKind.THRU_CLOSING, measured.sweeps.closing))
        for kind, find in both:
            try:
                found = find(key)
            except MeasurementError as exc:
                warnings.append(exc.message)
                continue
            if found is not None:
                curves.append(_curve(kind, "thru", key, found.freq_hz, 10.0 * np.log10(found.power_mw)))
    return tuple(curves), tuple(dict.fromkeys(warnings))


def _path_curves(curve: PathCurve) -> list[Curve]:
    r, name, key = curve.response, curve.name, curve.key
    with np.errstate(divide="ignore", invalid="ignore"):
        raw = -10.0 * np.log10(r.raw)
    made = [_curve(CurveKind.RESPONSE, name, key, r.freq_hz, np.where(np.isfinite(r.loss_db), r.loss_db, raw))]
    if curve.has_noise:
        made.append(_curve(CurveKind.FLOOR, name, key, r.freq_hz, r.floor_db))
    if r.leakage_db is not None:
        made.append(_curve(CurveKind.LEAKAGE, name, key, r.freq_hz, r.leakage_db))
    bottom_dbm = curve.device.used.display_bottom_dbm
    if bottom_dbm is not None:
        made.append(_curve(CurveKind.DISPLAY_BOTTOM, name, key, r.freq_hz, r.thru_dbm - bottom_dbm))
    return made


def _curve(kind: CurveKind, where: str, key: str, freq_hz: FloatArray, value: FloatArray) -> Curve:
    return Curve(kind=kind, where=where, key=key, freq_hz=freq_hz, value=np.where(np.isfinite(value), value, np.nan))
