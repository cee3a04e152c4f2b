"""`kerfbus capture`: captures cut, joined, shrunk, made nameless, shown, made into tables."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kerfbus.tui.durations import DURATION
from kerfbus.tui.endings import DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import Output

if TYPE_CHECKING:
    from kerfbus.bench.capture import Capture

Command = Callable[..., Any]
NS = 1_000_000_000


@click.group(
    "capture",
    epilog=examples("kerfbus capture show site.pcapng", "kerfbus capture shrink --help"),
)
def command() -> None:
    """Cut, join, shrink, anonymise, show, export captures.

    What is written is a new file, always, and a capture that any pcapng library reads.
    """


def _to(function: Command) -> Command:
    return click.option("--to", required=True, metavar="FILE", help="The new file.")(function)


@command.command(
    epilog=examples(
        "kerfbus capture cut site.pcapng --from 90s --until 2m --to part.pcapng",
        "kerfbus capture cut site.pcapng --transactions 100-140 --to part.pcapng",
    )
)
@click.argument("file")
@click.option("--from", "begin", type=DURATION, metavar="T", help="From this time on: 90s, 15m.")
@click.option("--until", type=DURATION, metavar="T", help="What is recorded before this time.")
@click.option("--transactions", metavar="N-M", help="These, counted from 0, and all between them.")
@_to
@json_option
def cut(file: str, to: str, as_json: bool, **where: Any) -> int:
    """Take a part of a capture, by time from its beginning or by transactions."""
    from kerfbus.bench.trimming.cutting import cut_by_time, cut_by_transactions

    begin, until, numbers = where["begin"], where["until"], where["transactions"]
    if (numbers is None) == (begin is None and until is None):
        raise click.UsageError("give --from and --until, or --transactions N-M")
    capture = _read(file)
    if numbers is not None:
        part = cut_by_transactions(capture, *_range(numbers))
    else:
        part = cut_by_time(capture, _ns(begin), _ns(until))
    return _written(part, to, Output(as_json=as_json))


def _ns(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * NS)


def _range(text: str) -> tuple[int, int]:
    """Return the first and the last number of ``N-M`` or ``N``."""
    first, dash, last = text.partition("-")
    if not first.isdigit() or (dash and not last.isdigit()):
        raise click.UsageError(f"--transactions {text}: give N or N-M, e.g. 100-140")
    return int(first), int(last if dash else first)


@command.command(
    epilog=examples("kerfbus capture join monday.pcapng tuesday.pcapng --to both.pcapng")
)
@click.argument("files", nargs=-1, required=True)
@click.option(
    "--gap", type=DURATION, metavar="T", help="Put each so long behind the one before it."
)
@_to
@json_option
def join(files: tuple[str, ...], gap: float | None, to: str, as_json: bool) -> int:
    """Put captures of one station into one file, in the order given.

    Times stay as they are; captures of simulated lines all begin at 0 and need --gap.
    """
    from kerfbus.bench.trimming.cutting import join as joined

    whole = joined([_read(file) for file in files], _ns(gap))
    return _written(whole, to, Output(as_json=as_json))


@command.command(
    epilog=examples(
        "kerfbus capture shrink bad.pcapng --damaged --to small.pcapng",
        "kerfbus capture shrink bad.pcapng --explained-as echo --to small.pcapng",
        'kerfbus capture shrink bad.pcapng --command "./check {}" --to small.pcapng',
    )
)
@click.argument("file")
@click.option(
    "--command",
    "line",
    metavar="LINE",
    help="Fails where this command ends with the same exit code, not 0, as on the whole; "
    "{} stands for the file.",
)
@click.option("--damaged", is_flag=True, help="Fails where a frame is damaged.")
@click.option(
    "--explained-as", "cause", metavar="CAUSE", help="Fails where kerfbus explain names it first."
)
@_to
@json_option
def shrink(file: str, to: str, as_json: bool, **failure: Any) -> int:
    """Find the smallest capture that still fails.

    First transactions are left out, then single records, until none can be without the failure
    going away. Times are not moved. Exit code 2 where the whole capture does not fail.
    """
    from kerfbus.bench.trimming.shrinking import Shrinking
    from kerfbus.tui.failing import predicate

    line, cause = failure["line"], failure["cause"]
    if [line, cause].count(None) + (not failure["damaged"]) != 2:
        raise click.UsageError("give one of --command LINE, --damaged and --explained-as CAUSE")
    output = Output(as_json=as_json)
    capture = _read(file)
    _new(to)
    with predicate(line, cause, capture) as fails:
        shrinking = Shrinking(capture, fails)
        small = shrinking.run()
    output.text(f"{len(capture.records)} records to {len(small.records)}, {shrinking.tried} tried")
    return _written(small, to, output, tried=shrinking.tried)


@command.command(
    epilog=examples(
        "kerfbus capture anonymise site.pcapng --to public.pcapng",
        "kerfbus capture anonymise site.pcapng --key our-secret --to public.pcapng",
    )
)
@click.argument("file")
@click.option(
    "--key",
    metavar="TEXT",
    help="Hide equal values alike in all captures that get this key; else a new one each time.",
)
@_to
@json_option
def anonymise(file: str, key: str | None, to: str, as_json: bool) -> int:
    """Hide the values that a capture holds, and keep all that diagnosis lives on.

    Equal values of one register stay equal; good frames stay good; of damaged ones the very bits
    that were hit stay. Not hidden: times, addresses, which registers are asked for, refusals, how
    often a value changes, characters that fit no frame. Whoever knows a value knows its mask.
    """
    import secrets

    from kerfbus.bench.trimming.anonymising import anonymise as masked

    output = Output(as_json=as_json)
    result = masked(_read(file), secrets.token_bytes(32) if key is None else key.encode())
    output.text(f"{result.frames} frames without values now.")
    if result.unknown or result.strays:
        output.text(
            f"As they were: {result.unknown} frames of which nobody can say what they hold, "
            f"{result.strays} characters outside frames."
        )
    if result.uneven:
        output.text(
            f"{result.uneven} damaged frames lost or gained characters: a decoder may see their "
            "tails otherwise."
        )
    counts = {name: getattr(result, name) for name in ("frames", "unknown", "strays", "uneven")}
    return _written(result.capture, to, output, **counts)


@command.command(
    epilog=examples(
        "kerfbus capture show site.pcapng",
        "git config diff.kerfbus.textconv 'kerfbus capture show'",
    )
)
@click.argument("file")
@click.option("--map", metavar="FILE", help="Show values by the names of this register map.")
@json_option
def show(file: str, map: str | None, as_json: bool) -> int:  # noqa: A002 (the option's name)
    """Show a capture as plain text: the same file, the same text, wherever it lies.

    So git can show what changed in a capture: `*.pcapng diff=kerfbus` in .gitattributes, and the
    second example below.
    """
    from kerfbus.bench.capture import CaptureReader
    from kerfbus.bench.decode import Decoder
    from kerfbus.bench.traffictext import capture_text
    from kerfbus.tui.chosen import chosen_map

    output = Output(as_json=as_json)
    with CaptureReader(file) as reader:
        if as_json:
            decoder = Decoder(reader.info)
            for record in reader:
                for row in decoder.feed(record):
                    output.answer(row.to_json())
            for row in decoder.finish():
                output.answer(row.to_json())
            output.answer(decoder.summary.to_json())
        else:
            named = None if map is None else chosen_map(map)
            output.texts(capture_text(reader, "capture", named))
        if reader.warning:
            output.remark(f"{file}: {reader.warning}")
    return DONE


@command.command(
    epilog=examples(
        "kerfbus capture export site.pcapng --to site.csv",
        "kerfbus capture export year/*.pcapng --to year.parquet",
    )
)
@click.argument("files", nargs=-1, required=True)
@_to
@json_option
def export(files: tuple[str, ...], to: str, as_json: bool) -> int:
    """Make a table of captures, a row a frame: CSV, or Parquet with the extra "parquet".

    The columns are in docs/captures.md. Captures are told apart by the column `capture`, which
    holds the file's name as given.
    """
    from kerfbus.bench.trimming.columns import frame_tables
    from kerfbus.tui.progress import Progress

    output = Output(as_json=as_json)
    for file in files:
        if not Path(file).is_file():
            raise click.UsageError(f"{file}: there is no such file")
    with _table(to) as table, Progress("exporting", total=len(files)) as progress:
        for number, file in enumerate(files):
            for rows in frame_tables(file, file):
                table.add(rows)
            progress.reached(number + 1)
    output.text(f"{table.rows} rows of {len(files)} captures in {to}")
    output.answer({"to": to, "captures": len(files), "rows": table.rows})
    return DONE


def _table(to: str) -> Any:
    """Return the new file for a table."""
    kind = Path(to).suffix.lower()
    if kind == ".csv":
        from kerfbus.bench.trimming.csvfile import CsvFile

        return CsvFile(to)
    if kind != ".parquet":
        raise click.UsageError(f"--to {to}: its name must end in .csv or .parquet")
    try:
        from kerfbus.bench.trimming.parquetfile import ParquetFile
    except ImportError as error:
        raise click.UsageError(
            f"--to {to}: Parquet needs pyarrow; install kerfbus[parquet], or write .csv"
        ) from error
    return ParquetFile(to)


def _read(file: str) -> Capture:
    from kerfbus.bench.capture import read_capture

    return read_capture(file)


def _new(to: str) -> None:
    """Refuse early, before long work, what could not be written at its end."""
    from kerfbus.bench.errors import CaptureError

    if Path(to).exists():
        raise CaptureError(to, "exists already; name a new file")


def _written(capture: Capture, to: str, output: Output, **more: int) -> int:
    """Write a capture and say so."""
    from kerfbus.bench.trimming.cutting import write_capture

    write_capture(to, capture)
    output.text(f"{len(capture.records)} records in {to}")
    output.answer({"to": to, "records": len(capture.records), **more})
    return DONE
