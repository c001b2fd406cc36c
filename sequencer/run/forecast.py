"""What `check` foretells, as plain values: the hookups, their sweeps, the time, and what can be proved."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.core.history import Role
from sequencer.core.hookup import Hookup
from sequencer.core.trace import SweepSettings

__all__ = ["Forecast", "HookupForecast", "LimitForecast", "SweepForecast"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepForecast:
    """One sweep of a hookup, ``repeats`` times; ``seconds`` is the instrument's time for all of them."""

    key: str
    role: Role
    settings: SweepSettings
    repeats: int
    seconds: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HookupForecast:
    """One hookup with its sweeps, in order."""

    hookup: Hookup
    sweeps: tuple[SweepForecast, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitForecast:
    """What the bench can prove of one limit.

    ``limit`` is the limit in words ('at least 75 dB'); ``provable`` the largest value this bench can prove
    ('at least 92.3 dB', 'within 0.09 dB'); ``passes`` what a device must read to pass with that much in doubt, empty
    where ``provable`` says it; ``remedy`` the first thing that would help where ``ok`` is false, else empty.
    """

    id: str
    limit: str
    provable: str
    ok: bool
    passes: str = ""
    remedy: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A whole run foretold.

    ``total_s`` is everything, ``hands_s`` the part of it that a person spends on connectors; ``touches``
    counts the joints a person opens or closes by hand; another order could do with ``touches_over`` fewer at best,
    0 where this is proven to be the least.
    """

    hookups: tuple[HookupForecast, ...]
    total_s: float
    hands_s: float
    limits: tuple[LimitForecast, ...]
    assumptions: tuple[str, ...]
    touches: int
    touches_over: int = 0
