"""A capture without the values that it holds.

Hidden: the values of registers, coils, file records and queues, the texts of the identification,
and the words of notes. Kept, because diagnosis lives on it: every time, every line error, every
damaged bit, addresses, function codes, which registers are asked for, refusals, lengths.

Not hidden: how often a value changes and when; characters that fit no frame, and damaged frames of
which nobody can say what they were to be (`Anonymised` counts both). A damaged frame that lost or
gained characters is masked place by place from its start; behind the loss its values are hidden,
but what a decoder makes of its tail may change.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from kerfbus.bench.capture import Burst, Capture, LineEvent, Record
from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.decode import Row
from kerfbus.bench.transactions import Attribution, Span
from kerfbus.bench.transport import LineEventKind
from kerfbus.bench.trimming.masking import Mask

_NOTE = "note="


class Anonymised(NamedTuple):
    """A capture without values.

    Attributes:
        capture: the same records, masked.
        frames: that were masked, or hold no value.
        unknown: damaged frames that were left as they are: nobody knows what they were to be.
        strays: characters outside frames, left as they are.
        uneven: damaged frames that lost or gained characters; masked from their start on.
    """

    capture: Capture
    frames: int
    unknown: int
    strays: int
    uneven: int


class _Masking:
    """Goes along a capture and masks its bursts."""

    def __init__(self, capture: Capture, mask: Mask) -> None:
        self._mask = mask
        self._attribution = Attribution(capture.info)
        self._requests: dict[int, bytes] = {}
        self._last = b""
        self.masks: dict[int, bytearray] = {}
        self.frames = self.unknown = self.strays = self.uneven = 0

    def run(self, records: Iterable[Record]) -> None:
        for record in records:
            self._rows(self._attribution.feed(record))
        self._rows(self._attribution.finish())

    def _rows(self, rows: Iterable[tuple[Row, list[Span]]]) -> None:
        for row, spans in rows:
            if row.message is not None:
                self._put(self._mask_of(row, row.message), spans)

    def _mask_of(self, row: Row, message: Message) -> bytes:
        """Return the mask of a piece, empty where nothing can be hidden."""
        data = message.piece.data
        if message.role is Role.STRAY:
            self.strays += len(data)
            return b""
        if message.role is Role.REQUEST and row.ok:
            assert message.number is not None
            self._requests[message.number] = self._last = data
            if len(self._requests) > 64:  # more than a conversation keeps open
                del self._requests[next(iter(self._requests))]
        mask = self._masked(message, data)
        if not mask:
            self.unknown += 1
            return b""
        self.frames += 1
        self.uneven += len(mask) != len(data)
        return mask

    def _masked(self, message: Message, data: bytes) -> bytes:
        asked = self._requests.get(-1 if message.pairs_with is None else message.pairs_with)
        if message.echo and message.errors and self._last:
            return self._mask.of_request(self._last)
        if message.role is Role.REQUEST:
            return self._mask.of_request(data)
        if asked is None and data[:2] == self._last[:2]:
            asked = self._last  # a reply that was not told to be one: damaged, or said twice
        return b"" if asked is None else self._mask.of_reply(asked, data)

    def _put(self, mask: bytes, spans: Iterable[Span]) -> None:
        place = 0
        for span in spans:
            size = span.end - span.start
            part = mask[place : place + size]
            place += size
            if any(part):
                whole = self.masks.setdefault(span.number, bytearray(len(span.burst.data)))
                whole[span.start : span.start + len(part)] = part


def anonymise(capture: Capture, key: bytes) -> Anonymised:
    """Return a capture without its values.

    Args:
        capture: with them.
        key: of the masks; the same key hides the same value of a register in the same way.
    """
    masking = _Masking(capture, Mask(key))
    masking.run(capture.records)
    records: list[Record] = []
    number = 0
    for each in capture.records:
        if isinstance(each, Burst):
            mask = masking.masks.get(number)
            number += 1
            records.append(each if mask is None else each._replace(data=_xor(each.data, mask)))
        else:
            records.append(_nameless(each))
    return Anonymised(
        capture._replace(records=tuple(records)),
        masking.frames,
        masking.unknown,
        masking.strays,
        masking.uneven,
    )


def _xor(data: bytes, mask: bytes | bytearray) -> bytes:
    return bytes(one ^ other for one, other in zip(data, mask, strict=True))


def _nameless(event: LineEvent) -> LineEvent:
    """Return an event without the words of a person."""
    if event.kind is LineEventKind.MARK and event.comment.startswith(_NOTE):
        return event._replace(comment=_NOTE + "removed")
    return event
