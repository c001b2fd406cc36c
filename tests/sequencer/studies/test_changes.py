"""Differences against hand reckoning, and false alarms of the whole family against the promised 5 %."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sequencer.core.record import Limit, Statement
from sequencer.errors import UsageError
from sequencer.recipe.loader import load_recipe
from sequencer.studies.changes import carried, check_baseline, check_limits_on_change, compare, with_baseline

OTHER = {"identification": {"analyzer": "Invented Laboratory,analyzer,78,1.0"}}
MONTE_CARLO = 0.02  # relative: a 97.5 % point of 50,000 draws of a normal is known to 0.9 % (one standard deviation)


def rejection(make, value, *budget, **more):
    return make.result("rejection", "TX-ANT", "receive", value, budget, **more)


def change(make, first, second, **other):
    against = compare(make.record(first), make.record(second, days=1, **other))
    return against.quantities[0].change


def half(of) -> float:
    return 0.5 * (of.interval[1] - of.interval[0])


def test_independent_runs_give_the_e_n_of_iso_13528(make) -> None:
    """E_n = (x - X) / sqrt(U_lab^2 + U_ref^2), ISO 13528:2015 9.7 [from memory]; here k = 1.96 for 95 %."""
    u = (0.3, 0.4)
    first, second = (rejection(make, x, make.line("noise", s)) for x, s in zip((80.0, 81.2), u, strict=True))
    found = change(make, first, second, **OTHER)
    expected = 1.2 / math.hypot(*(1.96 * s for s in u))
    assert found.difference == pytest.approx(1.2)
    assert found.e_n == pytest.approx(expected, rel=MONTE_CARLO)
    assert half(found) == pytest.approx(1.2 / expected, rel=MONTE_CARLO)


def test_g18_a_recheck_just_beyond_the_criterion(make) -> None:
    """84.9 +- 1.7 dB against 87.2 +- 1.5 dB: |E_n| = 1.01449, beyond 1 (ISO 13528:2015, ISO/IEC 17043; clauses not
    checked), where U is 1.96 u.
    """
    first, second = (
        rejection(make, x, make.line("noise", half_width / 1.96)) for x, half_width in ((87.2, 1.5), (84.9, 1.7))
    )
    found = change(make, first, second, **OTHER)
    assert found.e_n == pytest.approx(-1.01449, rel=MONTE_CARLO)
    assert found.difference == pytest.approx(-2.3)


def test_a_shared_scale_cancels_but_for_its_slope(make) -> None:
    """JCGM 100:2008 5.2.2 eq. 16 with r = 1: equal errors leave nothing; the slope leaves 0.015 dB/dB x 10 dB."""
    rows = (make.line("scale fidelity", 0.3, "at its limit, sign unknown"), make.line("noise", 0.1))
    same = change(make, rejection(make, 80.0, *rows), rejection(make, 80.0, *rows))
    assert half(same) == pytest.approx(1.96 * 0.1 * math.sqrt(2), rel=MONTE_CARLO)
    still = (rows[0], make.line("noise", 1e-6))
    apart = change(make, rejection(make, 80.0, *still), rejection(make, 90.0, *still))
    assert half(apart) == pytest.approx(0.15, rel=1e-3)
    foreign = change(make, rejection(make, 80.0, *still), rejection(make, 80.0, *still), **OTHER)
    assert half(foreign) == pytest.approx(0.6, rel=1e-3)  # two scales at their limits: 2 x 0.3 in 1 of 4 cases each


def test_a_scale_without_a_stated_slope_does_not_cancel_between_two_places_on_it(make) -> None:
    silent = make.bench.replace("{per dB: 0.015 dB/dB, over range: 0.3 dB}", "{over range: 0.3 dB}")
    rows = (make.line("scale fidelity", 0.3, "at its limit, sign unknown"),)
    before = make.record(rejection(make, 80.0, *rows), bench_text=silent)
    after = make.record(rejection(make, 90.0, *rows), bench_text=silent, days=1)
    assert half(compare(before, after).quantities[0].change) == pytest.approx(0.6, rel=1e-3)


def test_leakage_makes_the_interval_lopsided_as_its_phase_does(make) -> None:
    """|1 + r e^(i phi)| falls with phi from 0 to pi, so its 97.5 % point is at phi = 0.025 pi (derived)."""
    r = 0.3
    leak = make.line("leakage round the device", r, "U-shaped", unit="1", sensitivity=8.685889638)
    tiny = make.line("noise", 1e-6)
    found = change(make, rejection(make, 80.0, tiny), rejection(make, 80.0, tiny, leak))
    ends = [20 * math.log10(abs(1 + r * np.exp(1j * math.pi * share))) for share in (0.025, 0.975)]
    assert found.interval[0] == pytest.approx(-ends[0], abs=0.01)
    assert found.interval[1] == pytest.approx(-ends[1], abs=0.01)
    assert -ends[1] > 1.3 * ends[0]


def test_a_bound_or_an_open_interval_gives_no_e_n(make) -> None:
    bound = make.bound("rejection", "TX-ANT", "receive", 92.0)
    value = rejection(make, 93.0, make.line("noise", 0.1))
    opened = replace(value, interval=(78.0, None))
    for first, second, where in ((value, bound, "this run"), (bound, value, "the baseline"), (opened, bound, "both")):
        against = compare(make.record(first), make.record(second, days=1))
        only = against.quantities[0]
        assert (only.change.e_n, only.change.difference) == (None, None)
        assert where in only.why_not
        assert (against.family.changed, against.family.unknown) == (None, 1)


def test_quantities_asked_for_differently_are_not_compared(make) -> None:
    first = rejection(make, 80.0, make.line("noise", 0.1))
    wide = replace(first, condition="within 8 kHz")
    against = compare(make.record(first), make.record(wide, days=1))
    assert against.quantities == ()
    assert "asked for differently" in against.left_out[0]
    against = compare(make.record(first), make.record(days=1))
    assert "only in" in against.left_out[0]


def whole(make, values):
    """Ten quantities that share the scale, each with noise, a connection and leakage of its own."""
    at = ["transmit", "receive"] * 5
    names = ["TX-ANT", "ANT-RX", "TX-RX", "RX-TX", "RX-ANT"]
    return [
        make.result(
            "isolation",
            names[k // 2],
            at[k],
            80.0 + values[k],
            (
                make.line("scale fidelity", 0.3, "at its limit, sign unknown"),
                make.line("noise and averaging", 0.1),
                make.line(f"connection repeatability {names[k // 2]}", 0.05, "at its limit, sign unknown"),
                make.line("leakage round the device", 0.03, "U-shaped", unit="1", sensitivity=8.685889638),
            ),
        )
        for k in range(10)
    ]


@pytest.mark.parametrize("same_bench", [True, False], ids=["same-bench", "another-bench"])
def test_an_unchanged_device_is_called_changed_in_5_percent_of_comparisons(make, same_bench) -> None:
    """The errors are drawn here afresh, by other code than the tool's; 5 % within five standard deviations."""
    against = compare(make.record(*whole(make, [0.0] * 10)), make.record(*whole(make, [0.0] * 10), days=1,
                                                                          **({} if same_bench else OTHER)))  # fmt: skip
    critical = against.family.critical_e_n
    ends = np.array([each.change.interval for each in against.quantities])
    trials, rng = 20_000, np.random.default_rng(5)

    def run() -> np.ndarray:
        noise = 0.1 * rng.standard_normal((trials, 10))
        joints = np.repeat(0.05 * rng.choice([-1.0, 1.0], (trials, 5)), 2, axis=1)
        leak = 20 * np.log10(np.abs(1 + 0.03 * np.exp(2j * np.pi * rng.random((trials, 10)))))
        scale = 0.0 if same_bench else 0.3 * rng.choice([-1.0, 1.0], (trials, 1))
        return noise + joints + leak + scale

    d = run() - run()
    e_n = np.where(d > 0, d / -ends[:, 0], d / -ends[:, 1])  # zero difference: the interval's ends are the limits
    alarms = np.mean(np.abs(e_n).max(axis=1) > critical)
    assert alarms == pytest.approx(0.05, abs=5 * math.sqrt(0.05 * 0.95 / trials) + 0.003)  # + that of 50,000 draws
    singly = np.mean(np.abs(e_n).max(axis=1) > 1.0)
    assert singly > 0.15  # what 95 % per quantity would give (trade notes 12.8)


def test_a_real_change_is_seen_and_small_ones_stay_unsaid(make) -> None:
    sound, moved = [0.0] * 10, [0.0] * 9 + [-2.0]
    family = compare(make.record(*whole(make, sound)), make.record(*whole(make, moved), days=1)).family
    assert family.changed
    assert family.p_value < 1e-3
    assert family.compared == 10
    less = compare(make.record(*whole(make, sound)), make.record(*whole(make, [0.1] * 10), days=1)).family
    assert less.changed is False
    assert 0.05 < less.p_value <= 1.0


def test_the_familys_factor_and_not_one_decides_whether_an_e_n_is_a_change(make) -> None:
    """An |E_n| of 1.2 of ten quantities is less than an unchanged device reaches in 5 % of comparisons."""
    plain = compare(make.record(*whole(make, [0.0] * 10)), make.record(*whole(make, [0.0] * 10), days=1))
    by = -1.2 * plain.quantities[9].change.interval[0]  # of no difference: the interval's ends are the limits
    family = compare(make.record(*whole(make, [0.0] * 10)), make.record(*whole(make, [0.0] * 9 + [by]), days=1)).family
    assert 1.0 < family.largest_e_n < family.critical_e_n
    assert family.changed is False


def test_a_limit_on_one_change_frees_that_quantity_only(make) -> None:
    rows = (make.line("noise", 0.05),)
    run = [
        make.record(
            rejection(make, value, *rows), make.result("insertion loss", "TX-ANT", "transmit", loss, rows), days=d
        )
        for value, loss, d in ((80.0, 1.3, 0), (80.6, 1.3, 1), (80.6, 2.3, 2))
    ]
    within, beside = (with_baseline(now, run[0]) for now in run[1:])
    assert (within.change.changed, within.change.exceeded, within.changed_without_leave) == (True, False, ())
    assert (beside.change.exceeded, beside.changed_without_leave) == (False, ("insertion loss TX-ANT transmit",))


def test_with_baseline_fills_each_result_and_the_record(make) -> None:
    rows = (make.line("noise", 0.05),)
    loss = make.result("insertion loss", "TX-ANT", "transmit", 1.3, rows)
    base = make.record(rejection(make, 80.0, *rows, limit=Limit(min=75.0)), loss)
    now = make.record(rejection(make, 77.0, *rows, limit=Limit(min=75.0)), loss, days=30)
    record = with_baseline(now, base)
    first, second = (result.change for result in record.results)
    assert (first.baseline, first.difference, first.max_change, first.exceeded) == (base.run_id, -3.0, 1.0, True)
    assert (second.max_change, second.exceeded) == (None, None)
    assert record.changed_without_leave == ()
    assert (record.change.changed, record.change.exceeded) == (True, True)
    assert record.overall is now.overall


@pytest.mark.parametrize(("moved", "exceeded"), [(0.2, False), (0.95, None), (1.5, True), (-1.5, True)])
def test_a_limit_on_change_needs_the_whole_interval_on_one_side(make, moved, exceeded) -> None:
    rows = (make.line("noise", 0.05),)
    base, now = (make.record(rejection(make, value, *rows), days=d) for value, d in ((80.0, 0), (80.0 + moved, 1)))
    assert with_baseline(now, base).change.exceeded is exceeded


@pytest.mark.parametrize(
    ("more", "says"),
    [
        pytest.param({"simulated": True}, "was simulated: it cannot be the baseline of a measured", id="simulated"),
        pytest.param({"complete": False}, "ended early", id="interrupted"),
        pytest.param({"serial": "INV-2"}, "is of device INV-2, this one of INV-1", id="another-device"),
        pytest.param({"serial": ""}, "is of device no serial", id="no-serial"),
    ],
)
def test_what_cannot_be_a_baseline_is_refused(make, more, says) -> None:
    with pytest.raises(UsageError, match=says):
        check_baseline(make.record(**more), serial="INV-1", simulated=False)
    with pytest.raises(UsageError, match=says):
        with_baseline(make.record(days=1), make.record(**more))


def test_a_measured_run_is_no_baseline_of_a_simulated_one(make) -> None:
    with pytest.raises(UsageError, match="was measured: it cannot be the baseline of a simulated"):
        check_baseline(make.record(), serial="INV-1", simulated=True)


def test_one_run_judged_twice_says_so(make) -> None:
    result = make.result("insertion loss", "TX-ANT", "transmit", 1.2, [make.line("noise", 0.02)])
    first = make.record(result)
    again = replace(first, run_id="again", parent=first.run_id)
    assert any("same sweeps" in text for text in compare(first, again).left_out)
    other = replace(make.record(result, days=1.0), run_id="other")
    assert not any("same sweeps" in text for text in compare(first, other).left_out)


def test_a_limit_on_change_needs_a_baseline(make) -> None:
    recipe = load_recipe(make.record().recipe_text, "invented.yaml")
    with pytest.raises(UsageError, match="no baseline to hold it against"):
        check_limits_on_change(recipe)


def judged(make, *results, recipe, **more):
    """A record judged again by a recipe from a run whose rejection fell by 3 dB and whose loss stayed."""
    rows = (make.line("noise", 0.05),)
    loss = make.result("insertion loss", "TX-ANT", "transmit", 1.3, rows)
    values = (rejection(make, 77.0, *rows), loss)
    parent = with_baseline(make.record(*values, days=30), make.record(rejection(make, 80.0, *rows), loss))
    named = {"rejection": values[0], "loss": loss, "new": make.result("return loss", "TX", "transmit", 20.0, rows)}
    again = make.record(*(named[name] for name in results), recipe_text=recipe, days=60, parent=parent.run_id, **more)
    return parent, carried(again, parent)


def test_a_run_judged_again_says_what_its_parent_said_of_its_change(make) -> None:
    recipe = make.record().recipe_text
    lax, wide = recipe.replace(", max change: 1 dB", ""), recipe.replace("max change: 1 dB", "max change: 5 dB")
    parent, same = judged(make, "rejection", "loss", recipe=recipe)
    assert (same.change, same.results[0].change) == (parent.change, parent.results[0].change)
    assert parent.change.exceeded
    _, free = judged(make, "rejection", "loss", recipe=lax)
    assert (free.change.changed, free.change.exceeded) == (True, None)
    assert free.changed_without_leave == ("rejection TX-ANT receive",)
    _, allowed = judged(make, "rejection", "loss", recipe=wide)
    assert (allowed.change.changed, allowed.change.exceeded, allowed.changed_without_leave) == (True, False, ())
    _, silent = judged(make, "loss", "new", recipe=lax)
    assert silent.changed_without_leave == silent.change.elsewhere == ("rejection TX-ANT receive",)
    assert (silent.change.unknown, silent.results[1].change.difference) == (1, None)
    second = carried(replace(silent, parent=silent.run_id), silent)
    assert second.change.elsewhere == ("rejection TX-ANT receive",)


def test_without_a_baseline_a_run_judged_again_says_nothing_of_change(make) -> None:
    record = make.record(rejection(make, 80.0, make.line("noise", 0.05)))
    assert carried(record, make.record()) == record


def test_what_a_doubt_left_undecided_is_no_value(make) -> None:
    sound = rejection(make, 80.0, make.line("noise", 0.3))
    doubtful = replace(sound, statement=Statement.UNDECIDED, notes=("taken on different days",))
    for first, second in ((sound, doubtful), (doubtful, sound)):
        against = compare(make.record(first), make.record(second, days=1))
        assert against.quantities[0].change.e_n is None
        assert "doubt" in against.quantities[0].why_not
        assert against.family.changed is None
        assert against.family.unknown == 1
    near = replace(doubtful, limit=Limit(min=80.1))  # undecided because its interval holds the limit: a value like any
    assert compare(make.record(sound), make.record(near, days=1)).family.compared == 1
    vast = replace(doubtful, interval=(-690.0, 106.0))  # holds the limit, and all else
    assert compare(make.record(sound), make.record(vast, days=1)).family.unknown == 1
