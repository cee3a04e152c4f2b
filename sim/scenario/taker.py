"""Records what one station of a bus hears and says, without anybody noticing."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike

from kerfbus.bench.capturewriter import CaptureWriter
from kerfbus.bench.transport import LineEventKind, Vantage
from kerfbus.sim.pair.adapter import Adapter
from kerfbus.sim.pair.bursts import Bursts
from kerfbus.sim.pair.bus import Bus, Listener
from kerfbus.sim.pair.setup import CLIENT, TAP, Setup
from kerfbus.sim.pair.talk import Character, Talk


def vantage_of(setup: Setup) -> Vantage:
    """Return the vantage of a setup's recording station as captures name it."""
    if setup.vantage == CLIENT:
        return "client"
    return "tap" if setup.vantage == TAP else "server"


class Taker(Listener):
    """Writes a capture of a station.

    Args:
        bus: the bus.
        setup: says which station, and how its adapter delivers.
        path: of the capture.
        overwrite: whether a file of this name may be replaced.

    Raises:
        CaptureError: the file exists or cannot be written.
    """

    def __init__(
        self, bus: Bus, setup: Setup, path: str | PathLike[str], *, overwrite: bool = False
    ) -> None:
        self.index = setup.index(setup.vantage)
        place, lumps = setup.place(setup.vantage), setup.lumps
        self._ear: Bursts | Adapter = (
            Bursts(place.settings)
            if lumps is None
            else Adapter(lumps, setup.seed, f"recorder at {setup.vantage}")
        )
        self._writer = CaptureWriter(
            path,
            settings=place.settings,
            vantage=vantage_of(setup),
            timing="exact" if lumps is None else "host",
            clock="virtual",
            uncertainty_ns=0 if lumps is None else lumps.believed_ns,
            seed=setup.seed,
            overwrite=overwrite,
            buffered=True,
        )
        self._writer.event(LineEventKind.OPENED, bus.now)
        bus.attach(self, first=True)

    @property
    def deadline(self) -> int:
        """Return when something that was heard is to be written."""
        return self._ear.deadline

    def take(self, heard: Sequence[Character], until: int) -> None:
        """Write what has come to an end."""
        for chunk in self._ear.take(heard, until):
            self._writer.inbound(chunk)

    def spoke(self, talk: Talk, end: int) -> None:
        """Write what the station itself says, behind what it heard before."""
        if isinstance(self._ear, Bursts):
            for chunk in self._ear.flush():
                self._writer.inbound(chunk)
        self._writer.outbound(talk.data, end)

    def mark(self, key: str, value: str, at: int) -> None:
        """Write a mark."""
        self._writer.mark(key, value, at)

    def close(self, at: int) -> None:
        """Write the rest and close."""
        for chunk in self._ear.flush():
            self._writer.inbound(chunk)
        self._writer.event(LineEventKind.LOST, at, comment="closed")
        self._writer.close()
