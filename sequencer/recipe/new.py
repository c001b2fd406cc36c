"""Writes a commented recipe for a chosen channel pair: a place to start, with limits that are the user's to set."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from sequencer.errors import UsageError
from sequencer.recipe.loader import default_overview_hz, load_recipe
from sequencer.units import FREQUENCY, parse, show, show_hz

__all__ = ["KINDS", "new_recipe"]

KINDS = ("band-pass/band-reject", "reject-only", "pass-only")


@dataclass(frozen=True, slots=True)
class _Band:
    """A band and the splits usual in it (common practice, no source; regional plans differ)."""

    label: str
    low_hz: float
    high_hz: float
    splits_hz: tuple[float, ...]


_BANDS = (
    _Band("6 m", 50e6, 54e6, (1e6, 0.5e6, 1.7e6)),
    _Band("2 m", 144e6, 148e6, (600e3,)),
    _Band("land mobile VHF", 136e6, 174e6, (4.6e6, 4.5e6, 5e6)),
    _Band("1.25 m", 219e6, 225e6, (1.6e6,)),
    _Band("70 cm", 420e6, 450e6, (5e6, 1.6e6, 7.6e6, 9.4e6)),
    _Band("land mobile UHF", 450e6, 470e6, (5e6,)),
    _Band("land mobile UHF", 470e6, 512e6, (3e6,)),
    _Band("33 cm", 902e6, 928e6, (25e6, 12e6)),
    _Band("23 cm", 1240e6, 1300e6, (12e6, 20e6)),
)

# (split over frequency at most, insertion loss, rejection): the tighter the split, the more loss buys less
# rejection (trade practice, no source; the square law in the split is physics, the figures are not)
_USUAL = ((0.005, 1.6, 75), (0.012, 1.5, 80), (0.02, 1.3, 80), (math.inf, 1.2, 85))


def new_recipe(transmit_hz: float, receive_hz: float, name: str | None = None, kind: str = KINDS[0]) -> str:
    """Return the text of a recipe for a duplexer of this channel pair; it loads as it stands.

    Parameters
    ----------
    transmit_hz, receive_hz : the channels, as the licence says; either may be the higher one.
    name : the recipe's name; made from band and split if None.
    kind : one of `KINDS`.

    Raises
    ------
    UsageError
        When the channels are equal, not finite or not positive, or the name or kind cannot be used.
    """
    low_hz, high_hz = _checked(transmit_hz, receive_hz, kind)
    split_hz = high_hz - low_hz
    band = next((b for b in _BANDS if b.low_hz <= low_hz and high_hz <= b.high_hz), None)
    slug = _slug(band, split_hz, kind) if name is None else name
    if re.fullmatch(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,62}[A-Za-z0-9])?", slug) is None:
        msg = f"'{slug}' cannot be a recipe's name (allowed: letters, digits, '.', '_' and '-', at most 64)"
        raise UsageError(msg, name=slug)
    start_hz, stop_hz = default_overview_hz((low_hz, high_hz))
    text = _TEXT.format(
        name=slug,
        where=f"{band.label}, " if band is not None else "",
        kind=kind,
        transmit=_channel(transmit_hz),
        receive=_channel(receive_hz),
        split=_short(split_hz),
        usual=_usual(band, split_hz),
        start=show(start_hz, FREQUENCY),
        stop=show(stop_hz, FREQUENCY),
        limits=_limits(kind, split_hz, high_hz),
    )
    load_recipe(text, f"{slug}.yaml")  # a template that does not load is a fault of ours: found here, not by the user
    return text


def _checked(transmit_hz: float, receive_hz: float, kind: str) -> tuple[float, float]:
    if kind not in KINDS:
        msg = f"'{kind}' is not a kind of duplexer (allowed: {', '.join(KINDS)})"
        raise UsageError(msg, kind=kind)
    low_hz, high_hz = sorted((transmit_hz, receive_hz))
    if not (math.isfinite(low_hz) and math.isfinite(high_hz) and low_hz >= 1e5 and high_hz <= 1e11):
        msg = f"channels {transmit_hz:g} Hz and {receive_hz:g} Hz: both must lie between 100 kHz and 100 GHz"
        raise UsageError(msg, transmit_hz=transmit_hz, receive_hz=receive_hz)
    if high_hz - low_hz < 1e-4 * high_hz or high_hz > 2.0 * low_hz:
        msg = (
            f"transmit {show_hz(transmit_hz)} and receive {show_hz(receive_hz)}: the split must be at least 0.01 % "
            "of the frequency and at most an octave; check the channels and their units"
        )
        raise UsageError(msg, transmit_hz=transmit_hz, receive_hz=receive_hz)
    return low_hz, high_hz


def _channel(hz: float) -> str:
    """Write a channel with three digits after the point as licences do, more where it has more."""
    usual = show_hz(hz)
    return usual if parse(usual, FREQUENCY) == hz else show(hz, FREQUENCY)


def _short(hz: float) -> str:
    return show(round(hz), FREQUENCY)


def _slug(band: _Band | None, split_hz: float, kind: str) -> str:
    where = (
        re.sub("(?<=[0-9]) ", "", band.label).lower().replace(" ", "-").replace(".", "")
        if band is not None
        else "duplexer"
    )
    split = _short(split_hz).removesuffix("Hz").replace(" ", "").lower()
    tail = "" if kind == KINDS[0] else f"-{kind}"
    return f"{where}-{split}{tail}-acceptance"


def _usual(band: _Band | None, split_hz: float) -> str:
    """Return a comment on how usual the split is."""
    if band is None:
        return "# This pair lies in none of the bands whose usual splits are known here: compare with the licence."
    usual = ", ".join(_short(one) for one in band.splits_hz)
    if any(abs(split_hz - one) <= 1e-3 * one for one in band.splits_hz):
        return f"# Usual splits in {band.label}: {usual}. Regional plans differ: the licence decides."
    return (
        f"# Usual splits in {band.label}: {usual}. Yours is another one: regional plans differ,\n"
        "# so compare both channels with the licence before you tune to them."
    )


def _limits(kind: str, split_hz: float, high_hz: float) -> str:
    loss_db, rejection_db = next((il, r) for most, il, r in _USUAL if split_hz <= most * high_hz)
    within = "within: 8 kHz, " if split_hz > 100e3 else ""
    if kind == "pass-only":
        rejection_db -= 20  # pass cavities alone do not notch the other channel [common practice, no source]
        within = ""
    return _PASS.format(loss=loss_db) + _REJECT.format(rejection=rejection_db, within=within) + _MATCH


_PASS = """\
  # What each way loses: heat on the transmit side, deafness on the receive side.
  - {{quantity: insertion loss, path: TX-ANT, at: transmit, max: {loss} dB}}
  - {{quantity: insertion loss, path: ANT-RX, at: receive, max: {loss} dB}}
"""
_REJECT = """\
  # The transmit side must keep its noise off the receive channel, the receive side the carrier out.
  # 'within' asks for the worst value over that offset to both sides: half a channel is common.
  - {{quantity: rejection, path: TX-ANT, at: receive, {within}min: {rejection} dB}}
  - {{quantity: rejection, path: ANT-RX, at: transmit, {within}min: {rejection} dB}}
  # Port to port with the antenna port loaded: what the receiver really sees of the transmitter.
  - {{quantity: isolation, path: TX-RX, at: [transmit, receive], min: {rejection} dB}}
"""
_MATCH = """\
  # Needs a directional bridge. Leave these out if you have none: loss and rejection then get wider intervals.
  - {quantity: return loss, port: TX, at: transmit, min: 15 dB}
  - {quantity: return loss, port: RX, at: receive, min: 15 dB}
  - {quantity: return loss, port: ANT, at: [transmit, receive], min: 15 dB}
"""

_TEXT = """\
# A recipe to start from: {where}{kind} duplexer, {split} split.
#
# Every limit below is a usual figure for such a split, not a requirement: set your own. What is needed
# follows from your transmitter's power and noise and from your receiver; the tighter the split in per cent,
# the more loss must be accepted for the same rejection.
{usual}
recipe: 1
name: {name}
title: Acceptance, {where}{kind} duplexer, {split} split

# The names on the device's labels. Every port that is not being measured carries a 50 ohm load.
device: {{ports: [TX, RX, ANT]}}

# The channels as the licence says them (not where the notch happens to be).
frequencies: {{transmit: {transmit}, receive: {receive}}}

# The span of the whole picture.
overview: {{from: {start}, to: {stop}}}

limits:
{limits}
# guarded: a pass must hold with the whole interval on the good side. Others: simple, four-way, risk.
decision: {{rule: guarded, coverage: 95 %}}
"""
