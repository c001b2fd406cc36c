"""The Touchstone reader against scikit-rf on the files that package ships, and against the specification's shapes."""

from __future__ import annotations

from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from sequencer.errors import StoredDataError
from sequencer.formats.touchstone import load_touchstone

skrf = pytest.importorskip("skrf")
SHIPPED = sorted((Path(skrf.__file__).parent / "data").glob("*.s[1-9]p"))

# The layout of a two-port of version 2.0 (keywords as the Touchstone File Format Specification 2.0 has them [from
# memory]); numbers are ours.
TWO = """! made for a test
[Version] 2.0
# MHz S RI R 50
[Number of Ports] 2
[Two-Port Data Order] {order}
[Number of Frequencies] 2
[Reference] 50.0
75.0
[Begin Information]
Maker: <b>nobody</b> [x] 1 2 3
[End Information]
[Network Data]
100 0.1 0 0.2 0 0.3 0 0.4 0
200 0.5 0 0.6 0 0.7 0 0.8 0 ! comment
[Noise Data]
4 .7 .64 69 19
[End]
nothing of this is read
"""


V2 = (
    "[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 1\n[Number of Frequencies] 2\n[Network Data]\n"
    "1 .5 0\n2 .25 0\n[End]\n"
)


def _read(path: Path) -> str:
    return path.read_text(encoding="latin-1")


def test_files_are_shipped_to_compare_with() -> None:
    assert len(SHIPPED) >= 15


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.name)
def test_agrees_with_scikit_rf(path: Path) -> None:
    ours = load_touchstone(_read(path), path.name, int(path.suffix[2:-1]))
    theirs = skrf.Network(str(path))
    assert ours.s.shape == theirs.s.shape
    np.testing.assert_allclose(ours.freq_hz, theirs.f, rtol=1e-12)
    np.testing.assert_allclose(ours.s, theirs.s, rtol=0, atol=1e-12)  # both read the same decimal text
    np.testing.assert_allclose(ours.ohm, theirs.z0[0].real)


@pytest.mark.parametrize("form", ["db", "ma", "ri"])
@pytest.mark.parametrize("ports", [1, 2, 3, 4, 5])
def test_reads_what_scikit_rf_writes(tmp_path: Path, form: str, ports: int) -> None:
    rng = np.random.default_rng(ports)
    s = rng.normal(size=(4, ports, ports)) + 1j * rng.normal(size=(4, ports, ports))
    network = skrf.Network(f=np.linspace(1e8, 2e8, 4), f_unit="hz", s=s, z0=50)
    network.write_touchstone(str(tmp_path / "x"), form=form)
    path = tmp_path / f"x.s{ports}p"
    ours = load_touchstone(_read(path), path.name, ports)
    np.testing.assert_allclose(ours.s, s, atol=1e-9)
    np.testing.assert_allclose(ours.freq_hz, network.f)


@pytest.mark.parametrize(("order", "s21"), [("21_12", 0.2), ("12_21", 0.3)])
def test_version_two(order: str, s21: float, tmp_path: Path) -> None:
    text = TWO.format(order=order)
    got = load_touchstone(text, "x.ts")
    assert got.s[0, 1, 0] == s21
    assert got.ohm.tolist() == [50.0, 75.0]
    assert got.freq_hz.tolist() == [100e6, 200e6]
    path = tmp_path / "x.ts"
    kept, _, rest = text.replace("nothing of this is read\n", "").partition("[Begin Information]")
    path.write_text(kept + rest.partition("[End Information]\n")[2])  # scikit-rf reads no information block
    np.testing.assert_allclose(skrf.Network(str(path)).s, got.s)


@pytest.mark.parametrize(("form", "s21"), [("Lower", 3.0), ("Upper", 2.0)])
def test_half_matrices(form: str, s21: float) -> None:
    text = (
        "[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 3\n[Number of Frequencies] 1\n"
        f"[Matrix Format] {form}\n[Network Data]\n1 1 0 {s21} 0 4 0\n5 0 6 0 7 0\n[End]\n"
    )
    s = load_touchstone(text, "x.ts").s[0]
    np.testing.assert_array_equal(s, s.T)
    assert s[1, 0] == s21


def test_noise_data_of_version_one_are_left_out() -> None:
    text = "# GHz S MA R 50\n1 1 0 2 0 3 0 4 0\n2 1 0 2 0 3 0 4 0\n1 .7 .64 69 19\n2 .7 .64 69 19\n"
    got = load_touchstone(text, "x.s2p", 2)
    assert got.freq_hz.tolist() == [1e9, 2e9]


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(V2, id="2.0"),
        pytest.param(V2.replace("[End]\n", ""), id="2.0 as the examples of its specification: no end"),
        pytest.param("# Hz S RI R 50\n1 .5 0\n2 .25 0", id="1.1, no line end behind the last row"),
        pytest.param("# Hz S RI R 50\n1 .5 0.125\n2 .25 0 ! done", id="1.1, a comment at the end"),
    ],
)
def test_a_whole_file_is_read(text: str) -> None:
    assert load_touchstone(text, "x.s1p", 1).s[:, 0, 0].real.tolist() == [0.5, 0.25]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("# HZ Y RI R 50\n1 0 0\n", "Y-parameters", id="other parameters"),
        pytest.param("# HZ S RI R 50\n1 0 0\n2 0\n", "left over", id="short row"),
        pytest.param("# HZ S RI R 50\n2 0 0\n1 0 0\n", "do not rise", id="falling"),
        pytest.param("# HZ S RI R 50\n1 nan 0\n", "not a number", id="nan"),
        pytest.param("# HZ S RI R 50\n1 1e999 0\n", "not a number|finite", id="huge"),
        pytest.param("# HZ S DB R 50\n1 1e9 0\n", "finite", id="overflow"),
        pytest.param("# HZ S RI R\n1 0 0\n", "R without", id="no resistance"),
        pytest.param("# HZ S RI R 0\n1 0 0\n", "resistance", id="zero ohm"),
        pytest.param("# HZ S RI R 50\n", "no network data", id="empty"),
        pytest.param("", "no option line", id="nothing"),
        pytest.param("[Version] 3.0\n", "version", id="newer"),
        pytest.param("[Number of Ports] 1\n", "before", id="keyword first"),
        pytest.param("[Version] 2.0\n# HZ S RI\n[Number of Ports] 2\n", "its name says", id="name disagrees"),
        pytest.param(
            "[Version] 2.0\n# HZ S RI\n[Number of Ports] 1\n[Number of Frequencies] 2\n[Network Data]\n1 0 0\n",
            "announces 2",
            id="too few",
        ),
        pytest.param(V2.replace("[Number of Frequencies] 2\n", ""), "Number of Frequencies. missing", id="no count"),
        pytest.param(V2.replace("[Number of Ports] 1\n", ""), "Number of Ports. missing", id="no ports"),
        pytest.param(V2.replace("2 .25 0\n[End]\n", ""), "announces 2", id="cut after a row"),
        pytest.param(V2.replace("5 0\n[End]\n", ""), "left over", id="cut in a row"),
        pytest.param(V2.replace(" 0\n[End]\n", " 0"), "without .End.", id="cut in the last number"),
        pytest.param(V2.replace("2.0", "2.1").replace("[End]\n", ""), "without .End.", id="no end in 2.1"),
        pytest.param(
            "# HZ S RI R 50\n1 0.25 0.125\n2 -0.25 -0.1", "ends within a line", id="version 1, last number cut"
        ),
    ],
)
def test_refuses(text: str, says: str) -> None:
    with pytest.raises(StoredDataError, match=says):
        load_touchstone(text, "x.s1p", 1)


_WORDS = st.sampled_from(
    [
        *("#", "HZ", "S", "RI", "DB", "R", "50", "1", "2", "-1e5", ".", "!", "[", "]", "\x00", "9" * 50, "1e308", "\r"),
        *("[Version] 2.0", "[Number of Ports] 1", "\n", "[Network Data]", "[Reference]", "[Matrix Format] Lower"),
    ]
)


@given(st.lists(_WORDS, max_size=40).map(" ".join) | st.text(max_size=200), st.integers(1, 3))
@settings(max_examples=300, deadline=None)
def test_whatever_it_is_the_error_is_clear(text: str, ports: int) -> None:
    try:
        got = load_touchstone(text, "x", ports)
    except StoredDataError:
        return
    assert np.all(np.isfinite(got.s))
    assert np.all(np.diff(got.freq_hz) > 0)
