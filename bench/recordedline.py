"""A recorded line as a port: what was heard once comes again, with its damage and its times.

The scheme ``capture:FILE``. Who opens it as a *client* asks, and what the recording station's
partner said comes back behind the same request: characters, silences inside frames, line errors,
turnaround, or nothing. As a *tap* one hears the whole recording; as a *server* one hears the
recorded requests when they came. Time is virtual unless real time is asked for; there an hour
passes as fast as it can be worked through.

Rate and format are the recording's, whatever is asked for: its characters cannot be heard
otherwise. What is sent is checked by content alone (`kerfbus.bench.answerbook`).

What had not come yet when the next request is sent is left out: in the recording it stood before
that request. So a client that asks sooner than the recorded one did does not meet noise that
belongs to a silence which it does not keep.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from os import PathLike, fspath
from urllib.parse import parse_qsl

from kerfbus.bench.answerbook import AnswerBook, Repeat
from kerfbus.bench.capture import (
    Burst,
    CaptureInfo,
    Record,
    changed_settings,
    read_capture,
)
from kerfbus.bench.clock import Clock, ManualClock, SystemClock
from kerfbus.bench.errors import SettingsError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.playing import PlayOptions, RecordedLine, by_character, instant_of
from kerfbus.bench.portoptions import DEFAULT_OPTIONS, PortOptions
from kerfbus.bench.transactions import Transaction, beginning, cut_transactions
from kerfbus.bench.transport import Chunk, LineEventKind, Transport

__all__ = [
    "PlayOptions",
    "RecordedLine",
    "RecordedPartner",
    "RecordedTraffic",
    "by_character",
    "heard_on",
    "open_capture",
    "open_recording",
]


class RecordedPartner(RecordedLine):
    """The caller asks; what the recorded partner said comes back.

    Args:
        name: the port string.
        info: of the recording.
        transactions: of the recording.
        clock: virtual or wall.
        options: how it is played.

    Attributes:
        book: finds the answers; knows what was asked unexpectedly, and what was not asked.
        left_out: characters that had not come when the next request was sent.
    """

    def __init__(
        self,
        name: str,
        info: CaptureInfo,
        transactions: Iterable[Transaction],
        clock: Clock,
        options: PlayOptions | None = None,
    ) -> None:
        options = options or PlayOptions()
        super().__init__(name, info, clock, options)
        self.book = AnswerBook(transactions, options.repeat)
        self.left_out = 0
        self._free_at = 0

    async def send(self, data: bytes) -> int:
        """Send a request; what was recorded behind it comes at its recorded times.

        Raises:
            PortLostError: the port is closed.
        """
        self.check_open()
        now = self.clock.now()
        if not data:
            return now
        start = max(now, self._free_at)
        self._free_at = end = start + self.settings.characters_ns(len(data))
        self._give_up(start)
        if isinstance(self.clock, ManualClock):
            self.clock.advance_to(end)
        found = self.book.find(data, end)
        if found is not None:
            for chunk in sorted((*found.echo, *found.heard), key=instant_of):
                self.put(chunk._replace(at=end + chunk.at), found.settings)
        self.stir()
        return end

    def _give_up(self, now: int) -> None:
        """Leave out what has not come yet."""
        kept = [chunk for chunk in self.coming if chunk.at <= now]
        self.left_out += sum(len(chunk.data) for chunk in self.coming[len(kept) :])
        self.coming = kept


class RecordedTraffic(RecordedLine):
    """The caller hears the recording as it was; what it sends reaches nobody.

    Args:
        name: the port string.
        info: of the recording.
        chunks: what is heard, each with the settings that it was recorded under.
        clock: virtual or wall; the first of them comes when its time since `begin` has passed.
        options: how it is played.

    Attributes:
        sent: what the caller sent: the end of each, and the characters.
    """

    def __init__(
        self,
        name: str,
        info: CaptureInfo,
        chunks: Iterable[tuple[Chunk, LineSettings]],
        clock: Clock,
        options: PlayOptions | None = None,
    ) -> None:
        super().__init__(name, info, clock, options or PlayOptions())
        self.sent: list[tuple[int, bytes]] = []
        self._chunks = iter(chunks)
        self._begin = clock.now()
        self._free_at = 0

    async def send(self, data: bytes) -> int:
        """Take note of what is sent.

        Raises:
            PortLostError: the port is closed.
        """
        self.check_open()
        end = max(self.clock.now(), self._free_at) + self.settings.characters_ns(len(data))
        if data:
            self._free_at = end
            if isinstance(self.clock, ManualClock):
                self.clock.advance_to(end)
            self.sent.append((end, data))
        return end

    def more(self) -> bool:
        """Put down the next of what is heard; return whether there was one."""
        following = next(self._chunks, None)
        if following is None:
            return False
        chunk, settings = following
        self.put(chunk._replace(at=self._begin + chunk.at), settings)
        return True

    def ended(self) -> bool:
        """Return True: nothing that is sent brings anything."""
        return True


def open_recording(
    path: str | PathLike[str],
    options: PlayOptions | None = None,
    port: PortOptions = DEFAULT_OPTIONS,
) -> RecordedLine:
    """Open a capture as a port.

    Args:
        path: the capture.
        options: how it is played.
        port: who the caller is on the line, and whether time is real (``speed``).

    Raises:
        CaptureError: the file cannot be read or is damaged.
    """
    name = f"capture:{fspath(path)}"
    clock: Clock = SystemClock() if port.speed == "real" else ManualClock()
    info, records, _ = read_capture(path)
    begin = beginning(info, records)
    if port.vantage == "client":
        return RecordedPartner(name, info, cut_transactions(info, records), clock, options)
    if port.vantage == "tap":
        return RecordedTraffic(name, info, _all(info, records, begin), clock, options)
    asked = _requests(cut_transactions(info, records), begin)
    return RecordedTraffic(name, info, asked, clock, options)


def _all(
    info: CaptureInfo, records: Iterable[Record], begin: int
) -> Iterator[tuple[Chunk, LineSettings]]:
    """Yield all that was sent and heard, from the first record on, in the order of the line.

    What the station sent stands in a capture where it was handed over, which may be before the
    end of what it heard meanwhile.
    """
    settings = info.settings
    found: list[tuple[Chunk, LineSettings]] = []
    for each in records:
        if isinstance(each, Burst):
            found.append((Chunk(each.data, each.at - begin, each.errors), settings))
        elif each.kind is LineEventKind.SETTINGS:
            settings = changed_settings(each.comment, settings)
    yield from sorted(found, key=lambda pair: pair[0].at)


def _requests(
    transactions: Iterable[Transaction], begin: int
) -> Iterator[tuple[Chunk, LineSettings]]:
    """Yield the requests of a recording."""
    for each in transactions:
        for chunk in each.asked:
            yield chunk._replace(at=each.asked_at - begin + chunk.at), each.settings


def heard_on(path: str | PathLike[str]) -> Iterator[tuple[Chunk, LineSettings]]:
    """Yield what a station heard, as it was: for a tap all, for others what the others said.

    Instants count from the beginning of the recording.

    Raises:
        CaptureError: the file cannot be read or is damaged.
    """
    info, records, _ = read_capture(path)
    begin = beginning(info, records)
    heard = tuple(each for each in records if not (isinstance(each, Burst) and each.outbound))
    return _all(info, heard, begin)


async def open_capture(
    port: str,
    settings: LineSettings,  # noqa: ARG001 (the recording has its own)
    options: PortOptions = DEFAULT_OPTIONS,
) -> Transport:
    """Open ``capture:FILE``, ``capture:FILE?repeat=cycle&characters=1``.

    Raises:
        CaptureError: the file cannot be read or is damaged.
        SettingsError: the query is not of its form.
    """
    path, play = _parsed(port)
    return open_recording(path, play, options)


def _parsed(port: str) -> tuple[str, PlayOptions]:
    """Return the file and how it is played."""
    path, _, query = port.partition(":")[2].partition("?")
    play = PlayOptions()
    for key, value in parse_qsl(query, keep_blank_values=True):
        if key == "repeat" and value in tuple(Repeat):
            play = replace(play, repeat=Repeat(value))
        elif key == "characters" and value in ("0", "1"):
            play = replace(play, by_character=value == "1")
        else:
            raise SettingsError(
                f"port {port!r}: {key}={value}: give repeat=order, last or cycle, characters=1"
            )
    if not path:
        raise UsageError(f"port {port!r}: name a file, e.g. capture:site.pcapng")
    return path, play
