"""Decision rules and probabilities of conformity against JCGM 106 and ILAC-G8."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import pytest

from sequencer.core.conformity import Finding, decide
from sequencer.core.record import Limit, Statement
from sequencer.core.uncertainty import propagate


@dataclass(frozen=True)
class Rule:
    rule: str
    coverage: float = 0.95
    max_risk: float | None = None


def drawn(value, u):
    """Draws of a normal quantity, as a result has them: 200,000 trials."""
    return propagate(lambda d: value + u * d.normal("y"), digits=3, block=50_000, most_blocks=4)


def finding(value, u, limit, k=2.0):
    p = drawn(value, u).share_within(limit.min, limit.max)
    return Finding(value=value, low=value - k * u, high=value + k * u, probability_conforming=p)


def test_g11_burst_strength():
    """JCGM 106:2012 clause 7 example [inputs from memory]: 509.7 kPa, u = 8.6, lower limit 490: 0.989 (0.99)."""
    # 200,000 trials: 0.0002 standard deviation
    assert drawn(509.7, 8.6).share_within(490.0, None) == pytest.approx(0.98901, abs=0.001)


def test_g13_largest_false_acceptance_of_a_guard_band_of_u():
    """ILAC-G8:09/2019 4.2.2: result exactly at the acceptance limit, w = U (k = 2): 2.275 % (published < 2.5 %)."""
    limit = Limit(max=10.0)
    at_limit = finding(9.0, 0.5, limit)
    assert decide(Rule("guarded"), at_limit, limit) is Statement.PASS
    assert 100 * (1 - at_limit.probability_conforming) == pytest.approx(2.27501, abs=0.15)  # four standard deviations


def test_simple_acceptance_risks_half():
    """ILAC-G8:09/2019 4.2.1: a result on the limit passes and is wrong with 50 %."""
    limit = Limit(max=10.0)
    at_limit = finding(10.0, 0.5, limit)
    assert decide(Rule("simple"), at_limit, limit) is Statement.PASS
    assert 1 - at_limit.probability_conforming == pytest.approx(0.5, abs=0.005)  # four standard deviations


def test_g16_rejection_near_its_limit():
    """G16: 86.0 dB against 85.0 min, U = 1.6 dB: risk 10.565 %, conditional pass (ILAC-G8:09/2019 4.2.3 mirrored)."""
    limit = Limit(min=85.0)
    found = finding(86.0, 0.8, limit)
    assert 100 * (1 - found.probability_conforming) == pytest.approx(10.565, abs=0.3)  # four standard deviations
    assert decide(Rule("four-way"), found, limit) is Statement.CONDITIONAL_PASS
    assert decide(Rule("guarded"), found, limit) is Statement.FAIL
    assert decide(Rule("risk", max_risk=0.10), found, limit) is Statement.FAIL
    assert decide(Rule("risk", max_risk=0.11), found, limit) is Statement.PASS


@pytest.mark.parametrize(
    ("value", "statement"),
    # ILAC-G8:09/2019 4.2.3, w = U = 1, upper limit 10: the four zones
    [(8.9, "pass"), (9.5, "conditional pass"), (10.5, "conditional fail"), (11.1, "fail")],
)
def test_four_zones(value, statement):
    limit = Limit(max=10.0)
    assert decide(Rule("four-way"), finding(value, 0.5, limit), limit).value == statement


@pytest.mark.parametrize("risk", [0.01, 0.025, 0.05, 0.10])
def test_guard_band_of_a_stated_risk(risk):
    """JCGM 106:2012 8.3 [sub-clause unchecked]: risk p needs w = z(1-p) u, as ILAC-G8's table of guard bands has it
    (1.64 u for 5 %, 2.33 u for 1 %)."""
    limit, u = Limit(max=10.0), 0.5
    w = NormalDist().inv_cdf(1 - risk) * u
    rule = Rule("risk", max_risk=risk)
    near = 0.04 * u  # four standard deviations of the share of 200,000 trials, at the smallest risk
    assert decide(rule, finding(10.0 - w - near, u, limit), limit) is Statement.PASS
    assert decide(rule, finding(10.0 - w + near, u, limit), limit) is Statement.FAIL


def test_two_sided_probability():
    """JCGM 106:2012 7.3 [clause from memory]: difference of two normal probabilities; +/- 2 u: 0.9545."""
    assert drawn(0.0, 1.0).share_within(-2.0, 2.0) == pytest.approx(0.954500, abs=0.002)  # four standard deviations
