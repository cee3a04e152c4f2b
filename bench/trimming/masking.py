"""Where in a frame values stand, and the mask that hides them while the frame stays what it is.

A mask is XORed onto a frame. Its last two characters are what the CRC of the rest changes by: the
CRC is linear, ``crc(a ^ m) = crc(a) ^ crc(m) ^ crc(0)`` for equal lengths. So a good frame stays
good, and of a damaged one the syndrome, that is the very bits that were hit, stays the same.

Each register has its own mask, drawn from a key: equal values of one register stay equal, in every
frame and every capture that is masked with that key, and nothing is told of values of different
registers.

Source of the layouts: MODBUS Application Protocol V1.1b3, 6.1 to 6.21.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterator

from kerfbus.bench.crc import crc16
from kerfbus.bench.shapes import candidates, expected_reply_length

HIGHEST = 0xFFFF


class Mask:
    """Makes masks.

    Args:
        key: what they are drawn from; whoever knows it can undo them.
    """

    def __init__(self, key: bytes) -> None:
        self._key = key
        self._words: dict[tuple[object, ...], int] = {}

    def word(self, *place: object) -> int:
        """Return the 16 bits of a place, always the same for the same key."""
        found = self._words.get(place)
        if found is None:
            digest = hmac.new(self._key, repr(place).encode(), hashlib.sha256).digest()
            found = self._words[place] = int.from_bytes(digest[:2], "big")
        return found

    def of_request(self, frame: bytes) -> bytes:
        """Return the mask of a request, as long as its own fields say that it is.

        Args:
            frame: the request, good or damaged; empty where its length is unknown.
        """
        length = next((c.length for c in candidates(frame) if c.shape & 1 and c.length), 0)
        if len(frame) < 2 or not length:
            return b""
        return self._closed(bytearray(length), self._request(frame, length))

    def of_reply(self, request: bytes, frame: bytes) -> bytes:
        """Return the mask of a reply to a known request, as long as the whole reply is.

        Args:
            request: a good frame.
            frame: the reply, good or damaged.
        """
        if len(frame) < 2 or frame[1] == request[1] | 0x80:
            return bytes(len(frame))  # a refusal holds no value
        length = expected_reply_length(request) if len(request) >= 8 else 0
        length = length or next((c.length for c in candidates(frame) if c.shape & 2), 0)
        length = length or len(frame)
        return self._closed(bytearray(length), self._reply(request, frame, length))

    @staticmethod
    def _closed(mask: bytearray, hidden: Iterator[tuple[int, int]]) -> bytes:
        """Return the mask with what the CRC changes by at its end."""
        body = len(mask) - 2
        for place, bits in hidden:
            if place < body:
                mask[place] = bits
        change = crc16(bytes(mask[:body])) ^ crc16(bytes(body))
        mask[body:] = change.to_bytes(2, "little")
        return bytes(mask)

    def _request(self, frame: bytes, length: int) -> Iterator[tuple[int, int]]:
        """Yield the places of a request that hold values, with their masks."""
        server, function = frame[0], frame[1]
        start = int.from_bytes(frame[2:4], "big")
        match function:
            case 0x05:
                if frame[4:6] in (b"\xff\x00", b"\x00\x00"):
                    yield 4, 0xFF * (self.word(server, "coil", start) & 1)
            case 0x06:
                yield from self._words_at(4, (server, "holding", start), 1)
            case 0x0F:
                count = int.from_bytes(frame[4:6], "big")
                yield from self._bits_at(7, (server, "coil", start), min(count, 8 * (length - 9)))
            case 0x10:
                yield from self._words_at(7, (server, "holding", start), (length - 9) // 2)
            case 0x16:  # the masks of 6.16, with that of the register neither would mean anything
                yield from self._words_at(4, (server, "mask", start), 2)
            case 0x17:
                start = int.from_bytes(frame[6:8], "big")
                yield from self._words_at(11, (server, "holding", start), (length - 13) // 2)
            case 0x08:
                yield from self._echo_data(frame)
            case 0x15:
                yield from self._any_at(10, (server, function), length)

    def _reply(self, request: bytes, frame: bytes, length: int) -> Iterator[tuple[int, int]]:
        server, function = request[0], request[1]
        start = int.from_bytes(request[2:4], "big")
        match function:
            case 0x01 | 0x02:
                table = "coil" if function == 0x01 else "discrete"
                count = int.from_bytes(request[4:6], "big")
                yield from self._bits_at(3, (server, table, start), count)
            case 0x03 | 0x04 | 0x17:
                table = "input" if function == 0x04 else "holding"
                yield from self._words_at(3, (server, table, start), (length - 5) // 2)
            case 0x05 | 0x06 | 0x08 | 0x16 | 0x15:
                yield from self._request(request, length)
            case 0x07:
                yield from self._any_at(2, (server, function), length)
            case 0x18:
                yield from self._words_at(6, (server, "queue", start), (length - 8) // 2)
            case 0x2B:
                yield from self._objects(server, frame, length)
            case 0x11 | 0x14:
                yield from self._any_at(3, (server, function), length)

    def _words_at(
        self, place: int, first: tuple[int, str, int], count: int
    ) -> Iterator[tuple[int, int]]:
        server, table, start = first
        for number in range(count):
            word = self.word(server, table, start + number & HIGHEST)
            yield place + 2 * number, word >> 8
            yield place + 2 * number + 1, word & 0xFF

    def _bits_at(
        self, place: int, first: tuple[int, str, int], count: int
    ) -> Iterator[tuple[int, int]]:
        server, table, start = first
        for byte in range(-(-count // 8)):
            bits = 0
            for bit in range(min(8, count - 8 * byte)):
                word = self.word(server, table, start + 8 * byte + bit & HIGHEST)
                bits |= (word & 1) << bit
            yield place + byte, bits

    def _any_at(self, place: int, name: tuple[int, int], length: int) -> Iterator[tuple[int, int]]:
        for each in range(place, length - 2):
            yield each, self.word(*name, each) & 0xFF

    def _echo_data(self, frame: bytes) -> Iterator[tuple[int, int]]:
        """Yield the data that sub-function 0 has sent back; others have orders or counts there."""
        if frame[2:4] == b"\0\0":
            yield from self._any_at(4, (frame[0], 0x08), len(frame))

    def _objects(self, server: int, frame: bytes, length: int) -> Iterator[tuple[int, int]]:
        """Yield the texts of a device identification; their lengths stay (6.21)."""
        place = 8
        while place + 2 <= length - 2 and place + 1 < len(frame):
            number, size = frame[place], frame[place + 1]
            for each in range(size):
                yield place + 2 + each, self.word(server, "object", number, each) & 0x1F
            place += 2 + size
