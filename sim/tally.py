"""What the supply counts: starts, arcs, losses, arc time, duty.

Running arcs are added when somebody asks, committed when the arc ends; so the sums do not depend on
how often they are asked for.
"""

from __future__ import annotations

from collections import deque

from kerfbus.sim.wear import Usage

DUTY_WINDOW_NS = 600 * 1_000_000_000
"""Ten minutes, the cycle of the duty rating."""


class Tally:
    """Counters since new.

    Attributes:
        starts: starts accepted.
        transfers: starts that reached the work.
        failed_ignitions: starts in which no pilot arc came up.
        failed_transfers: pilot arcs that did not reach the work.
        arc_losses: arcs that went out by themselves.
        losses_in_a_row: of those, the last ones, before a cut had begun and without one between.
        usage: arcs that have ended (and all pilot strikes).
        tries: ignitions in the present or last start.
    """

    def __init__(self) -> None:
        self.starts = 0
        self.transfers = 0
        self.failed_ignitions = 0
        self.failed_transfers = 0
        self.arc_losses = 0
        self.losses_in_a_row = 0
        self.tries = 0
        self.usage = Usage()
        self._since: int | None = None
        self._charge = 0.0
        self._last_cut_ns = 0
        self._arcs: deque[tuple[int, int]] = deque()
        self._arcs_ns = 0

    def struck(self) -> None:
        """Count an arc start: the pilot arc stands."""
        self.usage += Usage(starts=1)

    def lost(self, *, cutting: bool) -> None:
        """Count an arc that went out by itself; `cutting` says that a cut had begun."""
        self.arc_losses += 1
        if not cutting:
            self.losses_in_a_row += 1

    def double_arced(self) -> None:
        """Count an arc at more current than the nozzle bears."""
        self.usage += Usage(double_arcs=1)

    def arc_begins(self, at: int, charge: float, *, pierces: bool = False) -> None:
        """Take note that the arc has reached the work.

        Args:
            at: instant, ns.
            charge: the plant's sum, ampere-seconds.
            pierces: the torch stands over the plate.
        """
        self.transfers += 1
        if pierces:
            self.usage += Usage(pierces=1)
        self._since, self._charge = at, charge

    def arc_ends(self, at: int, charge: float, *, hard: bool) -> None:
        """Commit the arc that burns; `hard` says that it was not ramped down."""
        if self._since is None:
            return
        self.usage = self.total(at, charge) + Usage(hard_stops=int(hard))
        self._last_cut_ns = at - self._since
        self._arcs.append((self._since, at))
        self._arcs_ns += at - self._since
        self._since = None

    @property
    def burns(self) -> bool:
        """Return whether an arc burns that has not been committed."""
        return self._since is not None

    def arc_charge(self, charge: float) -> float:
        """Return the charge of the arc that burns, ampere-seconds; `charge` is the plant's sum."""
        return charge - self._charge

    def total(self, now: int, charge: float) -> Usage:
        """Return the usage with the arc that burns; `charge` is the plant's sum at `now`."""
        if self._since is None:
            return self.usage
        return self.usage + Usage(arc_ns=now - self._since, charge=charge - self._charge)

    def cut_ns(self, now: int) -> int:
        """Return how long the present arc has burnt on the work, or the last one did."""
        return self._last_cut_ns if self._since is None else now - self._since

    def duty_percent(self, now: int) -> float:
        """Return the share of arc time in the last ten minutes."""
        begin, arcs = now - DUTY_WINDOW_NS, self._arcs
        while arcs and arcs[0][1] <= begin:
            start, end = arcs.popleft()
            self._arcs_ns -= end - start
        burnt = self._arcs_ns
        if arcs and arcs[0][0] < begin:  # only the oldest can stick out of the window
            burnt -= begin - arcs[0][0]
        if self._since is not None:
            burnt += now - max(self._since, begin)
        return 100.0 * burnt / DUTY_WINDOW_NS
