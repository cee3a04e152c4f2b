"""A polling client, servers and the line between them, for the second line model.

Stations act in the order of time; each hears the line as its own receiver gives it, so what is lost
or damaged, who does not answer and who talks over whom follows from the wave alone. Frames:
MODBUS Application Protocol V1.1b3, 6.1-6.4, 6.6, 6.12, 7; silent interval: MODBUS over Serial
Line V1.02, 2.5.1.1. Times, values and registers are invented.
"""

from __future__ import annotations

import heapq
import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import NamedTuple

from diagnosis.otheruart import Form, Heard
from diagnosis.otherwave import Ear, Talk, Wire

from kerfbus.bench.crc import crc_good, with_crc

MS = 1e6


class Ask(NamedTuple):
    """One request of a poll: server, function, first address, how many, what to write."""

    server: int
    function: int
    address: int
    count: int = 1
    value: int = 0

    def frame(self, turn: int) -> bytes:
        """Return the request; what is written changes with the turn."""
        head = bytes([self.server, self.function]) + self.address.to_bytes(2, "big")
        if self.function in (5, 6):
            value = (0xFF00 if turn & 1 else 0) if self.function == 5 else self.value + turn % 7
            return with_crc(head + value.to_bytes(2, "big"))
        head += self.count.to_bytes(2, "big")
        if self.function == 16:
            words = [(self.value + each + turn % 5) & 0xFFFF for each in range(self.count)]
            head += bytes([2 * self.count]) + b"".join(word.to_bytes(2, "big") for word in words)
        return with_crc(head)

    def reply_length(self) -> int:
        """Return the length of a reply that is no exception."""
        if self.function in (1, 2):
            return 5 + (self.count + 7) // 8
        return 5 + 2 * self.count if self.function in (3, 4) else 8


@dataclass
class Server:
    """A server.

    Attributes:
        name: of the station.
        address: server address.
        bit: length of its bit in ns.
        shape: format.
        turnaround: from the end of a request to the start of the reply, in ns, drawn anew.
        value: register -> word at an instant, by (table, address, now).
        knows: whether it has the registers that are asked for, by (function, address).
        strict: whether anything before the request in the same burst spoils it.
        answers: whether it answers this time.
    """

    name: str
    address: int
    bit: float
    shape: Form
    turnaround: Callable[[], float]
    value: Callable[[int, int, float], int]
    knows: Callable[[int, int], bool] = lambda *_: True
    strict: bool = True
    answers: Callable[[float], bool] = lambda _: True

    def reply(self, frame: bytes, now: float) -> bytes:
        """Return the reply to a good request."""
        function, address = frame[1], int.from_bytes(frame[2:4], "big")
        head = frame[:2]
        if not self.knows(function, address):
            return with_crc(bytes([frame[0], function | 0x80, 2]))
        if function in (5, 6, 16):
            return with_crc(frame[:6])
        many = int.from_bytes(frame[4:6], "big")
        if function in (1, 2):
            bits = [self.value(function, address + each, now) & 1 for each in range(many)]
            bits += [0] * (-len(bits) % 8)
            body = bytes(
                sum(bit << place for place, bit in enumerate(bits[at : at + 8]))
                for at in range(0, len(bits), 8)
            )
        else:
            words = (self.value(function, address + each, now) for each in range(many))
            body = b"".join(word.to_bytes(2, "big") for word in words)
        return with_crc(head + bytes([len(body)]) + body)


@dataclass
class Client:
    """A client that polls.

    Attributes:
        name: of the station.
        program: what it asks, in turn.
        bit: length of its bit.
        shape: format.
        pause: from the end of one transaction to the next request, drawn anew each time.
        timeout: how long it waits for the reply, its length on the wire not counted.
        retries: how often a request is repeated.
        patient: whether it waits for the time-out even when something wrong came.
        strict: whether a frame must stand alone in what it received.
        polite: whether it waits for a quiet line.
        strips: whether it takes its own echo away.
        limit: how many requests it sends.
        lumps: silences inside a request, by its length, as (character, ns).
    """

    name: str
    program: Sequence[Ask]
    bit: float
    shape: Form
    pause: Callable[[], float]
    timeout: float
    retries: int = 0
    patient: bool = True
    strict: bool = True
    polite: bool = False
    strips: bool = True
    limit: int = 10**9
    lumps: Callable[[int], list[tuple[int, float]]] = lambda _: []


@dataclass
class Turn:
    """What became of one request of the client under test."""

    talk: Talk
    ask: Ask
    answered: bool = False
    done: bool = False
    replies: list[Talk] = field(default_factory=list)


@dataclass
class Manner:
    """How drivers behave and when stations look, and what troubles add.

    Attributes:
        lead: how long a driver is on before its first start bit.
        settle: silence after which a frame counts as ended.
        on_talk: called for each new talk, before anyone hears it.
        trail: how long a driver stays on behind the stop bit (negative: too short).
    """

    lead: Callable[[str], float]
    settle: float
    on_talk: Callable[[Bus, Talk], None] = lambda *_: None
    trail: Callable[[Talk], float] = lambda _: 0.0


class Bus:
    """Plays stations on a wire until the client under test is through."""

    def __init__(
        self,
        wire: Wire,
        manner: Manner,
        clients: Sequence[Client],
        servers: Sequence[Server],
        ears: dict[str, Ear],
    ) -> None:
        self.wire, self.manner, self.ears = wire, manner, ears
        self.servers = list(servers)
        self.now = 0.0
        self._order = count()
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self.masters = [_Master(self, each) for each in clients]
        self.servers_of = {each.name: each for each in servers}

    @property
    def turns(self) -> list[Turn]:
        """Return what the client under test (the first) has done."""
        return self.masters[0].turns

    def later(self, at: float, act: Callable[[], None]) -> None:
        """Have something done at an instant."""
        heapq.heappush(self._due, (max(at, self.now), next(self._order), act))

    def run(self) -> float:
        """Play; return the instant of the end."""
        for master in self.masters:
            master.begin()
        while self._due and not self.masters[0].through:
            self.now, _, act = heapq.heappop(self._due)
            act()
        return self.now

    def say(self, who: Client | Server, data: bytes, at: float, kind: str) -> Talk:
        """Put characters on the line."""
        length = who.shape.bits * who.bit
        starts = [at + each * length for each in range(len(data))]
        for place, gap in who.lumps(len(data)) if isinstance(who, Client) else ():
            starts[place:] = [start + gap for start in starts[place:]]
        lead = self.manner.lead(who.name)
        talk = Talk(who.name, data, starts, who.bit, who.shape, at - lead, 0.0, kind)
        talk.off = talk.end + self.manner.trail(talk)
        self.manner.on_talk(self, talk)
        self.wire.put(talk)
        self.later(talk.end + self.manner.settle, lambda: self._ended(talk))
        return talk

    def busy(self, settle: float) -> bool:
        """Return whether somebody talks or has just talked."""
        return any(
            talk.end > self.now - settle for talk in self.wire.around(self.now - settle, self.now)
        )

    def _ended(self, talk: Talk) -> None:
        for master in self.masters:
            if master.client.name != talk.who:
                master.listen()
        if talk.kind != "reply":
            for server in self.servers:
                self._serve(server, talk)

    def _serve(self, server: Server, talk: Talk) -> None:
        if talk.data[0] not in (0, server.address):
            return  # damage that makes another address and a good CRC is left out
        ear = self.ears[server.name]
        char = talk.shape.bits * talk.bit
        first = min((each.on for each in self.wire.around(talk.on, self.now)), default=talk.on)
        heard = self.wire.hear(ear, first - 8 * char, self.now)
        frame = tail(heard, char, self.manner.settle)
        if frame is None:
            return
        if not _request(frame):
            fits = (frame[at:] for at in range(len(frame) - 7) if _request(frame[at:]))
            frame = b"" if server.strict else next(fits, b"")
        if not frame or frame[0] not in (0, server.address) or not server.answers(self.now):
            return
        if frame[0] == 0:
            return
        data = server.reply(frame, self.now)
        wait = max(server.turnaround(), self.manner.settle)
        at = talk.end + wait
        # said now, for a driver goes on before its first bit: nobody acts on it earlier
        self.later(at - self.manner.lead(server.name), lambda: self._answer(server, data, at, talk))

    def _answer(self, server: Server, data: bytes, at: float, asked: Talk) -> None:
        talk = self.say(server, data, at, "reply")
        for turn in reversed(self.turns[-12:]):
            if turn.talk is asked:
                turn.replies.append(talk)


class _Master:
    """Plays one client."""

    def __init__(self, bus: Bus, client: Client) -> None:
        self.bus, self.client = bus, client
        self.turns: list[Turn] = []
        self.through = False
        self._step = 0
        self._tries = 0
        self._asks = 0

    def begin(self) -> None:
        """Ask for the first time after a pause."""
        self.bus.later(self.client.pause() + self.client.bit * 200, self._ask)

    def _ask(self) -> None:
        client, bus = self.client, self.bus
        if self._asks >= client.limit:
            self.through = True
            return
        if client.polite and bus.busy(bus.manner.settle):
            bus.later(bus.now + bus.manner.settle + client.pause() / 8, self._ask)
            return
        ask = client.program[self._step % len(client.program)]
        main = self is bus.masters[0]
        data = ask.frame(self._step // max(1, len(client.program)))
        talk = bus.say(
            client, data, bus.now + bus.manner.lead(client.name), "request" if main else "foreign"
        )
        turn = Turn(talk, ask)
        self.turns.append(turn)
        self._asks += 1
        if ask.server == 0:
            turn.answered = True
            bus.later(talk.end + client.timeout / 4, lambda: self._next(turn, True))
            return
        whole = ask.reply_length() * client.bit * client.shape.bits
        bus.later(talk.end + client.timeout + whole, lambda: self._give_up(turn))

    def listen(self) -> None:
        """Look at what came, when somebody has ended."""
        if not self.turns or self.turns[-1].done or self.turns[-1].ask.server == 0:
            return
        turn, client, bus = self.turns[-1], self.client, self.bus
        if bus.now < turn.talk.end:
            return
        ear = bus.ears[client.name]
        start = turn.talk.on if ear.echo else min(turn.talk.off, turn.talk.end)
        heard = bus.wire.hear(ear, start, bus.now)
        data = bytes(each.value for each in heard if not each.errors)
        if ear.echo and client.strips and data.startswith(turn.talk.data):
            data = data[len(turn.talk.data) :]
        flaw = any(each.errors for each in heard)
        if self._fits(turn, data, flaw):
            turn.answered = True
            self._next(turn, True)
        elif heard and not client.patient and not bus.busy(0.0):
            self._next(turn, False)

    def _fits(self, turn: Turn, data: bytes, flaw: bool) -> bool:
        length, ask = turn.ask.reply_length(), turn.ask
        if self.client.strict:
            if flaw or len(data) not in (5, length):
                return False
            wanted = [data]
        else:
            ends = [(at, at + size) for size in (length, 5) for at in range(len(data) - size + 1)]
            wanted = [data[first:last] for first, last in ends]
        return any(
            each[0] == ask.server
            and each[1] & 0x7F == ask.function
            and len(each) == (5 if each[1] & 0x80 else length)
            and crc_good(each)
            for each in wanted
        )

    def _give_up(self, turn: Turn) -> None:
        if not turn.done:
            self._next(turn, False)

    def _next(self, turn: Turn, good: bool) -> None:
        if turn.done:
            return
        turn.done = True
        self._tries = 0 if good or self._tries >= self.client.retries else self._tries + 1
        if not self._tries:
            self._step += 1
        self.bus.later(self.bus.now + self.client.pause(), self._ask)


def tail(heard: Sequence[Heard], char: float, silence: float) -> bytes | None:
    """Return the characters behind the last silence, None when one of them bears an error."""
    found: list[int] = []
    after = math.inf
    for each in reversed(heard):
        if after - each.start - char > silence * 0.9 and after != math.inf:
            break
        if each.errors:
            return None
        found.append(each.value)
        after = each.start
    return bytes(reversed(found))


def _request(frame: bytes) -> bool:
    """Return whether these characters are one whole request with a good CRC."""
    if len(frame) < 8 or not crc_good(frame):
        return False
    return len(frame) == (9 + frame[6] if frame[1] == 16 else 8)


def registers(
    seed: int, name: str, status: Callable[[int, float], int | None]
) -> Callable[[int, int, float], int]:
    """Return invented registers: constants, counters, slow and noisy values.

    Args:
        seed: of the case.
        name: of the server; two servers have different values.
        status: what a status register shows, None where the address is none.
    """
    kinds: dict[tuple[int, int], tuple[str, int, float]] = {}

    def value(function: int, address: int, now: float) -> int:
        table = 4 if function in (2, 4) else 3
        if table == 4 and function == 4:
            shown = status(address, now)
            if shown is not None:
                return shown
        key = (table, address)
        if key not in kinds:
            rng = random.Random(f"{seed}/{name}/{key}")
            kind = rng.choices(["same", "zero", "count", "wave", "noise"], [4, 3, 1, 1.5, 1])[0]
            kinds[key] = kind, rng.randrange(0x10000), rng.uniform(0.5, 40)
        kind, base, period = kinds[key]
        seconds = now / 1e9
        if kind == "same":
            return base
        if kind == "zero":
            return 0
        if kind == "count":
            return int(base + seconds * period) & 0xFFFF
        if kind == "wave":
            return int(base / 2 + 400 * math.sin(seconds / period)) & 0xFFFF
        return (base + random.Random(f"{key}/{int(now)}").randrange(-6, 7)) & 0xFFFF

    return value
