"""The second instrument of the simulated bench: a switch that moves the leads, and the simulation's own commands."""

from __future__ import annotations

import numpy as np

import sequencer
from instruments.simulated.bench import OPEN_LEADS, Bench
from instruments.simulated.commands import Command, event, query_only, status_commands
from instruments.simulated.manners import Manners
from instruments.simulated.parameters import read_channels, read_number, read_text
from instruments.simulated.status import Status
from instruments.simulated.syntax import ScpiError, Tree

__all__ = ["Control"]

COMMAND_S = 0.001


class Control:
    """ROUTe and SIMulation subsystems; satisfies `commands.Instrument`."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.terminator = b"\n"
        self.manners = Manners()
        self.status = Status(queue_length=30)
        self.tree: Tree[Command] = Tree()
        for pattern, command in {**status_commands(self.status), **self._commands()}.items():
            self.tree.add(pattern.rstrip("?"), command)

    def identification(self) -> str:
        """Say first that it is no instrument."""
        return f"Notchbook,simulated bench switch,{self._bench.seed},{sequencer.__version__}"

    def reset(self) -> None:
        """*RST opens everything: the leads hang open."""
        self._bench.connect(OPEN_LEADS)

    def busy(self) -> bool:
        """A move is over when its command is."""
        return False

    def spend_command(self) -> None:
        """Take the time of one command."""
        self._bench.time.running()
        self._bench.time.spend(COMMAND_S)

    def _commands(self) -> dict[str, Command]:
        bench = self._bench
        return {
            "ROUTe:CLOSe": Command(set=self._close, query=self._closed, query_most=1, query_least=1),
            "ROUTe:CLOSe:STATe?": query_only(self._state),
            "ROUTe:OPEN[:ALL]": event(lambda: bench.connect(OPEN_LEADS)),
            "SIMulation:TIME?": query_only(lambda: f"{bench.time.now_s:.6f}"),
            "SIMulation:WAIT": Command(set=self._wait),
            "SIMulation:TRUTh?": Command(query=self._truth, query_most=10_003, query_least=3),
            "SIMulation:HAND": Command(set=self._hand),
            "SIMulation:TURN": Command(set=self._turn),
            "SIMulation:MISWire": Command(set=self._miswire, most=2, least=2),
            "SIMulation:FAULt": Command(set=self._fault, most=3),
        }

    def _close(self, parameters: tuple[str, ...]) -> None:
        channels = read_channels(parameters[0])
        if len(channels) != 1:
            raise ScpiError(-221, "one hookup at a time")
        if not 1 <= channels[0] <= len(self._bench.hookups):
            raise ScpiError(-222, f"channel {channels[0]}, there are 1 to {len(self._bench.hookups)}")
        self._bench.connect(self._bench.hookups[channels[0] - 1])

    def _closed(self, parameters: tuple[str, ...]) -> str:
        return ",".join(str(int(channel == self._number())) for channel in read_channels(parameters[0]))

    def _state(self) -> str:
        number = self._number()
        return f"(@{number})" if number else "(@)"

    def _number(self) -> int:
        """Channel that is closed, 0 for none."""
        connected = self._bench.connected
        return 0 if connected == OPEN_LEADS else self._bench.hookups.index(connected) + 1

    def _wait(self, parameters: tuple[str, ...]) -> None:
        self._bench.time.spend(read_number(parameters[0], "S", least=0.0, most=1e6))

    def _truth(self, parameters: tuple[str, ...]) -> str:
        start, end = (read_text(text) for text in parameters[:2])
        for port in (start, end):
            if port not in self._bench.device.ports:
                raise ScpiError(-224, port)
        freq_hz = np.array([read_number(text, "HZ", least=1e3, most=1e11) for text in parameters[2:]])
        return ",".join(f"{loss_db:.9E}" for loss_db in self._bench.truth_db(start, end, freq_hz))

    def _hand(self, parameters: tuple[str, ...]) -> None:
        """Make a hookup as hands do: past the relays."""
        hookup = read_text(parameters[0])
        if hookup not in self._bench.hookups:
            raise ScpiError(-224, hookup)
        self._bench.connect(hookup, by_hand=True)

    def _turn(self, parameters: tuple[str, ...]) -> None:
        """Turn the generator's tracking adjustment by so many hertz, as a hand does."""
        self._bench.turn_tracking(read_number(parameters[0], "HZ", least=-1e6, most=1e6))

    def _miswire(self, parameters: tuple[str, ...]) -> None:
        asked, made = (read_text(text) for text in parameters)
        for hookup in (asked, made):
            if hookup not in (*self._bench.hookups, OPEN_LEADS):
                raise ScpiError(-224, hookup)
        self._bench.faults.miswired[asked] = made

    def _fault(self, parameters: tuple[str, ...]) -> None:
        """NONE | POWER | COLD | FOREIGN,<Hz>,<dBm> | LEAKAGE,<dB more>."""
        word, numbers = parameters[0].upper(), parameters[1:]
        faults = self._bench.faults
        if word == "NONE" and not numbers:
            faults.foreign, faults.extra_leakage_db = None, 0.0
            faults.miswired.clear()
        elif word == "POWER" and not numbers:
            self._bench.power_cycle()
        elif word == "COLD" and not numbers:
            self._bench.on_since_s = self._bench.time.now_s
        elif word == "FOREIGN" and len(numbers) == 2:
            faults.foreign = read_number(numbers[0], "HZ"), read_number(numbers[1], "DBM")
        elif word == "LEAKAGE" and len(numbers) == 1:
            faults.extra_leakage_db = read_number(numbers[0], "DB")
        else:
            raise ScpiError(-224, ",".join(parameters))
