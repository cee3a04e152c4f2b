"""From the options of a link to a client on it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

from kerfbus.bench.client import Client, Policy
from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings, check_server_address
from kerfbus.bench.ports import PortOptions, SamePort, is_simulated, open_port, scheme_of
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.reopen import ReopeningTransport
from kerfbus.bench.transport import LineEventKind, Transport
from kerfbus.tui.chosen import chosen_map
from kerfbus.tui.options import Link
from kerfbus.tui.output import Output


@dataclass(frozen=True, slots=True)
class Plan:
    """A link with everything that was not said filled in.

    Attributes:
        link: what was said.
        map: the register map.
        settings: rate and format.
        server: the server address, 0 to broadcast.
        real: whether there may be hardware at the other end.
        note: a remark for after the run, "" for none.
    """

    link: Link
    map: RegisterMap
    settings: LineSettings
    server: int
    real: bool
    note: str = ""

    @property
    def policy(self) -> Policy:
        """Return how long to wait and what to try again."""
        return Policy(response_timeout=self.link.timeout_seconds, retries=self.link.retries)

    def __str__(self) -> str:
        """Return in a line whom is talked to."""
        return f"Server {self.server} on {self.link.port}  {self.settings}  map {self.map.name}"


def plan_for(link: Link, *, broadcast: bool = False) -> Plan:
    """Return the plan for a link, with a note when a real port is read with the invented map.

    The note is for the end: a run that cannot begin says one line alone.

    Raises:
        SettingsError: rate, format or address are none.
        MapError: the map is wrong.
    """
    found = chosen_map(link.map)
    header = found.header
    baud = header.settings.baud if link.baud is None else link.baud
    form = header.settings.format if link.format is None else link.format
    settings = LineSettings.parse(baud, form)
    server = header.server if link.server is None else link.server
    real = not is_simulated(link.port)
    note = ""
    if real and link.map is None:
        note = "names are those of the simulated supply's invented map; --map FILE for yours"
    elif scheme_of(link.port) == "sim":
        note = "the simulated supply ends with this run; `kerfbus supply` keeps one"
    server = check_server_address(server, broadcast=broadcast)
    return Plan(link, found, settings, server, real, note)


async def lasting_port(
    port: str, settings: LineSettings, options: PortOptions, output: Output
) -> Transport:
    """Open a port; a real one comes back by itself after it was unplugged, and that is told."""
    if is_simulated(port):
        return await open_port(port, settings, options)

    def tell(kind: LineEventKind, _at: int, why: str) -> None:
        output.remark(f"{port}: {'back' if kind is LineEventKind.OPENED else why}", always=True)

    return await ReopeningTransport.open(SamePort(port, settings, options), tell)


async def seeded_port(plan: Plan, seed: int | None, output: Output) -> Transport:
    """Open the port of a plan to be a client on it, with the seed of a simulated line.

    Raises:
        UsageError: a real port is given a seed.
    """
    port = plan.link.port
    if plan.real and seed is not None:
        raise UsageError(f"--seed: {port} is a real port; only simulated lines have a seed")
    options = PortOptions(speed="fast", seed=seed or 0)
    return await lasting_port(port, plan.settings, options, output)


@asynccontextmanager
async def client_on(plan: Plan) -> AsyncIterator[Client]:
    """Open the port for as long as the context lasts."""
    # A simulated line in the same process has nobody to wait for in real time.
    options = PortOptions(speed="fast")
    async with await open_port(plan.link.port, plan.settings, options) as transport:
        yield Client(transport, plan.policy)
