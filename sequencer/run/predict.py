"""`check`: decide, fed by a predicting bench, so that what is foretold is what the run will do; pure.

The predicting bench answers each sweep with what an ideal device would give: no loss where the recipe wants
little, nothing but noise where it wants much, and a perfect match. What the evaluation then states is the
most this bench can prove; how wide the intervals are is what it costs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from sequencer.core.capability import Capabilities
from sequencer.core.history import (
    Adjusted,
    Answered,
    Began,
    Connected,
    Dropped,
    Entry,
    Identified,
    Judged,
    Refused,
    Role,
    Swept,
    Waited,
    Warned,
)
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.record import Result
from sequencer.core.trace import Detector, FloatArray, Sweep, SweepSettings, Trace
from sequencer.recipe.connectors import assumed_mating_db
from sequencer.recipe.model import Bench, Quantity, Recipe, Requirement
from sequencer.run.drive import asked_dbm
from sequencer.run.evaluate import evaluate
from sequencer.run.forecast import Forecast, HookupForecast, LimitForecast, SweepForecast
from sequencer.run.joints import SECONDS_A_TOUCH, touches_of
from sequencer.run.mating import thru_family
from sequencer.run.matrix import ENOUGH_DB, assumed_short, plan_for
from sequencer.run.plan import expected_thru_dbm, reflect_level_dbm, seconds_of
from sequencer.run.policy import decide
from sequencer.run.remedies import at_least_text, limit_words, remedy, within_text
from sequencer.run.standards import value_of
from sequencer.run.steps import Adjust, Ask, Connect, Done, Drop, Judge, Stop, SweepStep, Wait, Warn
from sequencer.run.visits import FORECAST, Journal
from sequencer.run.windows import WIDE

__all__ = ["TYPICAL", "TYPICAL_BENCH", "Predicted", "forecast"]

IDEAL_LOSS_DB = 0.2  # what an ideal device still loses
ISOLATED_DB = 200.0
PASSES_DB = 3.0  # half the power comes through
SKIRT_DB = 20.0  # what sides that are well isolated still let through beyond their pass bands; a guess, it proves leads
DEEP_DB = 75.0  # of a notch without a limit on its depth; common practice, no source
TYPICAL_Q = 4500.0  # of a cavity in good order; common practice, no source
BETTER_DB = 7.0  # the planner's room below a limit, less what noise must leave of it
LEAKAGE_DB = 110.0  # below the thru, double-screened leads [common practice, no source]; said as an assumption

TYPICAL = Capabilities(  # of a laboratory analyzer with tracking generator [common practice, no source]
    frequency_hz=(9e3, 3e9),
    points=(2, 10001),
    rbw_range_hz=(10.0, 3e6),
    attenuation_db=(0.0, 50.0),
    reference_dbm=(-120.0, 30.0),
    generator_dbm=(-30.0, 0.0),
    generator_fitted=True,
    display_range_db=None,
    sweep_factor=2.5,
    adjusts_tracking=True,
)

TYPICAL_BENCH = """\
# A typical laboratory bench, assumed by `check` where no bench file is given (invented, common practice).
bench: 1
analyzer:
  resource: "none"
  vswr: {limit: 1.5}
  maximum input: 20 dBm
generator: {level: 0 dBm, vswr: {limit: 1.5}}
bridge: {directivity: 36 dB, test port vswr: 1.12}
pads: {generator: {loss: 10 dB, vswr: 1.1}, analyzer: {loss: 10 dB, vswr: 1.1}}
specifications:
  scale: {per dB: 0.02 dB/dB, over range: 0.3 dB}
"""

TRIALS = 2500  # a block: the ends of an interval to 2 % of its half, finer than the noise of a bench is foretold
_START = datetime(2000, 1, 1, tzinfo=UTC)


def forecast(recipe: Recipe, bench: Bench, caps: Capabilities = TYPICAL) -> Forecast:
    """Return what a run of this recipe on this bench will be.

    Deterministic: the predicted noise scatters as real noise does, from a fixed seed. A generator is taken to do
    the level that the bench file asks of it.
    """
    level_dbm = asked_dbm(bench)
    reach = (min(caps.generator_dbm[0], level_dbm), max(caps.generator_dbm[1], level_dbm))
    caps = replace(caps, generator_dbm=reach)
    history: list[Entry] = Journal()
    history += [
        Began(
            at=_START,
            why="forecast",
            run_id=FORECAST,
            program="forecast",
            recipe_sha256=recipe.sha256,
            bench_sha256=bench.sha256,
            simulated=True,
            serial="",
        ),
        Identified(at=_START, why="assumed", identification={}, capabilities=caps),
    ]
    predicted = Predicted(recipe, bench, caps)
    hookups: list[tuple[Hookup, list[SweepForecast]]] = []
    while not isinstance(step := decide(recipe, bench, history), Done):
        match step:
            case Ask():
                history.append(
                    Answered(
                        at=_START,
                        why="",
                        question=step.question.key,
                        answer=step.question.safe_answer or "",
                        by="forecast",
                    )
                )
            case Connect():
                if step.refused:  # what is refused each time ends in Stop, as in a run
                    history.append(Refused(at=_START, why=step.refused, hookup=step.hookup.name, jump_db=step.jump_db))
                history.append(Connected(at=_START, why="", hookup=step.hookup, by="forecast"))
                hookups.append((step.hookup, []))
            case Adjust():
                history.append(Adjusted(at=_START, why=step.why, rbw_hz=step.rbw_hz, by=step.by))
            case Wait():
                history.append(Waited(at=_START, why=step.why, seconds=step.seconds))
            case Drop():
                history.append(
                    Dropped(
                        at=_START, why=step.why, hookup=step.hookup, key=step.key, role=step.role, slower=step.slower
                    )
                )
            case SweepStep():
                sweep = predicted.sweep(hookups[-1][0], step)
                history.append(
                    Swept(
                        at=_START,
                        why="",
                        hookup=step.hookup,
                        key=step.key,
                        role=step.role,
                        sweep=sweep,
                        file="",
                        sha256="",
                    )
                )
                _count(hookups[-1][1], step, sweep.instrument_s)
            case Warn():
                history.append(Warned(at=_START, why=step.why))
            case Judge():
                history.append(Judged(at=_START, why="", result_id=step.requirement, statement="", text=""))
            case Stop():
                break
    warned = [e.why for e in history if isinstance(e, Warned)]
    over = plan_for(recipe, bench, caps, history).touches_over
    return _forecast(recipe, bench, history, hookups, warned, over)


def _count(sweeps: list[SweepForecast], step: SweepStep, seconds: float) -> None:
    last = sweeps[-1] if sweeps else None
    if last is not None and (last.key, last.role, last.settings) == (step.key, step.role, step.settings):
        repeats, total = last.repeats + 1, last.seconds + seconds
        why = last.why
        sweeps.pop()
    else:
        repeats, total, why = 1, seconds, step.why
    sweeps.append(
        SweepForecast(key=step.key, role=step.role, settings=step.settings, repeats=repeats, seconds=total, why=why)
    )


def _forecast(
    recipe: Recipe,
    bench: Bench,
    history: Sequence[Entry],
    hookups: Sequence[tuple[Hookup, list[SweepForecast]]],
    warned: Sequence[str],
    touches_over: int,
) -> Forecast:
    done = evaluate(replace(recipe, exchange=()), bench, history, block=TRIALS)  # foretold both ways are alike
    touches = touches_of([hookup for hookup, _ in hookups], bench, recipe.ports)
    hands_s = SECONDS_A_TOUCH * touches
    instrument_s = sum(sweep.seconds for _, sweeps in hookups for sweep in sweeps)
    instrument_s += sum(entry.seconds for entry in history if isinstance(entry, Waited))
    results = {result.id: result for result in done.results}
    limits = tuple(_limit(r, results[r.id], bench) for r in recipe.requirements)
    matrix = () if bench.switch is None else (_MATRIX,)
    shapes = (_SHAPES,) if any(r.quantity.unit == "Hz" for r in recipe.requirements) else ()
    hidden = [r.hookup_name for r, limit in zip(recipe.requirements, limits, strict=True) if _hides(r, limit)]
    return Forecast(
        hookups=tuple(HookupForecast(hookup=h, sweeps=tuple(sweeps)) for h, sweeps in hookups),
        total_s=instrument_s + hands_s,
        hands_s=hands_s,
        limits=limits,
        assumptions=tuple(
            dict.fromkeys(
                [
                    *warned,
                    *_PREDICTED,
                    _IDEAL,
                    *shapes,
                    *matrix,
                    *_untold(hidden),
                    *done.warnings,
                    *_assumed(results.values()),
                ]
            )
        ),
        touches=touches,
        touches_over=touches_over,
    )


def _assumed(results: Iterable[Result]) -> list[str]:
    worst: dict[str, tuple[float, str]] = {}
    for result in results:
        for row in result.budget if result.bound is None else ():
            if row.origin.startswith("assumed") and row.u > worst.get(row.name, (0.0, ""))[0]:
                worst[row.name] = (row.u, f"{row.name}: assumed, up to {row.u:.2g} {result.unit} of {result.id}")
    return [text for _, text in sorted(worst.values(), reverse=True)]


def _limit(requirement: Requirement, result: Result, bench: Bench) -> LimitForecast:
    unit = result.unit
    low, high = result.interval
    short = assumed_short(requirement, bench, LEAKAGE_DB)
    if bench.switch is not None and requirement.path and unit == "dB" and low is not None:
        low = min(low, LEAKAGE_DB - ENOUGH_DB)  # the highest limit that the matrix would do for
    if requirement.minimum is not None and unit == "dB":
        if low is None:
            provable, ok = "nothing", False
        else:
            provable, ok = at_least_text(low), low >= requirement.minimum
    else:
        half = None if low is None or high is None else max(high - low, 0.0) / 2.0
        provable = "nothing" if half is None else within_text(half, unit)
        ok = half is not None and _room(requirement) > half
    ok = ok and not short
    cure = "" if ok else short or remedy(requirement, result, bench)
    return LimitForecast(id=requirement.id, limit=limit_words(requirement, unit), provable=provable, ok=ok, remedy=cure)


def _hides(requirement: Requirement, limit: LimitForecast) -> bool:
    """Whether a device at its limit may be below all that this bench shows, as leads in mid-air are."""
    return requirement.quantity is Quantity.ISOLATION and not limit.ok


def _untold(paths: Iterable[str]) -> Iterator[str]:
    for path in dict.fromkeys(paths):
        yield (
            f"{path}: where it nowhere rises above noise and leakage, this bench cannot tell an isolated path from a "
            "lead that is off; it is asked about once, and stays undecided"
        )


def _room(requirement: Requirement) -> float:
    """Return how wide a half interval may be for the limit still to mean something."""
    if requirement.minimum is not None and requirement.maximum is not None:
        return 0.5 * (requirement.maximum - requirement.minimum)
    bound = requirement.maximum if requirement.maximum is not None else requirement.minimum
    return abs(bound or 0.0) * (0.5 if requirement.quantity.unit == "dB" else 1.0)


_PREDICTED = (
    f"leakage between the leads: {LEAKAGE_DB:g} dB below the thru",
    "noise of the analyzer: -140 dBm in 1 Hz at 0 dB attenuation; the run measures it and plans its filters, sweep "
    "times and repeats anew, so a quieter analyzer sweeps for a shorter time than told here, a noisier one for longer",
)


_IDEAL = (
    "the device: matched, with 0.2 dB of loss, so a 'within' is the least to expect: simulated runs gave one to three "
    "times as much, the most without a bridge"
)
_SHAPES = (
    "bandwidths and notch frequencies: steep skirts and a notch whose bottom shows; a real device's skirts are not "
    "forecast, and simulated runs gave intervals 4 to 40 times as wide, wider still where the bottom is hidden"
)
_MATRIX = (
    f"isolation of the switch matrix: {LEAKAGE_DB:g} dB; the run measures it and says which limits it does not do for"
)


class Predicted:
    """The bench as the bench file describes it, with an ideal device."""

    def __init__(self, recipe: Recipe, bench: Bench, caps: Capabilities) -> None:
        self.recipe, self.bench, self.caps = recipe, bench, caps
        self.thru_dbm = expected_thru_dbm(bench, caps)
        self.reflect_dbm = reflect_level_dbm(bench, caps)
        stated = bench.specifications.connection_db
        self.mating_db = assumed_mating_db(thru_family(bench)) if stated is None else stated.worst
        self.shaped = False  # whether the sweep at hand is one for shapes
        self.rng = np.random.default_rng(1)  # the forecast is the same every time
        self.noise_dbm_hz = caps.noise_dbm_hz if caps.noise_dbm_hz is not None else -140.0

    def sweep(self, hookup: Hookup, step: SweepStep) -> Sweep:
        """Return what this bench would give for a step in a hookup."""
        settings = step.settings
        grid = settings.grid_hz()
        noise_dbm = self.noise_dbm_hz + settings.attenuation_db + 10.0 * np.log10(settings.rbw_hz)
        self.shaped = step.key.startswith(WIDE)
        signal_dbm = self._signal(hookup, step.role, grid) if settings.generator_dbm is not None else -400.0
        seconds = seconds_of(settings, self.caps)
        noise, signal = 10.0 ** (noise_dbm / 10.0), 10.0 ** (np.asarray(signal_dbm) / 10.0)
        samples = max(1.0, settings.rbw_hz * seconds / settings.points) if settings.detector is Detector.POWER else 1.0
        scatter = np.sqrt((noise**2 + 2.0 * noise * signal) / samples) * self.rng.standard_normal(grid.shape)
        level = 10.0 * np.log10(np.maximum(noise + signal + scatter, 0.05 * (noise + signal)))
        used = _used(settings, self.caps, seconds)
        if used.display_bottom_dbm is not None:
            level = np.maximum(level, used.display_bottom_dbm)
        return Sweep(
            trace=Trace(grid, np.broadcast_to(level, grid.shape)),
            asked=settings,
            used=used,
            flags=frozenset(),
            began=_START,
            instrument_s=seconds,
        )

    def _signal(self, hookup: Hookup, role: Role, grid: FloatArray) -> FloatArray | float:
        if hookup.re_mated:  # one reads more, the next less: the scatter is the figure the bench is taken to have
            self.mating_db = -self.mating_db
            return self.thru_dbm + self.mating_db
        if hookup.kind is HookupKind.THRU:
            return self.thru_dbm
        if hookup.kind is HookupKind.STANDARD:
            return self.thru_dbm - value_of(hookup, self.bench)
        if hookup.kind is HookupKind.FLOOR:
            return self.thru_dbm - LEAKAGE_DB
        if hookup.kind is HookupKind.REFLECT:
            return self.reflect_dbm - self._return_loss(hookup.test_port, role, grid)
        return self.thru_dbm - self._loss({hookup.generator, hookup.analyzer}, grid)

    def _return_loss(self, port: str | None, role: Role, grid: FloatArray) -> FloatArray:
        """Open and short ripple opposite ways; a port is matched where it must be and reflects elsewhere."""
        ripple = {Role.OPEN: -0.05, Role.SHORT: 0.05}.get(role)
        if ripple is not None or port not in self.recipe.ports:
            return np.full(grid.shape, ripple or ISOLATED_DB)
        matched = {r.at_hz for r in self.recipe.requirements if r.port == port}
        other = set(self.recipe.frequencies.values()) - matched
        reflected = 0.1 * (1 + self.recipe.ports.index(port))
        good = np.full(grid.shape, bool(matched))
        if matched and other:
            to_match = np.min([np.abs(grid - hz) for hz in sorted(matched)], axis=0)
            good = to_match < np.min([np.abs(grid - hz) for hz in sorted(other)], axis=0)
        for path in dict.fromkeys(r.path for r in self.recipe.requirements if r.path and port in r.path):
            good |= self._loss(set(path), grid) < PASSES_DB  # what comes through does not come back
        return np.where(good & ~self._beyond(grid), ISOLATED_DB, reflected)

    def _beyond(self, grid: FloatArray) -> np.ndarray:
        """Where an overview ends: far from every frequency in use nothing passes, and all is reflected."""
        to_end = np.min([np.abs(grid - hz) for hz in self.recipe.overview_hz], axis=0)
        to_used = np.min([np.abs(grid - hz) for hz in self.recipe.frequencies.values()], axis=0)
        return np.asarray(to_end < 0.25 * to_used)

    def _loss(self, ends: set[str | None], grid: FloatArray) -> FloatArray:
        """What comes through between two ports; beyond what is in use only a skirt, where all else is stopped."""
        here = [r for r in self.recipe.requirements if r.path and set(r.path) == ends]
        stops = bool(here) and all(_rejects(r) for r in here)
        return np.where(self._beyond(grid), SKIRT_DB if stops else ISOLATED_DB, self._between(ends, grid))

    def _between(self, ends: set[str | None], grid: FloatArray) -> FloatArray:
        """Nothing passes nearer to a rejected frequency than to a passed one; elsewhere all does.

        The wide zooms are there for shapes: in them a notch has a bottom and skirts, and a pass band edges.
        """
        here = [r for r in self.recipe.requirements if r.path and set(r.path) == ends]
        stops = {r.at_hz for r in here if _rejects(r)}
        passes = {r.at_hz for r in here} - stops or set(self.recipe.frequencies.values()) - stops
        if not stops:
            return np.full(grid.shape, IDEAL_LOSS_DB)
        to_stop = np.min([np.abs(grid - hz) for hz in sorted(stops)], axis=0)
        to_pass = (
            np.min([np.abs(grid - hz) for hz in sorted(passes)], axis=0) if passes else np.full(grid.shape, np.inf)
        )
        if not self.shaped:
            return np.where(to_stop < to_pass, ISOLATED_DB, IDEAL_LOSS_DB)
        # two aligned notches, faded out from midway so that about a tenth of the split passes with half a decibel
        x = 2.0 * to_stop / (float(np.mean(sorted(stops))) / TYPICAL_Q)
        skirts = np.maximum(_bottom_db(here) - 20.0 * np.log10(1.0 + x**2), IDEAL_LOSS_DB)
        near = np.minimum(2.0 * to_pass / (to_pass + to_stop), 1.0) if passes else np.ones(grid.shape)
        return np.asarray(IDEAL_LOSS_DB + (skirts - IDEAL_LOSS_DB) * near**4)


def _bottom_db(here: Iterable[Requirement]) -> float:
    """Return the depth of an ideal notch: as much better than its limits as a bench is planned to read."""
    minima = (r.minimum if r.quantity.unit == "dB" else r.level_db for r in here if _rejects(r))
    return max((m for m in minima if m is not None), default=DEEP_DB) + BETTER_DB


def _rejects(requirement: Requirement) -> bool:
    return requirement.quantity in {
        Quantity.REJECTION,
        Quantity.ISOLATION,
        Quantity.NOTCH_DEPTH,
        Quantity.NOTCH_FREQUENCY,
        Quantity.REJECTION_BANDWIDTH,
    }


def _used(settings: SweepSettings, caps: Capabilities, seconds: float) -> SweepSettings:
    bottom = None if caps.display_range_db is None else settings.reference_dbm - caps.display_range_db
    return replace(settings, sweep_time_s=seconds, display_bottom_dbm=bottom)
