"""Make pictures of a report with headless Chromium: the screen, and A4 and Letter pages.

    python tests/look/make_report_pictures.py FOLDER [RUN_FOLDER_OR_REPORT_HTML]

Without a run the synthetic record of the report's tests is drawn. Needs ``chromium`` and ``pdftoppm``.
"""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
OFFLINE = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


def synthetic_report() -> str:
    """Render the record of tests/reports/synthetic_record.py."""
    from reports.html import render

    spec = importlib.util.spec_from_file_location("synthetic_record", HERE.parent / "reports" / "synthetic_record.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return render(module.record(simulated=True), module.curves())


def browse(browser: str, profile: str, *arguments: str) -> None:
    """Run the browser once, with its own empty profile and no network use of its own."""
    call = [browser, *OFFLINE, f"--user-data-dir={profile}", *arguments]
    subprocess.run(call, check=True, capture_output=True, timeout=120)


def make_pictures(report: str, folder: Path) -> list[Path]:
    """Write screen.png, a4-N.png and letter-N.png into the folder; return what was written."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    painter = shutil.which("pdftoppm")
    if browser is None or painter is None:
        sys.exit("Needs chromium and pdftoppm (poppler-utils) on the PATH; install them and run this again.")
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        page = Path(scratch) / "report.html"
        page.write_text(report, encoding="utf-8")
        profile = f"{scratch}/profile"
        browse(browser, profile, f"--screenshot={folder / 'screen.png'}", "--window-size=1200,1500", page.as_uri())
        for paper in ("A4", "Letter"):
            # a reader's printer chooses the paper; here a style at the end chooses it in the reader's place
            sized = report.replace("</head>", f"<style>@page {{ size: {paper} }}</style></head>", 1)
            page.write_text(sized, encoding="utf-8")
            pdf = f"{scratch}/{paper}.pdf"
            browse(browser, profile, f"--print-to-pdf={pdf}", "--no-pdf-header-footer", page.as_uri())
            for old in folder.glob(f"{paper.lower()}-*.png"):
                old.unlink()
            subprocess.run([painter, "-png", "-r", "70", pdf, str(folder / paper.lower())], check=True, timeout=120)
    return sorted(folder.glob("*.png"))


def main(arguments: list[str]) -> None:
    """Read the call and make the pictures."""
    if len(arguments) not in {1, 2}:
        sys.exit(__doc__)
    report = synthetic_report()
    if len(arguments) == 2:
        given = Path(arguments[1])
        report = (given / "report.html" if given.is_dir() else given).read_text(encoding="utf-8")
    for path in make_pictures(report, Path(arguments[0])):
        print(path)


if __name__ == "__main__":
    main(sys.argv[1:])
