"""The account of a link over millions of frames, as columns.

Job: the counts of `kerfbus.bench.quality`, from `kerfbus.bench.bulk`, without Python work per
frame, and where in a capture something went wrong. What a frame is follows from its shape and from
the frame before it: late replies and the like are not told apart here. It must not know any cause.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.bulk import FrameColumns
from kerfbus.bench.capturecolumns import CaptureColumns
from kerfbus.bench.confidence import CONFIDENCE, METHOD, clopper_pearson
from kerfbus.bench.frames import FrameError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.quality import LINE_ERRORS, NS_PER_MS
from kerfbus.bench.shapes import Shape
from kerfbus.bench.transport import Vantage

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
_SPOILS = ~int(FrameError.GAP)
_REQUEST, _REPLY, _OPEN = 1, 2, 0
ROUNDS = 6
"""Frames in a row that may be either request or reply and are still told apart (chosen)."""


class BulkCount:
    """Counts batch by batch.

    Args:
        vantage: what the station is.
    """

    def __init__(self, vantage: Vantage) -> None:
        self.frames = self.requests = self.answered = self.exceptions = 0
        self.damaged_requests = self.damaged_replies = self.stray_characters = 0
        self._vantage = vantage
        self._errors: Counter[int] = Counter()
        self._turnarounds: list[Ints] = []
        self._last: dict[str, Any] | None = None

    def take(self, columns: CaptureColumns, frames: FrameColumns) -> Ints:
        """Count a batch and return the bursts with which something went wrong, in order."""
        for kind, count in zip(*np.unique(columns.error_kinds, return_counts=True), strict=True):
            self._errors[int(kind)] += int(count)
        self.frames += int((~frames.stray).sum())
        self.stray_characters += int(frames.lengths[frames.stray].sum())
        keep = ~frames.stray
        kept: dict[str, Any] = {
            "server": frames.servers[keep],
            "function": frames.functions[keep],
            "length": frames.lengths[keep],
            "at": frames.at[keep],
            "good": (frames.errors[keep] & _SPOILS) == 0,
            "shape": frames.shapes[keep],
            "outbound": frames.outbound[keep],
            "burst": frames.bursts[keep],
        }
        if self._vantage != "tap":
            kept = _without_echo(kept)
        if self._last is not None:
            kept = {name: np.concatenate((self._last[name], kept[name])) for name in kept}
        if not len(kept["at"]):
            return np.empty(0, dtype=np.int64)
        self._last = {name: values[-1:].copy() for name, values in kept.items()}
        self._last["burst"][:] = -1
        trouble = self._exchanges(kept, columns.settings)
        return np.unique(np.concatenate((trouble, frames.bursts[frames.stray])))

    def _exchanges(self, kept: dict[str, Any], settings: LineSettings) -> Ints:
        """Pair frames with the next ones; the last one waits for the next batch."""
        role = _roles(kept, self._vantage)
        good, function = kept["good"], kept["function"]
        asks = (role == _REQUEST) & good & (kept["server"] != 0)
        asks[-1] = False
        following = np.flatnonzero(asks) + 1
        same = kept["server"][following] == kept["server"][following - 1]
        same &= (function[following] & 0x7F) == function[following - 1]
        replied = (role[following] == _REPLY) & good[following] & same
        refused = replied & (function[following] & 0x80 != 0)
        torn = ~good[following]
        damaged = ~good
        damaged[0] = False  # counted with the batch before
        self.requests += len(following)
        self.exceptions += int(refused.sum())
        self.answered += int(replied.sum()) - int(refused.sum())
        self.damaged_replies += int(torn.sum())
        self.damaged_requests += max(int(damaged.sum()) - int(torn.sum()), 0)
        answer = following[replied]
        character = settings.characters_ns(256) / 256
        start = kept["at"][answer] - (kept["length"][answer] * character).astype(np.int64)
        self._turnarounds.append(np.maximum(start - kept["at"][answer - 1], 0))
        wrong = np.concatenate((following[~replied] - 1, np.flatnonzero(damaged)))
        bursts: Ints = kept["burst"][wrong]
        return bursts[bursts >= 0]

    def to_json(self, *, reports: bool) -> dict[str, Any]:
        """Return the quality object of the machine-readable answers."""
        settled = self.answered + self.exceptions
        timeouts = self.requests - settled - self.damaged_replies
        wrong = timeouts + self.damaged_replies + self.damaged_requests
        trials = self.requests + self.damaged_requests
        return {
            "requests": self.requests,
            "answered": self.answered,
            "exceptions": self.exceptions,
            "timeouts": timeouts,
            "damaged_requests": self.damaged_requests,
            "damaged_replies": self.damaged_replies,
            "stray_characters": self.stray_characters,
            "line_errors": {
                kind.name.lower(): self._errors[kind] if reports or self._errors else None
                for kind in LINE_ERRORS
            },
            "transaction_error_rate": wrong / trials if trials else None,
            "interval": list(clopper_pearson(wrong, trials)),
            "confidence": CONFIDENCE,
            "method": METHOD,
            "turnaround_ms": self._turnaround(),
        }

    @property
    def reports(self) -> bool:
        """Return whether any line error was reported."""
        return bool(self._errors)

    def _turnaround(self) -> dict[str, float | None]:
        times = np.concatenate(self._turnarounds) if self._turnarounds else np.empty(0)
        if not len(times):
            return dict.fromkeys(("p50", "p95", "p99", "max"))
        found = np.percentile(times, (50, 95, 99, 100), method="higher")
        names = ("p50", "p95", "p99", "max")
        return {name: float(v) / NS_PER_MS for name, v in zip(names, found, strict=True)}


def _roles(kept: dict[str, Any], vantage: Vantage) -> NDArray[np.int64]:
    """Return for each frame whether it asks or answers; what fits both follows the one before."""
    shape, outbound = kept["shape"].astype(np.int64), kept["outbound"]
    role = np.full(len(shape), _OPEN)
    role[shape == int(Shape.REQUEST)] = _REQUEST
    role[shape == int(Shape.REPLY)] = _REPLY
    role[outbound] = _REQUEST if vantage == "client" else _REPLY
    same = np.zeros(len(shape), dtype=bool)
    same[1:] = (kept["server"][1:] == kept["server"][:-1]) & (
        kept["function"][1:] == kept["function"][:-1]
    )
    for _ in range(ROUNDS):
        doubtful = np.flatnonzero((role == _OPEN) & kept["good"])
        if not len(doubtful):
            break
        before = np.where(doubtful > 0, role[doubtful - 1], _REPLY)
        known = before != _OPEN
        answers = (before == _REQUEST) & same[doubtful]
        role[doubtful[known]] = np.where(answers, _REPLY, _REQUEST)[known]
    role[(role == _OPEN) & kept["good"]] = _REQUEST
    return role


def _without_echo(kept: dict[str, Any]) -> dict[str, Any]:
    """Leave out what a station hears of itself: the same frame as it just sent."""
    again = np.zeros(len(kept["at"]), dtype=bool)
    again[1:] = kept["outbound"][:-1] & ~kept["outbound"][1:]
    for name in ("server", "function", "length"):
        again[1:] &= kept[name][1:] == kept[name][:-1]
    character = np.diff(kept["at"], prepend=kept["at"][:1])
    again &= (kept["shape"] & int(Shape.REQUEST) != 0) & (character < 2_000_000)
    return {name: values[~again] for name, values in kept.items()}
