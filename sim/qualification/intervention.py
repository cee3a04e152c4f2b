"""What comes between the supply's true replies and the controller."""

from __future__ import annotations

from typing import NamedTuple

from kerfbus.bench.crc import with_crc
from kerfbus.bench.regmap import RegisterMap
from kerfbus.sim.qualification.lure import Lure, disguised, lured
from kerfbus.sim.qualification.treatment import Treatment, bad_frame

GAP_NS = 30_000_000
"""From a frame that should not have come to the true one: hosts see two (chosen)."""
READS = frozenset({1, 2, 3, 4})


class Outgoing(NamedTuple):
    """A frame to be sent.

    Attributes:
        after_ns: how long after it could be sent first.
        data: with CRC, or what stands in its place.
    """

    after_ns: int
    data: bytes


class Dealt(NamedTuple):
    """What became of a reply.

    Attributes:
        frames: what is sent, in order.
        treatment: what was done.
        baited: a lure is among the frames.
        done: this counts as one bad reply of the trial.
    """

    frames: tuple[Outgoing, ...]
    treatment: Treatment = Treatment.NONE
    baited: bool = False
    done: bool = False


class Intervention:
    """Deals with replies, one trial after the other.

    Args:
        register_map: where a lure goes.
    """

    def __init__(self, register_map: RegisterMap) -> None:
        self._map = register_map
        self._held: tuple[bytes, bytes] | None = None
        self._lure_pdu = b""
        self._turn = 0
        self._rest = False

    def begin(self) -> None:
        """Forget what the trial before left."""
        self._held, self._rest = None, False

    def deal(self, kind: Treatment, lure: Lure, request: bytes, reply: bytes) -> Dealt:
        """Return what is sent in place of a true reply.

        Args:
            kind: the trial's treatment.
            lure: what a bad reply shall say.
            request: frame.
            reply: frame, the true one.
        """
        pdu = reply[1:-2]
        bait = lured(lure, request[1:-2], pdu, self._map)
        if kind is Treatment.LATE:
            return self._late(request, reply, bait)
        wanted = request[1] in READS if kind is Treatment.SILENCE else bait is not None
        if not wanted:
            return _as_it_is(reply)
        if self._rest:
            self._rest = False
            return _as_it_is(reply)
        self._rest = True
        if kind is Treatment.SILENCE:
            return Dealt((), kind, baited=False, done=True)
        assert bait is not None
        bad = Outgoing(0, bad_frame(kind, request[0], bait, self._turn))
        self._turn += 1
        after = (Outgoing(GAP_NS, reply),) if kind is Treatment.FOREIGN else ()
        return Dealt((bad, *after), kind, baited=kind is not Treatment.EXCEPTION, done=True)

    def _late(self, request: bytes, reply: bytes, bait: bytes | None) -> Dealt:
        """Hold the reply to one read back until the next request is out.

        The one held back never tells of the status, so that its content cannot be taken for news;
        it has the words of a lure, and a length that is not that of the reply that is waited for.
        """
        if self._held is not None:
            asked, held = self._held
            self._held = None
            if asked != request:
                frames = (Outgoing(0, held), Outgoing(GAP_NS, reply))
                return Dealt(frames, Treatment.LATE, baited=bait is not None, done=True)
            # Asked again: the first reply is good enough, the second one is late.
            frames = (Outgoing(0, reply), Outgoing(GAP_NS, held))
            return Dealt(frames, Treatment.LATE, baited=True, done=True)
        if bait is not None:
            self._lure_pdu = bait
            self._rest = False
        elif self._lure_pdu and not self._rest and request[1] in READS:
            other = disguised(self._lure_pdu, reply[1:-2])
            if other is not None and other[0] == self._lure_pdu[0]:
                self._held = request, with_crc(request[:1] + other)
                self._rest = True
                return Dealt((), Treatment.LATE)
        return _as_it_is(reply)


def _as_it_is(reply: bytes) -> Dealt:
    return Dealt((Outgoing(0, reply),))
