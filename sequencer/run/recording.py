"""From a journal and its evaluation to the record that is stored and rendered; pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from sequencer.core.conformity import describe
from sequencer.core.history import (
    Adjusted,
    Answered,
    Began,
    Connected,
    Dropped,
    Entry,
    Finished,
    Identified,
    Judged,
    MadeSafe,
    Refused,
    Resumed,
    Role,
    SavedTrace,
    Stopped,
    Swept,
    Voided,
    Waited,
    Warned,
)
from sequencer.core.hookup import HookupKind
from sequencer.core.record import Bound, HookupRecord, JournalNote, Record, Result, TraceRecord
from sequencer.core.told import interval_text, percent, value_text
from sequencer.errors import StoredDataError
from sequencer.formats.journal import kind_of
from sequencer.recipe.model import Bench, Figure, Recipe
from sequencer.run.conditions import SHOWN, answers
from sequencer.run.evaluate import Evaluation, overall
from sequencer.run.fittings import chain, loads
from sequencer.run.mating import mated
from sequencer.run.saved import saved_in
from sequencer.run.standards import standard_reading
from sequencer.run.tracking import NOBODY
from sequencer.run.visits import sweeps_of
from sequencer.run.windows import OVERVIEW
from sequencer.run.witness import is_witness, unsaid, witnessed
from sequencer.units import show_hz

__all__ = ["earlier_seconds", "make_record", "result_text", "says_simulated"]

_CHECKING = frozenset({Role.CHECK, Role.TRACKING})
_FROM_FILES = (
    "The sweeps were read from files, not taken by this program: that a hookup stood, and every setting that a file "
    "does not carry, is as the operator says."
)


def result_text(result: Result) -> str:
    """Return a result in words, as the report writes it: '1.21 dB, 95 % interval 1.12 to 1.31 dB', '≥ 92.4 dB'."""
    if result.value is None:
        return value_text(result) if result.bound is Bound.AT_LEAST else "not measured"
    return f"{value_text(result)}, {percent(result.coverage)} interval {interval_text(result)}"


def earlier_seconds(history: Sequence[Entry]) -> float:
    """Return how long the earlier parts of a resumed run took, in seconds, without the time between them.

    By the journal's clock; that of a simulated bench is paced, and costs no wall time at all where its speed is 0.
    """
    began = next((e for e in history if isinstance(e, Began)), None)
    if began is None:
        return 0.0
    starts = [0, *(n for n, e in enumerate(history) if isinstance(e, Resumed) and not e.itself)]
    whole_s = sum((history[end - 1].at - history[start].at).total_seconds() for start, end in pairwise(starts))
    if began.simulated:
        return whole_s / began.speed if began.speed > 0.0 else 0.0
    return max(whole_s, 0.0)


def says_simulated(identification: Mapping[str, str]) -> bool:
    """Whether a simulated bench answered, analyzer or switch: it says so itself, however it was reached."""
    return any("simulated bench" in answer for answer in identification.values())


def make_record(
    recipe: Recipe, bench: Bench, history: Sequence[Entry], done: Evaluation, *, wall_seconds: float
) -> Record:
    """Return the record of a run.

    Raises
    ------
    StoredDataError
        When the journal has no beginning.
    """
    began = next((e for e in history if isinstance(e, Began)), None)
    if began is None:
        msg = "the journal has no beginning, so there is nothing to record"
        raise StoredDataError(msg)
    conditions = dict(began.conditions)
    said = answers(history)
    conditions |= {key: e.answer for key, e in said.items() if key != SHOWN and not is_witness(e)}
    identification: dict[str, str] = {}
    for entry in history:
        if isinstance(entry, Identified):
            identification |= entry.identification
    finished = any(isinstance(e, Finished) for e in history)
    swept = [e for e in history if isinstance(e, Swept)]
    saved = {trace.source: trace for trace in saved_in(history)}
    warnings = [_FROM_FILES] if saved else []
    warnings += [e.why + _outcome(e, history, n) for n, e in enumerate(history) if _warns(e, history[n + 1 :])]
    warnings += [e.why for e in history if isinstance(e, MadeSafe) and not e.proven]
    steps = witnessed(recipe, history)
    warnings += unsaid(steps, history)
    warnings += [w for w in done.warnings if w not in warnings]
    return Record(
        program=began.program,
        run_id=began.run_id,
        simulated=began.simulated
        or any(says_simulated(e.identification) for e in history if isinstance(e, Identified)),
        overall=overall(done.results),
        complete=finished,
        title=recipe.title or recipe.name,
        recipe_name=recipe.name,
        recipe_text=recipe.text,
        recipe_sha256=recipe.sha256,
        bench_text=bench.text,
        bench_sha256=bench.sha256,
        decision=describe(recipe.decision),
        coverage=recipe.decision.coverage,
        serial=began.serial,
        conditions=conditions,
        labels=began.labels,
        identification=identification,
        equipment=tuple(_equipment(bench, identification, reflected=_reflected(history))),
        frequencies=dict(recipe.frequencies),
        ports=recipe.ports,
        began=began.at,
        ended=history[-1].at,
        instrument_seconds=sum(e.sweep.instrument_s for e in swept),
        wall_seconds=wall_seconds,
        hookups=tuple(_hookups(history, bench)),
        traces=tuple(_trace(e, saved) for e in swept),
        notes=tuple(_notes(history)),
        warnings=tuple(dict.fromkeys(warnings)),
        results=done.results,
        probability_conforming=done.probability_conforming,
        witnessed=steps,
        resumed=sum(isinstance(e, Resumed) and not e.itself for e in history),
    )


def _warns(entry: Entry, after: Sequence[Entry]) -> bool:
    """Return whether an entry is still a warning at the end: a hookup that was mended is told among the hookups."""
    if isinstance(entry, Refused) and not entry.jump_db:
        return not any(isinstance(e, Connected) and e.hookup.name == entry.hookup for e in after)
    return isinstance(entry, Warned | Refused | Voided | Resumed)


def _outcome(entry: Entry, history: Sequence[Entry], number: int) -> str:
    """Return, of a run that went on, what became of the check of its reference; '' of any other entry."""
    if not isinstance(entry, Resumed):
        return ""
    if not any(isinstance(e, Swept) for e in history[:number]):
        return "; nothing had been taken before"
    after = history[number + 1 :]
    session = after[: next((n for n, e in enumerate(after) if isinstance(e, Resumed)), len(after))]
    if any(isinstance(e, Voided) for e in session):
        return "; nothing of it counted: all was taken anew"
    if not any(isinstance(e, Swept) and e.role is Role.CHECK for e in session):
        return "; it was not checked in that session"
    went_on = any(isinstance(e, Judged) or (isinstance(e, Swept) and e.role not in _CHECKING) for e in session)
    return "; the reference was checked and held" if went_on else "; that session ended before it was checked whole"


def _hookups(history: Sequence[Entry], bench: Bench) -> list[HookupRecord]:
    records: list[HookupRecord] = []
    for number, entry in enumerate(history):
        if not isinstance(entry, Connected):
            continue
        after = history[number + 1 :]
        end = next((n for n, e in enumerate(after) if isinstance(e, Connected)), len(after))
        refused = next((e for e in after[: end + 1] if isinstance(e, Refused)), None)
        count = sum(isinstance(e, Swept) for e in after[:end])
        proof = f"refused: {refused.why}" if refused else f"its first sweep is plausible; {count} sweeps"
        hookup = entry.hookup
        if hookup.kind is HookupKind.STANDARD and refused is None:
            key = next((e.key for e in after[:end] if isinstance(e, Swept) and e.key != OVERVIEW), OVERVIEW)
            proof = standard_reading(hookup, key, bench, sweeps_of(history))[0] or proof
        if hookup.re_mated and refused is None and (seen := mated(sweeps_of(history), bench)) is not None:
            proof = seen.text
        records.append(
            HookupRecord(
                name=hookup.name,
                kind=hookup.kind.value,
                chain=chain(hookup, bench),
                loads=loads(hookup, bench),
                confirmed_by=entry.by,
                at=entry.at,
                proof=proof,
            )
        )
    return records


def _reflected(history: Sequence[Entry]) -> bool:
    return any(isinstance(e, Connected) and e.hookup.kind is HookupKind.REFLECT for e in history)


def _trace(entry: Swept, saved: Mapping[str, SavedTrace]) -> TraceRecord:
    return TraceRecord(
        file=entry.file,
        sha256=entry.sha256,
        hookup=entry.hookup,
        key=entry.key,
        role=entry.role.value,
        began=entry.sweep.began,
        used=entry.sweep.used,
        flags=tuple(sorted(flag.value for flag in entry.sweep.flags)),
        source=saved.get(entry.source),
    )


def _notes(history: Sequence[Entry]) -> list[JournalNote]:
    """Everything the run did, once: repeats of one sweep become one line with their number."""
    notes: list[JournalNote] = []
    runs: dict[tuple[str, str, str], int] = {}
    for entry in history:
        what = _what(entry)
        if isinstance(entry, Swept):
            what = f"{entry.hookup}: {entry.key}, {entry.role.value}"
            where = (entry.hookup, entry.key, entry.role.value)
            if notes and notes[-1].kind == "swept" and notes[-1].what.startswith(what):
                runs[where] += 1
                text = f"{what}, {runs[where]} times"
                notes[-1] = JournalNote(at=notes[-1].at, kind="swept", what=text, why=notes[-1].why)
                continue
            runs[where] = 1
            notes.append(JournalNote(at=entry.at, kind="swept", what=what, why=entry.why))
        elif what:
            kind = kind_of(entry)
            notes.append(JournalNote(at=entry.at, kind=kind, what=what, why=entry.why))
    return notes


def _what(entry: Entry) -> str:
    match entry:
        case Began():
            return f"run {entry.run_id} begun by {entry.program}"
        case Identified():
            return "instruments identified"
        case Answered():
            return f"asked for {entry.question}: {entry.answer} ({entry.by})"
        case Connected():
            return f"hookup {entry.hookup.name} in place, by {entry.by}"
        case Refused():
            return f"hookup {entry.hookup} refused"
        case Adjusted():
            if entry.by == NOBODY:
                return f"tracking left as it is at {show_hz(entry.rbw_hz)} RBW"
            return f"tracking adjusted at {show_hz(entry.rbw_hz)} RBW, by {entry.by}"
        case Waited():
            return f"waited {entry.seconds / 60.0:.3g} min"
        case Dropped():
            again = "taken again, slower" if entry.slower > 1.0 else "no longer counts"
            return f"{entry.hookup}: {entry.key}, {entry.role.value}: {again}"
        case Resumed():
            again = f", {entry.hookup} taken again" if entry.hookup else ""
            return f"new session after trouble{again}" if entry.itself else f"run resumed{again}"
        case Voided():
            return "what was swept before no longer counts"
        case Warned():
            return "warning"
        case Judged():
            return f"{entry.result_id}: {entry.text}: {entry.statement}"
        case MadeSafe():
            return "generator off"
        case Stopped():
            return "run stopped before its end"
        case Finished():
            return "run finished"
        case _:
            return ""


def _equipment(bench: Bench, identification: Mapping[str, str], *, reflected: bool) -> list[Mapping[str, str]]:
    """What the measurement was made with, and what is stated of it."""
    analyzer = {"what": "analyzer", "id": bench.analyzer.resource, "calibrated": bench.analyzer.calibrated}
    items = [analyzer | _told(serial=_serial(identification.get("analyzer", "")), vswr=bench.analyzer.vswr)]
    for name, pad in (("generator lead's pad", bench.generator_pad), ("analyzer lead's pad", bench.analyzer_pad)):
        if pad is not None:
            what = f"{name}, {pad.loss_db:g} dB"
            items.append({"what": what, "id": pad.id, "calibrated": ""} | _told(vswr=pad.vswr))
    bridge = bench.bridge
    if bridge is not None and reflected:
        told = _told(directivity=bridge.directivity_db, vswr=bridge.test_port_vswr)
        items.append({"what": "directional bridge", "id": bridge.id, "calibrated": bridge.calibrated} | told)
    for item in bench.kit:
        own = {"what": item.what, "id": item.id, "calibrated": item.calibrated}
        items.append(own | _told(loss=item.loss_db, value=item.value_db, vswr=item.vswr))
    return list(items)


def _told(serial: str = "", **figures: Figure | float | None) -> dict[str, str]:
    """Return what is known under the word it is printed with; levels in dB, a VSWR bare."""
    told = {"serial number": serial} if serial else {}
    for name, figure in figures.items():
        if figure is not None:
            worst = figure.worst if isinstance(figure, Figure) else figure
            told["VSWR" if name == "vswr" else name] = f"{worst:g}" if name == "vswr" else f"{worst:g} dB"
    return told


def _serial(identification: str) -> str:
    """Return the third field of *IDN?; '0' stands for none (IEEE Std 488.2-1992 10.14 [clause from memory])."""
    fields = [field.strip() for field in identification.split(",")]
    return fields[2] if len(fields) > 2 and fields[2] != "0" else ""
