"""What each frame was to be, learned from the good frames around it.

A reply is known by its request: address, function, byte count, length. Its values are known from
the polls before and after, as far as these agree and the character does not change at every poll. A
request is known because clients repeat themselves. Job: keep that knowledge. It must not know what
was heard in place of what was due.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable

from kerfbus.bench.conversation import Role
from kerfbus.bench.crc import with_crc
from kerfbus.bench.diagnosis.pattern import Due
from kerfbus.bench.diagnosis.pieces import Piece
from kerfbus.bench.line import MAX_ADU
from kerfbus.bench.shapes import echoes_request, expected_reply_length

RESTLESS = 0.15
"""A character that differs from poll to poll more often than this is not known (chosen)."""
TEMPLATES = 64
"""Kinds of requests that damaged ones are compared with, the most frequent first (chosen)."""
_HEAD_REPEATED = frozenset((0x0F, 0x10))
"""The reply repeats the first six characters (MODBUS Application Protocol V1.1b3, 6.11, 6.12)."""

Key = tuple[int, int, int, bytes]


def kind_of(request: bytes) -> Key:
    """Return what two requests have in common that ask for the same, whatever values they carry."""
    fixed = 4 if request[1] in (5, 6) else 6
    return request[0], request[1], len(request), request[2:fixed]


class _History:
    """Good replies to one request, in order of time."""

    def __init__(self) -> None:
        self.at: list[int] = []
        self.data: list[bytes] = []
        self._rest: list[float] | None = None

    def add(self, at: int, data: bytes) -> None:
        self.at.append(at)
        self.data.append(data)

    def restless(self) -> list[float]:
        """Return for each character how often it differs between neighbours."""
        if self._rest is None:
            steps = list(zip(self.data, self.data[1:], strict=False))[-400:]
            size = len(self.data[0])
            changes = [0] * size
            for one, other in steps:
                if one != other:
                    for place in range(size):
                        changes[place] += one[place] != other[place]
            self._rest = [(change + 0.1) / (len(steps) + 1) for change in changes]
        return self._rest

    def due(self, at: int) -> Due:
        """Return what a reply at this instant was to be."""
        here = bisect_left(self.at, at)
        before = self.data[here - 1] if here else None
        behind = self.data[here] if here < len(self.at) else None
        guess = before or behind
        assert guess is not None
        limit = RESTLESS if before and behind else RESTLESS / 2
        known = bytearray(
            rest < limit and (not (before and behind) or before[place] == behind[place])
            for place, rest in enumerate(self.restless())
        )
        known[0:2] = b"\1\1"
        if not all(known[:-2]):
            known[-2:] = b"\0\0"
        return Due(guess, bytes(known))


class Book:
    """What was said well on a line, and hence what was to be said where it was not."""

    def __init__(self) -> None:
        self._replies: dict[bytes, _History] = defaultdict(_History)
        self._kinds: dict[Key, list[bytes]] = defaultdict(list)
        self._counts: Counter[Key] = Counter()
        self._requests: dict[int, bytes] = {}
        self._templates: list[Due] | None = None
        self._ages: dict[bytes, Due] = {}

    def learn(self, pieces: Iterable[Piece]) -> None:
        """Take the good frames of a line."""
        for piece in pieces:
            if not piece.good or piece.echo or piece.number is None:
                continue
            if piece.role is Role.REQUEST:
                self._requests[piece.number] = piece.data
                key = kind_of(piece.data)
                self._counts[key] += 1
                if len(self._kinds[key]) < 50:
                    self._kinds[key].append(piece.data)
            elif piece.role is Role.REPLY and piece.pairs_with is not None:
                request = self._requests.get(piece.pairs_with)
                if request is not None and not piece.data[1] & 0x80:
                    self._note(request, piece)

    def _note(self, request: bytes, piece: Piece) -> None:
        history = self._replies[request]
        if not history.data or len(history.data[0]) == len(piece.data):
            history.add(piece.at, piece.data)

    def requests(self) -> list[Due]:
        """Return the kinds of requests that were heard, the most frequent first."""
        if self._templates is None:
            self._templates = []
            for key, _ in self._counts.most_common(TEMPLATES):
                seen = self._kinds[key]
                known = bytearray(
                    all(each[place] == seen[0][place] for each in seen) for place in range(key[2])
                )
                if not all(known[:-2]):
                    known[-2:] = b"\0\0"
                self._templates.append(Due(seen[-1], bytes(known)))
        return self._templates

    def reply(self, request: bytes, at: int) -> Due | None:
        """Return the normal reply that was due to a request, None when nothing is known of it."""
        function = request[1]
        if echoes_request(function):
            return Due(request, bytes([1]) * len(request))
        if function in _HEAD_REPEATED:
            return Due(with_crc(request[:6]), bytes([1]) * 8)
        history = self._replies.get(request)
        if history is not None and history.data:
            return history.due(at)
        size = expected_reply_length(request) if len(request) >= 8 else 0
        if not 0 < size <= MAX_ADU:
            return None
        data = bytes((request[0], function, size - 5)) + bytes(size - 3)
        return Due(data, bytes([1, 1, 1]) + bytes(size - 3))
