"""Decision rules: worked cases, and what must never happen."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.core.conformity import (
    Finding,
    decide,
    describe,
    margin,
    overall,
    probability_of_all,
)
from sequencer.core.record import Limit, Statement
from sequencer.core.uncertainty import propagate


@dataclass(frozen=True)
class Rule:
    rule: str
    coverage: float = 0.95
    max_risk: float | None = None


RULES = [Rule("simple"), Rule("guarded"), Rule("four-way"), Rule("risk", max_risk=0.025)]


def probability(value, u, limit):
    spread = NormalDist(value, u)
    above = 1.0 if limit.max is None else spread.cdf(limit.max)
    return above - (0.0 if limit.min is None else spread.cdf(limit.min))


def normal(value, u, limit):
    return Finding(
        value=value, low=value - 2 * u, high=value + 2 * u, probability_conforming=probability(value, u, limit)
    )


P, CP, CF, F, U = (
    Statement.PASS,
    Statement.CONDITIONAL_PASS,
    Statement.CONDITIONAL_FAIL,
    Statement.FAIL,
    Statement.UNDECIDED,
)


@pytest.mark.parametrize(
    ("value", "statements"),
    # ILAC-G8:09/2019 4.2.1 to 4.2.3 for an upper limit 10 and U = 1: acceptance limit 9 with w = U.
    # Last column, risk 2.5 %: y must be 1.96 u below the limit, so 9.0 (2 u below) passes
    [
        (8.0, (P, P, P, P)),
        (9.0, (P, P, P, P)),
        (9.4, (P, F, CP, F)),
        (10.0, (P, F, CP, F)),
        (10.4, (F, F, CF, F)),
        (11.0, (F, F, CF, F)),
        (11.1, (F, F, F, F)),
    ],
)
def test_upper_limit(value, statements):
    limit = Limit(max=10.0)
    assert tuple(decide(rule, normal(value, 0.5, limit), limit) for rule in RULES) == statements


@pytest.mark.parametrize(
    ("value", "statements"),
    [(12.0, (P, P, P, P)), (10.4, (P, F, CP, F)), (9.6, (F, F, CF, F)), (8.9, (F, F, F, F))],
)
def test_lower_limit_is_the_mirror(value, statements):
    limit = Limit(min=10.0)
    assert tuple(decide(rule, normal(value, 0.5, limit), limit) for rule in RULES) == statements


def test_two_sided_limits_need_both_ends():
    limit = Limit(min=9.0, max=11.0)
    assert decide(Rule("guarded"), Finding(value=10.0, low=9.5, high=10.5), limit) is P
    assert decide(Rule("guarded"), Finding(value=10.0, low=9.5, high=11.5), limit) is F
    assert decide(Rule("four-way"), Finding(value=10.0, low=8.5, high=10.5), limit) is CP


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.rule)
@given(low=st.floats(0.0, 200.0), least=st.floats(0.0, 200.0), sure=st.floats(0.0, 1.0))
def test_a_bound_passes_if_it_proves_the_limit_and_never_fails(rule, low, least, sure):
    finding = Finding(value=None, low=low, high=None, probability_conforming=sure)
    proven = low >= least and (rule.rule == "simple" or sure >= 0.975)
    assert decide(rule, finding, Limit(min=least)) is (P if proven else U)
    assert decide(rule, finding, Limit(max=least)) is U
    assert decide(rule, finding, Limit(min=least, max=least + 100.0)) is U


# JCGM 106:2012 clause 9: the risk of a statement is what the rule says. The bound shown, 80 dB, meets the limit, 75 dB
@pytest.mark.parametrize(
    ("rule", "sure", "statement"),
    [
        (Rule("guarded"), 0.95, U),  # half of 5 % is the risk of a value whose interval ends at its limit
        (Rule("guarded"), 0.9749, U),
        (Rule("guarded"), 0.975, P),
        (Rule("guarded", coverage=0.9), 0.95, P),
        (Rule("four-way"), 0.95, U),
        (Rule("four-way"), 0.975, P),
        (Rule("risk", max_risk=0.001), 0.95, U),
        (Rule("risk", max_risk=0.001), 0.9989, U),
        (Rule("risk", max_risk=0.001), 0.999, P),
        (Rule("risk", max_risk=0.2), 0.85, U),  # the bound shown is good for 95 %: never more than its 5 %
        (Rule("risk", max_risk=0.2), 0.95, P),
        (Rule("simple"), 0.95, P),  # says so in its words
        (Rule("guarded"), None, U),
    ],
)
def test_a_pass_on_a_bound_carries_no_more_risk_than_the_rule_allows(rule, sure, statement):
    finding = Finding(value=None, low=80.0, high=None, probability_conforming=sure)
    assert decide(rule, finding, Limit(min=75.0)) is statement
    assert decide(rule, replace(finding, low=74.9), Limit(min=75.0)) is U


@pytest.mark.parametrize(("sure", "most"), [(0.975, 0.025), (0.95, 0.05), (0.9, 0.1), (0.999, 0.001), (0.7, 0.3)])
def test_a_risk_that_is_just_allowed_passes(sure, most):
    """1 - 0.975 is more than 0.025 in binary; one trial of a simulation more is not allowed."""
    rule, limit = Rule("risk", max_risk=most), Limit(max=10.0)
    there = Finding(value=9.0, low=8.0, high=10.0, probability_conforming=sure)
    assert decide(rule, there, limit) is P
    assert decide(rule, replace(there, probability_conforming=sure - 1e-6), limit) is F


@pytest.mark.parametrize("rule", RULES[1:], ids=lambda rule: rule.rule)
@given(value=st.floats(-5.0, 25.0), u=st.floats(0.01, 3.0), more=st.floats(1.0, 10.0))
def test_more_uncertainty_never_turns_fail_into_pass(rule, value, u, more):
    limit = Limit(max=10.0)
    if decide(rule, normal(value, u, limit), limit) is F:
        assert decide(rule, normal(value, u * more, limit), limit) is not P


def test_an_open_end_that_faces_the_limit_is_not_a_pass():
    finding = Finding(value=20.0, low=None, high=25.0)
    assert decide(Rule("guarded"), finding, Limit(min=10.0)) is F
    assert decide(Rule("four-way"), finding, Limit(min=10.0)) is CP


def test_nothing_known_or_no_limit_is_undecided():
    assert decide(Rule("guarded"), Finding(value=None, low=None, high=None), Limit(min=1.0)) is U
    assert decide(Rule("guarded"), Finding(value=1.0, low=0.0, high=2.0), Limit()) is U


def test_margin_is_positive_on_the_conforming_side():
    assert margin(Finding(value=86.0, low=84.0, high=88.0), Limit(min=85.0)) == pytest.approx(1.0)
    assert margin(Finding(value=1.7, low=1.5, high=1.9), Limit(max=1.6)) == pytest.approx(-0.1)
    assert margin(Finding(value=None, low=80.0, high=None), Limit(min=75.0)) == pytest.approx(5.0)
    assert margin(Finding(value=None, low=80.0, high=None), Limit(max=75.0)) is None
    assert margin(Finding(value=10.0, low=9.0, high=11.0), Limit(min=9.0, max=10.5)) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("parts", "whole"), [([P, P], P), ([P, F, U], F), ([P, U], U), ([P, CP], CP), ([CP, CF, U], CF), ([], U)]
)
def test_overall_is_the_gravest(parts, whole):
    assert overall(parts) is whole


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.rule)
def test_every_rule_is_described_with_its_figure(rule):
    text = describe(rule)
    assert "at least" in text
    on_a_bound = "5 %" if rule.rule == "simple" else "2.5 %"
    assert re.search(rf"risk .*at most (about )?{re.escape(on_a_bound)}", text)
    assert ("beyond both ends" in text) is (rule.rule != "simple")
    assert {"simple": "second time", "guarded": "2.5 %", "four-way": "conditional", "risk": "2.5 %"}[rule.rule] in text


def test_an_unknown_rule_is_a_fault():
    with pytest.raises(ValueError, match="no decision rule"):
        decide(Rule("kind"), Finding(value=1.0, low=0.0, high=2.0), Limit(max=3.0))


def test_independent_limits_multiply_and_shared_ones_do_not():
    """JCGM 106:2012 clause 7 for each; independent: the product. One shared error: the smaller of the two."""
    p = propagate(lambda d: 10.0 + d.normal("a"), most_blocks=10).drawn
    q = propagate(lambda d: 20.0 + d.normal("b"), most_blocks=10).drawn
    shared = propagate(lambda d: 20.0 + d.normal("a"), most_blocks=10).drawn
    first, second = Limit(min=9.0), Limit(min=19.5)
    phi = NormalDist().cdf
    count = min(p.size, q.size)
    four_sigma = 4.0 * 0.5 / count**0.5
    assert probability_of_all([(p, first)]) == pytest.approx(phi(1.0), abs=four_sigma)
    assert probability_of_all([(p, first), (q, second)]) == pytest.approx(phi(1.0) * phi(0.5), abs=four_sigma)
    assert probability_of_all([(p, first), (shared, second)]) == pytest.approx(phi(0.5), abs=four_sigma)


def test_the_joint_probability_is_never_above_the_least_single_one():
    draws = [(propagate(lambda d, n=n: n + d.normal(str(n % 2))).drawn[:20_000], Limit(min=1.0)) for n in range(1, 5)]
    single = [probability_of_all([each]) for each in draws]
    assert probability_of_all(draws) <= min(single)


def test_nothing_required_has_no_joint_probability():
    assert probability_of_all([]) is None


@pytest.mark.parametrize("rule", RULES[1:], ids=lambda rule: rule.rule)
def test_an_interval_beyond_a_two_sided_limit_on_both_sides_decides_nothing(rule):
    """-2.9 kHz, -44.9 to +36.6 kHz, against +/- 6 kHz: whatever the truth, such sweeps would read so."""
    limit = Limit(min=-6.0, max=6.0)
    wide = Finding(value=-2.9, low=-44.9, high=36.6, probability_conforming=0.25)
    assert decide(rule, wide, limit) is Statement.UNDECIDED
    assert decide(rule, replace(wide, high=None), limit) is Statement.UNDECIDED
    one_sided = replace(wide, high=5.0)  # beyond one end only: the rule decides
    assert decide(rule, one_sided, limit) is not Statement.UNDECIDED
    assert decide(rule, replace(wide, value=20.0, low=7.0, high=33.0), limit) is Statement.FAIL


def test_simple_acceptance_does_not_use_the_uncertainty_of_a_two_sided_limit_either():
    """ILAC-G8:09/2019 4.2.1: the value alone. 1.46 dB within 1.44 to 1.48 dB passes, 1.49 dB does not."""
    limit, rule = Limit(min=1.44, max=1.48), Rule("simple")
    assert decide(rule, Finding(value=1.46, low=1.2, high=1.7, probability_conforming=0.17), limit) is P
    assert decide(rule, Finding(value=1.49, low=1.2, high=1.7, probability_conforming=0.17), limit) is F
