"""Whether a run, a report or a whole archive still is what was filed.

Everything is judged by the bytes that are there; nothing is rendered or evaluated again. The index only helps
to find a record's neighbours, and what it finds is hashed before it is believed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sequencer.archive import names
from sequencer.archive.chain import Finding, check_chain, heads, link_of
from sequencer.archive.filed import Link, filed_runs, imported_runs, is_there, lost
from sequencer.archive.index import links_of
from sequencer.archive.reading import facts_of, marks_of, verify_run
from sequencer.archive.signing import PublicKey, fingerprint, signature_fits
from sequencer.core.record import Record
from sequencer.errors import StoredDataError
from sequencer.formats.canonical import sha256_bytes
from sequencer.formats.manifest import FileMark, dump_manifest, load_manifest
from sequencer.formats.record import load_record
from sequencer.formats.seal import Role, Seal, read_seal

__all__ = ["Verdict", "verify_archive", "verify_one", "verify_report"]

_LARGEST_REPORT = 200_000_000  # bytes; a report with every plot has under 2 MB


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What verification found; it holds when nothing found is grave. ``lines`` say what was confirmed."""

    what: str
    findings: tuple[Finding, ...]
    lines: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether everything is as it was filed."""
        return not any(finding.grave for finding in self.findings)


def verify_archive(
    root: Path, keys: Sequence[PublicKey] = (), heard: Callable[[int, int], None] | None = None
) -> Verdict:
    """Verify every run under a root and every bench's chain; each of ``keys`` must have signed every report.

    ``heard`` is told (runs done, runs in all). StoredDataError when the folder cannot be listed.
    """
    filed, remembered = filed_runs(root), heads(root)  # before the folders: others may file runs meanwhile
    folders = _run_folders(root)
    findings, links, unfinished, sound = list[Finding](), list[Link](), 0, 0
    for number, folder in enumerate(folders):
        found, link, finished = _verify_folder(folder, keys, [])
        found = found if found and finished else _filed_otherwise(folder, link, filed) or found
        findings += found
        sound += finished and not any(finding.grave for finding in found)
        links += [link] if link else []
        unfinished += not finished
        if heard is not None:
            heard(number + 1, len(folders))
    gone = filed.keys() - {folder.name for folder in folders}
    findings += [
        Finding(where=run_id, text=lost(root / run_id, filed[run_id]), number=filed[run_id].number)
        for run_id in sorted(gone)
    ]
    told = {finding.where for finding in findings if finding.grave}
    known = [head for head in remembered if head.last.run_id not in told]
    findings += check_chain(links, known, imported_runs(root))
    benches = len({link.chain for link in links})
    lines = [f"runs: {len(folders)}, unfinished: {unfinished}, benches: {benches}"]
    if keys:
        lines.append(f"signed by {' and '.join(key.name for key in keys)}, and sound: {sound} of {len(folders)} runs")
    return Verdict(what=str(root), findings=tuple(findings), lines=tuple(lines))


def verify_one(folder: Path, keys: Sequence[PublicKey] = ()) -> Verdict:
    """Verify one run's files, its report and its place among its bench's records; each key must have signed."""
    lines: list[str] = []
    findings, link, finished = _verify_folder(folder, keys, lines)
    if not (findings and finished):  # without a manifest it is more to know that it was filed
        findings = _filed_otherwise(folder, link, filed_runs(folder.absolute().parent)) or findings
    if not finished:
        lines.append("unfinished: there is no manifest yet to hold its files against")
    root = folder.absolute().parent
    if not (root / names.CACHE).is_dir():
        lines.append(f"{root} is no archive: the run was verified by itself, not among its bench's records")
    elif link is not None:
        others = [other for other in links_of(root, link.chain) if other.run_id != folder.absolute().name]
        near = [other for other in others if abs(other.number - link.number) <= 1]
        there = [found for other in near if (found := _confirmed(root, other))]
        known = [head for head in heads(root) if head.last.chain == link.chain and head.last.number <= link.number + 1]
        about = check_chain([*there, link], known, imported_runs(root))
        # the record before the one before is not at hand here: only verifying the whole archive tells of it
        findings += [one for one in about if one.number >= link.number]
        lines.append(f"number {link.number} of bench {link.chain[:8]}, record {link.record}")
    return Verdict(what=str(folder), findings=tuple(findings), lines=tuple(lines))


def verify_report(path: Path, keys: Sequence[PublicKey] = (), root: Path | None = None) -> Verdict:
    """Verify a report by its own bytes, and against an archive's folder where one is given and there.

    Raises
    ------
    StoredDataError
        When the file cannot be read.
    """
    data = _read_report(path)
    findings, lines = list[Finding](), list[str]()
    try:
        seal = read_seal(data, str(path))
    except StoredDataError as exc:
        return Verdict(what=str(path), findings=(Finding(where=path.name, text=exc.message.partition(": ")[2]),))
    _judge_seal(data, seal, path.name, keys, findings, lines)
    if root is not None and not findings:
        _seek_record(seal, root, findings, lines)
    return Verdict(what=str(path), findings=tuple(findings), lines=tuple(lines))


# -- one folder


def _run_folders(root: Path) -> list[Path]:
    """Return every run folder, those that lost their journal too."""
    try:
        there = sorted(path for path in root.iterdir() if not path.name.startswith("."))
    except OSError as exc:
        msg = f"{root}: cannot list the runs in it ({exc.strerror}); check --out"
        raise StoredDataError(msg, root=str(root)) from exc
    return [path for path in there if is_there(path)]


def _verify_folder(
    folder: Path, keys: Sequence[PublicKey], lines: list[str]
) -> tuple[list[Finding], Link | None, bool]:
    """Return findings, the run's place in a chain, and whether it was finished; every key must have signed."""
    where = folder.absolute().name
    if not (folder / names.MANIFEST).exists():
        if (folder / names.RESULT).exists() or (folder / names.REPORT).exists():
            text = f"{names.MANIFEST} is missing: it was removed, or the run died while it was filed (resume it)"
            return [Finding(where=where, text=text)], None, False
        return [], None, False
    try:
        findings = [Finding(where=where, text=one.text) for one in verify_run(folder)]
        marks = marks_of(folder)
        manifest = (folder / names.MANIFEST).read_bytes().decode("utf-8")
        if manifest != dump_manifest(load_manifest(manifest)):  # means the same, but is not what was written
            findings.append(Finding(where=where, text=f"{names.MANIFEST} was changed"))
        result = (folder / names.RESULT).read_bytes()
        record = load_record(result.decode("utf-8"), names.RESULT)
    except StoredDataError as exc:
        return [Finding(where=where, text=exc.message)], None, True
    except (OSError, UnicodeDecodeError) as exc:
        return [Finding(where=where, text=f"a file cannot be read: {exc}")], None, True
    if not findings:  # the files are those of the manifest; are they those of one run?
        findings += [Finding(where=where, text=text) for text in _strangers(where, record, marks)]
        findings += _report_in_run(folder, record, result, marks, keys, lines)
    return findings, link_of(record, result), True


def _filed_otherwise(folder: Path, link: Link | None, filed: Mapping[str, Link]) -> list[Finding]:
    """A run that was filed is finished for good: with another record, or with none, it was tampered with."""
    where = folder.absolute().name
    known = filed.get(where)
    if known is None:
        return []
    holds = link is not None and link.record == known.record if known.record else is_there(folder)
    return [] if holds else [Finding(where=where, text=lost(folder, known))]


def _strangers(where: str, record: Record, marks: dict[str, FileMark]) -> list[str]:
    """Return what does not belong to the record, though the manifest may have been written to fit."""
    wrong = []
    if record.run_id != where:
        wrong.append(f"this folder holds run {record.run_id}: it was renamed or swapped")
    expected = {names.RECIPE: record.recipe_sha256, names.BENCH: record.bench_sha256}
    expected |= {trace.file: trace.sha256 for trace in record.traces}
    for file, sha256 in expected.items():
        if file not in marks:
            wrong.append(f"{file} is missing, though the record names it")
        elif marks[file].sha256 != sha256:
            wrong.append(f"{file} is not the file that the record names: it was changed or swapped")
    wrong += [f"{file} is missing" for file in (names.JOURNAL, names.REPORT) if file not in marks]
    return wrong


def _report_in_run(
    folder: Path,
    record: Record,
    result: bytes,
    marks: dict[str, FileMark],
    keys: Sequence[PublicKey],
    lines: list[str],
) -> list[Finding]:
    where = record.run_id
    if names.REPORT not in marks:
        return []
    data = (folder / names.REPORT).read_bytes()
    try:
        seal = read_seal(data, names.REPORT)
    except StoredDataError as exc:
        grave = bool(record.chain or keys)  # the first reports had no seal, nor their records a chain
        return [Finding(where=where, text=exc.message, grave=grave)]
    findings: list[Finding] = []
    _judge_seal(data, seal, f"{where}: {names.REPORT}", keys, findings, lines)
    facts = facts_of(record, result, marks)
    if seal.facts.record != facts.record:
        text = f"{names.RESULT} is not the record that {names.REPORT} was made from"
        findings.append(Finding(where=where, text=text))
    elif seal.facts != facts:
        text = f"the files are not those that {names.REPORT} was made with: some were changed, removed or added"
        findings.append(Finding(where=where, text=text))
    return findings


# -- reports


def _judge_seal(
    data: bytes, seal: Seal, where: str, keys: Sequence[PublicKey], findings: list[Finding], lines: list[str]
) -> None:
    known = {key.key: key.name for key in keys}
    if not seal.intact:
        findings.append(Finding(where=where, text="changed since it was made: its digest no more fits"))
        return
    if seal.facts.simulated:
        lines.append("SIMULATED, NOT A MEASUREMENT")
    trusted = set[str]()
    for role, signed in seal.signatures.items():
        who = f"key {fingerprint(signed.key)}, {signed.at}"
        if not signature_fits(data, seal, role):
            text = f"the {role}'s signature does not fit: it was changed, or made for another report"
            findings.append(Finding(where=where, text=text))
        elif signed.key in known:
            trusted.add(signed.key)
            lines.append(f"authentic: signed as {role} by '{known[signed.key]}' ({who})")
        else:
            lines.append(f"signed as {role} ({who}); without that public key it cannot be said by whom")
    if not findings:
        lacking = {key: name for key, name in known.items() if key not in trusted}
        findings += [
            Finding(where=where, text=f"undamaged, but not authentic: not signed by '{name}' (key {fingerprint(key)})")
            for key, name in lacking.items()
        ]
    if len({signed.key for signed in seal.signatures.values()}) < len(seal.signatures):
        lines.append("tester and authoriser signed with one key: nobody but the tester has authorised it")
    lines.insert(0, f"undamaged: report of run {seal.facts.run_id}")
    if not seal.signatures:
        lines.append("not signed")
    unsigned = [role for role in Role if role not in seal.signatures]
    if seal.signatures and unsigned:
        lines.append(f"not signed as {unsigned[0]}")


def _seek_record(seal: Seal, root: Path, findings: list[Finding], lines: list[str]) -> None:
    """Say whether the archive has the record a report names; a cut tail shows here."""
    facts = seal.facts
    lines.append(
        f"its record is {facts.record}" + (f", number {facts.number} of bench {facts.chain[:8]}" if facts.chain else "")
    )
    folder = root / facts.run_id
    if (folder / names.MANIFEST).is_file():
        if _hash_of(folder) == facts.record:
            lines.append(f"the archive {root} has it")
            # a record edited together with its manifest gives a report that fits both; the run's own no longer does
            findings += _verify_folder(folder, (), [])[0] or _another_report(seal, folder)
            return
        text = f"the archive {root} holds another record of this run: it was changed or swapped"
        findings.append(Finding(where=facts.run_id, text=text))
        return
    if not facts.chain or not root.is_dir():
        lines.append(f"the archive {root} has no such run")
        return
    there = links_of(root, facts.chain)
    same = [link for link in there if link.record == facts.record and _confirmed(root, link)]
    if same:
        lines.append(f"the archive {root} has it, in a folder of another name")
        findings += _another_report(seal, root / same[0].run_id)
    elif there and not all(link.run_id in imported_runs(root) for link in there):
        newest = max(link.number for link in there)
        text = (
            f"the archive {root} has this bench's records, the newest with number {newest}, but not number "
            f"{facts.number}, which this report names: it was removed, or never came here"
        )
        findings.append(Finding(where=facts.run_id, text=text, number=facts.number))
    else:
        lines.append(f"the archive {root} has no such run, nor this bench's records")


def _another_report(seal: Seal, folder: Path) -> list[Finding]:
    """A seal takes no key: a page that was changed can be sealed anew, and only the filed report tells."""
    path = folder / names.REPORT
    try:
        filed = read_seal(_read_report(path), names.REPORT)
    except StoredDataError:  # a report of before there were seals
        return []
    if filed.digest == seal.digest:
        return []
    text = f"not the report that was filed: changed and sealed anew, or rendered again; the filed one is {path}"
    return [Finding(where=seal.facts.run_id, text=text)]


def _read_report(path: Path) -> bytes:
    try:
        if path.stat().st_size > _LARGEST_REPORT:
            msg = f"{path}: too large to be a report"
            raise StoredDataError(msg, file=str(path))
        return path.read_bytes()
    except OSError as exc:
        msg = f"{path}: cannot be read ({exc.strerror})"
        raise StoredDataError(msg, file=str(path)) from exc


def _confirmed(root: Path, link: Link) -> Link | None:
    """Return a neighbour's place if its record still has the hash that the index remembers."""
    return link if _hash_of(root / link.run_id) == link.record else None


def _hash_of(folder: Path) -> str:
    try:
        return sha256_bytes((folder / names.RESULT).read_bytes())
    except OSError:
        return ""
