"""Parts of captures, and captures put together.

A cut goes between two records, at the first one that is stamped at or behind an instant; so parts
put together again are the whole, record for record. The settings in force where a part begins stand
in its header. Marks stay where they are: a part that begins while the arc burns does not say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from os import PathLike

from kerfbus.bench.capture import Burst, Capture, CaptureWriter, LineEvent, Record, changed_settings
from kerfbus.bench.capturerecords import CaptureInfo, settings_comment
from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transactions import beginning, cut_transactions
from kerfbus.bench.transport import LineEventKind


def cut_by_time(capture: Capture, begin_ns: int | None, end_ns: int | None) -> Capture:
    """Return what was recorded between two times.

    Args:
        capture: the whole.
        begin_ns: from its beginning; None for the beginning itself.
        end_ns: from its beginning, not within the part; None for the end.

    Raises:
        UsageError: nothing was recorded then.
    """
    zero = beginning(capture.info, capture.records)
    first = 0 if begin_ns is None else _place(capture.records, zero + begin_ns)
    end = len(capture.records) if end_ns is None else _place(capture.records, zero + end_ns)
    return _part(capture, first, end)


def _place(records: Sequence[Record], at: int) -> int:
    """Return the index of the first record stamped at or behind an instant."""
    return next((index for index, each in enumerate(records) if each.at >= at), len(records))


def cut_by_transactions(capture: Capture, first: int, last: int) -> Capture:
    """Return some transactions, with all that stands between them.

    Args:
        capture: the whole.
        first: index of the first of them, from 0.
        last: index of the last of them.

    Raises:
        UsageError: there are no such transactions.
    """
    begins = transaction_places(capture)
    if not 0 <= first <= last < len(begins):
        raise UsageError(
            f"transactions {first}-{last}: the capture has "
            + (f"0 to {len(begins) - 1}" if begins else "none")
        )
    end = begins[last + 1] if last + 1 < len(begins) else len(capture.records)
    return _part(capture, begins[first], end)


def transaction_places(capture: Capture) -> list[int]:
    """Return the index of the record in which each transaction begins.

    Two that came in one lump begin in the same record.
    """
    bursts = [index for index, each in enumerate(capture.records) if isinstance(each, Burst)]
    return [bursts[each.burst] for each in cut_transactions(capture.info, capture.records)]


def _part(capture: Capture, first: int, end: int) -> Capture:
    if first >= end:
        raise UsageError("nothing was recorded there: the part would be empty")
    settings = settings_at(capture, first)
    return Capture(replace(capture.info, settings=settings), capture.records[first:end], None)


def settings_at(capture: Capture, place: int) -> LineSettings:
    """Return the settings in force before a record."""
    settings = capture.info.settings
    for each in capture.records[:place]:
        if isinstance(each, LineEvent) and each.kind is LineEventKind.SETTINGS:
            settings = changed_settings(each.comment, settings)
    return settings


def join(captures: Sequence[Capture], gap_ns: int | None = None) -> Capture:
    """Return captures of one station as one.

    Args:
        captures: in order; at least one.
        gap_ns: silence that is put between them, whatever their instants; None leaves those.

    Raises:
        UsageError: they are not of one kind, or one begins before the one before it ends.
    """
    first = captures[0]
    records = list(first.records)
    settings = settings_at(first, len(records))
    for number, each in enumerate(captures[1:], 2):
        _check_alike(first.info, each.info, number)
        shift = _shift(records, each, gap_ns, number)
        if each.info.settings != settings:
            at = (each.records[0].at + shift) if each.records else records[-1].at
            comment = settings_comment(each.info.settings)
            records.append(LineEvent(LineEventKind.SETTINGS, at, comment=comment))
        records += [record._replace(at=record.at + shift) for record in each.records]
        settings = settings_at(each, len(each.records))
    return Capture(first.info, tuple(records), None)


def _shift(records: Sequence[Record], following: Capture, gap_ns: int | None, number: int) -> int:
    """Return by how much the instants of a capture are moved."""
    if not records or not following.records:
        return 0
    end = max(record.at for record in records)
    begin = beginning(following.info, following.records)
    if gap_ns is not None:
        return end + gap_ns - begin
    if following.records[0].at < end - 1_000_000_000:
        # Within a second the records of one capture may stand in another order than their stamps.
        raise UsageError(
            f"capture {number} begins before the one before it ends; give a gap to put it behind"
        )
    return 0


def _check_alike(first: CaptureInfo, other: CaptureInfo, number: int) -> None:
    for name in ("vantage", "timing", "clock"):
        one, another = getattr(first, name), getattr(other, name)
        if one != another:
            raise UsageError(
                f"capture {number}: {name} {another} and not {one}; one file is one station's"
            )


def write_capture(path: str | PathLike[str], capture: Capture) -> None:
    """Write a capture to a new file.

    Raises:
        CaptureError: the file exists or cannot be written.
    """
    info = capture.info
    with CaptureWriter(
        path,
        settings=info.settings,
        vantage=info.vantage,
        timing=info.timing,
        clock=info.clock,
        uncertainty_ns=info.uncertainty_ns,
        seed=info.seed,
        program=info.program or "kerfbus",
        buffered=True,
    ) as writer:
        for record in capture.records:
            writer.write(record)
