"""The archive's commands as a user calls them: words, exit statuses, and a real run that is tampered with."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.archive.reading import marks_of
from sequencer.cli.archive_commands import PASSPHRASE
from sequencer.cli.main import main
from sequencer.formats.manifest import dump_manifest

WORDS = "correct horse"


@pytest.fixture(scope="module")
def archive_of_two(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two simulated runs, as the command line leaves them."""
    root = tmp_path_factory.mktemp("archive")
    for serial in ("SN 1", "SN 2"):
        main(
            ["run", "single-cavity-acceptance", "--bench", "simulated", "--yes", "--serial", serial, "--out", str(root)]
        )
    assert len(runs(root)) == 2
    return root


@pytest.fixture
def root(archive_of_two: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy to do harm to."""
    monkeypatch.setenv(PASSPHRASE, WORDS)
    monkeypatch.chdir(tmp_path)
    shutil.copytree(archive_of_two, tmp_path / "runs")
    return tmp_path / "runs"


def runs(root: Path) -> list[Path]:
    return sorted(path for path in root.iterdir() if not path.name.startswith("."))


def call(*arguments: str | Path) -> int:
    return main(["archive", *map(str, arguments)])


pytestmark = pytest.mark.bench


def test_list(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("list") == 0  # ./runs is where runs live
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4
    assert all(len(line) <= 100 for line in lines)
    assert lines[2].startswith(runs(root)[1].name)
    assert "SIMULATED" in lines[2]
    assert call("list", "--serial", "sn 1", "--json", "--out", root) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["total"] == 1
    assert (found["runs"][0]["serial"], found["runs"][0]["number"]) == ("SN 1", 1)
    day, name = runs(root)[0].name[:8], "single-cavity-acceptance"
    today = f"{day[:4]}-{day[4:6]}-{day[6:]}"
    for options in (["--recipe", name], ["--since", today], ["--until", today]):  # a day has its whole day
        assert call("list", *options) == 0
        assert len(capsys.readouterr().out.splitlines()) == 4
    assert call("list", "--recipe", "another-recipe") == 0
    assert capsys.readouterr().out == "no run matches\n"
    for options in (["--measured"], ["--serial", "SN"], ["--until", "2001-01-01"], ["--bench", "nobody's"]):
        assert call("list", *options) == 0
        assert capsys.readouterr().out == "no run matches\n"
    assert call("list", "--most", "1") == 0
    assert capsys.readouterr().out.splitlines()[-1] == "1 more; narrow the search or give --most"


def test_an_exported_run_is_verified_on_its_way_in(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("export", runs(root)[0].name, "--write", "sent.zip") == 0
    assert call("verify", "sent.zip") == 2
    assert "archive import sent.zip" in capsys.readouterr().err


def test_a_wide_table_stays_within_100_columns(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    long = runs(root)[0].rename(root / ("x" * 120))
    result = (long / "result.json").read_text(encoding="utf-8")
    (long / "result.json").write_text(result.replace('"SN 1"', '"' + "\\u001b[31m" + "S" * 90 + '"'), encoding="utf-8")
    assert call("list") == 0
    out = capsys.readouterr().out
    assert all(len(line) <= 100 for line in out.splitlines())
    assert "\x1b" not in out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        pytest.param(["list", "--since", "yesterday"], "year-month-day", id="date"),
        pytest.param(["list", "--until", "9999-12-31"], "too late", id="last-day"),
        pytest.param(["list", "--most", "-1"], "number of runs", id="most"),
        pytest.param(["list", "--out", "nowhere"], "no archive here", id="no-archive"),
        pytest.param(["show", "nothing"], "no run", id="show"),
        pytest.param(["verify", "nothing"], "no run", id="verify-run"),
        pytest.param(["verify", "nothing.html"], "no such report", id="verify-report"),
        pytest.param(["verify", "--out", "nowhere"], "cannot list", id="verify-nowhere"),
        pytest.param(["verify", "--key", "nothing"], "cannot be read", id="verify-key"),
        pytest.param(["verify", "2026-"], "no run", id="verify-unknown"),
        pytest.param(["verify", "."], "not a run folder", id="verify-here"),
        pytest.param(["export", "nothing", "--write", "x.zip"], "no run", id="export"),
        pytest.param(["import", "nothing.zip"], "cannot be read", id="import"),
        pytest.param(["key", "show", "nothing"], "cannot be read", id="key"),
        pytest.param(["key", "new", "no/where"], "the key cannot be written", id="key-nowhere"),
    ],
)
def test_a_wrong_call_is_told_in_one_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    says: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(PASSPHRASE, WORDS)
    Path("runs").mkdir()
    status = call(*arguments)
    told = capsys.readouterr().err
    assert says in told
    assert told.count("\n") == 1
    assert "Traceback" not in told
    assert status == 2


def test_show(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = runs(root)
    assert call("show", second.name) == 0
    out = capsys.readouterr().out
    assert "SIMULATED, NOT A MEASUREMENT" in out
    assert "Number 2 of bench" in out
    assert call("show", first, "--json") == 0
    assert json.loads(capsys.readouterr().out) == json.loads((first / "result.json").read_bytes())


def test_verify(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = runs(root)
    for item in ([], [first.name], [str(second)], [str(second / "report.html")]):
        assert call("verify", *item) == 0, item
        assert "verifies" in capsys.readouterr().out
    shutil.rmtree(first)
    for item in ([], [second.name]):
        assert call("verify", *item) == 1
        assert "number 1 of bench" in capsys.readouterr().out
    assert call("verify", second / "report.html") == 0
    shutil.move(second / "report.html", "sent.html")
    shutil.rmtree(second)
    assert call("verify", "sent.html", "--out", root) == 0  # of this bench nothing is left to compare with
    assert "no such run" in capsys.readouterr().out


def test_a_filed_run_that_was_emptied_is_named_and_the_answer_is_no(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    newest = runs(root)[1]
    for path in [path for path in newest.rglob("*") if path.is_file()]:
        path.unlink()
    for item in ([], [newest.name], [newest.name[:-1]], [newest], [newest, "--out", "nowhere"]):
        assert call("verify", *item) == 1, item
        told = " ".join(capsys.readouterr().out.split())
        assert f"WRONG: {newest.name}: was finished and filed as number 2" in told
    shutil.rmtree(newest)
    assert call("verify", newest.name) == 1
    assert "its folder is gone" in " ".join(capsys.readouterr().out.split())
    assert call("verify", ".") == 2


def test_every_part_of_a_real_report_counts(root: Path) -> None:
    report = Path("sent.html")
    data = (runs(root)[0] / "report.html").read_bytes()
    assert data.count(b"data-seal=") == 4
    report.write_bytes(data)
    assert call("verify", report) == 0
    path_at = data.index(b' d="M') + 5
    changes = {
        "statement": data.replace(b"PASS", b"FAIL") if b"PASS" in data else data.replace(b"pass", b"fail"),
        "title": data.replace(b"<title>", b"<title> "),
        "style sheet": data.replace(b"<style>", b"<style>p{display:none}", 1),
        "plot": data[:path_at] + (b"1" if data[path_at : path_at + 1] != b"1" else b"2") + data[path_at + 1 :],
        "printed head": data.replace(b'data-seal="record">', b'data-seal="record">0', 1),
        "serial": data.replace(b"SN 1", b"SN 9"),
        "mark": data.replace(b"SIMULATED, NOT A MEASUREMENT", b"MEASURED"),
        "slot": data.replace(b"tester ....", b"tester 0123"),
        "end": data + b"\n",
    }
    for what, changed in changes.items():
        assert changed != data, what
        report.write_bytes(changed)
        assert call("verify", report) == 1, what


def test_every_file_of_a_real_run_counts(root: Path) -> None:
    folder = runs(root)[0]
    files = [path for path in folder.rglob("*") if path.is_file()]
    assert len(files) > 10
    sealed = (folder / "manifest.json").read_text(encoding="utf-8")
    for path in files:
        data = path.read_bytes()
        path.write_bytes(data[:-2] + bytes([data[-2] ^ 1]) + data[-1:])
        assert call("verify", folder) == 1, path
        if path.parent == folder and path.name != "manifest.json":  # nor does a manifest help that was written to fit
            (folder / "manifest.json").write_text(dump_manifest(marks_of(folder)), encoding="utf-8")
            assert call("verify", folder) == 1, path
            (folder / "manifest.json").write_text(sealed, encoding="utf-8")
        path.write_bytes(data)
    assert call("verify", folder) == 0


def test_keys_and_signatures(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = runs(root)[0]
    assert call("key", "new", "anna") == 0
    assert call("key", "new", "boss") == 0
    made = capsys.readouterr().out
    assert call("key", "show", "anna.pub") == 0
    assert capsys.readouterr().out in made
    assert call("verify", folder, "--key", "anna.pub") == 1
    assert call("sign", folder.name, "--key", "anna", "--as", "tester") == 0
    assert call("sign", folder / "report.html", "--key", "boss", "--as", "authoriser") == 0
    capsys.readouterr()
    assert call("verify", folder) == 0
    assert "authentic" not in capsys.readouterr().out
    assert call("verify", folder / "report.html", "--key", "anna.pub", "--key", "boss.pub") == 0
    assert capsys.readouterr().out.count("authentic: signed as") == 2
    assert call("verify") == 0
    capsys.readouterr()
    assert call("verify", "--key", "anna.pub") == 1  # the other run is not signed
    told = " ".join(capsys.readouterr().out.split())
    assert f"WRONG: {runs(root)[1].name}: report.html: undamaged, but not authentic: not signed by 'anna'" in told
    assert "signed by anna, and sound: 1 of 2 runs" in told
    assert call("key", "new", "third") == 0
    assert (
        call("verify", folder, *(part for name in ("anna", "boss", "third") for part in ("--key", f"{name}.pub"))) == 2
    )
    assert "room for two signatures" in capsys.readouterr().err
    assert call("sign", folder.name, "--key", "anna", "--as", "tester") == 2
    (folder / "recipe.yaml").write_text("changed")
    assert call("sign", folder.name, "--key", "boss", "--as", "authoriser") == 2
    assert "not signed" in capsys.readouterr().err


def test_a_passphrase_is_asked_for_or_said_to_be_missing(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(PASSPHRASE)
    assert call("key", "new", "k") == 2  # no terminal here
    assert PASSPHRASE in capsys.readouterr().err
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    answers = iter(["correct horse", "correct house", "correct horse", "correct horse"])
    monkeypatch.setattr("getpass.getpass", lambda _: next(answers))
    assert call("key", "new", "k") == 2
    assert "differ" in capsys.readouterr().err
    assert not Path("k").exists()
    assert call("key", "new", "k") == 0


def test_export_and_import(root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = [path.name for path in runs(root)]
    assert call("export", *names, "--write", "x.zip") == 0
    assert call("export", *names, "--write", "x.zip") == 2
    assert call("import", "x.zip", "--out", "other") == 0
    assert capsys.readouterr().err.count("imported into other") == 2
    assert call("verify", "--out", "other") == 0
    assert [path.name for path in runs(tmp_path / "other")] == names


def test_what_cannot_be_written_is_told_in_one_line(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("file").write_text("")
    assert call("export", runs(root)[0], "--write", "x.zip") == 0
    capsys.readouterr()
    for arguments in (["import", "x.zip", "--out", "file"], ["export", runs(root)[0].name, "--write", "no/x.zip"]):
        assert call(*arguments) == 3
        told = capsys.readouterr().err
        assert "could not write" in told
        assert told.count("\n") == 1


def test_report_again_is_sealed_and_verifies(root: Path) -> None:
    folder = runs(root)[0]
    assert main(["report", folder.name, "--write", "again.html"]) == 0
    assert call("verify", "again.html") == 0


def test_a_spoilt_index_is_a_note_at_most(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call("list")
    before = capsys.readouterr().out
    path = root / ".notchbook" / "index.sqlite"
    path.write_bytes(b"spoilt" * 1000)
    assert call("list") == 0
    told = capsys.readouterr()
    assert told.out == before
    assert "note: the index" in told.err
    sqlite3.connect(path).close()
    assert call("list", "--rebuild") == 0
    assert capsys.readouterr() == (before, "")


def test_look_up_starts_without_what_it_does_not_need(root: Path) -> None:
    code = (
        "import sys; from sequencer.cli.main import main; status = main(['archive', 'list']); "
        "heavy = {'numpy', 'scipy', 'jinja2', 'pyvisa', 'yaml', 'cryptography'} & set(sys.modules); "
        "sys.exit(repr(heavy) if heavy else status)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_run_that_cannot_begin_promises_no_resume(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    assert (
        main(["run", "vhf-600k-quick", "--bench", "simulated", "--yes", "--out", str(tmp_path / "file" / "runs")]) == 3
    )
    told = capsys.readouterr().err
    assert "could not write a new run" in told
    assert "resume" not in told
