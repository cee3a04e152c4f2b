"""The README promises nothing that is not there."""

from __future__ import annotations

import importlib
import re
import shlex

import click
import console
import pytest
import tree

from kerfbus.tui.program import COMMANDS, program

README = (tree.ROOT / "README.md").read_text()
DEVELOPERS = (tree.ROOT / "DEVELOPERS.md").read_text()
TYPED = re.findall(r"^ {4}(?:\.venv\\Scripts\\)?kerfbus (.*)$", README + DEVELOPERS, re.MULTILINE)


def test_the_table_lists_every_command_and_no_other() -> None:
    assert re.findall(r"^\| `kerfbus (\w+)` \|", README, re.MULTILINE) == list(COMMANDS)


@pytest.mark.parametrize("line", TYPED)
def test_a_command_line_is_understood(line: str) -> None:
    arguments = shlex.split(line, comments=True)
    command: click.Command = program
    while arguments and not arguments[0].startswith("-"):
        if not isinstance(command, click.Group):
            break
        found = command.get_command(click.Context(command), arguments.pop(0))
        assert found is not None, line
        command = found
    try:
        command.make_context("kerfbus", arguments)
    except click.exceptions.Exit:  # --help
        assert "--help" in line


def test_there_are_command_lines() -> None:
    assert {line.split()[0] for line in TYPED} >= set(COMMANDS)


def test_every_make_target_that_is_named_is_there() -> None:
    makefile = (tree.ROOT / "Makefile").read_text()
    targets = set(re.findall(r"^([a-z]+):", makefile, re.MULTILINE))
    named = set(re.findall(r"(?:^ {4}|`)make ([a-z]+)", README + DEVELOPERS, re.MULTILINE))
    assert {"demo", "test", "setup"} <= named <= targets
    declared = re.search(r"^\.PHONY: (.*)$", makefile, re.MULTILINE)
    assert declared is not None
    assert targets == set(declared[1].split())


def test_what_demo_shows_is_what_it_shows() -> None:
    """But for digits, which follow the supply's model."""
    shown = README.partition("<!-- demo -->")[2].partition("<!-- /demo -->")[0]
    real = console.call("demo").out
    lines = [line.strip() for line in shown.strip().splitlines()]
    assert [plainly(line) for line in lines] == [
        plainly(line.strip()) for line in real.strip().splitlines()
    ], "paste what `kerfbus demo` prints into README.md, indented by four"


def plainly(line: str) -> str:
    """Return a line with one mark for each number and one space for each gap."""
    return re.sub(r"\d+(\.\d+)?", "#", " ".join(line.split()))


def test_links_lead_somewhere() -> None:
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert (tree.ROOT / target).exists(), target


def test_the_installed_script_starts_what_is_there() -> None:
    module, _, function = tree.project()["project"]["scripts"]["kerfbus"].partition(":")
    assert callable(getattr(importlib.import_module(module), function))
