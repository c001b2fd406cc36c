"""The limits of a recipe: from their blocks to requirements, one per frequency.

Refuses a limit that nothing can measure or that says nothing: every message tells what would make sense.
"""

from __future__ import annotations

import math

from sequencer.recipe.blocks import Block
from sequencer.recipe.keys import QUANTITIES, Need, Takes, amount_of
from sequencer.recipe.model import Quantity, Requirement
from sequencer.recipe.names import Names
from sequencer.recipe.problems import Problems
from sequencer.recipe.shapes import Word
from sequencer.recipe.yaml_text import Scalar
from sequencer.units import DB, FREQUENCY, show, show_db, show_hz

__all__ = ["read_limits"]

MOST_REQUIREMENTS = 1000  # a run of more would take days
BEST_RETURN_LOSS_DB = 60.0  # directivity of the best bridges is about 50 dB [common practice, no source]
LOSSIEST_PASS_DB = 30.0  # what loses more passes nothing: such a limit can never fail [common practice, no source]

_Found = list[tuple[Requirement, str]]  # with the condition in words, for the id where it needs one


def read_limits(top: Block, names: Names, overview_hz: tuple[float, float], problems: Problems) -> _Found:
    """Return the requirements in the order of the file, with their conditions in words."""
    found: dict[tuple[str, str], Requirement] = {}
    for block in top.many("limits", Block):
        for requirement, condition in _Limit(block, names, overview_hz, problems).requirements():
            first = found.setdefault((requirement.id, condition), requirement)
            if first is not requirement:
                full = f"{requirement.id} {condition}".strip()
                problems.add(
                    block.line, block.key, f"'{full}' is required twice (first on line {first.line}); remove one"
                )
    if len(found) > MOST_REQUIREMENTS:
        text = f"{len(found)} requirements; at most {MOST_REQUIREMENTS} are read"
        problems.add(top.at("limits"), "limits", text)
        return []
    if not problems:  # a wrong frequency would look like a contradiction too
        _contradictions(list(found.values()), problems)
    return [(requirement, condition) for (_, condition), requirement in found.items()]


class _Limit:
    """One entry of ``limits``."""

    def __init__(self, block: Block, names: Names, overview_hz: tuple[float, float], problems: Problems) -> None:
        self.block = block
        self.names = names
        self.overview_hz = overview_hz
        self.problems = problems
        word = block.get("quantity", str)
        self.quantity = Quantity(word) if word is not None else None

    def requirements(self) -> _Found:
        """Return one requirement per frequency; none where something was noted."""
        places = [(word, self.names.frequency_hz(word, self.block.path("at"))) for word in self.block.many("at", Word)]
        if self.quantity is None or self.block.unknown:
            return []
        takes = QUANTITIES[self.quantity]
        if not self._belongs(self.quantity):  # before what stands there is read: it is one mistake
            return []
        path = self.names.path(self.block, self.problems)
        port = self.block.get("port", Word)
        if port is not None and not self.names.port(port, self.block.path("port")):
            port = None
        if not self._conditions(self.quantity, takes):
            return []
        limits = self._ends(self.quantity, takes)
        if limits is None or self.block.bad or (path is None and port is None):
            return []
        found: _Found = []
        for word, at_hz in places:
            if at_hz is None or not self._reaches(word.text, at_hz):
                continue
            found.append(self._made(self.quantity, word.text, at_hz, limits, path, port))
        return found

    def _made(
        self,
        quantity: Quantity,
        at: str,
        at_hz: float,
        limits: dict[str, float],
        path: tuple[str, str] | None,
        port: Word | None,
    ) -> tuple[Requirement, str]:
        block = self.block
        where = "-".join(path) if path is not None else port.text if port is not None else ""
        minimum, maximum = limits.get("min"), limits.get("max")
        if quantity is Quantity.NOTCH_FREQUENCY and maximum is not None:
            minimum, maximum = at_hz - maximum, at_hz + maximum
        requirement = Requirement(
            id=f"{quantity} {where} {at}",
            quantity=quantity,
            at=at,
            at_hz=at_hz,
            path=path,
            port=port.text if port is not None else None,
            within_hz=block.get("within", float),
            level_db=block.get("level", float),
            above_db=block.get("above", float),
            minimum=minimum,
            maximum=maximum,
            max_change=limits.get("max change"),
            line=block.line,
        )
        return requirement, _condition(requirement)

    def _note(self, name: str, text: str) -> None:
        self.problems.add(self.block.at(name), self.block.path(name), text)

    def _belongs(self, quantity: Quantity) -> bool:
        """Whether it names a path or a port, as the quantity needs."""
        belongs, other = ("port", "path") if quantity.of_port else ("path", "port")
        example = "port: TX" if quantity.of_port else "path: TX-ANT"
        if other in self.block.lines:
            text = f"{quantity} is measured on a {belongs}, not on a {other}: write for example '{example}'"
            self.problems.instead(self.block.at(other), self.block.path(other), text)
            return False
        if not self.block.given(belongs):
            text = f"{quantity} needs a {belongs}: write for example '{example}'"
            self.problems.add(self.block.line, self.block.key, text)
            return False
        return True

    def _conditions(self, quantity: Quantity, takes: Takes) -> bool:
        """Whether `within`, `level` and `above` stand where they are needed and nowhere else."""
        good = True
        examples = {"within": "within: 8 kHz", "level": "level: 70 dB", "above": "above: 3 dB"}
        for name, need in (("within", takes.within), ("level", takes.level), ("above", takes.above)):
            if need is Need.NO and name in self.block.lines:
                self._note(name, f"{quantity} does not use '{name}'; remove it")
                good = False
            elif need is Need.MUST and not self.block.given(name):
                text = f"{quantity} needs '{name}': write for example '{examples[name]}'"
                self.problems.add(self.block.line, self.block.key, text)
                good = False
        return good

    def _ends(self, quantity: Quantity, takes: Takes) -> dict[str, float] | None:
        """Return min, max and max change in the unit of the quantity; None after noting what is wrong."""
        block = self.block
        limits: dict[str, float] = {}
        for name in ("min", "max", "max change"):
            node = block.get(name, Scalar)
            if node is not None:
                value = amount_of(quantity).read(node, block.path(name), self.problems)
                if not isinstance(value, float):
                    return None
                limits[name] = value
        given = [name for name in ("min", "max") if block.given(name)]
        wanted = " or ".join(f"'{sense}'" for sense in takes.senses)
        if not given:
            text = f"neither min nor max: {quantity} needs {wanted}"
            self.problems.add(block.line, block.key, text)
            return None
        if not set(given) & set(takes.senses):
            self._note(given[0], f"{quantity} with '{given[0]}' alone says nothing of a good device; it needs {wanted}")
            return None
        if not takes.both and len(given) > 1:
            other = next(name for name in given if name not in takes.senses)
            self._note(other, f"{quantity} takes {wanted} only (a distance); remove '{other}'")
            return None
        low, high = limits.get("min"), limits.get("max")
        if low is not None and high is not None and low > high:
            self._note("min", f"min {_shown(low, quantity)} is above max {_shown(high, quantity)}")
            return None
        return limits if self._measurable(quantity, limits) else None

    def _measurable(self, quantity: Quantity, limits: dict[str, float]) -> bool:
        """Whether the limit can be told from where the device is looked at."""
        within_hz = self.block.get("within", float)
        span_hz = self.overview_hz[1] - self.overview_hz[0]
        if quantity is Quantity.NOTCH_FREQUENCY and within_hz is not None and limits.get("max", 0.0) >= within_hz:
            self._note("max", f"a notch is looked for within {show_hz(within_hz)}: a limit of that size can never fail")
            return False
        if quantity.unit == "Hz" and quantity is not Quantity.NOTCH_FREQUENCY:
            for name, value in limits.items():
                if value > span_hz:
                    self._note(
                        name, f"{show_hz(value)} is wider than the overview ({show_hz(span_hz)}): nothing measures it"
                    )
                    return False
        most = limits.get("max", 0.0)
        if quantity in (Quantity.INSERTION_LOSS, Quantity.RIPPLE) and most > LOSSIEST_PASS_DB:
            meant = most / 10.0 ** math.floor(math.log10(most))
            text = f"{show(most, DB)} of {quantity} is no limit: every path meets it; is {show_db(meant)} meant?"
            self._note("max", text)
            return False
        if quantity is Quantity.RETURN_LOSS and limits.get("min", 0.0) > BEST_RETURN_LOSS_DB:
            self._note("min", f"nothing on a bench shows more than {show(BEST_RETURN_LOSS_DB, DB)} of return loss")
            return False
        return True

    def _reaches(self, at: str, at_hz: float) -> bool:
        """Whether `within` stays in sight."""
        within_hz = self.block.get("within", float)
        low, high = self.overview_hz
        if within_hz is None or (low <= at_hz - within_hz and at_hz + within_hz <= high):
            return True
        span = f"{show_hz(low)} to {show_hz(high)}"
        text = f"{show_hz(within_hz)} round '{at}' ({show_hz(at_hz)}) reaches outside the overview ({span})"
        self._note("within", f"{text}; is a wider overview meant?")
        return False


def _contradictions(found: list[Requirement], problems: Problems) -> None:
    """Refuse a path that must reject and pass at one frequency (a min above a max, written as two limits)."""
    losses = (Quantity.INSERTION_LOSS, Quantity.REJECTION, Quantity.ISOLATION)
    found = [requirement for requirement in found if requirement.quantity in losses]
    for low in (requirement for requirement in found if requirement.minimum is not None):
        for high in found:
            apart_hz = abs(low.at_hz - high.at_hz) - (low.within_hz or 0.0) - (high.within_hz or 0.0)
            if low.path != high.path or low is high or apart_hz > 0.0 or high.maximum is None:
                continue
            assert low.minimum is not None
            if low.minimum > high.maximum:
                text = (
                    f"{low.hookup_name} at '{low.at}' must lose at least {show(low.minimum, DB)}, and on line "
                    f"{high.line} at most {show(high.maximum, DB)} at '{high.at}'; check the frequencies and 'within'"
                )
                problems.add(low.line, "limits", text)
                break


def _condition(requirement: Requirement) -> str:
    """Return the conditions in words, as they stand in an id: 'within 8 kHz', 'at 70 dB', 'above 3 dB'."""
    parts: list[str] = []
    if requirement.within_hz is not None:
        parts.append(f"within {show(requirement.within_hz, FREQUENCY)}")
    if requirement.level_db is not None:
        parts.append(f"at {show(requirement.level_db, DB)}")
    if requirement.above_db is not None:
        parts.append(f"above {show(requirement.above_db, DB)}")
    return " ".join(parts)


def _shown(value: float, quantity: Quantity) -> str:
    return show(value, DB) if quantity.unit == "dB" else show_hz(value)
