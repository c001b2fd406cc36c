"""From a folder of saved traces to the source of a run: reads, asks for what no file tells, says what is missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sequencer.core.history import Role, SavedKind, SavedTrace
from sequencer.core.trace import Sweep, Trace
from sequencer.errors import UnitError, UsageError
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.filing import Expected, expected_files, gaps, vector_names
from sequencer.run.predict import TYPICAL, forecast
from sequencer.saved_noise import refuse_below_noise
from sequencer.saved_pieces import Piece, Pieces
from sequencer.saved_reciprocity import refuse_one_way
from sequencer.saved_settings import UNKNOWN, Ask, ask_settings, dated, timed
from sequencer.units import TIME, parse

if TYPE_CHECKING:
    from instruments.saved.source import SavedSource

__all__ = ["open_saved", "planned_files"]

ASSUMED_S = 7200.0  # from the first trace to the last, where nobody tells: an evening; common practice, no source


def planned_files(recipe: Recipe, bench: Bench) -> tuple[Expected, ...]:
    """Return the files that `check` asks for, and others that are of use."""
    return expected_files(forecast(recipe, bench))


def open_saved(
    recipe: Recipe, bench: Bench, folder: Path, declared: Mapping[str, str], ask: Ask | None, at: datetime
) -> tuple[SavedSource, Mapping[str, str], tuple[str, ...]]:
    """Return the source of the run, what was declared (answers included), and what people should be told.

    Parameters
    ----------
    declared : settings by name, as with --set; ``ask`` puts the questions they leave open (None: nobody is there).
    at : when the run began; traces that do not tell their time are laid before it.

    Raises
    ------
    UsageError
        Everything that is missing, in one list, before anything is begun.
    StoredDataError
        When a file cannot be read.
    """
    from instruments.saved.folder import open_folder
    from instruments.saved.source import SavedSource

    expected, vectors = planned_files(recipe, bench), vector_names(recipe)
    opened = open_folder(folder, [e.stem for e in expected], [v.stem for v in vectors])
    told = {**opened.said, **declared}
    made = Pieces(recipe, expected, {v.stem: v for v in vectors}, told)
    for found in sorted(opened.found, key=lambda f: (f.stem, f.number)):
        made.add(found)
    made.check_alike()
    refuse_one_way(made.directions, bench)
    pieces = made.pieces
    told = ask_settings(pieces, told, ask)
    refuse_below_noise(pieces)
    pieces += _lines(pieces, expected)
    traces, sweeps = _finished(pieces, expected, told.get("duration", UNKNOWN), at)
    lacking = gaps(recipe, bench, expected, traces, {s: sweep.trace.freq_hz for s, sweep in sweeps.items()})
    lacking += _vector_lacks(recipe, bench, traces)
    if lacking:
        unused = "".join(f"\n  not used: {name}" for name in opened.unused[:20])
        whole = "".join(f"\n  {line}" for line in lacking)
        msg = f"{folder}: these traces cannot answer the recipe; nothing was begun:{whole}{unused}"
        raise UsageError(msg, folder=str(folder))
    source = SavedSource(traces=traces, sweeps=sweeps, limits=TYPICAL, simulated=made.simulated)
    remarks = tuple(f"not used: {name}" for name in opened.unused) + _absent(pieces, expected) + tuple(made.copies)
    return source, {**declared, **told}, remarks


def _vector_lacks(recipe: Recipe, bench: Bench, traces: Sequence[SavedTrace]) -> tuple[str, ...]:
    """A corrected vector analyzer has residual errors of its own, which nothing assumed may stand for."""
    if not any(t.kind is SavedKind.VECTOR for t in traces):
        return ()
    wants = {
        "analyzer: vswr (residual load match)": bench.analyzer.vswr,
        "generator: vswr (residual source match)": bench.generator_vswr,
        "specifications: scale (tracking and linearity)": bench.specifications.scale_per_db,
    }
    if any(r.port for r in recipe.requirements):
        bridge = bench.bridge
        wants["bridge: directivity (residual)"] = None if bridge is None else bridge.directivity_db
        wants["bridge: test port vswr (residual source match)"] = None if bridge is None else bridge.test_port_vswr
    lacking = [name for name, figure in wants.items() if figure is None]
    made = [f"a vector file needs an uncertainty of its own; state in the bench file {name}" for name in lacking]
    if bench.generator_pad is not None or bench.analyzer_pad is not None:
        made.append("a vector analyzer is corrected up to its test ports; leave 'pads' out of the bench file")
    return tuple(made)


def _lines(pieces: Sequence[Piece], expected: Sequence[Expected]) -> list[Piece]:
    """Return a line at 0 dB where the reference is in the instrument's memory, or in its correction."""
    lines: list[Piece] = []
    for piece in pieces:
        if piece.kind is SavedKind.LEVEL:
            continue
        roles = {Role.DEVICE: (Role.THRU,), Role.REFLECTION: (Role.OPEN, Role.SHORT)}.get(piece.expected.role, ())
        for role in roles:
            have = any(p.expected.role is role and p.expected.key == piece.expected.key for p in (*pieces, *lines))
            one = next((e for e in expected if e.role is role), None)
            if not have and one is not None:
                lines.append(
                    replace(
                        piece,
                        source=f"0 dB line, {role.value} {piece.expected.key}",
                        sha256="",
                        kind=SavedKind.LINE,
                        expected=replace(one, key=piece.expected.key),
                        level_db=np.zeros(piece.freq_hz.size),
                        notes=(f"no trace: {piece.source} is relative to it already",),
                    )
                )
    return lines


def _finished(
    pieces: list[Piece], expected: Sequence[Expected], told: str, at: datetime
) -> tuple[tuple[SavedTrace, ...], dict[str, Sweep]]:
    """Return the traces in the order of the run, and their sweeps."""
    order = {(e.station, e.role, e.key): n for n, e in enumerate(expected)}
    pieces.sort(key=lambda p: order.get((p.expected.station, p.expected.role, p.expected.key), -1))
    pieces.sort(key=lambda p: p.expected.station)
    stations = {number: n for n, number in enumerate(sorted({p.expected.station for p in pieces}))}
    by_files = dated(pieces)
    in_order = by_files and timed(pieces)
    seconds = ASSUMED_S if told == UNKNOWN else _seconds(told)
    traces, sweeps = [], {}
    for piece in pieces:
        assert piece.settings is not None
        share = stations[piece.expected.station] / max(len(stations) - 1, 1)
        vector = piece.kind is SavedKind.VECTOR or (piece.kind is SavedKind.LINE and not piece.unknown)
        if by_files:  # a vector file that is silent is laid beside the last that tells
            began = piece.facts.taken or max(p.facts.taken for p in pieces if p.facts.taken is not None)
        else:
            began = at if vector else at - timedelta(seconds=seconds * (1.0 - share))
        timeless = () if in_order or (told != UNKNOWN and not by_files) or vector else ("time",)
        one = piece.expected
        traces.append(
            SavedTrace(
                source=piece.source,
                sha256=piece.sha256,
                kind=piece.kind,
                station=stations[one.station],
                hookup=one.hookup,
                key=one.key,
                role=one.role,
                settings=piece.settings,
                from_file=tuple(sorted(piece.by_file - (set() if by_files else {"taken"}))),
                declared=piece.declared,
                unknown=(*piece.unknown, *timeless),
                notes=piece.notes,
                averaging=piece.averaging,
            )
        )
        sweeps[piece.source] = Sweep(
            trace=Trace(piece.freq_hz, piece.level_db),
            asked=piece.settings,
            used=piece.settings,
            flags=frozenset(),
            began=began.astimezone(UTC),
            instrument_s=0.0,
        )
    return tuple(traces), sweeps


def _absent(pieces: Sequence[Piece], expected: Sequence[Expected]) -> tuple[str, ...]:
    """Return what the plan has and the files have not, and what that costs; one line a kind."""
    there = {(p.expected.station, p.expected.role) for p in pieces}
    lacking: dict[str, None] = {}
    for one in expected:
        if one.planned and (one.station, one.role) not in there and one.role is not Role.FOREIGN:
            lacking[f"{one.hookup.name} ({one.role.value}): no file, for example {one.stem}.csv"] = None
    return () if any(p.kind is SavedKind.VECTOR for p in pieces) else tuple(lacking)


def _seconds(text: str) -> float:
    try:
        seconds = parse(text, TIME)
    except UnitError as exc:
        msg = f"duration: {exc.message}"
        raise UsageError(msg) from exc
    if not 0.0 <= seconds <= 30.0 * 86400.0:
        msg = f"duration={text}: from nothing to 30 days"
        raise UsageError(msg)
    return seconds
