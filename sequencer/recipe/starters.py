"""Where a recipe's text comes from: a file, or a starter that ships with the package."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from sequencer.errors import RecipeError, UsageError
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.problems import did_you_mean, quoted
from sequencer.recipe.yaml_text import MOST_CHARACTERS, decode

__all__ = ["read_recipe", "read_text", "starter_names", "starters"]


def starter_names() -> list[str]:
    """Return the names of the starters, sorted."""
    entries = _folder().iterdir()
    return sorted(entry.name.removesuffix(".yaml") for entry in entries if entry.name.endswith(".yaml"))


def starters() -> list[tuple[str, str]]:
    """Return (name, title) of each starter, sorted by name."""
    return [(name, load_recipe(*read_recipe(name)).title) for name in starter_names()]


def read_recipe(argument: str) -> tuple[str, str]:
    """Return (text, source) of a recipe: a path if it has a slash or ends in .yaml, else a starter's name.

    Raises
    ------
    UsageError
        When there is no starter of that name.
    RecipeError
        When the file cannot be read.
    """
    if "/" in argument or "\\" in argument or argument.endswith((".yaml", ".yml")):
        return read_text(argument, "recipe")
    names = starter_names()
    if argument not in names:
        here = f"; a file of that name is meant by './{argument}'" if _exists(argument) else ""
        hint = here or did_you_mean(argument, names)
        allowed = f"a path such as ./my.yaml, or one of {', '.join(names)}"
        msg = f"no starter recipe is called {quoted(argument)} (allowed: {allowed}){hint}"
        raise UsageError(msg, argument=argument)
    source = f"{argument}.yaml"
    return decode((_folder() / source).read_bytes(), source), source


def read_text(path: str, what: str = "bench") -> tuple[str, str]:
    """Return (text, source) of a recipe or bench file; ``what`` names it in messages.

    Raises
    ------
    RecipeError
        When it cannot be opened, is far too large, or is not UTF-8.
    """
    try:
        if Path(path).is_fifo():  # whoever writes to it may never come
            msg = f"{path}: the {what} file is a pipe, not a file; save its text as a file first"
            raise RecipeError(msg, file=path)
        with Path(path).open("rb") as file:
            raw = file.read(4 * MOST_CHARACTERS + 1)  # at most four bytes a character; never all of a device file
    except (OSError, ValueError) as exc:  # ValueError: a NUL in the name
        reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
        msg = f"{path}: the {what} file cannot be read: {reason}"
        raise RecipeError(msg, file=path) from exc
    return decode(raw, path), path


def _folder() -> Traversable:
    """Where the starters are: in the installed package, or beside it in a checkout that was not installed."""
    try:
        return files("sequencer.starters")
    except ModuleNotFoundError:
        return Path(__file__).parents[2] / "recipes"


def _exists(path: str) -> bool:
    try:
        return Path(path).is_file()
    except (OSError, ValueError):
        return False
