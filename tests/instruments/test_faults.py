"""What is said of a bus that cannot be opened: the cause in words, and what to install."""

from __future__ import annotations

import gc
import socket
import subprocess
import sys

import pytest

from instruments.link import Link
from sequencer.errors import LinkError

BLOCKED = """
import sys
for name in {modules}:
    sys.modules[name] = None  # as if it had never been installed
from instruments.link import Link
from sequencer.errors import LinkError
try:
    Link.open({resource!r})
except LinkError as exc:
    print(exc.message)
"""


@pytest.mark.parametrize(
    ("modules", "resource", "says"),
    [
        pytest.param(("serial",), "ASRL3::INSTR", "pip install pyserial", id="serial"),
        pytest.param(("usb",), "USB0::0x1234::0x5678::SN1::INSTR", "pip install pyusb", id="usb"),
        pytest.param(("gpib", "Gpib", "gpib_ctypes"), "GPIB0::18::INSTR", "pip install gpib-ctypes", id="gpib"),
    ],
)
def test_a_missing_library_is_named_with_how_to_install_it(modules: tuple[str, ...], resource: str, says: str) -> None:
    """In a process of its own, since PyVISA-py remembers what it could import."""
    code = BLOCKED.format(modules=modules, resource=resource)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert says in done.stdout
    assert len(done.stdout.splitlines()) == 1
    assert done.stderr == ""  # nor does a library complain past us


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # PyVISA-py does not close a socket it failed to connect
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("resource", "says"),
    [
        pytest.param("TCPIP::127.0.0.1::hislip0,{unused}::INSTR", "refused: is the instrument on", id="hislip-refused"),
        pytest.param("TCPIP::nosuchhost.invalid::hislip0::INSTR", "no such host: check", id="hislip-unknown-host"),
        pytest.param("TCPIP::nosuchhost.invalid::inst0::INSTR", "no such host: check", id="vxi11-unknown-host"),
        pytest.param("TCPIP::nosuchhost.invalid::5025::SOCKET", "check the host name", id="socket-unknown-host"),
        pytest.param("ASRL/dev/nosuchport::INSTR", "no such device on this machine", id="serial-no-device"),
        pytest.param("nonsense", "no VISA resource name .one looks like TCPIP", id="no-resource"),
        pytest.param("VXI0::1::INSTR", "needs a vendor's VISA library", id="a-bus-pyvisa-py-lacks"),
    ],
)
def test_the_cause_is_said_though_the_library_hides_it(resource: str, says: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        unused = int(server.getsockname()[1])
    with pytest.raises(LinkError, match=says):
        Link.open(resource.format(unused=unused))
    gc.collect()  # PyVISA-py leaves the socket it gave up to the collector, whose warning belongs here
