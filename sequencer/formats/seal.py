"""The seal at the end of a report: what the report belongs to, its digest, and room for two signatures.

A comment after the page's last tag, so that no template can disturb it and no browser shows it. The slots
have a fixed width: filling one moves no other byte. So a report is judged by its own bytes, whatever program
reads it, and never rendered again:

- ``digest`` is the SHA-256 of the whole file with all three slots blank; it never changes.
- the tester signs the whole file with digest and authoriser blank; the authoriser signs last, over the tester.
  Each signature covers the key and the time that stand beside it.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum

from sequencer.errors import NotchbookError, StoredDataError
from sequencer.formats.canonical import sha256_bytes

__all__ = ["Role", "Seal", "SealFacts", "Signature", "blanked", "read_seal", "seal", "to_sign", "with_signature"]

BLANK = "."
_KEY, _TIME, _SIGNATURE = 64, 20, 128  # hex of an Ed25519 key (RFC 8032), a UTC time in seconds, hex of a signature
_SLOT = _KEY + 1 + _TIME + 1 + _SIGNATURE
_HASH = r"[0-9a-f]{64}|\.{64}"
_SEAL = re.compile(
    (
        r"<!-- notchbook seal 1\n"
        r"run (?P<run_id>[A-Za-z0-9._-]{1,120})\n"
        r"kind (?P<kind>measured|simulated)\n"
        r"record (?P<record>[0-9a-f]{64})\n"
        r"files (?P<files>[0-9a-f]{64})\n"
        rf"chain (?P<chain>{_HASH})\n"
        r"number (?P<number>[0-9]{8})\n"
        rf"previous (?P<previous>{_HASH})\n"
        r"digest (?P<digest>[0-9a-f]{64})\n"
        rf"tester (?P<tester>[^\n]{{{_SLOT}}})\n"
        rf"authoriser (?P<authoriser>[^\n]{{{_SLOT}}})\n"
        r"-->\n\Z"
    ).encode("ascii")
)
_SIGNED = re.compile(
    rf"([0-9a-f]{{{_KEY}}}) (\d{{4}}-\d\d-\d\dT\d\d:\d\d:\d\dZ) ([0-9a-f]{{{_SIGNATURE}}})".encode("ascii")
)
_LONGEST = 2048  # bytes of a seal: where to look for it
_SHOWN = re.compile(rb'(<td data-seal="(record|chain|number|previous)">)[^<]*(?=</td>)')


class Role(StrEnum):
    """Who may sign a report, in the order of signing."""

    TESTER = "tester"
    AUTHORISER = "authoriser"


@dataclass(frozen=True, slots=True, kw_only=True)
class SealFacts:
    """What a report belongs to.

    ``record`` is the SHA-256 of result.json, ``files`` that of the manifest of every other file but the report.
    ``chain``, ``number`` and ``previous`` say where the record stands among its bench's records; '', 0, None
    for a run that was not complete.
    """

    run_id: str
    simulated: bool
    record: str
    files: str
    chain: str = ""
    number: int = 0
    previous: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A filled slot: public key and signature in hex, and the time its signer claims."""

    key: str
    at: str
    signature: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """A seal as read. ``intact`` says that the digest fits and that each slot is blank or well formed."""

    facts: SealFacts
    digest: str
    signatures: dict[Role, Signature]
    intact: bool


def seal(report: bytes, facts: SealFacts) -> bytes:
    """Return the report with its seal; the places marked ``data-seal`` in the page show the chain's facts."""
    shown = {
        b"record": facts.record,
        b"chain": facts.chain or "none: the run was not complete",
        b"number": str(facts.number or "none"),
        b"previous": facts.previous or "none: the first of this bench",
    }
    page = _SHOWN.sub(lambda match: match[1] + shown[match[2]].encode("ascii"), report)
    blank = BLANK * 64
    lines = [
        "<!-- notchbook seal 1",
        f"run {facts.run_id}",
        f"kind {'simulated' if facts.simulated else 'measured'}",
        f"record {facts.record}",
        f"files {facts.files}",
        f"chain {facts.chain or blank}",
        f"number {facts.number:08d}",
        f"previous {facts.previous or blank}",
        f"digest {'0' * 64}",
        f"tester {BLANK * _SLOT}",
        f"authoriser {BLANK * _SLOT}",
        "-->\n",
    ]
    page += b"" if page.endswith(b"\n") or not page else b"\n"
    whole = page + "\n".join(lines).encode("ascii")
    match = _match(whole, "report")
    return _put(whole, match.span("digest"), sha256_bytes(_blank(whole, match, ("digest", *Role))))


def read_seal(report: bytes, where: str = "report") -> Seal:
    """Read the seal of a report and compare its digest.

    Raises
    ------
    StoredDataError
        When no seal ends the file: it was not made by a run, was cut, or something was added after the seal.
    """
    match = _match(report, where)
    digest = match["digest"].decode("ascii")
    intact = sha256_bytes(_blank(report, match, ("digest", *Role))) == digest
    signatures = {}
    for role in Role:
        slot = match[role.value]
        signed = _SIGNED.fullmatch(slot)
        if signed:
            key, at, signature = (part.decode("ascii") for part in signed.groups())
            signatures[role] = Signature(key=key, at=at, signature=signature)
        elif slot != BLANK.encode("ascii") * _SLOT:
            intact = False
    text = {name: value.decode("ascii") for name, value in match.groupdict().items() if name not in tuple(Role)}
    facts = SealFacts(
        run_id=text["run_id"],
        simulated=text["kind"] == "simulated",
        record=text["record"],
        files=text["files"],
        chain=text["chain"].strip(BLANK),
        number=int(text["number"]),
        previous=text["previous"].strip(BLANK) or None,
    )
    return Seal(facts=facts, digest=digest, signatures=signatures, intact=intact)


def blanked(report: bytes, roles: Collection[Role]) -> bytes:
    """Return the report without the signatures of these roles; the same bytes when it has no seal."""
    match = _SEAL.search(report, max(0, len(report) - _LONGEST))
    return report if match is None else _blank(report, match, tuple(roles))


def to_sign(report: bytes, role: Role, key: str, at: str) -> bytes:
    """Return the bytes that ``role`` signs: the whole file, ``key`` and ``at`` in place, its signature blank."""
    match = _match(report, "report")
    later = ("digest", *list(Role)[list(Role).index(role) :])
    return _put(_blank(report, match, later), match.span(role.value), _slot(key, at, BLANK * _SIGNATURE))


def with_signature(report: bytes, role: Role, signature: Signature) -> bytes:
    """Return the report with a slot filled; no other byte changes."""
    slot = _slot(signature.key, signature.at, signature.signature)
    if not _SIGNED.fullmatch(slot.encode("ascii")):
        msg = f"{slot!r} is no signature"
        raise NotchbookError(msg)
    return _put(report, _match(report, "report").span(role.value), slot)


def _slot(key: str, at: str, signature: str) -> str:
    return f"{key} {at} {signature}"


def _match(report: bytes, where: str) -> re.Match[bytes]:
    match = _SEAL.search(report, max(0, len(report) - _LONGEST))
    if match is None:
        msg = f"{where}: no seal ends this file: it is not a report as a run leaves it, or its end was cut or changed"
        raise StoredDataError(msg, where=where)
    return match


def _blank(report: bytes, match: re.Match[bytes], names: Collection[str]) -> bytes:
    for name in names:
        start, end = match.span(str(name))
        report = _put(report, (start, end), BLANK * (end - start))
    return report


def _put(report: bytes, span: tuple[int, int], text: str) -> bytes:
    data = text.encode("ascii")
    if len(data) != span[1] - span[0]:
        msg = f"a slot of {span[1] - span[0]} bytes cannot take {len(data)}"
        raise NotchbookError(msg)
    return report[: span[0]] + data + report[span[1] :]
