"""The simulated bench as a process of its own: the words that choose it, its start and its end."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sequencer.errors import BenchError, UsageError
from sequencer.recipe.model import Recipe

__all__ = ["SimulatedProcess", "open_simulated"]

_SIMULATED_OPTIONS = {  # of the bench's process -> an example
    "harness": "harness='12 in'",
    "q-times": "q-times=4",
    "visit": "visit=2",
    "transport": "transport=hislip",
    "profile": "profile=patch-lead",
    "path-loss": "path-loss=0.5",
    "relay-isolation": "relay-isolation=80",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedProcess:
    """A running simulated bench: what it announced, and the process."""

    said: Mapping[str, Any]
    process: subprocess.Popen[str]

    def close(self) -> None:
        """End the process; it also ends by itself when this one dies, since its standard input closes."""
        if self.process.stdin is not None:
            self.process.stdin.close()
        try:
            self.process.wait(timeout=5.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


def open_simulated(
    choice: str, *, recipe: Recipe | None, seed: int = 1, speed: float = 0.0, goes_on: str = ""
) -> SimulatedProcess:
    """Start the simulated bench.

    ``choice`` is what follows `simulated:` on the command line: DEVICE, DEVICE:VARIANT, :VARIANT or nothing, then,
    after commas, `harness=12 in` (cables between the cavities) and `visit=2` (the same bench at another time: its
    noise and connections differ) and `transport=hislip` or `serial`. Without a device the recipe's own is taken.
    ``goes_on`` makes it the bench that an earlier process had begun: 'seconds,sweeps,matings' of that one.

    Raises
    ------
    UsageError
        When there is no such device, variant or option.
    BenchError
        When the process does not come up.
    """
    plain, options = _simulated_options(choice)
    device, _, variant = plain.partition(":")
    command = [sys.executable, "-m", "instruments.simulated", "--seed", str(seed), "--speed", repr(speed), *options]
    if device:
        command += ["--device", device]
    if variant:
        command += ["--variant", variant]
    if goes_on:
        command += ["--goes-on", goes_on]
    if recipe is not None:
        command += ["--recipe", recipe.name, "--ports", ",".join(recipe.ports)]
        command += ["--frequencies", ",".join(repr(hz) for hz in recipe.frequencies.values())]
    process = subprocess.Popen(  # noqa: S603 - our own interpreter and module, arguments as a list
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    line = process.stdout.readline()
    if not line:
        said = process.communicate()[1].strip().splitlines()  # and closes the pipes
        msg = said[-1] if said else "the simulated bench did not start"
        raise (UsageError if process.returncode == 2 else BenchError)(msg)
    if not line.startswith("{"):  # asked for a list of names, it prints them and ends
        names = ", ".join((line + process.stdout.read()).split())
        process.communicate()  # and closes the pipes
        msg = f"--bench simulated: 'list' is no device and no variant; there are {names}"
        raise UsageError(msg)
    process.stderr.close()
    return SimulatedProcess(said=json.loads(line), process=process)


def _simulated_options(choice: str) -> tuple[str, list[str]]:
    """Split DEVICE:VARIANT from its options; the options as arguments of the bench's process."""
    plain, options = "", []
    for place, part in enumerate(choice.split(",")):
        key, equals, value = (text.strip() for text in part.partition("="))
        if not equals and place == 0:
            plain = part
        elif key in _SIMULATED_OPTIONS and value:
            options += [f"--{key}", value]
        else:
            has = ", ".join(_SIMULATED_OPTIONS.values())
            msg = f"--bench simulated: {part.strip()!r} is not an option; there are {has}"
            raise UsageError(msg)
    return plain, options
