"""What a record says of the bench: the analyzer's serial number, and the figures stated of leads, pads and bridge."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from reports.words import interval_text, value_text
from sequencer.core.history import Connected, Refused, Resumed, Role, Stopped, Swept, Voided, Warned
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.model import Figure, KitItem
from sequencer.run.evaluate import evaluate
from sequencer.run.recording import _warns, earlier_seconds, make_record, result_text

AT = datetime(2026, 1, 1, tzinfo=UTC)
MENDED = Connected(at=AT, why="once more", hookup=Hookup(name="floor", kind=HookupKind.FLOOR), by="operator")
OTHER = Connected(at=AT, why="", hookup=Hookup(name="thru", kind=HookupKind.THRU), by="operator")


@pytest.mark.parametrize(
    ("answer", "serial"),
    [
        ("MAKER,MODEL,12345,1.0", "12345"),
        ("MAKER,MODEL,0,1.0", None),  # IEEE Std 488.2-1992 10.14: '0' where there is none [clause from memory]
        ("MAKER", None),
    ],
)
def test_equipment_tells_what_is_stated_of_it(play, answer: str, serial: str | None) -> None:
    lead = KitItem(id="L1", what="lead", loss_db=Figure(measured=0.4), vswr=Figure(limit=1.1))
    play.bench = replace(play.bench, kit=(lead,))
    play.predicted.bench = play.bench
    play.history[1] = replace(play.history[1], identification={"analyzer": answer})
    play.whole()
    record = make_record(
        play.recipe, play.bench, play.history, evaluate(play.recipe, play.bench, play.history), wall_seconds=0.0
    )
    items = {item["what"]: item for item in record.equipment}
    assert items["analyzer"].get("serial number") == serial
    assert (items["lead"]["loss"], items["lead"]["VSWR"]) == ("0.4 dB", "1.1")
    assert "directivity" in items["directional bridge"]


@pytest.mark.parametrize(
    ("simulated", "speed", "expected_s"),
    [(False, 0.0, 90.0), (True, 6.0, 15.0), (True, 0.0, 0.0)],
    ids=["real", "paced", "in no time"],
)
def test_a_resumed_run_lasted_as_long_as_its_parts_not_the_time_between(
    play, simulated: bool, speed: float, expected_s: float
) -> None:
    began = replace(play.history[0], simulated=simulated, speed=speed)
    at = [began.at + timedelta(seconds=s) for s in (60.0, 3660.0, 3690.0, 9000.0)]
    again = [Resumed(at=t, why="resumed", program="x", hookup="") for t in (at[1], at[3])]
    stopped = [Stopped(at=t, why="stopped") for t in (at[0], at[2])]
    itself = replace(again[0], itself=True)  # trouble on a link: the same part goes on
    history = [began, itself, stopped[0], again[0], stopped[1], again[1]]
    history[1] = replace(itself, at=began.at)
    assert earlier_seconds(history) == pytest.approx(expected_s)
    assert earlier_seconds(history[:3]) == 0.0
    assert earlier_seconds([]) == 0.0


@pytest.mark.parametrize(
    ("low", "value", "high"), [(65.413, 66.344, 67.051), (1.3712, 1.4571, 1.5608), (20.1, 33.0, 47.0)]
)
def test_what_the_run_decided_is_printed_no_finer_than_the_table(play, low: float, value: float, high: float) -> None:
    play.whole()
    one = evaluate(play.recipe, play.bench, play.history).results[0]
    one = replace(one, value=value, interval=(low, high), bound=None)
    told, _, interval = result_text(one).partition(", 95 % interval ")
    assert told == value_text(one)
    assert interval.replace(" dB to ", " to ") == interval_text(one)


@pytest.mark.parametrize("who", ["analyzer", "switch"])
def test_whoever_says_simulated_makes_the_run_simulated(play, who: str) -> None:
    play.history[0] = replace(play.history[0], simulated=False)
    play.whole()

    def simulated() -> bool:
        done = evaluate(play.recipe, play.bench, play.history)
        return make_record(play.recipe, play.bench, play.history, done, wall_seconds=0.0).simulated

    named = play.history[1]
    play.history[1] = replace(named, identification={"analyzer": "Invented,A,1,1"})
    assert not simulated()
    play.history.append(replace(named, identification={who: "Invented,simulated bench,1,1"}))  # as on resume
    assert simulated()


def test_a_hookup_that_was_redone_is_no_warning_any_more() -> None:
    unmoved = Refused(at=AT, why="nothing seems to have been moved", hookup="floor")
    assert not _warns(unmoved, [MENDED])
    assert _warns(unmoved, [OTHER])  # the run ended on it
    assert _warns(unmoved, [])


def test_a_trace_that_jumped_stays_a_warning() -> None:
    """A joint that moved once may move again, whatever it read when it was taken again."""
    assert _warns(Refused(at=AT, why="jumped by 0.8 dB", hookup="floor", jump_db=0.8), [MENDED])
    assert _warns(Warned(at=AT, why="drift"), [MENDED])
    assert not _warns(MENDED, [])


@pytest.mark.parametrize(
    ("what", "told"),
    [
        ("held", "; the reference was checked and held"),
        ("moved", "; nothing of it counted: all was taken anew"),
        ("stopped", "; that session ended before it was checked whole"),
        ("unasked", "; it was not checked in that session"),
        ("first", "; nothing had been taken before"),
    ],
)
def test_a_resumed_run_says_what_became_of_the_check_of_its_reference(play, what: str, told: str) -> None:
    play.until(lambda step: getattr(step, "hookup", None) == "TX-ANT")
    taken = list(play.history)
    resumed = Resumed(at=AT, why="the run went on", program="x", hookup="")
    swept = next(e for e in taken if isinstance(e, Swept) and e.role is Role.THRU)
    checks = [replace(swept, role=role) for role in (Role.CHECK, Role.TRACKING, Role.CHECK)]
    after = {
        "held": [*checks, swept],
        "moved": [*checks, Voided(at=AT, why="the reference moved by 3 dB"), swept],
        "stopped": [*checks, Stopped(at=AT, why="q")],
        "unasked": [Stopped(at=AT, why="q")],
        "first": [swept],
    }[what]
    play.history = [*(taken if what != "first" else taken[:2]), resumed, *after]
    done = evaluate(play.recipe, play.bench, play.history)
    record = make_record(play.recipe, play.bench, play.history, done, wall_seconds=0.0)
    (warning,) = [text for text in record.warnings if text.startswith("the run went on")]
    assert warning == f"the run went on{told}"
