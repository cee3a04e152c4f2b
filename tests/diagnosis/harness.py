"""How good `explain` is, counted over captures whose truth is known.

A *source* makes captures: the second line model in its two manners, and the project's own line in
both fidelities. What is judged is any function from a capture's path to the JSON object of
`explain`. Captures are made in a folder and found there again, so that many versions of `explain`
are judged by the same ones.

From a client, exchanged pair, wrong rate, wrong format and an absent server are one and the same
silence (table of causes). They are counted as asked for, and once more with the four taken as one.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, NamedTuple

from diagnosis.otherline import (
    CAUSES,
    FULL,
    HIGH,
    LOW,
    SILENT,
    VANTAGES,
    make_capture,
    random_case,
)

Explain = Callable[[str], dict[str, Any]]
OTHER = ("other-A", "other-B")
OWN = ("own-bits", "own-sampled")
UNSEARCHED = FULL | {"no-server"}
"""Causes that hurt as much as they do."""
GARBLED = ("swapped-pair", "wrong-baud", "wrong-format")
"""What a tap hears of such a line hides every second cause."""


@dataclass(frozen=True)
class Task:
    """One capture to be made and judged.

    Attributes:
        source: one of `OTHER` and `OWN`.
        causes: one, or two at once.
        vantage: client, server or tap.
        number: which of its kind; with the rest it is the seed.
    """

    source: str
    causes: tuple[str, ...]
    vantage: str
    number: int

    @property
    def name(self) -> str:
        """Return a name for its files."""
        return f"{self.source}-{'+'.join(self.causes)}-{self.vantage}-{self.number}"


class Judged(NamedTuple):
    """What `explain` said about a capture.

    Attributes:
        task: which capture.
        hurt: share of transactions hurt, None where the source does not say.
        verdict: healthy, fault or insufficient; ``error`` where it failed.
        ranked: (cause, probability) in falling order.
        note: why it failed, else "".
    """

    task: Task
    hurt: float | None
    verdict: str
    ranked: tuple[tuple[str, float], ...]
    note: str = ""

    def within(self, places: int, *, silence: bool = False) -> bool:
        """Return whether all true causes are among the first so many.

        Args:
            places: how many.
            silence: whether, for a client, the causes of `SILENT` count as one.
        """
        named = [cause for cause, _ in self.ranked[:places]]
        if silence and self.task.vantage == "client":
            named += SILENT if set(named) & set(SILENT) else ()
        if self.task.causes == ("healthy",) and self.verdict == "healthy":
            return True
        return set(self.task.causes) <= set(named)


def tasks(
    sources: Sequence[str],
    each: int,
    pairs: int,
    causes: Sequence[str] = CAUSES,
    start: int = 0,
) -> list[Task]:
    """Return what is to be judged: `each` per cause, vantage and source; healthy lines fivefold.

    Args:
        sources: of captures.
        each: how many of a kind.
        pairs: how many captures with two causes at once, per source and vantage.
        causes: which causes.
        start: number of the first of a kind: other numbers are other captures, so that what was
            looked at while the table was written is not what it is judged by.
    """
    found = [
        Task(source, (cause,), vantage, start + number)
        for source in sources
        for cause in causes
        for vantage in VANTAGES[cause]
        for number in range(each * (5 if cause == "healthy" else 1))
    ]
    for source in sources:
        for vantage in ("client", "server", "tap"):
            rng = random.Random(f"pairs/{source}/{vantage}" + (f"/{start}" if start else ""))
            seen = [cause for cause in causes if cause != "healthy" and vantage in VANTAGES[cause]]
            seen = [cause for cause in seen if cause not in GARBLED]
            if len(seen) > 1:
                found += [
                    Task(source, tuple(sorted(rng.sample(seen, 2))), vantage, start + number)
                    for number in range(pairs)
                ]
    return found


def make(task: Task, folder: Path) -> tuple[Path, float | None]:
    """Make a capture, unless it is there; return its path and the share of transactions hurt."""
    path, note = folder / f"{task.name}.pcapng", folder / f"{task.name}.json"
    if note.exists():
        return path, json.loads(note.read_text())["hurt"]
    part = path.with_suffix(f".{os.getpid()}.part")
    truth = (_other if task.source in OTHER else _own)(task, part)
    part.replace(path)
    note.write_text(json.dumps(truth, default=str))
    return path, truth["hurt"]


def _other(task: Task, path: Path) -> dict[str, Any]:
    case = random_case(task.causes, task.vantage, task.source[-1], task.number)
    truth = make_capture(path, case)
    return asdict(truth)


def _own(task: Task, path: Path) -> dict[str, Any]:
    """Record one of the project's own captures; the severity changes until it is middling."""
    causerun = importlib.import_module("kerfbus.sim.causerun")
    rng = random.Random(task.name)
    seed, low, high = rng.randrange(10**6), 0.0, 1.0
    severity = rng.uniform(0.2, 0.7)
    for _ in range(4):
        run = causerun.CauseRun(
            task.causes if len(task.causes) > 1 else task.causes[0],
            severity,
            path,
            vantage=task.vantage,
            fidelity="bits" if task.source == "own-bits" else "sampled",
            seed=seed,
        )
        truth = causerun.record_cause(run)
        hurt = truth.hurt / max(1, len(truth.transactions))
        if set(task.causes) & UNSEARCHED or LOW <= hurt <= HIGH:
            break
        low, high = (severity, high) if hurt < LOW else (low, severity)
        severity = (low + high) / 2
    Path(f"{path}.truth.json").unlink(missing_ok=True)
    return {"hurt": hurt, "severity": severity, "causes": task.causes}


def folder_of(parent: Path) -> Path:
    """Return the folder for captures of the generators as they are now."""
    here = Path(__file__).parent
    text = b"".join(path.read_bytes() for path in sorted(here.glob("other*.py")))
    found = parent / hashlib.sha256(text).hexdigest()[:12]
    found.mkdir(parents=True, exist_ok=True)
    return found


def by_command(path: str) -> dict[str, Any]:
    """Run ``kerfbus explain FILE --json``."""
    program = str(Path(sys.executable).with_name("kerfbus"))
    run = subprocess.run(
        [program, "explain", path, "--json"], capture_output=True, text=True, check=False
    )
    if run.returncode not in (0, 1):
        raise RuntimeError(run.stderr.strip().splitlines()[-1:] or run.returncode)
    return dict(json.loads(run.stdout.strip().splitlines()[-1]))


def named(what: str) -> Explain:
    """Return the function that ``module:name`` names, or the command for ``""``."""
    if not what:
        return by_command
    module, _, name = what.partition(":")
    found: Explain = getattr(importlib.import_module(module), name)
    return found


def judge(task: Task, explain: Explain, folder: Path) -> Judged:
    """Make a capture and have it explained. A failure of either is an answer as well."""
    hurt = None
    try:
        path, hurt = make(task, folder)
        answer = explain(str(path))
        ranked = tuple(
            (str(each["cause"]), float(each["probability"])) for each in answer["causes"]
        )
        return Judged(task, hurt, str(answer["verdict"]), ranked)
    except Exception as error:  # noqa: BLE001  # one bad capture must not end the count
        return Judged(task, hurt, "error", (), f"{type(error).__name__}: {error}")


def _job(bundle: tuple[Task, str, str]) -> Judged:
    task, what, folder = bundle
    return judge(task, named(what), Path(folder))


def measure(todo: Sequence[Task], what: str, folder: Path, processes: int = 2) -> Iterable[Judged]:
    """Yield what `explain` says about each capture, from several processes.

    Args:
        todo: the captures.
        what: ``module:name`` of the function, "" for the command.
        folder: for captures.
        processes: how many.
    """
    bundles = [(task, what, str(folder)) for task in todo]
    if processes < 2:
        yield from map(_job, bundles)
        return
    with get_context("spawn").Pool(processes) as pool:
        yield from pool.imap(_job, bundles, chunksize=4)


class Share(NamedTuple):
    """So many of so many."""

    hits: int
    of: int

    def __str__(self) -> str:
        return (
            f"{100 * self.hits / self.of:.1f} % ({self.hits} of {self.of})" if self.of else "none"
        )


class Bin(NamedTuple):
    """Probabilities of one tenth: mean, share that were right, how many."""

    said: float
    right: float
    count: int


@dataclass(frozen=True)
class Figures:
    """What came out.

    Attributes:
        first: the right cause first.
        third: among the first three.
        first_silence: first, the silences of a client taken as one.
        third_silence: among the first three, likewise.
        false_faults: healthy lines called faulty.
        both: of two causes, both among the first three.
        confusion: true cause -> first cause -> count.
        bins: reliability of the first cause's probability.
        every: reliability of every cause's probability.
        failed: answers that were none.
    """

    first: Share
    third: Share
    first_silence: Share
    third_silence: Share
    false_faults: Share
    both: Share
    confusion: dict[str, Counter[str]]
    bins: list[Bin]
    every: list[Bin]
    failed: int


def figures(results: Sequence[Judged]) -> Figures:
    """Count."""
    single = [each for each in results if len(each.task.causes) == 1]
    pairs = [each for each in results if len(each.task.causes) == 2]
    well = [each for each in single if each.task.causes == ("healthy",)]
    confusion: dict[str, Counter[str]] = {}
    for each in single:
        said = each.ranked[0][0] if each.ranked else each.verdict
        confusion.setdefault(each.task.causes[0], Counter())[said] += 1
    top = [
        (each.ranked[0][1], each.ranked[0][0] in each.task.causes) for each in single if each.ranked
    ]
    all_said = [
        (chance, cause in each.task.causes) for each in single for cause, chance in each.ranked
    ]
    share = lambda places, silence: Share(  # noqa: E731
        sum(each.within(places, silence=silence) for each in single), len(single)
    )
    return Figures(
        share(1, False),
        share(3, False),
        share(1, True),
        share(3, True),
        Share(sum(each.verdict == "fault" for each in well), len(well)),
        Share(sum(each.within(3) for each in pairs), len(pairs)),
        confusion,
        reliability(top),
        reliability(all_said),
        sum(each.verdict == "error" for each in results),
    )


def reliability(said: Iterable[tuple[float, bool]]) -> list[Bin]:
    """Return the reliability of probabilities, by tenths; tenths without any are left out."""
    tenths: dict[int, list[tuple[float, bool]]] = {}
    for chance, right in said:
        tenths.setdefault(min(9, int(chance * 10)), []).append((chance, right))
    return [
        Bin(
            sum(chance for chance, _ in inside) / len(inside),
            sum(right for _, right in inside) / len(inside),
            len(inside),
        )
        for _, inside in sorted(tenths.items())
    ]


def expected_error(bins: Sequence[Bin]) -> float:
    """Return the expected calibration error: mean gap, weighted by count."""
    total = sum(each.count for each in bins)
    return sum(abs(each.said - each.right) * each.count for each in bins) / total if total else 0.0


def worst_bin(bins: Sequence[Bin], least: int = 20) -> Bin | None:
    """Return the tenth with the widest gap among those with enough captures."""
    full = [each for each in bins if each.count >= least]
    return max(full, key=lambda each: abs(each.said - each.right), default=None)
