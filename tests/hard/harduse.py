"""Hard use: the program under load while ports are lost, disks fill up, clocks step, supplies die.

    python tests/hard/harduse.py                   a minute
    python tests/hard/harduse.py --seconds 3600    an hour, as `make soak` does
    python tests/hard/harduse.py --page            and write the figures into docs/hard-use.md

Everything runs as a user runs it: `kerfbus` in processes of their own, on ptys. Each trial gives
what was measured and raises when a promise is broken.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # as for tests; run as a program it is not

from hard.badcable import BadCable  # noqa: E402

KERFBUS = str(Path(sys.executable).with_name("kerfbus"))
DAMAGED = 0.3
TIMEOUT = "0.1"
"""Seconds that the client waits for a reply: short, for many transactions a second."""
LONG_TIMEOUT = "3"
"""The same where nothing is damaged: long for a busy machine, short for a clock that steps."""
PATIENCE_SECONDS = 60.0
"""How long anything may take beyond its time before it counts as hung."""
PULLED_SECONDS = 0.3
LONGEST_FRAME = 256
FLAT_KB = 4096
"""What a process may grow by between the first and the last third of a run and still be called
flat: arenas of the allocator come and go."""
FILE_LIMIT = 30_000
"""Bytes: some 270 transactions, so that a short trial meets it, too."""
SHORTEST_SECONDS = 3.0


class BrokenPromiseError(AssertionError):
    """Something crashed, hung or lost a block."""


@dataclass
class Figures:
    """What a trial measured, as (what, figure)."""

    title: str
    rows: list[tuple[str, str]] = field(default_factory=list)

    def add(self, what: str, figure: object) -> None:
        """Note a figure."""
        self.rows.append((what, str(figure)))


def holds(promise: bool, what: str) -> None:
    """Raise unless a promise is kept."""
    if not promise:
        raise BrokenPromiseError(what)


@contextlib.contextmanager
def supply(link: Path, *more: str) -> Iterator[subprocess.Popen[str]]:
    """Run a simulated supply on a pty."""
    process = subprocess.Popen(
        [KERFBUS, "supply", "--pty", str(link), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    try:
        ready = process.stdout.readline()
        holds("ready" in ready, f"the supply does not start: {ready or process.stderr.read()}")
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        process.communicate()


def client(
    port: Path, capture: Path, seconds: float, timeout: str = LONG_TIMEOUT, **more: Any
) -> subprocess.Popen[str]:
    """Start a client that asks without a pause and records."""
    return subprocess.Popen(
        [
            *(KERFBUS, "soak", "--port", str(port), "--timeout", timeout, "--json"),
            *("--duration", f"{seconds:g}s", "--capture", str(capture)),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        **more,
    )


def answer(
    process: subprocess.Popen[str], seconds: float, *codes: int
) -> tuple[dict[str, Any], str]:
    """Return what a client answered and remarked at its end; 0 and 1 are its usual exit codes."""
    try:
        out, err = process.communicate(timeout=seconds + PATIENCE_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        raise BrokenPromiseError("the client hangs") from None
    holds("Traceback" not in err, f"a crash: {err[-2000:]}")
    holds(process.returncode in (codes or (0, 1)), f"exit code {process.returncode}: {err[-2000:]}")
    return json.loads(out.splitlines()[0]), err


def characters(capture: Path) -> dict[str, Any]:
    """Read a whole capture with the library and decode it; raise where it is damaged."""
    from kerfbus.bench.capture import Burst, CaptureReader
    from kerfbus.bench.decode import Decoder

    held = {"in": 0, "out": 0, "bursts": 0, "backwards": 0, "span": 0.0}
    first = last = None
    with CaptureReader(capture) as reader:
        decoder = Decoder(reader.info)
        for record in reader:
            decoder.feed(record)
            if isinstance(record, Burst):
                held["out" if record.outbound else "in"] += len(record.data)
                held["bursts"] += 1
            held["backwards"] += last is not None and record.at < last - 10**9
            first = record.at if first is None else first
            last = record.at
        warning = reader.warning
    decoder.finish()
    holds(warning is None, f"{capture}: {warning}")
    held["span"] = ((last or 0) - (first or 0)) / 1e9
    held["requests"] = decoder.summary.requests
    return held


def resident_kb(pid: int) -> int:
    """Return the memory that a process has in use."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * resource.getpagesize() // 1024


class Memory:
    """What processes have in use over time, by name."""

    def __init__(self) -> None:
        self.seen: dict[str, list[int]] = {}

    def look(self, **pids: int) -> None:
        """Note what each has now; one that has ended is passed over."""
        for name, pid in pids.items():
            with contextlib.suppress(OSError, IndexError, ValueError):
                if found := resident_kb(pid):
                    self.seen.setdefault(name, []).append(found)

    def grown(self, name: str) -> tuple[int, int]:
        """Return the median of the second third of all looks, and of the last third."""
        looks = self.seen[name]
        third = max(1, len(looks) // 3)
        return round(statistics.median(looks[third : 2 * third])), round(
            statistics.median(looks[-third:])
        )


def damaged_line(folder: Path, seconds: float) -> Figures:
    """Ask through a cable that damages three frames in ten, is pulled, and whose supply is killed.

    Pulled up to ten times, and killed at every second, in the first two thirds; then only damage.
    """
    figures = Figures("Port lost, supply killed, 30 % of frames damaged")
    near, far, capture = folder / "near", folder / "far", folder / "damaged.pcapng"
    memory = Memory()
    with contextlib.ExitStack() as stack, BadCable(near, far) as cable:
        living = stack.enter_context(contextlib.ExitStack())
        server = living.enter_context(supply(far))
        cable.damaged_share = DAMAGED
        asking = client(near, capture, seconds, TIMEOUT)
        while cable.from_client == 0 and asking.poll() is None:
            time.sleep(0.01)
        began = time.monotonic()
        step, killed, pulls = 0, 0, max(2, min(10, round(seconds / 6)))
        while asking.poll() is None and time.monotonic() - began < seconds + PATIENCE_SECONDS:
            time.sleep(min(0.25, seconds / 60))
            memory.look(client=asking.pid, supply=server.pid)
            if step < pulls and time.monotonic() - began > (step + 1) * seconds / 1.5 / (pulls + 1):
                step += 1
                cable.pull()
                if step % 2:
                    killed += 1
                    server.send_signal(signal.SIGKILL)
                    living.pop_all().close()
                    # The number of its pty may have a new owner, and then a supply leaves the
                    # link alone: it cannot know whose it is.
                    far.unlink(missing_ok=True)
                    server = living.enter_context(supply(far))
                time.sleep(PULLED_SECONDS)
                cable.put_back()
        said, _ = answer(asking, seconds)
        figures_of(figures, said, cable, killed)
        recorded(figures, characters(capture), cable)
    flat(figures, memory)
    return figures


def figures_of(figures: Figures, said: dict[str, Any], cable: BadCable, killed: int) -> None:
    """Note what happened, and see that it did."""
    figures.add("transactions", said["transactions"])
    figures.add("of these wrong", said["wrong"])
    figures.add("frames that passed", cable.frames)
    figures.add("of these damaged", f"{cable.damaged} ({cable.damaged / cable.frames:.1%})")
    figures.add("port lost and found again", cable.pulled)
    figures.add("supply killed and started again", killed)
    share = cable.damaged / cable.frames
    # Wide, since a short trial on a busy machine passes some forty frames only.
    holds(0.1 < share < 0.5, f"{cable.damaged} of {cable.frames} frames damaged, not 30 %")
    answered = said["quality"]["answered"]
    holds(0 < answered < said["transactions"], f"{answered} answered: nothing was tried, {said}")


def recorded(figures: Figures, held: dict[str, Any], cable: BadCable) -> None:
    """Hold the recording against what passed the cable."""
    figures.add("characters recorded", held["in"] + held["out"])
    lost_out = held["out"] - cable.from_client
    lost_in = cable.to_client - held["in"]
    # What was in a pty when it was pulled is gone on either side: a frame each time, at most.
    allowed = LONGEST_FRAME * (cable.pulled + 1)
    figures.add(
        "recorded more or less than passed (in the cable when it was pulled)",
        f"{lost_out} sent, {lost_in} heard",
    )
    holds(abs(lost_out) <= allowed, f"{lost_out} characters sent are not accounted for")
    holds(0 <= lost_in <= allowed, f"{lost_in} characters heard are not in the recording")


def flat(figures: Figures, memory: Memory) -> None:
    """Note the memory, and see that it is flat."""
    for name in ("client", "supply"):
        before, after = memory.grown(name)
        figures.add(
            f"memory of the {name}, second and last third",
            f"{before / 1024:.1f} and {after / 1024:.1f} MB",
        )
        holds(after - before <= FLAT_KB, f"the {name} grew from {before} to {after} kB")


def full_disk(folder: Path, seconds: float) -> Figures:
    """Ask on while the recording meets the end of its disk (a limit on the size of files)."""
    figures = Figures("Disk full")
    far, capture = folder / "full", folder / "full.pcapng"

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (FILE_LIMIT, FILE_LIMIT))

    with supply(far):
        said, err = answer(client(far, capture, seconds, preexec_fn=limit), seconds, 2)
    held = characters(capture)
    told = [each for each in err.splitlines() if "recording ended" in each]
    holds(len(told) == 1, f"it is told {len(told)} times: {err}")
    size = capture.stat().st_size
    holds(FILE_LIMIT - 1000 < size <= FILE_LIMIT, f"{size} bytes of {FILE_LIMIT}")
    holds(said["transactions"] > held["requests"], "the asking ended with the recording")
    figures.add("transactions", said["transactions"])
    figures.add("transactions that fitted into the file", held["requests"])
    figures.add("size of the file, and the limit", f"{size} and {FILE_LIMIT} bytes")
    figures.add("blocks of the file that cannot be read", 0)
    return figures


def stepping_clock(folder: Path, seconds: float) -> Figures:
    """Ask while the wall clock steps by an hour, forth and back, five times a second each way."""
    figures = Figures("Clock step")
    library = folder / "clockstep.so"
    subprocess.run(
        ["gcc", "-shared", "-fPIC", "-o", str(library), str(HERE / "clockstep.c"), "-ldl"],
        check=True,
    )
    environment = {**os.environ, "LD_PRELOAD": str(library)}
    probe = "import time; a=[(time.sleep(0.01), time.time())[1] for _ in range(40)]; "
    probe += "print(max(b - c for b, c in zip(a[1:], a)))"
    stepped = subprocess.run(
        [sys.executable, "-c", probe], env=environment, capture_output=True, text=True, check=True
    )
    holds(float(stepped.stdout) > 3000, "the clock does not step: nothing is tried")
    far, capture = folder / "clock", folder / "clock.pcapng"
    with supply(far):
        said, _ = answer(client(far, capture, seconds, env=environment), seconds)
    held = characters(capture)
    holds(held["backwards"] == 0, f"{held['backwards']} stamps run backwards")
    holds(held["span"] < seconds + PATIENCE_SECONDS, f"the recording spans {held['span']:.0f} s")
    holds(said["wrong"] == 0, f"{said['wrong']} transactions went wrong")
    figures.add("transactions", said["transactions"])
    figures.add("of these wrong", said["wrong"])
    figures.add("steps of the clock by an hour", f"about {seconds * 10:.0f}")
    figures.add("stamps that run backwards", held["backwards"])
    figures.add("asked for, and span of the stamps", f"{seconds:.1f} and {held['span']:.1f} s")
    return figures


def killed_recorder(folder: Path, seconds: float) -> Figures:
    """Kill the client in the middle; what passed before is in the file, whole."""
    figures = Figures("Recorder killed")
    near, far, capture = folder / "near2", folder / "far2", folder / "killed.pcapng"
    with supply(far), BadCable(near, far) as cable:
        asking = client(near, capture, seconds * 4)
        while cable.from_client < 4000 and asking.poll() is None:
            time.sleep(0.01)
        time.sleep(seconds / 2)
        asking.kill()
        asking.communicate()
    held = characters(capture)
    missing = cable.from_client - held["out"], cable.to_client - held["in"]
    holds(held["out"] > 0, "nothing was recorded")
    # The request that was on its way when it was killed, and the reply to it.
    holds(all(abs(each) <= LONGEST_FRAME for each in missing), f"{missing} are missing")
    figures.add("characters that passed", cable.from_client + cable.to_client)
    figures.add("of these not recorded", f"{missing[0]} sent, {missing[1]} heard")
    figures.add("blocks of the file that cannot be read", 0)
    return figures


TRIALS: dict[str, tuple[Callable[[Path, float], Figures], float]] = {
    "damaged-line": (damaged_line, 0.85),
    "full-disk": (full_disk, 0.05),
    "stepping-clock": (stepping_clock, 0.05),
    "killed-recorder": (killed_recorder, 0.05),
}
"""Each with its share of the time."""
MARKS = ("<!-- figures -->\n", "<!-- /figures -->\n")


def table(figures: Figures, seconds: float) -> str:
    """Return figures in Markdown."""
    rows = "".join(f"| {what} | {figure} |\n" for what, figure in figures.rows)
    return f"### {figures.title}, {seconds:.0f} s\n\n| what | figure |\n|---|---|\n{rows}\n"


def main() -> int:
    """Run the trials that are asked for, all of them when none is named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("trial", nargs="*", choices=[*TRIALS, []], default=[])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--page", action="store_true")
    given = parser.parse_args()
    tables = []
    for name in given.trial or TRIALS:
        trial, share = TRIALS[name]
        seconds = max(SHORTEST_SECONDS, given.seconds * share)
        with tempfile.TemporaryDirectory(prefix="kerfbus-") as place:
            tables.append(table(trial(Path(place), seconds), seconds))
        print(tables[-1], flush=True)
    if given.page:
        page = HERE.parent.parent / "docs" / "hard-use.md"
        before, rest = page.read_text().split(MARKS[0])
        behind = rest.split(MARKS[1])[1]
        page.write_text(before + MARKS[0] + "\n" + "".join(tables) + MARKS[1] + behind)
    return 0


if __name__ == "__main__":
    sys.exit(main())
