"""Each bench's records as a chain: every record carries the hash of that bench's previous one.

A bench is its instruments' identification strings and its bench file (of a simulated bench the strings alone:
its file names a port that changes every time). Only complete runs take a place: an interrupted one may go on
and become another record. What is remembered beside the folders is a convenience; the chain is in the records.
Two machines that do not see each other's folder may both follow the same record; the fork is told, not hidden.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.archive import names
from sequencer.archive.disk import Disk, write_whole
from sequencer.archive.filed import Link, filed_runs
from sequencer.archive.lock import locked
from sequencer.errors import StoredDataError, UsageError
from sequencer.formats.canonical import canonical_json, read_json, sha256_bytes, sha256_text

if TYPE_CHECKING:  # look-up is to start without the numeric core
    from sequencer.core.record import Record

__all__ = ["Finding", "Head", "Link", "bench_identity", "check_chain", "heads", "link_of", "place", "take_in"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The newest record of a chain as remembered, and the one before it, should the newest never have been filed."""

    last: Link
    before: Link | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something verification has to say: ``grave`` when it means a change, else a note."""

    where: str
    text: str
    grave: bool = True
    number: int = 0  # place in the chain, where it is about one


def bench_identity(record: Record) -> str:
    """Return the name of a bench's chain, 64 hex digits."""
    bench = "simulated" if record.simulated else record.bench_sha256
    return sha256_text(canonical_json({"identification": dict(record.identification), "bench": bench}))


@contextlib.contextmanager
def place(
    root: Path, record: Record, disk: Disk, newest: Callable[[str], Link | None]
) -> Iterator[tuple[Record, Callable[[str], None]]]:
    """Yield the record with its place in the chain, and what to call with its hash before the run is sealed.

    Parameters
    ----------
    newest : chain -> its newest record as the folders have it; asked only when no head is remembered.

    Raises
    ------
    OSError
        When the archive's folder cannot be written. No other writer takes this place while the block runs.
    """
    if not record.complete:
        yield dataclasses.replace(record, chain="", chain_number=0, previous=None), lambda _: None
        return
    chain = bench_identity(record)
    with _held(root, chain) as path:
        head = _read_head(path)
        before = _filed(root, head) if head else _look_up(root, chain, newest)
        placed = dataclasses.replace(
            record,
            chain=chain,
            chain_number=before.number + 1 if before else 1,
            previous=before.record if before else None,
        )

        def announce(sha256: str) -> None:
            last = Link(
                run_id=record.run_id,
                chain=chain,
                number=placed.chain_number,
                record=sha256,
                previous=placed.previous,
            )
            _write_head(path, Head(last=last, before=before), disk)

        try:
            yield placed, announce
        except BaseException:
            if not (root / record.run_id / names.MANIFEST).exists():  # announced perhaps, but not filed
                with contextlib.suppress(OSError):  # the first failure is the one to tell
                    _take_back(path, before, disk)
            raise


def take_in(root: Path, link: Link, disk: Disk) -> None:
    """Let the next writer follow a record that came from elsewhere, if it is newer than what is remembered.

    What is remembered stays: a newest record that was removed shall show after an import too. Where nothing is, the
    next writer looks it up. OSError when the archive's folder cannot be written.
    """
    with _held(root, link.chain) as path:
        head = _read_head(path)
        known = _filed(root, head) if head else None
        if head and (known is None or known.number < link.number):
            _write_head(path, Head(last=link, before=known), disk)


@contextlib.contextmanager
def _held(root: Path, chain: str) -> Iterator[Path]:
    """Yield the file that remembers a chain's head; no other writer takes a place meanwhile."""
    folder = root / names.CACHE / names.CHAINS
    folder.parent.mkdir(exist_ok=True)
    folder.mkdir(exist_ok=True)
    with locked(folder / f"{chain}.lock"):
        yield folder / f"{chain}.json"


def _write_head(path: Path, head: Head, disk: Disk) -> None:
    write_whole(disk, path, canonical_json(dataclasses.asdict(head)).encode("utf-8"))


def _take_back(path: Path, before: Link | None, disk: Disk) -> None:
    """Forget an announced record whose folder may be removed next: gone, it would look like one that was filed."""
    try:
        if before is not None:
            _write_head(path, Head(last=before, before=None), disk)
            return
    except OSError:  # a full disk; the next writer then looks the newest up
        path.unlink(missing_ok=True)
        raise
    path.unlink(missing_ok=True)


def _filed(root: Path, head: Head) -> Link | None:
    """Return the newest record that was filed. One that is gone, or emptied, was, and its absence shall show."""
    folder = root / head.last.run_id
    if (folder / names.MANIFEST).exists() or not folder.exists():
        return head.last
    listed = filed_runs(root).get(head.last.run_id)
    return head.last if listed and listed.record == head.last.record else head.before


def _look_up(root: Path, chain: str, newest: Callable[[str], Link | None]) -> Link | None:
    """Return a chain's newest record, where no head is remembered: of the folders, or of the list of what was filed."""
    there = newest(chain)
    known = [link for link in filed_runs(root).values() if link.chain == chain]
    return max([there, *known] if there else known, key=lambda link: link.number, default=None)


def heads(root: Path) -> list[Head]:
    """Every chain's remembered head; those whose run stands there unfinished are left out (it died while filed)."""
    found = (_read_head(path) for path in sorted((root / names.CACHE / names.CHAINS).glob("*.json")))
    return [head for head in found if head and _filed(root, head) == head.last]


def _read_head(path: Path) -> Head | None:
    try:
        plain = read_json(path.read_text(encoding="utf-8"), str(path))
        last, before = plain["last"], plain["before"]
        return Head(last=_link(last), before=None if before is None else _link(before))
    except (OSError, ValueError, TypeError, KeyError, StoredDataError, UsageError):
        return None


def _link(plain: Any) -> Link:
    link = Link(**plain)
    names.check_run_id(link.run_id)
    if type(link.number) is not int or len(bytes.fromhex(link.record)) != 32:
        msg = "no link"
        raise ValueError(msg)
    return link


def check_chain(
    links: Sequence[Link], known: Sequence[Head] = (), imported: Collection[str] = frozenset()
) -> list[Finding]:
    """Return what is missing from, or does not fit in, the chains of these records.

    Parameters
    ----------
    links : the records that are there, of any number of benches.
    known : remembered heads: a newest record that is gone shows by them.
    imported : ids of runs that came from another archive, where their predecessors may have stayed.
    """
    there = {link.record: link for link in links}
    followers: dict[tuple[str, str | None], list[Link]] = {}
    findings = []
    for link in sorted(links, key=lambda one: (one.chain, one.number, one.run_id)):
        followers.setdefault((link.chain, link.previous), []).append(link)
        problem = _misfit(link, there.get(link.previous or ""), imported)
        if problem:
            findings.append(problem)
    findings += [_fork(forks, there) for forks in followers.values() if len(forks) > 1]
    named = {link.previous for link in links}
    for last in (head.last for head in known):
        if last.record not in there and last.record not in named:
            text = f"the newest record of bench {last.chain[:8]}, number {last.number}, was removed or changed"
            findings.append(Finding(where=last.run_id, text=text, number=last.number))
    return findings


def _misfit(link: Link, before: Link | None, imported: Collection[str]) -> Finding | None:
    grave = True
    if before is not None:
        if before.chain == link.chain and before.number + 1 == link.number:
            return None
        text = f"is number {link.number} of its bench, yet follows {before.run_id}, number {before.number}"
    elif link.previous is None:
        if link.number == 1:
            return None
        text = f"is number {link.number} of its bench, yet names no record before it"
    else:
        grave = link.run_id not in imported
        why = "it was removed or changed" if grave else "this run was imported, the one before it may have stayed"
        text = f"record number {link.number - 1} of bench {link.chain[:8]}, which this one names, is not here: {why}"
    return Finding(where=link.run_id, text=text, grave=grave, number=link.number)


def _fork(forks: Sequence[Link], there: Mapping[str, Link]) -> Finding:
    first = forks[0]
    before = there.get(first.previous or "")
    after = before.run_id if before else "the same record" if first.previous else "none"
    text = f"{len(forks)} records of bench {first.chain[:8]} follow {after}: one was filed where the other was not seen"
    return Finding(where=", ".join(link.run_id for link in forks), text=text, grave=False, number=first.number)


def link_of(record: Record, data: bytes) -> Link | None:
    """Return the place of a record, ``data`` being its result.json; None when it stands in no chain."""
    if not record.chain:
        return None
    return Link(
        run_id=record.run_id,
        chain=record.chain,
        number=record.chain_number,
        record=sha256_bytes(data),
        previous=record.previous,
    )
