"""The supply with its registers: what a server of any kind stands in front of.

Tables, files, FIFO queue and identification of one simulated supply. No frame, address or function
code is known here. Refusals are `RefusedError`s with the exception code for the client.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from kerfbus.bench.regmap import RegisterMap, Table, Value
from kerfbus.sim.bank import Bank, Change, Freshness, Page
from kerfbus.sim.cells import Cell
from kerfbus.sim.identity import identity_objects
from kerfbus.sim.machine import Beginning
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Orders
from kerfbus.sim.panel import Panel
from kerfbus.sim.refusal import no_address
from kerfbus.sim.settings import Settings, engineering
from kerfbus.sim.supply import Supply

NOTES_FILE, NOTES_WORDS = 2, 64
"""A file of free words for the owner, kept while the supply runs."""
EXCEPTION_STATUS = (
    "start_contact",
    "ready",
    "pilot_arc",
    "arc_transferred",
    "cutting",
    "gas_flowing",
    "gas_test_active",
    "fault_active",
)
"""Bits of the exception status: the first eight discrete inputs of the map."""


class Device:
    """A simulated supply behind its register map.

    Args:
        beginning: what it is switched on with; None for the map's defaults.
        at: instant of switching on.
        register_map: layout and limits; None for the default map.

    Attributes:
        supply: the supply itself, also for everything that is not on the link.
        bank: its registers.
        orders: the way from written registers to the supply.
        map: the register map.

    Raises:
        MapError: a register that the supply knows by name cannot show what the supply has for it.
    """

    def __init__(
        self,
        beginning: Beginning | None = None,
        at: int = 0,
        register_map: RegisterMap | None = None,
    ) -> None:
        self.map = register_map or default_map()
        given = beginning or Beginning(settings=Settings.from_map(self.map))
        self.supply = supply = Supply(given, at)
        self.bank = Bank(self.map, lambda: supply.revision, lambda: supply.edition)
        self.orders = Orders(supply, self.map)
        self.panel = Panel(supply, self.orders.limits, self.bank)
        self._fifo_at = int(self.map.facts.get("fault_log_fifo", 1024))
        self._log_file = int(self.map.facts.get("fault_log_file", 1))
        self._notes = bytearray(2 * NOTES_WORDS)
        self.bank.check(at)

    def advance(self, now: int) -> None:
        """Bring the supply to `now`."""
        self.supply.advance(now)

    # --- registers -------------------------------------------------------------------------------

    def read_words(self, table: Table, start: int, count: int) -> bytes:
        """Return words as they are now, high byte first.

        Raises:
            RefusedError: an address is a hole or cannot be read.
        """
        return self.bank.read_words(table, start, count, self.supply.now)

    def read_bits(self, table: Table, start: int, count: int) -> bytes:
        """Return bits as they are now, packed, the first one lowest.

        Raises:
            RefusedError: an address is a hole or cannot be read.
        """
        return self.bank.read_bits(table, start, count, self.supply.now)

    def write(self, table: Table, start: int, raw: Sequence[int]) -> None:
        """Write words (or bits), all of them or none.

        Raises:
            RefusedError: an address, a value or an act is refused.
        """
        self._obey(self.bank.changes(table, start, raw, self.supply.now))

    def value(self, name: str) -> Value:
        """Return the value of a register now, as a client would decode it.

        Raises:
            UsageError: the map has no such register.
            RefusedError: it cannot be read.
        """
        register = self.map.by_name(name)
        if register.table.of_bits:
            return bool(self.read_bits(register.table, register.address, 1)[0])
        data = self.read_words(register.table, register.address, register.words)
        words = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
        return register.decode(words)

    def put(self, **values: Value) -> None:
        """Write registers by name, as one request would.

        Raises:
            UsageError: the map has no such register.
            LimitError: a value is outside the map's limits or not of its kind.
            RefusedError: the supply refuses.
        """
        changes = []
        for name, value in values.items():
            register = self.map.by_name(name)
            raw = register.encode(value)
            changes.append(Change(register, raw, engineering(register, raw)))
        self._obey(changes)

    def _obey(self, changes: list[Change]) -> None:
        self.orders.write([(change.register.name, change.value) for change in changes])
        self.bank.remember(changes)

    def show_counters(self, names: Sequence[str], sample: Callable[[], Sequence[Cell]]) -> None:
        """Let registers show a server's counters, which change with every frame.

        Args:
            names: of the registers.
            sample: gives their values.
        """
        self.bank.add(Page(names, lambda _: sample(), Freshness.NEVER))

    # --- files, queue, identification ------------------------------------------------------------

    def read_record(self, file: int, record: int, count: int) -> bytes:
        """Return `count` words of a file from `record`.

        Raises:
            RefusedError: there is no such file, or it is not as long.
        """
        content = self._file(file)
        if 2 * (record + count) > len(content):
            raise no_address(f"file {file}: has {len(content) // 2} records")
        return bytes(content[2 * record : 2 * (record + count)])

    def check_record(self, file: int, record: int, count: int) -> None:
        """Check that records could be written.

        Raises:
            RefusedError: there is no such file, it is not as long, or it is read only.
        """
        self.read_record(file, record, count)
        if file != NOTES_FILE:
            raise no_address(f"file {file}: is read only")

    def write_record(self, file: int, record: int, data: bytes) -> None:
        """Write words into a file from `record`; whoever calls this has checked them all.

        Raises:
            RefusedError: as `check_record`.
        """
        self.check_record(file, record, len(data) // 2)
        self._notes[2 * record : 2 * record + len(data)] = data

    def fifo(self, pointer: int) -> tuple[int, ...]:
        """Return the fault codes that wait in the queue, newest first; they stay there.

        Raises:
            RefusedError: `pointer` is not the queue's address.
        """
        if pointer != self._fifo_at:
            raise no_address(f"there is no queue at {pointer}")
        return self.supply.log.codes()

    def identity(self) -> Mapping[int, bytes]:
        """Return the objects of device identification, by id."""
        return identity_objects(
            {
                "maker": self._text("maker"),
                "model": self._text("model"),
                "firmware": self._text("firmware"),
                "serial_number": self._text("serial_number"),
                "asset_tag": self.supply.settings.asset_tag,
                "map": f"{self.map.name} {self.map.header.version}".rstrip(),
                "options": ", ".join(sorted(self.supply.ratings.options)),
            }
        )

    def exception_status(self) -> int:
        """Return the eight bits of function 07, which are `EXCEPTION_STATUS`, bit 0 first."""
        contacts = self.panel.contacts()
        return sum(1 << bit for bit, name in enumerate(EXCEPTION_STATUS) if contacts[name])

    def _text(self, name: str) -> str:
        register = self.bank.find(name)
        return str(register.default or "") if register is not None else ""

    def _file(self, file: int) -> bytes | bytearray:
        if file == self._log_file:
            return self.supply.log.packed()
        if file == NOTES_FILE:
            return self._notes
        raise no_address(f"there is no file {file}")
