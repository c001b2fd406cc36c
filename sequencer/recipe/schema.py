"""JSON Schemas (draft 2020-12) of recipe and bench file, for editors; made from the tables the loader reads.

They accept the text people write and the numbers and dates that YAML makes of some of it. The loader checks
more than a schema can say (names, spans, contradictions): what it accepts, the schema accepts.
"""

from __future__ import annotations

from sequencer.recipe.blocks import Fields
from sequencer.recipe.keys import BENCH, RECIPE
from sequencer.recipe.shapes import Schema

__all__ = ["bench_schema", "recipe_schema"]


def recipe_schema() -> Schema:
    """Return the schema of a recipe.

    Examples
    --------
    >>> recipe_schema()["properties"]["recipe"]["enum"]
    [1, '1']
    """
    return _whole(RECIPE, "recipe", "A Notchbook recipe, version 1")


def bench_schema() -> Schema:
    """Return the schema of a bench file."""
    return _whole(BENCH, "bench", "A Notchbook bench file, version 1")


def _whole(table: Fields, name: str, title: str) -> Schema:
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:notchbook:{name}:1",
        "title": title,
    } | table.schema()
