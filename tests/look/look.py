"""Make everything there is to look at, in one go: the demo's report as pictures, and a run driven hookup by hookup.

    python tests/look/look.py [FOLDER]          (default: tests/look/latest)

Writes screen.png, a4-N.png, letter-N.png (see make_report_pictures.py) and terminal.txt: the screens of an
interactive run on the simulated bench, captured from tmux before each answer. Needs chromium, pdftoppm, tmux.
"""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from make_report_pictures import make_pictures  # noqa: E402 - a script beside this one

from sequencer.cli.main import main as notchbook  # noqa: E402

RECIPE = "vhf-600k-acceptance"
ANSWERS = {
    "transmitter": "locked out",
    "operator": "A. Nyberg (invented)",
    "place": "club bench (invented)",
    "temperature": "21 degC",
    "humidity": "45 %",
    "soak": "30 min",
}
PROMPT = re.compile(r"^(?:([a-z]+)>|Enter when it is in place>) ?$")
PATIENCE_S = 60.0


def demo_report(out: str) -> str:
    """Run the demo of the README and return its report."""
    sets = [f"--set={key}={value}" for key, value in ANSWERS.items() if key != "transmitter"]
    with contextlib.redirect_stderr(io.StringIO()):
        notchbook(["run", RECIPE, "--bench", "simulated", "--yes", "--serial", "INVENTED-1", "--out", out, *sets])
    return next(Path(out).glob("*/report.html")).read_text(encoding="utf-8")


class Screen:
    """A tmux session with one program in it."""

    def __init__(self, command: str) -> None:
        self.name = f"look{time.monotonic_ns()}"
        self._tmux("new-session", "-d", "-s", self.name, "-x", "100", "-y", "50", command)

    def _tmux(self, *arguments: str) -> str:
        return subprocess.run(["tmux", *arguments], check=True, capture_output=True, text=True).stdout

    def read(self) -> str:
        """Return what is on the screen."""
        return self._tmux("capture-pane", "-p", "-t", self.name).rstrip()

    def type(self, text: str) -> None:
        """Type a line."""
        self._tmux("send-keys", "-t", self.name, "-l", text)
        self._tmux("send-keys", "-t", self.name, "Enter")

    def close(self) -> None:
        """End the session."""
        subprocess.run(["tmux", "kill-session", "-t", self.name], check=False, capture_output=True)


def terminal_screens(out: str) -> list[str]:
    """Drive an interactive run and return the screen at every prompt, and the last one."""
    command = f"{shlex.quote(sys.executable)} -m sequencer.cli run {RECIPE} --bench simulated --out {shlex.quote(out)}"
    screen = Screen(f"{command}; echo EXIT $?; sleep 60")
    shots: list[str] = []
    answered_at, began = "", time.monotonic()
    try:
        while time.monotonic() - began < PATIENCE_S:
            time.sleep(0.15)
            text = screen.read()
            last = text.splitlines()[-1] if text else ""
            if "EXIT" in last:
                return [*shots, text]
            prompt = PROMPT.match(last)
            if prompt is None or text == answered_at:
                continue
            shots.append(text)
            answered_at = text
            screen.type(ANSWERS.get(prompt[1] or "", ""))
    finally:
        screen.close()
    sys.exit("The terminal run did not end; its last screen was:\n" + (shots[-1] if shots else "(empty)"))


def main(arguments: list[str]) -> None:
    """Make it all."""
    folder = Path(arguments[0]) if arguments else HERE / "latest"
    if shutil.which("tmux") is None:
        sys.exit("Needs tmux on the PATH; install it and run this again.")
    with tempfile.TemporaryDirectory() as out:
        for path in make_pictures(demo_report(f"{out}/demo"), folder):
            print(path)
        shots = [shot.replace(f"{out}/tmux", "runs") for shot in terminal_screens(f"{out}/tmux")]
    rule = "=" * 100
    text = "\n".join(f"{rule}\nscreen {n} of {len(shots)}\n{rule}\n{shot}" for n, shot in enumerate(shots, 1))
    (folder / "terminal.txt").write_text(text + "\n", encoding="utf-8")
    print(folder / "terminal.txt", f"({len(shots)} screens)")


if __name__ == "__main__":
    main(sys.argv[1:])
