"""A lock that several machines on a share respect and that no dead program holds for ever.

The lock is a file that only one program can create. It names its holder. A holder on this machine whose
process is gone is dead at once; any other counts as dead when it was seen unchanged for `PATIENCE_S` (what is
done under the lock takes milliseconds). A dead holder's lock is removed under a second file named after the
holder, so that two who find it dead cannot remove each other's new lock.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import secrets
import time
from collections.abc import Callable, Iterator
from pathlib import Path

__all__ = ["PATIENCE_S", "locked"]

PATIENCE_S = 20.0
_NAP_S = 0.02


@contextlib.contextmanager
def locked(
    path: Path, *, patience_s: float = PATIENCE_S, sleep: Callable[[float], None] = time.sleep
) -> Iterator[None]:
    """Hold the lock file at ``path`` while the block runs; OSError when the folder cannot be written."""
    mine = json.dumps({"host": platform.node(), "pid": os.getpid(), "token": secrets.token_hex(8)}).encode()
    seen, since = b"", time.monotonic()
    while not _create(path, mine):
        holder = _read(path)
        if holder is None:  # just released
            continue
        if holder != seen:
            seen, since = holder, time.monotonic()
        if _gone(holder) or time.monotonic() - since > patience_s:
            _bury(path, holder, patience_s)
        sleep(_NAP_S)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):  # a share that vanished: others will find us dead
            if _read(path) == mine:
                path.unlink()


def _create(path: Path, content: bytes) -> bool:
    try:
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    except FileExistsError:
        return False
    try:
        os.write(handle, content)
    except OSError:  # a full disk: an empty lock would keep the others waiting
        path.unlink(missing_ok=True)
        raise
    finally:
        os.close(handle)
    return True


def _read(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def _gone(holder: bytes) -> bool:
    """Whether the holder was a process of this machine that lives no more."""
    try:
        named = json.loads(holder)
        host, pid = named["host"], int(named["pid"])
    except (ValueError, TypeError, KeyError):  # died between creating the file and writing its name
        return False
    if os.name != "posix" or host != platform.node() or pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


def _bury(path: Path, holder: bytes, patience_s: float) -> None:
    """Remove a dead holder's lock, unless it is another's by now."""
    name = json.loads(holder)["token"] if _names_token(holder) else "nameless"
    spade = path.with_name(f"{path.name}.{name}")
    if not _create(spade, b""):
        with contextlib.suppress(FileNotFoundError):  # whoever was burying may have died over it
            age = time.time() - spade.stat().st_mtime
            if abs(age) > patience_s:
                spade.unlink()
        return
    try:
        if _read(path) == holder:
            path.unlink(missing_ok=True)
    finally:
        spade.unlink(missing_ok=True)


def _names_token(holder: bytes) -> bool:
    try:
        token = json.loads(holder)["token"]
    except (ValueError, TypeError, KeyError):
        return False
    return isinstance(token, str) and token.isalnum() and len(token) < 64
