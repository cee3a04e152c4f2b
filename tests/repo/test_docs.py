"""The pages: they build strictly, and every command in them is run, or at least understood.

A page is followed from top to bottom in an empty folder, as a reader would: what one line writes
another reads. Supplies that a page starts run behind it until its end.
"""

from __future__ import annotations

import contextlib
import itertools
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import click
import console
import pytest
import tree

from kerfbus.tui.program import program

PAGES = [tree.ROOT / "README.md", *sorted((tree.ROOT / "docs").glob("*.md"))]
FOLLOWED = ("README", "acceptance", "developer", "installer", "qa", "reference", "units")
"""Pages that can be followed with nothing but what they make; others show single lines."""
YOURS = ("my-unit.toml", "my-plan.toml", "site.pcapng", "answers.toml")
"""Files that a page may take for granted: a line that reads one is run where an earlier line has
made it."""
COMMAND = re.compile(r"^(?: {4}(?:\$ )?|\$ |)(kerfbus [a-z].*)$")
FENCE = re.compile(r"^```(\w*)")
FILE = re.compile(r"<!-- file (\S+) -->\n\n```\w*\n(.*?)```", re.DOTALL)
NOT_HERE = {
    r"/dev/|\bCOM\d|--serial": "needs an adapter",
    r"^kerfbus console": "needs a terminal; its own tests have one",
    r"^kerfbus (supply|qualify|rerun) .*--tcp": "a port of that number may be taken",
    r"^kerfbus qualify": "waits for a controller; docs/qualify.md says how it is tried",
    r"^kerfbus demo": "another test runs it",
    r"docs/": "writes into the repository",
    r"-unit\.toml(?=.*--plan)|site\.json|my-plan\.toml --port": "needs a machine",
}
"""Lines that are only parsed, by pattern, and why."""


class Line(NamedTuple):
    """A command in a page."""

    number: int
    text: str

    @property
    def only_parsed(self) -> bool:
        """Return whether it cannot be run here."""
        return any(re.search(pattern, self.text) for pattern in NOT_HERE)


def commands(page: Path) -> list[Line]:
    """Return the commands of a page: indented by four, or in a block of a shell."""
    found, fence = [], None
    for number, line in enumerate(page.read_text().splitlines(), 1):
        if mark := FENCE.match(line):
            fence = mark[1] if fence is None else None
            continue
        if fence is None and not line.startswith("    "):
            continue
        if fence in (None, "sh", "console") and (match := COMMAND.match(line)):
            found.append(Line(number, match[1]))
    return found


EVERY = [
    pytest.param(each.text, id=f"{page.stem}:{each.number}")
    for page in PAGES
    for each in commands(page)
]


def arguments_of(text: str) -> list[str]:
    """Return what follows the program's name, up to a redirection or a pipe."""
    words = shlex.split(text, comments=True)[1:]
    ends = [words.index(mark) for mark in (">", "|") if mark in words]
    return words[: min(ends, default=len(words))]


@pytest.mark.parametrize("text", EVERY)
def test_a_command_of_a_page_is_understood(text: str) -> None:
    arguments = arguments_of(text)
    command: click.Command = program
    while isinstance(command, click.Group) and arguments and not arguments[0].startswith("-"):
        found = command.get_command(click.Context(command), arguments.pop(0))
        assert found is not None, text
        command = found
    with contextlib.suppress(click.exceptions.Exit):  # --help
        command.make_context("kerfbus", arguments)


@contextlib.contextmanager
def supplies(lines: list[Line]) -> Iterator[None]:
    """Run the supplies that a page starts on ptys, the first of each name."""
    started: dict[str, str] = {}
    for each in lines:
        words = arguments_of(each.text)
        if words[0] == "supply" and not each.only_parsed:
            started.setdefault(words[words.index("--pty") + 1], each.text)
    with contextlib.ExitStack() as stack:
        for text in started.values():
            process = stack.enter_context(console.start(*arguments_of(text)))
            stack.callback(process.terminate)
            assert process.stdout is not None
            assert "ready" in process.stdout.readline(), text
        yield


def followed(text: str) -> console.Run:
    """Run a line in the folder at hand: in this process, or in a shell where it needs one."""
    if " | " in text:
        line = text.replace("kerfbus ", f"{shlex.quote(console.PROGRAM)} ")
        run = subprocess.run(["sh", "-c", line], capture_output=True, text=True, check=False)
        return console.Run(run.returncode, run.stdout, run.stderr)
    run = console.call(*arguments_of(text))
    words = shlex.split(text, comments=True)
    if ">" in words:
        Path(words[words.index(">") + 1]).write_text(run.out)
    return run


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="other platform: ptys")
@pytest.mark.parametrize("name", FOLLOWED)
def test_a_page_can_be_followed(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (page,) = (each for each in PAGES if each.stem == name)
    monkeypatch.chdir(tmp_path)
    for file, content in FILE.findall(page.read_text()):
        (tmp_path / file).write_text(content)
    lines = commands(page)
    here = [each for each in lines if not each.only_parsed]
    assert here
    with supplies(lines):
        for each in here:
            if arguments_of(each.text)[0] == "supply" or not inputs_are_there(each.text):
                continue
            run = followed(each.text)
            assert run.code in (0, 1), f"{page.name}:{each.number}: {each.text}\n{run.err}"


def inputs_are_there(text: str) -> bool:
    """Return whether files that a line reads are there: those that it does not itself make."""
    words = shlex.split(text, comments=True)
    made = {
        after
        for before, after in itertools.pairwise(words)
        if before in (">", "--output", "--capture", "--out", "--record", "--log")
    }
    return all(Path(each).exists() for each in YOURS if each in words and each not in made)


@pytest.mark.slow
def test_the_unit_that_the_guide_describes_ends_in_a_working_console(tmp_path: Path) -> None:
    """The last step, in a real terminal, on the map that the page's table makes."""
    if shutil.which("tmux") is None:
        pytest.skip("tmux is not installed")
    page = (tree.ROOT / "docs" / "units.md").read_text()
    ((_, table),) = FILE.findall(page)
    (tmp_path / "registers.csv").write_text(table)
    unit = tmp_path / "my-unit.toml"
    made = console.call(
        *("map", "import", tmp_path / "registers.csv", "--name", "my-unit", "--output", unit)
    )
    assert made.code == 0, made.err
    socket = str(tmp_path / "tmux")
    with console.supply_on_pty(tmp_path) as port:
        line = f"{console.PROGRAM} console --port {port} --map {unit}; echo ended; cat"
        size = ("-x", "100", "-y", "40")
        subprocess.run(
            ["tmux", "-f", "/dev/null", "-S", socket, "new-session", "-d", *size, line], check=True
        )

        def shown() -> str:
            return subprocess.run(
                ["tmux", "-S", socket, "capture-pane", "-p"],
                check=True,
                capture_output=True,
                text=True,
            ).stdout

        try:
            console.eventually(lambda: re.search(r"output_current +0\.0 A", shown()) is not None)
            assert "server 1 answers" in shown()
        finally:
            subprocess.run(["tmux", "-S", socket, "kill-server"], check=True)


@pytest.mark.slow
def test_the_pages_build_strictly(tmp_path: Path) -> None:
    """From what belongs to the repository alone, so that no file lying about mends a link."""
    source = tmp_path / "copy"
    for path in tree.tracked_files():
        if path.parts[0] in ("docs", "pyproject.toml") or path.suffix == ".md":
            (source / path).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(tree.ROOT / path, source / path)
    build = [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html"]
    run = subprocess.run(
        [*build, source / "docs", tmp_path / "site"], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert "A controller without a supply" in (tmp_path / "site" / "index.html").read_text()


def test_cautions_stand_before_the_steps() -> None:
    for name in ("developer", "installer", "units", "index"):
        text = (tree.ROOT / "docs" / f"{name}.md").read_text()
        first = text.index("kerfbus ", text.index("\n    kerfbus "))
        warned = re.search(r"^> \*\*", text, re.MULTILINE)
        assert warned is not None, name
        assert warned.start() < first or name == "units", name


@pytest.mark.slow
def test_there_is_a_manual_page_for_each_command(tmp_path: Path) -> None:
    program_text = [sys.executable, str(tree.ROOT / "docs" / "man.py"), str(tmp_path)]
    subprocess.run(program_text, check=True, capture_output=True)
    page = (tmp_path / "kerfbus-map-probe.1").read_text()
    assert ".SH" in page
    assert "--port" in page.replace("\\-", "-")
