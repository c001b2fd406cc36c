"""The names a recipe gives to ports and frequencies, and what refers to them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from sequencer.recipe.blocks import Block
from sequencer.recipe.problems import Problems, did_you_mean
from sequencer.recipe.shapes import Word
from sequencer.units import show_hz

__all__ = ["Names", "read_names"]

WIDEST_RATIO = 10.0  # no duplexer joins channels further apart; a wrong prefix (kHz for MHz) does
_RESERVED_PORTS = ("reflect", "open", "short", "load", "thru", "floor", "standard")  # hookups are called so
_RESERVED_FREQUENCIES = ("overview", "tracking")  # sweeps are called so


@dataclass(slots=True)
class Names:
    """Ports and frequencies in hertz; ``complete`` is False where some could not be read.

    A name used but not known is noted once, however often it is used: one typo, one error.
    """

    ports: tuple[str, ...] = ()
    frequencies: dict[str, float] = field(default_factory=dict)
    spelled: frozenset[str] = frozenset()  # frequency names given, readable or not
    complete: bool = True
    misnamed: bool = False  # a frequency has a name that cannot be one: it may be the one that is missed
    _missing: dict[tuple[str, str], list[tuple[int, str]]] = field(default_factory=dict)

    def path(self, block: Block, problems: Problems) -> tuple[str, str] | None:
        """Return the block's path as two known ports, None (and why) where there is none."""
        word = block.get("path", Word)
        if word is None:
            return None
        first, _, second = word.text.partition("-")
        if first == second:
            text = f"'{word.text}' leads from a port to itself; name two ports, or ask for the return loss of one"
            problems.add(word.line, block.path("path"), text)
            return None
        lacking = [name for name in (first, second) if name not in self.ports]
        if self.ports and lacking:
            name = word.text if len(lacking) > 1 else lacking[0]
            self._missing.setdefault(("port", name), []).append((word.line, block.path("path")))
        return None if lacking else (first, second)

    def port(self, word: Word, key: str) -> bool:
        """Whether the device has the port."""
        if not self.ports or word.text in self.ports:
            return bool(self.ports)
        self._missing.setdefault(("port", word.text), []).append((word.line, key))
        return False

    def frequency_hz(self, word: Word, key: str) -> float | None:
        """Return the frequency of that name."""
        if self.spelled and word.text not in self.spelled:
            self._missing.setdefault(("frequency", word.text), []).append((word.line, key))
        return self.frequencies.get(word.text)

    def report_unknown(self, problems: Problems) -> None:
        """Note each unknown name once, where it is used first."""
        for (kind, name), uses in self._missing.items():
            if kind == "frequency" and self.misnamed:
                continue
            known = self.ports if kind == "port" else tuple(sorted(self.spelled))
            more = f" (used {len(uses)} times)" if len(uses) > 1 else ""
            line, key = uses[0]
            what = (
                f"the device has no port{'s' * ('-' in name)} '{name}'"
                if kind == "port"
                else f"no frequency is called '{name}'"
            )
            problems.add(
                line,
                key,
                f"{what}{more} (allowed: {', '.join(known)}){'' if problems.full else did_you_mean(name, known)}",
            )


def read_names(top: Block, problems: Problems) -> Names:
    """Return the names of a recipe, refusing those that would be ambiguous."""
    ports = _ports(top.block("device"), problems)
    block = top.block("frequencies")
    frequencies: dict[str, float] = {}
    for name, value in block.values.items():
        assert isinstance(value, float)
        if name in _RESERVED_FREQUENCIES:
            problems.add(block.at(name), block.path(name), f"'{name}' is the name of a sweep; choose another")
        twin = next((other for other, hz in frequencies.items() if abs(hz - value) < 1.0), None)
        if twin is not None:
            text = f"'{name}' and '{twin}' are two names for one frequency ({show_hz(value)})"
            problems.add(block.at(name), block.path(name), text)
        frequencies[name] = value
    if frequencies and max(frequencies.values()) > WIDEST_RATIO * min(frequencies.values()):
        low, high = (end(frequencies, key=lambda name: frequencies[name]) for end in (min, max))
        text = f"'{low}' and '{high}' lie further apart than a factor of {WIDEST_RATIO:g}; check their units"
        problems.add(block.line, block.key, text)
        frequencies.clear()
    spelled = frozenset(block.values) | block.bad
    _differ_in_case(spelled, block.line, block.key, problems)
    complete = bool(frequencies) and not block.bad and "frequencies" not in top.bad
    return Names(ports, frequencies, spelled, complete, misnamed=bool(block.bad - set(block.lines)))


def _ports(device: Block, problems: Problems) -> tuple[str, ...]:
    """Return the port names; none where one is wrong, so that paths do not complain of it too."""
    words = device.many("ports", Word)
    ports: list[str] = []
    good = "ports" not in device.bad
    for word in words:
        if word.text in ports:
            problems.add(word.line, device.path("ports"), f"the port '{word.text}' stands twice")
            good = False
        elif word.text in _RESERVED_PORTS:
            problems.add(word.line, device.path("ports"), f"'{word.text}' is the name of a hookup; choose another")
        ports.append(word.text)
    _differ_in_case(ports, device.at("ports"), device.path("ports"), problems)
    return tuple(ports) if good else ()


def _differ_in_case(names: Iterable[str], line: int, key: str, problems: Problems) -> None:
    seen: dict[str, str] = {}
    for name in sorted(set(names)):
        other = seen.setdefault(name.casefold(), name)
        if other != name:
            problems.add(line, key, f"'{other}' and '{name}' differ only in capitals; they would be taken for one")
