"""`kerfbus demo`: the tour on a simulated supply."""

from __future__ import annotations

import click

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import Output


@click.command("demo", epilog=examples("kerfbus demo", "kerfbus demo --record record.html"))
@click.option("--seed", type=int, default=0, show_default=True, metavar="N", help="Of all chance.")
@click.option("--capture", metavar="FILE", help="Keep the recording; a new file.")
@click.option("--record", metavar="FILE.html", help="Keep the commissioning record; a new file.")
@click.option("--brief", is_flag=True, help="Only the first half: read, set, record, decode.")
@json_option
def command(seed: int, capture: str | None, record: str | None, brief: bool, as_json: bool) -> int:
    """Take the tour on a simulated supply, from read to record.

    Read and set values, hear a controller cut, record and decode it; then a cable goes bad when the
    arc strikes: soak shows it, explain names it, the cable is mended, acceptance passes and the
    record is written. It runs in virtual time inside this process and touches no port. The same
    seed gives the same recording, byte for byte.
    """
    import tempfile
    from pathlib import Path

    from kerfbus.tui.program import main
    from kerfbus.tui.running import run
    from kerfbus.tui.tour import Tour
    from kerfbus.tui.trouble import Trouble

    if brief and record is not None:
        raise click.UsageError("--brief ends before the record; leave one of the two out")
    if record is not None and Path(record).exists():
        raise click.UsageError(f"{record}: exists already; name a new file")
    output = Output(as_json=as_json)
    with tempfile.TemporaryDirectory(prefix="kerfbus-") as folder:
        path = Path(folder) / "demo.pcapng" if capture is None else Path(capture)
        tour = Tour(output, seed, path, kept=capture is not None)
        run(tour.take())
        kept = None if record is None else Path(record)
        trouble = Trouble(output, Path(folder), kept, lambda words: main(list(words)))
        if not brief:
            trouble.take()
        output.answer({**tour.answer, **trouble.answer})
    return DONE
