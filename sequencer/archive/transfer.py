"""Runs on their way to another archive: one zip out, the same runs in, verified and never over another run.

A zip is written without compression: its bytes depend on the runs alone, not on the program that packed them.
One that comes in is believed in nothing: names, sizes, counts and hashes are checked before a run appears.
"""

from __future__ import annotations

import contextlib
import os
import stat
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sequencer.archive import names
from sequencer.archive.chain import link_of, take_in
from sequencer.archive.disk import Disk, storing
from sequencer.archive.filed import note_arrival, note_import
from sequencer.archive.integrity import verify_one
from sequencer.archive.reading import marks_of, open_run
from sequencer.errors import StoredDataError, UsageError
from sequencer.formats.guards import check_inside
from sequencer.formats.manifest import load_manifest
from sequencer.formats.plain import show_time
from sequencer.formats.record import load_record

__all__ = ["Imported", "export_runs", "import_runs"]

_DISK = Disk()
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the first time a zip can tell
_MOST_FILES = 100_000
_MOST_BYTES = 8_000_000_000  # of all together: a run has about 2 MB
_LARGEST_MANIFEST = 16_000_000
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did with a run: ``new`` is False when the archive had it already."""

    run_id: str
    new: bool


def export_runs(folders: Sequence[Path], path: Path, disk: Disk = _DISK) -> None:
    """Write finished runs into a new zip, whole or not at all; the same runs give the same bytes.

    Raises
    ------
    UsageError
        When the zip exists, or two runs have one id.
    StoredDataError
        When a run is unfinished or does not verify.
    StoreError
        When the zip cannot be written.
    """
    if path.exists():
        msg = f"{path} exists already; choose another name"
        raise UsageError(msg, file=str(path))
    named = {folder.absolute().name: folder for folder in folders}
    if len(named) != len(folders):
        msg = "one run is given twice, or two runs have the same id: a zip holds each once"
        raise UsageError(msg)
    for folder in folders:
        _require_whole(folder)
    part = path.with_name(f".{path.name}.{os.urandom(4).hex()}.part")
    with storing(path.name, path.absolute().parent):
        try:
            with part.open("xb") as file:
                with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as archive:
                    for run_id, folder in sorted(named.items()):
                        _pack(archive, run_id, folder)
                file.flush()
                os.fsync(file.fileno())
            disk.rename(part, path)
        except OSError:
            part.unlink(missing_ok=True)
            raise


def _require_whole(folder: Path) -> None:
    verdict = verify_one(folder)
    if not (folder / names.MANIFEST).exists():
        msg = f"{folder}: this run is unfinished; only a finished one can be exported"
        raise StoredDataError(msg, folder=str(folder))
    grave = [finding.text for finding in verdict.findings if finding.grave and finding.number == 0]
    if grave:
        msg = f"{folder}: not exported, it does not verify: {'; '.join(grave)}"
        raise StoredDataError(msg, folder=str(folder))


def _pack(archive: zipfile.ZipFile, run_id: str, folder: Path) -> None:
    manifest = load_manifest((folder / names.MANIFEST).read_text(encoding="utf-8"), str(folder / names.MANIFEST))
    for name in sorted({*manifest, names.MANIFEST}):
        entry = zipfile.ZipInfo(f"{run_id}/{name}", _EPOCH)
        entry.create_system = 3  # the same on every system
        entry.external_attr = (stat.S_IFREG | 0o644) << 16
        archive.writestr(entry, (folder / name).read_bytes())


def import_runs(path: Path, root: Path, disk: Disk = _DISK) -> list[Imported]:
    """Bring the runs of a zip into an archive; each appears whole and verified, or nothing of it does.

    Raises
    ------
    StoredDataError
        When the file is no such zip, or a run in it does not verify.
    UsageError
        When the archive has another run of the same id.
    StoreError
        When the archive cannot be written.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            runs = _contents(archive, path)
            with storing("imported runs", root):
                root.mkdir(parents=True, exist_ok=True)
            # all are checked before the first appears
            with contextlib.ExitStack() as parts:
                ready = [(run_id, _unpack(archive, entries, run_id, root, parts, disk)) for run_id, entries in runs]
                return [_take_in(run_id, part, root, path, disk) for run_id, part in ready]
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as exc:
        msg = f"{path}: not a zip that can be read ({exc})"
        raise StoredDataError(msg, file=str(path)) from exc
    except OSError as exc:
        msg = f"{path}: cannot be read ({exc.strerror or exc})"
        raise StoredDataError(msg, file=str(path)) from exc


def _contents(archive: zipfile.ZipFile, path: Path) -> list[tuple[str, list[zipfile.ZipInfo]]]:
    """Return run id -> entries; nothing is unpacked of a zip that holds anything but runs."""
    entries = [entry for entry in archive.infolist() if not entry.is_dir()]
    if not entries or len(archive.infolist()) > _MOST_FILES:
        msg = f"{path}: {len(archive.infolist())} files in it; a zip of runs has 1 to {_MOST_FILES}"
        raise StoredDataError(msg, file=str(path))
    if sum(entry.file_size for entry in entries) > _MOST_BYTES:  # zipfile reads no more than an entry declares
        msg = f"{path}: unpacks to more than {_MOST_BYTES // 10**9} GB; import so many runs in several zips"
        raise StoredDataError(msg, file=str(path))
    runs: dict[str, list[zipfile.ZipInfo]] = {}
    seen = set()
    for entry in entries:
        where = f"{path}: {entry.filename[:200]!r}"
        run_id, _, name = check_inside(entry.filename, str(path)).partition("/")
        kind = stat.S_IFMT(entry.external_attr >> 16)
        try:
            names.check_run_id(run_id)
        except UsageError as exc:
            raise StoredDataError(f"{where}: {exc.message}", file=str(path)) from exc  # noqa: EM102
        if not names.is_own(name) and name != names.MANIFEST:
            msg = f"{where}: not a file that a run writes"
        elif entry.orig_filename != entry.filename or entry.filename.casefold() in seen:
            msg = f"{where}: stands twice, or under two names"
        elif entry.flag_bits & 0x1:
            msg = f"{where}: is encrypted"
        elif kind not in (0, stat.S_IFREG):
            msg = f"{where}: is a link or a device, not a file"
        else:
            seen.add(entry.filename.casefold())
            runs.setdefault(run_id, []).append(entry)
            continue
        raise StoredDataError(msg, file=str(path))
    for run_id, held in runs.items():
        if f"{run_id}/{names.MANIFEST}" not in [entry.filename for entry in held]:
            msg = f"{path}: {run_id} has no {names.MANIFEST} in it: an unfinished run, or a file was taken out"
            raise StoredDataError(msg, file=str(path))
    return sorted(runs.items())


def _unpack(
    archive: zipfile.ZipFile,
    entries: Sequence[zipfile.ZipInfo],
    run_id: str,
    root: Path,
    parts: contextlib.ExitStack,
    disk: Disk,
) -> Path:
    """Unpack one run into a hidden neighbour, which goes with ``parts``, and verify it there."""
    holder = root / f".import.{os.urandom(4).hex()}.part"
    part = holder / run_id  # verified under its own name
    sealed = next(entry for entry in entries if entry.filename == f"{run_id}/{names.MANIFEST}")
    text = b"".join(_pieces(archive, sealed, _LARGEST_MANIFEST)).decode("utf-8", "replace")
    manifest = load_manifest(text, sealed.filename)
    with storing(f"the imported run {run_id}", root):
        disk.make_folder(holder)
        parts.callback(_remove_tree, holder, disk)
        disk.make_folder(part)
        disk.make_folder(part / names.TRACES)
        for entry in entries:
            name = entry.filename.partition("/")[2]
            most = manifest[name].size if name in manifest else _LARGEST_MANIFEST
            with disk.open(part / name, "wb") as file:
                for piece in _pieces(archive, entry, most):
                    disk.write(file, piece)
                disk.sync(file)
        disk.sync_folder(part / names.TRACES)
        disk.sync_folder(part)
    wrong = [finding.text for finding in verify_one(part).findings if finding.grave]
    if wrong:
        msg = f"{run_id} is not imported, it does not verify: {'; '.join(wrong)}"
        raise StoredDataError(msg, run=run_id)
    open_run(part)
    return part


def _pieces(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, most: int) -> Iterator[bytes]:
    """Yield a file's content, never more than ``most`` bytes, whatever the zip says of its size."""
    left = most
    with archive.open(entry) as source:
        while piece := source.read(_PIECE):
            left -= len(piece)
            if left < 0:
                msg = f"{entry.filename}: larger than the {most} bytes its manifest allows"
                raise StoredDataError(msg, file=entry.filename)
            yield piece


def _take_in(run_id: str, part: Path, root: Path, zipped: Path, disk: Disk) -> Imported:
    """Give an unpacked run its name; what was taken in is noted first, for its bench's chain may have gaps here."""
    folder = root / run_id
    new = not folder.exists()
    if not new and not (marks_of(part) == marks_of(folder) and _manifest(part) == _manifest(folder)):
        msg = f"{folder}: the archive has another run of this id; it is not replaced by that of {zipped}"
        raise UsageError(msg, folder=str(folder))
    result = (part / names.RESULT).read_bytes()
    link = link_of(load_record(result.decode("utf-8"), names.RESULT), result)
    with storing(f"the imported run {run_id}", root):
        if new:
            (root / names.CACHE).mkdir(exist_ok=True)
            note_import(root, run_id, link, {"at": show_time(datetime.now(UTC)), "from": zipped.name}, disk)
            disk.rename(part, folder)  # refused by the system when a run has got this name meanwhile
            disk.sync_folder(root)
        note_arrival(root, run_id, disk)  # of one that is there already, too: its import may have broken off here
        if link is not None:
            take_in(root, link, disk)
    return Imported(run_id=run_id, new=new)


def _manifest(folder: Path) -> bytes:
    try:
        return (folder / names.MANIFEST).read_bytes()
    except OSError:
        return b""


def _remove_tree(folder: Path, disk: Disk) -> None:
    with contextlib.suppress(OSError):  # a hidden leftover harms nobody
        for path in sorted(folder.rglob("*"), reverse=True):  # children before their folder
            if path.is_dir():
                disk.remove_folder(path)
            else:
                disk.remove(path)
        disk.remove_folder(folder)
