"""One supply in a simulated world: its server, and the physical side in layers.

The table and the contacts set the lowest layer; each defect lies on top of what was there before,
and when it is taken away what lies below shows again.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from kerfbus.sim.device import Device
from kerfbus.sim.machine import Beginning
from kerfbus.sim.scenario.causes import Changes
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.supply import Supply


class StagedDevice(Device):
    """A device that is brought to an instant together with the world around it.

    Args:
        beginning: what it is switched on with.
        at: instant of switching on.
        advance: brings the world to an instant.
    """

    def __init__(self, beginning: Beginning, at: int, advance: Callable[[int], None]) -> None:
        super().__init__(beginning, at)
        self._advance_world = advance

    def advance(self, now: int) -> None:
        """Bring the world, and the supply with it, to `now`."""
        self._advance_world(now)


class Place:
    """A supply and what is around it.

    Args:
        name: of the supply, in the log.
        device: the supply behind its registers.

    Attributes:
        server: in front of the device.
        supply: the supply itself.
        silent_until: the controller asks nothing before this instant.
        noticed: revision of the supply that the log knows of.
    """

    def __init__(self, name: str, device: Device) -> None:
        self.name = name
        self.device = device
        self.supply: Supply = device.supply
        self.server = SupplyServer(device)
        self.silent_until = 0
        self.noticed = -1
        self._usual: dict[str, Any] = {}
        self._layers: dict[int, dict[str, Any]] = {}

    @property
    def address(self) -> int:
        """Return the server address in force."""
        return self.server.address

    def change(self, now: int, **changes: Any) -> None:
        """Change the lowest layer: torch, contacts."""
        self._usual.update(changes)
        self._show(now, changes)

    def cover(self, now: int, number: int, changes: Changes) -> None:
        """Lay changes on top, or change what was laid on top under this number."""
        for name in changes:
            self._usual.setdefault(name, getattr(self.supply.surroundings, name))
        self._layers.setdefault(number, {}).update(changes)
        self._show(now, changes)

    def uncover(self, now: int, number: int) -> None:
        """Take away what was laid on top under a number; nothing happens when it has gone."""
        self._show(now, self._layers.pop(number, {}))

    def below(self, name: str) -> Any:
        """Return the value of a surrounding as it shows now."""
        return getattr(self.supply.surroundings, name)

    def _show(self, now: int, names: Changes) -> None:
        """Bring surroundings to the supply as the topmost layers have them."""
        found = {name: self._topmost(name) for name in names}
        around = self.supply.surroundings
        changed = {name: value for name, value in found.items() if getattr(around, name) != value}
        if changed:
            self.supply.surround(now, **changed)

    def _topmost(self, name: str) -> Any:
        for layer in reversed(self._layers.values()):
            if name in layer:
                return layer[name]
        return self._usual[name]
