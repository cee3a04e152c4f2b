"""Whether a capture is what it is expected to be; where not, what was expected and what is there.

Job: one pass over a capture, then one comparison after the other, each difference with the
transaction that shows it. It must not know who runs it, and opens nothing but the files of the
capture; who explains causes and who opens register maps is handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path
from typing import Any, NamedTuple

from kerfbus.bench.capturereader import CaptureReader
from kerfbus.bench.capturerecords import CaptureInfo
from kerfbus.bench.conversation import Role
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.errors import ExpectationError
from kerfbus.bench.expectation import Causes, Expectation
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.textfile import read_text
from kerfbus.bench.traffictext import HEADER, TrafficText, about, summary_lines

Explain = Callable[[Path, RegisterMap | None], Mapping[str, Any]]
"""Gives the object of ``kerfbus explain --json`` for a capture, with or without a map."""
OpenMap = Callable[[str], RegisterMap]
Again = Callable[[Path, Expectation, RegisterMap | None], "list[Difference]"]
"""Runs a capture again as its expectations say, and returns what differs."""
NOTHING = "(nothing)"
AMONG = 3
PAST, FUTURE = 32, 32
"""How far around a row its request and reply are looked for, in rows (chosen: a conversation
remembers fewer requests)."""


class Difference(NamedTuple):
    """Something that is not as expected.

    Attributes:
        what: e.g. ``summary.ok``.
        expected: as text.
        got: as text.
        transaction: lines of the transaction that shows it, empty where none does.
    """

    what: str
    expected: str
    got: str
    transaction: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """Return it for a person."""
        said = [f"{self.what}", f"  expected  {self.expected}", f"  got       {self.got}"]
        if self.transaction:
            said += ["  in this transaction:", *(f"    {line}" for line in self.transaction)]
        return said


class Found(NamedTuple):
    """What came of a check.

    Attributes:
        differences: all that is not as expected.
        remarks: what is worth a word all the same, one line each.
    """

    differences: tuple[Difference, ...]
    remarks: tuple[str, ...] = ()


@dataclass
class Heard:
    """A capture, read once.

    Attributes:
        info: what it says about itself.
        decoder: that made the rows; its summary counts them.
        rows: all, in the order of the line.
        warning: what is odd about its end, None when nothing is.
    """

    info: CaptureInfo
    decoder: Decoder
    rows: list[Row] = field(default_factory=list)
    warning: str | None = None

    @property
    def begin(self) -> int:
        """Return the instant from which times are counted."""
        return self.rows[0].at if self.rows else 0

    def text(self, name: str) -> Iterator[tuple[str, int | None]]:
        """Yield what ``kerfbus decode`` prints, each line with its row's index or None."""
        said = TrafficText()
        yield f"{name}: {about(self.info)}", None
        yield HEADER, None
        for index, row in enumerate(self.rows):
            for line in said.lines(row):
                yield line, index
        for line in summary_lines(self.decoder.summary):
            yield line, None

    def transaction(self, index: int, register_map: RegisterMap | None) -> tuple[str, ...]:
        """Return the request and the reply around a row as lines, values by name."""
        row = self.rows[index]
        if row.message is None or row.message.role is Role.STRAY:
            numbers: set[int | None] = set()
        else:
            asked = row.message.pairs_with
            numbers = {row.message.number if asked is None else asked}
        text = TrafficText(register_map, show_all=True, begin=self.begin)
        lines: list[str] = []
        for at in range(max(index - PAST, 0), min(index + FUTURE, len(self.rows))):
            each = self.rows[at]
            values = text.values(each) or ()
            if at == index or (each.message is not None and numbers & _numbers(each)):
                lines += text.lines(each, values)
        return tuple(lines)

    def first(self, wanted: Callable[[Row], bool]) -> int | None:
        """Return the index of the first row that is wanted, None without one."""
        return next((index for index, row in enumerate(self.rows) if wanted(row)), None)


def _numbers(row: Row) -> set[int | None]:
    """Return the numbers by which a frame and the request that it answers are known."""
    assert row.message is not None
    return {row.message.number, row.message.pairs_with} - {None}


def read_heard(path: Path) -> Heard:
    """Read a capture to its end.

    Raises:
        CaptureError: it cannot be read, is none, or is damaged.
    """
    with CaptureReader(path) as reader:
        heard = Heard(reader.info, Decoder(reader.info))
        for record in reader:
            heard.rows += heard.decoder.feed(record)
        heard.rows += heard.decoder.finish()
        heard.warning = reader.warning
        return heard


@dataclass
class Checker:
    """Compares captures with expectations.

    Args:
        open_map: opens a register map by name or path.
        explain: explains a capture; called only where causes or quality are expected.
        again: runs a capture again; called only where that is expected. None where nobody can.
    """

    open_map: OpenMap
    explain: Explain
    again: Again | None = None

    def check(self, capture: Path, expected: Expectation | None) -> Found:
        """Return all that is not as expected; without expectations, whether it can be decoded.

        Raises:
            CaptureError: the capture cannot be read, or is damaged.
            ExpectationError: a file that the expectations name cannot be read.
            MapError: the register map is wrong.
        """
        heard = read_heard(capture)
        found = []
        if heard.warning:
            found.append(Difference("the end of the file", "a whole block", heard.warning))
        if expected is None:
            if not heard.rows:
                found.append(Difference("the capture", "characters", "nothing was heard"))
            return Found(tuple(found), ("nothing is expected of it: only checked for decoding",))
        named = None if expected.map is None else self.open_map(expected.map)
        found += _decoded(heard, capture.name, expected, named)
        found += _summary(heard, expected, named)
        if expected.rerun is not None and self.again is not None:
            found += self.again(capture, expected, named)
        if expected.causes is None and not expected.quality:
            return Found(tuple(found))
        answer = self.explain(capture, named)
        found += _quality(answer["quality"], expected)
        if expected.causes is None:
            return Found(tuple(found))
        wrong = tuple(_causes(answer, expected.causes))
        if expected.causes.not_yet is None:
            return Found((*found, *wrong))
        return Found(tuple(found), (_not_yet(wrong, expected.causes.not_yet),))


def _not_yet(wrong: tuple[Difference, ...], why: str) -> str:
    """Return what is to be said of causes that explain is known not to see."""
    if not wrong:
        return "its causes are seen now: take causes.not_yet out"
    return f"its causes are not seen yet ({why}): {wrong[0].got}"


def _decoded(
    heard: Heard, name: str, expected: Expectation, named: RegisterMap | None
) -> Iterator[Difference]:
    """Yield the first line in which the decode differs."""
    if expected.decode is None:
        return
    wanted = read_text(expected.decode, ExpectationError).splitlines()
    for number, (due, found) in enumerate(zip_longest(wanted, heard.text(name)), 1):
        line, index = found or (None, None)
        if due == line:
            continue
        shown = () if index is None else heard.transaction(index, named)
        what = f"{expected.decode.name}, line {number}"
        yield Difference(what, due or NOTHING, line or NOTHING, shown)
        return


_TELLING: Mapping[str, Callable[[Row], bool]] = {
    "ok": lambda row: row.frame is not None and not row.ok,
    "damaged": lambda row: row.frame is not None and not row.ok,
    "stray_characters": lambda row: row.message is not None and row.message.role is Role.STRAY,
    "exceptions": lambda row: row.exception is not None,
    "late": lambda row: row.message is not None and row.message.late,
    "echoes": lambda row: row.message is not None and row.message.echo,
}
"""The row that shows best why a count is what it is."""


def _summary(
    heard: Heard, expected: Expectation, named: RegisterMap | None
) -> Iterator[Difference]:
    counts = heard.decoder.summary.to_json()["summary"]
    for name, due in expected.summary.items():
        if counts[name] == due:
            continue
        index = heard.first(_TELLING[name]) if name in _TELLING else None
        if name == "unanswered":
            index = _unanswered(heard)
        shown = () if index is None else heard.transaction(index, named)
        yield Difference(f"summary.{name}", str(due), str(counts[name]), shown)


def _unanswered(heard: Heard) -> int | None:
    """Return the index of the first good request that no good reply answers."""
    answered = {
        row.message.pairs_with for row in heard.rows if row.message is not None and row.ok
    } - {None}

    def alone(row: Row) -> bool:
        message = row.message
        return (
            message is not None
            and message.role is Role.REQUEST
            and row.ok
            and not message.echo
            and message.number not in answered
        )

    return heard.first(alone)


def _quality(quality: Mapping[str, Any], expected: Expectation) -> Iterator[Difference]:
    for name, bounds in expected.quality.items():
        value = measure(quality, name)
        if not bounds.hold(value):
            got = "not known" if value is None else f"{value:g}"
            yield Difference(f"quality.{name}", str(bounds), got)


def measure(quality: Mapping[str, Any], name: str) -> float | None:
    """Return a measure by its name; None where it is not known."""
    group, _, key = name.rpartition("_")
    inner = quality["line_errors"] if name in quality["line_errors"] else quality
    value = quality[group][key] if group == "turnaround_ms" else inner[name]
    return None if value is None else float(value)


def _causes(answer: Mapping[str, Any], expected: Causes) -> Iterator[Difference]:
    ranked = [each["cause"] for each in answer["causes"]]
    said = ", ".join(
        f"{each['cause']} {each['probability']:.2f}" for each in answer["causes"][:AMONG]
    )
    got = f"{answer['verdict']}: {said or 'no cause'}"
    if expected.verdict is not None and answer["verdict"] != expected.verdict:
        yield Difference("causes.verdict", expected.verdict, got)
    if expected.first and not set(ranked[:1]) & set(expected.first):
        yield Difference("causes.first", " or ".join(expected.first), got)
    missing = [slug for slug in expected.among_three if slug not in ranked[:AMONG]]
    if missing:
        yield Difference("causes.among_three", ", ".join(expected.among_three), got)
