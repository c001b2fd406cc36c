"""What is wrong with a file, collected line by line so that one reading shows every independent typo."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from sequencer.errors import RecipeError

__all__ = ["Problem", "Problems", "did_you_mean", "nearest", "quoted"]

MOST_SHOWN = 20  # more lines than a screen shows help nobody


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong: its line (from 1), the path of its key (list items count from 1), and words."""

    line: int
    key: str
    text: str


class Problems:
    """Collects what is wrong with one file; `raise_if_any` makes one RecipeError of it."""

    def __init__(self, source: str) -> None:
        self.source = source
        self._found: list[Problem] = []

    def __len__(self) -> int:
        return len(self._found)

    @property
    def full(self) -> bool:
        """Whether there are so many that looking for near spellings only costs time."""
        return len(self._found) > 10 * MOST_SHOWN

    def add(self, line: int, key: str, text: str) -> None:
        """Note one problem."""
        self._found.append(Problem(line, key, text))

    def instead(self, line: int, key: str, text: str) -> None:
        """Note the one problem of a key in place of what was noted of it before."""
        self._found = [problem for problem in self._found if (problem.line, problem.key) != (line, key)]
        self.add(line, key, text)

    def error(self) -> RecipeError:
        """Return the error: one line per problem in the order of the file; facts are those of the first."""
        found = sorted(self._found, key=lambda problem: problem.line)
        lines = [f"{self.source}:{p.line}: {f'{p.key}: ' if p.key else ''}{p.text}" for p in found[:MOST_SHOWN]]
        if len(found) > MOST_SHOWN:
            lines.append(f"{self.source}: and {len(found) - MOST_SHOWN} more")
        first = found[0]
        return RecipeError("\n".join(lines), file=self.source, line=first.line, key=first.key, count=len(found))

    def raise_if_any(self) -> None:
        """Raise `error` when something was noted.

        Raises
        ------
        RecipeError
            With every problem noted so far.
        """
        if self._found:
            raise self.error()


def quoted(text: str) -> str:
    """Return the text in quotes, on one line, cut where it is long.

    Examples
    --------
    >>> print(quoted("8 kHz"))
    '8 kHz'
    """
    flat = " ".join(text.split())
    return f"'{flat if len(flat) <= 60 else flat[:57] + '...'}'"


def nearest(word: str, allowed: Iterable[str], alike: float = 0.6) -> str | None:
    """Return the allowed word that is spelled most like this one, None where none is at least so much alike.

    Examples
    --------
    >>> nearest("recieve", ["transmit", "receive"])
    'receive'
    >>> nearest("laed", ["load", "lead"])
    'lead'
    """
    by_folded = {_folded(one): one for one in allowed}
    asked = _folded(word)[:80]
    close = get_close_matches(asked, list(by_folded), n=3, cutoff=alike)
    close.sort(key=lambda one: sorted(one) != sorted(asked))  # letters that only changed places come first
    return by_folded[close[0]] if close else None


def did_you_mean(word: str, allowed: Iterable[str]) -> str:
    """Return '; did you mean ...?' or nothing."""
    near = nearest(word, allowed)
    return f"; did you mean '{near}'?" if near is not None else ""


def _folded(word: str) -> str:
    return word.casefold().replace("_", " ").replace("-", " ")
