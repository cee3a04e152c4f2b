"""Write a manual page for the program and for each of its commands: `make man`."""

from __future__ import annotations

import sys
from importlib.metadata import version
from pathlib import Path

import click
from click_man.core import write_man_pages

from kerfbus.tui.program import COMMANDS, program


def main(folder: Path) -> None:
    """Write the pages into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    context = click.Context(program)
    for name in COMMANDS:  # the program imports its commands one at a time; here all are wanted
        command = program.get_command(context, name)
        assert command is not None
        program.add_command(command, name)
    write_man_pages("kerfbus", program, version=version("kerfbus"), target_dir=str(folder))
    print(f"{len(list(folder.glob('*.1')))} pages in {folder}; man -l {folder / 'kerfbus-read.1'}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
