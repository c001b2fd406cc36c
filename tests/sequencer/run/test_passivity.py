"""A port that reflects little where none of its paths passes: asked once, then nothing is decided on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sequencer.core.record import Statement
from sequencer.core.trace import Trace
from sequencer.run.evaluate import evaluate
from sequencer.run.steps import Connect, Done

FULL_DBM = -26.0  # about what the bridge reads of full reflection here


def test_energy_has_to_go_somewhere(play) -> None:
    """22 dB all over is more than a good load reflects, and a path is not its shape either."""

    rng = np.random.default_rng(1)

    def falsify(step, sweep):
        if step.hookup != "reflect-TX":
            return sweep
        noise = rng.normal(0.0, 0.005, sweep.trace.freq_hz.size)
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, FULL_DBM - 22.0 + noise))

    play.falsify = falsify
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    asked = [s.refused for s in steps if isinstance(s, Connect) and s.refused]
    assert len(asked) == 1
    assert "port TX reflects nothing" in asked[0]
    assert "energy has to go somewhere" in asked[0]
    results = {r.id: r.statement for r in evaluate(play.recipe, play.bench, play.history).results}
    assert results["return loss TX transmit"] is Statement.UNDECIDED
    assert results["return loss RX receive"] is Statement.PASS
