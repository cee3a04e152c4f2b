"""`kerfbus console`: see a link live; poll, write, watch and record it on one screen."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from kerfbus.tui.durations import DURATION
from kerfbus.tui.endings import DONE
from kerfbus.tui.options import Link, examples, json_option, once_link_options
from kerfbus.tui.output import Output

if TYPE_CHECKING:
    from kerfbus.tui.console.model import Model


@click.command(
    "console",
    epilog=examples(
        "kerfbus console",
        "kerfbus console --port /dev/ttyUSB0 --map my-unit.toml --capture site.pcapng",
        "kerfbus console --port /dev/ttyUSB0 --listen",
        "kerfbus console --open site.pcapng",
    ),
)
@once_link_options
@click.option(
    "--every",
    type=DURATION,
    default="100ms",
    show_default=True,
    metavar="T",
    help="From one request to the next.",
)
@click.option("--listen", is_flag=True, help="Hear the line as a tap; send nothing.")
@click.option("--capture", metavar="FILE", help="Record from the start; a new file.")
@click.option("--open", "opened", metavar="FILE", help="Look at this capture instead of a line.")
@click.option(
    "--theme", type=click.Choice(["dark", "light"]), default="dark", show_default=True, help="Look."
)
@click.option("--seed", type=click.IntRange(0), metavar="N", help="Of a simulated line's chance.")
@json_option
def command(link: Link, as_json: bool, **options: Any) -> int:
    """See a link live: poll, write, watch and record it on one screen.

    Three sentences on top say whether it talks, whether it is healthy, and what is wrong. ? shows
    every key and the command that does the same. On a real port nothing is written before it is
    armed, by typing a word. The screen is drawn on standard error; what the session came to is
    printed at the end.
    """
    from kerfbus.bench.errors import UsageError
    from kerfbus.tui.console.app import Console
    from kerfbus.tui.console.manner import Manner

    if options["listen"] and options["opened"]:
        raise click.UsageError("give --listen or --open, not both")
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise UsageError("the console needs a terminal; `kerfbus read` and `listen` need none")
    manner = Manner(
        listen=options["listen"],
        every_ns=round(options["every"] * 1e9),
        seed=options["seed"] or 0,
    )
    theme = f"kerfbus-{options['theme']}"
    console = Console(link, manner, options["capture"], options["opened"], theme)
    with _sized_by_standard_error():
        console.run()
    if console.return_code:
        return int(console.return_code)
    _tell(Output(as_json=as_json), console.live)
    return DONE


@contextlib.contextmanager
def _sized_by_standard_error() -> Iterator[None]:
    """Let the size of the terminal be that of standard error, on which the screen is drawn.

    Python asks the original standard output for it, which may be a file here.
    """
    before = sys.__stdout__
    sys.__stdout__ = sys.__stderr__  # type: ignore[misc]
    try:
        yield
    finally:
        sys.__stdout__ = before  # type: ignore[misc]


def _tell(output: Output, model: Model | None) -> None:
    """Say what the session came to."""
    quality = None if model is None or model.quality is None else model.quality.to_json()
    recording = model.recording if model is not None else None
    output.answer(
        {
            "port": model.link.port if model is not None else None,
            "quality": quality,
            "capture": recording.path if recording is not None else None,
            "capture_error": (recording.error or None) if recording is not None else None,
        }
    )
    if output.as_json:
        return
    from kerfbus.tui.traffic import quality_lines

    if quality is not None and quality["transaction_error_rate"] is not None:
        output.texts(quality_lines(quality))
    if recording is not None:
        output.text(recording.error or f"Recorded to {recording.path}.")
