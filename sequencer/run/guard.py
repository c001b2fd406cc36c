"""What the decision rule asks a reading to keep from its limit, foretold from the width of its interval; pure."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

from sequencer.recipe.model import Decision, Requirement, Rule
from sequencer.units import show_db, show_hz

__all__ = ["MOST_GUARDED", "Passes", "guard_band"]

MOST_GUARDED = (
    0.5  # of what a limit allows: with more in doubt, most devices that keep it could not be passed [a guess]
)


@dataclass(frozen=True, slots=True)
class Passes:
    """Which readings pass, from ``low`` to ``high`` (None: no end), and which share of the limit the guard takes."""

    low: float | None
    high: float | None
    share: float

    def text(self, unit: str) -> str:
        """Return it in words; a loss below zero or an end above the other is no reading."""
        show = show_hz if unit == "Hz" else show_db
        if self.share >= 1.0:
            return "no reading"
        low, high = (None if end is None else show(_coarse(end, unit)) for end in (self.low, self.high))
        if low is None:
            return f"up to {high}"
        return f"from {low}" if high is None else f"{low} to {high}"


def guard_band(requirement: Requirement, below: float, above: float, decision: Decision) -> Passes:
    """Return what passes a limit where the true value may stand ``below`` or ``above`` a reading by so much.

    Simple acceptance keeps no guard band; a rule by risk one for its risk, of a normal distribution.
    """
    rule = str(decision.rule)
    size = 0.0 if rule == Rule.SIMPLE else 1.0
    if rule == Rule.RISK:
        normal, risk = NormalDist(), min(max(decision.max_risk or 0.0, 1e-9), 0.5)
        size = normal.inv_cdf(1.0 - risk) / normal.inv_cdf(0.5 + 0.5 * decision.coverage)
    minimum, maximum = requirement.minimum, requirement.maximum
    low = None if minimum is None else minimum + size * below
    high = None if maximum is None else maximum - size * above
    if minimum is not None and maximum is not None:
        guarded, room = size * (below + above), maximum - minimum
    elif maximum is not None:
        guarded, room = size * above, maximum  # nothing loses or ripples less than nothing
    else:
        guarded, room = size * below, minimum or 0.0  # a band of twice the width has as much to spare
    return Passes(low, high, guarded / room if room > 0.0 else float("inf"))


def _coarse(value: float, unit: str) -> float:
    """Return a frequency or width without digits that no forecast has: a hundredth of a kilohertz."""
    return round(value, -2) if unit == "Hz" else value
