"""What a person does after the last sweep and types in: not measured by this bench; pure.

Power and instruments must never meet, so before anything is keyed it is asked twice, of a person, that every
instrument is off the device. On the simulated bench nothing can be hurt, and `--set` may say it too; `--yes` never
does: it leaves the step not taken. Who comes back to a stopped run is asked anew; what was typed in stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from sequencer.core.history import Answered, Entry, Resumed
from sequencer.core.record import Witnessed
from sequencer.errors import NotchbookError
from sequencer.ports import Question
from sequencer.recipe.model import Recipe, Witness
from sequencer.run.steps import Ask
from sequencer.units import DB, DBM, POWER, TEMPERATURE, TIME, Dimension, parse

__all__ = ["NOT_TAKEN", "is_witness", "questions", "unsaid", "witness_step", "witnessed"]

NOT_TAKEN = "not taken"
_PREFIX = "witnessed "
_NOW, _OFF, _STILL_OFF, _WHO = "now", "disconnected", "disconnected, looked again", "licensed operator"
_YES, _SKIP, _SURE = "now", "skip", "disconnected"
_UNITS: dict[str, Dimension] = {"W": POWER, "min": TIME, "degC": TEMPERATURE, "dB": DB, "dBm": DBM}
_NEVER_NEGATIVE = frozenset({"W", "min"})
_CAUTIONS = (
    "Never key a transmitter while analyzer, generator, bridge or pads are connected: it destroys them and can burn "
    "you.",
    "Only the licensed operator keys, on licensed channels and power, into a dummy load rated for it. Every other port "
    "carries its load or its receiver; covers on, nothing open. Local codes and your licence prevail.",
    "Cavities, loads and leads get hot; RF burns. Stop at arcing, smell or a rising reflected power.",
)


def is_witness(entry: Answered) -> bool:
    """Return whether an answer belongs to a witnessed step, not to the conditions of the run."""
    return entry.question.startswith(_PREFIX)


def questions(recipe: Recipe) -> Mapping[str, Callable[[str], str]]:
    """Return the keys of what --set may answer, each with what says in words what is wrong with an answer, or ''.

    That the instruments are disconnected is taken from --set on a simulated bench only: elsewhere a person is asked.
    """
    return {
        _key(step, name): partial(_wrong, unit=unit)
        for step in recipe.witnessed
        for name, unit in {_NOW: "", _OFF: "", _STILL_OFF: "", _WHO: "", **step.readings}.items()
    }


def unsaid(done: Sequence[Witnessed], history: Sequence[Entry]) -> list[str]:
    """Return, in words, which steps were not taken because nobody said that the instruments are off the device."""
    refused = {e.question for e in history if isinstance(e, Answered) and is_witness(e) and e.answer == NOT_TAKEN}
    return [
        f"{step.name}: not taken, since nobody said that every instrument is disconnected; --yes does not say it"
        for step in done
        if not refused.isdisjoint({f"{_PREFIX}{step.name}: {what}" for what in (_OFF, _STILL_OFF)})
    ]


def witness_step(recipe: Recipe, history: Sequence[Entry], *, simulated: bool) -> Ask | None:
    """Return the next question of the recipe's witnessed steps, None where all are answered."""
    for step in recipe.witnessed:
        asked = _asked(step, history, simulated=simulated)
        if asked is not None:
            return asked
    return None


def witnessed(recipe: Recipe, history: Sequence[Entry]) -> tuple[Witnessed, ...]:
    """Return what was witnessed, from the answers alone: judged by another recipe it was witnessed all the same."""
    told = {step.name: step.do for step in recipe.witnessed}
    steps: dict[str, dict[str, Answered]] = {}
    for entry in history:
        if isinstance(entry, Answered) and is_witness(entry):
            name, _, what = entry.question.removeprefix(_PREFIX).partition(": ")
            steps.setdefault(name, {})[what] = entry
    return tuple(
        Witnessed(
            name=name,
            do=told.get(name, ""),
            at=max(answer.at for answer in answers.values()),
            done=answers[_NOW].answer == _YES
            and all(what in answers and answers[what].answer == _SURE for what in (_OFF, _STILL_OFF)),
            readings={what: answer.answer for what, answer in answers.items() if what not in (_NOW, _OFF, _STILL_OFF)},
        )
        for name, answers in steps.items()
        if _NOW in answers
    )


def _asked(step: Witness, history: Sequence[Entry], *, simulated: bool) -> Ask | None:
    answers = {e.question: e.answer for e in history if isinstance(e, Answered)}
    if answers.get(_key(step, _NOW)) == _SKIP or NOT_TAKEN in (
        answers.get(_key(step, _OFF)),
        answers.get(_key(step, _STILL_OFF)),
    ):
        return None
    wanted = {_WHO: "", **step.readings}
    missing = next((name for name in wanted if _key(step, name) not in answers), None)
    if missing is None:
        return None
    if _key(step, _NOW) not in answers:
        text = f"{step.name}, not measured by this bench: {step.do} Is it done now, or skipped?"
        return _ask(
            step,
            _NOW,
            text,
            "the recipe asks for it; what is skipped is reported as not done",
            _SKIP,
            choices=(_YES, _SKIP),
        )
    here = {e.question for e in _session(history) if isinstance(e, Answered)}
    safe = NOT_TAKEN if simulated else None  # nothing but a person's own word is safe to be keyed on
    sure = (_SURE, NOT_TAKEN) if simulated else (_SURE,)
    if _key(step, _OFF) not in here:
        text = (
            "Are analyzer, generator, bridge and pads disconnected from the device, every lead of theirs off its ports?"
        )
        return _ask(step, _OFF, text, _WHY_OFF, safe, choices=sure, cautions=_CAUTIONS, in_person=not simulated)
    if _key(step, _STILL_OFF) not in here:
        text = (
            "Look again, with a hand on every port: does each lead end at the transmitter, the receiver, a load or a "
            "wattmeter, and none at the analyzer, the generator or the bridge?"
        )
        return _ask(step, _STILL_OFF, text, _WHY_OFF, safe, choices=sure, in_person=not simulated)
    unit = wanted[missing]
    like = f" in {unit}, such as '{_UNITS[unit].example}'" if unit else ""
    text = f"{step.name}: {missing}{like}?"
    return _ask(step, missing, text, "typed in by a person; not measured by this bench", NOT_TAKEN, unit=unit)


_WHY_OFF = "a transmitter keyed into the bench destroys it and can hurt people: asked twice"


def _ask(
    step: Witness,
    what: str,
    text: str,
    why: str,
    safe: str | None,
    *,
    choices: tuple[str, ...] = (),
    cautions: tuple[str, ...] = (),
    in_person: bool = False,
    unit: str = "",
) -> Ask:
    question = Question(
        key=_key(step, what),
        text=text,
        safe_answer=safe,
        choices=choices,
        cautions=cautions,
        in_person=in_person,
        wrong=lambda answer: _wrong(answer, unit),
    )
    return Ask(question=question, why=why, generator_off=what == _OFF)


def _wrong(answer: str, unit: str) -> str:
    """Return what is wrong with a reading, in words, or ''."""
    if not unit or answer == NOT_TAKEN:
        return ""
    try:
        value = parse(answer, _UNITS[unit])
    except NotchbookError as exc:
        return f"{exc.message}; or '{NOT_TAKEN}'"
    return f"{answer} is less than nothing" if unit in _NEVER_NEGATIVE and value < 0.0 else ""


def _key(step: Witness, what: str) -> str:
    return f"{_PREFIX}{step.name}: {what}"


def _session(history: Sequence[Entry]) -> Sequence[Entry]:
    """Return what happened since a person last came to this bench."""
    for number in range(len(history) - 1, -1, -1):
        entry = history[number]
        if isinstance(entry, Resumed) and not entry.itself:
            return history[number + 1 :]
    return history
