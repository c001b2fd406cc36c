"""What PyVISA, PyVISA-py and the system raise on a bus, translated once into errors of ours."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Iterator

from sequencer.errors import LinkError, LinkTimeoutError, NotchbookError

__all__ = ["bus_errors", "system_error_text"]


@contextlib.contextmanager
def bus_errors(resource: str, command: str) -> Iterator[None]:
    """Translate whatever PyVISA, PyVISA-py or the system raises into LinkError and its kin.

    The kinds are measured, not documented: a refused port raises ConnectionRefusedError at the first
    exchange, an unknown host a bare Exception, a missing backend ValueError, a missing vendor library
    OSError, a dropped HiSLIP connection RuntimeError, use after close InvalidSession.
    """
    try:
        yield
    except NotchbookError:
        raise
    except Exception as exc:
        kind, why = _explained(exc)
        msg = f"{resource}: {command}: {why}"
        raise kind(msg, resource=resource, command=command) from exc


def _explained(exc: Exception) -> tuple[type[NotchbookError], str]:
    text = str(exc).strip() or type(exc).__name__
    if isinstance(exc, ImportError):
        return LinkError, f"a library is missing: {text}"
    from pyvisa import constants, errors

    if isinstance(exc, errors.VisaIOError):
        if exc.error_code == constants.StatusCode.error_timeout:
            return LinkTimeoutError, "no answer in time"
        return LinkError, str(exc.description)
    if isinstance(exc, errors.InvalidSession):
        return LinkError, "the link was closed before"
    if isinstance(exc, TimeoutError):
        return LinkTimeoutError, "no answer in time"
    if isinstance(exc, OSError) and exc.errno is not None:
        return LinkError, system_error_text(exc.errno, text)
    if isinstance(exc, RuntimeError):
        return LinkError, f"the connection dropped ({text})"
    if isinstance(exc, (ValueError, OSError)):
        return LinkError, f"cannot be opened here: {text.splitlines()[0]} (check resource and visa in the bench file)"
    if type(exc) is Exception:
        return LinkError, f"{text} (check the host name and the network)"
    return LinkError, f"the bus library failed ({type(exc).__name__}: {text})"


def system_error_text(number: int, text: str = "") -> str:
    """Say a system error number in words a technician can act on."""
    known = {
        errno.ECONNREFUSED: "connection refused: is the instrument on, and is this its port?",
        errno.ECONNRESET: "the instrument closed the connection",
        errno.EPIPE: "the instrument closed the connection",
        errno.EHOSTUNREACH: "host not reachable: is the instrument on the network?",
        errno.ENETUNREACH: "network not reachable",
        errno.ETIMEDOUT: "host does not answer",
        errno.ENOENT: "no such device on this machine",
        errno.EACCES: "no permission to use this device",
    }
    return known.get(number, text or f"system error {number}")
