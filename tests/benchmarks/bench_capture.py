"""How quickly captures are written and read, against python-pcapng and scapy in the same run.

The same bursts of 16 characters everywhere, in turn, so that a busy machine slows all alike; the
medians are compared. Every writer has each record in the operating system's hands before the next
one (flushed), but for the one that says buffered. The budgets: writing, flushed, at least 5 times
python-pcapng; reading in columns below 100 ns a burst, which is said but not judged, since it is a
time and not a ratio.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import pcapng
from pcapng.blocks import EnhancedPacket, InterfaceDescription, SectionHeader
from scapy.utils import RawPcapReader

from kerfbus.bench.capture import CaptureReader, CaptureWriter
from kerfbus.bench.capturecolumns import iter_columns
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk

RUNS = 7
BURSTS = 10_000
MANY = 1_000_000
"""Bursts in the file that is read in columns."""
WRITE_FACTOR = 5.0
PAYLOAD = bytes(range(16))
START = 1_735_689_600_000_000_000


def ours(path: Path, *, bursts: int = BURSTS, buffered: bool = False) -> None:
    """Write with `CaptureWriter`."""
    with CaptureWriter(
        path,
        settings=LineSettings(),
        vantage="tap",
        timing="host",
        clock="wall",
        overwrite=True,
        buffered=buffered,
    ) as writer:
        for number in range(bursts):
            writer.inbound(Chunk(PAYLOAD, START + number * 10_000_000))


def python_pcapng(path: Path) -> None:
    """Write with python-pcapng, flushed after each block."""
    section = SectionHeader()
    interface = section.new_member(
        InterfaceDescription, link_type=147, options={"if_tsresol": b"\x09"}
    )
    with path.open("wb") as file:
        writer = pcapng.FileWriter(file, section)
        for number in range(BURSTS):
            packet = section.new_member(
                EnhancedPacket, interface_id=interface.interface_id, options={"epb_flags": 1}
            )
            at = START + number * 10_000_000
            packet.timestamp_high, packet.timestamp_low = divmod(at, 2**32)
            packet.packet_data = PAYLOAD
            writer.write_block(packet)
            file.flush()


def read_ours(path: Path) -> int:
    """Count bursts with `CaptureReader`."""
    with CaptureReader(path) as reader:
        return sum(1 for _ in reader)


def read_python_pcapng(path: Path) -> int:
    """Count packets with python-pcapng."""
    with path.open("rb") as file:
        return sum(isinstance(block, EnhancedPacket) for block in pcapng.FileScanner(file))


def read_scapy(path: Path) -> int:
    """Count packets with scapy."""
    reader = RawPcapReader(str(path))
    try:
        return sum(1 for _ in reader)
    finally:
        reader.close()


def read_columns(path: Path) -> int:
    """Count bursts in columns."""
    return sum(len(batch) for batch in iter_columns(path))


def medians(candidates: dict[str, tuple[int, Callable[[], object]]]) -> dict[str, float]:
    """Return seconds a record of each candidate; they take turns."""
    times: dict[str, list[float]] = {name: [] for name in candidates}
    for _ in range(RUNS):
        for name, (records, run) in candidates.items():
            start = time.perf_counter()
            run()
            times[name].append((time.perf_counter() - start) / records)
    return {name: statistics.median(each) for name, each in times.items()}


def show(title: str, found: dict[str, float], base: str) -> None:
    """Print a table of ratios."""
    print(f"{title:34} {'records/s':>12} {'ns/record':>10} {'ratio':>8}   (medians of {RUNS})")
    for name, seconds in found.items():
        print(f"{name:34} {1 / seconds:12,.0f} {seconds * 1e9:10.0f} {found[base] / seconds:8.1f}")
    print()


def main() -> int:
    """Measure, print, and return 1 when the budget is broken."""
    warnings.simplefilter("ignore", DeprecationWarning)  # python-pcapng's own
    with tempfile.TemporaryDirectory() as folder:
        small, many, other = (Path(folder) / name for name in ("small", "many", "other"))
        ours(many, bursts=MANY, buffered=True)
        writing = medians(
            {
                "python-pcapng, flushed": (BURSTS, lambda: python_pcapng(other)),
                "kerfbus, flushed": (BURSTS, lambda: ours(small)),
                "kerfbus, buffered": (BURSTS, lambda: ours(small, buffered=True)),
            }
        )
        show("writing", writing, "python-pcapng, flushed")
        reading = medians(
            {
                "python-pcapng": (BURSTS, lambda: read_python_pcapng(small)),
                "scapy": (BURSTS, lambda: read_scapy(small)),
                "kerfbus, record by record": (BURSTS, lambda: read_ours(small)),
                "kerfbus, columns": (MANY, lambda: read_columns(many)),
            }
        )
        show("reading", reading, "python-pcapng")
    factor = writing["python-pcapng, flushed"] / writing["kerfbus, flushed"]
    kept = factor >= WRITE_FACTOR
    print(f"budget for writing: {WRITE_FACTOR:g} times: {'kept' if kept else 'BROKEN'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
