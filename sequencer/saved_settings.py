"""The settings of saved traces: what the files tell, what people say of them, and what stays unknown."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from sequencer.core.history import SavedKind
from sequencer.core.trace import Detector, SweepSettings, impossible
from sequencer.errors import StoredDataError, UsageError
from sequencer.ports import Question
from sequencer.run.saved import DAYS_APART_S, MUST
from sequencer.saved_noise import near_noise
from sequencer.saved_pieces import Piece

__all__ = ["AS_PLANNED", "UNKNOWN", "Ask", "ask_settings", "dated", "timed"]

Ask = Callable[[Question], tuple[str, str]]
AS_PLANNED, UNKNOWN = "as planned", "unknown"


def ask_settings(pieces: Sequence[Piece], declared: Mapping[str, str], ask: Ask | None) -> dict[str, str]:
    """Settle what no file tells; returns what was declared."""
    told = dict(declared)
    lacking: dict[str, int] = {}
    for piece in pieces:
        for name in _musts(piece):
            if getattr(piece.facts, name) is None:
                lacking[name] = lacking.get(name, 0) + 1
    whole = {**MUST, "averaging": "averaging (off, power or log)"}
    if unsure := sum(_averaging(piece) == "" for piece in near_noise(pieces)):
        lacking["averaging"] = unsure
    if lacking and "settings" not in told:
        listed = ", ".join(f"{whole[name]} ({count} of {len(pieces)} files)" for name, count in lacking.items())
        told["settings"] = _answer(
            ask,
            Question(
                key="settings",
                text=f"These files do not tell: {listed}. Were they as 'check --files' prints them?",
                choices=(AS_PLANNED, UNKNOWN),
            ),
            f"the files do not tell: {listed}. Give --set 'settings={AS_PLANNED}' if they were as 'check --files' "
            f"prints them, each by --set or in traces.yaml (--set 'rbw=1 kHz'), or --set settings={UNKNOWN}: then "
            "nothing is decided",
        )
    answer = told.get("settings", UNKNOWN)
    if answer not in (AS_PLANNED, UNKNOWN):
        msg = f"settings={answer}: answer {AS_PLANNED!r} or {UNKNOWN!r}"
        raise UsageError(msg)
    for piece in pieces:
        _settle(piece, as_planned=answer == AS_PLANNED)
    if "duration" not in told and not dated(pieces):
        question = Question(
            key="duration", text="How long from the first trace to the last (for example 2 h)?", safe_answer=UNKNOWN
        )
        try:
            told["duration"] = ask(question)[0] if ask is not None else UNKNOWN
        except UsageError:  # nobody is there
            told["duration"] = UNKNOWN
    return told


def dated(pieces: Sequence[Piece]) -> bool:
    """Whether every file tells when it was taken; vector files that are silent do not count.

    Raises
    ------
    UsageError
        When only some do, and those are days apart: nobody knows then on which day the others were taken.
    """
    here = [p for p in pieces if p.kind is not SavedKind.VECTOR or p.facts.taken is not None]
    told = sorted((p.facts.taken, p.source) for p in here if p.facts.taken is not None)
    if told and len(told) < len(here) and (told[-1][0] - told[0][0]).total_seconds() > DAYS_APART_S:
        silent = next(p.source for p in here if p.facts.taken is None)
        msg = (
            f"{told[0][1]} is of {told[0][0]:%Y-%m-%d %H:%M} and {told[-1][1]} of {told[-1][0]:%Y-%m-%d %H:%M}, and "
            f"{silent} tells no date: leave out what was not taken with the rest"
        )
        raise UsageError(msg)
    return bool(here) and len(told) == len(here)


def timed(pieces: Sequence[Piece]) -> bool:
    """Whether every file tells its time, and the times follow the hookups: a clock may be wrong, or a file old."""
    ends: dict[int, list[datetime]] = {}
    for piece in pieces:
        if piece.facts.taken is not None and piece.kind is not SavedKind.VECTOR:
            ends.setdefault(piece.expected.station, []).append(piece.facts.taken)
    ordered = [ends[number] for number in sorted(ends)]
    return dated(pieces) and all(max(a) <= min(b) for a, b in itertools.pairwise(ordered))


def _answer(ask: Ask | None, question: Question, else_say: str) -> str:
    if ask is None:
        raise UsageError(else_say)
    return ask(question)[0]


def _settle(piece: Piece, *, as_planned: bool) -> None:
    plan, facts = piece.expected.settings, piece.facts
    declared = sorted(name for name in MUST if getattr(facts, name) is not None and name not in piece.by_file)
    unknown: list[str] = []
    values: dict[str, Any] = {"vbw_hz": facts.vbw_hz, "display_bottom_dbm": None}
    for name in MUST:
        value = getattr(facts, name)
        if value is None and name in _musts(piece):
            (declared if as_planned else unknown).append(name)
        planned = piece.expected.seconds if name == "sweep_time_s" else getattr(plan, name)
        values[name] = planned if value is None else value
    if plan.generator_dbm is None:
        values["generator_dbm"] = None
    if piece.kind is not SavedKind.LEVEL:
        values["reference_dbm"] = 0.0
    if piece.kind is SavedKind.VECTOR:
        values = {
            "rbw_hz": 1e3,  # it has none that a scalar budget could use; one and the same for all
            "attenuation_db": 0.0,
            "reference_dbm": 0.0,
            "generator_dbm": 0.0,
            "detector": Detector.POWER,
        }
    settings = SweepSettings(
        start_hz=float(piece.freq_hz[0]), stop_hz=float(piece.freq_hz[-1]), points=piece.freq_hz.size, **values
    )
    piece.averaging = _averaging(piece) or ("power" if as_planned else "")  # off, or of power: either is right
    odd = impossible(settings)
    if odd:
        msg = f"{piece.source}: settings that cannot be: {odd}"
        raise StoredDataError(msg, source=piece.source)
    piece.settings, piece.declared, piece.unknown = settings, tuple(declared), tuple(unknown)
    if "averaging" not in piece.by_file and piece.averaging:
        piece.declared = (*piece.declared, "averaging")
    piece.by_file &= frozenset(MUST) | {"vbw_hz", "taken", "averaging"}


def _averaging(piece: Piece) -> str:
    """Return the analyzer's own averaging, '' where it is not known: not told, or on and nobody says of what."""
    if piece.kind is SavedKind.VECTOR:
        return "off"
    return "" if piece.facts.averaging in (None, "on") else piece.facts.averaging


def _musts(piece: Piece) -> tuple[str, ...]:
    """Return the settings that must be known of a trace."""
    if piece.kind is SavedKind.VECTOR:
        return ()
    left_out = {"reference_dbm"} if piece.kind is SavedKind.NORMALISED else set()
    left_out |= {"generator_dbm"} if piece.expected.settings.generator_dbm is None else set()
    return tuple(name for name in MUST if name not in left_out)
