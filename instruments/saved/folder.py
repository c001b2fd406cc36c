"""The folder of saved traces: which file is which sweep, by its name or by traces.yaml; reads files, no more."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from instruments.saved.facts import DECLARABLE
from instruments.saved.table import MOST_BYTES
from sequencer.errors import StoredDataError, UsageError
from sequencer.formats.canonical import sha256_bytes
from sequencer.formats.guards import check_inside
from sequencer.recipe.problems import Problems, did_you_mean
from sequencer.recipe.yaml_text import Items, Node, Pairs, Scalar, decode, read_document

__all__ = ["INDEX", "Found", "Opened", "open_folder"]

INDEX = "traces.yaml"
_TEXT = frozenset({".csv", ".txt", ".dat", ".asc", ".tsv"})
_VECTOR = ".ts"  # of version 2; .s1p, .s2p ... else
_MOST_FILES = 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """A file, and the sweep it stands for: the name ``stem``, the ``number``-th of its repeats.

    ``ports`` is what the ending of a Touchstone file says (0: the file itself says it), None for other files.
    """

    stem: str
    number: int
    file: str
    sha256: str
    data: bytes
    ports: int | None = None
    column: str = ""
    said: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What a folder holds: the files that stand for sweeps, those of no known name, settings told for all."""

    found: tuple[Found, ...]
    unused: tuple[str, ...]
    said: Mapping[str, str]


def open_folder(folder: Path, stems: Collection[str], vector_stems: Collection[str]) -> Opened:
    """Return the files of a folder; ``stems`` are the names that mean a sweep.

    Raises
    ------
    UsageError
        When there is no such folder, or nothing in it has a known name.
    StoredDataError, RecipeError
        When a file, or traces.yaml, cannot be read, or leads out of the folder.
    """
    names = _names(folder)
    known = {stem.casefold(): stem for stem in stems}
    vectors = {stem.casefold(): stem for stem in vector_stems}
    index = _Index.read(folder) if INDEX in names else _Index()
    found = [*index.found(folder, names, known, vectors)]
    taken = {f.file for f in found}
    unused = []
    for name in names:
        if name == INDEX or name in taken:
            continue
        ports = _ports(name)
        stem, number = _repeat(Path(name).stem)
        meant = (vectors if ports is not None else known).get(stem.casefold())
        if meant is None or (ports is None and Path(name).suffix.casefold() not in _TEXT):
            shown = name if name.isprintable() else ascii(name)
            unused.append(shown + did_you_mean(stem, known.values()) if ports is None else shown)
            continue
        found.append(_file(folder, name, meant, number, ports))
    if not found:
        msg = (
            f"{folder}: no file in it has a name that means a sweep{': ' + ', '.join(unused[:5]) if unused else ''}; "
            "'notchbook check RECIPE --bench BENCH --files' prints the names, or write a traces.yaml"
        )
        raise UsageError(msg, folder=str(folder))
    clash = [f for f in found if sum((f.stem, f.number) == (o.stem, o.number) for o in found) > 1]
    if clash:
        msg = f"{folder}: {' and '.join(f.file for f in clash[:2])} both stand for {clash[0].stem}"
        raise UsageError(msg, folder=str(folder))
    return Opened(found=tuple(found), unused=tuple(unused), said=index.said)


def _names(folder: Path) -> list[str]:
    try:
        names = sorted(path.name for path in folder.iterdir() if not path.name.startswith(".") and path.is_file())
    except (OSError, ValueError) as exc:
        msg = f"--traces {folder}: {getattr(exc, 'strerror', None) or exc}; name a folder of saved traces"
        raise UsageError(msg, folder=str(folder)) from exc
    if len(names) > _MOST_FILES:
        msg = f"{folder}: holds {len(names)} files; put the traces of one run into a folder of their own"
        raise UsageError(msg, folder=str(folder))
    return names


def _repeat(stem: str) -> tuple[str, int]:
    """'TX-ANT_receive.2' is the second of its repeats."""
    head, dot, tail = stem.rpartition(".")
    return (head, int(tail)) if dot and tail.isascii() and tail.isdecimal() and len(tail) < 4 else (stem, 1)


def _ports(name: str) -> int | None:
    ending = Path(name).suffix.casefold()
    if ending == _VECTOR:
        return 0
    digits = ending[2:-1]
    whole = ending.startswith(".s") and ending.endswith("p") and digits.isascii() and digits.isdecimal()
    return int(digits) if whole and len(digits) < 3 else None


def _file(
    folder: Path,
    name: str,
    stem: str,
    number: int,
    ports: int | None,
    column: str = "",
    said: Mapping[str, str] | None = None,
) -> Found:
    path = folder / name
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            msg = f"{path}: leads out of the folder; it is not read"
            raise StoredDataError(msg, file=name)
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except (OSError, RuntimeError) as exc:  # RuntimeError: a link that leads to itself
        msg = f"{path}: cannot be read ({getattr(exc, 'strerror', None) or exc})"
        raise StoredDataError(msg, file=name) from exc
    return Found(
        stem=stem,
        number=number,
        file=name,
        sha256=sha256_bytes(data),
        data=data,
        ports=ports,
        column=column,
        said=said or {},
    )


@dataclass(frozen=True, slots=True)
class _Entry:
    stem: Scalar
    number: int
    file: Scalar
    column: str
    said: Mapping[str, str]


class _Index:
    """traces.yaml: {traces: 1, settings: {...}, files: {NAME: FILE or {file: FILE, trace: 2, rbw: 1 kHz} or list}}."""

    def __init__(self) -> None:
        self.said: dict[str, str] = {}
        self._entries: list[_Entry] = []
        self._problems = Problems(INDEX)

    @classmethod
    def read(cls, folder: Path) -> _Index:
        index = cls()
        raw = _file(folder, INDEX, INDEX, 1, None).data
        for name, node in read_document(decode(raw, INDEX), INDEX).pairs:
            if name.text == "traces":
                if not isinstance(node, Scalar) or node.text != "1":
                    index._problems.add(name.line, "traces", "must be 1, the version of this file")
            elif name.text == "settings" and isinstance(node, Pairs):
                index.said = index._settings(node)
            elif name.text == "files" and isinstance(node, Pairs):
                for stem, entry in node.pairs:
                    many = entry.items if isinstance(entry, Items) else (entry,)
                    for number, one in enumerate(many, 1):
                        index._one(stem, number, one)
            else:
                allowed = ("traces", "settings", "files")
                text = f"not known, or not of the right shape; allowed: {', '.join(allowed)}"
                index._problems.add(name.line, name.text, text + did_you_mean(name.text, allowed))
        index._problems.raise_if_any()
        return index

    def _settings(self, node: Pairs) -> dict[str, str]:
        made = {}
        allowed = (*DECLARABLE, "duration", "settings")
        for name, value in node.pairs:
            if name.text not in allowed or not isinstance(value, Scalar):
                text = f"no setting of a trace; allowed: {', '.join(allowed)}"
                self._problems.add(name.line, name.text, text + did_you_mean(name.text, allowed))
            else:
                made[name.text] = value.text
        return made

    def _one(self, stem: Scalar, number: int, node: Node) -> None:
        if isinstance(node, Scalar):
            self._entries.append(_Entry(stem, number, node, "", {}))
            return
        if isinstance(node, Pairs):
            inner = {name.text: value for name, value in node.pairs}
            file, trace = inner.get("file"), inner.get("trace", Scalar("", node.line))
            rest = tuple(pair for pair in node.pairs if pair[0].text not in ("file", "trace"))
            if isinstance(file, Scalar) and isinstance(trace, Scalar):
                said = self._settings(Pairs(rest, node.line))
                self._entries.append(_Entry(stem, number, file, trace.text, said))
                return
        self._problems.add(stem.line, stem.text, "write a file's name, {file: NAME, trace: 2}, or a list of these")

    def found(
        self, folder: Path, names: Collection[str], known: Mapping[str, str], vectors: Mapping[str, str]
    ) -> Iterator[Found]:
        """Yield the files it names, once all of it is known to be right."""
        ready = []
        for entry in self._entries:
            name, ports = entry.file.text, _ports(entry.file.text)
            meant = (vectors if ports is not None else known).get(entry.stem.text.casefold())
            if meant is None:
                text = "means no sweep" + did_you_mean(entry.stem.text, known.values())
                self._problems.add(entry.stem.line, entry.stem.text, text)
            elif name not in names:
                self._problems.add(entry.file.line, entry.stem.text, f"{name!r} is no file of this folder")
            else:
                ready.append((check_inside(name, INDEX), meant, entry, ports))
        self._problems.raise_if_any()
        for name, meant, entry, ports in ready:
            yield _file(folder, name, meant, entry.number, ports, entry.column, entry.said)
