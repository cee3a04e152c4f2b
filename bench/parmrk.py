"""Line errors tied to characters: the stream that a terminal driver marks with PARMRK.

Bytes go in, characters and marks come out; nothing here touches a port. With PARMRK and INPCK set
and IGNPAR, IGNBRK, BRKINT and ISTRIP clear, a driver delivers (POSIX.1-2017 XBD 11.2.2; GNU C
library manual, "Input Modes"; the table of HP-UX termio(7))

    FF FF       for a good character FF
    FF 00 X     for a character X received with a framing or parity error
    FF 00 00    for a break, too

Hence two things cannot be told from the stream alone: a break from a damaged 00, and a framing
error from a parity error. The driver's counters, where it has them, can (`ErrorSorter`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from kerfbus.bench.transport import CharacterError, LineCounters, LineEventKind

MARK = b"\xff"
_FRAMING, _PARITY, _BREAK = LineEventKind.FRAMING, LineEventKind.PARITY, LineEventKind.BREAK


class Mark(NamedTuple):
    """A marked character: its position among the decoded ones, from 0, and its value."""

    position: int
    value: int


def encode(data: bytes, marked: Iterable[int] = ()) -> bytes:
    r"""Return what a driver delivers for `data` with line errors at the positions `marked`.

    >>> encode(b"\x01\xff\x02", [2]).hex(" ")
    '01 ff ff ff 00 02'
    """
    bad = set(marked)
    return b"".join(
        b"\xff\x00" + data[i : i + 1] if i in bad else data[i : i + 1].replace(MARK, b"\xff\xff")
        for i in range(len(data))
    )


class MarkDecoder:
    """Takes the marks out of a stream, wherever it is cut.

    FF followed by anything but FF or 00 cannot come from a driver that marks. It is taken for a
    plain FF, as it would be seen in the instant between two settings, when marking is off.
    """

    def __init__(self) -> None:
        self._held = b""

    @property
    def pending(self) -> bool:
        """Return whether the beginning of a mark is held back."""
        return bool(self._held)

    def decode(self, data: bytes) -> tuple[bytes, tuple[Mark, ...]]:
        r"""Return the characters and marks that `data` completes.

        >>> decoder = MarkDecoder()
        >>> decoder.decode(b"\x01\xff")
        (b'\x01', ())
        >>> decoder.decode(b"\x00\x02")
        (b'\x02', (Mark(position=0, value=2),))
        """
        if not self._held and MARK not in data:
            return data, ()
        stream = self._held + data
        self._held = b""
        out = bytearray()
        marks: list[Mark] = []
        start = 0
        while (found := stream.find(MARK, start)) >= 0:
            out += stream[start:found]
            sign = stream[found + 1 : found + 3]
            if sign[:1] == MARK:
                out += MARK
                start = found + 2
            elif len(sign) == 2 and sign[0] == 0:
                marks.append(Mark(len(out), sign[1]))
                out.append(sign[1])
                start = found + 3
            elif sign in (b"", b"\0"):
                self._held = stream[found:]
                return bytes(out), tuple(marks)
            else:
                out += MARK
                start = found + 1
        out += stream[start:]
        return bytes(out), tuple(marks)


class ErrorSorter:
    """Gives marked characters their kind, with the driver's counters where there are any.

    With counters: what was counted since the last read is spent on the marks of this read, breaks
    on marked 00 first. When framing and parity errors were both counted in one read, their order
    is unknown: framing is spent first. What is not spent belongs to characters that the driver
    has counted and not yet delivered; it is kept for one read.

    Without: a marked 00 is called a break, since a 00 whose stop bit is low looks like one to the
    receiver, too. Any other is a framing error on a line without parity, where nothing else is
    possible, and is called a parity error on a line with it, since single wrong bits, the commonest
    damage, are nine times out of ten found by the parity bit. That is a guess; ports that use it
    say so in their facts.
    """

    def __init__(self, parity: str) -> None:
        self.parity = parity
        self._spare = {_FRAMING: 0, _PARITY: 0, _BREAK: 0}

    def sort(
        self, marks: Sequence[Mark], length: int, counted: LineCounters | None
    ) -> tuple[CharacterError, ...]:
        """Return the line errors of a chunk in order of position.

        Args:
            marks: the marked characters.
            length: of the chunk in characters, at least 1.
            counted: what the driver counted since the last call; None when it has no counters.

        An overrun is not marked in the stream. It is tied to the last character: the loss lies
        before the end of this chunk. What the host dropped is counted only.
        """
        if counted is None:
            return tuple(CharacterError(at, self._guess(value)) for at, value in marks)
        fresh = {
            _FRAMING: counted.framing or 0,
            _PARITY: counted.parity or 0,
            _BREAK: counted.break_ or 0,
        }
        for kind, count in fresh.items():
            self._spare[kind] += count
        errors = [CharacterError(at, self._spend(value)) for at, value in marks]
        for kind, count in fresh.items():
            self._spare[kind] = min(self._spare[kind], count)
        if counted.overrun:
            errors.append(CharacterError(length - 1, LineEventKind.OVERRUN))
        return tuple(errors)

    def _spend(self, value: int) -> LineEventKind:
        kinds = (_FRAMING, _PARITY) if value else (_BREAK, _FRAMING, _PARITY)
        for kind in kinds:
            if self._spare[kind]:
                self._spare[kind] -= 1
                return kind
        return self._guess(value)

    def _guess(self, value: int) -> LineEventKind:
        if not value:
            return _BREAK
        return _FRAMING if self.parity == "N" else _PARITY
