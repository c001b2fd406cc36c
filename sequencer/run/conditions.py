"""What a run asks about its circumstances, what counts as an answer, and how an answer is taken back; pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sequencer.core.history import Answered, Entry
from sequencer.errors import NotchbookError
from sequencer.ports import BACK, Question
from sequencer.units import PERCENT, TEMPERATURE, TIME, Dimension, parse

__all__ = ["CONDITIONS", "NOT_RECORDED", "SHOWN", "answers", "condition_fault", "condition_question"]

NOT_RECORDED = "not recorded"
SHOWN = "conditions"  # asked last, of whoever typed one of them in: the last answer can be taken back, too

_TEXTS = {
    "operator": "Who measures?",
    "place": "Where (bench, site, vehicle)?",
    "temperature": "Temperature at the device (for example 21 degC)?",
    "humidity": "Relative humidity (for example 45 %)?",
    "soak": "How long have bench and device been warming up (for example 30 min)?",
}
_NUMBERS: dict[str, tuple[Dimension, float, float, str]] = {  # where people and instruments can be at all
    "temperature": (TEMPERATURE, -50.0, 70.0, "-50 to 70 degC"),
    "humidity": (PERCENT, 0.0, 1.0, "0 to 100 %"),
    "soak": (TIME, 0.0, 30.0 * 86400.0, "0 min to 720 h"),
}


def condition_question(history: Sequence[Entry]) -> Question | None:
    """Return the next question, None where all are answered."""
    known = answers(history)
    key = next((key for key in _TEXTS if key not in known), None)
    back = any(known[name].by == "operator" for name in _TEXTS if name in known)
    if key is not None:
        return Question(key=key, text=_TEXTS[key], safe_answer=NOT_RECORDED, wrong=_FAULTS[key], back=back)
    typed = any(known[name].by == "operator" and known[name].answer != NOT_RECORDED for name in _TEXTS)
    if not typed or SHOWN in known:
        return None
    told = "; ".join(f"{name}: {known[name].answer}" for name in _TEXTS)
    return Question(key=SHOWN, text=f"For the report: {told}.", safe_answer="right", back=True)


def answers(history: Sequence[Entry]) -> dict[str, Answered]:
    """Return the answers that stand, by question: the last one to each, less what the person took back."""
    stands: dict[str, Answered] = {}
    for entry in history:
        if not isinstance(entry, Answered):
            continue
        if entry.answer != BACK:
            stands[entry.question] = entry
            continue
        while (last := next((key for key in reversed(stands) if key in _TEXTS), None)) is not None:
            if stands.pop(last).by == "operator":  # what stands by an option would only be answered by it again
                break
    return stands


def condition_fault(key: str, answer: str) -> str:
    """Return what is wrong with an answer, and what is allowed; '' for a good one."""
    if key not in _NUMBERS or answer.strip().casefold() == NOT_RECORDED:
        return ""
    dimension, least, most, allowed = _NUMBERS[key]
    try:
        value = parse(answer, dimension)
    except NotchbookError as exc:
        return f"{exc.message}; or {NOT_RECORDED!r}"
    return "" if least <= value <= most else f"{answer!r} cannot be; allowed: {allowed}, or {NOT_RECORDED!r}"


def _fault_of(key: str) -> Callable[[str], str]:
    return lambda answer: condition_fault(key, answer)


CONDITIONS = tuple(_TEXTS)
_FAULTS = {key: _fault_of(key) for key in _TEXTS}  # made once: equal questions compare equal
