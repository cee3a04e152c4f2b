"""What a look at a machine finds: one line each, with what to do about it.

Job: the form of a finding, and the findings about clock, disk and ptys. Rule: nothing is opened for
writing and nothing changed; whoever needs a clock is handed one. Ports are looked at in
`kerfbus.bench.doctorports`, packages in `kerfbus.bench.doctorsoftware`.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from kerfbus.bench.clock import Clock

CLOCK_READS = 2000
COARSE_NS = 100_000
"""A clock that steps by more than this cannot tell the silent interval of 1.75 ms from a gap inside
a frame well (chosen: a tenth of what t1.5 and t3.5 differ by, roughly)."""
LATE_NS = 1_000_000
"""Lateness of a 1 ms wait beyond which the machine is called busy (chosen)."""
BUSY_BYTES_PER_HOUR = 26_000_000
"""What a recording of a line at 19200 baud grows by while it is asked without a pause. Measured:
``kerfbus soak --count 500 --capture s.pcapng`` writes 56 kB in 7.8 s of the line's time."""
LITTLE_BYTES = 100_000_000
"""Less than this is little room: a shift of a busy line (chosen)."""


class Level(StrEnum):
    """How a finding is meant."""

    GOOD = "good"
    NOTE = "note"
    """It works, but somebody may want to know or to change it."""
    BAD = "bad"
    """Something does not work here until it is done."""


class Check(NamedTuple):
    """One finding.

    Attributes:
        topic: the heading it stands under, e.g. ``ports``.
        what: what was looked at.
        state: how it was found.
        level: how that is meant.
        do: what to do about it, "" where nothing is to be done.
    """

    topic: str
    what: str
    state: str
    level: Level = Level.GOOD
    do: str = ""

    def to_json(self) -> dict[str, str]:
        """Return it as ``--json`` prints it."""
        return {
            "topic": self.topic,
            "what": self.what,
            "state": self.state,
            "level": str(self.level),
            "do": self.do,
        }


def all_well(checks: Iterable[Check]) -> bool:
    """Return whether nothing among the findings is bad."""
    return all(each.level is not Level.BAD for each in checks)


def smallest_step(clock: Clock, reads: int = CLOCK_READS) -> int:
    """Return the smallest step in ns that a clock was seen to make; 0 when it stood still."""
    steps = []
    before = clock.now()
    for _ in range(reads):
        now = clock.now()
        if now > before:
            steps.append(now - before)
        before = now
    return min(steps, default=0)


def check_clock(clock: Clock) -> Check:
    """Say how finely time stamps can differ."""
    step = smallest_step(clock)
    if step == 0:
        return Check(
            "time", "clock", "stands still", Level.BAD, "find out why; nothing can be timed"
        )
    state = f"resolves {_time(step)}, the smallest step seen in {CLOCK_READS} reads"
    if step > COARSE_NS:
        return Check(
            "time", "clock", state, Level.NOTE, "do not trust gaps between characters here"
        )
    return Check("time", "clock", state)


def check_waits(late_ns: Iterable[int]) -> Check:
    """Say how late short waits end, from what was measured.

    Args:
        late_ns: how much later than asked each wait of 1 ms ended.
    """
    late = sorted(late_ns)
    middle, worst = late[len(late) // 2], late[-1]
    state = f"1 ms ends {_time(middle)} late, at worst {_time(worst)} of {len(late)}"
    if worst > LATE_NS:
        return Check(
            "time",
            "short waits",
            state,
            Level.NOTE,
            "the machine is busy, or saves power: turnaround is measured from stamps and stays "
            "right, but replies of a simulated supply come late",
        )
    return Check("time", "short waits", state)


def check_disk(folder: str | os.PathLike[str] = ".") -> Check:
    """Say how much room a folder has for captures, and whether files can be made there."""
    what = f"room in {Path(folder).resolve()}"
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        return Check(
            "captures", what, error.strerror or "unknown", Level.BAD, "choose another folder"
        )
    hours = free // BUSY_BYTES_PER_HOUR
    state = f"{_size(free)} free: about {hours} h of a line at 19200 baud that is never idle"
    if not os.access(folder, os.W_OK | os.X_OK):
        return Check(
            "captures", what, f"{state}; not writable", Level.BAD, "record into a folder of yours"
        )
    if free < LITTLE_BYTES:
        return Check(
            "captures",
            what,
            state,
            Level.BAD,
            "make room: a recording ends when the disk is full (what was recorded stays readable)",
        )
    return Check("captures", what, state)


def check_ptys(proc: Path = Path("/proc")) -> Check:
    """Say whether a simulated supply can be had on a pty; one is made and closed again."""
    if not hasattr(os, "openpty"):
        return Check(
            "ports",
            "ptys",
            "not on this system",
            Level.NOTE,
            "let kerfbus supply answer on a serial port (--serial) or on TCP (--tcp)",
        )
    try:
        for fd in os.openpty():
            os.close(fd)
    except OSError as error:
        return Check(
            "ports",
            "ptys",
            f"none can be made: {error.strerror}",
            Level.BAD,
            "see that /dev/ptmx and /dev/pts are there, or use kerfbus supply --tcp",
        )
    return Check("ports", "ptys", f"can be made{_ptys_in_use(proc)}")


def _ptys_in_use(proc: Path) -> str:
    """Return how many are in use, where the system says."""
    try:
        used, most = (
            (proc / "sys/kernel/pty" / name).read_text().strip() for name in ("nr", "max")
        )
    except OSError:
        return ""
    return f"; {used} of {most} in use"


def _time(ns: int) -> str:
    """Return a short time for a person.

    >>> [_time(each) for each in (40, 1500, 70_000, 2_500_000)]
    ['40 ns', '1.5 us', '70 us', '2.5 ms']
    """
    for limit, unit in ((1_000, "ns"), (1_000_000, "us"), (1_000_000_000, "ms")):
        if ns < limit:
            return f"{ns * 1000 / limit:.3g} {unit}"
    return f"{ns / 1e9:.3g} s"


def _size(count: int) -> str:
    """Return a number of bytes for a person.

    >>> [_size(each) for each in (999, 20_000_000, 3_500_000_000)]
    ['0 MB', '20 MB', '3.5 GB']
    """
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count // 1_000_000} MB"
