"""`check`: decide, fed by a predicting bench, so that what is foretold is what the run will do; pure.

The predicting bench answers each sweep with what a likely device would give: the loss and the match that the
recipe's limits allow, and nothing but noise where it wants much. What the evaluation then states is the most this
bench can prove; how wide the intervals are is what it costs.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache

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
from sequencer.core.record import Result, Statement
from sequencer.core.trace import Detector, FloatArray, Sweep, SweepSettings, Trace, own
from sequencer.recipe.connectors import assumed_mating_db
from sequencer.recipe.model import Bench, Decision, Quantity, Recipe, Requirement
from sequencer.run.drive import asked_dbm
from sequencer.run.evaluate import evaluate
from sequencer.run.forecast import Forecast, HookupForecast, LimitForecast, SweepForecast
from sequencer.run.guard import MOST_GUARDED, guard_band
from sequencer.run.joints import SECONDS_A_TOUCH, touches_of
from sequencer.run.likely import HIDDEN_DB, LOSS_DB, MATCH_DB, LikelyDevice
from sequencer.run.mating import thru_family
from sequencer.run.matrix import ENOUGH_DB, assumed_short, plan_for
from sequencer.run.plan import expected_thru_dbm, reflect_level_dbm, seconds_of
from sequencer.run.policy import decide
from sequencer.run.remedies import at_least_text, limit_words, remedy, within_text
from sequencer.run.settings import ASSUMED_NOISE_DBM_HZ, SETTLING_S
from sequencer.run.standards import value_of
from sequencer.run.steps import Adjust, Ask, Connect, Done, Drop, Judge, Stop, SweepStep, Wait, Warn
from sequencer.run.visits import FORECAST, Journal
from sequencer.run.windows import WIDE

__all__ = ["TYPICAL", "TYPICAL_BENCH", "Predicted", "forecast"]

_NO_TWO_ALIKE = 1e-6  # of the scatter: traces alike in every bit were not swept anew, such points are a display's end
_GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)  # of one, over and over: points as far apart as can be
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

    Deterministic: the predicted noise is what is expected of it, and nothing is drawn. A generator is taken to do
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
    best, matched = Predicted(recipe, bench, caps, best=True), Journal()  # the same run, its ports matched so
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
                swept = Swept(
                    at=_START,
                    why="",
                    hookup=step.hookup,
                    key=step.key,
                    role=step.role,
                    sweep=sweep,
                    file="",
                    sha256="",
                )
                if step.role is Role.REFLECTION:
                    matched += history[len(matched) :]
                    matched.append(replace(swept, sweep=best.sweep(hookups[-1][0], step)))
                history.append(swept)
                _count(hookups[-1][1], step, sweep.instrument_s)
            case Warn():
                history.append(Warned(at=_START, why=step.why))
            case Judge():
                history.append(Judged(at=_START, why="", result_id=step.requirement, statement="", text=""))
            case Stop():
                break
    warned = [e.why for e in history if isinstance(e, Warned)]
    over = plan_for(recipe, bench, caps, history).touches_over
    matched += history[len(matched) :]
    return _forecast(recipe, bench, (history, matched), hookups, warned, over)


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
    histories: tuple[Sequence[Entry], Sequence[Entry]],
    hookups: Sequence[tuple[Hookup, list[SweepForecast]]],
    warned: Sequence[str],
    touches_over: int,
) -> Forecast:
    history, matched = histories
    paths, ports = (
        evaluate(  # foretold both ways are alike
            replace(
                recipe, exchange=(), requirements=tuple(r for r in recipe.requirements if r.quantity.of_port is of)
            ),
            bench,
            entries,
            block=TRIALS,
        )
        for of, entries in ((False, history), (True, matched))
    )
    touches = touches_of([hookup for hookup, _ in hookups], bench, recipe.ports)
    hands_s = SECONDS_A_TOUCH * touches
    instrument_s = sum(sweep.seconds for _, sweeps in hookups for sweep in sweeps)
    instrument_s += sum(entry.seconds for entry in history if isinstance(entry, Waited))
    results = {result.id: result for result in (*paths.results, *ports.results)}
    by_hand = {hookup.name for hookup, _ in hookups if hookup.by_hand}
    past_it = replace(bench, switch=None)
    limits = tuple(
        _limit(r, results[r.id], recipe.decision, past_it if r.hookup_name in by_hand else bench)
        for r in recipe.requirements
    )
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
                    *_predicted(bench),
                    _LIKELY,
                    *shapes,
                    *matrix,
                    *_untold(hidden),
                    *paths.warnings,
                    *ports.warnings,
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


def _limit(requirement: Requirement, result: Result, decision: Decision, bench: Bench) -> LimitForecast:
    unit = result.unit
    low, high = result.interval
    short = assumed_short(requirement, bench, LEAKAGE_DB)
    if bench.switch is not None and requirement.path and unit == "dB" and low is not None:
        low = min(low, LEAKAGE_DB - ENOUGH_DB)  # the highest limit that the matrix would do for
    passes = ""
    if requirement.quantity in _AS_MUCH_AS_CAN_BE:
        provable = "nothing" if low is None else at_least_text(low)
        ok = result.statement is Statement.PASS
    elif low is None or high is None or result.value is None:
        provable, ok = "nothing", False
    else:
        provable = within_text(max(high - low, 0.0) / 2.0, unit)
        band = guard_band(requirement, result.value - low, high - result.value, decision)
        passes, ok = band.text(unit), band.share <= MOST_GUARDED
    ok = ok and not short
    cure = "" if ok else short or remedy(requirement, result, bench)
    return LimitForecast(
        id=requirement.id,
        limit=limit_words(requirement, unit),
        provable=provable,
        passes=passes,
        ok=ok,
        remedy=cure,
    )


def _hides(requirement: Requirement, limit: LimitForecast) -> bool:
    """Whether a device at its limit may be below all that this bench shows, as leads in mid-air are."""
    return requirement.quantity is Quantity.ISOLATION and not limit.ok


def _untold(paths: Iterable[str]) -> Iterator[str]:
    for path in dict.fromkeys(paths):
        yield (
            f"{path}: where it nowhere rises above noise and leakage, this bench cannot tell an isolated path from a "
            "lead that is off; it is asked about once, and stays undecided"
        )


_AS_MUCH_AS_CAN_BE = {Quantity.REJECTION, Quantity.ISOLATION, Quantity.NOTCH_DEPTH, Quantity.RETURN_LOSS}


def _predicted(bench: Bench) -> tuple[str, ...]:
    leakage = f"leakage between the leads: {LEAKAGE_DB:g} dB below the thru"
    settling = f"{SETTLING_S:g} s for commands and settling round each sweep"
    if bench.specifications.noise_dbm_hz is not None:
        return leakage, settling
    noise = (
        f"noise of the analyzer: {ASSUMED_NOISE_DBM_HZ:g} dBm in 1 Hz at 0 dB attenuation. It decides how long the "
        "sweeps take: the run measures it and plans its filters, sweep times and repeats anew, so an analyzer of 10 dB "
        "less takes as little as a tenth of the time told here, one of 10 dB more ten times as long; 'noise' under "
        "'specifications' states yours"
    )
    return leakage, noise, settling


_LIKELY = (
    f"the device: it loses and reflects what its limits allow ({LOSS_DB:g} dB of "
    f"loss and {MATCH_DB:g} dB of return loss where there is none), and what it must reject is hidden; noise as it is "
    "on average, so that of two like runs one proves a little more, the other less"
)
_SHAPES = (
    "bandwidths and notch frequencies: aligned cavities that just keep the limits; skirts that are lopsided or bottoms "
    "that are hidden widen those intervals, in simulated runs up to three times"
)
_MATRIX = (
    f"isolation of the switch matrix: {LEAKAGE_DB:g} dB; the run measures it and says which limits it does not do for"
)


class Predicted:
    """The bench as the bench file describes it, with the likely device of the recipe, or the ``best``.

    Noise scatters by its standard deviation to either side in turn, so that repeats average to what is expected.
    """

    def __init__(self, recipe: Recipe, bench: Bench, caps: Capabilities, *, best: bool = False) -> None:
        self.recipe, self.bench, self.caps = recipe, bench, caps
        self.device = LikelyDevice(recipe, best)
        self.thru_dbm = expected_thru_dbm(bench, caps)
        self.reflect_dbm = reflect_level_dbm(bench, caps)
        stated = bench.specifications.connection_db
        # what is stated is a limit, and joints scatter evenly within it
        self.mating_db = assumed_mating_db(thru_family(bench)) if stated is None else stated.worst / math.sqrt(3.0)
        self.taken: Counter[tuple[str, str, Role]] = Counter()
        known_dbm_hz = (caps.noise_dbm_hz, bench.specifications.noise_dbm_hz, ASSUMED_NOISE_DBM_HZ)
        self.noise_dbm_hz = next(each for each in known_dbm_hz if each is not None)

    def sweep(self, hookup: Hookup, step: SweepStep) -> Sweep:
        """Return what this bench would give for a step in a hookup."""
        settings = step.settings
        grid = settings.grid_hz()
        noise_dbm = self.noise_dbm_hz + settings.attenuation_db + 10.0 * np.log10(settings.rbw_hz)
        signal_dbm = self._signal(hookup, step, grid) if settings.generator_dbm is not None else -400.0
        seconds = seconds_of(settings, self.caps)
        noise, signal = 10.0 ** (noise_dbm / 10.0), 10.0 ** (np.asarray(signal_dbm) / 10.0)
        samples = max(1.0, settings.rbw_hz * seconds / settings.points) if settings.detector is Detector.POWER else 1.0
        scatter = np.sqrt((noise**2 + 2.0 * noise * signal) / samples) * self._sigmas(hookup, step, grid.size)
        level = 10.0 * np.log10(np.maximum(noise + signal + scatter, 1e-3 * (noise + signal)))
        used = _used(settings, self.caps, seconds)
        if used.display_bottom_dbm is not None:
            level = np.maximum(level, used.display_bottom_dbm)
        return Sweep(
            trace=Trace(grid, np.broadcast_to(level, grid.shape)),
            asked=settings,
            used=used,
            flags=frozenset(),
            began=_START,
            instrument_s=seconds + SETTLING_S,
        )

    def _sigmas(self, hookup: Hookup, step: SweepStep, points: int) -> FloatArray:
        """Return how many standard deviations each point stands off: over the repeats none, and one in the root mean.

        Neighbours stand on opposite sides, so that the points of one sweep average out as well. Of an odd number of
        repeats one more stands below, and nearer: no power is less than nothing.
        """
        place = (hookup.name, step.key, step.role)
        number, repeats = self.taken[place], step.repeats
        self.taken[place] += 1
        at = np.arange(points)
        if repeats > 1:
            odd = repeats % 2
            far = math.sqrt((repeats + odd) / repeats) if odd else math.sqrt((repeats - 1) / repeats)
            near = far * (repeats - odd) / (repeats + odd)
            sigmas = np.where((number + at * (repeats // 2)) % repeats < repeats // 2, far, -near)
        else:
            sigmas = _scattered(points)[(at + number) % points]
        return np.asarray(sigmas * (1.0 + _NO_TWO_ALIKE * (self.taken.total() + at / points)))

    def _signal(self, hookup: Hookup, step: SweepStep, grid: FloatArray) -> FloatArray | float:
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
            return self.reflect_dbm - self._return_loss(hookup.test_port, step.role, grid)
        ends = {hookup.generator, hookup.analyzer}
        return self.thru_dbm - self.device.loss_db(ends, grid, shaped=step.key.startswith(WIDE))

    def _return_loss(self, port: str | None, role: Role, grid: FloatArray) -> FloatArray:
        """Open and short ripple opposite ways."""
        ripple = {Role.OPEN: -0.05, Role.SHORT: 0.05}.get(role)
        if port is None or ripple is not None or port not in self.recipe.ports:
            return np.full(grid.shape, ripple or HIDDEN_DB)
        return self.device.return_loss_db(port, grid)


@lru_cache(maxsize=32)
def _scattered(points: int) -> FloatArray:
    """Return what single samples of noise stand off by, in standard deviations: each quantile once, well mixed."""
    rank = np.argsort(np.argsort(np.arange(points) * _GOLDEN % 1.0))
    power = -np.log(1.0 - (rank + 0.5) / points)  # of noise in a filter: exponential
    off = power - power.mean()
    return own(off / max(float(off.std()), -float(off.min()), 1e-9))


def _used(settings: SweepSettings, caps: Capabilities, seconds: float) -> SweepSettings:
    bottom = None if caps.display_range_db is None else settings.reference_dbm - caps.display_range_db
    return replace(settings, sweep_time_s=seconds, display_bottom_dbm=bottom)
