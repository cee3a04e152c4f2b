"""A capture as a test: what is checked, and what is said when it fails. Knows nothing of pytest."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory, mkdtemp
from typing import Any, NamedTuple

from kerfbus.bench.capturecheck import Checker, Difference, read_heard
from kerfbus.bench.conversation import Role
from kerfbus.bench.decode import Row
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.expectation import Expectation, expectation_file, load_expectation
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.traffictext import TrafficText
from kerfbus.sim.maps import default_map, open_map

SHOWN = 3
"""How many of the last transactions of a run are shown."""


class Checked(NamedTuple):
    """What came of a check.

    Attributes:
        capture: the file.
        expected: None where nothing stands beside it.
        differences: all that is not as expected.
        remarks: what is worth a word all the same.
    """

    capture: Path
    expected: Expectation | None
    differences: tuple[Difference, ...]
    remarks: tuple[str, ...]

    def lines(self) -> list[str]:
        """Return for a person what is wrong, and why the capture is kept."""
        expected = self.expected
        said = [f"{self.capture.name} is not what it is expected to be"]
        if expected is not None:
            said += [f"kept because: {expected.reason}", f"expectations: {expected.file}"]
        said.append(f"capture: {self.capture}")
        for each in self.differences:
            said += ["", *each.lines()]
        return said


def check_capture(capture: Path, keep: Path | None = None) -> Checked:
    """Check a capture against what stands beside it.

    Args:
        capture: the file.
        keep: folder for the recording of a rerun that differs; None for a new temporary one.

    Raises:
        KerfbusError: the capture, its expectations or their map cannot be read, in one line.
    """
    beside = expectation_file(capture)
    expected = load_expectation(beside) if beside.exists() else None
    checker = Checker(open_map, _explained, partial(_again, keep=keep))
    return Checked(capture, expected, *checker.check(capture, expected))


def _again(
    capture: Path, expected: Expectation, register_map: RegisterMap | None, *, keep: Path | None
) -> list[Difference]:
    """Send the recorded requests to a simulated line, and return what is answered otherwise."""
    from kerfbus.sim.rerunning import rerun_in_virtual_time  # noqa: PLC0415 (few captures need it)

    assert expected.rerun is not None
    found = default_map() if register_map is None else register_map
    with TemporaryDirectory() as folder:
        run = Path(folder) / f"{capture.stem}-again.pcapng"
        report = rerun_in_virtual_time(capture, expected.rerun, found, run)
        if report.good:
            return []
        kept = keep or Path(mkdtemp(prefix="kerfbus-"))
        kept.mkdir(parents=True, exist_ok=True)
        kept_as = shutil.copy(run, kept / run.name)
    found_off = f"{report.off} of {report.transactions} differ; capture of the run: {kept_as}"
    told = [
        Difference(
            f"rerun, transaction {each.index} ({each.why}): {each.request}", each.expected, each.got
        )
        for each in report.different[:SHOWN]
    ]
    return [Difference("rerun", "all transactions as recorded", found_off), *told]


def _explained(capture: Path, register_map: RegisterMap | None) -> Mapping[str, Any]:
    from kerfbus.bench.diagnosis.explain import explain  # noqa: PLC0415 (brings numpy and scipy)

    return explain(capture, register_map)


def last_transactions(
    captures: Sequence[Path], register_map: RegisterMap | None, count: int = SHOWN
) -> list[str]:
    """Return the last transactions of some recordings as lines, and where the recordings are."""
    said = []
    for capture in captures:
        try:
            heard = read_heard(capture)
        except CaptureError as error:
            said.append(str(error))
            continue
        text = TrafficText(register_map, begin=heard.begin)
        lines = [text.lines(row, text.values(row) or ()) for row in heard.rows]
        asked = [at for at, row in enumerate(heard.rows) if _asks(row)]
        first = asked[-count] if len(asked) >= count else 0
        said += [line for each in lines[first:] for line in each] or ["nothing was said"]
        said.append(f"capture of the run: {capture}")
    return said


def _asks(row: Row) -> bool:
    return row.message is not None and row.message.role is Role.REQUEST
