"""The program as a whole: its help, its errors, its exit codes."""

from __future__ import annotations

import importlib
import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import click
import console
import pytest

from kerfbus.tui import program

HEAVY = {"asyncio", "construct", "numpy", "pydantic", "pymodbus", "rich", "scipy", "serial"}


def command_of(name: str) -> click.Command:
    command = importlib.import_module(f"kerfbus.tui.commands.{name}").command
    assert isinstance(command, click.Command)
    return command


def all_commands() -> list[tuple[str, click.Command]]:
    """Return every command and subcommand with its full name."""
    found: list[tuple[str, click.Command]] = []
    for name in program.COMMANDS:
        command = command_of(name)
        found.append((name, command))
        if isinstance(command, click.Group):
            found += [(f"{name} {sub}", each) for sub, each in command.commands.items()]
    return found


COMMANDS = all_commands()


def test_help_imports_click_and_nothing_heavy() -> None:
    script = (
        "import sys; from kerfbus.tui.program import main; code = main(['--help'])\n"
        "print(code, *sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)\n"
        "print(*(n for n in sys.modules if n.startswith('kerfbus.tui.commands.')), file=sys.stderr)"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    loaded, commands = run.stderr.splitlines()[-2:]
    assert loaded.split()[0] == "0"
    assert "click" in loaded.split()
    assert not HEAVY & set(loaded.split())
    assert commands == ""
    for name, text in program.COMMANDS.items():
        assert re.search(rf"^  {name} +{re.escape(text)}$", run.stdout, re.MULTILINE)


@pytest.mark.parametrize("name", program.COMMANDS)
def test_help_table_is_the_first_sentence_of_the_command_s_help(name: str) -> None:
    assert (command_of(name).help or "").partition("\n")[0] == program.COMMANDS[name]


@pytest.mark.parametrize(("name", "command"), COMMANDS, ids=[name for name, _ in COMMANDS])
def test_command_has_help_with_an_example_that_parses(name: str, command: click.Command) -> None:
    run = console.call(*name.split(), "--help")
    assert run.code == 0
    assert max(map(len, run.out.splitlines())) <= 80
    lines = re.findall(rf"^ +kerfbus ({name}\b.*)$", run.out, re.MULTILINE)
    assert lines, "the help has no example"
    for line in lines:
        arguments = shlex.split(line, comments=True)[len(name.split()) :]
        command.make_context(name, arguments)  # raises on anything that it does not know


@pytest.mark.parametrize(("name", "command"), COMMANDS, ids=[name for name, _ in COMMANDS])
def test_help_says_what_it_does_and_how_it_ends(name: str, command: click.Command) -> None:
    first = (command.help or "").partition("\n")[0]
    assert first.endswith(".")
    assert first[0].isupper()
    assert "Exit codes: 0 done; 1" in console.call(*name.split(), "--help").out
    undescribed = [
        each.name for each in command.params if isinstance(each, click.Option) and not each.help
    ]
    assert not undescribed


@pytest.mark.parametrize(("name", "command"), COMMANDS, ids=[name for name, _ in COMMANDS])
def test_command_takes_json(name: str, command: click.Command) -> None:
    assert isinstance(command, click.Group) or "--json" in {
        option for each in command.params for option in each.opts
    }


USAGE = [
    ["nosuch"],
    ["--nosuch"],
    ["read", "--nosuch"],
    ["read", "--server", "one"],
    ["read", "--timeout", "0"],
    ["read", "mode", "--timeout", "nan"],
    ["read", "mode", "--timeout", "inf"],
    ["listen", "--seconds", "nan"],
    ["listen", "--seconds", "1e300"],
    ["read", "--retries", "-1"],
    ["decode"],
    ["write"],
    ["supply"],
    ["map"],
    ["map", "nosuch"],
]


@pytest.mark.parametrize("arguments", USAGE, ids=" ".join)
def test_usage_error_is_one_line_and_exit_2(arguments: list[str]) -> None:
    run = console.call(*arguments, "--json")
    assert run.code == 2
    (line,) = run.err.splitlines()
    assert run.answer == {"error": {"kind": "usage", "message": line.removeprefix("kerfbus: ")}}


def test_usage_error_without_json_leaves_standard_output_empty() -> None:
    run = console.call("read", "--nosuch")
    assert (run.code, run.out) == (2, "")
    assert len(run.err.splitlines()) == 1
    assert "--nosuch" in run.err
    assert "kerfbus read --help" in run.err


def test_nothing_asked_for_shows_the_help() -> None:
    run = console.call()
    assert run.code == 2
    assert "Commands:" in run.err


def test_version() -> None:
    assert re.fullmatch(r"kerfbus \d+\.\d+\S*\n", console.call("--version").out)


def test_shell_completion_knows_the_commands() -> None:
    run = console.run(_KERFBUS_COMPLETE="bash_complete", COMP_WORDS="kerfbus re", COMP_CWORD="1")
    assert "plain,read" in run.out


def test_a_reader_that_goes_away_ends_the_run_quietly() -> None:
    script = f"{shlex.quote(console.PROGRAM)} map show --json | true; echo ${{PIPESTATUS[0]}}"
    run = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True)
    assert (run.stdout, run.stderr) == ("0\n", "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="other platform: /dev/full")
@pytest.mark.parametrize("arguments", ["map show", "map show --json", "--help", "read --help"])
def test_an_answer_that_cannot_be_written_names_the_place(arguments: str) -> None:
    script = f"{shlex.quote(console.PROGRAM)} {arguments} >/dev/full"
    run = subprocess.run(["sh", "-c", script], capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert run.stderr == "kerfbus: standard output: No space left on device\n"


@pytest.mark.skipif(os.name != "posix", reason="other platform: a POSIX shell")
def test_closed_streams_are_no_bugs() -> None:
    script = f"{shlex.quote(console.PROGRAM)} read mode"
    run = subprocess.run(["sh", "-c", f"{script} >&-"], capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert run.stderr == ("kerfbus: standard output is closed; send it somewhere, e.g. >file\n")
    run = subprocess.run(["sh", "-c", f"{script} 2>&-"], capture_output=True, text=True, check=True)
    assert run.stdout.endswith("off  0 ms ago\n")


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (FileNotFoundError(2, "No such file or directory", "x.toml"), "file"),
        (ZeroDivisionError("nothing"), "bug"),
        (KeyboardInterrupt(), "interrupted"),
    ],
)
def test_every_other_end_has_a_kind(
    error: BaseException, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(program.LazyGroup, "get_command", fail)
    run = console.call("read", "--json")
    assert run.code == (130 if kind == "interrupted" else 2)
    assert json.loads(run.out)["error"]["kind"] == kind
    assert ("Traceback" in run.err) == (kind == "bug")


def test_a_terminal_without_the_letters_of_a_unit_shows_a_mark_in_their_place() -> None:
    run = console.run("read", "divider_resistance", PYTHONIOENCODING="cp1252")
    assert run.code == 0
    assert "1.0 k?" in run.out
