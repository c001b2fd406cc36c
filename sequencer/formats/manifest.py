"""manifest.json: every file of a finished run with its SHA-256 and size, and what differs from it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from sequencer.errors import StoredDataError
from sequencer.formats.canonical import canonical_json, read_json, sha256_bytes
from sequencer.formats.guards import check_inside, check_version
from sequencer.formats.plain import from_plain

__all__ = [
    "MANIFEST_VERSION",
    "Difference",
    "DifferenceKind",
    "FileMark",
    "dump_manifest",
    "load_manifest",
    "mark_of",
    "verify",
]

MANIFEST_VERSION = 1
_HEX = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class FileMark:
    """What a file's content is known by: SHA-256 (hex) and size in bytes."""

    sha256: str
    size: int


class DifferenceKind(StrEnum):
    """How a file differs from its manifest."""

    CHANGED = "changed"
    MISSING = "missing"
    ADDED = "added"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One file that is not what the manifest says; ``text`` is for people."""

    file: str
    kind: DifferenceKind
    text: str


def mark_of(data: bytes) -> FileMark:
    """Mark of a content."""
    return FileMark(sha256=sha256_bytes(data), size=len(data))


def dump_manifest(marks: Mapping[str, FileMark]) -> str:
    """Return manifest.json for file name -> mark."""
    files = {
        check_inside(name, "manifest.json"): {"sha256": mark.sha256, "size": mark.size} for name, mark in marks.items()
    }
    return canonical_json({"manifest": MANIFEST_VERSION, "files": files})


def load_manifest(text: str, where: str = "manifest.json") -> dict[str, FileMark]:
    """Read manifest.json back, sorted by file name; StoredDataError when it cannot be trusted."""
    plain = read_json(text, where)
    check_version(plain, "manifest", MANIFEST_VERSION, where)
    if set(plain) != {"manifest", "files"} or not isinstance(plain["files"], dict):
        msg = f"{where}: expected the keys 'files' and 'manifest' and nothing else"
        raise StoredDataError(msg, where=where)
    marks = {
        check_inside(name, where): from_plain(FileMark, mark, f"{where}: files[{name!r}]")
        for name, mark in sorted(plain["files"].items())
    }
    for name, mark in marks.items():
        if not _HEX.fullmatch(mark.sha256) or mark.size < 0:
            msg = f"{where}: {name}: {mark.sha256!r}, {mark.size} bytes is not a SHA-256 and a size"
            raise StoredDataError(msg, where=where, file=name)
    return marks


def verify(manifest: Mapping[str, FileMark], files: Mapping[str, FileMark]) -> list[Difference]:
    """Return what differs between a manifest and the files found, by file name; empty when nothing does."""
    found = []
    owner = {mark.sha256: name for name, mark in manifest.items()}
    for name in sorted(manifest.keys() | files.keys()):
        if name not in files:
            found.append(Difference(file=name, kind=DifferenceKind.MISSING, text=f"{name} is missing"))
        elif name not in manifest:
            text = f"{name} was added: the manifest does not know it"
            found.append(Difference(file=name, kind=DifferenceKind.ADDED, text=text))
        elif files[name] != manifest[name]:
            other = owner.get(files[name].sha256)
            text = f"{name} holds the content of {other}" if other else f"{name} was changed"
            found.append(Difference(file=name, kind=DifferenceKind.CHANGED, text=text))
    return found
