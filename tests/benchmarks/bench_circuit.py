"""How fast the 2 m duplexer is computed at 10,001 points, beside scikit-rf on the same circuit.

Run ``python tests/benchmarks/bench_circuit.py``. Two scikit-rf figures: built from its own R, L, C, lines and
Circuit (as in the test that both agree), and the shortest way known to us: the cavities' shunt matrices handed over
ready-made, the tee by two connections. Ours starts from the elements' values in both. At least five times as fast
is asked, and is meant of the second: the first says mostly that a general circuit solver does more than is needed.
"""

import importlib.util
import statistics
import time
import warnings
from pathlib import Path

import numpy as np
import skrf
from skrf.network import cascade_list, connect

from instruments.simulated import devices
from sequencer.core.circuit import Line, cascade_s

POINTS = 10_001


def _median_s(call, repeats):
    call()  # warm
    took = []
    for _ in range(repeats):
        began = time.perf_counter()
        call()
        took.append(time.perf_counter() - began)
    return statistics.median(took)


def _test_module():
    path = Path(__file__).parents[1] / "sequencer/core/test_circuit_scikit_rf.py"
    spec = importlib.util.spec_from_file_location("circuit_by_scikit_rf", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main():
    """Print medians and ratios."""
    warnings.simplefilter("ignore")  # scikit-rf's, on its way through an ideal open
    builder = _test_module()
    circuit = devices.build("vhf-600k").circuit
    freq_hz = np.linspace(144e6, 148e6, POINTS)
    frequency = skrf.Frequency.from_f(freq_hz, unit="Hz")
    ready = {e: cascade_s((e,), freq_hz) for leg in circuit.legs for e in leg.elements if not isinstance(e, Line)}

    def short_leg(leg):
        return cascade_list(
            [
                builder._line(frequency, e) if isinstance(e, Line) else skrf.Network(frequency=frequency, s=ready[e])
                for e in leg.elements
            ]
        )

    def short_way():
        to_antenna, from_antenna = (short_leg(leg) for leg in circuit.legs)
        tee = connect(builder._plain(frequency).tee(), 0, to_antenna, 1)
        return connect(tee, 1, from_antenna, 1).s  # ports: TX, RX, ANT (a two-port keeps its place)

    ours_s = circuit.s(freq_hz)
    order = [circuit.index(port) for port in ("TX", "RX", "ANT")]
    assert np.abs(ours_s[:, order][:, :, order] - short_way()).max() < 1e-9
    assert np.abs(ours_s - builder.scikit_rf_s(circuit, freq_hz)).max() < 1e-9

    ours = _median_s(lambda: circuit.s(freq_hz), 40)
    print(f"{POINTS} points, median of warm calls: ours {ours * 1e3:.2f} ms")
    for name, call in (
        ("its own R, L, C, lines and Circuit, as the tests build it", lambda: builder.scikit_rf_s(circuit, freq_hz)),
        ("the shortest way known to us, cavities handed over ready-made", short_way),
    ):
        theirs = _median_s(call, 9)
        print(f"scikit-rf, {name}: {theirs * 1e3:.1f} ms, {theirs / ours:.1f} times ours")


if __name__ == "__main__":
    main()
