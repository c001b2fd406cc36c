"""Decision rules: from a value, its interval and a limit to a statement of conformity.

Sources: ILAC-G8:09/2019 4.2.1-4.2.3 (simple, binary with guard band, non-binary), JCGM 106:2012 (probability of
conformity, specific risk). The guard band w is the end of the interval that faces the limit, so an asymmetric
interval is used as it is. A bound is never a fail: it passes if it proves the limit as surely as the rule asks of a
value, else nothing can be said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from sequencer.core.record import Limit, Statement
from sequencer.core.trace import FloatArray

__all__ = [
    "DecisionLike",
    "Finding",
    "decide",
    "describe",
    "margin",
    "overall",
    "probability_of_all",
    "risk_on_a_bound",
    "too_wide",
]

_ROUNDING = 1e-9  # 1 - 0.975 is not 0.025 in binary; a single trial of a simulation counts 1e-6 or more


class DecisionLike(Protocol):
    """What a rule needs: its name ('simple', 'guarded', 'four-way', 'risk'), the coverage and the risk allowed."""

    @property
    def rule(self) -> str: ...  # noqa: D102
    @property
    def coverage(self) -> float: ...  # noqa: D102
    @property
    def max_risk(self) -> float | None: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What is known of a quantity: value (None for a bound), interval (None: no end), probability of conformity."""

    value: float | None
    low: float | None
    high: float | None
    probability_conforming: float | None = None

    @property
    def bound(self) -> bool:
        """Whether only 'at least low' is known."""
        return self.value is None


def decide(decision: DecisionLike, finding: Finding, limit: Limit) -> Statement:
    """Return the statement of the rule for one requirement; undecided where there is no limit.

    A rule that uses the uncertainty decides nothing where that is `too_wide`; simple acceptance does not use it.

    Examples
    --------
    >>> from dataclasses import make_dataclass
    >>> rule = make_dataclass("D", ["rule", "coverage", "max_risk"])("four-way", 0.95, None)
    >>> decide(rule, Finding(value=86.0, low=84.4, high=87.6), Limit(min=85.0)).value
    'conditional pass'
    """
    if limit.min is None and limit.max is None:
        return Statement.UNDECIDED
    if finding.value is None:
        return Statement.PASS if _proven(decision, finding, limit) else Statement.UNDECIDED
    if decision.rule != "simple" and too_wide(finding, limit):
        return Statement.UNDECIDED
    inside = _inside(finding.value, finding.value, limit)
    match str(decision.rule):
        case "simple":
            return Statement.PASS if inside else Statement.FAIL
        case "guarded":
            return Statement.PASS if _inside(finding.low, finding.high, limit) else Statement.FAIL
        case "four-way":
            return _four_way(finding, limit, inside)
        case "risk":
            return _by_risk(decision, finding, inside)
        case other:
            msg = f"no decision rule is called {other!r}"
            raise ValueError(msg)


def too_wide(finding: Finding, limit: Limit) -> bool:
    """Whether the interval reaches beyond a two-sided limit on both sides: whatever the truth, it would read so."""
    if limit.min is None or limit.max is None:
        return False
    return (finding.low is None or finding.low < limit.min) and (finding.high is None or finding.high > limit.max)


def risk_on_a_bound(decision: DecisionLike) -> float:
    """Return the greatest probability of missing the limit with which the rule passes what is known as 'at least'.

    That of a value whose interval ends at the limit, half of what the coverage leaves, or the rule's own risk; never
    more than stands behind the one-sided bound that is shown, since a bound short of its limit proves nothing.
    """
    beyond = 1.0 - decision.coverage
    match str(decision.rule):
        case "guarded" | "four-way":
            return 0.5 * beyond
        case "risk":
            return min(decision.max_risk or 0.0, beyond)
        case _:
            return beyond


def _proven(decision: DecisionLike, finding: Finding, limit: Limit) -> bool:
    if limit.max is not None or limit.min is None or finding.low is None or finding.low < limit.min:
        return False
    if decision.rule == "simple":  # the bound as it is shown stands for the value
        return True
    sure = finding.probability_conforming
    return sure is not None and 1.0 - sure <= risk_on_a_bound(decision) + _ROUNDING


def _inside(low: float | None, high: float | None, limit: Limit) -> bool:
    below = limit.min is None or (low is not None and low >= limit.min)
    above = limit.max is None or (high is not None and high <= limit.max)
    return below and above


def _four_way(finding: Finding, limit: Limit, inside: bool) -> Statement:
    if _inside(finding.low, finding.high, limit):
        return Statement.PASS
    if inside:
        return Statement.CONDITIONAL_PASS
    may_be_above = limit.min is None or finding.high is None or finding.high >= limit.min
    may_be_below = limit.max is None or finding.low is None or finding.low <= limit.max
    return Statement.CONDITIONAL_FAIL if may_be_above and may_be_below else Statement.FAIL


def _by_risk(decision: DecisionLike, finding: Finding, inside: bool) -> Statement:
    if finding.probability_conforming is None or decision.max_risk is None:
        return Statement.UNDECIDED
    # `inside` besides the risk: a risk of 50 % or more must not pass what stands outside its limit
    accepted = inside and 1.0 - finding.probability_conforming <= decision.max_risk + _ROUNDING
    return Statement.PASS if accepted else Statement.FAIL


def margin(finding: Finding, limit: Limit) -> float | None:
    """Return the distance to the nearest limit, positive on the conforming side; of a bound, its own distance."""
    stands = finding.value if finding.value is not None else finding.low
    if stands is None:
        return None
    ways = []
    if limit.min is not None:
        ways.append(stands - limit.min)
    if limit.max is not None and finding.value is not None:
        ways.append(limit.max - stands)
    return min(ways) if ways else None


def probability_of_all(draws: Sequence[tuple[FloatArray, Limit]]) -> float | None:
    """Return the probability that every limit is met, from draws whose k-th trials belong together.

    Parameters
    ----------
    draws : (n,) draws of a true value and its limit, for each requirement; the shortest decides how many count.

    Returns
    -------
    The share of trials in which all conform: with shared contributions more than the product of the single
    probabilities, with none the product. None where there is nothing to be met.
    """
    if not draws:
        return None
    trials = min(values.size for values, _ in draws)
    together = np.ones(trials, dtype=bool)
    for values, limit in draws:
        if limit.min is not None:
            together &= values[:trials] >= limit.min
        if limit.max is not None:
            together &= values[:trials] <= limit.max
    return float(np.mean(together))


_GRAVITY = (
    Statement.FAIL,
    Statement.CONDITIONAL_FAIL,
    Statement.UNDECIDED,
    Statement.CONDITIONAL_PASS,
    Statement.PASS,
)


def overall(statements: Iterable[Statement]) -> Statement:
    """Return the statement for the device: the gravest of its requirements; undecided if there is none."""
    there = set(statements)
    return next((statement for statement in _GRAVITY if statement in there), Statement.UNDECIDED)


def describe(decision: DecisionLike) -> str:
    """Return the decision rule in plain words for the report."""
    share = f"{100 * decision.coverage:g} %"
    match str(decision.rule):
        case "simple":
            text = (
                "Simple acceptance: pass if the measured value meets the limit, else fail. The uncertainty is "
                "stated but not used; a value that stands at its limit is wrongly passed up to every second time "
                "(ILAC-G8:09/2019 4.2.1)."
            )
        case "guarded":
            risk = f"{50 * (1 - decision.coverage):.2g} %"
            text = (
                f"Guarded acceptance: pass only if the whole {share} interval that faces the limit meets it, else "
                f"fail. A device outside its limit is passed at most about {risk} of the time; one just inside may "
                "be failed (ILAC-G8:09/2019 4.2.2)."
            )
        case "four-way":
            text = (
                f"Four statements: pass if the whole {share} interval meets the limit; conditional pass if the value "
                "meets it but the interval does not; conditional fail if the value does not but part of the interval "
                "does; fail if none of it does (ILAC-G8:09/2019 4.2.3)."
            )
        case "risk":
            risk = f"{100 * (decision.max_risk or 0.0):g} %"
            text = (
                f"Stated risk: pass if the probability that the true value misses the limit is at most {risk}, else "
                "fail. This is the specific risk of this one device (JCGM 106:2012)."
            )
        case other:
            text = f"Decision rule {other}."
    risk_text = f"{100 * risk_on_a_bound(decision):.2g} %"
    if decision.rule == "simple":
        return text + (
            f" A value known only as 'at least' passes if that bound, good for {share}, meets the limit (a risk of at "
            f"most about {risk_text}); otherwise nothing is decided."
        )
    return text + (
        f" A value known only as 'at least' passes if the risk that the true one misses the limit is at most "
        f"{risk_text}, otherwise nothing is decided; the bound shown is good for {share}. Nothing is decided either "
        "where the interval reaches beyond both ends of a limit that has two."
    )
