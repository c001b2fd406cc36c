"""A hookup as a small text diagram.

Plain ASCII. Read line by line, a diagram follows the signal, so a screen reader tells it in order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.model import Bench
from sequencer.run.fittings import ANALYZER_LEAD, GENERATOR_LEAD, chain, lead_end, loads, standard, thru_adapter

__all__ = ["diagram"]


def diagram(hookup: Hookup, bench: Bench | None, ports: Sequence[str], width: int = 78) -> str:
    """Draw a hookup in at most ``width`` columns; where that is too narrow, as a list from top to bottom."""
    draw = {
        HookupKind.THRU: _thru,
        HookupKind.FLOOR: _floor,
        HookupKind.STANDARD: _standard,
        HookupKind.PATH: _path,
        HookupKind.REFLECT: _reflect,
    }[hookup.kind]
    for terse in (False, True):
        lines = [f"  {line}".rstrip() for line in draw(hookup, _Wires(bench, terse), ports)]
        if max(len(line) for line in lines) <= width:
            return "\n".join(lines)
    return "\n".join(f"  {line}" for line in _list(hookup, bench))


@dataclass(frozen=True, slots=True)
class _Wires:
    """The two leads with their pads as drawn; ``terse`` leaves out the words 'lead' and 'pad' before an id."""

    bench: Bench | None
    terse: bool

    def _names(self, lead: str) -> tuple[str, list[str]]:
        cord, *pads = lead_end(lead, self.bench)
        if cord == lead:
            cord = "lead"
        if self.terse:
            return cord.removeprefix("lead "), [pad.replace(" pad", "") for pad in pads]
        return cord, pads

    def out(self, lead: str, size: int = 0) -> str:
        """'GENERATOR --lead G1--[10 dB pad]--', drawn out to ``size`` columns."""
        cord, pads = self._names(lead)
        name = "GENERATOR" if lead == GENERATOR_LEAD else "ANALYZER "
        return (f"{name} --{cord}--" + "".join(f"[{pad}]--" for pad in pads)).ljust(size, "-")

    def both(self) -> tuple[str, str]:
        """Both leads side by side, equally long."""
        size = max(len(self.out(lead)) for lead in (GENERATOR_LEAD, ANALYZER_LEAD))
        return self.out(GENERATOR_LEAD, size), self.out(ANALYZER_LEAD, size)

    def back(self) -> str:
        """The analyzer's side, read towards the analyzer."""
        cord, pads = self._names(ANALYZER_LEAD)
        return "".join(f"--[{pad}]" for pad in pads) + f"--{cord}-- ANALYZER"


def _thru(_hookup: Hookup, wires: _Wires, _ports: Sequence[str]) -> list[str]:
    joint = thru_adapter(wires.bench) or "joined"
    return [f"{wires.out(GENERATOR_LEAD)}({joint}){wires.back()}", "The device is not connected."]


def _standard(hookup: Hookup, wires: _Wires, _ports: Sequence[str]) -> list[str]:
    return [
        f"{wires.out(GENERATOR_LEAD)}[standard {hookup.standard}]{wires.back()}",
        "The device is not connected; the standard sits where it will.",
    ]


def _floor(hookup: Hookup, wires: _Wires, _ports: Sequence[str]) -> list[str]:
    on = loads(hookup, wires.bench)
    ends = zip((GENERATOR_LEAD, ANALYZER_LEAD), wires.both(), strict=True)
    lines = [f"{wire}[{on.get(lead, '50 ohm load')}]" for lead, wire in ends]
    return [*lines, "The device is not connected; both ends lie where its ports sit."]


def _path(hookup: Hookup, wires: _Wires, ports: Sequence[str]) -> list[str]:
    into, out = hookup.generator or "", hookup.analyzer or ""
    on = loads(hookup, wires.bench)
    rest = [port for port in ports if port not in (into, out)]
    inner = max(10, len(f" {into}   {out} "), *(len(f"   {port} ") for port in rest))
    wire = wires.out(GENERATOR_LEAD)
    blank = " " * len(wire)
    first = f"{wire}| {into}{out.rjust(inner - len(into) - 2)} |{wires.back()}"
    others = [f"{blank}|{port.rjust(inner - 1)} |{_load(on.get(port))}" for port in rest]
    return [f"{blank}+{'-' * inner}+", first, *others, f"{blank}+{' DEVICE '.center(inner, '-')}+"]


def _load(name: str | None) -> str:
    return f"--[{name}]" if name else "  nothing connected"


def _reflect(hookup: Hookup, wires: _Wires, ports: Sequence[str]) -> list[str]:
    source, detector = wires.both()
    blank, edge = " " * len(source), "+----------+"
    lines = [
        f"{blank}{edge}",
        f"{source}| source   |",
        f"{detector}| detector |",
        f"{blank}|     test |--",
        f"{blank}+- BRIDGE -+",
    ]
    if hookup.test_port in ("open", "short", "load"):
        lines[3] += f"[{standard(hookup, wires.bench)}]"
        return lines
    port = hookup.test_port or ""
    on = loads(hookup, wires.bench)
    rest = [name for name in ports if name != port]
    inner = max(10, len(port) + 2, *(len(f" {port}  {name} ") for name in rest))
    lines[2] += f"  +{'-' * inner}+"
    lines[3] += f"| {port}{(rest[0] if rest else '').rjust(inner - len(port) - 2)} |"
    lines[3] += _load(on.get(rest[0])) if rest else ""
    more = [f"|{name.rjust(inner - 1)} |{_load(on.get(name))}" for name in rest[1:]]
    more.append(f"+{' DEVICE '.center(inner, '-')}+")
    lines[4] += f"  {more[0]}"
    gap = " " * (len(source) + len(edge) + 2)
    return lines + [f"{gap}{line}" for line in more[1:]]


def _list(hookup: Hookup, bench: Bench | None) -> list[str]:
    """The chain from top to bottom, for narrow terminals and long names."""
    if hookup.kind is HookupKind.FLOOR:
        on = loads(hookup, bench)
        return [
            line
            for name, lead in (("GENERATOR", GENERATOR_LEAD), ("ANALYZER", ANALYZER_LEAD))
            for line in (name, *(f" | {item}" for item in lead_end(lead, bench)), f" '-> {on.get(lead, '50 ohm load')}")
        ]
    first, *middle, last = chain(hookup, bench)
    items = [item if item.startswith(("device ", "bridge")) else f" | {item}" for item in middle]
    return [first.upper(), *items, last.upper(), *(f"on {port}: {name}" for port, name in loads(hookup, bench).items())]
