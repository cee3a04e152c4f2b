"""How runs end: the exit codes, and what is said when a run could not come to its own end.

A bad end is one line on standard error and, with ``--json``, also an object
``{"error": {"kind", "message"}}`` on standard output.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
import traceback

import click

from kerfbus.bench.errors import KerfbusError

DONE = 0
BAD_ANSWER = 1
"""It ran, and the answer is bad: no reply, a fault, a difference."""
CANNOT_RUN = 2
"""It could not run: usage, port, file."""
INTERRUPTED = 130
"""Stopped by Ctrl-C before it was done (128 + SIGINT, as shells have it)."""


_UNNAMED = dict.fromkeys((errno.ENOSPC, errno.EIO, errno.EFBIG), "standard output")
"""Whose errors these are when no file is named: those of writing."""


def ended(error: BaseException, *, as_json: bool) -> int:
    """Report why a run ended and return its exit code."""
    match error:
        case click.exceptions.Exit():
            return error.exit_code
        case click.exceptions.NoArgsIsHelpError():
            return _help_instead(error, as_json=as_json)
        case click.ClickException():
            return report(*_usage(error), as_json=as_json)
        case KerfbusError():
            return report(error.kind, str(error), as_json=as_json)
        case BrokenPipeError():
            return _reader_gone()
        case KeyboardInterrupt() | click.Abort():
            return report("interrupted", "interrupted", as_json=as_json, code=INTERRUPTED)
        case OSError():
            return report("file", _system(error), as_json=as_json)
        case Exception():  # nobody's mistake but ours: all that helps to find it
            traceback.print_exception(error)
            return report("bug", f"a bug in kerfbus: {error!r}", as_json=as_json)
        case _:
            raise error


def report(kind: str, message: str, *, as_json: bool, code: int = CANNOT_RUN) -> int:
    """Write one line to standard error, with `as_json` one object to standard output."""
    line = " ".join(message.split())
    print(f"kerfbus: {line}", file=sys.stderr)
    if as_json:
        with contextlib.suppress(OSError):
            print(json.dumps({"error": {"kind": kind, "message": line}}), flush=True)
    return code


def _usage(error: click.ClickException) -> tuple[str, str]:
    """Return kind and message of a mistake on the command line, with the way to the help."""
    message = error.format_message().rstrip(".")
    if isinstance(error, click.UsageError) and error.ctx is not None:
        message += f"; see {error.ctx.command_path} --help"
    return "usage", message


def _help_instead(error: click.exceptions.NoArgsIsHelpError, *, as_json: bool) -> int:
    """Show the help where nothing was asked for."""
    if as_json:
        return report("usage", "no command given", as_json=True)
    print(error.format_message(), file=sys.stderr)
    return CANNOT_RUN


def _system(error: OSError) -> str:
    """Return what the operating system said, and of which file.

    Whoever writes a file names it; what has no name is standard output, written by the help and by
    the last flush of a run.
    """
    what = error.strerror or str(error) or type(error).__name__
    place = error.filename if error.filename is not None else _UNNAMED.get(error.errno or 0)
    return f"{place}: {what}" if place is not None else what


def _reader_gone() -> int:
    """End quietly: whoever read the output (``| head``) has seen enough."""
    # The interpreter flushes standard output once more at exit and would complain then.
    nowhere = os.open(os.devnull, os.O_WRONLY)
    with contextlib.suppress(OSError, ValueError):
        os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
    return DONE
