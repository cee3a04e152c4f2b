"""A real browser without a window, asked what it makes of a page."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from kerfbus.tui.paper import command_line

NAMES = ("chromium", "chromium-browser", "google-chrome")


class Page(NamedTuple):
    """What a browser says of a page that is shown.

    Attributes:
        found: what the question came to.
        log: its console, errors of loading among it.
    """

    found: Any
    log: str


def program() -> str:
    """Return a browser's path; the test skips where there is none."""
    for name in NAMES:
        path = shutil.which(name)
        if path is not None:
            return path
    pytest.skip("no program: chromium")


def seen(page: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Show a page, with a profile of its own below `folder`, and return what the browser said."""
    line = [*command_line(program(), folder / "profile"), "--enable-logging=stderr", "--v=0"]
    return subprocess.run(
        [*line, *arguments, page.as_uri()],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )


def asked(page: Path, folder: Path, question: str, width: int) -> Page:
    """Return what an expression of JavaScript comes to inside a page, `width` pixels wide.

    The page forbids scripts, so it is shown in a frame of another page, which measures it.
    """
    outer = folder / f"outer-{width}.html"
    outer.write_text(
        f"""<!DOCTYPE html><html><body style="margin:0"><iframe id="frame" src="{page.as_uri()}"
        style="border:0;width:{width}px;height:900px"></iframe><pre id="answer"></pre><script>
        document.getElementById("frame").onload = function () {{
          const page = this.contentDocument;
          document.getElementById("answer").textContent = JSON.stringify({question});
        }};</script></body></html>"""
    )
    shown = seen(outer, folder, "--allow-file-access-from-files", "--dump-dom")
    answer = re.search(r'<pre id="answer">(.*?)</pre>', shown.stdout, re.DOTALL)
    assert answer is not None, shown.stderr
    text = answer[1].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    return Page(json.loads(text), shown.stderr)
