"""Touchstone 1.1 and 2.0 text to S-parameters: a small strict reader.

Reading a measurement is measurement, so it is ours: a library would bring much else along, and forgives what must not
be forgiven here (a row that is too short, a frequency that goes back). Sources: Touchstone File Format Specification,
versions 1.1 and 2.0 (IBIS Open Forum) [clauses from memory]; compared with scikit-rf in the tests. Whether [End] must
stand in version 2.0 its text leaves open (the Forum's issue resolution TSIRD 4.1 says so); 2.1 requires it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from sequencer.core.trace import FloatArray, own
from sequencer.errors import StoredDataError

__all__ = ["MOST_PORTS", "Touchstone", "load_touchstone"]

MOST_PORTS = 16
_UNITS = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
_FORMATS = ("DB", "MA", "RI")
_NOISE_COLUMNS = 5
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?\Z", re.ASCII)
_KEYWORD = re.compile(r"\[([^\]]{1,60})\]\s*(.*)\Z", re.DOTALL)


@dataclass(frozen=True, slots=True, eq=False)
class Touchstone:
    """S-parameters: ``s`` (n, ports, ports) complex, ``s[k, i, j]`` from port j to port i; ``ohm`` (ports,)."""

    freq_hz: FloatArray
    s: NDArray[np.complex128]
    ohm: FloatArray
    comments: tuple[str, ...]

    @property
    def ports(self) -> int:
        """How many ports it has."""
        return int(self.s.shape[1])


@dataclass(slots=True)
class _Head:
    unit: float = 1e9  # the defaults of the option line: GHz, S, MA, 50 ohm
    form: str = "MA"
    ohm: float = 50.0
    options: bool = False
    version: str = ""
    ports: int = 0
    order: str = ""
    frequencies: int | None = None
    matrix: str = "FULL"
    reference: list[float] | None = None
    counted: bool = False  # [Number of Ports] was there
    ended: bool = False


def load_touchstone(text: str, where: str, ports: int | None = None) -> Touchstone:
    """Return what the text holds; ``ports`` is what the file's name says (.s3p), where it says so.

    Raises
    ------
    StoredDataError
        Naming file and line, for anything that is not Touchstone, or not S-parameters.
    """
    head, comments = _Head(ports=ports or 0), []
    numbers: list[float] = []
    lines: list[int] = []
    reading = ""  # which block of numbers we are in: 'reference', 'network', 'noise' or none yet
    information = False
    for number, raw in enumerate(re.split(r"\r\n|\n|\r", text), 1):
        line, bang, comment = raw.partition("!")
        if bang and comment.strip():
            comments.append(comment.strip())
        line = line.strip()
        if not line or head.ended:
            continue
        keyword = _KEYWORD.match(line)
        if keyword is not None:
            name = " ".join(keyword[1].upper().split())
            if name in ("BEGIN INFORMATION", "END INFORMATION"):
                information = name.startswith("BEGIN")
            elif not information:
                reading = _keyword(head, name, keyword[2], ports, f"{where}:{number}")
                if reading == "reference" and head.reference is not None:
                    head.reference += _numbers(keyword[2], f"{where}:{number}")
        elif information:
            continue
        elif line.startswith("#"):
            if not head.options:  # others are ignored (specification 1.1)
                _options(head, line[1:], f"{where}:{number}")
        elif reading == "reference" and head.reference is not None:
            head.reference += _numbers(line, f"{where}:{number}")
        elif reading == "noise":
            continue
        else:
            found = _numbers(line, f"{where}:{number}")
            if head.version and reading != "network":
                _refuse(f"{where}:{number}", "numbers before [Network Data]")
            numbers += found
            lines += [number] * len(found)
    made = _made(head, numbers, lines, comments, where)
    _refuse_cut(head, text, where)
    return made


def _refuse_cut(head: _Head, text: str, where: str) -> None:
    """Refuse a file that ends before its end: what is left of its last number may be a number too.

    A file of version 1 tells neither its rows nor its end. One that ends within a line is held against its own form:
    analyzers write a number of one kind in one width.
    """
    whole = text.endswith(("\n", "\r"))
    if head.version:
        if not head.ended and (head.version != "2.0" or not whole):
            _refuse(
                where, f"ends without [End], which version {head.version} has as its last line: save it again, whole"
            )
        return
    rows = [words for line in re.split(r"[\r\n]+", text) if (words := line.partition("!")[0].split())]
    last = rows[-1]
    above = [len(words[-1].lstrip("+-")) for words in rows[:-1] if len(words) == len(last) and _NUMBER.match(words[-1])]
    if not whole and "!" not in text.rpartition("\n")[2] and above and len(last[-1].lstrip("+-")) < min(above):
        _refuse(
            where,
            f"ends within a line, and its last number, {last[-1][:30]!r}, is shorter than those above: save it again",
        )


def _options(head: _Head, text: str, where: str) -> None:
    head.options = True
    words = iter(text.upper().split())
    for word in words:
        if word in _UNITS:
            head.unit = _UNITS[word]
        elif word in _FORMATS:
            head.form = word
        elif word == "R":
            (head.ohm,) = _numbers(next(words, ""), where)[:1] or (_refuse(where, "R without a resistance"),)
        elif word in ("Y", "Z", "G", "H"):
            _refuse(where, f"holds {word}-parameters; save S-parameters instead")
        elif word != "S":
            _refuse(where, f"{word[:20]!r} is no word of an option line")


def _keyword(head: _Head, name: str, rest: str, ports: int | None, where: str) -> str:
    """Take one keyword of version 2.0 in; return which block of numbers begins."""
    if name == "VERSION":
        if rest.strip() not in ("2.0", "2.1"):
            _refuse(where, f"version {rest.strip()[:20]!r} is not known (1.1, 2.0 and 2.1 are)")
        head.version = rest.strip()
    elif not head.version:
        _refuse(where, f"[{name}] before [Version]")
    elif name == "NUMBER OF PORTS":
        head.ports, head.counted = _count(rest, where, MOST_PORTS), True
        if ports is not None and ports != head.ports:
            _refuse(where, f"{head.ports} ports, but its name says {ports}")
    elif name == "TWO-PORT DATA ORDER":
        head.order = rest.strip()
        if head.order not in ("12_21", "21_12"):
            _refuse(where, "the two-port data order must be 12_21 or 21_12")
    elif name == "NUMBER OF FREQUENCIES":
        head.frequencies = _count(rest, where, 10_000_000)
    elif name == "REFERENCE":
        head.reference = []
        return "reference"
    elif name == "MATRIX FORMAT":
        head.matrix = rest.strip().upper()
        if head.matrix not in ("FULL", "LOWER", "UPPER"):
            _refuse(where, "the matrix format must be Full, Lower or Upper")
    elif name == "NETWORK DATA":
        return "network"
    elif name == "NOISE DATA":
        return "noise"
    elif name == "END":
        head.ended = True
    elif name == "MIXED-MODE ORDER":
        _refuse(where, "holds mixed-mode parameters; save plain S-parameters of the single ports")
    elif name != "NUMBER OF NOISE FREQUENCIES":
        _refuse(where, f"[{name[:40]}] is not a keyword of version {head.version}")
    return ""


def _made(head: _Head, numbers: list[float], lines: list[int], comments: list[str], where: str) -> Touchstone:
    n = head.ports
    if not 1 <= n <= MOST_PORTS:
        _refuse(where, "the number of ports is neither in the name (.s1p, .s2p, ...) nor in the file")
    if not head.options and (head.version or not numbers):
        _refuse(where, "there is no option line ('# HZ S MA R 50'): not a Touchstone file")
    required = {
        "Number of Ports": head.counted,
        "Two-Port Data Order": n != 2 or bool(head.order),
        "Number of Frequencies": head.frequencies is not None,
    }
    lacking = [f"[{name}]" for name, there in required.items() if head.version and not there]
    if lacking:
        _refuse(where, f"{' and '.join(lacking)} missing, which Touchstone {head.version} requires")
    pairs = n * n if head.matrix == "FULL" else n * (n + 1) // 2
    width = 1 + 2 * pairs
    values = np.array(numbers, dtype=np.float64)
    used = _network_length(values, width, n, head, lines, where)
    rows = values[:used].reshape(-1, width)
    if rows.shape[0] == 0:
        _refuse(where, "there are no network data")
    if head.frequencies is not None and rows.shape[0] != head.frequencies:
        _refuse(where, f"{rows.shape[0]} frequencies, but the file announces {head.frequencies}")
    ohm = [head.ohm] * n if head.reference is None else head.reference
    if len(ohm) != n or not all(0.0 < value < 1e6 for value in ohm):
        _refuse(where, f"the reference resistances do not fit {n} ports")
    complex_pairs = _complex(rows[:, 1::2], rows[:, 2::2], head.form)
    if not np.all(np.isfinite(complex_pairs)):
        _refuse(where, "holds a value that is no finite number")
    freq_hz = np.minimum(rows[:, 0], 1e13) * head.unit  # far above any: two such do not rise
    if freq_hz[0] < 0.0 or not np.all(np.diff(freq_hz) > 0.0):
        at = int(np.argmin(np.diff(freq_hz))) + 1 if freq_hz.size > 1 else 0
        _refuse(f"{where}:{lines[at * width]}", "the frequencies do not rise")
    return Touchstone(own(freq_hz), _matrix(complex_pairs, n, head), own(ohm), tuple(comments))


def _network_length(values: FloatArray, width: int, n: int, head: _Head, lines: list[int], where: str) -> int:
    """Return how many numbers are network data: a two-port of version 1 may have noise data after them.

    Noise data begin where the frequency goes back (specification 1.1).
    """
    end = values.size
    if n == 2 and not head.version:
        freq = values[::width]
        back = np.flatnonzero(np.diff(freq) <= 0.0)
        if back.size:
            start = (int(back[0]) + 1) * width
            if (values.size - start) % _NOISE_COLUMNS == 0:
                end = start
    if end % width:
        line = lines[end - end % width]
        _refuse(f"{where}:{line}", f"a frequency of {n} ports has {width} numbers; {end % width} are left over")
    return int(end)


def _complex(first: FloatArray, second: FloatArray, form: str) -> NDArray[np.complex128]:
    if form == "RI":
        return np.asarray(first + 1j * second)
    with np.errstate(over="ignore", invalid="ignore"):  # what is no finite number is refused by the caller
        size = 10.0 ** (first / 20.0) if form == "DB" else first
        return np.asarray(size * np.exp(1j * np.deg2rad(second)))


def _matrix(pairs: NDArray[np.complex128], n: int, head: _Head) -> NDArray[np.complex128]:
    s = np.zeros((pairs.shape[0], n, n), dtype=np.complex128)
    if head.matrix == "FULL":
        s[:] = pairs.reshape(-1, n, n)
        if n == 2 and head.order != "12_21":  # S11 S21 S12 S22: version 1 always, version 2 where it says so
            s = s.transpose(0, 2, 1).copy()
        return s
    rows, columns = np.tril_indices(n) if head.matrix == "LOWER" else np.triu_indices(n)
    s[:, rows, columns] = pairs
    s[:, columns, rows] = pairs
    return s


def _numbers(text: str, where: str) -> list[float]:
    found = []
    for word in text.split():
        if not _NUMBER.match(word) or len(word) > 40:
            _refuse(where, f"{word[:30]!r} is not a number")
        found.append(float(word))
    return found


def _count(text: str, where: str, most: int) -> int:
    word = text.strip()
    if not (word.isascii() and word.isdecimal()) or len(word) > 9 or not 1 <= int(word) <= most:
        _refuse(where, f"{word[:20]!r} is not a number from 1 to {most}")
    return int(word)


def _refuse(where: str, what: str) -> NoReturn:
    msg = f"{where}: {what}"
    raise StoredDataError(msg, where=where)
