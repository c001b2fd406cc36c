"""The house keeps its own rules: import contracts, packaging, light starts, no stray names in the help."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from instruments import dialects
from instruments.simulated.variants import variant_names

ROOT = Path(__file__).parent.parent


def test_import_contracts_hold() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command; lint_imports_command()"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]


def test_every_package_is_shipped() -> None:
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    found = {"sequencer.starters", "reports.templates"}
    for top in ("sequencer", "instruments", "reports"):
        found |= {
            ".".join(path.parent.relative_to(ROOT).parts)
            for path in (ROOT / top).rglob("__init__.py")
            if "__pycache__" not in path.parts
        }
    assert set(listed) == found


def test_starters_are_importable_as_the_package_they_ship_in() -> None:
    assert any(path.name.endswith(".yaml") for path in files("sequencer.starters").iterdir())


@pytest.mark.parametrize(
    ("arguments", "forbidden"),
    [
        pytest.param(["--help"], {"numpy", "pyvisa", "yaml", "jinja2", "scipy"}, id="help"),
        pytest.param(["recipe", "list"], {"numpy", "pyvisa", "jinja2", "scipy"}, id="recipe list"),
        pytest.param(["check", "vhf-600k-acceptance"], {"pyvisa", "jinja2", "scipy", "skrf"}, id="check"),
        pytest.param(["run", "nosuch", "--bench", "simulated"], {"pyvisa", "jinja2", "scipy"}, id="run refused early"),
    ],
)
def test_a_command_imports_only_what_it_needs(arguments: list[str], forbidden: set[str]) -> None:
    code = (
        "import sys\n"
        "from sequencer.cli.main import main\n"
        f"try:\n    main({arguments!r})\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.rsplit("LOADED", 1)[1].split())
    assert not loaded & forbidden


def test_every_dialect_that_the_probe_wrote_for_a_benchmark_loads() -> None:
    learnt = sorted((ROOT / "tests" / "data" / "dialects").glob("*.yaml"))
    assert {path.stem for path in learnt} == set(variant_names()) - set(dialects.names())
    for path in learnt:
        assert dialects.load(str(path)).name == path.stem
