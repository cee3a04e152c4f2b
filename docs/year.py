"""A year of captures as one table, asked with DuckDB: the worked example of captures.md.

Run: python docs/year.py [--captures N] [--keep FOLDER]     (a minute or two of processor time)

Needs the extra "parquet" and DuckDB. The captures are made here: a few dozen recorded on simulated
lines, some of them with a defect, are written again and again as the recordings of eight cutting
tables over a year, each to a file of its own. Then `kerfbus capture export` makes one Parquet file
of all of them, and DuckDB answers questions about it. Tables, dates and defects are invented.
"""

from __future__ import annotations

import sys
import tempfile
import time
from argparse import ArgumentParser
from pathlib import Path
from random import Random

import duckdb

from kerfbus.bench.capture import Capture, read_capture
from kerfbus.bench.trimming.cutting import write_capture
from kerfbus.sim.causerun import CauseRun, record_cause
from kerfbus.tui.program import main as kerfbus

TABLES = 8
DAY_NS = 86_400_000_000_000
NEW_YEAR_NS = 1_735_689_600_000_000_000
"""2025-01-01 UTC."""
TRANSACTIONS = 30
SICK_TABLE, SICK_FROM_DAY = 5, 210
"""From the end of July on something is wrong at table 5."""

QUESTIONS = {
    "How much is there?": """
        select count(distinct capture) as captures, count(*) as frames,
               sum(length) as characters
        from 'TABLE'
    """,
    "Which table is worse than the others, and since when?": """
        select regexp_extract(capture, 'table-(\\d+)', 1)::int as which,
               date_part('quarter', make_timestamp_ns(at_ns)) as quarter,
               round(100.0 * sum(case when ok then 0 else 1 end) / count(*), 2) as damaged_percent
        from 'TABLE' where kind <> 'stray'
        group by all order by damaged_percent desc limit 5
    """,
    "What is the damage like there?": """
        select errors, count(*) as frames from 'TABLE'
        where not ok and capture like '%table-5%' group by errors order by frames desc limit 4
    """,
    "How long do supplies take to answer?": """
        select round(quantile_cont(gap_before_ns, 0.50) / 1e6, 2) as p50_ms,
               round(quantile_cont(gap_before_ns, 0.99) / 1e6, 2) as p99_ms, count(*) as replies
        from 'TABLE' where kind = 'reply' and ok
    """,
}


def recorded(folder: Path) -> tuple[list[Capture], list[Capture]]:
    """Return captures of healthy lines and of one that arc noise reaches."""

    def one(cause: str, severity: float, seed: int) -> Capture:
        path = folder / f"{cause}-{seed}.pcapng"
        record_cause(
            CauseRun(cause, severity, path, "client", seed=seed, transactions=TRANSACTIONS)
        )
        return read_capture(path)

    return (
        [one("healthy", 0.5, seed) for seed in range(16)],
        [one("arc-noise", 0.5, seed) for seed in range(8)],
    )


def write_year(folder: Path, captures: int) -> list[Path]:
    """Write the captures of a year; return their files."""
    draw = Random(2025)  # noqa: S311 (the same year each time)
    with tempfile.TemporaryDirectory() as originals:
        healthy, noisy = recorded(Path(originals))
    paths = []
    for number in range(captures):
        table, day = number % TABLES, number * 365 // captures
        sick = table == SICK_TABLE and day >= SICK_FROM_DAY
        capture = draw.choice(noisy if sick else healthy)
        shift = NEW_YEAR_NS + day * DAY_NS + draw.randrange(DAY_NS // 2)
        records = tuple(each._replace(at=each.at + shift) for each in capture.records)
        paths.append(folder / f"table-{table}-day-{day:03}-{number:05}.pcapng")
        write_capture(paths[-1], capture._replace(records=records))
    return paths


def run(folder: Path, captures: int) -> None:
    """Make everything below a folder and print the answers."""
    begin = time.perf_counter()
    files = write_year(folder, captures)
    table = folder / "year.parquet"
    written = time.perf_counter()
    if kerfbus(["capture", "export", *map(str, files), "--to", str(table)]):
        sys.exit("the export failed")
    exported = time.perf_counter()
    print(f"written in {written - begin:.1f} s, exported in {exported - written:.1f} s,", end=" ")
    print(f"{table.stat().st_size / 1e6:.1f} MB")
    for question, query in QUESTIONS.items():
        asked = time.perf_counter()
        answer = duckdb.sql(query.replace("TABLE", str(table)))
        names, rows = answer.columns, answer.fetchall()
        print(f"\n{question}  ({time.perf_counter() - asked:.2f} s)")
        print("  " + "  ".join(f"{name:>15}" for name in names))
        for row in rows:
            print("  " + "  ".join(f"{each!s:>15}" for each in row))


if __name__ == "__main__":
    parser = ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--captures", type=int, default=10_000, metavar="N")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="leave the files there")
    given = parser.parse_args()
    if given.keep is not None:
        given.keep.mkdir(parents=True)
        run(given.keep, given.captures)
    else:
        with tempfile.TemporaryDirectory() as temporary:
            run(Path(temporary), given.captures)
