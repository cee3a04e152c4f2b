"""Choosing a port and settings, with `find` at hand."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widget import Widget
from textual.widgets import Input, Label, OptionList
from textual.widgets.option_list import Option

from kerfbus.bench.errors import KerfbusError, UsageError
from kerfbus.bench.portlist import PortEntry
from kerfbus.tui.console.dialogs import Dialog
from kerfbus.tui.options import DEFAULT_PORT, Link

Find = Callable[[Link, Callable[[str], None]], Awaitable[Link | None]]
"""Looks for settings on a port and returns them, None for nothing found."""
_FIELDS = (("baud", "bits a second"), ("format", "8E1, 8N2"), ("server", "1 to 247"))


class Connect(Dialog[Link]):
    """Asks for port, rate, format, address and map.

    Args:
        given: what is chosen at present.
        ports: of this machine.
        find: looks for settings.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "shut", "Back"),
        Binding("ctrl+f", "find", "Find", priority=True),
    ]
    TITLE_TEXT = "Port and settings"

    def __init__(self, given: Link, ports: Sequence[PortEntry], find: Find) -> None:
        super().__init__()
        self._given = given
        self._ports = ports
        self._find = find
        self._finding = False

    def parts(self) -> Sequence[Widget]:
        """Return the list of ports and the fields."""
        options = [Option(f"{DEFAULT_PORT}  a simulated supply in this program", id=DEFAULT_PORT)]
        options += [
            Option(f"{each.device}  {each.description}".rstrip(), id=each.device)
            for each in self._ports
        ]
        given = self._given
        return (
            OptionList(*options, id="ports", markup=False),
            Label("port: a device, COM5, rfc2217://HOST:PORT, sim:SCENARIO", classes="faint"),
            Input(given.port, id="port", select_on_focus=False),
            _Fields(given),
            Label("map: a file in TOML; empty for the simulated supply's", classes="faint"),
            Input(given.map or "", id="map", select_on_focus=False),
            Label(
                "Enter connects, ctrl+f finds rate, format and address (it never writes).",
                id="hint",
                classes="faint",
                markup=False,
            ),
        )

    def on_mount(self) -> None:
        """Begin in the field of the port."""
        self.query_one("#port", Input).focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Take a port from the list into the field."""
        field = self.query_one("#port", Input)
        field.value = event.option.id or ""
        field.focus()

    def on_input_submitted(self) -> None:
        """Give back what stands in the fields."""
        try:
            self.dismiss(self._link())
        except KerfbusError as error:
            self.wrong(str(error))

    def _link(self) -> Link:
        """Return what stands in the fields; what is empty is as the map says.

        Raises:
            UsageError: a field does not hold what it should.
        """
        values = {each: self.query_one(f"#{each}", Input).value.strip() for each, _ in _FIELDS}
        port = self.query_one("#port", Input).value.strip()
        if not port:
            raise UsageError("no port is named")
        return Link(
            port,
            _number("baud", values["baud"]),
            values["format"] or None,
            _number("server", values["server"]),
            self.query_one("#map", Input).value.strip() or None,
            self._given.timeout_seconds,
        )

    def action_find(self) -> None:
        """Look for settings on the port that is named."""
        if not self._finding:
            self._finding = True
            self.run_worker(self._found())

    async def _found(self) -> None:
        hint = self.query_one("#hint", Label)
        try:
            link = await self._find(self._link(), hint.update)
        except KerfbusError as error:
            self.wrong(str(error))
        else:
            if link is None:
                self.wrong("nothing was found; is the supply on, the pair connected?")
            else:
                self._fill(link)
                hint.update(
                    f"found {link.baud} {link.format}, server {link.server}; Enter connects"
                )
        finally:
            self._finding = False

    def _fill(self, link: Link) -> None:
        for name, _ in _FIELDS:
            value = getattr(link, name)
            self.query_one(f"#{name}", Input).value = "" if value is None else str(value)


class _Fields(Horizontal):
    """Rate, format and address side by side."""

    def __init__(self, given: Link) -> None:
        super().__init__(classes="row")
        self._values = given

    def compose(self) -> ComposeResult:
        """Build the three fields."""
        for name, words in _FIELDS:
            value = getattr(self._values, name)
            with Vertical():
                yield Label(f"{name}: {words}", classes="faint", markup=False)
                yield Input("" if value is None else str(value), id=name, select_on_focus=False)


def _number(name: str, text: str) -> int | None:
    """Return a number, None for an empty field.

    Raises:
        UsageError: it is none.
    """
    if not text:
        return None
    if not text.isdigit():
        raise UsageError(f"{name} {text!r}: is no whole number; leave it empty for the map's")
    return int(text)


async def find_settings(link: Link, tell: Callable[[str], None]) -> Link | None:
    """Look for rate, format and address on a port, as `kerfbus find` does; it never writes.

    Args:
        link: names the port.
        tell: is told how far it is.

    Raises:
        PortError: the port cannot be used.
    """
    from dataclasses import replace

    from kerfbus.bench.find import Finder
    from kerfbus.bench.ports import PortOptions, open_port
    from kerfbus.bench.searchplan import BAUDS, FORMATS, SearchPlan

    plan = SearchPlan(BAUDS, FORMATS, ())
    options = PortOptions(speed="fast")
    async with await open_port(link.port, plan.settings[0], options) as port:
        findings = await Finder(port, plan, tell=tell).run()
    if not findings.found:
        return None
    best = findings.found[0]
    server = best.servers[0] if best.servers else link.server
    return replace(link, baud=best.settings.baud, format=best.settings.format, server=server)
