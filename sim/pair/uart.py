"""A UART: what it puts on a line, and what it makes of the levels that it samples there.

The sender gives the bits of characters. The receiver is a state machine over samples, one or many
at a time; it knows neither volts nor instants. It does what the hardware does:

- It hunts for a high sample followed by a low one. That low sample is number 1 of the start bit.
  When samples 2 and 3 are high, it was a glitch. (Without this a single wrong sample just before
  a character would put every bit of it half a bit early, where votes see two bits at once.)
- Of every bit it takes samples 7, 8 and 9 of 16 (3, 4 and 5 of 8) and goes by the majority; some
  families take one later, hence a parameter. A start bit that is high there was none, and the hunt
  goes on with sample 9, which may be the first of another.
- Only the first stop bit is looked at. Low, it is a framing error; when all bits were low, a break,
  delivered as 00 and, since the hunt wants a high sample first, once however long it lasts.
- After the stop bit's sample 9 it hunts again, whatever it found: the next start edge may come half
  a bit early, which is where the limits of a fast sender come from.

Sources: `tests/standards/test_uart_tolerance.py` names them; which samples vote is common practice
(MEMORY).
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind

OVERSAMPLING = 16
_EDGE = b"\x01\x00"
_GLITCH = b"\x01\x01"
_MARK_BIT = {"M": 1, "S": 0}
_MANY = 16384
"""From so many samples on it is quicker to look at all start edges at once (measured)."""
Meaning = tuple[int, tuple[LineEventKind, ...]]
"""Value and errors of a character."""


class Form(NamedTuple):
    """What of the settings a character's bits depend on."""

    data_bits: int
    parity: str
    stop_bits: int


class Received(NamedTuple):
    """A character in a receiver's samples.

    Attributes:
        value: data bits; 0 for a break.
        start: number of the first low sample.
        end: number of the first sample after the last stop bit, as the settings have it.
        errors: FRAMING, PARITY, BREAK, in this order.
    """

    value: int
    start: int
    end: int
    errors: tuple[LineEventKind, ...] = ()


def parity_bit(value: int, parity: str) -> int | None:
    """Return the parity bit of a character's data bits, None for parity N.

    Source: MODBUS over Serial Line V1.02, 2.6.1 (even and odd).

    >>> parity_bit(0b11000101, "E"), parity_bit(0b11000101, "O")
    (0, 1)
    """
    if parity == "N":
        return None
    return _MARK_BIT[parity] if parity in _MARK_BIT else value.bit_count() & 1 ^ (parity == "O")


@cache
def character_levels(form: Form) -> tuple[bytes, ...]:
    """Return the levels of each character, one byte a bit: start, data LSB first, parity, stop.

    Source: MODBUS over Serial Line V1.02, 2.5.1.
    """
    found = []
    for value in range(256):
        data = value & (1 << form.data_bits) - 1
        bits = [0, *(data >> place & 1 for place in range(form.data_bits))]
        parity = parity_bit(data, form.parity)
        bits += [] if parity is None else [parity]
        found.append(bytes(bits + [1] * form.stop_bits))
    return tuple(found)


def form_of(settings: LineSettings) -> Form:
    """Return the part of the settings that shapes a character."""
    return Form(settings.data_bits, settings.parity, settings.stop_bits)


def levels(data: bytes, settings: LineSettings) -> bytes:
    """Return the levels of characters without a gap, one byte (0 or 1) a bit.

    Bits above the format's data bits are not sent, as in hardware.
    """
    table = character_levels(form_of(settings))
    return b"".join(map(table.__getitem__, data))


def judge(bits: bytes, form: Form) -> Meaning:
    """Return value and errors of a character.

    Args:
        bits: data, parity if there is one, first stop bit; a byte each.
        form: the receiver's format.
    """
    value = sum(bit << place for place, bit in enumerate(bits[: form.data_bits]))
    if not any(bits):
        return 0, (LineEventKind.FRAMING, LineEventKind.BREAK)
    parity = parity_bit(value, form.parity)
    errors = [] if bits[-1] else [LineEventKind.FRAMING]
    if parity is not None and parity != bits[form.data_bits]:
        errors.append(LineEventKind.PARITY)
    return value, tuple(errors)


@cache
def meanings(form: Form) -> tuple[Meaning, ...]:
    """Return what `judge` says of every pattern of bits, the first bit lowest."""
    checked = form.data_bits + (form.parity != "N") + 1
    return tuple(
        judge(bytes(pattern >> place & 1 for place in range(checked)), form)
        for pattern in range(1 << checked)
    )


@cache
def _by_bits(form: Form) -> dict[bytes, Meaning]:
    """Return what `judge` says of every pattern of bits, by the bits."""
    checked = form.data_bits + (form.parity != "N") + 1
    return {
        bytes(pattern >> place & 1 for place in range(checked)): meaning
        for pattern, meaning in enumerate(meanings(form))
    }


class UartReceiver:
    """Samples in, characters out; cut the samples as you like.

    Args:
        settings: the format; the rate is in whoever takes the samples.
        oversampling: samples a bit, 16 or 8.
        first_vote: number of the first of the three samples that vote, counted from 1; 0 for the
            one before the middle: 7 of 16, 3 of 8.

    Attributes:
        position: number of the next sample, from 0.
    """

    def __init__(
        self, settings: LineSettings, oversampling: int = OVERSAMPLING, first_vote: int = 0
    ) -> None:
        self._form = form_of(settings)
        self._ratio = oversampling
        checked = 1 + settings.data_bits + (settings.parity != "N")  # bits before the stop bit
        self._first_vote = (first_vote or oversampling // 2 - 1) - 1  # now counted from 0
        self._last_vote = checked * oversampling + self._first_vote + 2
        self._length = (checked + settings.stop_bits) * oversampling
        self._known = _by_bits(self._form)
        # A line that is low when the UART wakes reads as a break.
        self._kept = b"\x01"
        self._offset = -1
        self.position = 0

    @property
    def resting(self) -> bool:
        """Return whether it hunts and the last sample was high: all before is forgotten."""
        return self._kept == b"\x01"

    def skip(self, count: int) -> None:
        """Take `count` high samples without having them; only while `resting`."""
        self.position += count
        self._offset += count

    def feed(self, samples: bytes) -> list[Received]:
        """Take samples, a byte (0 or 1) each, and return the characters that they complete."""
        line = self._kept + samples
        self.position += len(samples)
        found: list[Received] = []
        place = 0  # of the sample before the next that the hunt looks at
        if len(line) >= _MANY:
            place = self._many(line, found)
        while (edge := line.find(_EDGE, place)) >= 0:
            start = edge + 1
            if line[start + 1 : start + 3] == _GLITCH:
                place = start + 2
                continue
            votes = start + self._first_vote
            if len(line) <= votes + 2:
                return self._keep(line, edge, found)
            if line[votes] + line[votes + 1] + line[votes + 2] > 1:
                place = votes + 1
                continue
            place = start + self._last_vote
            if len(line) <= place:
                return self._keep(line, edge, found)
            value, errors = self._decide(line, start)
            begin = self._offset + start
            found.append(Received(value, begin, begin + self._length, errors))
        return self._keep(line, max(place, len(line) - 1), found)

    def _many(self, line: bytes, found: list[Received]) -> int:
        """Do what `feed` does for all start edges but the last few, side by side.

        Returns:
            Where the hunt goes on.
        """
        level = np.frombuffer(line, np.uint8)
        # A comparison of neighbours is 1 where the first is high and the second is low.
        edges = np.flatnonzero(level[:-1] > level[1:])
        start = edges[: int(edges.searchsorted(len(line) - self._last_vote - 1))] + 1
        votes = start + self._first_vote
        glitch = level[start + 1] + level[start + 2] == 2
        refused = level[votes] + level[votes + 1] + level[votes + 2] > 1
        after = np.where(refused, votes + 1, start + self._last_vote)
        after[glitch] = start[glitch] + 2
        following, passed = edges.searchsorted(after).tolist(), (glitch | refused).tolist()
        chosen, number, last = [], 0, -1
        while number < len(following):
            last = number
            if not passed[number]:
                chosen.append(number)
            number = following[number]
        if last < 0:
            return 0
        begins = start[chosen]
        at = (
            begins[:, None]
            + np.arange(self._ratio, self._last_vote, self._ratio)
            + self._first_vote
        )
        bits = level[at] + level[at + 1] + level[at + 2] > 1
        patterns = bits @ np.left_shift(1, np.arange(bits.shape[1]))
        known, offset, length = meanings(self._form), self._offset, self._length
        for begin, pattern in zip((begins + offset).tolist(), patterns.tolist(), strict=True):
            value, errors = known[pattern]
            found.append(Received(value, begin, begin + length, errors))
        return int(after[last])

    def _keep(self, line: bytes, place: int, found: list[Received]) -> list[Received]:
        """Keep the samples from `place` on."""
        self._kept = line[place:]
        self._offset += place
        return found

    def _decide(self, line: bytes, start: int) -> Meaning:
        """Return what the character is whose first low sample is at `start`."""
        first, ratio = start + self._ratio + self._first_vote, self._ratio
        end = start + self._last_vote + 1
        one, two, three = (line[first + each : end : ratio] for each in (0, 1, 2))
        if one != two or two != three:
            two = bytes((a + b + c) >> 1 for a, b, c in zip(one, two, three, strict=True))
        return self._known[two]
