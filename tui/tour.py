"""The tour of `kerfbus demo`, from the simulated supply to a decoded recording.

Each stop does with the real parts what one command does, on ``sim:`` in virtual time, and says
which command that is. The recorded cut comes from the simulated controller on the same line.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from kerfbus.bench.access import Reading, read_values, readings_wanted, write_values
from kerfbus.bench.capture import CaptureReader
from kerfbus.bench.client import Client
from kerfbus.bench.clock import NS
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.errors import LimitError
from kerfbus.bench.interpret import Interpreter
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.quality import Quality
from kerfbus.bench.recorder import recorded
from kerfbus.bench.regmap import RegisterMap, parse_target, plan_write
from kerfbus.sim.maps import default_map
from kerfbus.tui.output import FAINT, HEADING, Json, Output, columns
from kerfbus.tui.progress import Progress
from kerfbus.tui.traffic import TrafficLines, quality_lines, summary_lines
from kerfbus.tui.values import lines_of, rows, with_unit

PORT = "sim:"
SERVER = 1
READ = ("mode", "inlet_pressure", "heat_sink_temperature", "electrode_wear")
WATCHED = ("mode", "output_current", "arc_voltage", "flow_pressure")
CUT_NS = 17 * NS // 2
"""Switching on, one cut and its post-flow, on the controller's timetable."""
SHOWN_ROWS = 6


@dataclass(slots=True)
class Cut:
    """What a tap knows of a cut while it hears it.

    Attributes:
        seen: the newest reading of each value that is watched.
        steady: the same, as it was when the mode was last seen unchanged: these values were all
            read within that mode.
        moments: one such set of values for each mode that the supply passed through.
    """

    seen: dict[str, Reading] = field(default_factory=dict)
    steady: dict[str, Reading] | None = None
    moments: list[dict[str, Reading]] = field(default_factory=list)

    def take(self, readings: list[Reading]) -> None:
        """Note what was read."""
        for reading in readings:
            if reading.name not in WATCHED:
                continue
            before = self.seen.get("mode")
            if reading.name == "mode" and before is not None:
                if before.value == reading.value:
                    self.steady = dict(self.seen)
                else:
                    self.leave()
            self.seen[reading.name] = reading

    def leave(self) -> None:
        """Keep what is known of the mode that ends."""
        if self.seen:
            self.moments.append(self.steady or dict(self.seen))
        self.steady = None


class Tour:
    """Takes the tour once.

    Args:
        output: where it is told.
        seed: of all chance in the supply.
        path: where the recording goes.
        kept: whether the recording stays.
    """

    def __init__(self, output: Output, seed: int, path: Path, *, kept: bool) -> None:
        self._output = output
        self._seed = seed
        self._path = path
        self._kept = kept
        self._map: RegisterMap = default_map()
        self._settings: LineSettings = self._map.header.settings
        self.answer: dict[str, Json] = {"seed": seed}

    async def take(self) -> None:
        """Go from stop to stop."""
        say = self._output.text
        say("Kerfbus on a simulated plasma supply. Everything about it is invented;", HEADING)
        say(f"no port of this machine is touched. {self._settings}, seed {self._seed}.")
        await self._read_and_set()
        await self._hear()
        self._decode()

    async def _read_and_set(self) -> None:
        """Be a client."""
        options = PortOptions(speed="fast", seed=self._seed)
        async with await open_port(PORT, self._settings, options) as port:
            client = Client(port)
            self._stop(1, "What is it doing?", "kerfbus read " + " ".join(READ))
            wanted = readings_wanted(self._map, map(parse_target, READ))
            readings = await read_values(client, SERVER, self._map, wanted)
            for lines in lines_of(rows(readings, port.clock.now()), indent="   "):
                self._output.texts(lines)
            self.answer["read"] = {each.name or "": each.value for each in readings}
            self._stop(2, "Set it, within the map's limits.", "kerfbus write current_setpoint=45")
            await self._set(client)

    async def _set(self, client: Client) -> None:
        """Set a value, read it back, and be refused another one before a byte is sent."""
        planned = plan_write(self._map, parse_target("current_setpoint=45"))
        (done,) = await write_values(client, SERVER, planned)
        assert done.before is not None
        before, after = (with_unit(each.register, each.value) for each in (done.before, done.after))
        verified = "verified" if done.verified else "not verified"
        self._output.text(f"   current_setpoint  {before} -> {after}  {verified}")
        try:
            plan_write(self._map, parse_target("current_setpoint=450"))
        except LimitError as error:
            self._output.text(f"   Not sent: {error}")
            self.answer["refused"] = str(error)
        self.answer["write"] = {
            "previous": done.before.value,
            "value": done.after.value,
            "verified": done.verified,
        }

    async def _hear(self) -> None:
        """Be a tap while a controller cuts, and record."""
        self._stop(
            3,
            "Hear a controller cut, as a tap, and record it.",
            "kerfbus listen --map supply --capture demo.pcapng",
        )
        options = PortOptions(vantage="tap", speed="fast", seed=self._seed)
        port = await open_port(PORT, self._settings, options)
        transport = recorded(port, self._path, "tap", seed=self._seed)
        async with transport:
            begin = transport.clock.now()
            with Progress("virtual time", CUT_NS) as progress:
                while (now := transport.clock.now() - begin) < CUT_NS:
                    await transport.receive(begin + CUT_NS)
                    progress.reached(now)
        if transport.capture_error is not None:
            raise transport.capture_error

    def _decode(self) -> None:
        """Read the recording back: what the supply did, then the frames."""
        with CaptureReader(self._path) as reader:
            decoder = Decoder(reader.info)
            found = [row for record in reader for row in decoder.feed(record)]
        found += decoder.finish()
        self._tell_cut(found)
        self._stop(4, "Decode the recording.", f"kerfbus decode {self._path.name}")
        lines = TrafficLines(self._output)
        lines.header()
        for row in [row for row in found if row.message is not None][:SHOWN_ROWS]:
            if not self._output.as_json:
                lines.give(row)
        quality = Quality(self._settings)
        for row in found:
            if row.message is not None:
                quality.take(row.message)
        said = quality.to_json()
        self._output.texts(f"   {line}" for line in summary_lines(decoder.summary))
        self._output.texts(f"   {line}" for line in quality_lines(said))
        if self._kept:
            self._output.text(f"   Kept in {self._path}.")
        self.answer |= decoder.summary.to_json() | {"quality": said}

    def _tell_cut(self, found: list[Row]) -> None:
        """Show what the values were in each mode that the supply passed through."""
        interpreter, cut = Interpreter(self._map), Cut()
        for row in found:
            cut.take(interpreter.take(row))
        cut.leave()
        table: list[tuple[str, ...]] = [("time s", *WATCHED)]
        told: list[Json] = []
        for seen in cut.moments:
            if len(seen) < len(WATCHED):
                continue  # too short to have been looked at
            values = [seen[name] for name in WATCHED]
            at = seen["mode"].at or 0
            table.append(
                (f"{at / NS:.2f}", *(with_unit(each.register, each.value) for each in values))
            )
            told.append({"at_ns": at, **{each.name or "": each.value for each in values}})
        self._output.texts(f"   {line}" for line in columns(table, right=(0, 2, 3, 4)))
        self.answer["cut"] = told

    def _stop(self, number: int, what: str, command: str) -> None:
        """Write the heading of a stop."""
        self._output.text()
        self._output.text(f"{number}  {what}", HEADING)
        self._output.text(f"   $ {command}", FAINT)
