"""The backdrop of a trial: how the supply is brought into the situation that the trial needs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from kerfbus.sim.faults import Fault
from kerfbus.sim.qualification.record import What
from kerfbus.sim.qualification.schedule import Situation, Trial
from kerfbus.sim.sequence import PILOT_BURNS, RUNNING, Event, Mode
from kerfbus.sim.supply import Supply

NS = 1_000_000_000
AGAIN_NS = 500_000_000
"""How often a prompt is repeated while nothing follows."""
TOLD = 2
"""Replies that a controller has had in a situation before something is done."""
_CUTTING = frozenset({Mode.PIERCING, Mode.CUTTING})
_NO_ARC_YET = frozenset({Mode.PRE_FLOW, Mode.IGNITION}) | PILOT_BURNS
_MODES = {
    Situation.WAITING: frozenset({Mode.GAS_TEST}),
    Situation.STARTING: _NO_ARC_YET,
    Situation.PILOT: PILOT_BURNS,
    Situation.ARC: _CUTTING,
}
"""Modes of the supply in which a situation is there."""


class Backdrop:
    """Prepares one trial after the other.

    Args:
        supply: is set up as by the people and things around it: never over the link.
    """

    def __init__(self, supply: Supply) -> None:
        self._supply = supply
        self._trial: Trial | None = None
        self._before: dict[str, Any] = {}
        self._since = self._there_since = 0
        self._asked_at: int | None = None
        self._first_asked_at: int | None = None

    def begin(self, trial: Trial, now: int) -> None:
        """Begin to prepare a trial."""
        self._trial, self._since, self._there_since = trial, now, now
        self._asked_at = self._first_asked_at = None
        if trial.situation is Situation.PILOT:
            self._surround(now, trial)

    def _surround(self, now: int, trial: Trial) -> None:
        around = self._supply.surroundings
        self._before = {name: getattr(around, name) for name in trial.around}
        self._supply.surround(now, **trial.around)

    def prepare(self, now: int, patience_ns: int) -> What | None:
        """Do what is to be done now, and return what somebody must be asked to do.

        Args:
            now: instant.
            patience_ns: so long a latched fault is left to the controller.
        """
        supply, trial = self._supply, self._trial
        assert trial is not None
        if supply.fault is not Fault.NONE and trial.situation is not Situation.POLLING:
            if now - self._since > patience_ns and not supply.start_present:
                supply.clear_fault()
                return What.PANEL_CLEAR
            return self._wish(now, What.PROMPT_CLEAR)
        if trial.situation is Situation.WAITING:
            if supply.mode is Mode.IDLE and not supply.start_present:
                supply.feed(Event.GAS_ON)
                self._there_since = now
            return self._wish(now, What.PROMPT_START) if supply.mode is Mode.GAS_TEST else None
        if supply.mode is Mode.GAS_TEST:
            supply.feed(Event.GAS_OFF)
        may_ask = trial.situation is not Situation.POLLING and supply.mode not in RUNNING
        return self._wish(now, What.PROMPT_START) if may_ask else None

    def _wish(self, now: int, what: What) -> What | None:
        """Return the wish where it was not said just now."""
        if self._asked_at is not None and now - self._asked_at < AGAIN_NS:
            return None
        self._asked_at = now
        if what is What.PROMPT_START and self._first_asked_at is None:
            self._first_asked_at = now
        return what

    def there(self, now: int, told_since: Callable[[int], int]) -> bool:
        """Return whether the situation is there, and the controller has been told.

        Args:
            now: instant.
            told_since: gives how many good replies there were since an instant.
        """
        trial, supply = self._trial, self._supply
        assert trial is not None
        modes = _MODES.get(trial.situation)
        if modes is None:
            return True
        if supply.mode not in modes:
            self._there_since = now
            return False
        if trial.situation in (Situation.STARTING, Situation.PILOT):
            return True
        waiting = trial.situation is Situation.WAITING
        if waiting and self._first_asked_at is None:
            return False
        first = self._first_asked_at or 0
        return told_since(max(self._there_since, first) if waiting else self._there_since) >= TOLD

    def act(self, now: int) -> None:
        """Do what the trial does to the supply."""
        trial = self._trial
        assert trial is not None
        if trial.situation is not Situation.PILOT and trial.around:
            self._surround(now, trial)
        if trial.fault is not Fault.NONE:
            self._supply.latch(trial.fault)

    def end_act(self, now: int) -> None:
        """Take back what was done to the supply's surroundings; a latched fault stays."""
        if self._before:
            self._supply.surround(now, **self._before)
            self._before = {}
