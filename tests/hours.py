"""An hour on a line with little traffic, for those who replay it."""

from __future__ import annotations

from pathlib import Path

from kerfbus.bench import wire
from kerfbus.sim.plainline import PlainOptions, open_simulated

TRANSACTIONS = 1000
PAUSE_SECONDS = 3.6
ASKED = wire.ReadInputRegisters(8, 5)


def record_hour(path: Path) -> None:
    """Record an hour in which a client asks a simulated supply a thousand times."""
    line = open_simulated("sim:", PlainOptions(path))
    for _ in range(TRANSACTIONS):
        line.hear(PAUSE_SECONDS)
        line.ask(ASKED)
    line.close()
