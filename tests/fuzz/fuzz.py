"""Fuzz the readers, guided by coverage; keep what is worth it.

    python tests/fuzz/fuzz.py                      every target, ten seconds each
    python tests/fuzz/fuzz.py map --seconds 600    one target, longer
    python tests/fuzz/fuzz.py map --keep           and add what reaches new code to the corpus

Needs atheris (Linux, CPython; pip install atheris), which is why it is a program and no test; the
kept corpus runs as one, in `test_corpus.py`. An input that breaks a promise is written beside the
corpus as `NAME.broken-...` and printed; put it into the corpus with its fix.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]
LONGEST = 4096
"""Bytes of an input that the fuzzer makes."""
KEPT_BYTES = 20_000
"""Of the corpus of one target, in bytes: enough to reach what was reached, small enough to keep."""
LOOKED_AT = ("kerfbus.bench", "kerfbus.sim.processes", "kerfbus.sim.scenario")
"""Where new code counts; to watch all of it takes longer to start and finds no more."""
WORD = re.compile(rb"[A-Za-z_][A-Za-z_-]{2,20}")


def fuzz_one(name: str, arguments: list[str]) -> None:
    """Run libFuzzer over one target in this process; it does not return."""
    import atheris

    with atheris.instrument_imports(include=[*LOOKED_AT]):
        import targets
    target = targets.TARGETS[name]
    for each in targets.seeds(name):  # what is imported at the first use is not instrumented else
        target(each)
    atheris.Setup([sys.argv[0], *arguments], target)
    atheris.Fuzz()


def run(name: str, seconds: int, *, keep: bool) -> bool:
    """Fuzz one target in a child process; return whether its promises held."""
    import targets

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        found, shipped = folder / "found", folder / "shipped"
        for each, inputs in ((found, targets.corpus(name)), (shipped, targets.seeds(name))):
            each.mkdir()
            for number, data in enumerate(inputs):
                (each / f"{number:05}").write_bytes(data)
        words(folder / "words", targets.seeds(name))
        broken = HERE / "corpus" / f"{name}.broken-"
        child = [sys.executable, __file__, name, "--child"]
        options = [f"-max_total_time={seconds}", f"-max_len={LONGEST}", f"-dict={folder / 'words'}"]
        options += [f"-artifact_prefix={broken}", "-print_final_stats=1", "-rss_limit_mb=4096"]
        options += ["-timeout=20", "-verbosity=0"]
        ended = subprocess.run(
            [*child, *options, str(found), str(shipped)],
            check=False,
            capture_output=True,
            text=True,
        )
        tell(name, ended)
        if keep and ended.returncode == 0:
            store(name, found)
    return ended.returncode == 0


def tell(name: str, ended: subprocess.CompletedProcess[str]) -> None:
    """Print what came of it."""
    runs = re.search(r"stat::number_of_executed_units:\s*(\d+)", ended.stderr)
    new = re.search(r"stat::new_units_added:\s*(\d+)", ended.stderr)
    print(
        f"{name:10} {runs[1] if runs else '?':>9} inputs, {new[1] if new else '?':>5} reached new "
        f"code, {'promises held' if ended.returncode == 0 else 'BROKEN'}",
        flush=True,
    )
    if ended.returncode:
        print((ended.stdout + ended.stderr)[-4000:], file=sys.stderr)


def words(file: Path, inputs: list[bytes]) -> None:
    """Write the words that occur in what ships as a dictionary: keys of TOML, names of columns."""
    found = {each.decode() for data in inputs for each in WORD.findall(data)}
    found |= {"kerfbus"}  # an empty dictionary is refused
    file.write_text("".join(f'"{each}"\n' for each in sorted(found)))


def store(name: str, found: Path) -> None:
    """Keep what reached new code, shortest first, up to a size."""
    import targets

    kept: list[bytes] = []
    for data in sorted((each.read_bytes() for each in found.iterdir()), key=lambda d: (len(d), d)):
        if sum(map(len, kept)) + len(data) <= KEPT_BYTES:
            kept.append(data)
    head = f"# Inputs of {name} that reached new code; kept by tests/fuzz/fuzz.py."
    lines = [head, *(each.hex() for each in dict.fromkeys(kept))]
    (targets.CORPUS / f"{name}.hex").write_text("\n".join(lines) + "\n")


def main() -> int:
    """Fuzz what is asked for."""
    if "--child" in sys.argv:
        fuzz_one(sys.argv[1], [each for each in sys.argv[2:] if each != "--child"])
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("name", nargs="*")
    parser.add_argument("--seconds", type=int, default=10)
    parser.add_argument("--keep", action="store_true")
    given = parser.parse_args()
    try:
        import atheris  # noqa: F401
    except ImportError:
        print(
            "fuzz: atheris is not installed; pip install atheris (Linux, CPython)", file=sys.stderr
        )
        return 2
    import targets

    os.nice(10)
    held = [run(each, given.seconds, keep=given.keep) for each in given.name or targets.TARGETS]
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
