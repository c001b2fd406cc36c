"""Where a recipe's text comes from: a path or a starter's name."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from sequencer.errors import RecipeError, UsageError
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe, read_text, starter_names, starters

FOLDER = Path(__file__).parents[3] / "recipes"


def test_every_shipped_file_is_a_starter_with_a_title() -> None:
    listed = starters()
    assert [name for name, _ in listed] == sorted(path.stem for path in FOLDER.glob("*.yaml")) == starter_names()
    assert all(title and title != name for name, title in listed)


def test_a_starter_is_read_by_name() -> None:
    name = starter_names()[0]
    text, source = read_recipe(name)
    assert (text, source) == ((FOLDER / f"{name}.yaml").read_bytes().decode("utf-8"), f"{name}.yaml")
    assert load_recipe(text, source).name == name


def test_a_path_is_read_as_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "my.yaml").write_bytes(b"\xef\xbb\xbfrecipe: 1\r\n")
    (tmp_path / "plain").write_text("x")
    assert read_recipe("my.yaml") == ("recipe: 1\r\n", "my.yaml")
    assert read_recipe("./plain") == ("x", "./plain")
    with pytest.raises(UsageError, match=r"a file of that name is meant by '\./plain'"):
        read_recipe("plain")


def test_an_unknown_starter_names_the_nearest() -> None:
    name = starter_names()[0]
    with pytest.raises(UsageError, match=f"did you mean '{name}'"):
        read_recipe(name[:-1])


@pytest.mark.parametrize("argument", ["", "no-such-thing", "..", "a\0b"])
def test_a_name_never_leaves_the_folder(argument: str) -> None:
    with pytest.raises(UsageError, match="no starter recipe is called"):
        read_recipe(argument)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "latin.yaml").write_bytes(b"title: caf\xe9")
    (tmp_path / "large.yaml").write_bytes(b"#" * 5_000_000)
    for path, words in [
        (tmp_path / "missing.yaml", "No such file"),
        (tmp_path, "directory"),
        (tmp_path / "latin.yaml", "not UTF-8"),
        (tmp_path / "large.yaml", "too large"),
        (f"{tmp_path}/a\0b.yaml", "null byte"),
        *_pipe(tmp_path),
    ]:
        with pytest.raises(RecipeError, match=words) as caught:
            read_text(str(path))
        assert str(caught.value).startswith(str(path))


def _pipe(folder: Path) -> list[tuple[Path, str]]:
    """A pipe nobody writes to, where the system has such: reading it would wait for ever."""
    if not hasattr(os, "mkfifo"):
        return []
    os.mkfifo(folder / "pipe.yaml")
    return [(folder / "pipe.yaml", "a pipe, not a file; save its text")]
