"""The steps of a recipe that a person does and types in; what is left out is that of the usual key-down soak."""

from __future__ import annotations

from sequencer.recipe.blocks import Block
from sequencer.recipe.model import Witness
from sequencer.recipe.problems import Problems

__all__ = ["KEY_DOWN", "READINGS", "read_witnessed"]

KEY_DOWN = (
    "The licensed operator keys the transmitter, on its licensed channel and power, through the duplexer into a dummy "
    "load on the antenna port that is rated for it, and reads the wattmeters and the receiver's desense."
)
READINGS = {  # common practice, no source
    "power": "W",
    "duration": "min",
    "forward power": "W",
    "reflected power": "W",
    "through power": "W",
    "temperature": "degC",
    "desense without power": "dB",
    "desense with power": "dB",
}


def read_witnessed(top: Block, problems: Problems) -> tuple[Witness, ...]:
    """Return the steps; two of one name could not be told apart in the report."""
    steps: dict[str, Witness] = {}
    for block in top.many("steps", Block):
        name = block.word("name")
        if name and name.casefold() in {known.casefold() for known in steps}:
            problems.add(block.at("name"), block.path("name"), f"there are two steps called '{name}'")
        asked = block.block("readings").values or READINGS
        readings = {reading: "" if unit == "words" else str(unit) for reading, unit in asked.items()}
        steps[name] = Witness(name=name, do=block.word("do", KEY_DOWN), readings=readings)
    return tuple(steps.values())
