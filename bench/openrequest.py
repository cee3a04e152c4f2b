"""A request whose reply is waited for, and what fits it.

Job: what pairs a reply with its request: server, function code, length, what the reply repeats.
Rule: plain bytes. It must not know whose request it is nor whose turn it is; that is
`kerfbus.bench.conversation`.

Source of what a reply repeats: MODBUS Application Protocol V1.1b3, 6.5, 6.6, 6.8, 6.11, 6.12, 6.16.
"""

from __future__ import annotations

from kerfbus.bench.shapes import expected_reply_length


class OpenRequest:
    """A request and what has become of it.

    Args:
        number: of its frame on the line.
        data: address, PDU, CRC; at least two characters.
        at: end of its last character.
        asked: length of its reply where that is known already, 0 where the request does not tell.
    """

    __slots__ = ("answered", "asked", "at", "damaged", "data", "doubtful", "function", "number")

    def __init__(self, number: int, data: bytes, at: int, asked: int | None = None) -> None:
        self.number = number
        self.data = data
        self.at = at
        self.function = data[1]
        if asked is None:
            asked = expected_reply_length(data) if len(data) >= 8 else 0
        self.asked = asked
        self.answered = data[0] == 0  # nobody answers a broadcast
        self.damaged = False  # something came in place of the reply
        self.doubtful = False  # what answered it may have been an echo

    def fits(self, reply: bytes) -> bool:
        """Return whether `reply` can answer this request."""
        asked = self.data
        if reply[0] != asked[0]:
            return False
        if reply[1] == self.function | 0x80:
            return True
        if reply[1] != self.function or (self.asked and len(reply) != self.asked):
            return False
        if self.function in (0x0F, 0x10, 0x16):
            return reply[2:6] == asked[2:6]
        if self.function in (0x05, 0x06, 0x08):
            return reply[2:4] == asked[2:4]
        return True

    def resembles(self, other: OpenRequest) -> bool:
        """Return whether a reply to this request could pass for one to `other`."""
        return (
            self.data[0] == other.data[0]
            and self.function == other.function
            and self.asked == other.asked
            and (self.function not in (0x05, 0x06, 0x0F, 0x10) or self.data[2:6] == other.data[2:6])
        )
