"""Out as one zip, in again verified: nothing that a zip may hold gets past the door."""

from __future__ import annotations

import errno
import io
import json
import os
import shutil
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.archive import transfer
from sequencer.archive.filed import imported_runs
from sequencer.archive.integrity import verify_archive
from sequencer.archive.reading import marks_of, open_run
from sequencer.archive.runfolder import RunFolder
from sequencer.archive.transfer import Imported, export_runs, import_runs
from sequencer.errors import NotchbookError, StoredDataError, StoreError, UsageError


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory: pytest.TempPathFactory, file_run: Any) -> Path:
    """An archive 'a' of two runs beside a zip of both."""
    root = tmp_path_factory.mktemp("two")
    folders = [file_run(root / "a", "r1"), file_run(root / "a", "r2")]
    export_runs(folders, root / "runs.zip")
    return root


@pytest.fixture
def zipped(tmp_path: Path, two_runs: Path) -> Path:
    """The zip, with the archive 'a' beside it."""
    shutil.copytree(two_runs, tmp_path, dirs_exist_ok=True)
    return tmp_path / "runs.zip"


def visible(root: Path) -> list[str]:
    return sorted(path.name for path in root.iterdir() if path.name != ".notchbook")


def repack(path: Path, change: Callable[[dict[str, bytes]], None], **options: Any) -> Path:
    """Write a zip with other contents beside the first; options of its entries: external_attr, compress_type."""
    with zipfile.ZipFile(path) as archive:
        held = {entry.filename: archive.read(entry) for entry in archive.infolist()}
    change(held)
    made = path.with_name("repacked.zip")
    with zipfile.ZipFile(made, "w") as archive:
        for name, data in held.items():
            entry = zipfile.ZipInfo(name)
            for key, value in options.items():
                setattr(entry, key, value)
            archive.writestr(entry, data)
    return made


def test_what_goes_out_comes_in_the_same(tmp_path: Path, zipped: Path) -> None:
    assert import_runs(zipped, tmp_path / "b") == [Imported(run_id="r1", new=True), Imported(run_id="r2", new=True)]
    for run_id in ("r1", "r2"):
        assert marks_of(tmp_path / "a" / run_id) == marks_of(tmp_path / "b" / run_id)
        assert open_run(tmp_path / "b" / run_id).record == open_run(tmp_path / "a" / run_id).record
    assert visible(tmp_path / "b") == ["r1", "r2"]
    assert verify_archive(tmp_path / "b").findings == ()


def test_the_same_runs_give_the_same_bytes(tmp_path: Path, zipped: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(tmp_path / "a", tmp_path / "copy")
    for path in (tmp_path / "copy").rglob("*"):
        os.utime(path, (1, 1))
        path.chmod(0o700)
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    export_runs([tmp_path / "copy" / "r2", tmp_path / "copy" / "r1"], tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == zipped.read_bytes()


def test_a_zip_made_by_hand_of_the_same_files_is_taken_too(tmp_path: Path, zipped: Path) -> None:
    made = repack(zipped, lambda held: None, compress_type=zipfile.ZIP_DEFLATED, external_attr=0)
    assert [one.new for one in import_runs(made, tmp_path / "b")] == [True, True]


def test_a_run_without_its_predecessors_is_taken_and_its_gap_is_a_note(tmp_path: Path, zipped: Path) -> None:
    export_runs([tmp_path / "a" / "r2"], tmp_path / "one.zip")
    import_runs(tmp_path / "one.zip", tmp_path / "b")
    assert imported_runs(tmp_path / "b") == {"r2"}
    verdict = verify_archive(tmp_path / "b")
    assert verdict.holds
    assert "was imported" in verdict.findings[0].text


def test_the_next_run_of_the_bench_follows_what_was_imported(tmp_path: Path, zipped: Path, file_run: Any) -> None:
    export_runs([tmp_path / "a" / "r1"], tmp_path / "one.zip")
    import_runs(tmp_path / "one.zip", tmp_path / "b")
    file_run(tmp_path / "b", "x")
    import_runs(zipped, tmp_path / "b")  # r2 follows r1 as x does: the two archives did not see each other
    findings = verify_archive(tmp_path / "b").findings
    assert [(one.grave, one.where) for one in findings] == [(False, "r2, x")]
    file_run(tmp_path / "b", "y")
    record = open_run(tmp_path / "b" / "y").record
    assert record is not None
    assert record.chain_number == 3


@pytest.mark.parametrize("which", ["r1", "r2"])
def test_an_imported_run_that_is_gone_shows(tmp_path: Path, zipped: Path, which: str) -> None:
    root = tmp_path / "b"
    import_runs(zipped, root)
    shutil.rmtree(root / which)
    assert [one.where for one in verify_archive(root).findings if one.grave] == [which]
    import_runs(zipped, root)  # brought back
    assert verify_archive(root).findings == ()
    path = root / ".notchbook" / "imports.jsonl"  # as an earlier version noted it
    path.write_text("".join(f'{{"run_id":"{run_id}","at":"x","from":"runs.zip"}}\n' for run_id in ("r1", "r2")))
    shutil.rmtree(root / which)
    assert not verify_archive(root).holds


@pytest.mark.parametrize("listed", [True, False], ids=["all", "head-alone"])
def test_a_newest_run_that_was_removed_shows_after_an_import_too(
    tmp_path: Path, zipped: Path, file_run: Any, listed: bool
) -> None:
    root = tmp_path / "b"
    for run_id in ("x", "y", "z"):
        file_run(root, run_id)
    shutil.rmtree(root / "z")
    if not listed:
        (root / ".notchbook" / "filed.jsonl").unlink()
    import_runs(zipped, root)  # numbers 1 and 2 of the same bench
    assert "z" in [one.where for one in verify_archive(root).findings if one.grave]
    record = open_run(file_run(root, "after")).record
    assert record is not None
    assert record.chain_number == 4


def test_no_run_takes_the_number_of_an_imported_one_that_is_gone(tmp_path: Path, zipped: Path, file_run: Any) -> None:
    root = tmp_path / "b"
    import_runs(zipped, root)
    shutil.rmtree(root / "r2")
    record = open_run(file_run(root, "x")).record
    assert record is not None
    assert record.chain_number == 3


def test_the_next_run_follows_an_imported_one_that_is_newer_than_what_is_remembered(
    tmp_path: Path, zipped: Path, file_run: Any
) -> None:
    file_run(tmp_path / "b", "x")
    import_runs(zipped, tmp_path / "b")  # numbers 1 and 2
    record = open_run(file_run(tmp_path / "b", "y")).record
    assert record is not None
    assert record.chain_number == 3


def test_an_imported_run_that_was_exchanged_shows(tmp_path: Path, zipped: Path, file_run: Any) -> None:
    root = tmp_path / "b"
    import_runs(zipped, root)
    shutil.rmtree(root / "r2")
    shutil.copytree(file_run(tmp_path / "c", "r2", serial="another"), root / "r2")
    assert any("ended again or exchanged" in one.text for one in verify_archive(root).findings)


def test_an_interrupted_run_may_be_gone_on_with_where_it_was_imported(tmp_path: Path, file_run: Any) -> None:
    export_runs([file_run(tmp_path / "a", "r1", complete=False)], tmp_path / "one.zip")
    import_runs(tmp_path / "one.zip", tmp_path / "b")
    assert verify_archive(tmp_path / "b").holds
    RunFolder.reopen(tmp_path / "b" / "r1")
    shutil.rmtree(tmp_path / "b" / "r1")
    assert not verify_archive(tmp_path / "b").holds


def test_again_is_no_error_but_another_run_of_the_id_is(tmp_path: Path, zipped: Path, file_run: Any) -> None:
    import_runs(zipped, tmp_path / "b")
    assert [one.new for one in import_runs(zipped, tmp_path / "b")] == [False, False]
    file_run(tmp_path / "c", "r2", serial="another")
    before = marks_of(tmp_path / "c" / "r2")
    with pytest.raises(UsageError, match="another run of this id"):
        import_runs(zipped, tmp_path / "c")
    assert marks_of(tmp_path / "c" / "r2") == before


def test_only_whole_runs_go_out(tmp_path: Path, run: Any, file_run: Any) -> None:
    folder = file_run(tmp_path, "r1")
    unfinished = RunFolder.create(tmp_path, "r2", run.recipe_text, run.bench_text).folder
    with pytest.raises(StoredDataError, match="unfinished"):
        export_runs([unfinished], tmp_path / "x.zip")
    with pytest.raises(UsageError, match="given twice"):
        export_runs([folder, folder], tmp_path / "x.zip")
    (folder / "traces" / "001.csv").write_text("x")
    with pytest.raises(StoredDataError, match="does not verify"):
        export_runs([folder], tmp_path / "x.zip")
    assert not (tmp_path / "x.zip").exists()
    (tmp_path / "x.zip").write_text("mine")
    with pytest.raises(UsageError, match="exists already"):
        export_runs([folder], tmp_path / "x.zip")
    assert (tmp_path / "x.zip").read_text() == "mine"


def test_a_full_disk_leaves_no_half_zip(tmp_path: Path, file_run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = file_run(tmp_path, "r1")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(transfer, "_pack", full)
    with pytest.raises(StoreError, match="free some space"):
        export_runs([folder], tmp_path / "x.zip")
    assert sorted(path.name for path in tmp_path.iterdir()) == [".notchbook", "r1"]


def _renamed(old: str, new: str) -> Callable[[dict[str, bytes]], None]:
    def change(held: dict[str, bytes]) -> None:
        held[new] = held.pop(old)

    return change


HOSTILE = [
    pytest.param(lambda held: held.update({"../evil": b"x"}), "not the name of a file inside", id="escape"),
    pytest.param(
        lambda held: held.update({"r1/../../evil": b"x"}), "not the name of a file inside", id="escape-inside"
    ),
    pytest.param(lambda held: held.update({"/evil": b"x"}), "not the name of a file inside", id="absolute"),
    pytest.param(lambda held: held.update({"r1\\..\\..\\evil": b"x"}), "not", id="backslashes"),
    pytest.param(lambda held: held.update({"C:/evil": b"x"}), "not the name of a file inside", id="drive"),
    pytest.param(lambda held: held.update({"r1/evil.exe": b"x"}), "not a file that a run writes", id="foreign"),
    pytest.param(lambda held: held.update({".notchbook/index.sqlite": b"x"}), "cannot be a folder name", id="cache"),
    pytest.param(lambda held: held.update({"readme.txt": b"x"}), "not a file that a run writes", id="beside"),
    pytest.param(lambda held: held.update({"r1/traces/01.csv": b"x"}), "not a file that a run writes", id="trace-name"),
    pytest.param(lambda held: held.update({"r1/Report.html": b"x"}), "not a file that a run writes", id="case"),
    pytest.param(lambda held: held.update({"r1/traces/002.csv": b"x"}), "was added", id="not-in-manifest"),
    pytest.param(lambda held: held.pop("r1/manifest.json"), "has no manifest.json", id="no-manifest"),
    pytest.param(lambda held: held.pop("r1/journal.jsonl"), "journal.jsonl is missing", id="no-journal"),
    pytest.param(lambda held: held.pop("r2/traces/001.csv"), "traces/001.csv is missing", id="no-trace"),
    pytest.param(lambda held: held.update({"r1/bus.log": b"x"}), "larger than the 0 bytes", id="larger-than-said"),
    pytest.param(lambda held: held.update({"r1/recipe.yaml": b"x"}), "recipe.yaml was changed", id="changed"),
    pytest.param(lambda held: held.update({"r1/manifest.json": b"{}"}), "no version", id="manifest-damaged"),
    pytest.param(lambda held: held.update({"r1/manifest.json": b" " * 20_000_000}), "larger than", id="huge-manifest"),
    pytest.param(lambda held: held.clear(), "0 files", id="empty"),
    pytest.param(_renamed("r1/manifest.json", "r3/manifest.json"), "has no manifest.json", id="run-split"),
]


@pytest.mark.parametrize(("change", "says"), HOSTILE)
def test_a_zip_that_is_not_just_whole_runs_leaves_nothing(
    tmp_path: Path, zipped: Path, change: Callable[[dict[str, bytes]], None], says: str
) -> None:
    made = repack(zipped, change, compress_type=zipfile.ZIP_DEFLATED)
    with pytest.raises(StoredDataError, match=says):
        import_runs(made, tmp_path / "b")
    assert not (tmp_path / "b").exists() or visible(tmp_path / "b") == []
    assert not list(tmp_path.rglob("evil*"))


def test_a_link_is_refused(tmp_path: Path, zipped: Path) -> None:
    made = repack(zipped, lambda held: None, create_system=3, external_attr=(stat.S_IFLNK | 0o777) << 16)
    with pytest.raises(StoredDataError, match="link"):
        import_runs(made, tmp_path / "b")


def test_a_name_that_stands_twice_is_refused(tmp_path: Path, zipped: Path) -> None:
    with zipfile.ZipFile(zipped, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("r1/bus.log", b"")
    with pytest.raises(StoredDataError, match="stands twice"):
        import_runs(zipped, tmp_path / "b")


def test_a_bomb_is_refused_before_it_goes_off(tmp_path: Path, zipped: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(transfer, "_MOST_BYTES", 1000)
    with pytest.raises(StoredDataError, match="unpacks to more than"):
        import_runs(zipped, tmp_path / "b")
    monkeypatch.undo()
    monkeypatch.setattr(transfer, "_MOST_FILES", 3)
    with pytest.raises(StoredDataError, match="1 to 3"):
        import_runs(zipped, tmp_path / "b")


def test_an_entry_that_lies_about_its_size_is_refused(tmp_path: Path, zipped: Path) -> None:
    data = bytearray(repack(zipped, lambda held: None, compress_type=zipfile.ZIP_DEFLATED).read_bytes())
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as archive:
        archive.getinfo("r1/report.html")
    at = data.rindex(b"r1/report.html") - 46 + 24  # the size in the central directory (APPNOTE 4.3.12)
    data[at : at + 4] = (10).to_bytes(4, "little")
    (tmp_path / "liar.zip").write_bytes(data)
    with pytest.raises(StoredDataError):
        import_runs(tmp_path / "liar.zip", tmp_path / "b")
    assert visible(tmp_path / "b") == []


def test_any_cut_or_changed_zip_is_refused_in_words(tmp_path: Path, zipped: Path) -> None:
    data = zipped.read_bytes()
    damaged = tmp_path / "damaged.zip"
    for at in range(0, len(data), len(data) // 45):
        for content in (data[:at], data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :]):
            damaged.write_bytes(content)
            root = tmp_path / "b"
            try:
                import_runs(damaged, root)
            except NotchbookError:
                assert not root.exists() or visible(root) == []
            else:  # what no content depends on, a time stamp say
                assert verify_archive(root).holds
                assert {name: marks_of(root / name) for name in visible(root)} == {
                    name: marks_of(tmp_path / "a" / name) for name in ("r1", "r2")
                }
            shutil.rmtree(root, ignore_errors=True)


def test_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoredDataError, match="cannot be read"):
        import_runs(tmp_path / "none.zip", tmp_path / "b")
    (tmp_path / "x.zip").write_text("no zip")
    with pytest.raises(StoredDataError, match="not a zip"):
        import_runs(tmp_path / "x.zip", tmp_path / "b")


def test_an_import_may_fail_at_any_operation(tmp_path: Path, zipped: Path, flaky: Callable[..., Any]) -> None:
    disk = flaky(0)
    import_runs(zipped, tmp_path / "count", disk)
    last = max(number for number, name in enumerate(disk.names, 1) if name not in ("remove", "remove_folder"))
    for fail_at in [*range(1, last, 4), last]:
        root = tmp_path / f"at-{fail_at}"
        with pytest.raises(StoreError):
            import_runs(zipped, root, flaky(fail_at))
        for name in visible(root):  # the first of the two may be in already, whole
            assert marks_of(root / name) == marks_of(tmp_path / "a" / name)
        assert not root.exists() or verify_archive(root).findings == ()
        import_runs(zipped, root)
        shutil.rmtree(root / "r1")
        assert not verify_archive(root).holds
        import_runs(zipped, root)
        assert {name: marks_of(root / name) for name in visible(root)} == {
            name: marks_of(tmp_path / "a" / name) for name in ("r1", "r2")
        }


def test_the_list_of_imports_survives_a_torn_line(tmp_path: Path, zipped: Path) -> None:
    import_runs(zipped, tmp_path / "b")
    path = tmp_path / "b" / ".notchbook" / "imports.jsonl"
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [(line["run_id"], line["state"]) for line in lines] == [
        ("r1", "coming"), ("r1", "in"), ("r2", "coming"), ("r2", "in"),
    ]  # fmt: skip
    assert [line["from"] for line in lines if "from" in line] == ["runs.zip"] * 2
    with path.open("ab") as file:
        file.write(b'{"run_id": "r')
    assert imported_runs(tmp_path / "b") == {"r1", "r2"}
