"""The thru's joint opened and closed again: planned, told, measured, and in every interval."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from instruments.simulated import devices
from instruments.simulated.bench import Bench as SimulatedBench
from instruments.simulated.benchfile import bench_file
from instruments.simulated.profile import PROFILES
from instruments.simulated.simtime import SimulatedTime
from sequencer.core.history import Connected, Refused, Resumed, Role, Swept
from sequencer.core.hookup import RE_MATED
from sequencer.core.trace import Trace
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Figure, Pad, Specifications, SwitchFile
from sequencer.recipe.starters import read_recipe
from sequencer.run.consistency import inconsistencies
from sequencer.run.evaluate import evaluate
from sequencer.run.figures import Figures, Mated
from sequencer.run.joints import touches_of
from sequencer.run.mating import LEAST_DB, mated
from sequencer.run.measured import Measured
from sequencer.run.plan import Known, make_plan
from sequencer.run.predict import TYPICAL, forecast
from sequencer.run.steps import Connect, Done, SweepStep, Warn
from sequencer.run.visits import sweeps_of

TIMES = 5
SEEDS, VARIANT, CONNECTION_DB = 200, "free-binary", 0.06
STUDENT_5 = 2.57 / 1.96  # JCGM 100:2008 table G.2: 95 %, five degrees of freedom, over the normal's
FEWEST_OF_200 = 182  # that hold at 95 %: fewer come once in a hundred times (binomial)


@pytest.fixture
def again(play):
    """The example, its thru mated six times in all."""
    play.recipe = replace(play.recipe, re_mate=TIMES)
    return play


def reads(play, offsets_db) -> None:
    """Each re-mated thru reads so much more than the opening one, in turn; but for noise, which a real one has."""
    rng, left = np.random.default_rng(3), iter(offsets_db)

    def falsify(step, sweep):
        if step.role is not Role.RE_MATED:
            return sweep
        level = play.predicted.thru_dbm + next(left) + 1e-3 * rng.standard_normal(sweep.trace.level_dbm.size)
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, level))

    play.falsify = falsify


def seen(play) -> Mated | None:
    return mated(sweeps_of(play.history), play.bench)


def test_they_come_at_once_after_the_opening_thru_and_do_not_stand_for_it(again) -> None:
    steps = again.whole()
    assert isinstance(steps[-1], Done)
    names = [s.hookup.name for s in steps if isinstance(s, Connect)]
    assert names[: TIMES + 1] == ["thru", *[RE_MATED] * TIMES]
    assert names.count("thru") == 2
    assert sum(isinstance(s, SweepStep) and s.role is Role.RE_MATED for s in steps) == TIMES
    assert {s.key for s in steps if isinstance(s, SweepStep) and s.role is Role.RE_MATED} == {"overview"}
    sweeps = sweeps_of(again.history)
    assert len(sweeps.groups("thru", "overview", Role.THRU)) == 2


def test_the_scatter_is_the_standard_deviation_times_student_over_normal(again) -> None:
    offsets = (0.03, -0.02, 0.05, 0.01, -0.04)
    reads(again, offsets)
    again.whole()
    found = seen(again)
    assert found.times == TIMES + 1
    assert found.seen_db == pytest.approx(np.std((0.0, *offsets), ddof=1), abs=2e-4)
    assert found.u_db == pytest.approx(STUDENT_5 * found.seen_db, rel=2e-3)


def test_every_interval_has_it_in_place_of_the_assumed_figure(again) -> None:
    reads(again, (0.3, -0.2, 0.5, 0.1, -0.4))
    again.whole()
    measured = evaluate(again.recipe, again.bench, again.history)
    sweeps = [e for e in again.history if getattr(e, "role", None) is not Role.RE_MATED]
    assumed = evaluate(again.recipe, again.bench, sweeps)
    u_db = seen(again).u_db
    compared = 0
    for with_it, without in zip(measured.results, assumed.results, strict=True):
        rows = [row for row in with_it.budget if row.name.startswith("connection repeatability")]
        for row in rows:
            assert row.kind == "A"
            assert row.origin.startswith("measured in this run: 6 matings of the thru")
            assert row.value / u_db == pytest.approx({1.0: 1.0}.get(round(row.value / u_db, 6), 0.5))
        if None not in (*with_it.interval, *without.interval):
            assert np.diff(with_it.interval) > np.diff(without.interval), with_it.id
            compared += 1
    assert compared
    assert any("connection repeatability" in text for text in assumed.warnings)
    assert not any("connection repeatability" in text for text in measured.warnings)


def test_one_joint_speaks_for_its_own_family_alone(bench) -> None:
    pads = {"generator_pad": Pad(loss_db=10.0, connector="N"), "analyzer_pad": Pad(loss_db=10.0, connector="BNC")}
    own = Mated(connector="BNC", times=6, u_db=0.07, seen_db=0.05, few=1.4, range_db=0.1, hours=0.1)
    figures = Figures(replace(bench, **pads), own)
    first, second, thru = figures.connections("TX-ANT", 1)
    assert (first.origin, first.value, first.kind) == ("assumed for N", 0.02, "B")
    assert (second.value, second.kind, thru.value, thru.kind) == (0.07, "A", 0.07, "A")
    (text,) = [t for t in figures.assumptions(bridge=False) if t.startswith("connection")]
    assert text == "connection repeatability, dB: 0.02 (N)"


def test_a_joint_that_repeats_perfectly_is_not_refused_and_not_believed(again) -> None:
    reads(again, (0.0,) * TIMES)
    steps = again.whole()
    assert isinstance(steps[-1], Done)
    assert not any(isinstance(e, Refused) for e in again.history)
    assert seen(again).u_db == LEAST_DB
    (text,) = [t for t in evaluate(again.recipe, again.bench, again.history).warnings if "matings" in t]
    assert "was it opened each time?" in text


def test_a_scatter_beyond_what_the_bench_file_states_is_said_and_taken(again) -> None:
    again.bench = replace(again.bench, specifications=Specifications(connection_db=Figure(limit=0.02)))
    reads(again, (0.15, -0.15, 0.15, -0.15, 0.15))
    again.whole()
    measured = Measured(again.recipe, again.bench, sweeps_of(again.history))
    assert any("6 matings of the thru differ by up to 0.3" in text for text in inconsistencies(measured))
    assert measured.figures.connections("TX-ANT", 1)[0].value > 0.15


def test_a_loose_joint_is_made_once_more_and_counts_once(again) -> None:
    reads(again, (-12.0, 0.02, -0.02, 0.02, -0.02, 0.02))  # the first is hardly closed
    steps = again.whole()
    assert isinstance(steps[-1], Done)
    assert [s.refused != "" for s in steps if isinstance(s, Connect) and s.hookup.name == RE_MATED][:3] == [
        False, True, False,
    ]  # fmt: skip
    assert seen(again).times == TIMES + 1
    assert seen(again).range_db < 0.05


@pytest.mark.parametrize("stopped_at", range(1, TIMES + 1))
def test_a_run_that_stops_among_them_goes_on_where_it_was(again, stopped_at: int) -> None:
    """The one in progress is made anew, after the check of the reference; none is lost or counted twice."""

    def nth(step):
        return isinstance(step, SweepStep) and step.role is Role.RE_MATED and count() == stopped_at

    def count():
        return sum(isinstance(e, Connected) and e.hookup.name == RE_MATED for e in again.history)

    again.do(again.until(nth))
    last = again.history[-1]
    again.history.append(Resumed(at=last.at, why="", program="p", hookup=RE_MATED))
    again.history.append(again.history[1])  # identified anew: the same bench
    again.do(again.until(lambda s: isinstance(s, Connect)))
    assert again.history[-1].check
    steps = again.whole()
    assert isinstance(steps[-1], Done)
    assert seen(again).times == TIMES + 1


def test_a_switch_that_makes_no_joint_anew_leaves_it_out_and_says_so(again) -> None:
    hookups = {s.hookup.name: "x" for s in make_plan(again.recipe, again.bench, TYPICAL, Known()).stations}
    del hookups[RE_MATED]
    again.bench = replace(again.bench, switch=SwitchFile(resource="S", hookups=hookups))
    plan = make_plan(again.recipe, again.bench, TYPICAL, Known())
    assert not any(s.hookup.re_mated for s in plan.stations)
    assert [name for name, _ in plan.gaps] == ["connection repeatability"]
    warned = again.until(lambda s: isinstance(s, Warn) and s.why.startswith("connection repeatability"))
    assert "opens no joint" in warned.why


def test_check_counts_its_touches_and_foretells_what_is_assumed(again) -> None:
    told, plain = (forecast(recipe, again.bench) for recipe in (again.recipe, replace(again.recipe, re_mate=0)))
    assert told.touches == plain.touches + 2 * TIMES
    assert touches_of([h.hookup for h in told.hookups], again.bench, again.recipe.ports) == told.touches
    assert told.hands_s > plain.hands_s
    wider = [a.provable for a in told.limits]
    assert len(wider) == len(plain.limits)
    predicted = replace(again.recipe, re_mate=4)
    again.recipe = predicted
    again.whole()
    assert seen(again).seen_db == pytest.approx(0.02, rel=0.02)  # what is assumed where no family is told


def test_a_recipe_says_how_often() -> None:
    text, source = read_recipe("vhf-600k-thorough")
    assert load_recipe(text, source).re_mate == 5
    with pytest.raises(Exception, match=r"re-mate: '2' is not a whole number from 3 to 20"):
        load_recipe(text.replace("re-mate: 5", "re-mate: 2"), source)


# ---- against the truth of the simulated bench -------------------------------------------------------


@pytest.fixture(scope="module")
def on_benches(inprocess):
    """200 benches whose joints repeat badly: (what six matings of the thru say, the error of one more mating, dB)."""
    device = devices.build("vhf-600k")
    profile = replace(PROFILES["lab"], connection_db=CONNECTION_DB)
    recipe = load_recipe(*read_recipe("vhf-600k-thorough"))
    found = []
    for seed in range(SEEDS):
        world = SimulatedBench(device, profile, seed, SimulatedTime(0.0), cable_move_s=15.0)
        place = inprocess.InProcess(world, VARIANT)
        text = bench_file(
            profile, analyzer="a", switch="s", dialect=VARIANT, ports=device.ports, relays=world.relays
        )  # fmt: skip
        bench = load_bench(text, "simulated bench")
        plan = make_plan(recipe, bench, place.analyzer.capabilities(), Known())
        history = []
        for station in plan.stations[: TIMES + 1]:
            world.connect(station.hookup.name)
            planned = next(s for s in station.sweeps if s.role in (Role.THRU, Role.RE_MATED))
            sweep = place.analyzer.sweep(planned.settings)
            history.append(Connected(at=sweep.began, why="", hookup=station.hookup, by="test"))
            history.append(
                Swept(
                    at=sweep.began, why="", hookup=station.hookup.name, key=planned.key, role=planned.role, sweep=sweep,
                    file="", sha256="",
                )
            )  # fmt: skip
        world.connect("thru")
        found.append((mated(sweeps_of(history), bench), world._mating_db))
    return found


def test_what_is_measured_covers_what_one_more_mating_does(on_benches) -> None:
    assert sum(abs(error_db) <= 1.96 * seen.u_db for seen, error_db in on_benches) >= FEWEST_OF_200


def test_the_scatter_covers_the_true_one_within_what_six_matings_tell(on_benches) -> None:
    """Chi-squared of five degrees of freedom: 0.831 and 12.83 at 2.5 and 97.5 % (tables)."""
    true_db = 0.95 * CONNECTION_DB / math.sqrt(3.0)  # uniform on both sides, in the simulated bench
    low, high = math.sqrt(5.0 / 12.83), math.sqrt(5.0 / 0.831)
    assert all(seen.times == TIMES + 1 for seen, _ in on_benches)
    assert sum(low * seen.seen_db <= true_db <= high * seen.seen_db for seen, _ in on_benches) >= FEWEST_OF_200
    assert np.sqrt(np.mean([seen.seen_db**2 for seen, _ in on_benches])) == pytest.approx(true_db, rel=0.1)
