"""An HTML page on paper: printed to PDF by a browser that is there, without a window or network."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from kerfbus.bench.errors import KerfbusError, UsageError
from kerfbus.tui.output import naming

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome-stable",
    "google-chrome",
    "chrome",
    "microsoft-edge",
    "msedge",
)
QUIET = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PATIENCE_SECONDS = 90


class PrintError(KerfbusError):
    """The browser did not print the page."""

    kind = "print"


def browser() -> str:
    """Return the path of a browser that can print.

    Raises:
        UsageError: there is none.
    """
    for name in BROWSERS:
        found = shutil.which(name)
        if found is not None:
            return found
    raise UsageError(
        "--pdf needs Chromium, Chrome or Edge, and none is on the path; write --record FILE.html "
        "and print that from any browser"
    )


def command_line(program: str, profile: Path) -> list[str]:
    """Return how a browser is started for one page, with a profile of its own."""
    line = [program, *QUIET, f"--user-data-dir={profile}"]
    if os.name == "posix" and os.geteuid() == 0:
        line.append("--no-sandbox")  # it refuses to start as root otherwise; the page is ours
    return line


def print_page(html: str, pdf: str | Path) -> None:
    """Print a page to a file.

    Raises:
        UsageError: there is no browser.
        PrintError: it did not print.
        OSError: the file cannot be written.
    """
    program = browser()
    # A browser may leave files in its profile behind while it ends.
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        place = Path(folder)
        source, made = place / "page.html", place / "page.pdf"
        source.write_text(html, encoding="utf-8")
        arguments = ("--no-pdf-header-footer", f"--print-to-pdf={made}", source.as_uri())
        try:
            done = subprocess.run(  # noqa: S603 (a browser by its full path, a page of ours)
                [*command_line(program, place / "profile"), *arguments],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=PATIENCE_SECONDS,
                check=False,
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise PrintError(f"{program}: did not print {pdf}: {error}") from error
        if not made.exists() or not made.read_bytes().startswith(b"%PDF"):
            said = done.stderr.decode(errors="replace").strip().splitlines() or ["no word why"]
            raise PrintError(f"{program}: did not print {pdf} (exit {done.returncode}): {said[-1]}")
        with naming(str(pdf)):
            shutil.copyfile(made, pdf)
