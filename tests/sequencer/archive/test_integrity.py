"""Whatever is done to a run after it was filed, verification says so; what was not touched verifies."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from sequencer.archive.integrity import Verdict, verify_archive, verify_one, verify_report
from sequencer.archive.reading import facts_of, marks_of, verify_run
from sequencer.archive.runfolder import RunFolder
from sequencer.archive.signing import PublicKey, SigningKey, as_tester, fingerprint, sign_report
from sequencer.errors import StoredDataError
from sequencer.formats.canonical import sha256_bytes
from sequencer.formats.manifest import dump_manifest
from sequencer.formats.record import load_record
from sequencer.formats.seal import Role, blanked, read_seal, seal


def key_of(seed: int) -> SigningKey:
    private = Ed25519PrivateKey.from_private_bytes(bytes([seed]) * 32)
    public = private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex()
    return SigningKey(private=private, public=PublicKey(name=f"key {seed}", key=public))


TESTER, AUTHORISER = key_of(1), key_of(2)


def grave(verdict: Verdict) -> list[str]:
    return [finding.text for finding in verdict.findings if finding.grave]


def everywhere(folder: Path) -> list[Verdict]:
    """The same question asked in both ways."""
    return [verify_one(folder), verify_archive(folder.parent)]


def reseal(folder: Path) -> None:
    """Write the manifest anew, as someone would who knows how the archive works."""
    (folder / "manifest.json").write_text(dump_manifest(marks_of(folder)), encoding="utf-8")


def test_untouched_runs_verify(tmp_path: Path, file_run: Any) -> None:
    folders = [file_run(tmp_path, f"r{number}") for number in range(3)]
    for folder in folders:
        for verdict in everywhere(folder):
            assert verdict.holds
            assert verdict.findings == ()
        report = verify_report(folder / "report.html", root=tmp_path)
        assert report.holds
        assert any("has it" in line for line in report.lines)


def test_every_file_that_is_changed_removed_or_swapped_is_found(tmp_path: Path, file_run: Any) -> None:
    folder, other = file_run(tmp_path, "r1"), file_run(tmp_path, "r2", serial="SN 2")
    names = [path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()]
    assert len(names) == 8  # journal, record, report, recipe, bench, bus log, manifest, one trace
    for name in names:
        path = folder / name
        data = path.read_bytes()
        touched = data[:-1] + bytes([data[-1] ^ 1]) if data else b"x"
        for change in (touched, data + b"\n", b"", None, (other / name).read_bytes()):
            if change == data:  # recipe, bench, trace and bus log of the two runs are the same
                continue
            path.unlink() if change is None else path.write_bytes(change)
            for verdict in everywhere(folder):
                assert not verdict.holds, f"{name} became {change!r} unseen"
            path.write_bytes(data)
    assert verify_archive(tmp_path).holds


def test_an_added_file_is_found(tmp_path: Path, file_run: Any) -> None:
    folder = file_run(tmp_path, "r1")
    for name in ("traces/002.csv", "note.txt", "traces/.hidden"):
        (folder / name).write_text("")
        assert [grave(verdict) for verdict in everywhere(folder)] == [
            [f"{name} was added: the manifest does not know it"]
        ] * 2
        (folder / name).unlink()
    (folder / "link").symlink_to(folder / "report.html")
    assert not verify_one(folder).holds


def test_folders_that_change_places_are_found(tmp_path: Path, file_run: Any) -> None:
    one, two = file_run(tmp_path, "r1"), file_run(tmp_path, "r2")
    one.rename(tmp_path / ".x")
    two.rename(one)
    (tmp_path / ".x").rename(two)
    for folder in (one, two):
        assert any("renamed or swapped" in text for text in grave(verify_one(folder)))


CONSISTENT = [
    pytest.param("traces/001.csv", "not the file that the record names", id="trace"),
    pytest.param("recipe.yaml", "not the file that the record names", id="recipe"),
    pytest.param("bench.yaml", "not the file that the record names", id="bench"),
    pytest.param("journal.jsonl", "the files are not those", id="journal"),
    pytest.param("bus.log", "the files are not those", id="bus-log"),
    pytest.param("result.json", "not the record that report.html was made from", id="record"),
    pytest.param("report.html", "its digest no more fits", id="report"),
]


@pytest.mark.parametrize(("name", "says"), CONSISTENT)
def test_a_change_is_found_even_with_a_manifest_written_to_fit(
    tmp_path: Path, file_run: Any, name: str, says: str
) -> None:
    folder = file_run(tmp_path, "r1")
    path = folder / name
    path.write_bytes(
        path.read_bytes().replace(b"SN1", b"SN2").replace(b"-10.0", b"-90.0").replace(b"pass", b"fail") or b"x"
    )
    if name in ("recipe.yaml", "bench.yaml", "bus.log", "journal.jsonl"):
        path.write_bytes(path.read_bytes() + b"\n")
    reseal(folder)
    assert verify_run(folder) == []
    for verdict in everywhere(folder):
        assert any(says in text for text in grave(verdict))


def test_a_file_dropped_from_folder_and_manifest_is_found(tmp_path: Path, file_run: Any) -> None:
    for name in ("traces/001.csv", "bus.log", "report.html"):
        folder = file_run(tmp_path, f"r-{name[:3]}")
        (folder / name).unlink()
        reseal(folder)
        assert not verify_one(folder).holds


def test_a_record_changed_with_everything_made_to_fit_is_found_by_the_next_record(
    tmp_path: Path, run: Any, file_run: Any
) -> None:
    folder = file_run(tmp_path, "r1")
    file_run(tmp_path, "r2")
    shutil.rmtree(folder)
    other = tmp_path / "other"
    file_run(other, "r1", serial="forged")
    (other / "r1").rename(folder)
    shutil.rmtree(other)
    assert any("record number 1" in text for text in grave(verify_archive(tmp_path)))
    assert any("record number 1" in text for text in grave(verify_one(folder)))
    assert any("record number 1" in text for text in grave(verify_one(tmp_path / "r2")))


VISIBLE = [
    pytest.param(b"Statement: pass", b"Statement: fail", id="statement"),
    pytest.param(b"M0 4H690", b"M0 4H691", id="plot"),
    pytest.param(b"color: black", b"color: white", id="style-sheet"),
    pytest.param(b"kind simulated", b"kind measured", id="kind"),
    pytest.param(b"number 00000001", b"number 00000002", id="number"),
    pytest.param(b"digest ", b"digesT ", id="seal"),
    pytest.param(b"tester .", b"tester x", id="slot"),
]


@pytest.mark.parametrize(("old", "new"), VISIBLE)
@pytest.mark.parametrize("signed", [False, True], ids=["unsigned", "signed"])
def test_a_changed_report_is_found_without_its_archive(
    tmp_path: Path, file_run: Any, old: bytes, new: bytes, signed: bool
) -> None:
    folder = file_run(tmp_path, "r1", sign=as_tester(TESTER) if signed else None)
    report = tmp_path / "sent.html"
    data = (folder / "report.html").read_bytes()
    report.write_bytes(data)
    assert verify_report(report).holds
    if signed and old == b"tester .":
        old, new = b"tester " + TESTER.public.key.encode()[:8], b"tester 00000000"
    assert data.count(old) >= 1
    report.write_bytes(data.replace(old, new))
    assert not verify_report(report).holds


def test_undamaged_without_a_public_key_authentic_with_it(tmp_path: Path, file_run: Any) -> None:
    folder = file_run(tmp_path, "r1", sign=as_tester(TESTER))
    report = folder / "report.html"
    without = verify_report(report)
    assert without.holds
    assert without.lines[0] == "undamaged: report of run r1"
    assert not any("authentic" in line for line in without.lines)
    with_key = verify_report(report, [TESTER.public])
    assert with_key.holds
    assert any(line.startswith("authentic: signed as tester by 'key 1'") for line in with_key.lines)
    other = verify_report(report, [AUTHORISER.public])
    who = f"'key 2' (key {fingerprint(AUTHORISER.public.key)})"
    assert grave(other) == [f"undamaged, but not authentic: not signed by {who}"]
    assert verify_one(folder, [TESTER.public]).holds
    assert not verify_one(folder, [AUTHORISER.public]).holds


def test_one_key_in_both_roles_is_remarked(tmp_path: Path, file_run: Any) -> None:
    report = file_run(tmp_path, "r1", sign=as_tester(TESTER)) / "report.html"
    once = report.read_bytes()
    for who, remarked in ((TESTER, True), (AUTHORISER, False)):
        report.write_bytes(sign_report(once, Role.AUTHORISER, who))
        verdict = verify_report(report, [TESTER.public])
        assert verdict.holds
        assert any("with one key" in line for line in verdict.lines) == remarked


def test_an_unsigned_report_is_not_authentic(tmp_path: Path, file_run: Any) -> None:
    folder = file_run(tmp_path, "r1")
    assert not verify_report(folder / "report.html", [TESTER.public]).holds
    assert grave(verify_archive(tmp_path, [TESTER.public])) == grave(verify_one(folder, [TESTER.public])) != []


def test_every_key_given_must_have_signed(tmp_path: Path, file_run: Any) -> None:
    folder = file_run(tmp_path, "r1", sign=as_tester(TESTER))
    report = folder / "report.html"
    both = [TESTER.public, AUTHORISER.public]
    for keys in (both, both[::-1]):
        for verdict in (verify_report(report, keys), verify_one(folder, keys), verify_archive(tmp_path, keys)):
            (text,) = grave(verdict)
            assert "not signed by 'key 2'" in text
    report.write_bytes(sign_report(report.read_bytes(), Role.AUTHORISER, AUTHORISER))
    for verdict in (verify_report(report, both), verify_one(folder, both), verify_archive(tmp_path, both)):
        assert verdict.holds


def test_a_key_is_asked_of_every_run_of_an_archive(tmp_path: Path, run: Any, file_run: Any) -> None:
    for number in range(3):
        file_run(tmp_path, f"r{number}", sign=as_tester(TESTER) if number != 1 else None)
    old = file_run(tmp_path, "r3", complete=False)  # a report of before there were seals cannot be signed
    (old / "report.html").write_text("<html></html>\n")
    reseal(old)
    RunFolder.create(tmp_path, "r4", run.recipe_text, run.bench_text)  # has no report yet
    verdict = verify_archive(tmp_path, [TESTER.public])
    assert [one.where for one in verdict.findings if one.grave] == ["r1: report.html", "r3"]
    assert "signed by key 1, and sound: 2 of 5 runs" in verdict.lines
    assert verify_archive(tmp_path).holds


@pytest.mark.parametrize("moved", [False, True], ids=["its-folder", "folder-of-another-name"])
def test_a_report_changed_and_sealed_anew_is_not_the_one_that_was_filed(
    tmp_path: Path, file_run: Any, moved: bool
) -> None:
    folder = file_run(tmp_path / "a", "r1", sign=as_tester(TESTER))
    filed = (folder / "report.html").read_bytes()
    sent = tmp_path / "sent.html"
    page = filed[: filed.index(b"<!-- notchbook seal")].replace(b"pass", b"fail")
    sent.write_bytes(seal(page, read_seal(filed).facts))
    if moved:
        folder.rename(folder.with_name("renamed"))
    assert verify_report(sent).holds  # of itself it is undamaged
    (text,) = grave(verify_report(sent, root=tmp_path / "a"))
    assert "not the report that was filed" in text
    for roles in ([], [Role.TESTER]):  # signed or not, it is the same report
        sent.write_bytes(blanked(filed, roles))
        assert verify_report(sent, root=tmp_path / "a").holds


def test_a_simulated_report_is_called_so(tmp_path: Path, file_run: Any) -> None:
    simulated = verify_report(file_run(tmp_path, "r1") / "report.html")
    measured = verify_report(file_run(tmp_path, "r2", simulated=False) / "report.html")
    assert "SIMULATED, NOT A MEASUREMENT" in simulated.lines
    assert "SIMULATED, NOT A MEASUREMENT" not in measured.lines


def test_a_report_signed_later_fits_the_manifest_but_a_signature_taken_off_does_not(
    tmp_path: Path, file_run: Any
) -> None:
    folder = file_run(tmp_path, "r1", sign=as_tester(TESTER))
    report = folder / "report.html"
    once = report.read_bytes()
    report.write_bytes(sign_report(once, Role.AUTHORISER, AUTHORISER))
    assert verify_one(folder, [AUTHORISER.public]).holds
    assert verify_run(folder) == []
    forged = report.read_bytes().replace(AUTHORISER.public.key.encode(), b"0" * 64)
    report.write_bytes(forged)
    assert not verify_one(folder).holds
    report.write_bytes(blanked(once, [Role.TESTER]))
    assert grave(verify_one(folder)) == ["report.html was changed"]
    report.write_bytes(sign_report(blanked(once, [Role.TESTER]), Role.TESTER, AUTHORISER))
    assert grave(verify_one(folder)) == ["report.html was changed"]


def test_a_cut_tail_shows_by_a_report(tmp_path: Path, file_run: Any) -> None:
    for number in range(3):
        folder = file_run(tmp_path, f"r{number}")
    sent = tmp_path / "sent.html"
    shutil.copy(folder / "report.html", sent)
    assert verify_report(sent, root=tmp_path).holds
    shutil.rmtree(folder)
    shutil.rmtree(tmp_path / ".notchbook")  # nothing there remembers it
    assert verify_archive(tmp_path).holds
    (text,) = grave(verify_report(sent, root=tmp_path))
    assert "the newest with number 2, but not number 3" in text
    assert verify_report(sent).holds  # of itself it is undamaged
    assert verify_report(sent, root=tmp_path / "elsewhere").holds


def test_an_archive_with_another_record_than_the_reports_is_told(tmp_path: Path, file_run: Any) -> None:
    sent = file_run(tmp_path / "a", "r1") / "report.html"
    file_run(tmp_path / "b", "r1", serial="other")
    assert "another record of this run" in grave(verify_report(sent, root=tmp_path / "b"))[0]


def test_a_report_of_a_record_edited_together_with_its_manifest_does_not_verify(tmp_path: Path, file_run: Any) -> None:
    """The forger edits the record, fits the manifest, and renders a report of both: the run's own report betrays it."""
    folder = file_run(tmp_path, "r1")
    result = (folder / "result.json").read_bytes()
    (folder / "result.json").write_bytes(result.replace(b'"serial": "SN1"', b'"serial": "SN2"'))
    assert (folder / "result.json").read_bytes() != result
    reseal(folder)
    edited = (folder / "result.json").read_bytes()
    facts = facts_of(load_record(edited.decode(), "result.json"), edited, marks_of(folder))
    sent = tmp_path / "sent.html"
    sent.write_bytes(seal(b"<!doctype html>\n<html><head></head><body><p>Statement: pass</p></body></html>\n", facts))
    assert verify_report(sent).holds  # by its own bytes nothing is wrong with it
    verdict = verify_report(sent, root=tmp_path)
    assert any("the archive" in line and "has it" in line for line in verdict.lines)  # the hash of the record fits
    assert any("not the record that report.html was made from" in text for text in grave(verdict))


def test_a_run_found_under_another_name_is_told(tmp_path: Path, file_run: Any) -> None:
    folder = file_run(tmp_path / "a", "r1")
    sent = tmp_path / "sent.html"
    shutil.copy(folder / "report.html", sent)
    folder.rename(tmp_path / "a" / "renamed")
    verdict = verify_report(sent, root=tmp_path / "a")
    assert any("in a folder of another name" in line for line in verdict.lines)


def test_unfinished_runs_are_no_change_but_a_removed_manifest_is(tmp_path: Path, run: Any, file_run: Any) -> None:
    store = RunFolder.create(tmp_path, "r0", run.recipe_text, run.bench_text)
    store.append(dataclasses.replace(run.began(), run_id="r0"))
    assert verify_archive(tmp_path).holds
    assert verify_one(store.folder).holds
    folder = file_run(tmp_path, "r1")
    (folder / "manifest.json").unlink()
    for verdict in everywhere(folder):
        assert len(grave(verdict)) == 1
        assert any("its manifest.json is gone" in text for text in grave(verdict))


def test_a_report_of_before_there_were_seals_is_a_note(tmp_path: Path, file_run: Any) -> None:
    folder = file_run(tmp_path, "r1", complete=False)  # stands in no chain
    (folder / "report.html").write_text("<html></html>\n")
    reseal(folder)
    verdict = verify_one(folder)
    assert verdict.holds
    assert "no seal" in verdict.findings[0].text


def test_a_folder_outside_an_archive_is_verified_by_itself(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path / "a", "r1")
    copied = tmp_path / "desk" / "r2"
    shutil.copytree(file_run(tmp_path / "a", "r2"), copied)
    verdict = verify_one(copied)
    assert verdict.holds
    assert any("is no archive" in line for line in verdict.lines)
    assert sorted(path.name for path in copied.parent.iterdir()) == ["r2"]


@pytest.mark.parametrize(
    "content", [b"", b"\xff\xfe", b"<html></html>", b"\0" * 10_000], ids=["empty", "bytes", "html", "zeros"]
)
def test_what_is_no_report_does_not_verify(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "x.html").write_bytes(content)
    assert not verify_report(tmp_path / "x.html").holds


def test_what_cannot_be_read_is_the_calls_fault(tmp_path: Path) -> None:
    with pytest.raises(StoredDataError, match="cannot be read"):
        verify_report(tmp_path / "none.html")
    with pytest.raises(StoredDataError, match="cannot list"):
        verify_archive(tmp_path / "none")


def test_progress_is_told(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path, "r1")
    file_run(tmp_path, "r2")
    told: list[tuple[int, int]] = []
    heard: Callable[[int, int], None] = lambda done, whole: told.append((done, whole))  # noqa: E731
    verify_archive(tmp_path, heard=heard)
    assert told == [(1, 2), (2, 2)]


def test_the_record_of_the_report_is_the_hash_of_result_json(tmp_path: Path, file_run: Any) -> None:
    folder = file_run(tmp_path, "r1")
    digest = sha256_bytes((folder / "result.json").read_bytes())
    assert f'data-seal="record">{digest}</td>' in (folder / "report.html").read_text(encoding="utf-8")
