"""The supply that a controller is tried on: simulated, laid out by any map with the same names."""

from __future__ import annotations

from kerfbus.bench.line import LineSettings, check_server_address
from kerfbus.bench.regmap import RegisterMap
from kerfbus.sim.device import Device
from kerfbus.sim.machine import Beginning
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.settings import BAUDS, FORMATS, Setting, Settings

SHORT = {"preflow_time": 0.1, "postflow_time": 2.0}
"""Times of the invented unit that keep trials short; a controller may set others."""


def make_unit(
    register_map: RegisterMap, address: int, line: LineSettings, at: int, seed: int = 0
) -> SupplyServer:
    """Return a server in front of a fresh supply, laid out by `register_map`.

    Args:
        register_map: where its registers are. Names are those of the default map.
        address: server address.
        line: rate and format; the supply keeps its own where it does not know them.
        at: instant of switching on.
        seed: of all chance in the supply.

    Raises:
        SettingsError: no server may have this address.
        MapError: a register that the supply knows by name cannot show what the supply has for it.
    """
    chosen: dict[str, Setting] = {"address_setting": check_server_address(address), **SHORT}
    if line.baud in BAUDS:
        chosen["baud_setting"] = BAUDS.index(line.baud)
    if line.format in FORMATS:
        chosen["format_setting"] = FORMATS.index(line.format)
    settings = Settings.from_map(register_map).changed(chosen)
    return SupplyServer(Device(Beginning(settings=settings, seed=seed), at, register_map))
