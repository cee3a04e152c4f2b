"""Rates as a person reads them."""

from __future__ import annotations


def per_cent(rate: float) -> str:
    """Return a rate in per cent; small ones as a power of ten would be unreadable.

    >>> [per_cent(each) for each in (0.5, 0.0123, 0.00001)]
    ['50 %', '1.23 %', '0.001 %']
    """
    return f"{100 * rate:.3g} %"
