"""How well a joint repeats, from a thru whose joint was opened and closed again; pure.

The readings of n matings are repeated independent observations of one thing (JCGM 100:2008 4.2.2), so their
experimental standard deviation s is that of one mating, kind A, with n - 1 degrees of freedom. Each joint of a result
is one more mating, and few readings tell s badly: what 95 % of matings keep within is Student's t times s (JCGM
100:2008 G.3, table G.2). So s is taken larger by t over the normal's 1.96 and goes on as a normal, as which printed
lines add up. The family's figure is not pooled in: it is common practice without a source, and would call a worn joint
better than it is. Only where all that is less than the best family's figure, that figure stands for it.

One joint speaks for the others of its family of connector, as JCGM 100:2008 4.2.4 lets one scatter serve for what is
made alike: the same hands, torque and ends. Joints of other families keep their own figure. That a device's own worn
port is like the leads nobody can see here; `consistency` and the jump of a trace speak where it is not. What all
matings have in common no scatter shows either. Noise and drift between them are left in it, on the wide side.
"""

from __future__ import annotations

import math

import numpy as np

from sequencer.core.history import Role
from sequencer.core.hookup import RE_MATED
from sequencer.core.normalise import average, differing
from sequencer.core.uncertainty import coverage_factor
from sequencer.recipe.connectors import MATING_DB, assumed_mating_db
from sequencer.recipe.model import Bench
from sequencer.run.figures import Mated
from sequencer.run.fittings import ANALYZER_LEAD, GENERATOR_LEAD, lead_family
from sequencer.run.sweeps import Sweeps
from sequencer.run.windows import OVERVIEW

__all__ = ["FEWEST", "LEAST_DB", "mated", "thru_family"]

FEWEST = 4  # matings: three degrees of freedom; with two, t is 4.3
LEAST_DB = min(MATING_DB.values())  # of the best family: a thru that scatters less had luck, or was not opened
_NORMAL = coverage_factor(math.inf)


def thru_family(bench: Bench) -> str:
    """Return the family of the joint that is opened: the worse of the two leads' where an adapter stands between."""
    ends = (lead_family(lead, bench) for lead in (GENERATOR_LEAD, ANALYZER_LEAD))
    return max(ends, key=assumed_mating_db)


def mated(sweeps: Sweeps, bench: Bench) -> Mated | None:
    """Return what re-mating the thru showed; None where it was not done, or not often enough yet.

    A joint is centimetres long, so over an overview all of a trace moves together: its mean level is the reading.
    """
    opening = sweeps.opening(OVERVIEW)
    again = [average(group) for group in sweeps.groups(RE_MATED, OVERVIEW, Role.RE_MATED)]
    if opening is None:
        return None
    matings = [opening, *(each for each in again if not differing(each.used, opening.used))]
    if len(matings) < FEWEST:
        return None
    reading_db = [float(np.nanmean(10.0 * np.log10(each.power_mw / opening.power_mw))) for each in matings]
    seen_db = float(np.std(reading_db, ddof=1))
    few = coverage_factor(len(matings) - 1) / _NORMAL
    return Mated(
        connector=thru_family(bench),
        times=len(matings),
        u_db=max(few * seen_db, LEAST_DB),
        seen_db=seen_db,
        few=few,
        range_db=float(np.ptp(reading_db)),
        hours=(matings[-1].ended - opening.began).total_seconds() / 3600.0,
    )
