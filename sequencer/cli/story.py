"""What the run decided, did and found, one compact line for each journal entry that is worth one."""

from __future__ import annotations

from sequencer.cli.words import listed, plain, settings_range, sweep_name
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
    Stopped,
    Swept,
    Voided,
    Waited,
    Warned,
)
from sequencer.core.record import Statement
from sequencer.units import show_hz

__all__ = ["statement_style", "tell"]

Line = tuple[str, str, str]  # label, text, style


def tell(entry: Entry, told: set[tuple[str, ...]]) -> list[Line]:
    """Return the lines for an entry: (label, text, style). ``told`` remembers which sweeps were already told.

    Repeats of a sweep (averaging) are not told again unless their reason changed; a reason is told once a run.
    """
    match entry:
        case Began():
            lines = [("run", f"{entry.run_id}, {entry.program}, device {entry.serial or 'without a serial'}", "title")]
            if entry.simulated:
                lines.append(("", "SIMULATED, NOT A MEASUREMENT", "warning"))
            return lines
        case Identified():
            return [("bench", f"{role}: {text}", "") for role, text in entry.identification.items()]
        case Answered():
            return [] if entry.by == "operator" else [("answer", f"{entry.question}: {entry.answer} ({entry.by})", "")]
        case Connected():
            told -= {key for key in told if key[0] == entry.hookup.name}  # its sweeps are news again
            return [("hookup", _because(f"{entry.hookup.name} in place, by {entry.by}", entry.why), "")]
        case Adjusted(by="nobody"):
            return [("tracking", _because(f"left as it is at RBW {show_hz(entry.rbw_hz)}", entry.why), "")]
        case Waited():
            return [("waited", _because(f"{entry.seconds / 60.0:.3g} min", entry.why), "")]
        case Dropped():
            told -= {key for key in told if key[:2] == (entry.hookup, entry.key)}
            return [("again", _because(f"{entry.key} of {entry.hookup} does not count", entry.why), "again")]
        case Adjusted():
            return [("tracking", _because(f"adjusted at RBW {show_hz(entry.rbw_hz)} ({entry.by})", entry.why), "")]
        case Swept():
            return _swept(entry, told)
        case Refused():
            return [("again", _because(f"{entry.hookup} is not accepted", entry.why), "again")]
        case Resumed():
            told.clear()  # after a pause everything is news again
            again = f"{entry.hookup} is taken again; " if entry.hookup else ""
            return [("again" if entry.itself else "resumed", f"{again}{entry.why}", "again")]
        case Voided():
            return [("afresh", f"nothing swept before counts any more: {entry.why}", "again")]
        case Warned():
            return [("warning", entry.why, "warning")]
        case Judged():
            text = entry.text if entry.result_id in entry.text else f"{entry.result_id}: {entry.text}"
            return [("result", f"{entry.statement.upper()}: {plain(text)}", statement_style(entry.statement))]
        case MadeSafe(proven=True):
            return [("safe", "generator off, confirmed by the instrument", "")]
        case MadeSafe():
            return [("DANGER", "generator off NOT confirmed: switch it off by hand before touching a lead", "danger")]
        case Stopped():
            return [("stopped", entry.why, "warning")]
        case Finished():
            return [("finished", entry.why, "")]
        case _:
            return []


def _swept(entry: Swept, told: set[tuple[str, ...]]) -> list[Line]:
    key = (entry.hookup, entry.key, entry.role.value, str(entry.repeats), entry.why)
    if key in told:
        return []
    told.add(key)
    used = entry.sweep.used
    flags = f" [{listed(sorted(flag.value for flag in entry.sweep.flags)).upper()}]" if entry.sweep.flags else ""
    often = f", {entry.repeats} times" if entry.repeats > 1 else ""
    what = sweep_name(entry.key, "" if entry.role.value == entry.hookup else entry.role.value)
    text = f"{what}: {settings_range(used)}, RBW {show_hz(used.rbw_hz)}, {used.points} points{often}{flags}"
    reason = ("", "why", entry.key, entry.why)
    known = reason in told
    told.add(reason)
    return [("sweep", _because(text, "" if known else entry.why), "warning" if flags else "")]


def _because(text: str, why: str) -> str:
    return f"{text}; {why}" if why else text


def statement_style(statement: str) -> str:
    """Return the style of a statement; colour only repeats what the word says."""
    if statement in (Statement.PASS, Statement.CONDITIONAL_PASS):
        return "pass"
    return "undecided" if statement == Statement.UNDECIDED else "fail"
