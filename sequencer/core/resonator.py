"""From a cavity's dimensions and metal to its unloaded Q, and from its rod's alloy to its drift.

A quarter-wave cavity is a coaxial line, shorted at one end; its Q is that of the line, less what contacts,
the shorting plate, plungers and oxide take.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["ALUMINIUM", "BRASS", "COPPER", "SILVER", "Resonator", "coaxial_q", "skin_depth_m"]

# Conductivities in S/m. Pozar, Microwave Engineering, appendix F (from memory, edition unchecked).
SILVER = 6.173e7
COPPER = 5.813e7
ALUMINIUM = 3.816e7
BRASS = 2.564e7

_MU0 = 4e-7 * math.pi  # H/m; differs from the 2019 SI value by 1e-10


def skin_depth_m(freq_hz: float, conductivity_s_per_m: float) -> float:
    """Depth in metres at which a current in a non-magnetic metal has fallen to 1/e.

    Source: ``1/sqrt(pi f mu0 sigma)``, Pozar, Microwave Engineering, section 1.7 (section from memory).
    """
    return 1.0 / math.sqrt(math.pi * freq_hz * _MU0 * conductivity_s_per_m)


def coaxial_q(
    outer_radius_m: float,
    inner_radius_m: float,
    freq_hz: float,
    conductivity_s_per_m: float,
    loss_tangent: float = 0.0,
) -> float:
    """Unloaded Q of a resonator made of coaxial line, shorting plates left out.

    Source: ``Q = beta / 2 alpha`` (Pozar, Microwave Engineering, chapters 2.7 and 6.2), which for one metal is
    ``(2 b / delta) ln x / (1 + x)`` with ``x = b/a``; a filling adds ``Q_d = 1 / tan delta``.
    """
    ratio = outer_radius_m / inner_radius_m
    conductor = 2.0 * outer_radius_m / skin_depth_m(freq_hz, conductivity_s_per_m) * math.log(ratio) / (1.0 + ratio)
    return 1.0 / (1.0 / conductor + loss_tangent)


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonator:
    """A cavity's coaxial resonator.

    ``share`` is the part of the ideal Q that is left after shorting plate, contacts, loops, plunger and oxide:
    0.3 to 0.6 in healthy cavities (common practice, no source).
    """

    shell_diameter_m: float
    rod_diameter_m: float
    conductivity_s_per_m: float
    share: float

    def unloaded_q(self, freq_hz: float) -> float:
        """Unloaded Q at a frequency."""
        outer, inner = self.shell_diameter_m / 2, self.rod_diameter_m / 2
        return self.share * coaxial_q(outer, inner, freq_hz, self.conductivity_s_per_m)
