"""The same characters read under other settings: another rate, another format, the pair exchanged.

A receiver with wrong settings samples the same line at other places. From what it delivered the
line's levels can be had back, up to the silences between its characters, which lie on the sender's
grid of bits. Those silences are searched: what must come out is a frame of the sender's format,
with start, parity and stop bits in place and a CRC that fits. Job: that search. It must not know
any cause.

Source of what a receiver does: start at a falling edge, each bit in its middle, stop bit checked
once (references as for UARTs: Microchip documentation of stop bits; a framing error is followed by
a new start at once or after the next idle level, both are tried).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil, floor
from typing import NamedTuple

from kerfbus.bench.crc import crc_good
from kerfbus.bench.diagnosis.pieces import Piece
from kerfbus.bench.line import USUAL_BAUDS, LineSettings
from kerfbus.bench.transport import LineEventKind

NODES = 1200
"""Steps of a search before it is given up (chosen: some 20 ms)."""
PATIENT_NODES = 8000
"""The same, when nothing was found with fewer (chosen)."""
LONGEST = 14
"""Longest stretch of characters that is read again (chosen: requests are short)."""
UNKNOWN_BITS = 8
"""Bits that may be missed by sampling and are then tried either way (chosen)."""
FUNCTIONS = frozenset((1, 2, 3, 4, 5, 6, 7, 8, 0x0B, 0x0C, 0x0F, 0x10, 0x11, 0x16, 0x17, 0x2B))
_FRAMING = (LineEventKind.FRAMING, LineEventKind.BREAK)


class Guess(NamedTuple):
    """Settings of the sender, as they are tried.

    Attributes:
        ratio: length of its bit in bits of the receiver.
        parity: N, E or O.
        stop_bits: 1 or 2.
        inverted: whether the pair is exchanged.
    """

    ratio: float
    parity: str
    stop_bits: int
    inverted: bool

    @property
    def bits(self) -> int:
        """Return the bits of a character."""
        return 9 + (self.parity != "N") + self.stop_bits


class _Sampled(NamedTuple):
    """A character as the receiver sampled it: levels from the start bit on; None for unknown."""

    levels: tuple[int | None, ...]
    ended: int | None
    silence: float | None  # before it, in bits of the receiver, at most; None for little
    together: int  # characters of the burst that it begins, where it begins one
    at: float | None  # when it began, in bits of the receiver, where that is known


def _samples(piece: Piece, settings: LineSettings, *, reports: bool) -> list[_Sampled]:
    """Return what the receiver sampled.

    A burst is stamped with its end, so that the start of its last character is known. Where the
    others began is not: there may be up to half a character of silence before each.
    """
    flags: dict[int, set[LineEventKind]] = {}
    for position, kind, _ in piece.flags:
        flags.setdefault(position, set()).add(kind)
    count, bit, size = len(piece.data), 1e9 / settings.baud, settings.character_bits
    begins = [0, *(position for position, _ in piece.gaps)]
    lengths = [b - a for a, b in zip(begins, [*begins[1:], count], strict=True)]
    silences = dict(zip(begins[1:], (ns / bit for _, ns in piece.gaps), strict=True))
    found, now = [], 0.0
    for begin, length in zip(begins, lengths, strict=True):
        now += silences.get(begin, 0.0)
        for index in range(begin, begin + length):
            levels, stop = _levels(piece.data[index], settings, flags.get(index, set()), reports)
            last = index == begin + length - 1
            silence = silences.get(index) if index == begin else None
            found.append(_Sampled(levels, stop, silence, length, now if last else None))
            now += size
    return found


def _levels(
    value: int, settings: LineSettings, marks: set[LineEventKind], reports: bool
) -> tuple[tuple[int | None, ...], int | None]:
    """Return the levels of a character as sampled, and the last of them."""
    data = [value >> place & 1 for place in range(8)]
    levels: list[int | None] = [0, *data]
    if settings.parity in "EO":
        right = sum(data) & 1 ^ (settings.parity == "O")
        hidden = not reports or LineEventKind.BREAK in marks
        levels.append(None if hidden else right ^ (LineEventKind.PARITY in marks))
    stop = int(not marks & set(_FRAMING)) if reports else None
    return (*levels, stop), stop


@dataclass
class _Search:
    """A search for one stretch under one guess."""

    sampled: Sequence[_Sampled]
    guess: Guess
    character: int
    size: int
    exact: bool
    bits: list[int | None] = field(default_factory=list)
    nodes: int = 0
    anchors: list[tuple[int, float]] = field(default_factory=list)
    limit: int = NODES

    def run(self) -> bytes | None:
        """Return the frame that the characters make, None when they make none."""
        offsets = range(1, 10) if self.guess.inverted else (0,)
        for offset in offsets:
            # An exchanged pair shows the start bit as a pulse; the receiver starts at its end.
            self.bits = [0] * offset
            found = self._place(0, offset)
            if found is not None:
                return found
        return None

    def _place(self, index: int, start: int) -> bytes | None:
        """Lay the character at `index` onto the sender's bits from `start` on, and go on."""
        self.nodes += 1
        if self.nodes > self.limit or not self._on_time(index, start):
            return None
        kept, anchors = list(self.bits), len(self.anchors)
        at = self.sampled[index].at
        if at is not None:
            self.anchors.append((start, at))
        found = self._laid(index, start)
        if found is None:
            self.bits = kept
            del self.anchors[anchors:]
        return found

    def _on_time(self, index: int, start: int) -> bool:
        """Return whether a start agrees with the stamps; clocks may differ by half a per cent."""
        at = self.sampled[index].at
        if at is None or not self.anchors or not self.exact:
            return True
        start_then, at_then = self.anchors[-1]
        span = at - at_then
        return abs((start - start_then) * self.guess.ratio - span) < 0.6 + 0.006 * span

    def _laid(self, index: int, start: int) -> bytes | None:
        sampled, ratio = self.sampled[index], self.guess.ratio
        for place, level in enumerate(sampled.levels):
            if level is not None and not self._set(start + floor((place + 0.5) / ratio), level):
                return None
        if not self._possible(start):
            return None
        if index + 1 == len(self.sampled):
            return self._frame()
        for following in self._starts(index, start):
            checked, rises = self._rises(index, start, following)
            for rise in rises:
                kept = list(self.bits)
                if self._filled(checked, rise, following):
                    found = self._place(index + 1, following)
                    if found is not None:
                        return found
                self.bits = kept
        return None

    def _set(self, place: int, level: int) -> bool:
        """Note a level of the line; return whether it agrees with what is known."""
        bit = 1 - level if self.guess.inverted else level
        while len(self.bits) <= place:
            self.bits.append(None)
        if self.bits[place] is None:
            self.bits[place] = bit
        return self.bits[place] == bit

    def _starts(self, index: int, start: int) -> Iterator[int]:
        """Yield where on the sender's grid the next character of the receiver may start."""
        ratio = self.guess.ratio
        checked = start * ratio + self.character - 0.5
        first = ceil(checked / ratio)
        silence, together = self.sampled[index + 1].silence, self.sampled[index + 1].together
        if silence is not None and self.exact:
            latest = (start * ratio + self.size + silence) * 1.002 / ratio
            slack = 0.5 * self.size * (together - 1) / ratio
            yield from range(max(first, floor(latest - slack)), ceil(latest) + 1)
            return
        if self.sampled[index].ended != 1:
            yield floor(checked / ratio)
        longest = self.character * (0.5 if self.exact else 1.0) + 1
        yield from range(first, first + ceil(longest / ratio) + 1)

    def _rises(self, index: int, start: int, following: int) -> tuple[int, Iterable[int]]:
        """Return where the stop bit was looked at, and where the line may have come to idle.

        Before the next start the line must have been idle. Where the stop bit was, it stayed so.
        """
        ratio = self.guess.ratio
        checked = floor((start * ratio + self.character - 0.5) / ratio)
        ended = self.sampled[index].ended
        if following <= checked:
            return checked, (following,)
        if ended == 1:
            return checked, (checked,)
        return checked, range(checked + (ended == 0), following)

    def _filled(self, checked: int, rise: int, following: int) -> bool:
        """Note the levels between two characters; return whether they can be."""
        return all(self._set(place, int(place >= rise)) for place in range(checked, following))

    def _possible(self, since: int) -> bool:
        """Return whether the bits so far can be characters of the sender, and then silence.

        Args:
            since: what stands more than a character before was looked at already.
        """
        size, count = self.guess.bits, len(self.bits)
        for begin in range(max(0, since // size - 2) * size, count, size):
            if self.bits[begin] == 1:
                return all(bit != 0 for bit in self.bits[begin:])
            if not self._character(begin):
                return False
        return True

    def _character(self, begin: int) -> bool:
        """Return whether a character may begin here, as far as its bits are known."""
        bits, parity = self.bits[begin : begin + self.guess.bits], self.guess.parity
        stops = range(self.guess.bits - self.guess.stop_bits, self.guess.bits)
        if any(place < len(bits) and bits[place] == 0 for place in stops):
            return False
        if parity == "N" or len(bits) < 10 or None in bits[1:10]:
            return True
        ones = sum(bit or 0 for bit in bits[1:10])
        return ones & 1 == (parity == "O")

    def _frame(self) -> bytes | None:
        """Return the frame that the bits make, with idle behind them, if the CRC fits."""
        size = self.guess.bits
        bits = [*self.bits, *[1] * (-len(self.bits) % size)]
        characters = []
        for begin in range(0, len(bits), size):
            if bits[begin] == 1:
                break
            characters.append(bits[begin + 1 : begin + 9])
        if not 4 <= len(characters) <= 64:
            return None
        return _with_unknown(characters)


def _with_unknown(characters: list[list[int | None]]) -> bytes | None:
    """Return characters whose CRC fits, with bits that were not sampled either way."""
    gaps = [
        (index, place)
        for index, bits in enumerate(characters)
        for place, bit in enumerate(bits)
        if bit is None
    ]
    if len(gaps) > UNKNOWN_BITS:
        return None
    data = bytearray(
        sum((bit or 0) << place for place, bit in enumerate(bits)) for bits in characters
    )
    for choice in range(1 << len(gaps)):
        for number, (index, place) in enumerate(gaps):
            bit = 1 << place
            data[index] = data[index] | bit if choice >> number & 1 else data[index] & ~bit
        if crc_good(bytes(data)) and data[1] & 0x7F in FUNCTIONS and data[0] <= 247:
            return bytes(data)
    return None


class Receiver(NamedTuple):
    """How characters were heard.

    Attributes:
        settings: rate and format.
        reports: whether line errors are reported.
        exact: whether silences are known to a fraction of a bit.
    """

    settings: LineSettings
    reports: bool
    exact: bool


def read_as(piece: Piece, receiver: Receiver, guess: Guess, limit: int = NODES) -> bytes | None:
    """Return the frame that characters make under other settings, None when they make none.

    Args:
        piece: the characters, with line errors and silences.
        receiver: who heard them.
        guess: of the sender.
        limit: steps before the search is given up.
    """
    settings, reports, exact = receiver
    if not 2 <= len(piece.data) <= LONGEST:
        return None
    sampled = _samples(piece, settings, reports=reports)
    # One stop bit is checked however many are set.
    character = 10 + (settings.parity != "N")
    search = _Search(sampled, guess, character, settings.character_bits, exact, limit=limit)
    return search.run()


FORMATS = (("E", 1), ("N", 1), ("N", 2), ("O", 1))
_NEAR = (1.06, 1.09, 1.12, 0.94, 0.91, 0.88)
"""Ratios of rates that are not quite the same (chosen)."""
STRETCHES = 6
"""How many stretches are read again (chosen)."""
ENOUGH = 2
"""Stretches of different content that must make frames: one may do so by luck."""


def guesses(settings: LineSettings) -> dict[str, list[Guess]]:
    """Return what is tried, under ``inverted``, ``format`` and ``rate``, likely ones first."""
    here = (settings.parity, settings.stop_bits)
    ratios = [settings.baud / rate for rate in USUAL_BAUDS if 1.15 < settings.baud / rate < 13]
    others = [form for form in FORMATS if form != here]
    return {
        "inverted": [Guess(1.0, *form, inverted=True) for form in (here, *others)],
        "format": [Guess(1.0, *form, inverted=False) for form in others],
        "rate": [Guess(ratio, *here, inverted=False) for ratio in (*ratios, *_NEAR)],
    }


class Fit(NamedTuple):
    """What characters turn out to be under other settings.

    Attributes:
        kind: ``inverted``, ``format``, ``rate``; "" where nothing fits.
        guess: the settings, None where nothing fits.
        tried: how many stretches were read again.
        fitting: how many of them make frames.
        example: one of these frames.
    """

    kind: str = ""
    guess: Guess | None = None
    tried: int = 0
    fitting: int = 0
    example: bytes = b""


def _head(piece: Piece) -> Piece:
    """Return what stands before the widest silence of a stretch that is too long to be one frame.

    A host that delivers late leaves a request and its reply in one stretch.
    """
    if len(piece.data) <= LONGEST or not piece.gaps:
        return piece
    size, _ = max(piece.gaps, key=lambda gap: gap[1])
    flags = tuple(flag for flag in piece.flags if flag.position < size)
    gaps = tuple(gap for gap in piece.gaps if gap[0] < size)
    return piece._replace(data=piece.data[:size], flags=flags, gaps=gaps)


def refit(pieces: Iterable[Piece], settings: LineSettings, *, reports: bool, exact: bool) -> Fit:
    """Return under which settings characters that make no frames would make some.

    Args:
        pieces: characters that make no frames; few and short ones of them are tried.
        settings: of the receiver.
        reports: whether line errors are reported.
        exact: whether silences are known to a fraction of a bit.
    """
    heads = map(_head, pieces)
    distinct = {p.data: p for p in heads if 3 <= len(p.data) <= LONGEST}
    ordered = sorted(distinct.values(), key=lambda piece: (len(piece.data), piece.at))
    step = max(1, len(ordered) // (4 * STRETCHES))
    chosen = ordered[: 4 * STRETCHES * step : step][:STRETCHES]
    best = Fit(tried=len(chosen))
    tries = guesses(settings)
    rounds = [(kind, NODES, chosen) for kind in tries]
    rounds.append(("format", PATIENT_NODES, chosen[:4]))
    for kind, limit, stretches in rounds:
        for guess in tries[kind]:
            frames = {
                read_as(p, Receiver(settings, reports, exact), guess, limit) for p in stretches
            }
            found = sorted(frame for frame in frames if frame is not None)
            if len(found) > best.fitting:
                best = Fit(kind, guess, len(chosen), len(found), found[0])
        if best.fitting >= ENOUGH:
            break
    return best
