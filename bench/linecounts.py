"""Sums and differences of line counters in which "not reported" stays what it is."""

from __future__ import annotations

from kerfbus.bench.transport import LineCounters

_WRAP = 1 << 32
"""The kernel counts in 32 bits."""


def since(now: LineCounters, before: LineCounters) -> LineCounters:
    """Return what was counted between two readings; None where one of them does not report.

    >>> since(LineCounters(framing=7), LineCounters(framing=4)).framing
    3
    """
    return LineCounters(
        _since(now.framing, before.framing),
        _since(now.parity, before.parity),
        _since(now.break_, before.break_),
        _since(now.overrun, before.overrun),
        _since(now.dropped, before.dropped),
    )


def total(one: LineCounters | None, other: LineCounters | None) -> LineCounters | None:
    """Return the sum over two sessions of one port.

    A counter that only one session reported counts that session: the sum is then a lower bound.

    >>> total(LineCounters(framing=7, parity=None), LineCounters(framing=1, parity=2))
    LineCounters(framing=8, parity=2, break_=None, overrun=None, dropped=None)
    """
    if one is None or other is None:
        return one or other
    return LineCounters(
        _plus(one.framing, other.framing),
        _plus(one.parity, other.parity),
        _plus(one.break_, other.break_),
        _plus(one.overrun, other.overrun),
        _plus(one.dropped, other.dropped),
    )


def _since(now: int | None, before: int | None) -> int | None:
    return None if now is None or before is None else (now - before) % _WRAP


def _plus(one: int | None, other: int | None) -> int | None:
    if one is None or other is None:
        return one if other is None else other
    return one + other
