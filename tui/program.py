"""The program `kerfbus`: which commands there are, and how every run of one ends.

Rule: `kerfbus --help` imports click and nothing else, so the table below holds the one-line helps
and a command's module is imported only when that command is asked for. Each such module holds a
click command named ``command`` that returns its exit code.

How runs end, and with which exit code, is in `kerfbus.tui.endings`.
"""

from __future__ import annotations

import importlib
import io
import os
import sys
from collections.abc import Sequence

import click

COMMANDS = {
    "demo": "Take the tour on a simulated supply, from read to record.",
    "supply": "Be a simulated plasma supply on a pty, a serial port or TCP.",
    "read": "Read values by name, or by table and address.",
    "write": "Set values; on a real port only with --arm.",
    "listen": "Hear a line as a tap: decode, count, record; send nothing.",
    "find": "Find rate, format and server addresses on an unknown line.",
    "soak": "Ask many times; say how good the link is, and how sure that is.",
    "console": "See a link live: poll, write, watch and record it on one screen.",
    "decode": "Turn a capture into frames and transactions.",
    "rerun": "Run a capture again, as client or server; tell what differs.",
    "capture": "Cut, join, shrink, anonymise, show, export captures.",
    "explain": "Say what is probably wrong with a link, from a capture of it.",
    "qualify": "Act as the supply, let things go wrong, grade the controller.",
    "accept": "Run an acceptance plan; write the commissioning record.",
    "cable": "Compute bias, termination, lengths, stubs, divider, hose, duty.",
    "scenario": "Run simulated worlds in virtual time; list, check, plot them.",
    "process": "Show cutting processes; suggest a starting point.",
    "map": "Check, show, export, import, compare and probe register maps.",
    "doctor": "Say what this machine can and cannot do, and what to do.",
    "completion": "Print the script that completes command lines in a shell.",
}
"""Each command and its one line of help, in the order in which a newcomer needs them."""


class LazyGroup(click.Group):
    """A group whose commands are modules, imported one at a time."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names from the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of one command; None when there is no such command."""
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"kerfbus.tui.commands.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table without importing a command."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="\b\nExamples:\n  kerfbus demo\n  kerfbus read --help\n\n"
    "Exit codes: 0 done; 1 it ran, and the answer is bad; 2 it could not run.",
)
@click.version_option(package_name="kerfbus", message="%(package)s %(version)s")
def program() -> None:
    """A bench for the serial link between a motion controller and a plasma supply.

    Without a port given, commands talk to a simulated supply. Every command takes --json.

    Kerfbus is never a safety function: emergency stop and start permission are hard-wired.
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command line and return the exit code.

    Args:
        arguments: what follows the program's name, by default from the process.
    """
    if "_KERFBUS_COMPLETE" in os.environ:  # a shell asks for completions; click answers and exits
        program.main(prog_name="kerfbus")
    given = list(sys.argv[1:] if arguments is None else arguments)
    if sys.stdout is None:  # the shell's >&-
        print("kerfbus: standard output is closed; send it somewhere, e.g. >file", file=sys.stderr)
        return 2
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # units such as kΩ, on terminals without them
    try:
        with program.make_context("kerfbus", given.copy()) as context:
            code = program.invoke(context)
        sys.stdout.flush()
    except BaseException as error:  # noqa: BLE001 (the one boundary; nothing is swallowed)
        from kerfbus.tui.endings import ended

        return ended(error, as_json="--json" in given)
    return int(code or 0)
