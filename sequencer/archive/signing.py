"""Ed25519 keys (RFC 8032) and the signatures of a report: by its tester, then by who authorises it.

A private key is a file that only its passphrase opens (PKCS #8, PEM); the public key lies beside it and may be
given to anyone. Without a public key a signed report can be called undamaged; with it, authentic.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.errors import StoredDataError, UsageError
from sequencer.formats.canonical import sha256_bytes
from sequencer.formats.seal import Role, Seal, Signature, read_seal, to_sign, with_signature

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = [
    "LEAST_PASSPHRASE",
    "PublicKey",
    "SigningKey",
    "as_tester",
    "fingerprint",
    "load_public",
    "load_signing_key",
    "new_key",
    "sign_report",
    "signature_fits",
]

LEAST_PASSPHRASE = 8  # characters; the file's key derivation makes guessing slow, not impossible
_LARGEST_KEY_FILE = 65_536


@dataclass(frozen=True, slots=True, kw_only=True)
class PublicKey:
    """Whose signature to expect: the name of the key's file, and the key in hex."""

    name: str
    key: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SigningKey:
    """An unlocked private key."""

    private: Ed25519PrivateKey
    public: PublicKey


def fingerprint(key: str) -> str:
    """Return a public key's fingerprint, short enough to read aloud.

    Examples
    --------
    >>> fingerprint("00" * 32)
    '6668-7aad-f862-bd77'
    """
    digest = sha256_bytes(bytes.fromhex(key))
    return "-".join(digest[at : at + 4] for at in range(0, 16, 4))


def new_key(path: Path, passphrase: str) -> PublicKey:
    """Make a key: ``path`` (for its owner alone) and ``path``.pub beside it; neither may exist.

    Raises
    ------
    UsageError
        When the passphrase is too short, a file of the name exists, or the folder cannot be written.
    """
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    if len(passphrase) < LEAST_PASSPHRASE:
        msg = f"a passphrase needs at least {LEAST_PASSPHRASE} characters: whoever has it and the file can sign for you"
        raise UsageError(msg)
    beside = path.with_name(path.name + ".pub")
    for file in (path, beside):
        if file.exists() or file.is_symlink():
            msg = f"{file} exists already and is not replaced: signatures made with it could no more be checked"
            raise UsageError(msg, file=str(file))
    private = Ed25519PrivateKey.generate()
    secret = private.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(passphrase.encode("utf-8")),
    )
    public = private.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    try:
        _write_new(path, secret, 0o600)
        try:
            _write_new(beside, public, 0o644)
        except OSError:
            path.unlink(missing_ok=True)
            raise
    except OSError as exc:
        msg = f"{path}: the key cannot be written ({exc.strerror}); check its folder"
        raise UsageError(msg, file=str(path)) from exc
    return PublicKey(name=path.name, key=_hex(private))


def load_signing_key(path: Path, passphrase: str) -> SigningKey:
    """Unlock a private key.

    Raises
    ------
    UsageError
        When the passphrase is wrong, or the key has none.
    StoredDataError
        When the file is not such a key.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    data = _read(path)
    if b"ENCRYPTED PRIVATE KEY" not in data:
        msg = f"{path}: no private key locked by a passphrase ('notchbook archive key new' makes one)"
        if b"PUBLIC KEY" in data:
            msg = f"{path}: this is the public key; to sign, give the private one"
        raise StoredDataError(msg, file=str(path))
    try:
        private = load_pem_private_key(data, passphrase.encode("utf-8"))
    except (ValueError, TypeError, UnsupportedAlgorithm) as exc:
        msg = f"{path}: the passphrase does not open this key, or the file is damaged"
        raise UsageError(msg, file=str(path)) from exc
    if not isinstance(private, Ed25519PrivateKey):
        msg = f"{path}: not an Ed25519 key"
        raise StoredDataError(msg, file=str(path))
    return SigningKey(private=private, public=PublicKey(name=path.name, key=_hex(private)))


def load_public(path: Path) -> PublicKey:
    """Read a public key; of a private key's path, the public key beside it.

    Raises
    ------
    StoredDataError
        When there is none.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_public_key

    data = _read(path)
    if b"PRIVATE KEY" in data:
        path = path.with_name(path.name + ".pub")
        data = _read(path)
    try:
        public = load_pem_public_key(data)
    except (ValueError, UnsupportedAlgorithm) as exc:
        msg = f"{path}: not a public key (a .pub file that 'notchbook archive key new' wrote)"
        raise StoredDataError(msg, file=str(path)) from exc
    if not isinstance(public, Ed25519PublicKey):
        msg = f"{path}: not an Ed25519 key"
        raise StoredDataError(msg, file=str(path))
    return PublicKey(name=path.name.removesuffix(".pub"), key=public.public_bytes(Encoding.Raw, PublicFormat.Raw).hex())


def sign_report(report: bytes, role: Role, key: SigningKey, now: Callable[[], datetime] | None = None) -> bytes:
    """Return the report signed; only the role's slot changes.

    Raises
    ------
    StoredDataError
        When the report has no seal or is not undamaged: nobody may sign that.
    UsageError
        When the role has signed, or the authoriser, who signs last.
    """
    seal = read_seal(report)
    if not seal.intact or not all(signature_fits(report, seal, signed) for signed in seal.signatures):
        msg = "the report was changed since it was made; it is not signed"
        raise StoredDataError(msg)
    if role in seal.signatures:
        msg = f"the {role} has signed this report already, with key {fingerprint(seal.signatures[role].key)}"
        raise UsageError(msg)
    if Role.AUTHORISER in seal.signatures:
        msg = "the authoriser has signed this report and signs last: another signature would break that one"
        raise UsageError(msg)
    at = (now or _utc_now)().astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    signature = key.private.sign(to_sign(report, role, key.public.key, at)).hex()
    return with_signature(report, role, Signature(key=key.public.key, at=at, signature=signature))


def as_tester(key: SigningKey) -> Callable[[bytes], bytes]:
    """Return what `RunFolder.create` takes as ``sign``: the tester signs as the run is filed."""
    return lambda report: sign_report(report, Role.TESTER, key)


def signature_fits(report: bytes, seal: Seal, role: Role) -> bool:
    """Whether a role's signature is one of this report under the key that stands beside it."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    signed = seal.signatures[role]
    try:
        public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(signed.key))
        public.verify(bytes.fromhex(signed.signature), to_sign(report, role, signed.key, signed.at))
    except (InvalidSignature, ValueError):
        return False
    return True


def _hex(private: Ed25519PrivateKey) -> str:
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex()


def _write_new(path: Path, data: bytes, mode: int) -> None:
    handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_LARGEST_KEY_FILE)
    except OSError as exc:
        msg = f"{path}: this key cannot be read ({exc.strerror})"
        raise StoredDataError(msg, file=str(path)) from exc


def _utc_now() -> datetime:
    return datetime.now(UTC)
