"""Small acceptance plans on the map of the simulated supply, and units to run them on."""

from __future__ import annotations

import textwrap
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager

from kerfbus.bench.acceptance.answers import Answers, AskFirst
from kerfbus.bench.acceptance.plan import Plan, parse_plan
from kerfbus.bench.acceptance.result import Result
from kerfbus.bench.acceptance.runner import Run, Watcher
from kerfbus.bench.acceptance.session import Session
from kerfbus.bench.acceptance.state import State
from kerfbus.bench.client import Policy
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.transport import Through, Transport
from kerfbus.sim.maps import default_map

HEADER = '[plan]\nname = "small"\ntitle = "A small plan"\n'
IDLE = 'idle = { mode = ["off", "idle"] }\n'
SET_POINT = (
    '[[step]]\nname = "current"\nkind = "set-point"\ntitle = "Current"\n'
    'register = "current_setpoint"\npoints = 4\nfirst = { process = 0 }\n'
    'also = ["cutting_pressure_setpoint", "flow_pressure_setpoint"]\n' + IDLE
)
REFUSED = (
    '[[step]]\nname = "refusal"\nkind = "refused"\ntitle = "Refusal"\n'
    'register = "current_setpoint"\n' + IDLE
)
SELECTION = (
    '[[step]]\nname = "selection"\nkind = "selection"\ntitle = "Process"\n'
    'register = "process"\nvalues = [101, 203]\n'
    'also = ["current_setpoint", "cutting_pressure_setpoint", "flow_pressure_setpoint"]\n' + IDLE
)


def step(kind: str, lines: str = "", name: str = "one") -> str:
    """Return a step of a plan."""
    head = f'[[step]]\nname = "{name}"\nkind = "{kind}"\ntitle = "The {name}"\n'
    return head + textwrap.dedent(lines).strip() + "\n"


def plan_of(*steps: str, header: str = HEADER) -> Plan:
    """Return a plan against the map of the simulated supply."""
    return parse_plan(header + "".join(steps), "small.toml").against(default_map())


def run_of(plan: Plan, state: State | None = None, answers: Answers | None = None) -> Run:
    """Return a run of a plan, with the same time of day for every result."""
    state = state or State(plan.sha256, "of the map", "sim:", 1)
    return Run(plan, state, AskFirst(answers or Answers()), Watcher(lambda: "today"))


@asynccontextmanager
async def session_on(
    line: Transport, state: State, *, may_write: bool = True
) -> AsyncIterator[Session]:
    """Give a session on a line, and close the line."""
    async with line:
        yield Session(
            line, 1, default_map(), Policy(response_timeout=0.2, retries=0), state, may_write
        )


async def simulated(port: str = "sim:", seed: int = 0) -> Transport:
    """Return a simulated line in virtual time."""
    return await open_port(
        port, default_map().header.settings, PortOptions(speed="fast", seed=seed)
    )


async def results_of(*steps: str, port: str = "sim:", server: int = 1) -> list[Result]:
    """Run steps on a simulated line and return what they found."""
    plan = plan_of(*steps)
    run = run_of(plan)
    async with session_on(await simulated(port), run.state) as session:
        session.server = server
        await run.run(session)
    return run.results


async def values_of(line: Transport, *names: str) -> Mapping[str, object]:
    """Return what stands in registers, by name; the line stays open."""
    from kerfbus.bench.access import read_values, reading_of
    from kerfbus.bench.client import Client

    found = default_map()
    wanted = [reading_of(found.by_name(name)) for name in names]
    readings = await read_values(Client(line, Policy()), 1, found, wanted)
    return {str(each.name): each.value for each in readings}


class Meddler(Through):
    """A line that does something of its own with each request, as a unit that is not right would.

    Args:
        inner: the line.

    Attributes:
        sent: the requests that passed.
    """

    def __init__(self, inner: Transport) -> None:
        super().__init__(inner)
        self.sent: list[bytes] = []

    async def send(self, data: bytes) -> int:
        """Pass a request on, as `meddled` makes it."""
        self.sent.append(data)
        return await super().send(self.meddled(data))

    def meddled(self, data: bytes) -> bytes:
        """Return what is really sent."""
        return data
