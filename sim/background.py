"""A simulated supply in a thread of its own, for programs that open real ports: a pty, TCP.

Job: let a test start a supply, have its port opened by whatever is under test, and stop it. Time is
real, because whoever is on the other side has no other. Each supply has a port that nobody else
has: a pty in a folder of the test's own, or a TCP port that the system chooses.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from kerfbus.bench.clock import SystemClock
from kerfbus.bench.errors import PortError
from kerfbus.bench.recorder import recorded
from kerfbus.bench.transport import Transport
from kerfbus.sim.endpoint import LOOPBACK, Endpoint
from kerfbus.sim.port import make_server
from kerfbus.sim.scenario.asked import open_asked
from kerfbus.sim.scenario.live import keep_up
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.station import Station

PATIENCE_SECONDS = 30.0
"""How long a supply may take to come up or to end (chosen; a busy machine needs tenths)."""


@dataclass(frozen=True)
class ServedOptions:
    """What is served.

    Attributes:
        capture: a new file that the traffic is recorded to, as the supply hears it.
        scenario: name or file, with a query if need be; "" for one plain supply.
        seed: of all chance; 0 for the scenario's own.
        address: of a plain supply.
    """

    capture: Path
    scenario: str = ""
    seed: int = 0
    address: int = 1


class BackgroundSupply(ABC):
    """A supply that answers while the context lasts.

    Args:
        options: what is served.

    Attributes:
        capture: where the traffic is recorded.
        port: what a client opens, as a port string; known once it answers.
        server: address of the supply, of the first one where there are several.
    """

    def __init__(self, options: ServedOptions) -> None:
        self.options = options
        self.capture = options.capture
        self.port = ""
        self.server = options.address
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._task: asyncio.Task[None] | None = None
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._main, name="simulated supply", daemon=True)

    @abstractmethod
    async def _serve(self, servers: tuple[SupplyServer, ...], clock: SystemClock) -> None:
        """Open the port, call `_answers`, and answer until cancelled."""

    def __enter__(self) -> Self:
        """Start, and return once it answers.

        Raises:
            ScenarioError: there is no such scenario, or its file is wrong.
            PortError: the port cannot be had.
        """
        self._thread.start()
        came = self._ready.wait(PATIENCE_SECONDS)
        if self._failure is not None:
            self._thread.join(PATIENCE_SECONDS)
            raise self._failure
        if not came:
            raise PortError(self.port or "supply", f"did not answer in {PATIENCE_SECONDS:g} s")
        return self

    def __exit__(self, *exc_info: object) -> None:
        """Stop it and end the recording. Stopping it again does nothing.

        Raises:
            KerfbusError: what went wrong while it answered.
        """
        if self._thread.is_alive():
            with contextlib.suppress(RuntimeError):  # it has ended just now
                self._loop.call_soon_threadsafe(self._cancel)
            self._thread.join(PATIENCE_SECONDS)
        failure, self._failure = self._failure, None
        if failure is not None:
            raise failure

    @property
    def captures(self) -> tuple[Path, ...]:
        """Return what was recorded so far; in real time every record is written at once."""
        return (self.capture,) if self.capture.exists() else ()

    def close(self) -> None:
        """Stop it."""
        self.__exit__()

    def _cancel(self) -> None:
        if self._task is not None:
            self._task.cancel()

    def _answers(self, port: str) -> None:
        """Say that it answers at a port."""
        self.port = port
        self._ready.set()

    def _main(self) -> None:
        try:
            self._task = self._loop.create_task(self._run())
            self._loop.run_until_complete(self._task)
        except asyncio.CancelledError:
            pass
        except BaseException as error:  # noqa: BLE001 (raised again in the thread that asked)
            self._failure = error
        finally:
            self._loop.close()
            self._ready.set()

    async def _run(self) -> None:
        clock = SystemClock()
        async with self._cast(clock) as servers:
            self.server = servers[0].address
            await self._serve(servers, clock)

    @contextlib.asynccontextmanager
    async def _cast(self, clock: SystemClock) -> AsyncIterator[tuple[SupplyServer, ...]]:
        """Give who answers, and keep their world up with the clock."""
        options = self.options
        if not options.scenario:
            yield (make_server(options.address, options.seed, clock.now()),)
            return
        scenario, seeded = open_asked(options.scenario)
        seed = None if seeded or not options.seed else options.seed
        stage = Stage(scenario, clock.now(), seed)
        stage.follow()
        task = asyncio.create_task(keep_up(stage.world, clock))
        try:
            yield stage.servers
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task


class PtySupply(BackgroundSupply):
    """A supply on a pty.

    Args:
        options: what is served.
        path: becomes a link to the pty; its folder is there.
    """

    def __init__(self, options: ServedOptions, path: Path) -> None:
        super().__init__(options)
        self.path = path

    async def _serve(self, servers: tuple[SupplyServer, ...], clock: SystemClock) -> None:
        try:
            from kerfbus.sim.pty import open_pty  # noqa: PLC0415 (not there on every system)
        except ImportError as error:
            raise PortError(str(self.path), "this system has no ptys; use TCP") from error
        port = open_pty(self.path, servers[0].settings, clock)
        async with recorded(port, self.capture, "server") as transport:
            self._answers(str(self.path))
            await Station(servers, transport).run()


class TcpSupply(BackgroundSupply):
    """A supply on a TCP port of loopback that the system chooses: RTU over TCP and Modbus TCP.

    Each RTU connection is a line of its own; the first is recorded to the capture, the others to
    ``NAME-2.pcapng`` and so on.
    """

    def __init__(self, options: ServedOptions) -> None:
        super().__init__(options)
        self.endpoint = Endpoint(LOOPBACK, 0)
        self._recorded: list[Path] = []

    async def _serve(self, servers: tuple[SupplyServer, ...], clock: SystemClock) -> None:
        from kerfbus.sim.tcpdoor import TcpDoor  # noqa: PLC0415 (brings pymodbus)

        async with TcpDoor(servers, self.endpoint, clock=clock, wrap=self._wrap) as lines:
            self.endpoint = lines.endpoint
            self._answers(f"socket://{lines.endpoint}")
            await asyncio.Event().wait()

    @property
    def captures(self) -> tuple[Path, ...]:
        """Return what was recorded so far, a capture for each line."""
        return tuple(self._recorded)

    def _wrap(self, line: Transport) -> Transport:
        number = len(self._recorded) + 1
        more = f"-{number}" if number > 1 else ""
        path = self.capture.with_name(f"{self.capture.stem}{more}{self.capture.suffix}")
        transport = recorded(line, path, "server")
        self._recorded.append(path)
        return transport
