"""What PyVISA, PyVISA-py and the system raise on a bus, translated once into errors of ours."""

from __future__ import annotations

import contextlib
import errno
import socket
from collections.abc import Iterator

from sequencer.errors import LinkError, LinkTimeoutError, NotchbookError

__all__ = ["bus_errors", "system_error_text"]

_CHECK_HOST = "check the host name and the network"
_NEEDS = {  # beginning of a resource name -> what PyVISA-py needs besides for it
    "ASRL": "a serial line needs pyserial (pip install pyserial)",
    "USB": "USB needs PyUSB (pip install pyusb) and the system library libusb",
    "GPIB": (
        "GPIB needs the driver of its interface (linux-gpib, or the maker's) and its Python side (pip install "
        "gpib-ctypes), or a vendor's VISA library named under 'visa'"
    ),
    "PXI": "this bus needs a vendor's VISA library named under 'visa'",
    "VXI": "this bus needs a vendor's VISA library named under 'visa'",
}


@contextlib.contextmanager
def bus_errors(resource: str, command: str) -> Iterator[None]:
    """Translate whatever PyVISA, PyVISA-py or the system raises into LinkError and its kin.

    The kinds are measured, not documented: a refused port raises ConnectionRefusedError at the first
    exchange, an unknown host a bare Exception, a missing backend ValueError, a missing vendor library
    OSError, a dropped HiSLIP connection RuntimeError, use after close InvalidSession. HiSLIP hides why it
    could not connect behind 'resource not found'; VXI-11 tells an unknown host as a bad file descriptor.
    """
    try:
        yield
    except NotchbookError:
        raise
    except Exception as exc:
        kind, why = _explained(exc, resource)
        msg = f"{resource}: {command}: {why}"
        raise kind(msg, resource=resource, command=command) from exc


def _explained(exc: Exception, resource: str) -> tuple[type[NotchbookError], str]:
    text = str(exc).strip() or type(exc).__name__
    if isinstance(exc, ImportError):
        return LinkError, f"a library is missing: {text}"
    from pyvisa import constants, errors

    if isinstance(exc, errors.VisaIOError):
        if exc.error_code == constants.StatusCode.error_timeout:
            return LinkTimeoutError, "no answer in time"
        hidden = _system_error_behind(exc)
        if hidden is not None:
            return _explained(hidden, resource)
        if exc.error_code == constants.StatusCode.error_invalid_resource_name:
            return LinkError, f"this is no VISA resource name ({_example(resource)})"
        return LinkError, str(exc.description)
    if isinstance(exc, errors.InvalidSession):
        return LinkError, "the link was closed before"
    if isinstance(exc, socket.gaierror) or (isinstance(exc, OSError) and exc.errno == errno.EBADF):
        return LinkError, f"there is no such host: {_CHECK_HOST}"
    if isinstance(exc, TimeoutError):
        return LinkTimeoutError, "no answer in time"
    if isinstance(exc, OSError) and exc.errno is not None:
        return LinkError, system_error_text(exc.errno, text)
    if isinstance(exc, RuntimeError):
        return LinkError, f"the connection dropped ({text})"
    if isinstance(exc, (ValueError, OSError)):
        needs = _needs(resource)
        why = needs if needs and ("install" in text or "registered" in text) else text.splitlines()[0]
        return LinkError, f"cannot be opened here: {why} (check resource and visa in the bench file)"
    if type(exc) is Exception:
        return LinkError, f"{text} ({_CHECK_HOST})"
    return LinkError, f"the bus library failed ({type(exc).__name__}: {text})"


def _system_error_behind(exc: BaseException) -> OSError | None:
    """Return what the system said, where a library wrapped it into something vaguer."""
    inner = exc.__cause__ or exc.__context__
    while inner is not None and not isinstance(inner, OSError):
        inner = inner.__cause__ or inner.__context__
    return inner


def _needs(resource: str) -> str:
    return next((what for start, what in _NEEDS.items() if resource.upper().startswith(start)), "")


def _example(resource: str) -> str:
    needs = _needs(resource)
    return needs or "one looks like TCPIP::192.0.2.10::5025::SOCKET, TCPIP::192.0.2.10::hislip0::INSTR or ASRL3::INSTR"


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
        errno.EIO: "the line is gone: is the adapter still plugged in?",
    }
    return known.get(number, text or f"system error {number}")
