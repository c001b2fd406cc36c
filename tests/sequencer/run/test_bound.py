"""A sweep is asked for only of the hookup that is connected, and a stay has an end whatever the journal says."""

from __future__ import annotations

from dataclasses import replace

from sequencer.core.history import Connected, Role, Swept
from sequencer.run.bound import most_sweeps
from sequencer.run.matrix import plan_for
from sequencer.run.predict import TYPICAL
from sequencer.run.steps import Stop, SweepStep


def test_no_sweep_is_asked_for_under_another_hookups_name(play) -> None:
    """As a journal in which two lines were exchanged did: the floor was swept with the thru connected."""
    play.until(lambda step: isinstance(step, SweepStep) and step.hookup == "floor")
    at = next(n for n in range(len(play.history) - 1, -1, -1) if isinstance(play.history[n], Connected))
    thru = next(e for e in play.history if isinstance(e, Connected))
    play.history.append(replace(thru, check=True))  # a check is no stay, and takes the leads elsewhere
    step = play.step()
    assert isinstance(step, Stop)
    assert "a sweep of floor is asked for, and thru is connected" in step.why
    play.history.append(replace(play.history[at]))  # and back: the run can go on
    assert not isinstance(play.step(), Stop)


def test_a_stay_that_would_never_end_is_stopped_and_says_so(play) -> None:
    """Sweeps that are filed under a role the plan does not ask for never count."""
    play.until(lambda step: isinstance(step, SweepStep) and step.hookup == "floor")
    for _ in range(1000):
        step = play.step()
        if not isinstance(step, SweepStep):
            break
        play.do(step)
        play.history[-1] = replace(play.history[-1], role=Role.STANDARD)
    assert isinstance(step, Stop)
    assert "this hookup was swept" in step.why
    assert "resume" in step.why


def test_the_bound_is_far_above_what_a_run_takes(play) -> None:
    play.whole()
    most = 0
    for number, entry in enumerate(play.history):
        if not isinstance(entry, Connected):
            continue
        after = play.history[number + 1 :]
        end = next((n for n, e in enumerate(after) if isinstance(e, Connected)), len(after))
        taken = sum(isinstance(e, Swept) for e in after[:end])
        bound = most_sweeps(plan_for(play.recipe, play.bench, TYPICAL, play.history), entry.hookup.name)
        assert 5 * taken <= bound
        most = max(most, bound)
    assert most < 2000  # and still soon reached: at some seconds a sweep within the hour
