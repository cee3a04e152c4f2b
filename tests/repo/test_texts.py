"""What every text of the repository keeps to: addresses, paths, names, change notes."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import tree

KNOWN_HOSTS = {
    "www.apache.org",  # the licence
    "localhost",
    "127.0.0.1",
    "github.com",  # threads and sources cited beside a check
    "datatracker.ietf.org",
    "www.ietf.org",
    "modbus.org",
    "www.modbus.org",
    "www.w3.org",  # names inside SVG files
}
ADDRESS = re.compile(r"\bhttps?://[^\s\"'<>)`\]]+")
MACHINE_PATH = re.compile(r"(?<![\w.])(/(?:root|home/\w+|Users/\w+)/|[A-Z]:\\Users\\)")
UNFINISHED = re.compile(r"\b(TODO|FIXME|XXX|HACK)\b")
LEFTOVERS = {"utils", "util", "helpers", "helper", "common", "misc", "core"}
NOTE = re.compile(r"\d+\.(added|changed|fixed|removed)\.md")


def texts() -> list[tuple[Path, str]]:
    """Return the tracked files that are text, this one left out (it holds the patterns)."""
    found = []
    for path in tree.tracked_files():
        data = (tree.ROOT / path).read_bytes()
        if b"\0" not in data and path.name != Path(__file__).name:
            found.append((path, data.decode()))
    return found


def test_addresses_lead_to_known_places() -> None:
    strange = [
        (str(path), address)
        for path, text in texts()
        for address in ADDRESS.findall(text)
        if urlsplit(address).hostname not in KNOWN_HOSTS
    ]
    assert not strange


@pytest.mark.parametrize(
    ("pattern", "folders"),
    [(MACHINE_PATH, None), (UNFINISHED, (*tree.FOLDERS, "tests"))],
    ids=["machine paths", "unfinished business"],
)
def test_nowhere(pattern: re.Pattern[str], folders: tuple[str, ...] | None) -> None:
    found = [
        f"{path}: {match[0]}"
        for path, text in texts()
        if folders is None or path.parts[0] in folders
        for match in pattern.finditer(text)
    ]
    assert not found


def test_no_module_is_a_drawer_for_leftovers() -> None:
    names = {path.stem for path in tree.product_modules()} | {
        path.parent.name for path in tree.product_modules()
    }
    assert not names & LEFTOVERS


def test_change_notes_are_named_by_issue_and_kind() -> None:
    notes = {path.name for path in tree.tracked_files() if path.parts[0] == "changes"}
    assert "README.md" in notes
    assert [name for name in notes - {"README.md"} if not NOTE.fullmatch(name)] == []


def test_change_notes_are_sentences() -> None:
    for path in sorted((tree.ROOT / "changes").glob("[0-9]*.md")):
        text = path.read_text().strip()
        assert text.endswith("."), path.name
        assert text[0].isupper(), path.name


def test_top_level_is_what_the_developers_page_says() -> None:
    top = {path.parts[0] for path in tree.tracked_files()}
    page = (tree.ROOT / "DEVELOPERS.md").read_text()
    unnamed = {name for name in top if f"`{name}" not in page and f"{name}" not in page}
    assert not unnamed
