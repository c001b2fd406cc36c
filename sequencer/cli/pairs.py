"""KEY=VALUE options of the command line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from sequencer.errors import UsageError

__all__ = ["ASKED", "RECORDED", "TRACES", "pairs", "sets_of", "trace_sets"]

ASKED = ("transmitter", "operator", "place", "temperature", "humidity", "soak", "matrix isolation")  # what a run asks
RECORDED = ("laboratory", "customer", "received", "condition on arrival", "sampling", "kit", "note")  # only told

TRACES = (  # what is told of saved traces
    *("settings", "duration", "unit", "normalised", "rbw", "vbw", "sweep time", "attenuation", "reference level"),
    *("generator level", "detector", "averaging", "start", "stop"),
)


def pairs(given: Sequence[str], option: str) -> dict[str, str]:
    """Return the pairs of a repeated option.

    Raises
    ------
    UsageError
        When one is not KEY=VALUE; for a label also when its value is empty, it is given twice, or control is not yes.
    """
    found: dict[str, str] = {}
    for text in given:
        key, equals, value = text.partition("=")
        if not equals or not key.strip():
            msg = f"{option} {text!r}: write KEY=VALUE"
            raise UsageError(msg)
        if option == "--label":
            _check_label(key.strip(), value.strip(), found)
        found[key.strip()] = value.strip()
    return found


def _check_label(key: str, value: str, found: dict[str, str]) -> None:
    """Refuse what a study would misread: it groups by the label's text and takes any control for one."""
    msg = ""
    if not value:
        msg = f"--label {key}=: the value is empty; write {key}=VALUE"
    elif key in found:
        msg = f"--label {key} is given twice ({found[key]!r} and {value!r}): give it once"
    elif key == "control" and value != "yes":
        msg = f"--label control={value}: write control=yes for a control run, and leave the label out otherwise"
    if msg:
        raise UsageError(msg)


def sets_of(
    given: Sequence[str], witness: Mapping[str, Callable[[str], str]] = MappingProxyType({})
) -> tuple[dict[str, str], dict[str, str]]:
    """Return the pairs of --set: (answers to what a run asks, what is recorded besides).

    ``witness``: what the recipe's witnessed steps ask, and what says what is wrong with an answer.

    Raises
    ------
    UsageError
        When a key is neither, with the nearest one; when a condition or a reading is none.
    """
    from sequencer.recipe.problems import did_you_mean
    from sequencer.run.conditions import condition_fault

    readings = {_word(name): wrong for name, wrong in witness.items()}
    asked = (*ASKED, *readings)
    answers: dict[str, str] = {}
    recorded: dict[str, str] = {}
    for key, value in pairs(given, "--set").items():
        word = _word(key)
        if word in TRACES:
            continue  # `trace_sets` has them
        if word in asked:
            fault = readings[word](value) if word in readings else condition_fault(word, value)
            if fault:
                msg = f"--set '{key}={value}': {fault}"
                raise UsageError(msg)
            answers[word] = value
        elif word in RECORDED:
            recorded[word] = value
        else:
            allowed = (*asked, *RECORDED)
            msg = f"--set {key!r}: there is no such thing to set; allowed: {', '.join(allowed)}"
            raise UsageError(msg + did_you_mean(word, allowed))
    return answers, recorded


def trace_sets(given: Sequence[str]) -> dict[str, str]:
    """Return the pairs of --set that tell of saved traces."""
    return {_word(key): value for key, value in pairs(given, "--set").items() if _word(key) in TRACES}


def _word(key: str) -> str:
    return " ".join(key.replace("_", " ").replace("-", " ").casefold().split())
