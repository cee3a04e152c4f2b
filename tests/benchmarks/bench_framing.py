"""How quickly live characters become frames, against pymodbus' best case, in one run.

Ours gets a whole bus: 40,000 requests and replies in turn, 1 % of them damaged and 0.5 % followed
by garbage, in chunks of 1 to 64 characters that do not know where frames end. It must find every
frame and gives each with its instant, its line errors, the silence before it and what it can be.

pymodbus gets what it is made for: undamaged requests, each in a chunk of its own. Its usual call
frames and decodes the request into an object; ours does not decode, so its framing alone is shown
as well, and its usual call for reads of registers only, which are its quickest. What it does with
the bus that ours gets is no contest (it is not built for that) and left out. The candidates take
turns, the processor's time is taken, and the medians are compared.

Judged: the framer, on the damaged bus, at least 4 times pymodbus' usual call.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from framing_corpus import SETTINGS, Part, damage, decoded, in_chunks, missing, traffic
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from kerfbus.bench.conversation import Conversation
from kerfbus.bench.framing import Framer

RUNS = 11
FRAMES = 40_000
SEED = 1
MOST = 64
DAMAGED, GARBAGE = 0.01, 0.005
BUDGET = 4.0
USUAL, ALONE = "pymodbus, a clean request a chunk", "the same, framing alone"
READS = "the same, reads of registers only"
JUDGED = "kerfbus, damaged bus, 1-64 a chunk"

Chunks = list[tuple[bytes, int]]
Candidate = tuple[int, Callable[[], object]]


def stamped(chunks: list[bytes]) -> Chunks:
    """Return chunks as a host gets them from a busy line: each stamped with its last character."""
    characters, found = 0, []
    for chunk in chunks:
        characters += len(chunk)
        found.append((chunk, SETTINGS.characters_ns(characters)))
    return found


def framed(chunks: Chunks) -> int:
    """Count frames and strays."""
    framer = Framer(SETTINGS)
    found = sum(len(framer.receive(data, at)) for data, at in chunks)
    return found + len(framer.flush())


def followed(chunks: Chunks) -> int:
    """Cut chunks into frames and tell for each who speaks, and what it answers."""
    framer, conversation = Framer(SETTINGS), Conversation("tap", SETTINGS)
    messages = 0
    for data, at in chunks:
        for piece in framer.receive(data, at):
            messages += conversation.inbound(piece).number is not None
    return messages


def pymodbus_usual(requests: list[bytes]) -> int:
    """Frame and decode requests."""
    framer = FramerRTU(DecodePDU(is_server=True))
    return sum(framer.handleFrame(request, 0, 0)[1] is not None for request in requests)


def pymodbus_alone(requests: list[bytes]) -> int:
    """Frame requests."""
    framer = FramerRTU(DecodePDU(is_server=True))
    return sum(bool(framer.decode(request)[3]) for request in requests)


def medians(candidates: dict[str, Candidate]) -> dict[str, float]:
    """Return seconds of the processor a frame of each candidate; they take turns."""
    times: dict[str, list[float]] = {name: [] for name in candidates}
    for _ in range(RUNS):
        for name, (frames, run) in candidates.items():
            start = time.process_time()
            run()
            times[name].append((time.process_time() - start) / frames)
    return {name: statistics.median(each) for name, each in times.items()}


def main() -> int:
    """Measure, print, and return 1 when the budget is broken."""
    clean = traffic(FRAMES, SEED)
    parts = damage(clean, SEED, DAMAGED, GARBAGE)
    good = sum(part.good for part in parts)
    requests = clean[:8_000:2]
    reads = [request for request in clean[::2] if request[1] in (3, 4)][: len(requests)]
    assert pymodbus_usual(requests) == pymodbus_alone(requests) == len(requests)
    bus = stamped(in_chunks(b"".join(clean), MOST, SEED))
    damaged = stamped(in_chunks(b"".join(part.data for part in parts), MOST, SEED))
    single = stamped(clean)
    candidates: dict[str, Candidate] = {
        USUAL: (len(requests), lambda: pymodbus_usual(requests)),
        READS: (len(reads), lambda: pymodbus_usual(reads)),
        ALONE: (len(requests), lambda: pymodbus_alone(requests)),
        "kerfbus, clean, a frame a chunk": (FRAMES, lambda: framed(single)),
        "kerfbus, clean, 1-64 a chunk": (FRAMES, lambda: framed(bus)),
        JUDGED: (good, lambda: framed(damaged)),
        "the same, who speaks to whom": (good, lambda: followed(damaged)),
    }
    found = medians(candidates)
    print(
        f"{'':36} {'frames/s':>10} {'us/frame':>9} {'ratio':>6} {'to reads':>9} {'to framing':>11}"
    )
    for name, seconds in found.items():
        print(
            f"{name:36} {1 / seconds:10,.0f} {seconds * 1e6:9.2f}"
            f" {found[USUAL] / seconds:6.2f} {found[READS] / seconds:9.2f}"
            f" {found[ALONE] / seconds:11.2f}"
        )
    lost = len(missing(parts, decoded(Framer(SETTINGS), damaged)))
    print(f"good frames kept: {good - lost} of {good} ({1 - lost / good:.3%})")
    whole = [Part(frame, True) for frame in clean]
    lost = len(missing(whole, decoded(Framer(SETTINGS), bus)))
    print(f"of a clean bus:   {FRAMES - lost} of {FRAMES}")
    factor = found[USUAL] / found[JUDGED]
    kept = factor >= BUDGET
    print(f"budget: {BUDGET:g} times pymodbus' usual call: {'kept' if kept else 'BROKEN'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
