"""Whom a message on the line concerns, and what the servers say to it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.framing import Frame, Stray
from kerfbus.bench.shapes import Shape
from kerfbus.sim.server import SupplyServer


def answers(
    message: Message, servers: Sequence[SupplyServer], errors: int
) -> Iterator[tuple[SupplyServer, bytes]]:
    """Hand a message to servers and yield what they answer, one after the other.

    Args:
        message: as heard by a station that serves them all; no echo.
        servers: on that station.
        errors: `FrameError` bits that spoil it.
    """
    piece = message.piece
    if isinstance(piece, Stray):
        for server in servers:
            server.damaged(errors)
    elif message.role is Role.REPLY and not _may_ask(piece, servers):
        for server in servers:
            server.overhear(errors)
    else:
        for server in servers:
            reply = server.handle(piece.data, piece.at, errors)
            if reply is not None:
                yield server, reply


def _may_ask(piece: Frame, servers: Sequence[SupplyServer]) -> bool:
    """Return whether a frame that looks like a reply must be taken for a request.

    Some requests look like their own replies. When one of them to us got no answer (a restart
    in listen-only mode) and is said again, only its address tells that nobody else can have
    answered it.
    """
    ours = not piece.data[0] or piece.data[0] in {each.address for each in servers}
    return ours and bool(piece.shapes & Shape.REQUEST)
