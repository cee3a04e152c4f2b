"""What may be written to the supply, and what it does.

A request is obeyed as a whole or refused as a whole. First every change is checked against a draft
(settings, key) without touching the supply; only when all pass are they carried out, in the order
of their addresses. Codes of refusals: `kerfbus.sim.refusal`.

The key: `command_key` must be given its word first, in the same request or at most two seconds
before. Each order uses it up. Stops need no key.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from enum import IntEnum
from types import MappingProxyType

from kerfbus.bench.regmap import RegisterMap
from kerfbus.sim.draft import Draft, Limits
from kerfbus.sim.processes import shipped_processes
from kerfbus.sim.ratings import StopCause
from kerfbus.sim.refusal import busy, cannot
from kerfbus.sim.sequence import BUSY, RUNNING, Event, Mode
from kerfbus.sim.settings import NAMES, Ignition, Setting, Settings, StartSource
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import PARTS


class Order(IntEnum):
    """What the register `command` takes, numbered as in the register map."""

    NONE = 0
    ENABLE = 1
    DISABLE = 2
    ARM_LINK = 3
    DISARM_LINK = 4
    CLEAR_FAULT = 5
    SELF_TEST = 6
    GAS_TEST_ON = 7
    GAS_TEST_OFF = 8
    APPLY_LINK_SETTINGS = 9
    STORE_SETTINGS = 10
    FACTORY_SETTINGS = 11
    CLEAR_FAULT_LOG = 12
    CLEAR_LINK_COUNTERS = 13


class Orders:
    """The way from written registers to the supply.

    Args:
        supply: whom to order.
        register_map: gives the limits of set-points and the factory settings.

    Attributes:
        limits: of the set-points.
        on_clear_counters: called by the order that clears the link's counters.
    """

    def __init__(self, supply: Supply, register_map: RegisterMap) -> None:
        self.supply = supply
        self.limits = Limits(register_map)
        self.factory = Settings.from_map(register_map)
        self.on_clear_counters: list[Callable[[], None]] = []

    def write(self, changes: Sequence[tuple[str, Setting]]) -> None:
        """Obey all changes, by register name and value, or none.

        Registers that have no meaning to the supply are passed over.

        Raises:
            RefusedError: the first change that is refused; nothing has changed.
        """
        draft = Draft(self.supply, self.limits)
        # A process sets the set-points; values given with it stand above it.
        for name, value in sorted(changes, key=lambda change: change[0] != "process"):
            self._check(draft, name, value)
        draft.carry_out()

    def _check(self, draft: Draft, name: str, value: Setting) -> None:
        if name == "command":
            self._check_command(draft, Order(int(value)))
        elif name in _WRITES:
            _WRITES[name](draft, value)
        elif name in NAMES:
            draft.settings = draft.settings.changed({name: value})

    def _check_command(self, draft: Draft, order: Order) -> None:
        if order is Order.NONE:
            return
        draft.use_key(order.name.lower().replace("_", "-"))
        if order is Order.CLEAR_LINK_COUNTERS:
            draft.acts.append(self._clear_counters)
        elif order is Order.FACTORY_SETTINGS:
            _not_busy(draft, "factory-settings")
            draft.settings = self.factory
        else:
            _ORDERS[order](draft)

    def _clear_counters(self, _: Supply) -> None:
        for clear in self.on_clear_counters:
            clear()


# --- checks --------------------------------------------------------------------------------------


def _not_busy(draft: Draft, what: str) -> None:
    if draft.supply.mode in BUSY:
        raise busy(f"{what}: not while the mode is {draft.supply.mode.name.lower()}")


def _idle(draft: Draft, what: str) -> None:
    _not_busy(draft, what)
    mode = draft.supply.mode
    if mode is Mode.POST_FLOW:
        raise busy(f"{what}: not before post-flow has ended")
    if mode is not Mode.IDLE:
        raise cannot(f"{what}: only while idle")


def _startable(draft: Draft) -> None:
    """Refuse a start over the link that cannot be."""
    supply = draft.supply
    if not supply.allows(StartSource.LINK):
        raise cannot("start: start_source does not let the link start")
    if not supply.link.armed:
        raise cannot("start: the link is not armed")
    draft.use_key("start")
    if supply.mode in BUSY:
        raise busy(f"start: not while the mode is {supply.mode.name.lower()}")
    if not supply.ready:
        raise cannot("start: not ready")


# --- registers that are more than settings ------------------------------------------------------


def _command_key(draft: Draft, value: Setting) -> None:
    draft.give_key(int(value))


def _start(draft: Draft, value: Setting) -> None:
    if not value:
        draft.acts.append(lambda supply: supply.stop(StopCause.LINK_STOP))
    elif not draft.supply.link.start:  # a level that is there already needs no second permission
        _startable(draft)
        draft.acts.append(Supply.start_by_link)


def _enable(draft: Draft, value: Setting) -> None:
    draft.acts.append(Supply.enable if value else Supply.disable)


def _gas_test(draft: Draft, value: Setting) -> None:
    if value and draft.supply.mode is not Mode.GAS_TEST:
        _idle(draft, "gas-test")
    event = Event.GAS_ON if value else Event.GAS_OFF
    draft.acts.append(lambda supply: _feed(supply, event))


def _feed(supply: Supply, event: Event) -> None:
    supply.feed(event)


def _clear_fault(draft: Draft, value: Setting) -> None:
    supply = draft.supply
    if not value or not supply.fault:
        return
    if supply.start_present:
        raise cannot("clear-fault: a start is present; release it first")
    if supply.still_caused():
        raise cannot(f"clear-fault: the cause of {supply.fault.name.lower()} is still there")
    draft.acts.append(Supply.clear_fault)


def _part_replaced(draft: Draft, value: Setting) -> None:
    if not value:
        return
    draft.use_key("part-replaced")
    _not_busy(draft, "part-replaced")
    draft.acts.append(lambda supply: supply.replace_part(PARTS[int(value) - 1]))


def _process(draft: Draft, value: Setting) -> None:
    number = int(value)
    if draft.supply.mode in BUSY and number == draft.settings.process:
        return  # a controller that writes all its set-points every time
    _not_busy(draft, "process")
    if number == 0:
        draft.settings = draft.settings.changed({"process": number})
        return
    row = shipped_processes().by_number.get(number)
    if row is None:
        raise cannot(f"process {number}: is not in the table; `kerfbus process list` shows it")
    values = dict(zip(Limits.NAMES, row.set_points, strict=True))
    draft.settings = draft.settings.changed({"process": number, **values})


def _set_point(name: str) -> Callable[[Draft, Setting], None]:
    def check(draft: Draft, value: Setting) -> None:
        low, high = draft.limits.of(name, draft.settings.process)
        if not low <= float(value) <= high:
            raise cannot(f"{name}: {value} is outside {low} to {high}, the limits in force")
        draft.settings = draft.settings.changed({name: value})

    return check


def _start_source(draft: Draft, value: Setting) -> None:
    if value != draft.settings.start_source:
        _not_busy(draft, "start_source")
    draft.settings = draft.settings.changed({"start_source": int(value)})


def _ignition_method(draft: Draft, value: Setting) -> None:
    fitted = "high-frequency-start" in draft.supply.ratings.options
    if value == Ignition.HIGH_FREQUENCY and not fitted:
        raise cannot("ignition_method: the option high-frequency start is not fitted")
    draft.settings = draft.settings.changed({"ignition_method": int(value)})


_WRITES: Mapping[str, Callable[[Draft, Setting], None]] = MappingProxyType(
    {
        "command_key": _command_key,
        "arc_command": _start,
        "start": _start,
        "enable": _enable,
        "gas_test": _gas_test,
        "clear_fault": _clear_fault,
        "part_replaced": _part_replaced,
        "process": _process,
        "start_source": _start_source,
        "ignition_method": _ignition_method,
        **{name: _set_point(name) for name in Limits.NAMES},
    }
)
"""What writing a register does, where it does more than to keep the value."""


# --- orders -----------------------------------------------------------------------------------


def _arm(draft: Draft) -> None:
    if draft.supply.mode is Mode.OFF or draft.supply.fault:
        raise cannot("arm-link: not while off or with a fault latched")
    draft.acts.append(Supply.arm_link)


def _self_test(draft: Draft) -> None:
    _idle(draft, "self-test")
    draft.acts.append(lambda supply: _feed(supply, Event.SELF_TEST))


def _apply(draft: Draft) -> None:
    if draft.supply.mode in RUNNING:
        raise busy("apply-link-settings: not while an arc burns or is being started")
    draft.acts.append(Supply.apply_link_settings)


def _store(draft: Draft) -> None:
    draft.acts.append(Supply.store_settings)


_ORDERS: Mapping[Order, Callable[[Draft], None]] = MappingProxyType(
    {
        Order.ENABLE: lambda draft: _enable(draft, True),
        Order.DISABLE: lambda draft: _enable(draft, False),
        Order.ARM_LINK: _arm,
        Order.DISARM_LINK: lambda draft: draft.acts.append(Supply.disarm_link),
        Order.CLEAR_FAULT: lambda draft: _clear_fault(draft, True),
        Order.SELF_TEST: _self_test,
        Order.GAS_TEST_ON: lambda draft: _gas_test(draft, True),
        Order.GAS_TEST_OFF: lambda draft: _gas_test(draft, False),
        Order.APPLY_LINK_SETTINGS: _apply,
        Order.STORE_SETTINGS: _store,
        Order.CLEAR_FAULT_LOG: lambda draft: draft.acts.append(Supply.clear_log),
    }
)
"""What each order does, those that the supply itself cannot do apart."""
