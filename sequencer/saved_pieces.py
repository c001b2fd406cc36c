"""The saved traces of a folder, read and laid against the sweeps of the plan they stand for."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from sequencer.core.history import Role, SavedKind
from sequencer.core.hookup import HookupKind
from sequencer.core.trace import FloatArray, SweepSettings
from sequencer.errors import StoredDataError, UnitError, UsageError
from sequencer.recipe.model import Recipe
from sequencer.run.filing import Expected, VectorName
from sequencer.saved_reciprocity import Direction

if TYPE_CHECKING:
    from instruments.saved.facts import Facts
    from instruments.saved.folder import Found
    from instruments.saved.levels import Levels
    from sequencer.formats.touchstone import Touchstone

__all__ = ["Piece", "Pieces"]

_DARKEST_DB = -300.0  # an S-parameter of exactly 0 is no level; below this nothing is read anyway


@dataclass(slots=True, eq=False)
class Piece:
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
    averaging: str = ""  # the analyzer's own, as SavedTrace has it
    settings: SweepSettings | None = None


@dataclass(slots=True, eq=False)
class Pieces:
    """All that was read so far; ``told`` is what was declared of it."""

    recipe: Recipe
    expected: Sequence[Expected]
    vectors: Mapping[str, VectorName]
    told: Mapping[str, str]
    pieces: list[Piece] = field(default_factory=list)
    copies: list[str] = field(default_factory=list)
    directions: list[Direction] = field(default_factory=list)
    simulated: bool = False

    def add(self, found: Found) -> None:
        """Read one file."""
        if found.ports is not None:
            self._add_vector(found)
            return
        from instruments.saved.levels import read_levels
        from instruments.saved.table import decoded

        one = next(e for e in self.expected if e.stem == found.stem)
        said = _facts(found.said, found.file).over(_facts(self.told, "--set or traces.yaml"))
        near = list(self.recipe.frequencies.values())
        levels: Levels = read_levels(decoded(found.data, found.file), found.file, said, found.column, near)
        self.simulated |= levels.facts.simulated
        source = f"{found.file}#{found.column}" if found.column else found.file
        self.pieces.append(
            Piece(
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
        from instruments.saved.headers import date_told
        from instruments.saved.spoilt import refuse_spoilt_vector
        from instruments.saved.table import decoded
        from sequencer.formats.touchstone import load_touchstone

        held = load_touchstone(decoded(found.data, found.file), found.file, found.ports or None)
        comments = [" ".join(comment[:1000].split()) for comment in dict.fromkeys(held.comments)]
        for comment in comments:
            refuse_spoilt_vector(comment, found.file)
        taken = date_told(comments)
        self.simulated |= any("simulated" in comment.casefold() for comment in held.comments)
        name = self.vectors[found.stem]
        ports = name.ports or ("generator lead", "analyzer lead")
        if len(ports) != held.ports:
            msg = f"{found.file}: has {held.ports} ports, but its name gives {len(ports)}: {', '.join(ports)}"
            raise StoredDataError(msg, file=found.file)
        if any(ohm != 50.0 for ohm in held.ohm):
            msg = f"{found.file}: is referred to {', '.join(f'{ohm:g}' for ohm in held.ohm)} ohm; refer it to 50 ohm"
            raise StoredDataError(msg, file=found.file)
        self.directions += _directions(found.file, name.ports, held)
        for one in self._vector_sweeps(name):
            first = 0 if one.hookup.kind is HookupKind.FLOOR else ports.index(_input(one))
            second = 1 if one.hookup.kind is HookupKind.FLOOR else ports.index(_output(one))
            level = _level_db(held, second, first)
            part = f"S{second + 1}{first + 1}"
            self.pieces.append(
                Piece(
                    f"{found.file}#{part}",
                    found.sha256,
                    SavedKind.VECTOR,
                    replace(one, key=name.key),
                    held.freq_hz,
                    level,
                    Facts(taken=taken),
                    frozenset() if taken is None else frozenset({"taken"}),
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
        seen: dict[object, Piece] = {}
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


def _directions(file: str, ports: tuple[str, ...], held: Touchstone) -> list[Direction]:
    """Return every way through the device, or (``ports`` empty) through the floor, that a vector file holds."""
    return [
        Direction(
            source=f"{file}#S{second + 1}{first + 1}",
            ports=(ports[first], ports[second]) if ports else (),
            freq_hz=held.freq_hz,
            level_db=_level_db(held, second, first),
        )
        for first, second in itertools.permutations(range(held.ports), 2)
    ]


def _level_db(held: Touchstone, second: int, first: int) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.maximum(20.0 * np.log10(np.abs(held.s[:, second, first])), _DARKEST_DB)


def _facts(said: Mapping[str, str], where: str) -> Facts:
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


def _input(one: Expected) -> str:
    return one.hookup.generator or one.hookup.test_port or ""


def _output(one: Expected) -> str:
    return one.hookup.analyzer or one.hookup.test_port or ""


def _kind(kind: SavedKind) -> str:
    return {SavedKind.LEVEL: "in levels", SavedKind.NORMALISED: "normalised", SavedKind.VECTOR: "a vector file"}[kind]
