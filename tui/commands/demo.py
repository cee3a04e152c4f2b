"""`kerfbus demo`: the tour on a simulated supply."""

from __future__ import annotations

import click

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import Output


@click.command("demo", epilog=examples("kerfbus demo", "kerfbus demo --capture demo.pcapng"))
@click.option("--seed", type=int, default=0, show_default=True, metavar="N", help="Of all chance.")
@click.option("--capture", metavar="FILE", help="Keep the recording; a new file.")
@json_option
def command(seed: int, capture: str | None, as_json: bool) -> int:
    """Take the tour on a simulated supply: read, set, record, decode.

    It runs in virtual time inside this process and touches no port. The same seed gives the same
    recording, byte for byte.
    """
    import tempfile
    from pathlib import Path

    from kerfbus.tui.running import run
    from kerfbus.tui.tour import Tour

    with tempfile.TemporaryDirectory(prefix="kerfbus-") as folder:
        path = Path(folder) / "demo.pcapng" if capture is None else Path(capture)
        run(Tour(Output(as_json=as_json), seed, path, kept=capture is not None).take())
    return DONE
