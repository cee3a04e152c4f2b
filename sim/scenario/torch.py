"""What moves the torch over one supply's table: stand-off, speed, kerfs, the plate's edge.

The torch waits at pierce height over the plate. Told to go, it plunges to cutting height,
accelerates, cuts a length, and stands; what ends the arc is somebody else's business. All steps are
acts of an agenda at instants that depend on nothing but the cut and the beginning.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum, auto

from kerfbus.sim.scenario.agenda import Agenda
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.plan import NS, Cut

MS = 1_000_000
STEPS = 5
"""Height and speed change in so many steps; the surroundings know no slopes."""
PLUNGE_NS = 100 * MS
ACCELERATION_NS = 100 * MS
"""How long it takes to reach cutting height, and then cutting speed (invented)."""
MINUTE_NS = 60 * NS


class Motion(Enum):
    """What the torch is about."""

    WAITING = auto()
    """At pierce height."""
    CUTTING = auto()
    """On its way, from the plunge on."""
    ARRIVED = auto()
    """At the end of the cut, standing."""
    HALTED = auto()
    """Before the end of the cut, standing."""


class Torch:
    """The torch of one table.

    Args:
        place: the supply and its surroundings.
        agenda: takes what the torch will do.
        tell: called with an instant and what it does, for the log.

    Attributes:
        motion: what it is about.
        arrives_at: end of the cut, known from when it goes.
    """

    def __init__(self, place: Place, agenda: Agenda, tell: Callable[[int, str], None]) -> None:
        self._place = place
        self._agenda = agenda
        self._tell = tell
        self._run = 0
        self.motion = Motion.WAITING
        self.arrives_at: int | None = None

    def wait(self, now: int, cut: Cut) -> None:
        """Stand at pierce height, ready for `cut`."""
        self._run += 1
        self.motion, self.arrives_at = Motion.WAITING, None
        self._place.change(
            now, stand_off=cut.pierce_height, table_speed=0.0, over_kerf=False, over_work=True
        )

    def go(self, now: int, cut: Cut) -> None:
        """Plunge, accelerate and cut; the plunge begins now."""
        self._run += 1
        self.motion = Motion.CUTTING
        self._tell(now, f"plunges, cuts {cut.length:g} mm at {cut.speed:g} mm/min")
        fall = cut.stand_off - cut.pierce_height
        for step in range(1, STEPS + 1):
            height = cut.stand_off if step == STEPS else cut.pierce_height + fall * step / STEPS
            self._put(now + PLUNGE_NS * step // STEPS, stand_off=height)
            speed = cut.speed if step == STEPS else cut.speed * step / STEPS
            self._put(now + PLUNGE_NS + ACCELERATION_NS * (step - 1) // STEPS, table_speed=speed)
        for place in cut.kerfs:
            at = now + self._reaches_ns(cut, place)
            self._put(at, over_kerf=True)
            self._put(at + round(cut.process.kerf / cut.speed * MINUTE_NS), over_kerf=False)
        self.arrives_at = now + self._reaches_ns(cut, cut.length)
        self._agenda.put(self.arrives_at, self._guarded(lambda at: self._arrive(at, cut)))

    def halt(self, now: int) -> None:
        """Stand still where it is, if it moves."""
        if self.motion is Motion.CUTTING:
            self._run += 1
            self.motion = Motion.HALTED
            self._place.change(now, table_speed=0.0, over_kerf=False)
            self._tell(now, "halts before the end of the cut")

    def _put(self, at: int, **changes: float | bool) -> None:
        self._agenda.put(at, self._guarded(lambda now: self._place.change(now, **changes)))

    def _guarded(self, act: Callable[[int], None]) -> Callable[[int], None]:
        """Return an act that is left undone when the torch is about something else by then."""
        run = self._run
        return lambda now: act(now) if run == self._run else None

    def _arrive(self, now: int, cut: Cut) -> None:
        self.motion = Motion.ARRIVED
        self._place.change(now, table_speed=0.0, over_kerf=False, over_work=not cut.edge)
        self._tell(now, "runs off the plate" if cut.edge else "is at the end of the cut")

    @staticmethod
    def _reaches_ns(cut: Cut, millimetres: float) -> int:
        """Return how long after the beginning of the plunge the torch is at a place of the cut."""
        full_ns = round(millimetres / cut.speed * MINUTE_NS)
        # While accelerating the speed rises in steps from a fifth: that costs this much time.
        lost_ns = ACCELERATION_NS - ACCELERATION_NS * sum(range(1, STEPS)) // (STEPS * STEPS)
        lost_ns -= ACCELERATION_NS // STEPS
        return PLUNGE_NS + full_ns + lost_ns
