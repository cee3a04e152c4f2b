"""A port is a string: schemes, plug-ins, and opening the same device again."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from portcables import Cable

from kerfbus.bench import ports, serialport
from kerfbus.bench.errors import (
    NotAPortError,
    PortError,
    PortMissingError,
    SettingsError,
)
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portlist import PortEntry, find_device, links_by_id
from kerfbus.bench.ports import (
    PortOptions,
    Rs485Options,
    SamePort,
    is_simulated,
    known_schemes,
    list_ports,
    open_port,
    scheme_of,
)

SETTINGS = LineSettings()

SCHEMES = [
    ("sim:", "sim"),
    ("sim:worn-nozzle", "sim"),
    ("SIM:", "sim"),
    ("rfc2217://host:4001", "rfc2217"),
    ("socket://[::1]:4001", "socket"),
    ("capture:./site.pcapng", "capture"),
    ("/dev/ttyUSB0", ""),
    ("/dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0", ""),
    ("ttyUSB0", ""),
    ("COM5", ""),
    (r"\\.\COM10", ""),
    (r"C:\ports\x", ""),
    ("./a:b", ""),
    ("", ""),
]


@pytest.mark.parametrize(("port", "scheme"), SCHEMES)
def test_schemes(port: str, scheme: str) -> None:
    assert scheme_of(port) == scheme
    assert is_simulated(port) == (scheme in ("sim", "capture"))


UNKNOWN = [
    ("", "port '': nothing is named; give sim:, a device such as"),
    ("  ", "port '  ': nothing is named"),
    ("foo:x", "port 'foo:x': unknown scheme foo:; known are capture:, rfc2217:, sim:, socket: and"),
    ("sockt://h:1", "unknown scheme sockt:; did you mean socket:? known are"),
    ("rfc2216://h:1", "unknown scheme rfc2216:; did you mean rfc2217:? known are"),
    ("localhost:7000", "for TCP port 7000 of host localhost write socket://localhost:7000"),
]


@pytest.mark.parametrize(("port", "words"), UNKNOWN)
async def test_strings_that_name_nothing(port: str, words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        await open_port(port, SETTINGS)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


TROUBLES: list[tuple[str, type[Exception], str]] = [
    ("/dev/ttyNOPE9", PortMissingError, r"no such port; is it plugged in\? Ports here: "),
    ("/dev/null", NotAPortError, "is not a serial port; give a device such as"),
    ("/dev", NotAPortError, "is a folder, not a serial port"),
    (__file__, NotAPortError, "is a file, not a serial port"),
    ("socket://127.0.0.1:1", PortMissingError, "nothing listens there"),
    ("rfc2217://127.0.0.1:1", PortMissingError, "nothing listens there"),
    ("socket://host.invalid:1", PortMissingError, "no such host"),
]


@pytest.mark.parametrize(("port", "kind", "words"), TROUBLES)
async def test_troubles_are_one_line(port: str, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind, match=f"^{port}: {words}") as caught:
        await open_port(port, SETTINGS)
    assert "\n" not in str(caught.value)
    assert caught.value.__cause__ is not None or kind is NotAPortError


@pytest.mark.parametrize("port", ["socket://127.0.0.1:1", "rfc2217://127.0.0.1:1"])
async def test_rs485_mode_belongs_to_local_ports(port: str) -> None:
    with pytest.raises(PortError, match="RS-485 mode can be set on local ports of Linux only"):
        await open_port(port, SETTINGS, PortOptions(rs485=Rs485Options()))


async def test_a_pty_whose_other_side_is_gone(tmp_path: Path) -> None:
    link = tmp_path / "supply"
    cable = Cable(link)
    target = cable.near
    async with await open_port(str(link), SETTINGS) as port:
        assert port.name == str(link)
    cable.cut()
    link.symlink_to(target)
    with pytest.raises(PortMissingError, match=f"leads to {target}, which is not there"):
        await open_port(str(link), SETTINGS)


# Plug-ins: real distributions on a path of their own.


def plug_in(folder: Path, schemes: dict[str, str], source: str) -> None:
    """Install a distribution whose entry points are `schemes`."""
    (folder / "odd_ports.py").write_text(source)
    info = folder / "odd_ports-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: odd-ports\nVersion: 1.0\n")
    lines = [f"{scheme} = {value}" for scheme, value in schemes.items()]
    (info / "entry_points.txt").write_text("\n".join(["[kerfbus.ports]", *lines]) + "\n")


@pytest.fixture
def plugged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    plug_in(
        tmp_path,
        {"odd": "odd_ports:open_odd", "broken": "odd_ports:nothing", "lost": "no_such_module:x"},
        "from kerfbus.bench.loopback import loopback_pair\n"
        "async def open_odd(port, settings, options):\n"
        "    near, _ = loopback_pair(settings)\n"
        "    near.name = f'{port} as {options.vantage}'\n"
        "    return near\n",
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    yield
    sys.modules.pop("odd_ports", None)


@pytest.mark.usefixtures("plugged")
async def test_a_plug_in_opens_its_scheme() -> None:
    async with await open_port("odd:thing", SETTINGS, PortOptions(vantage="tap")) as port:
        assert port.name == "odd:thing as tap"
        assert port.settings == SETTINGS
    assert {"broken", "lost", "odd", "rfc2217", "sim", "socket"} <= set(known_schemes())


@pytest.mark.usefixtures("plugged")
@pytest.mark.parametrize("scheme", ["broken", "lost"])
async def test_a_plug_in_that_cannot_be_loaded_is_said_so(scheme: str) -> None:
    with pytest.raises(PortError, match=f"^{scheme}:: the plug-in for {scheme}: cannot be loaded"):
        await open_port(f"{scheme}:", SETTINGS)


def test_plug_ins_are_looked_up_only_when_needed() -> None:
    program = (
        "import asyncio, sys\n"
        "from kerfbus.bench.line import LineSettings\n"
        "from kerfbus.bench.ports import open_port\n"
        "light = [name for name in ('serial', 'asyncio.tasks') if name in sys.modules]\n"
        "try: asyncio.run(open_port('/dev/nope', LineSettings()))\n"
        "except OSError: pass\n"
        "print('importlib.metadata' in sys.modules, 'serial' in light)"
    )
    run = subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True
    )
    assert run.stdout.split() == ["False", "False"]


# The same device under another name.


class Bench:
    """A machine whose ports a test names; each leads to a real pty."""

    def __init__(self, cable: Cable, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.cable = cable
        self.folder = folder
        self.entries: tuple[PortEntry, ...] = ()
        monkeypatch.setattr(serialport, "list_devices", lambda: self.entries)
        # A pty has no identity; let it be taken for a USB adapter.
        monkeypatch.setattr(serialport, "is_pty", lambda path, status: False)

    def plug(self, **adapters: str) -> None:
        """Have adapters: name=identity."""
        for old in self.folder.iterdir():
            old.unlink()
        for name, identity in adapters.items():
            path = self.cable.far if "B2" in identity else self.cable.near
            (self.folder / name).symlink_to(path)
        self.entries = tuple(
            PortEntry(str(self.folder / name), identity) for name, identity in adapters.items()
        )


@pytest.fixture
async def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bench]:
    with Cable() as cable:
        yield Bench(cable, tmp_path, monkeypatch)


N81 = LineSettings(19200, 8, "N", 1)


async def test_a_device_is_found_under_its_new_name(bench: Bench, tmp_path: Path) -> None:
    bench.plug(ttyUSB0="usb:0403:6001:A1")
    same = SamePort(str(tmp_path / "ttyUSB0"), N81)
    async with await same() as port:
        assert port.facts.identity == "usb:0403:6001:A1"
    bench.plug(ttyUSB1="usb:0403:6001:A1")
    async with await same() as port:
        assert port.name == str(tmp_path / "ttyUSB1")


async def test_another_device_under_the_old_name_is_not_taken(bench: Bench, tmp_path: Path) -> None:
    bench.plug(ttyUSB0="usb:0403:6001:A1")
    same = SamePort(str(tmp_path / "ttyUSB0"), N81)
    await (await same()).close()
    bench.plug(ttyUSB0="usb:0403:6001:B2")
    with pytest.raises(PortMissingError, match=r"ttyUSB0: usb:0403:6001:A1 is not plugged in$"):
        await same()
    # Both there: each by its own.
    bench.plug(ttyUSB0="usb:0403:6001:B2", ttyUSB1="usb:0403:6001:A1")
    async with await same() as port:
        assert port.name == str(tmp_path / "ttyUSB1")


async def test_serial_numbers_that_are_not_unique(bench: Bench, tmp_path: Path) -> None:
    bench.plug(ttyUSB0="usb:1a86:7523:0001")
    same = SamePort(str(tmp_path / "ttyUSB0"), N81)
    await (await same()).close()
    first, second = (PortEntry(f"/dev/tty{n}", "usb:1a86:7523:0001") for n in (7, 8))
    bench.entries = (first, second)
    with pytest.raises(PortMissingError, match=r"is there more than once: /dev/tty7, /dev/tty8$"):
        await same()


async def test_a_port_without_identity_is_opened_by_its_name() -> None:
    with Cable() as cable:
        same = SamePort(cable.near, SETTINGS)
        for _ in range(2):
            async with await same() as port:
                assert port.name == cable.near
                assert port.facts.identity == ""


# The list.


def test_the_list_is_in_order_and_of_its_form() -> None:
    found = list_ports()
    assert [entry.device for entry in found] == sorted(entry.device for entry in found)
    assert all(Path(entry.device).exists() for entry in found)


def test_entries_are_made_from_what_the_system_says(monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools.list_ports_common import ListPortInfo

    usb = ListPortInfo("/dev/ttyUSB3")
    usb.vid, usb.pid, usb.serial_number, usb.location = 0x0403, 0x6001, "A1", "1-2"
    usb.description = "USB serial"
    plain = ListPortInfo("/dev/ttyS0")
    monkeypatch.setattr(serialport.list_ports, "comports", lambda: [usb, plain])
    monkeypatch.setattr(serialport, "links_by_id", lambda: {"/dev/ttyUSB3": "/dev/serial/by-id/u"})
    assert ports.list_ports() == (
        PortEntry("/dev/ttyS0"),
        PortEntry(
            "/dev/ttyUSB3",
            "usb:0403:6001:A1",
            "USB serial",
            "/dev/serial/by-id/u",
            0x0403,
            0x6001,
            "A1",
            "1-2",
        ),
    )


def test_links_are_followed(tmp_path: Path) -> None:
    (tmp_path / "ttyUSB0").touch()
    folder = tmp_path / "by-id"
    assert links_by_id(folder) == {}
    folder.mkdir()
    link = folder / "usb-adapter"
    link.symlink_to(tmp_path / "ttyUSB0")
    device = str(tmp_path / "ttyUSB0")
    assert links_by_id(folder) == {device: str(link)}
    entry = PortEntry(device)
    assert find_device([entry], str(link)) is entry
    assert find_device([entry], os.devnull) is None


OPTIONS = [
    ({"delay_before_ms": -1}, "rs485 delay_before_ms -1: give 0 to 100 milliseconds"),
    ({"delay_after_ms": 101}, "rs485 delay_after_ms 101: give 0 to 100 milliseconds"),
    ({"rts_on_send": False}, "RTS has the same level while sending and after it"),
]


@pytest.mark.parametrize(("wrong", "words"), OPTIONS)
def test_rs485_options_that_cannot_be(wrong: dict[str, int], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        Rs485Options(**wrong)
