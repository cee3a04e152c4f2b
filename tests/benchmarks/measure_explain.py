"""How good `explain` is, over captures of known causes from line models that differ.

Prints how often the right cause comes first and among the first three, how often a healthy line is
called faulty, the confusion matrix, and whether the probabilities are true. Nothing is timed. With
`--page` it writes docs/diagnosis.md and its picture; `make diagnosis` does that.

    python tests/benchmarks/measure_explain.py --each 4 --sources other-A,other-B
    python tests/benchmarks/measure_explain.py --explain package.module:function

Captures are kept below `--keep` and found there again as long as the second line model is the same.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
sys.path.insert(0, str(ROOT / "tests"))

from diagnosis.harness import (  # noqa: E402
    OTHER,
    OWN,
    Judged,
    figures,
    folder_of,
    measure,
    tasks,
)
from diagnosis.otherline import CAUSES  # noqa: E402
from diagnosis.report import confusion_lines, drawing, page, summary  # noqa: E402


def arguments() -> argparse.Namespace:
    """Return what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--explain", default="", help="module:function, path -> answer")
    parser.add_argument("--each", type=int, default=4, help="captures per cause, vantage, source")
    parser.add_argument(
        "--pairs", type=int, default=10, help="with two causes, per vantage, source"
    )
    parser.add_argument("--start", type=int, default=0, help="number of the first of a kind")
    parser.add_argument("--sources", default=",".join(OTHER), help=", ".join((*OTHER, *OWN)))
    parser.add_argument("--causes", default=",".join(CAUSES))
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "kerfbus-causes")
    parser.add_argument("--wrong", action="store_true", help="list what was not right")
    parser.add_argument("--page", action="store_true", help="write docs/diagnosis.md")
    return parser.parse_args()


def wrong(results: list[Judged]) -> list[str]:
    """Return a line for each capture whose causes did not come first."""
    return [
        f"{each.task.name}: {each.verdict} "
        + ", ".join(f"{cause} {chance:.2f}" for cause, chance in each.ranked[:3])
        + each.note
        for each in results
        if not each.within(len(each.task.causes) if len(each.task.causes) == 1 else 3)
    ]


def main() -> None:
    """Measure and print."""
    asked = arguments()
    causes = asked.causes.split(",")
    todo = tasks(asked.sources.split(","), asked.each, asked.pairs, causes, asked.start)
    folder = folder_of(asked.keep)
    results: list[Judged] = []
    began = time.monotonic()
    for each in measure(todo, asked.explain, folder, asked.processes):
        results.append(each)
        if len(results) % 20 == 0 or len(results) == len(todo):
            passed = time.monotonic() - began
            print(f"\r{len(results)} of {len(todo)}, {passed:.0f} s", end="", file=sys.stderr)
    print(file=sys.stderr)
    got = figures(results)
    print("\n".join(summary(results)))
    print()
    print("\n".join(confusion_lines(got)))
    if asked.wrong:
        print("\n".join(["", *wrong(results)]))
    if asked.page:
        (ROOT / "docs" / "diagnosis.md").write_text(page(results, "diagnosis.svg"))
        (ROOT / "docs" / "diagnosis.svg").write_text(drawing(got))
        print("\nwritten: docs/diagnosis.md, docs/diagnosis.svg")


if __name__ == "__main__":
    main()
