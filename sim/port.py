"""The port scheme ``sim:``: simulated supplies on a clean line, all of it in this process.

``sim:`` is one supply where nothing goes wrong; ``sim:NAME`` and ``sim:PATH.toml`` are scenarios.
Instants are exact. With the speed ``fast`` time is virtual: it moves when somebody waits, and
nothing ever suspends for long. With ``real`` the same line keeps pace with wall time.

What the caller is on the line is the vantage: a ``client`` asks the supply; a ``tap`` hears a
simulated controller and the supply talk; a ``server`` is asked by a controller with a timetable and
plays the supply itself. The same seed and the same calls give the same bytes at the same instants.

A caller whose rate or format differs from the supply's own hears nothing: the supply stays silent.
"""

from __future__ import annotations

from collections.abc import Sequence

from kerfbus.bench.clock import Clock, ManualClock, SystemClock
from kerfbus.bench.errors import PortMissingError, ScenarioError, SettingsError
from kerfbus.bench.line import LineSettings, check_server_address
from kerfbus.bench.portoptions import DEFAULT_OPTIONS, PortOptions
from kerfbus.bench.transport import Transport
from kerfbus.sim.cleanline import CleanLine
from kerfbus.sim.device import Device
from kerfbus.sim.machine import Beginning
from kerfbus.sim.maps import default_map
from kerfbus.sim.scenario import Scenario, open_scenario
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
        SettingsError: the address is none that a server may have.
    """
    named = port.partition(":")[2].strip()
    clock: Clock = SystemClock() if options.speed == "real" else ManualClock()
    if named:
        return _in_scenario(port, _scenario(port, named), settings, options, clock)
    address = check_server_address(options.address)
    seat = Seat(port, settings, clock, f"simulated supply, seed {options.seed}")
    line = CleanLine((make_server(address, options.seed, clock.now()),), settings)
    if options.vantage == "client":
        return ClientTransport(seat, line)
    return OverhearingTransport(seat, address, line if options.vantage == "tap" else None)


def _scenario(port: str, named: str) -> Scenario:
    try:
        return open_scenario(named)
    except ScenarioError as error:
        if error.line or isinstance(error.__cause__, OSError):
            raise
        raise PortMissingError(port, error.message) from error


def _in_scenario(
    port: str, scenario: Scenario, settings: LineSettings, options: PortOptions, clock: Clock
) -> Transport:
    """Open a seat on a scenario's line."""
    stage = Stage(scenario, clock.now(), options.seed or None)
    identity = f"scenario {scenario.name}, seed {stage.world.seed}"
    seat = Seat(port, settings, clock, identity)
    if options.vantage == "server":
        return OverhearingTransport(seat, scenario.supplies[0].address, None)
    line = CleanLine(stage.servers, settings)
    if options.vantage == "client":
        stage.follow()
        return ClientTransport(seat, line)
    return ScenarioTap(seat, line, stage.direct())


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
