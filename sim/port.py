"""The port scheme ``sim:``: simulated supplies, all of it in this process.

``sim:`` is one supply on a clean line where nothing goes wrong; ``sim:NAME`` and ``sim:PATH.toml``
are scenarios, on a clean line or on a pair with all that is wrong with it;
``sim:NAME?severity=0.3&fidelity=sampled&seed=7`` asks for one of them otherwise than its file says.
Instants are exact unless a scenario's adapter is not. With the speed ``fast`` time is virtual: it
moves when somebody waits, and nothing ever suspends for long. With ``real`` the same line keeps
pace with wall time.

What the caller is on the line is the vantage: a ``client`` asks the supply; a ``tap`` hears a
simulated controller and the supply talk; a ``server`` is asked by a simulated controller and plays
the supply itself (in a scenario, its first one). In a scenario the controllers are those of its
tables; at ``sim:`` it is one with a timetable. The same seed and the same calls give the same bytes
at the same instants.

On a clean line a caller whose rate or format differs from the supply's own hears nothing: the
supply stays silent. On a pair it hears what a UART makes of it.
"""

from __future__ import annotations

from collections.abc import Sequence

from kerfbus.bench.clock import Clock, ManualClock, SystemClock
from kerfbus.bench.errors import PortMissingError, ScenarioError, SettingsError
from kerfbus.bench.line import LineSettings, check_server_address
from kerfbus.bench.portoptions import DEFAULT_OPTIONS, PortOptions
from kerfbus.bench.transport import Transport, Vantage
from kerfbus.sim.cleanline import CleanLine
from kerfbus.sim.device import Device
from kerfbus.sim.machine import Beginning
from kerfbus.sim.maps import default_map
from kerfbus.sim.scenario.asked import open_asked
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.scenario.tap import ScenarioTap
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.settings import BAUDS, FORMATS, Settings
from kerfbus.sim.vantage import ClientTransport, OverhearingTransport, Seat


async def open_port(
    port: str, settings: LineSettings, options: PortOptions = DEFAULT_OPTIONS
) -> Transport:
    """Open ``sim:``, the supply on a clean line, or a scenario.

    The supply of ``sim:`` has the address in `options` and 19200 8E1, the defaults of its map. In a
    scenario addresses, rate and format are the scenario's; so is the seed, unless `options` has
    another than 0.

    Raises:
        PortMissingError: a scenario is named that there is not.
        ScenarioError: the scenario's file is wrong.
        SettingsError: the address is none that a server may have, or the query behind a scenario's
            name is not of its form.
    """
    clock: Clock = SystemClock() if options.speed == "real" else ManualClock()
    return await open_on(clock, port, settings, options)


async def open_on(
    clock: Clock, port: str, settings: LineSettings, options: PortOptions
) -> Transport:
    """Open a port whose instants are those of a clock of the caller's; see `open_port`."""
    named = port.partition(":")[2].strip()
    if named:
        return _in_scenario(port, settings, options, clock)
    address = check_server_address(options.address)
    seat = Seat(port, settings, clock, f"simulated supply, seed {options.seed}")
    line = CleanLine((make_server(address, options.seed, clock.now()),), settings)
    if options.vantage == "client":
        return ClientTransport(seat, line)
    return OverhearingTransport(seat, address, line if options.vantage == "tap" else None)


def _scenario(port: str, named: str) -> tuple[Scenario, bool]:
    try:
        return open_asked(named)
    except ScenarioError as error:
        if error.line or isinstance(error.__cause__, OSError):
            raise
        raise PortMissingError(port, error.message) from error


def _in_scenario(
    port: str, settings: LineSettings, options: PortOptions, clock: Clock
) -> Transport:
    """Open a seat on a scenario's line."""
    scenario, seeded = _scenario(port, port.partition(":")[2].strip())
    seed = scenario.seed if seeded else options.seed or scenario.seed
    identity = f"scenario {scenario.name}, seed {seed}"
    seat = Seat(port, settings, clock, identity)
    asked = any(plan.program is not None for plan in scenario.supplies)
    if scenario.wire is not None or (options.vantage == "server" and asked):
        return _on_pair(seat, scenario, seed, options.vantage)
    if options.vantage == "server":
        return OverhearingTransport(seat, scenario.supplies[0].address, None)
    stage = Stage(scenario, clock.now(), seed)
    line = CleanLine(stage.servers, settings)
    if options.vantage == "client":
        stage.follow()
        return ClientTransport(seat, line)
    return ScenarioTap(seat, line, stage.direct())


def _on_pair(seat: Seat, scenario: Scenario, seed: int, vantage: Vantage) -> Transport:
    """Open a seat on a scenario's pair; on an ideal one where nothing is said about it."""
    from kerfbus.sim.pair.setup import CLIENT, TAP, clean, server_name  # noqa: PLC0415
    from kerfbus.sim.pairport import PairTransport  # noqa: PLC0415 (most ports need none of it)

    addresses = [plan.address for plan in scenario.supplies]
    station = {"client": CLIENT, "tap": TAP}.get(vantage, server_name(addresses[0]))
    ideal = scenario.wire is None
    if ideal:
        setup = clean(scenario.line, addresses, station, seed)
    else:
        from kerfbus.sim.scenario.wiring import setup_of, slowed  # noqa: PLC0415 (brings numpy)

        setup = setup_of(scenario, station, seed)
        scenario = slowed(scenario, setup)
    stage = Stage(scenario, seat.clock.now(), seed)
    return PairTransport(seat, stage, setup, ideal=ideal)


def make_server(address: int, seed: int, at: int, line: LineSettings | None = None) -> SupplyServer:
    """Return a server in front of a fresh supply with the default map.

    Args:
        address: server address.
        seed: of all chance in the supply.
        at: instant of switching on.
        line: rate and format; None for the map's.

    Raises:
        SettingsError: the supply has no such address, rate or format.
    """
    chosen = {"address_setting": check_server_address(address)}
    if line is not None:
        chosen["baud_setting"] = _code("baud", line.baud, BAUDS)
        chosen["format_setting"] = _code("format", line.format, FORMATS)
    settings = Settings.from_map(default_map()).changed(chosen)
    return SupplyServer(Device(Beginning(settings=settings, seed=seed), at))


def _code(name: str, value: int | str, known: Sequence[int | str]) -> int:
    """Return the code of a rate or a format in the map."""
    if value not in known:
        raise SettingsError(f"{name} {value}: the supply knows " + ", ".join(map(str, known)))
    return known.index(value)
