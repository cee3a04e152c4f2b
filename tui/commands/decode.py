"""`kerfbus decode`: a capture as frames and transactions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import HEADING, Output

if TYPE_CHECKING:
    from kerfbus.bench.capture import CaptureReader, Record
    from kerfbus.bench.decode import Decoder, Row

EVERY = 1000
"""Records between two looks at the progress."""
BLOCK_BYTES = 46
"""What a block takes besides its characters, with half of the padding."""


@click.command(
    "decode",
    epilog=examples(
        "kerfbus decode site.pcapng",
        "kerfbus decode site.pcapng --map my-unit.toml",
        "kerfbus decode site.pcapng --json",
    ),
)
@click.argument("file")
@click.option("--map", metavar="FILE", help="Show values by the names of this register map.")
@click.option("--all", "show_all", is_flag=True, help="Show the characters of good frames, too.")
@click.option("--events", is_flag=True, help="With --json: also line events, as role event.")
@json_option
def command(
    file: str,
    map: str | None,  # noqa: A002 (the option's name)
    show_all: bool,
    events: bool,
    as_json: bool,
) -> int:
    """Turn a capture into frames and transactions.

    Damaged frames and stray characters are shown with their characters. A capture that is damaged
    in the middle is decoded up to there; then the place is named, and the exit code is 2.
    """
    from kerfbus.bench.capture import CaptureReader
    from kerfbus.bench.decode import Decoder
    from kerfbus.bench.traffictext import about
    from kerfbus.tui.chosen import chosen_map
    from kerfbus.tui.traffic import TrafficLines, summary_lines

    output = Output(as_json=as_json)
    with CaptureReader(file) as reader:
        decoder = Decoder(reader.info)
        named = None if map is None else chosen_map(map)
        lines = TrafficLines(output, show_all=show_all, register_map=named)
        output.text(f"{Path(file).name}: {about(reader.info)}", HEADING)
        lines.header()
        try:
            _decode(reader, decoder, lambda row: lines.give(row, events=events))
        finally:
            output.texts(summary_lines(decoder.summary))
            output.answer(decoder.summary.to_json())
        if reader.warning:
            output.remark(f"{file}: {reader.warning}")
    return DONE


def _decode(reader: CaptureReader, decoder: Decoder, give: Callable[[Row], None]) -> None:
    """Give out each row in the order of the line, to the end of the file or its damage."""
    try:
        for record in _with_progress(reader):
            for row in decoder.feed(record):
                give(row)
    finally:
        for row in decoder.finish():
            give(row)


def _with_progress(reader: CaptureReader) -> Iterator[Record]:
    """Yield the records, and show how far that is when it takes long."""
    from kerfbus.bench.capture import Burst
    from kerfbus.tui.progress import Progress

    size = Path(reader.path).stat().st_size
    done = 0
    with Progress("decoding", total=size) as progress:
        for number, record in enumerate(reader):
            # Blocks are padded and have heads, events have no characters: an estimate will do.
            done += BLOCK_BYTES + len(record.data if isinstance(record, Burst) else b"")
            if number % EVERY == 0:
                progress.reached(min(done, size))
            yield record
