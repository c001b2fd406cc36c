"""Circuit and resonator against published or independently derived values; the source stands beside each."""

import math

import numpy as np
import pytest

from sequencer.core.circuit import BpBrCavity, Line, PassCavity, RejectCavity, cascade_s
from sequencer.core.resonator import ALUMINIUM, COPPER, coaxial_q, skin_depth_m

LIGHT = 299_792_458.0
Y_30_DB = 2 * (10**1.5 - 1)  # 30 dB = 20 log(1 + y/2)


def _loss_db(elements, freq_hz):
    return -20 * np.log10(np.abs(cascade_s(tuple(elements), np.atleast_1d(freq_hz))[:, 1, 0]))


def test_skin_depth_of_aluminium_at_10_ghz():
    """Pozar, Microwave Engineering, example 1.2: 8.14e-7 m (read in a public quotation).

    The book cuts 8.147 to three digits instead of rounding: one unit of the last digit is allowed.
    """
    assert skin_depth_m(10e9, ALUMINIUM) == pytest.approx(8.14e-7, abs=0.01e-7)


def test_q_of_the_filled_coaxial_resonator():
    """Pozar, Microwave Engineering, example 6.1: Q = 1218 (a = 1 mm, b = 4 mm, PTFE 2.08 and 0.0004, 5 GHz).

    The example rounds its attenuations to three digits: 0.5 % of 1218 is allowed.
    """
    assert coaxial_q(4e-3, 1e-3, 5e9, COPPER, loss_tangent=0.0004) == pytest.approx(1218, abs=6)


def test_best_diameter_ratio_of_an_air_line():
    """Textbook value 3.59 (Pozar, Microwave Engineering, chapter 2); exactly the root of ln x = 1 + 1/x, 3.59112.

    On a grid of 0.001 the best ratio is found within half a step.
    """
    ratios = np.arange(2.0, 6.0, 0.001)
    q = [coaxial_q(0.05, 0.05 / ratio, 146e6, COPPER) for ratio in ratios]
    assert ratios[int(np.argmax(q))] == pytest.approx(3.59112, abs=0.0006)


def test_unloaded_q_from_the_transmission_of_a_pass_cavity():
    """Qu = QL / (1 - 10^(-IL/20)): QL 520 and IL 1.0 dB give 4781.65.

    Kajfez et al., IEEE Trans. MTT 47(3), 1999, and NPL Report MAT 58 (2021) treat the method; equation derived.
    A cavity of that Qu, its coupling set for 1.0 dB, must show a 3 dB width of f/520. One part in 1000: the loops'
    own reactance (here 1/500 of 50 ohm) is not in the formula.
    """
    f0, qu = 450e6, 4781.65
    loop_h = 0.1 / (2 * math.pi * f0)
    peak = 25.0 / (10 ** (1.0 / 20) - 1)  # ohm across 25 ohm for 1 dB
    cavity = PassCavity(resonance_hz=f0, unloaded_q=qu, coupling=math.sqrt(peak / (0.1 * qu)), loop_h=loop_h)
    freq = np.linspace(f0 - 1e6, f0 + 1e6, 200_001)
    loss = _loss_db([cavity], freq)
    inside = freq[loss <= loss.min() + 10 * math.log10(2)]
    assert loss.min() == pytest.approx(1.0, abs=0.001)
    assert freq[loss.argmin()] / (inside[-1] - inside[0]) == pytest.approx(520, rel=1e-3)


@pytest.mark.parametrize(
    ("spacing", "expected_db"),
    [
        # S21 = 2/(2 + 2y): derived, and cross-checked with scikit-rf (check value P18): 35.8822 dB
        pytest.param(0.0, 35.8822, id="no-spacing"),
        # quarter wave: 20 log(1 + y + y^2/2) with y = Z0/Rn, derived: sum of both and nearly 6 dB
        pytest.param(0.25, 20 * math.log10(1 + Y_30_DB + Y_30_DB**2 / 2), id="quarter-wave"),
    ],
)
def test_two_resistive_notches_of_30_db(spacing, expected_db):
    """How two equal notches add; exact formulas, so only rounding of the printed digits is allowed."""
    f0 = 146e6
    resistance = 25.0 / (10**1.5 - 1)
    cavity = RejectCavity(resonance_hz=f0, unloaded_q=1000, inductance_h=1000 * resistance / (2 * math.pi * f0))
    assert _loss_db([cavity], f0)[0] == pytest.approx(30.0, abs=1e-9)
    between = Line(length_m=spacing * LIGHT / f0, velocity_factor=1.0)
    assert _loss_db([cavity, between, cavity], f0)[0] == pytest.approx(expected_db, abs=6e-5)


def test_pass_loss_and_notch_of_a_bpbr_cavity_trade_along_the_invariant():
    """Qu 4500, pass 147.000 MHz at 0.35 dB, notch 146.400 MHz: 35.08 dB (check value P20).

    Rp/Rn = 1 + (2 Qu df/f)^2: equivalent circuit derived, not from a publication. 0.1 dB: the formula takes 1/f as
    constant over the split, our tank does not.
    """
    qu, f_pass, f_notch, loop_h = 4500, 147.0e6, 146.4e6, 60e-9
    peak = 25.0 / (10 ** (0.35 / 20) - 1)
    coupling = math.sqrt(peak / (2 * math.pi * f_pass * loop_h * qu))
    cavity = BpBrCavity.with_notch_at(f_notch, resonance_hz=f_pass, unloaded_q=qu, coupling=coupling, loop_h=loop_h)
    freq = np.linspace(f_notch - 20e3, f_notch + 20e3, 40_001)
    loss = _loss_db([cavity], freq)
    assert loss.max() == pytest.approx(35.0801, abs=0.1)
    assert freq[loss.argmax()] == pytest.approx(f_notch, abs=1e3)  # the trimmer puts it there
    by_formula = 20 * math.log10(1 + (25 / peak) * (1 + (2 * qu * 0.6 / 146.7) ** 2))
    assert by_formula == pytest.approx(35.08, abs=0.1)


def test_depth_missed_between_the_points_of_a_coarse_grid():
    """Three aligned notches, Qu 4500 at 146.4 MHz, half-way between points of 10 MHz / 600: 3.036 dB missed.

    n 10 log(1 + (2 offset Qu / f)^2), derived (check value P23) for notches that do not talk to each other. Here
    they do, over exact quarter waves: 0.05 dB is allowed for that, with 35 dB notches.
    """
    f0, qu = 146.4e6, 4500
    resistance = 25.0 / (10 ** (35 / 20) - 1)
    cavity = RejectCavity(resonance_hz=f0, unloaded_q=qu, inductance_h=qu * resistance / (2 * math.pi * f0))
    quarter = Line(length_m=LIGHT / f0 / 4, velocity_factor=1.0)
    offset = 10e6 / 600 / 2
    loss = _loss_db([cavity, quarter, cavity, quarter, cavity], np.array([f0, f0 + offset]))
    assert loss[0] - loss[1] == pytest.approx(3.03639, abs=0.05)


def test_q_of_large_copper_cavities():
    """Ideal copper, x = 3.59: 7700 for b = 76 mm at 146 MHz, 11100 for b = 62.5 mm at 445 MHz.

    Trade notes 7.6, computed there from the same textbook formula by another program; printed to two digits.
    """
    assert coaxial_q(76e-3, 76e-3 / 3.59, 146e6, COPPER) == pytest.approx(7700, rel=0.01)
    assert coaxial_q(62.5e-3, 62.5e-3 / 3.59, 445e6, COPPER) == pytest.approx(11100, rel=0.01)
