"""From a folder of saved traces to the source of a run: reads, asks for what no file tells, says what is missing."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sequencer.core.history import Role, SavedKind, SavedTrace
from sequencer.core.hookup import HookupKind
from sequencer.core.trace import Detector, FloatArray, Sweep, SweepSettings, Trace, impossible
from sequencer.errors import StoredDataError, UnitError, UsageError
from sequencer.ports import Question
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.filing import Expected, VectorName, expected_files, gaps, vector_names
from sequencer.run.predict import TYPICAL, forecast
from sequencer.run.saved import MUST
from sequencer.units import TIME, parse

if TYPE_CHECKING:
    from instruments.saved.facts import Facts
    from instruments.saved.folder import Found
    from instruments.saved.levels import Levels
    from instruments.saved.source import SavedSource

__all__ = ["AS_PLANNED", "UNKNOWN", "Ask", "open_saved", "planned_files"]

Ask = Callable[[Question], tuple[str, str]]
AS_PLANNED, UNKNOWN = "as planned", "unknown"
ASSUMED_S = 7200.0  # from the first trace to the last, where nobody tells: an evening; common practice, no source
_DARKEST_DB = -300.0  # an S-parameter of exactly 0 is no level; below this nothing is read anyway


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
    made = _Made(recipe, bench, expected, {v.stem: v for v in vectors}, told)
    for found in sorted(opened.found, key=lambda f: (f.stem, f.number)):
        made.add(found)
    made.check_alike()
    told = made.ask_settings(ask)
    made.add_lines()
    traces, sweeps = made.finish(at)
    lacking = gaps(recipe, bench, expected, traces, {s: sweep.trace.freq_hz for s, sweep in sweeps.items()})
    lacking += _vector_lacks(recipe, bench, traces)
    if lacking:
        unused = "".join(f"\n  not used: {name}" for name in opened.unused[:20])
        whole = "".join(f"\n  {line}" for line in lacking)
        msg = f"{folder}: these traces cannot answer the recipe; nothing was begun:{whole}{unused}"
        raise UsageError(msg, folder=str(folder))
    source = SavedSource(traces=traces, sweeps=sweeps, limits=TYPICAL, simulated=made.simulated)
    remarks = tuple(f"not used: {name}" for name in opened.unused) + made.absent() + tuple(made.copies)
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


@dataclass(slots=True, eq=False)
class _Piece:
    """A trace on its way: what is known of its settings comes bit by bit."""

    source: str
    sha256: str
    kind: SavedKind
    expected: Expected
    freq_hz: FloatArray
    level_db: FloatArray
    facts: Facts
    by_file: frozenset[str]
    notes: tuple[str, ...]
    declared: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    settings: SweepSettings | None = None


@dataclass(slots=True, eq=False)
class _Made:
    recipe: Recipe
    bench: Bench
    expected: Sequence[Expected]
    vectors: Mapping[str, VectorName]
    told: dict[str, str]
    pieces: list[_Piece] = field(default_factory=list)
    copies: list[str] = field(default_factory=list)
    simulated: bool = False

    # --- reading

    def add(self, found: Found) -> None:
        """Read one file."""
        if found.ports is not None:
            self._add_vector(found)
            return
        from instruments.saved.levels import read_levels
        from instruments.saved.table import decoded

        one = next(e for e in self.expected if e.stem == found.stem)
        said = self._facts(found.said, found.file).over(self._facts(self.told, "--set or traces.yaml"))
        near = list(self.recipe.frequencies.values())
        levels: Levels = read_levels(decoded(found.data, found.file), found.file, said, found.column, near)
        self.simulated |= levels.facts.simulated
        source = f"{found.file}#{found.column}" if found.column else found.file
        self.pieces.append(
            _Piece(
                source,
                found.sha256,
                SavedKind.NORMALISED if levels.normalised else SavedKind.LEVEL,
                one,
                levels.freq_hz,
                levels.level_db,
                levels.facts,
                levels.by_file,
                levels.notes,
            )
        )

    def _add_vector(self, found: Found) -> None:
        from instruments.saved.facts import Facts
        from instruments.saved.table import decoded
        from sequencer.formats.touchstone import load_touchstone

        held = load_touchstone(decoded(found.data, found.file), found.file, found.ports or None)
        self.simulated |= any("simulated" in comment.casefold() for comment in held.comments)
        name = self.vectors[found.stem]
        ports = name.ports or ("generator lead", "analyzer lead")
        if len(ports) != held.ports:
            msg = f"{found.file}: has {held.ports} ports, but its name gives {len(ports)}: {', '.join(ports)}"
            raise StoredDataError(msg, file=found.file)
        if any(ohm != 50.0 for ohm in held.ohm):
            msg = f"{found.file}: is referred to {', '.join(f'{ohm:g}' for ohm in held.ohm)} ohm; refer it to 50 ohm"
            raise StoredDataError(msg, file=found.file)
        for one in self._vector_sweeps(name):
            first = 0 if one.hookup.kind is HookupKind.FLOOR else ports.index(_input(one))
            second = 1 if one.hookup.kind is HookupKind.FLOOR else ports.index(_output(one))
            with np.errstate(divide="ignore"):
                level = np.maximum(20.0 * np.log10(np.abs(held.s[:, second, first])), _DARKEST_DB)
            part = f"S{second + 1}{first + 1}"
            self.pieces.append(
                _Piece(
                    f"{found.file}#{part}",
                    found.sha256,
                    SavedKind.VECTOR,
                    replace(one, key=name.key),
                    held.freq_hz,
                    level,
                    Facts(),
                    frozenset(),
                    (f"{part}, corrected by the vector analyzer",),
                )
            )

    def _vector_sweeps(self, name: VectorName) -> list[Expected]:
        """Return the sweeps of the plan that a vector file stands for, each hookup once."""
        found: dict[str, Expected] = {}
        for one in self.expected:
            kind, role = one.hookup.kind, one.role
            ends = {_input(one), _output(one)}
            floor = not name.ports and kind is HookupKind.FLOOR and role is Role.LEAKAGE
            if floor or (role in (Role.DEVICE, Role.REFLECTION) and name.ports and ends <= set(name.ports)):
                found.setdefault(one.hookup.name, one)
        return list(found.values())

    def check_alike(self) -> None:
        """Refuse what cannot be set against each other: normalised and not, two files that are one trace."""
        for reflecting in (False, True):
            here = [p for p in self.pieces if (p.expected.hookup.kind is HookupKind.REFLECT) is reflecting]
            kinds = {p.kind for p in here}
            if len(kinds) > 1:
                first, second = (next(p for p in here if p.kind is kind) for kind in sorted(kinds)[:2])
                msg = (
                    f"{first.source} is {_kind(first.kind)}, {second.source} {_kind(second.kind)}; they cannot be set "
                    "against each other: save all of them alike"
                )
                raise UsageError(msg)
        seen: dict[object, _Piece] = {}
        for piece in list(self.pieces):
            if piece.kind is SavedKind.VECTOR:
                continue
            twin = seen.setdefault((piece.sha256, piece.source.partition("#")[2]), piece)
            other = seen.setdefault(piece.freq_hz.tobytes() + piece.level_db.tobytes(), piece)
            if twin is not piece and twin.expected is piece.expected:  # a copy tells nothing new of the scatter
                self.pieces.remove(piece)
                self.copies.append(f"{piece.source} is a copy of {twin.source}: left out")
                continue
            if other.expected.hookup != piece.expected.hookup:  # other repeats may be alike: files are rounded
                twin = other
            if twin is not piece:
                msg = f"{twin.source} and {piece.source} hold the same trace; one of them was saved or named twice"
                raise UsageError(msg)

    # --- settings

    def _facts(self, said: Mapping[str, str], where: str) -> Facts:
        from instruments.saved.facts import DECLARABLE, Facts, declared

        facts = Facts()
        for name, text in said.items():
            if name in DECLARABLE:
                try:
                    facts = declared(name, text).over(facts)
                except UnitError as exc:
                    msg = f"{where}: {name}: {exc.message}"
                    raise UsageError(msg, key=name) from exc
        return facts

    def ask_settings(self, ask: Ask | None) -> dict[str, str]:
        """Settle what no file tells; returns what was declared."""
        lacking: dict[str, int] = {}
        for piece in self.pieces:
            for name in _musts(piece):
                if getattr(piece.facts, name) is None:
                    lacking[name] = lacking.get(name, 0) + 1
        if lacking and "settings" not in self.told:
            listed = ", ".join(f"{MUST[name]} ({count} of {len(self.pieces)} files)" for name, count in lacking.items())
            self.told["settings"] = self._answer(
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
        answer = self.told.get("settings", UNKNOWN)
        if answer not in (AS_PLANNED, UNKNOWN):
            msg = f"settings={answer}: answer {AS_PLANNED!r} or {UNKNOWN!r}"
            raise UsageError(msg)
        for piece in self.pieces:
            self._settle(piece, as_planned=answer == AS_PLANNED)
        if "duration" not in self.told and not self._timed:
            question = Question(
                key="duration", text="How long from the first trace to the last (for example 2 h)?", safe_answer=UNKNOWN
            )
            try:
                self.told["duration"] = ask(question)[0] if ask is not None else UNKNOWN
            except UsageError:  # nobody is there
                self.told["duration"] = UNKNOWN
        return dict(self.told)

    @staticmethod
    def _answer(ask: Ask | None, question: Question, else_say: str) -> str:
        if ask is None:
            raise UsageError(else_say)
        return ask(question)[0]

    @property
    def _timed(self) -> bool:
        """Whether every file tells its time, and the times follow the hookups: a clock may be wrong, or a file old."""
        ends: dict[int, list[datetime]] = {}
        for piece in self.pieces:
            if piece.facts.taken is not None:
                ends.setdefault(piece.expected.station, []).append(piece.facts.taken)
        ordered = [ends[number] for number in sorted(ends)]
        follow = all(max(a) <= min(b) for a, b in itertools.pairwise(ordered))
        return follow and all(p.facts.taken is not None or p.kind is SavedKind.VECTOR for p in self.pieces)

    def _settle(self, piece: _Piece, *, as_planned: bool) -> None:
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
        odd = impossible(settings)
        if odd:
            msg = f"{piece.source}: settings that cannot be: {odd}"
            raise StoredDataError(msg, source=piece.source)
        piece.settings, piece.declared, piece.unknown = settings, tuple(declared), tuple(unknown)
        piece.by_file &= frozenset(MUST) | {"vbw_hz"}

    # --- what stands against them

    def add_lines(self) -> None:
        """Put a line at 0 dB where the reference is in the instrument's memory, or in its correction."""
        for piece in list(self.pieces):
            if piece.kind is SavedKind.LEVEL:
                continue
            roles = {Role.DEVICE: (Role.THRU,), Role.REFLECTION: (Role.OPEN, Role.SHORT)}.get(piece.expected.role, ())
            for role in roles:
                have = any(p.expected.role is role and p.expected.key == piece.expected.key for p in self.pieces)
                one = next((e for e in self.expected if e.role is role), None)
                if not have and one is not None:
                    self.pieces.append(
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

    def finish(self, at: datetime) -> tuple[tuple[SavedTrace, ...], dict[str, Sweep]]:
        """Return the traces in the order of the run, and their sweeps."""
        order = {(e.station, e.role, e.key): n for n, e in enumerate(self.expected)}
        self.pieces.sort(key=lambda p: order.get((p.expected.station, p.expected.role, p.expected.key), -1))
        self.pieces.sort(key=lambda p: p.expected.station)
        stations = {number: n for n, number in enumerate(sorted({p.expected.station for p in self.pieces}))}
        timed = self._timed and not all(p.kind is SavedKind.VECTOR for p in self.pieces)
        told = self.told.get("duration", UNKNOWN)
        seconds = ASSUMED_S if told == UNKNOWN else _seconds(told)
        traces, sweeps = [], {}
        for piece in self.pieces:
            assert piece.settings is not None
            share = stations[piece.expected.station] / max(len(stations) - 1, 1)
            vector = piece.kind is SavedKind.VECTOR or (piece.kind is SavedKind.LINE and not piece.unknown)
            began = (
                piece.facts.taken if timed and piece.facts.taken else at - timedelta(seconds=seconds * (1.0 - share))
            )
            began = at if vector and not timed else began
            timeless = () if timed or told != UNKNOWN or vector else ("time",)
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
                    from_file=tuple(sorted(piece.by_file)),
                    declared=piece.declared,
                    unknown=(*piece.unknown, *timeless),
                    notes=piece.notes,
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

    def absent(self) -> tuple[str, ...]:
        """Return what the plan has and the files have not, and what that costs; one line a kind."""
        there = {(p.expected.station, p.expected.role) for p in self.pieces}
        lacking: dict[str, None] = {}
        for one in self.expected:
            if one.planned and (one.station, one.role) not in there and one.role is not Role.FOREIGN:
                lacking[f"{one.hookup.name} ({one.role.value}): no file, for example {one.stem}.csv"] = None
        return () if any(p.kind is SavedKind.VECTOR for p in self.pieces) else tuple(lacking)


def _input(one: Expected) -> str:
    return one.hookup.generator or one.hookup.test_port or ""


def _output(one: Expected) -> str:
    return one.hookup.analyzer or one.hookup.test_port or ""


def _kind(kind: SavedKind) -> str:
    return {SavedKind.LEVEL: "in levels", SavedKind.NORMALISED: "normalised", SavedKind.VECTOR: "a vector file"}[kind]


def _musts(piece: _Piece) -> tuple[str, ...]:
    """Return the settings that must be known of a trace."""
    if piece.kind is SavedKind.VECTOR:
        return ()
    left_out = {"reference_dbm"} if piece.kind is SavedKind.NORMALISED else set()
    left_out |= {"generator_dbm"} if piece.expected.settings.generator_dbm is None else set()
    return tuple(name for name in MUST if name not in left_out)


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
