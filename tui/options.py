"""Options that several commands share, so that they are spelled and explained once.

The options of a link arrive in a command as one `Link`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import click

Command = Callable[..., Any]

DEFAULT_PORT = "sim:"
LONGEST_SECONDS = 100_000_000.0
"""About three years; nanoseconds of it still fit everywhere (chosen)."""


@dataclass(frozen=True, slots=True)
class Link:
    """Which port, how, and whom to ask.

    Attributes:
        port: the port string.
        baud: bits per second, None for what the map says.
        format: the character format, e.g. ``8E1``, None for what the map says.
        server: the server address, None for what the map says.
        map: the register map's file, None for the default map.
        timeout_seconds: how long to wait for a reply.
        retries: how often to ask again.
    """

    port: str = DEFAULT_PORT
    baud: int | None = None
    format: str | None = None
    server: int | None = None
    map: str | None = None
    timeout_seconds: float = 1.0
    retries: int = 2


class Seconds(click.FloatRange):
    """A time that can be waited for: more than 0, and a number (not ``nan``, not ``inf``)."""

    def __init__(self) -> None:
        super().__init__(0, LONGEST_SECONDS, min_open=True)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the seconds, or fail with what would be right."""
        seconds = float(super().convert(value, param, ctx))
        if math.isnan(seconds):  # no comparison is true of it, so the range lets it through
            self.fail(f"{value!r} is not a number of seconds.", param, ctx)
        return seconds

    def _describe_range(self) -> str:
        return "x>0"  # the upper end is nobody's concern


SECONDS = Seconds()


EXIT_CODES = "Exit codes: 0 done; 1 it ran, and the answer is bad; 2 it could not run."


def examples(*lines: str) -> str:
    """Return the epilog of a command's help: command lines that work as they stand, exit codes."""
    heading = "Example:" if len(lines) == 1 else "Examples:"
    return "\n".join(("\b", heading, *(f"  {line}" for line in lines), "", EXIT_CODES))


def json_option(function: Command) -> Command:
    """Add ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Answer in JSON, for a program.")(
        function
    )


def line_options(function: Command) -> Command:
    """Add ``--baud`` and ``--format``; both are None where they are not given."""
    for option in (
        click.option("--format", metavar="FORMAT", help="Data bits, parity, stop bits: 8E1, 8N2."),
        click.option("--baud", type=int, metavar="N", help="Bits a second."),
    ):
        function = option(function)
    return function


def port_option(function: Command) -> Command:
    """Add ``--port``."""
    return click.option(
        "--port",
        default=DEFAULT_PORT,
        show_default=True,
        metavar="PORT",
        help="/dev/ttyUSB0, COM5, rfc2217://HOST:PORT, socket://HOST:PORT; sim: is simulated.",
    )(function)


def map_option(function: Command) -> Command:
    """Add ``--map``."""
    return click.option(
        "--map",
        metavar="FILE",
        help="Register map in TOML; without it the invented map of the simulated supply.",
    )(function)


def _server_option(addresses: str) -> Callable[[Command], Command]:
    return click.option(
        "--server",
        type=int,
        metavar="ADDRESS",
        help=f"Server address, {addresses}. Without it, --baud, --format: as the map says.",
    )


def timeout_option(function: Command) -> Command:
    """Add ``--timeout``."""
    return click.option(
        "--timeout",
        "timeout_seconds",
        type=SECONDS,
        default=1.0,
        show_default=True,
        metavar="SECONDS",
        help="Wait for a reply.",
    )(function)


def once_link_options(function: Command) -> Command:
    """Add what it takes to ask a server where nothing is tried again; it comes as ``link``.

    For commands that count what goes wrong: a retry would hide it.
    """
    return _linked(function, "1 to 247", retries=0)


def link_options(function: Command) -> Command:
    """Add all that it takes to ask a server; the command gets them as ``link``."""
    return _link_options(function, "1 to 247")


def link_and_broadcast_options(function: Command) -> Command:
    """Add the same for a command that may also speak to all servers at once."""
    return _link_options(function, "1 to 247; 0: all at once")


def _link_options(function: Command, addresses: str) -> Command:
    retries = click.option(
        "--retries",
        type=click.IntRange(0),
        default=2,
        show_default=True,
        metavar="N",
        help="Ask again after no answer.",
    )
    return _linked(retries(function), addresses)


def _linked(function: Command, addresses: str, **fixed: Any) -> Command:
    """Add the options of a link, and hand them over as one, with what is fixed."""

    @functools.wraps(function)
    def with_link(*arguments: object, **options: Any) -> object:
        given = {each.name: options.pop(each.name) for each in fields(Link) if each.name in options}
        return function(*arguments, link=Link(**given, **fixed), **options)

    wrapped: Command = with_link
    for option in (
        timeout_option,
        map_option,
        _server_option(addresses),
        line_options,
        port_option,
    ):
        wrapped = option(wrapped)
    return wrapped
