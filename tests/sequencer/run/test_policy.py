"""decide() step by step, on journals made without sockets."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sequencer.core.history import Connected, Refused, Role, Swept
from sequencer.core.record import Statement
from sequencer.core.trace import Flag, Sweep, Trace
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.evaluate import evaluate
from sequencer.run.plan import expected_thru_dbm
from sequencer.run.policy import MOST_TRIES
from sequencer.run.predict import TYPICAL
from sequencer.run.steadiness import FLEX_SWEEPS, unsteady
from sequencer.run.steps import Adjust, Ask, Connect, Done, Judge, Stop, SweepStep, Warn

AT = datetime(2026, 1, 1, tzinfo=UTC)


def level(sweep: Sweep, values) -> Sweep:
    return replace(sweep, trace=Trace(sweep.trace.freq_hz, np.broadcast_to(values, sweep.trace.freq_hz.shape)))


def test_the_first_question_is_whether_the_transmitter_is_locked_out(play) -> None:
    step = play.step()
    assert isinstance(step, Ask)
    assert step.question.key == "transmitter"
    assert step.question.safe_answer == "locked out"  # on the simulated bench only


def test_a_real_bench_has_no_safe_answer_for_the_transmitter(play) -> None:
    play.history[0] = replace(play.history[0], simulated=False)
    assert play.step().question.safe_answer is None


def test_the_generator_stays_off_for_the_first_sweep(play) -> None:
    step = play.until(lambda s: isinstance(s, SweepStep))
    assert step.role is Role.FOREIGN
    assert step.settings.generator_dbm is None


def test_the_run_has_the_order_of_the_design(play) -> None:
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    hookups = [s.hookup.name for s in steps if isinstance(s, Connect)]
    assert hookups[0] == "thru"
    assert hookups.count("thru") == 2
    paths = {"TX-ANT", "ANT-RX", "TX-RX"}
    closing = len(hookups) - 1 - hookups[::-1].index("thru")
    assert set(hookups[1:closing]) == paths | {"floor"}
    assert set(hookups[closing + 1 :]) == {"reflect-open", "reflect-short", "reflect-TX", "reflect-RX", "reflect-ANT"}
    assert [s.requirement for s in steps if isinstance(s, Judge)] == [r.id for r in play.recipe.requirements]


def test_tracking_is_adjusted_once_before_any_thru_counts(play) -> None:
    steps = play.whole()
    adjusted = [n for n, s in enumerate(steps) if isinstance(s, Adjust)]
    first_thru = next(n for n, s in enumerate(steps) if isinstance(s, SweepStep) and s.role is Role.THRU)
    assert len(adjusted) == 1
    assert adjusted[0] < first_thru
    narrowest = min(s.settings.rbw_hz for s in steps if isinstance(s, SweepStep))
    assert steps[adjusted[0]].rbw_hz == narrowest


def test_same_journal_same_step(play) -> None:
    while not isinstance(step := play.step(), Done):
        assert play.step() == step
        play.do(step)


def test_a_cut_journal_leads_to_the_same_run(play) -> None:
    """Resuming is deciding on what is there: from every cut the rest is the same."""
    whole = play.whole()
    for cut in range(2, len(play.history), 7):
        again = type(play)(play.recipe, play.bench, play.history[:cut])
        again.hookup = next((e.hookup for e in reversed(again.history) if isinstance(e, Connected)), None)
        rest = again.whole()
        assert rest == whole[len(whole) - len(rest) :]


@pytest.mark.parametrize(
    ("falsified", "said"),
    [
        pytest.param(lambda s: level(s, -60.0), "too little level", id="leads not joined"),
        pytest.param(lambda s: level(s, -1.0), "too much level", id="pads missing"),
        pytest.param(lambda s: level(s, np.linspace(-17.0, -26.0, s.trace.freq_hz.size)), "not flat", id="bad lead"),
        pytest.param(
            lambda s: level(s, np.where(np.arange(s.trace.freq_hz.size) < 300, -21.0, -22.0)), "step", id="loose joint"
        ),
        pytest.param(lambda s: replace(s, flags=frozenset({Flag.OVERLOAD})), "overloaded", id="overload"),
        pytest.param(lambda s: level(s, np.where(np.arange(s.trace.freq_hz.size) == 3, np.nan, -21.0)), "without data"),
    ],
)
def test_a_bad_thru_is_refused_and_asked_for_again(play, falsified, said: str) -> None:
    play.falsify = lambda step, sweep: falsified(sweep) if step.role is Role.THRU else sweep
    step = play.until(lambda s: isinstance(s, Connect) and s.refused)
    assert step.hookup.name == "thru"
    assert said in step.refused


def test_a_hookup_refused_again_and_again_stops_the_run(play) -> None:
    play.falsify = lambda step, sweep: level(sweep, -60.0) if step.role is Role.THRU else sweep
    steps = play.whole()
    assert isinstance(steps[-1], Stop)
    assert sum(isinstance(s, Connect) for s in steps) == MOST_TRIES


def test_a_mended_hookup_goes_on_and_what_was_refused_is_taken_again(play) -> None:
    bad = {"left": 1}

    def once(step, sweep):
        if step.role is Role.LEAKAGE and bad["left"]:
            bad["left"] -= 1
            return level(sweep, -22.0)
        return sweep

    play.falsify = once
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    assert [s.refused != "" for s in steps if isinstance(s, Connect) and s.hookup.name == "floor"] == [False, True]


@pytest.mark.parametrize("stuck", ["TX-ANT", "TX-RX", "ANT-RX", "reflect-short", "reflect-RX"])
def test_a_relay_that_sticks_is_found(play, stuck: str) -> None:
    """The hookup asked for gives the sweep of the one before, with fresh noise of 0.002 dB."""
    last: dict[str, Sweep] = {}
    rng = np.random.default_rng(1)

    def sticks(step, sweep):
        if step.key != "overview" or sweep.used.generator_dbm is None:
            return sweep
        if step.hookup == stuck:
            noise = rng.normal(scale=0.002, size=sweep.trace.freq_hz.shape)
            return level(sweep, last["sweep"].trace.level_dbm + noise)
        last["sweep"] = sweep
        return sweep

    play.falsify = sticks
    step = play.until(lambda s: isinstance(s, Connect) and s.refused)
    assert step.hookup.name == stuck
    if stuck != "reflect-short":  # there it is said and kept: open and short may truly agree
        assert isinstance(play.whole()[-1], Stop)


def test_a_foreign_signal_is_said_once(play) -> None:
    def with_signal(step, sweep):
        if step.role is Role.FOREIGN:
            values = np.array(sweep.trace.level_dbm)
            values[100] = -40.0
            return level(sweep, values)
        return sweep

    play.falsify = with_signal
    steps = play.whole()
    said = [s.why for s in steps if isinstance(s, Warn)]
    assert len(said) == 1
    assert "generator off, a signal of -40 dBm" in said[0]


def test_a_thru_that_moved_is_said(play) -> None:
    seen = {"thru": 0}

    def drifting(step, sweep):
        if step.role is Role.THRU and step.key == "overview":
            seen["thru"] += 1
            return level(sweep, sweep.trace.level_dbm - 0.3 * (seen["thru"] - 1))
        return sweep

    play.falsify = drifting
    said = [s.why for s in play.whole() if isinstance(s, Warn)]
    assert any("moved by up to 0.3" in text for text in said)


def test_no_generator_no_run(play) -> None:
    play.history[1] = replace(play.history[1], capabilities=replace(TYPICAL, generator_fitted=False))
    assert isinstance(play.step(), Stop)


def test_the_planner_uses_the_noise_it_has_seen(play) -> None:
    quiet = type(play)(play.recipe, play.bench, play.history)

    def lower(step, sweep):
        return level(sweep, sweep.trace.level_dbm - 15.0) if step.role is Role.FOREIGN else sweep

    quiet.falsify = lower
    is_zoom = lambda s: isinstance(s, SweepStep) and s.key == "receive" and s.role is Role.THRU  # noqa: E731
    assert quiet.until(is_zoom).settings.rbw_hz > play.until(is_zoom).settings.rbw_hz


def test_expected_level_counts_pads_and_leads(bench: Bench) -> None:
    assert expected_thru_dbm(bench, TYPICAL) == pytest.approx(-21.0)


def jumping(hookup: str, times: int):
    """The device lets go in every other zoom of one hookup, a given number of times."""
    state = {"left": times, "n": 0}

    def falsify(step, sweep):
        if step.hookup == hookup and step.role is Role.DEVICE and step.key != "overview":
            state["n"] += 1
            if state["n"] % 2 and state["left"]:
                state["left"] -= 1
                return level(sweep, sweep.trace.level_dbm - 0.6)
        return sweep

    return falsify


def test_a_jump_is_taken_again_with_more_sweeps(play) -> None:
    play.falsify = jumping("TX-ANT", 1)
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    again = [s for s in steps if isinstance(s, Connect) and s.refused]
    assert [s.hookup.name for s in again] == ["TX-ANT"]
    assert "jumped by 0.6 dB" in again[0].refused
    counted = [e for e in play.history if isinstance(e, Swept) and e.hookup == "TX-ANT" and e.key == "transmit"]
    assert len(counted) >= 8
    assert not unsteady(play.history)


def test_a_jump_that_comes_back_is_said_and_nothing_is_decided_on_it(play) -> None:
    play.falsify = jumping("TX-ANT", 99)
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    assert any("TX-ANT does not repeat" in s.why for s in steps if isinstance(s, Warn))
    assert unsteady(play.history) == {"TX-ANT": pytest.approx(0.6, abs=0.05)}
    done = evaluate(play.recipe, play.bench, play.history)
    for requirement, result in zip(play.recipe.requirements, done.results, strict=True):
        if requirement.hookup_name == "TX-ANT":
            assert result.statement is not Statement.PASS


@pytest.mark.parametrize(
    ("leads_too", "said"),
    [
        pytest.param(False, "in TX-ANT is the device's", id="the thru holds"),
        pytest.param(True, "in TX-ANT is not located", id="the thru jumps too"),
    ],
)
def test_the_same_flex_on_the_thru_tells_whose_joint_it_is(play, leads_too: bool, said: str) -> None:
    device, taken = jumping("TX-ANT", 99), {"n": 0}

    def falsify(step, sweep):
        if leads_too and step.role is Role.THRU and step.key == "transmit":
            taken["n"] += 1
            return level(sweep, sweep.trace.level_dbm - 0.4 * (taken["n"] % 3 == 0))
        return device(step, sweep)

    play.falsify = falsify
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    texts = [s.why for s in steps if isinstance(s, Warn)]
    assert sum(said in text for text in texts) == 1
    closing = [s for s in steps if isinstance(s, SweepStep) and s.role is Role.THRU and s.key == "transmit"]
    assert len(closing) == 1 + FLEX_SWEEPS  # the opening thru, and the flexed one
    assert "flex" in closing[-1].why


def test_a_jump_on_the_bridge_is_not_located(play) -> None:
    state = {"n": 0}

    def falsify(step, sweep):
        if step.role is Role.REFLECTION and step.hookup == "reflect-TX" and step.key == "receive":
            state["n"] += 1
            return level(sweep, sweep.trace.level_dbm + 0.6 * (state["n"] % 2))
        return sweep

    play.falsify = falsify
    assert any("reflect-TX is not located" in s.why for s in play.whole() if isinstance(s, Warn))


def test_noise_is_no_jump(play) -> None:
    """The predicting bench scatters as noise does; a whole run of it must not see a jump."""
    play.whole()
    assert not any(isinstance(e, Refused) for e in play.history)


def test_a_symmetric_cavity_may_reflect_alike_at_both_ends(
    recipe: Recipe, bench: Bench, opening: list[object], play_on
) -> None:
    need = recipe.requirements[0]
    one = replace(
        recipe,
        ports=("IN", "OUT"),
        requirements=(
            replace(need, id="insertion loss IN-OUT transmit", path=("IN", "OUT")),
            replace(recipe.requirements[6], id="return loss IN transmit", port="IN"),
            replace(recipe.requirements[6], id="return loss OUT transmit", port="OUT"),
        ),
    )
    twin = play_on(one, bench, opening)
    ends: dict[str, Sweep] = {}

    def alike(step, sweep):
        if step.role is Role.REFLECTION:  # alike, but for what noise does
            first = ends.setdefault(step.key, sweep).trace
            noise = 1e-3 * np.random.default_rng(len(twin.history)).standard_normal(first.freq_hz.size)
            return replace(sweep, trace=Trace(first.freq_hz, first.level_dbm + noise))
        return sweep

    twin.falsify = alike
    steps = twin.whole()
    assert isinstance(steps[-1], Done)
    assert any("reflects like the hookup before it" in s.why for s in steps if isinstance(s, Warn))


def test_open_and_short_on_a_very_good_bridge_are_taken_twice_and_kept(play) -> None:
    ends: dict[str, Sweep] = {}

    def alike(step, sweep):
        return ends.setdefault(step.key, sweep) if step.role in {Role.OPEN, Role.SHORT} else sweep

    play.falsify = alike
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    again = [s.hookup.name for s in steps if isinstance(s, Connect) and s.refused]
    assert again in (["reflect-short"], ["reflect-open"])
    assert sum("reflects like the hookup before it" in s.why for s in steps if isinstance(s, Warn)) == 1


@pytest.mark.parametrize("reach_hz", [(9e3, 146.3e6), (145e6, 3e9)])
def test_what_the_analyzer_cannot_reach_is_refused_before_anything_is_asked(
    play, reach_hz: tuple[float, float]
) -> None:
    play.history[1] = replace(play.history[1], capabilities=replace(TYPICAL, frequency_hz=reach_hz))
    (step,) = play.whole()
    assert isinstance(step, Stop)
    assert "measured from 144.000 MHz to 148.000 MHz, and this analyzer reaches from" in step.why


def test_two_ports_of_a_symmetric_device_are_asked_about_once_and_kept(play) -> None:
    ends: dict[str, Sweep] = {}
    ports = ("reflect-TX", "reflect-RX", "reflect-ANT")

    def alike(step, sweep):
        if step.role is Role.REFLECTION and step.hookup in ports:
            first = ends.setdefault(step.key, sweep).trace
            noise = 1e-3 * np.random.default_rng(len(play.history)).standard_normal(first.freq_hz.size)
            return replace(sweep, trace=Trace(first.freq_hz, first.level_dbm + noise))
        return sweep

    play.falsify = alike
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    assert any("reflects like the hookup before it" in s.why for s in steps if isinstance(s, Warn))
    again = [s.hookup.name for s in steps if isinstance(s, Connect) and s.refused]
    assert again == [name for name in dict.fromkeys(again) if name in ports]  # each once
