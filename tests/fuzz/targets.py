"""What is fuzzed: each reader takes any bytes and either reads them or refuses them in one line.

A target is a function of bytes that raises when a promise is broken. Whoever makes the bytes does
not matter: the kept corpus, Hypothesis, or the coverage-guided fuzzer of `fuzz.py`.
"""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import tree

from kerfbus.bench import wire
from kerfbus.bench.acceptance.answers import parse_answers
from kerfbus.bench.acceptance.plan import parse_plan, plan_names, plan_text
from kerfbus.bench.bulk import iter_frames
from kerfbus.bench.capture import Burst, CaptureInfo, CaptureReader, LineEvent, Record
from kerfbus.bench.capturecolumns import iter_columns
from kerfbus.bench.decode import Decoder
from kerfbus.bench.errors import (
    AnswersError,
    CaptureError,
    ExpectationError,
    KerfbusError,
    MapError,
    PlanError,
    ProcessError,
    ScenarioError,
    UsageError,
    WireError,
)
from kerfbus.bench.expectation import load_expectation
from kerfbus.bench.line import LineSettings
from kerfbus.bench.mapexport.csvtable import csv_table, map_from_csv
from kerfbus.bench.regmap import parse_map
from kerfbus.bench.rerun.rules import parse_rules
from kerfbus.bench.transport import CharacterError, LineEventKind
from kerfbus.sim.maps import default_map
from kerfbus.sim.processes import parse_processes
from kerfbus.sim.scenario.asked import split_query
from kerfbus.sim.scenario.load import parse_scenario

Target = Callable[[bytes], None]
LONGEST_MESSAGE = 2000
"""Characters; a message quotes what it is about, but not a whole file."""
SHIPPED_PLAN = parse_plan(plan_text(plan_names()[0]), plan_names()[0])
_FOLDER = Path(tempfile.mkdtemp(prefix="kerfbus-fuzz-"))


@contextlib.contextmanager
def refused(*kinds: type[KerfbusError]) -> Iterator[None]:
    """Let pass what refuses in one line; everything else is a broken promise."""
    try:
        yield
    except kinds as error:
        message = str(error)
        assert message.strip(), "refused without a word"
        assert len(message.splitlines()) == 1, f"not one line: {message!r}"
        assert len(message) <= LONGEST_MESSAGE, f"{len(message)} characters"


def text_of(data: bytes) -> str:
    """Return bytes as a file's text; what is not UTF-8 is refused before a reader sees it."""
    return data.decode("utf-8", "replace")


def capture(data: bytes) -> None:
    """Both readers of captures say the same, and what can be read can be decoded."""
    path = _FOLDER / "fuzzed.pcapng"
    path.write_bytes(data)
    records: list[Record] = []
    failures = []
    info = None
    with refused(CaptureError), noted(failures), CaptureReader(path) as reader:
        info = reader.info
        records.extend(reader)
    rows = 0
    with refused(CaptureError), noted(failures):
        for batch in iter_columns(path):
            rows += len(batch.at) + len(batch.events)
    assert rows == len(records), f"{rows} in columns, {len(records)} one by one"
    assert len(failures) in (0, 2), failures
    with refused(CaptureError):
        for _ in iter_frames(path):
            pass
    if info is not None:
        decoded(info, records)


@contextlib.contextmanager
def noted(failures: list[KerfbusError]) -> Iterator[None]:
    """Note that it was refused, and let the refusal pass on."""
    try:
        yield
    except KerfbusError as error:
        failures.append(error)
        raise


def decoded(info: CaptureInfo, records: list[Record]) -> None:
    """Decode records; no character may be lost, doubled or made up."""
    decoder = Decoder(info)
    rows = [row for record in records for row in decoder.feed(record)]
    rows += decoder.finish()
    given = sum(len(each.data) for each in records if isinstance(each, Burst))
    got = sum(len(row.message.piece.data) for row in rows if row.message is not None)
    assert got == given, f"{given} characters in, {got} out"
    for row in rows:
        json.dumps(row.to_json(), allow_nan=False)
    json.dumps(decoder.summary.to_json(), allow_nan=False)


KINDS = [kind for kind in LineEventKind if kind > LineEventKind.OVERRUN]
ON_CHARACTERS = [kind for kind in LineEventKind if kind <= LineEventKind.OVERRUN]


def line(data: bytes) -> None:
    """Read bytes as what a line did: bursts with times and errors, events; and decode that."""
    if not data:
        return
    timing = "exact" if data[0] & 1 else "host"
    vantage = ("client", "server", "tap")[data[0] % 3]
    settings = LineSettings((1200, 9600, 19200, 115200)[data[0] % 4], 8, "NEO"[data[0] % 3], 1)
    info = CaptureInfo(settings=settings, vantage=vantage, timing=timing, clock="virtual")
    decoded(info, [*records_from(data[1:], settings)])


def records_from(data: bytes, settings: LineSettings) -> Iterator[Record]:
    """Yield records; each takes a head of two bytes: what it is, and how much later."""
    at = place = 0
    while place + 2 <= len(data):
        what, later = data[place], data[place + 1]
        place += 2
        size = what & 31
        at += later * later * 20_000
        if size == 0:
            yield LineEvent(KINDS[later % len(KINDS)], at)
            continue
        burst, place = data[place : place + size], place + size
        at += settings.characters_ns(len(burst))
        if burst:
            errors = ()
            if what & 64 and not what & 128:
                errors = (CharacterError(later % len(burst), ON_CHARACTERS[later % 4]),)
            yield Burst(burst, at, bool(what & 128), errors)


def pdu(data: bytes) -> None:
    """What is parsed as a request or a reply is built into the same bytes again."""
    for parse in (wire.parse_request, wire.parse_reply):
        with refused(WireError):
            assert wire.build(parse(data)) == data


def map_(data: bytes) -> None:
    """A register map."""
    with refused(MapError):
        parse_map(text_of(data), "fuzzed.toml")


def scenario(data: bytes) -> None:
    """A scenario."""
    with refused(ScenarioError):
        parse_scenario(text_of(data), "fuzzed.toml")


def processes(data: bytes) -> None:
    """A table of cutting processes."""
    with refused(ProcessError):
        parse_processes(text_of(data), "fuzzed.toml")


def csv(data: bytes) -> None:
    """A register table in CSV; what is made of it is a good map or is refused."""
    with refused(MapError):
        parse_map(map_from_csv(text_of(data), "fuzzed", "fuzzed.csv"), "fuzzed.toml")


def plan(data: bytes) -> None:
    """An acceptance plan, and a person's answers to the plan that ships."""
    with refused(PlanError):
        parse_plan(text_of(data), "fuzzed.toml")
    with refused(AnswersError):
        parse_answers(text_of(data), "fuzzed.toml", SHIPPED_PLAN.steps)


def rules(data: bytes) -> None:
    """The rules of a rerun, and what a capture must decode to."""
    with refused(KerfbusError):
        parse_rules(text_of(data), "fuzzed.toml", default_map())
    path = _FOLDER / "fuzzed.expect.toml"
    path.write_bytes(data)
    with refused(ExpectationError):
        load_expectation(path)


TYPED = 100
"""Bytes of what a person types on a command line."""


def settings(data: bytes) -> None:
    """Line settings and what may follow the name of a scenario in a port string."""
    text = text_of(data[:TYPED])
    with refused(UsageError):
        LineSettings.parse(19200, text)
    with refused(KerfbusError):
        split_query(text)


TARGETS: dict[str, Target] = {
    "capture": capture,
    "csv": csv,
    "line": line,
    "map": map_,
    "pdu": pdu,
    "plan": plan,
    "processes": processes,
    "rules": rules,
    "scenario": scenario,
    "settings": settings,
}
SHIPPED = {
    "capture": ("captures/*.pcapng",),
    "map": ("sim/maps/*.toml",),
    "plan": ("bench/acceptance/*.toml",),
    "processes": ("sim/processes.toml",),
    "rules": ("captures/*.toml",),
    "scenario": ("sim/scenario/*.toml",),
}
"""What ships is where a fuzzer starts from, beside the corpus."""
CORPUS = Path(__file__).parent / "corpus"


def corpus(name: str) -> list[bytes]:
    """Return the kept inputs of a target: one a line, in hexadecimal."""
    file = CORPUS / f"{name}.hex"
    if not file.exists():
        return []
    return [bytes.fromhex(each) for each in file.read_text().splitlines() if each[:1] != "#"]


def seeds(name: str) -> list[bytes]:
    """Return the kept inputs and what ships."""
    shipped = [
        path.read_bytes()
        for pattern in SHIPPED.get(name, ())
        for path in sorted(tree.ROOT.glob(pattern))
    ]
    if name == "csv":
        shipped = ["".join(csv_table(default_map()).splitlines(True)[:12]).encode()]
    return [*corpus(name), *shipped]
