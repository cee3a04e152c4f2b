"""When the arc was on: from marks, or from a status register that the traffic carries.

Job: instants and states out of events and decoded rows. It must not know frames of its own.
"""

from __future__ import annotations

from collections.abc import Iterable

from kerfbus.bench.access import Reading
from kerfbus.bench.capturerecords import LineEvent
from kerfbus.bench.decode import Row
from kerfbus.bench.diagnosis.scene import ArcTimes
from kerfbus.bench.interpret import Interpreter
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.transport import LineEventKind

BURNS = frozenset(("pilot-arc", "arc-transferred", "transferred", "arc-on", "arc", "cutting"))
"""Names of status bits that say that an arc burns."""
_TRUE = frozenset(("on", "1", "true", "yes"))


def arc_marks(events: Iterable[LineEvent]) -> ArcTimes | None:
    """Return when marks ``arc=on`` and ``arc=off`` say that it was on, None without such marks."""
    switches = [
        (event.at, value.strip().lower() in _TRUE)
        for event in events
        if event.kind is LineEventKind.MARK
        for key, _, value in [event.comment.partition("=")]
        if key.strip().lower() == "arc"
    ]
    return ArcTimes(tuple(sorted(switches)), "marks") if switches else None


class ArcWatch:
    """Reads along and notes when a status register says that the arc burns.

    Between two readings that differ the arc counts as on: it may have begun at any time between.

    Args:
        register_map: what the registers mean. A register of bits counts when one of them is named
            as in `BURNS`.
    """

    def __init__(self, register_map: RegisterMap) -> None:
        self._interpreter = Interpreter(register_map)
        self._switches: list[tuple[int, bool]] = []
        self._seen = 0
        self._read = 0
        self._source = ""

    def take(self, row: Row) -> None:
        """Take a decoded row."""
        for reading in self._interpreter.take(row):
            state = _burns(reading)
            if state is not None and reading.at is not None:
                self._note(reading.at, state)
                self._source = str(reading.name)

    def times(self) -> ArcTimes | None:
        """Return when the arc was on, None where no register said anything of use.

        A register that changes at every other reading is none that this map describes.
        """
        flips = len(self._switches)
        if flips < 2 or flips > max(4, 0.4 * self._seen):
            return None
        return ArcTimes(tuple(self._switches), f"register {self._source}")

    def _note(self, at: int, state: bool) -> None:
        self._seen += 1
        if not self._switches or self._switches[-1][1] != state:
            since = self._read + 1 if state and self._switches else at
            self._switches.append((since, state))
        self._read = at


def _burns(reading: Reading) -> bool | None:
    """Return whether a reading says that the arc burns, None where it says nothing of it."""
    register, raw = reading.register, reading.raw
    if register is None or raw is None or not register.bits or len(raw) != 1:
        return None
    telling = [bit for bit, name in register.bits.items() if name in BURNS]
    if not telling:
        return None
    return any(raw[0] >> bit & 1 for bit in telling)
