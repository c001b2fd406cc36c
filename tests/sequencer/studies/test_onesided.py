"""What a bound proves of a change, with 5 % false alarms; and what a change answers and says, limits on it or none."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from reports.change_words import difference, family_sentence, leave_sentence
from sequencer.cli.commands import answer
from sequencer.studies.changes import compare, with_baseline


@pytest.mark.parametrize(
    ("ends", "change", "changed"),
    [
        pytest.param(((30.2, None), (17.2, 20.1)), (None, -10.1), True, id="bound-fell"),
        pytest.param(((17.2, 20.1), (30.2, None)), (10.1, None), True, id="bound-rose"),
        pytest.param(((20.0, None), (17.2, 20.1)), (None, 0.1), None, id="they-meet"),
        pytest.param(((30.2, None), (34.0, None)), (None, None), None, id="two-bounds"),
        pytest.param(((None, None), (17.2, 20.1)), (None, None), None, id="not-measured"),
    ],
)
def test_a_bound_apart_from_the_whole_interval_proves_a_change_and_counts_against_its_limit(
    make, ends, change, changed
) -> None:
    """At least 30.2 dB before and 17.2 to 20.1 dB now: at least 30.2 - 20.1 = 10.1 dB less."""

    def run(interval, **more):
        low, high = interval
        line = make.line("noise", 0.74)
        value = None if None in interval else 0.5 * (low + high)
        plain = make.result("rejection", "TX-ANT", "receive", value, [line], interval=interval)
        loss = make.result("insertion loss", "TX-ANT", "transmit", 1.3, [make.line("noise", 0.02)])
        of_bound = make.bound("rejection", "TX-ANT", "receive", low, [line])
        return make.record(of_bound if low is not None and high is None else plain, loss, **more)

    record = with_baseline(run(ends[1], days=30), run(ends[0]))
    first = record.results[0].change
    assert first.interval == tuple(None if end is None else pytest.approx(end) for end in change)
    assert first.exceeded is changed  # max change: 1 dB
    family = record.change
    assert (family.changed, family.unknown, family.exceeded) == (bool(changed), int(not changed), changed)
    assert family.by_bounds == (("rejection TX-ANT receive",) if changed else ())
    assert record.changed_without_leave == ()  # the recipe's own limit decides


def test_a_bound_has_to_be_apart_by_the_familys_factor(make) -> None:
    """Apart as they are stated, not with both ends moved outwards: of many quantities some are so by chance."""

    def bounds(gap):
        line = make.line("noise", 0.5)
        places = [f"P{k}-ANT" for k in range(20)]
        before = [make.bound("isolation", place, "receive", 80.0, [line]) for place in places]
        now = [make.result("isolation", place, "receive", 80.9, [line], interval=(79.9, 81.9)) for place in places]
        low = 80.0 - gap
        now[0] = make.result("isolation", places[0], "receive", low - 0.98, [line], interval=(low - 1.96, low))
        return compare(make.record(*before), make.record(*now, days=1)).family

    factor = bounds(0.1).critical_e_n
    needed = 0.5 * (1.96 * factor - 1.645) + 0.5 * 1.96 * (factor - 1.0)
    assert needed > 0.15
    assert (bounds(needed - 0.02).changed, bounds(needed - 0.02).by_bounds) == (None, ())
    assert bounds(needed + 0.02).changed


def test_bounds_of_an_unchanged_device_prove_a_change_in_5_percent_of_comparisons(make) -> None:
    """Errors drawn afresh: 20 bounds 1.645 sigma below what was read, against values that are known exactly."""
    line, nothing, places = make.line("noise", 0.5), make.line("noise", 1e-9), [f"P{k}-ANT" for k in range(20)]
    now = [make.result("isolation", place, "receive", 80.0, [nothing], interval=(80.0, 80.0)) for place in places]

    def family(lows):
        before = [make.bound("isolation", p, "receive", low, [line]) for p, low in zip(places, lows, strict=True)]
        return compare(make.record(*before), make.record(*now, days=1)).family

    factor = family([70.0] * 20).critical_e_n
    trials, rng = 20_000, np.random.default_rng(7)
    lows = 80.0 + 0.5 * (rng.standard_normal((trials, 20)) - 1.645)
    most = lows.max(axis=1)
    reach = 0.5 * (1.96 * factor - 1.645)  # how far above the true value a bound must lie
    sides = [family([80.0 + reach + by, *[70.0] * 19]).changed for by in (-0.02, 0.02)]
    assert sides == [None, True]
    assert np.mean(most > 80.0 + reach) == pytest.approx(0.05, abs=5 * math.sqrt(0.05 * 0.95 / trials) + 0.003)
    assert np.mean(most > 80.0) > 0.5  # what the stated bounds alone would give


def test_the_interval_of_a_bound_misses_less_than_5_percent(make) -> None:
    """Unchanged device, errors of equal size in both runs, then in one of them only: normal, and a phasor's."""
    rng = np.random.default_rng(11)
    for draw in (
        lambda: rng.standard_normal(200_000),
        lambda: 20 * np.log10(np.abs(1 + 0.5 * np.exp(2j * np.pi * rng.random(200_000)))),
    ):
        for share in (1.0, 0.3, 0.0):
            bound, value = draw(), share * draw()
            most = (value - np.quantile(value, 0.025)) - (bound - np.quantile(bound, 0.95))
            assert np.mean(most < 0.0) < 0.0505


def harnessed(make, before, now):
    """Runs of rejection (`max change: 1 dB`) and return loss (none), each an interval; a change by its baseline."""

    def run(rejected, matched, **more):
        made = []
        for quantity, where, at, (low, high) in (
            ("rejection", "TX-ANT", "receive", rejected),
            ("return loss", "TX", "transmit", matched),
        ):
            line = make.line("noise", 0.1 if high is None else (high - low) / 3.92)
            value = 33.0 if high is None else 0.5 * (low + high)
            made.append(make.result(quantity, where, at, value, [line], interval=(low, high)))
        return make.record(*made, **more)

    return with_baseline(run(*now, days=30), run(*before))


STAYED = (79.9, 80.1)


@pytest.mark.parametrize(
    ("before", "now", "says", "detail"),
    [
        pytest.param(((79, 81), (20, 21)), ((79.1, 81.1), (20, 21)), "cannot say", "cannot be said", id="too-wide"),
        pytest.param((STAYED, (20, 21)), ((79.8, 80), (20, 21)), "yes", "No change shown.", id="same"),
        pytest.param((STAYED, (20, 21)), ((79.2, 79.4), (20, 21)), "yes", "within what it allows", id="allowed"),
        pytest.param((STAYED, (20, 21)), ((75, 75.2), (20, 21)), "no", "more than the recipe", id="exceeded"),
        pytest.param((STAYED, (20, 21)), ((79.2, 79.4), (17, 18)), "no", "no limit on the change of", id="beside"),
        pytest.param((STAYED, (30.2, None)), (STAYED, (17.2, 20.1)), "no", "Proven by a bound", id="bound-beside"),
        pytest.param((STAYED, (30.2, None)), (STAYED, (30.1, None)), "yes", "in 1 of 2 quantities", id="one-unknown"),
        pytest.param(((92, None), (20, 21)), (STAYED, (20, 21)), "no", "more than the recipe", id="bound-exceeded"),
        pytest.param(((92, None), (20, 21)), ((92, None), (20, 21)), "cannot say", "cannot be", id="limited-unknown"),
        pytest.param(((92, None), (30, None)), ((92, None), (31, None)), "cannot say", "Of 2 quan", id="all-unknown"),
    ],
)
def test_what_a_change_answers_and_says(make, before, now, says, detail) -> None:
    record = harnessed(make, before, now)
    told = f"{family_sentence(record.change)} {leave_sentence(record)}"
    assert answer(record, accept_conditional=False) == says
    assert detail in told
    assert ("No change shown." in told) == (record.change.changed is False and record.change.unknown == 0)


def test_nothing_to_hold_against_the_baseline_is_no_yes(make) -> None:
    loss = make.result("insertion loss", "TX-ANT", "transmit", 1.3, [make.line("noise", 0.02)])
    both = [make.record(loss if first else replace(loss, id="another"), days=d) for first, d in ((True, 0), (False, 1))]
    assert answer(both[1], accept_conditional=False) == "yes"
    assert answer(with_baseline(both[1], both[0]), accept_conditional=False) == "cannot say"


def test_a_proven_change_is_written_as_at_least_so_much(make) -> None:
    record = harnessed(make, ((79.9, 80.1), (30.2, None)), ((79.9, 80.1), (17.2, 20.1)))
    assert difference(record.results[1].change, "dB") == "at least 10.09 dB less"  # 30.2 - 20.1 in binary, rounded down
    back = harnessed(make, ((79.9, 80.1), (17.2, 20.1)), ((79.9, 80.1), (30.25, None)))
    assert difference(back.results[1].change, "dB") == "at least 10.14 dB more"
