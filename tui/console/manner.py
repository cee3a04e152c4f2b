"""How a link is to be used; light, because the first paint needs it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kerfbus.tui.linking import Plan


@dataclass(frozen=True, slots=True)
class Manner:
    """How a link is to be used, whatever its port.

    Attributes:
        listen: hear the line as a tap and send nothing.
        every_ns: from the beginning of a request to that of the next; 0 for no pause.
        virtual: let a simulated line run in virtual time, for tests.
        seed: of a simulated line.
        spool: keep what passes in a temporary file, so that it can be explained.
    """

    listen: bool = False
    every_ns: int = 100_000_000
    virtual: bool = False
    seed: int = 0
    spool: bool = True


@dataclass(frozen=True, slots=True)
class Wishes:
    """What is wanted of a link.

    Attributes:
        plan: port, settings, server, map.
        manner: how it is to be used.
    """

    plan: Plan
    manner: Manner = Manner()
