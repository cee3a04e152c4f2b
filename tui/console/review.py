"""A capture on view: where in it one is, what the line and the values were there.

Only a stretch around the place is in memory, so the size of the file does not matter. The overview
of the whole file is made beside it, in a thread, and is there when it is there.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from kerfbus.bench.access import Reading
from kerfbus.bench.captureplace import CapturePlace
from kerfbus.bench.capturerecords import Burst, LineEvent, changed_settings
from kerfbus.bench.decode import Decoder
from kerfbus.bench.interpret import Interpreter
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.traffictext import about
from kerfbus.bench.transport import Chunk, LineEventKind
from kerfbus.tui.console.lines import Line, Role, Span, cut, line
from kerfbus.tui.console.model import Model
from kerfbus.tui.console.strip import Slice
from kerfbus.tui.console.tap import Marks
from kerfbus.tui.console.verdict import Door
from kerfbus.tui.console.wording import Entry

if TYPE_CHECKING:
    from kerfbus.bench.captureoverview import Overview

STRETCH = 96 * 1024
"""Bytes of file that are in memory: some 1,700 frames."""
SLICES = 600
VALUES_BACK = 300
"""So many frames back a value is looked for."""
FORWARD = 20
"""Stretches that are searched for damage while there is no overview."""


class Review:
    """A capture on view.

    Args:
        path: of the capture.
        found: the register map.

    Attributes:
        model: what is on view: log and values at the place.
        overview: of the whole file, None as long as it is not begun.
        stopped: set to end the making of the overview.

    Raises:
        CaptureError: the file cannot be read or is no capture.
    """

    def __init__(self, path: str, found: RegisterMap) -> None:
        self._place = CapturePlace(path)
        self.path = path
        self.overview: Overview | None = None
        self.stopped = False
        self.model = Model(found)
        self._entries: list[Entry] = []
        self._readings: dict[int, list[Reading]] = {}
        self.go(self._place.first_at)

    # --- where -----------------------------------------------------------------------------------

    @property
    def first_at(self) -> int:
        """Return the instant of the first record."""
        return self._place.first_at

    @property
    def span_ns(self) -> int:
        """Return how long the capture is."""
        return max(self._place.last_at - self._place.first_at, 0)

    @property
    def index(self) -> int:
        """Return the entry at the place, among those in memory."""
        return len(self._entries) - 1 - self.model.log.chosen

    @property
    def at(self) -> int:
        """Return the instant of the place."""
        return self._entries[self.index].row.at if self._entries else self.first_at

    def go(self, at: int) -> None:
        """Go to the first entry at an instant or behind it, or to the last one."""
        at = max(self.first_at, min(at, self._place.last_at))
        self._load(self._place.offset_of(at) - STRETCH // 2)
        index = next(
            (number for number, each in enumerate(self._entries) if each.row.at >= at),
            len(self._entries) - 1,
        )
        self._stand(index)

    def step(self, entries: int) -> None:
        """Go some entries on (above 0) or back, beyond what is in memory where need be."""
        wanted = self.index + entries
        if 0 <= wanted < len(self._entries):
            self._stand(wanted)
            return
        edge = self._entries[-1 if entries > 0 else 0].row.at if self._entries else self.first_at
        before = self.at
        self.go(edge)
        wanted = self.index + (1 if entries > 0 else -1)
        self._stand(max(0, min(wanted, len(self._entries) - 1)))
        if (self.at < before) == (entries > 0) and self.at != before:
            self._stand(len(self._entries) - 1 if entries > 0 else 0)

    def damage(self, onward: int) -> bool:
        """Go to the next damage (1) or the one before (-1); return whether there is one."""
        order = range(self.index + onward, len(self._entries) if onward > 0 else -1, onward)
        for index in order:
            if self._entries[index].damaged:
                self._stand(index)
                return True
        return self._damage_elsewhere(onward)

    def _damage_elsewhere(self, onward: int) -> bool:
        """Look for damage outside of what is in memory: by the overview, or step by step."""
        begin, overview = self.at, self.overview
        if not self._entries:
            return False
        edge = self._entries[-1 if onward > 0 else 0].row.at
        for _ in range(FORWARD):
            if overview is not None and overview.done >= 1.0:
                where = overview.slice_of(edge)
                last = len(overview.damaged) if onward > 0 else -1
                hit = next((n for n in range(where, last, onward) if overview.damaged[n]), None)
                if hit is None:
                    break
                if hit != where:
                    edge = overview.first_at + (hit + (onward < 0)) * overview.slice_ns
            self.go(edge)
            for index in range(self.index, len(self._entries) if onward > 0 else -1, onward):
                at = self._entries[index].row.at
                if self._entries[index].damaged and (at > begin if onward > 0 else at < begin):
                    self._stand(index)
                    return True
            after = self._entries[-1 if onward > 0 else 0].row.at
            if after == edge:
                break
            edge = after
        self.go(begin)
        return False

    def _stand(self, index: int) -> None:
        log = self.model.log
        log.chosen = max(len(self._entries) - 1 - index, 0)
        self._read_values()

    # --- what ------------------------------------------------------------------------------------

    def _load(self, offset: int) -> None:
        """Bring a stretch of the file into memory."""
        from kerfbus.bench.quality import Quality

        found = self._place.records(offset, STRETCH)
        info = self._place.info
        if found and self.overview is not None:
            for event in self.overview.events:
                if event.kind is LineEventKind.SETTINGS and event.at < found[0][1].at:
                    settings = changed_settings(event.comment, info.settings)
                    info = replace(info, settings=settings)
        old, model = self.model, Model(self.model.map)
        model.quality = Quality(info.settings)
        model.link.port, model.link.door = self.path, Door.OPEN
        model.link.settings = str(info.settings)
        model.link.server = None
        model.log.filter, model.log.paused = old.log.filter, True
        decoder, marks = Decoder(info), Marks()
        for _, record in found:
            if isinstance(record, Burst) and not record.outbound:
                marks.hear(Chunk(record.data, record.at, record.errors))
            for row in decoder.feed(record):
                model.take(row, marks.of(row))
            if isinstance(record, LineEvent):
                marks.settle()
        for row in decoder.finish():
            model.take(row, marks.of(row))
        model.log.paused = True
        self.model = model
        self._readings.clear()
        self._entries = model.log.entries()

    def _read_values(self) -> None:
        """Put the values on the board that were known at the place."""
        from kerfbus.tui.console.board import Board

        board = Board(self.model.map)
        seen: set[str] = set()
        for entry in reversed(self._entries[max(self.index - VALUES_BACK, 0) : self.index + 1]):
            for reading in self._values(entry):
                if reading.name is not None and reading.name not in seen:
                    seen.add(reading.name)
                    board.take([reading])
        board.polled = {
            each.key for each in board.sections if any(r.name in seen for r in each.registers)
        }
        self.model.board = board

    def _values(self, entry: Entry) -> list[Reading]:
        """Return the values that an entry carries."""
        readings = self._readings.get(entry.number)
        if readings is None:
            reader = Interpreter(self.model.map)
            if entry.asked is not None:
                reader.take(entry.asked)
            readings = self._readings[entry.number] = reader.take(entry.row)
        return readings

    # --- the whole -------------------------------------------------------------------------------

    def look_over(self) -> None:
        """Make the overview; for a thread. `stopped` ends it."""
        from kerfbus.bench.captureoverview import overview_of

        place = self._place
        overview_of(
            self.path, (place.first_at, place.last_at), SLICES, place.size, self._overview_so_far
        )

    def _overview_so_far(self, found: Overview) -> bool:
        self.overview = found
        return not self.stopped

    def columns(self, count: int) -> list[Slice]:
        """Return the whole capture in columns."""
        columns = [Slice(number) for number in range(count)]
        overview = self.overview
        if overview is None:
            return columns
        slices = len(overview.frames)
        for number in range(slices):
            column = columns[number * count // slices]
            column.good += overview.frames[number]
            column.wrong += overview.damaged[number]
        arc: bool | None = None
        changes = {
            overview.slice_of(each.at) * count // slices: each.comment == "arc=on"
            for each in overview.events
            if each.comment in ("arc=on", "arc=off")
        }
        for number, column in enumerate(columns):
            arc = changes.get(number, arc)
            column.arc = arc
        return columns

    def place_in(self, count: int) -> int:
        """Return the column of the place."""
        share = (self.at - self.first_at) / self.span_ns if self.span_ns else 0.0
        return min(int(share * count), count - 1)

    def head_lines(self, room: int) -> list[Line]:
        """Return what stands where the three sentences stand for a line."""
        overview = self.overview
        done = overview.done if overview is not None else 0.0
        bad = sum(overview.damaged) if overview is not None else 0
        frames = sum(overview.frames) if overview is not None else 0
        known = f"{frames:,} frames, {bad:,} damaged"
        if done < 1:
            known += f" so far; {done:.0%} looked through"
        where = f"{(self.at - self.first_at) / 1e9:.3f} of {self.span_ns / 1e9:.3f} s"
        sentences = (
            ("Capture", f"{self.path}: {about(self._place.info)}"),
            ("At", f"{where}; ← → move, PgUp PgDn, Home End, ] [ next and last damage, Esc leaves"),
            ("Wrong?", known),
        )
        role = Role.BAD if bad else Role.PLAIN
        return [
            cut(
                line(
                    Span(f" {name:<9}", Role.TITLE),
                    Span(text, role if name == "Wrong?" else Role.PLAIN),
                ),
                room,
            )
            for name, text in sentences
        ]

    def close(self) -> None:
        """Close the file and end the overview."""
        self.stopped = True
        self._place.close()
