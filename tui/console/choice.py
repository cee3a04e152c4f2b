"""What the next key acts on."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Choice:
    """The chosen value, and how far the view of values has scrolled.

    Attributes:
        index: of the value among those that are shown.
        first: line at the top.
    """

    index: int = 0
    first: int = 0
