"""What a run of a plan has in hand: the line, the map, what may be written, what must be undone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager, nullcontext
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from kerfbus.bench.acceptance.timeline import WatchedLine
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap import ReadSpan, RegisterMap
from kerfbus.bench.soak import Soak
from kerfbus.bench.transport import Transport


class Kept(NamedTuple):
    """What stood in a register before anything was written.

    Attributes:
        name: of the register.
        raw: its words or bit.
    """

    name: str
    raw: tuple[int, ...]


class Journal(Protocol):
    """Where it is written down what must be put back, before the first write.

    Attributes:
        pending: what is not put back yet.
    """

    pending: tuple[Kept, ...]

    def changing(self, kept: Sequence[Kept]) -> None:
        """Write down what stands there now; returns once it is safe from a loss of power."""
        ...

    def restored(self) -> None:
        """Note that all is as it was."""
        ...


Following = Callable[[Soak, WatchedLine], AbstractAsyncContextManager[None]]


def _alone(_soak: Soak, _line: WatchedLine) -> AbstractAsyncContextManager[None]:
    return nullcontext()


@dataclass
class Session:
    """A run's means.

    Attributes:
        line: the port, open.
        server: the address.
        map: of the unit.
        policy: time-out and retries of all but soaks, which try nothing again.
        journal: where it is written down what must be put back.
        may_write: whether armed steps are done.
        following: shows a person how far a soak is, while it runs.
        soaked: the account of the last error rate, for steps that can do with it.
        not_restored: a line for each register that could not be put back so far.
    """

    line: Transport
    server: int
    map: RegisterMap
    policy: Policy
    journal: Journal
    may_write: bool
    following: Following = _alone
    soaked: WatchedLine | None = None
    not_restored: list[str] = field(default_factory=list)

    _client: Client | None = None

    def client(self) -> Client:
        """Return the client on the line: one for the whole run, so that it knows late replies."""
        if self._client is None:
            self._client = Client(self.line, self.policy)
        return self._client

    def spans(self, names: Sequence[str]) -> tuple[ReadSpan, ...]:
        """Return what is read again and again: the registers named, else the map's first group.

        Raises:
            UsageError: the map has nothing that can be read.
        """
        if not names:
            readable = [each for each in self.map.registers if each.readable]
            if not readable:
                raise UsageError(f"map {self.map.name} has nothing that can be read")
            names = [each.name for each in readable if each.group == readable[0].group]
        return tuple(self.map.plan_reads(names))
