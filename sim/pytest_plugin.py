"""The pytest plugin: captures as tests, simulated supplies and lines as fixtures.

``pytest --captures DIR`` makes a test of every capture below DIR; what each is expected to be
stands beside it (`kerfbus.bench.expectation`). Fixtures bring a supply or a line, in virtual time
where nobody outside this process is involved. Each test has files, ptys and TCP ports of its own,
so tests may run in any number of processes.

It must cost nothing where it is not used: whatever is needed beyond pytest is imported when a
capture is checked or a fixture asked for.
"""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import pytest

if TYPE_CHECKING:
    from kerfbus.bench.clock import ManualClock
    from kerfbus.bench.transport import Vantage
    from kerfbus.sim.background import BackgroundSupply, PtySupply, ServedOptions, TcpSupply
    from kerfbus.sim.plainline import PlainLine

CAPTURE, EXPECTATION = ".pcapng", ".expect.toml"
REMARK = "kerfbus"
"""Name of the properties of a test that hold a remark on its capture."""


class _Run(Protocol):
    """What a fixture has running."""

    @property
    def captures(self) -> tuple[Path, ...]:
        """Return what was recorded so far."""
        ...

    def close(self) -> None:
        """End it."""


RUNS = pytest.StashKey[list[tuple[str, _Run]]]()
OpenLine = Callable[..., "PlainLine"]
S = TypeVar("S", bound="BackgroundSupply")


class MismatchError(Exception):
    """A capture is not what it is expected to be."""


# Options and collection


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add our options."""
    group = parser.getgroup("kerfbus", "captures of serial links as tests (kerfbus)")
    group.addoption(
        "--captures",
        action="append",
        default=[],
        metavar="DIR",
        help="make a test of every capture (.pcapng) below DIR, or of the capture DIR; when no "
        "other path is given, nothing else is collected",
    )
    group.addoption(
        "--keep-captures",
        metavar="DIR",
        help="copy the recording of every failed test with a simulated supply or line to DIR",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Register the markers, and collect what ``--captures`` names."""
    config.addinivalue_line(
        "markers",
        "scenario(name): the scenario of kerfbus fixtures, with a query if need be, e.g. "
        "'arc-noise?severity=0.5'",
    )
    config.addinivalue_line("markers", "seed(number): the seed of all chance in kerfbus fixtures")
    folders = _folders(config)
    for folder in folders:
        if not folder.exists():
            raise pytest.UsageError(f"--captures {folder}: there is no such folder or capture")
    if folders:
        asked = config.args if config.args_source is config.ArgsSource.ARGS else []
        config.args = [*asked, *map(str, folders)]


def _folders(config: pytest.Config) -> list[Path]:
    """Return what ``--captures`` names."""
    given: list[str] = config.getoption("captures")
    return [(config.invocation_params.dir / each).resolve() for each in given]


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Collect captures, and expectations whose capture is missing."""
    folders = _folders(parent.config)
    if not any(file_path.is_relative_to(folder) for folder in folders):
        return None
    if file_path.suffix == CAPTURE:
        return CaptureFile.from_parent(parent, path=file_path)
    if file_path.name.endswith(EXPECTATION):
        capture = file_path.with_name(file_path.name.removesuffix(EXPECTATION) + CAPTURE)
        return None if capture.exists() else CaptureFile.from_parent(parent, path=capture)
    return None


class CaptureFile(pytest.File):
    """A capture; it is one test."""

    def collect(self) -> Iterator[pytest.Item]:
        """Yield the test."""
        yield CaptureItem.from_parent(self, name="capture")


class CaptureItem(pytest.Item):
    """The test that a capture is what it is expected to be."""

    def runtest(self) -> None:
        """Check it.

        Raises:
            MismatchError: it is not.
            KerfbusError: it, or what stands beside it, cannot be read.
        """
        from kerfbus.sim.capturetest import check_capture

        keep = self.config.getoption("keep_captures")
        folder = None if keep is None else self.config.invocation_params.dir / keep
        checked = check_capture(self.path, folder)
        self.user_properties += [(REMARK, each) for each in checked.remarks]
        if checked.differences:
            raise MismatchError("\n".join(checked.lines()))

    def repr_failure(
        self, excinfo: pytest.ExceptionInfo[BaseException], *_: object, **__: object
    ) -> Any:
        """Return what is wrong, without a traceback where that says nothing."""
        from kerfbus.bench.errors import KerfbusError

        if isinstance(excinfo.value, MismatchError | KerfbusError):
            return str(excinfo.value)
        return super().repr_failure(excinfo)

    def reportinfo(self) -> tuple[Path, None, str]:
        """Return where it stands and what it is called."""
        return self.path, None, f"capture {self.path.name}"


# Fixtures


@pytest.fixture
def virtual_clock() -> ManualClock:
    """Virtual time in nanoseconds: `now()`, `advance_to(at)`; that of `simulated_supply`, too."""
    from kerfbus.bench.clock import ManualClock

    return ManualClock()


@pytest.fixture
def simulated_supply(
    request: pytest.FixtureRequest, tmp_path: Path, virtual_clock: ManualClock
) -> Iterator[PlainLine]:
    """A simulated supply in this process, in virtual time; see `kerfbus.sim.plainline`."""
    from kerfbus.sim.plainline import PlainOptions, open_simulated

    capture = tmp_path / f"simulated_supply{CAPTURE}"
    options = PlainOptions(capture, seed=_seed(request), clock=virtual_clock)
    with _told():
        line = open_simulated(f"sim:{_scenario(request)}", options)
    with _kept(request, "simulated_supply", line):
        yield line


@pytest.fixture
def faulty_line(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[OpenLine]:
    """Opens lines with faults: ``faulty_line("arc-noise", severity=0.5, vantage="tap")``.

    Further keywords: cause, fidelity (``bits`` or ``sampled``), seed; vantage is ``client``,
    ``tap`` or ``server``. Without a name it is that of the marker `scenario`.
    """
    from kerfbus.sim.plainline import PlainOptions, open_simulated

    def open_line(
        capture: Path, name: str = "", *, vantage: Vantage = "client", **query: str | float
    ) -> PlainLine:
        named = _with_query(name or _scenario(request), query)
        return open_simulated(f"sim:{named}", PlainOptions(capture, vantage, _seed(request)))

    yield from _opening(request, tmp_path / "faulty_line", open_line)


@pytest.fixture
def recorded_line(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[OpenLine]:
    """Opens recorded lines, damage and all: ``recorded_line("site.pcapng", vantage="client")``.

    To a ``client`` the recorded answers come behind the requests that it repeats, a ``tap`` hears
    all of it, a ``server`` the requests. Keywords: repeat (``order``, ``last``, ``cycle``) and
    by_character (each character alone). A path is counted from the folder of the test.
    """
    from kerfbus.bench.answerbook import Repeat
    from kerfbus.bench.errors import UsageError
    from kerfbus.bench.recordedline import PlayOptions
    from kerfbus.sim.plainline import PlainOptions, open_recorded

    def open_line(
        capture: Path,
        recording: str | Path,
        *,
        vantage: Vantage = "client",
        repeat: str = "last",
        by_character: bool = False,
    ) -> PlainLine:
        if repeat not in tuple(Repeat):
            raise UsageError(f"repeat {repeat!r}: give {', '.join(Repeat)}")
        play = PlayOptions(Repeat(repeat), by_character)
        path = request.path.parent / recording
        return open_recorded(path, PlainOptions(capture, vantage), play)

    yield from _opening(request, tmp_path / "recorded_line", open_line)


def _opening(
    request: pytest.FixtureRequest, stem: Path, open_line: Callable[..., PlainLine]
) -> Iterator[OpenLine]:
    """Yield a function that opens lines; each is recorded, and closed at the end."""
    opened: list[PlainLine] = []

    def open_next(*args: Any, **keywords: Any) -> PlainLine:
        number = f"-{len(opened) + 1}" if opened else ""
        with _told():
            line = open_line(stem.with_name(f"{stem.name}{number}{CAPTURE}"), *args, **keywords)
        opened.append(line)
        _runs(request).append((stem.name, line))
        return line

    yield open_next
    for line in opened:
        line.close()


@pytest.fixture
def supply_pty(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[PtySupply]:
    """A simulated supply on a pty, in real time; a program under test opens its ``port``."""
    from kerfbus.sim.background import PtySupply

    supply = PtySupply(_served(request, tmp_path / f"supply_pty{CAPTURE}"), tmp_path / "supply_pty")
    yield from _serving(request, "supply_pty", supply)


@pytest.fixture
def supply_tcp(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[TcpSupply]:
    """A simulated supply on TCP, in real time; a program under test opens its ``endpoint``."""
    from kerfbus.sim.background import TcpSupply

    supply = TcpSupply(_served(request, tmp_path / f"supply_tcp{CAPTURE}"))
    yield from _serving(request, "supply_tcp", supply)


def _served(request: pytest.FixtureRequest, capture: Path) -> ServedOptions:
    from kerfbus.sim.background import ServedOptions

    return ServedOptions(capture, _scenario(request), _seed(request))


def _serving(request: pytest.FixtureRequest, name: str, supply: S) -> Iterator[S]:
    with _told():
        supply.__enter__()
    with _kept(request, name, supply):
        yield supply


def _with_query(name: str, query: dict[str, str | float]) -> str:
    """Return a scenario's name with what is asked of it."""
    asked = "&".join(f"{key}={value}" for key, value in query.items())
    return f"{name}{'&' if '?' in name else '?'}{asked}" if asked else name


def _scenario(request: pytest.FixtureRequest) -> str:
    """Return what the marker says, "" without one."""
    return str(_marked(request, "scenario", ""))


def _seed(request: pytest.FixtureRequest) -> int:
    """Return what the marker says, 0 without one."""
    seed = _marked(request, "seed", 0)
    if not isinstance(seed, int) or seed < 0:
        pytest.fail(f"marker seed({seed!r}): give a whole number from 0", pytrace=False)
    return seed


def _marked(request: pytest.FixtureRequest, name: str, default: object) -> object:
    mark = request.node.get_closest_marker(name)
    if mark is None:
        return default
    if len(mark.args) != 1 or mark.kwargs:
        pytest.fail(f"marker {name}: give it one value, as in {name}({default!r})", pytrace=False)
    return mark.args[0]


@contextmanager
def _told() -> Iterator[None]:
    """Turn an error of ours into a failure of one line."""
    from kerfbus.bench.errors import KerfbusError

    try:
        yield
    except KerfbusError as error:
        # Not "from error": the line says all, and pytest would print where it came from before it.
        raise pytest.fail.Exception(str(error), pytrace=False) from None


def _runs(request: pytest.FixtureRequest) -> list[tuple[str, _Run]]:
    """Return what runs for a test."""
    runs: list[tuple[str, _Run]] = request.node.stash.setdefault(RUNS, [])
    return runs


@contextmanager
def _kept(request: pytest.FixtureRequest, name: str, run: _Run) -> Iterator[None]:
    """Note what runs while the context lasts, and end it."""
    _runs(request).append((name, run))
    try:
        yield
    finally:
        run.close()


# Reports


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Add to a failure what was said last on its lines, and where that is recorded."""
    report = yield
    if report.failed and call.when == "call":
        for name, run in item.stash.get(RUNS, []):
            report.sections.append((f"kerfbus: {name}", "\n".join(_last_said(item, name, run))))
    return report


def _last_said(item: pytest.Item, name: str, run: _Run) -> list[str]:
    from kerfbus.sim.capturetest import last_transactions
    from kerfbus.sim.maps import default_map

    said = last_transactions(run.captures, default_map())
    keep = item.config.getoption("keep_captures")
    if keep:
        folder = item.config.invocation_params.dir / keep
        said += [f"kept as: {_keep(each, folder, item.nodeid)}" for each in run.captures]
    return said or [f"nothing was recorded of {name}"]


def _keep(capture: Path, folder: Path, nodeid: str) -> Path:
    """Copy a recording to where it stays, under a name that no other test has."""
    folder.mkdir(parents=True, exist_ok=True)
    called = re.sub(r"[^A-Za-z0-9_.-]+", "-", nodeid).strip("-.")[-80:]
    mark = hashlib.sha256(nodeid.encode()).hexdigest()[:8]
    return Path(shutil.copy(capture, folder / f"{called}-{mark}-{capture.name}"))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Give the remarks on captures, among them which have no expectations."""
    remarks = {
        f"{report.nodeid.partition('::')[0]}: {remark}"
        for reports in terminalreporter.stats.values()
        for report in reports
        for name, remark in getattr(report, "user_properties", ())
        if name == REMARK
    }
    if remarks:
        terminalreporter.section("captures")
        for line in sorted(remarks):
            terminalreporter.write_line(line)
