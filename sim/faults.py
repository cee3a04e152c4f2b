"""Faults of the supply: their codes, what raises them, and the log that keeps them.

Codes are those of the enumeration ``fault`` in the supply's register map (invented; tens: 1 gas,
2 arc, 3 torch, 4 heat, 5 mains, 6 control). A fault is latched by the supply and stays until a
separate act clears it.
"""

from __future__ import annotations

import struct
from collections import deque
from enum import IntEnum
from typing import NamedTuple

from kerfbus.sim.sequence import Mode


class Fault(IntEnum):
    """What can be latched."""

    NONE = 0
    NO_GAS = 10
    """Hardly any flow pressure at the end of pre-flow."""
    INLET_PRESSURE_LOW = 11
    INLET_PRESSURE_HIGH = 12
    FLOW_PRESSURE_LOW = 13
    GAS_PRESSURE_OFF_SET_POINT = 14
    NO_IGNITION = 20
    PILOT_LIMIT = 21
    """Work current came and went until the pilot arc had burnt too long."""
    NO_TRANSFER = 22
    """No work current while the pilot arc burnt."""
    ARC_LOST = 23
    NOZZLE_SHORT = 24
    WORK_LEAD_OPEN = 25
    OVER_CURRENT = 26
    CURRENT_NOT_REACHED = 27
    TORCH_COVER_OPEN = 30
    PART_MISSING = 31
    PART_WORN_OUT = 32
    OVER_TEMPERATURE = 40
    FAN_STALLED = 41
    TEMPERATURE_SENSOR = 42
    PHASE_LOSS = 50
    MAINS_LOW = 51
    MAINS_HIGH = 52
    WATCHDOG = 60
    MEMORY = 61
    PARAMETER_OUT_OF_RANGE = 62
    SELF_TEST_FAILED = 63
    STOP_CHAIN_OPEN = 64
    START_STUCK = 65


LOG_ENTRIES = 10
"""Entries that the log keeps."""
ENTRY_WORDS = 8
"""Words of an entry, as registers and as file records."""
_ENTRY = struct.Struct(">HHIIhH")


class LogEntry(NamedTuple):
    """One fault in the log.

    Attributes:
        fault: what.
        mode: in which mode it happened.
        hours: powered hours at that time, in hundredths.
        starts: starts since new at that time.
        detail: the measured raw value that was out of bounds, or 0.
        wear: of the electrode at that time, tenths of a percent.
    """

    fault: Fault
    mode: Mode
    hours: int
    starts: int
    detail: int = 0
    wear: int = 0

    def packed(self) -> bytes:
        """Return the entry as eight words: code, mode, hours (2), starts (2), detail, wear."""
        return _ENTRY.pack(*self)


class FaultLog:
    """The last faults, newest first; a ring that forgets the oldest.

    Attributes:
        total: faults since new.
    """

    def __init__(self) -> None:
        self.total = 0
        self._entries: deque[LogEntry] = deque(maxlen=LOG_ENTRIES)

    def __len__(self) -> int:
        return len(self._entries)

    @property
    def entries(self) -> tuple[LogEntry, ...]:
        """Return the entries, newest first."""
        return tuple(self._entries)

    def add(self, entry: LogEntry) -> None:
        """Put an entry in front."""
        self._entries.appendleft(entry)
        self.total += 1

    def clear(self) -> None:
        """Forget the entries; the total stays."""
        self._entries.clear()

    def codes(self) -> tuple[int, ...]:
        """Return the codes, newest first, as the FIFO queue gives them."""
        return tuple(int(entry.fault) for entry in self._entries)

    def packed(self) -> bytes:
        """Return all ten places, newest first, empty ones as zeros: 160 bytes."""
        data = b"".join(entry.packed() for entry in self._entries)
        return data.ljust(LOG_ENTRIES * ENTRY_WORDS * 2, b"\0")
