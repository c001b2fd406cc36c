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
from sequencer.archive.lock import locked
from sequencer.errors import StoredDataError, UsageError
from sequencer.formats.canonical import canonical_json, read_json, sha256_bytes, sha256_text

if TYPE_CHECKING:  # look-up is to start without the numeric core
    from sequencer.core.record import Record

__all__ = ["Finding", "Head", "Link", "bench_identity", "check_chain", "forget_head", "heads", "link_of", "place"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A record's place in its bench's chain; ``record`` is the SHA-256 of its result.json."""

    run_id: str
    chain: str
    number: int
    record: str
    previous: str | None


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
    newest : chain -> its newest record as the folders have it; asked only when nothing is remembered.

    Raises
    ------
    OSError
        When the archive's folder cannot be written. No other writer takes this place while the block runs.
    """
    if not record.complete:
        yield dataclasses.replace(record, chain="", chain_number=0, previous=None), lambda _: None
        return
    chain = bench_identity(record)
    folder = root / names.CACHE / names.CHAINS
    folder.parent.mkdir(exist_ok=True)
    folder.mkdir(exist_ok=True)
    path = folder / f"{chain}.json"
    with locked(folder / f"{chain}.lock"):
        before = _filed(root, _read_head(path)) if path.exists() else newest(chain)
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


def _write_head(path: Path, head: Head, disk: Disk) -> None:
    write_whole(disk, path, canonical_json(dataclasses.asdict(head)).encode("utf-8"))


def _take_back(path: Path, before: Link | None, disk: Disk) -> None:
    if before is None:
        path.unlink(missing_ok=True)
    else:
        _write_head(path, Head(last=before, before=None), disk)


def _filed(root: Path, head: Head | None) -> Link | None:
    """Return the newest record that was filed. One whose whole folder is gone was, and its absence shall show."""
    if head is None:
        return None
    folder = root / head.last.run_id
    return head.last if (folder / names.MANIFEST).exists() or not folder.exists() else head.before


def forget_head(root: Path, chain: str) -> None:
    """Let the next writer look the newest record up in the folders (some came in from elsewhere)."""
    (root / names.CACHE / names.CHAINS / f"{chain}.json").unlink(missing_ok=True)


def heads(root: Path) -> list[Head]:
    """Every chain's remembered head; those whose run stands there unfinished are left out (it died while filed)."""
    found = (_read_head(path) for path in sorted((root / names.CACHE / names.CHAINS).glob("*.json")))
    return [head for head in found if head is not None and _filed(root, head) == head.last]


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
