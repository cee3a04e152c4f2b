"""The record in a real browser: it opens without errors, fits a phone, and prints well."""

from __future__ import annotations

import re
import shutil
import subprocess
import zlib
from pathlib import Path

import browser
import console
import pytest

ANSWERS = """
[record]
machine = "Table 3"
[answers]
supply-space = 0.31
torch-square-along = { value = 91.2, note = "LONG_WORD" }
emergency-stop = { skip = "the safety officer comes on Friday" }
""".replace("LONG_WORD", "x" * 100)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the record of the shipped plan on a line with some noise, with a few answers."""
    browser.program()
    folder = tmp_path_factory.mktemp("record")
    (folder / "answers.toml").write_text(ANSWERS)
    run = console.call(
        *("accept", "--answers", folder / "answers.toml", "--record", folder / "record.html")
    )
    assert run.code == 1
    return folder / "record.html"


@pytest.mark.parametrize("width", [320, 1200])
def test_it_opens_without_an_error_and_nothing_is_cut_off(
    record: Path, tmp_path: Path, width: int
) -> None:
    """No page wider than the screen, and nothing in it that sticks out."""
    question = """{
        "title": page.title,
        "page": page.documentElement.scrollWidth,
        "out": [...page.querySelectorAll("body *")].filter(each => {
            const box = each.getBoundingClientRect();
            return box.width > 2 && box.right > page.documentElement.clientWidth + 1;
        }).map(each => each.tagName + " " + each.textContent.slice(0, 40)),
        "charts": [...page.querySelectorAll("svg")].map(each => each.getBoundingClientRect().width),
        "text": parseFloat(getComputedStyle(page.querySelector("td")).fontSize)
    }"""
    page = browser.asked(record, tmp_path, question, width)
    assert page.found["title"].startswith("Acceptance record: ")
    assert page.found["page"] <= width
    assert page.found["out"] == []
    assert len(page.found["charts"]) >= 5
    # A chart is drawn for 360 units: its letters of 12 units stay legible.
    assert all(each >= 250 for each in page.found["charts"])
    assert page.found["text"] >= 12
    assert not re.search(r"CONSOLE|ERR_|Refused to|Uncaught", page.log), page.log


def test_an_error_in_a_page_would_be_seen(tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text("<html><body><script>nosuch()</script><img src='file:///nosuch.png'></body>")
    page = browser.asked(bad, tmp_path, "page.documentElement.scrollWidth", 360)
    assert re.search(r"Uncaught", page.log)


def test_nothing_runs_in_it_and_nothing_is_loaded(record: Path, tmp_path: Path) -> None:
    """Its own policy stops a script and a picture that somebody put in."""
    spoilt = tmp_path / "spoilt.html"
    extra = "<script>document.title = 'owned'</script><img src='file:///etc/hostname'></body>"
    spoilt.write_text(record.read_text().replace("</body>", extra))
    page = browser.asked(spoilt, tmp_path, "page.title", 360)
    assert page.found.startswith("Acceptance record")
    assert page.log.count("Content Security Policy") >= 2


def test_it_prints(record: Path, tmp_path: Path) -> None:
    pdf = tmp_path / "record.pdf"
    state = Path(f"{record}.state.json")
    shutil.copy(state, tmp_path / "state.json")
    run = console.call(
        *("accept", "--resume", tmp_path / "state.json", "--pdf", pdf, "--paper", "Letter")
    )
    assert run.code == 1, run.err
    check_pages(pdf, 612, 792)


def check_pages(pdf: Path, wide: float, high: float) -> None:
    """Check number and size of the pages of a PDF, in points."""
    pages = pages_of(pdf.read_bytes())
    assert 4 <= len(pages) <= 10
    assert all(abs(x - wide) <= 1 and abs(y - high) <= 1 for x, y in pages)


def pages_of(data: bytes) -> list[tuple[float, float]]:
    """Return width and height of each page of a PDF, in points."""
    parts = [data]
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
        try:
            parts.append(zlib.decompressobj().decompress(stream))
        except zlib.error:
            continue
    boxes = re.findall(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)\s*\]", b"\n".join(parts))
    return [(float(x), float(y)) for x, y in boxes]


def test_what_is_printed_can_be_read(record: Path, tmp_path: Path) -> None:
    """Every page has its running header and its number; no heading stands alone at a page's end."""
    if shutil.which("pdftotext") is None:
        pytest.skip("no program: pdftotext")
    pdf = tmp_path / "record.pdf"
    browser.seen(record, tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    check_pages(pdf, 595, 842)  # A4
    done = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True
    )
    *pages, last = done.stdout.split("\f")
    assert last == ""
    for number, text in enumerate(pages, 1):
        lines = [line.strip() for line in text.splitlines() if line.strip()]
        assert lines[0].startswith("Acceptance record, plan generic-table")
        assert lines[-1].endswith(f"Page {number} of {len(pages)}")
        assert not re.match(r"Checked by|Set, read|Measured or|What was checked", lines[-2]), lines
        assert len(lines) > 8, f"page {number} is nearly empty"
    whole = "\n".join(pages)
    for said in (
        "OPEN POINTS|FAIL",
        "Free space round the supply",
        "Signature",
        "0.31 m",
        "SHA-256",
    ):
        assert re.search(said, whole), said


def test_a_pdf_is_refused_where_it_cannot_be_written(tmp_path: Path) -> None:
    browser.program()
    target = tmp_path / "nosuch" / "record.pdf"
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[plan]\nname = "a"\ntitle = "b"\n[[step]]\nname = "c"\nkind = "confirm"\ntitle = "d"\n'
        'question = "e"\nrequired = false\n'
    )
    run = console.call("accept", plan, "--pdf", target)
    assert run.code == 2
    assert str(target) in run.err
    assert len(run.err.splitlines()) == 1
