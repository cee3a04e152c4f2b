"""Captures of a line that is not the project's own: a second model, to test diagnosis against.

A polling client, servers, drivers, a pair and receivers at the level of bits, in two manners ("A"
and "B") that make the same causes in different ways. It shares nothing with the project's own
simulated line but the format of the file and the CRC. `make_capture` writes one capture and says
what is true of it; the same case gives the same bytes.

A severity is how much a cause hurts: 0 stands for 3 % of the transactions, 1 for 42 %. How strong
the trouble must be for that is searched on a short run. Causes that hurt all transactions or none
(an echo, a tap with exchanged pair) ignore it.

A healthy line has its peculiarities (refused registers, slow replies, pauses, broadcasts, a start
within a frame, an end within a record), but no damaged character: a single error in 300
transactions would be a fault of 0.3 %, and whether that is one is a matter of taste.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path

from diagnosis.otherbus import MS, Ask, Bus, Client, Manner, Server, registers
from diagnosis.othertroubles import TROUBLES, Plan
from diagnosis.otheruart import Heard, Uart, form
from diagnosis.otherwave import Ear, Span, Spans, Wire

from kerfbus.bench.capture import CaptureWriter
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk

CAUSES = tuple(TROUBLES)
VANTAGES: dict[str, tuple[str, ...]] = dict.fromkeys(CAUSES, ("client", "server", "tap")) | {
    "echo": ("client", "server"),
    "swapped-pair": ("tap", "client"),
    "wrong-baud": ("tap", "client"),
    "wrong-format": ("tap", "client"),
    "slow-server": ("client", "tap"),
    "no-server": ("client", "tap"),
}
"""Where each cause can be seen (`client` of a swapped pair and the like: silence only)."""
SILENT = ("swapped-pair", "wrong-baud", "wrong-format", "no-server")
"""What from a client is nothing but a server that never answers."""
FULL = frozenset({"healthy", "echo", "swapped-pair", "wrong-baud", "wrong-format"})
"""Causes whose strength is not searched."""
BAUDS = (9600, 19200, 38400, 57600, 115200)
FORMATS = ("8E1", "8N1", "8N2")
LOW, HIGH = 0.02, 0.5


@dataclass(frozen=True)
class Case:
    """What a capture shall show.

    Attributes:
        causes: (cause, severity from 0 to 1), one or two; ``healthy`` alone.
        vantage: client, server or tap.
        baud: rate of the line.
        format: 8E1, 8N1 or 8N2.
        timing: exact or host.
        seed: of all chance.
        transactions: how many requests the client sends.
        style: manner A or B.
    """

    causes: tuple[tuple[str, float], ...]
    vantage: str = "client"
    baud: int = 19200
    format: str = "8E1"
    timing: str = "exact"
    seed: int = 0
    transactions: int = 300
    style: str = "A"


@dataclass(frozen=True)
class TruthNote:
    """What is true of a capture.

    Attributes:
        case: what was asked for.
        causes: the slugs.
        hurt: share of transactions that went wrong for the client, or of which the recording
            station did not get every frame whole.
        requests: how many the client sent.
        marks: whether arc marks are recorded; else they may be in a status register.
        reports: whether line errors are recorded.
        much: strength of each trouble, as found.
        facts: which driver, which rate and so on, by name.
    """

    case: Case
    causes: tuple[str, ...]
    hurt: float
    requests: int
    marks: bool
    reports: bool
    much: tuple[float, ...]
    facts: dict[str, object]


def random_case(causes: str | tuple[str, ...], vantage: str, style: str, seed: int) -> Case:
    """Return a case with rate, format, timing and severity drawn; two causes are milder each."""
    named = (causes,) if isinstance(causes, str) else causes
    rng = random.Random(f"case/{'+'.join(named)}/{vantage}/{style}/{seed}")
    timing = "host" if "adapter-gaps" in named or rng.random() < 0.4 else "exact"
    return Case(
        tuple((cause, rng.random() * (1.0 if len(named) == 1 else 0.7)) for cause in named),
        vantage,
        rng.choice(BAUDS),
        rng.choice(FORMATS),
        timing,
        rng.randrange(10**6),
        style=style,
    )


def make_capture(path: str | PathLike[str], case: Case) -> TruthNote:
    """Write a capture of a case and return what is true of it.

    Where a line cannot be hurt between 2 and 50 % in this way, another line is drawn.
    """
    names = tuple(cause for cause, _ in case.causes)
    for again in range(6):
        drawn = replace(case, seed=case.seed + 10**7 * again)
        much = search(drawn)
        played = play(drawn, much, case.transactions)
        hurt = _hurt(drawn, played)
        if LOW <= hurt <= HIGH or set(names) & FULL or _silent(drawn):
            break
    plan = played.plan
    rng = plan.own("record")
    reports = plan.needs_errors or rng.random() < 0.6
    if plan.facts.get("status") is None:
        share = 1.0 if case.style == "B" and "arc-noise" in names else 0.6
        marks = rng.random() < share or (case.style == "A" and "arc-noise" in names)
    else:
        marks = rng.random() < 0.2
    _write(Path(path), drawn, played, marks, reports)
    return TruthNote(case, names, hurt, len(played.bus.turns), marks, reports, much, plan.facts)


def _silent(case: Case) -> bool:
    """Return whether all that shows is a server that never answers."""
    return case.vantage == "client" and any(cause in SILENT for cause, _ in case.causes)


@dataclass
class Played:
    plan: Plan
    bus: Bus
    end: float
    heard: list[Heard]
    stalled: float


def search(case: Case) -> tuple[float, ...]:
    """Return how strong each trouble must be."""
    found = []
    for cause, severity in case.causes:
        if cause in FULL:
            found.append(0.5)
            continue
        target = 0.03 * (0.42 / 0.03) ** severity
        low, high, alone = 0.0, 1.0, replace(case, causes=((cause, severity),))
        best, miss = 0.5, 9.0
        for _ in range(6):
            middle = (low + high) / 2
            hurt = _hurt(alone, play(alone, (middle,), min(case.transactions, 110)))
            off = abs(max(hurt, 0.003) / target - 1) + (hurt < LOW) + (hurt > HIGH)
            if off < miss:
                best, miss = middle, off
            if miss < 0.35:
                break
            low, high = (middle, high) if hurt < target else (low, middle)
        found.append(best)
    return tuple(found)


def play(case: Case, much: tuple[float, ...], requests: int) -> Played:
    plan = _draw(case)
    for (cause, _), strength in zip(case.causes, much, strict=True):
        TROUBLES[cause](plan, strength)
    plan.clients[0] = replace(plan.clients[0], limit=requests)
    bus = Bus(plan.wire, plan.manner, plan.clients, plan.servers, plan.ears)
    end = bus.run()
    heard = plan.wire.hear(plan.ears[plan.recorder], 0.0, end)
    return Played(plan, bus, end, heard, plan.stall)


def _draw(case: Case) -> Plan:
    """Draw stations and habits of a case, all of them sound."""
    seed = f"{case.style}/{case.seed}/{case.vantage}/{case.baud}/{case.format}"
    rng = random.Random(f"plan/{seed}")
    bit, shape = 1e9 / case.baud, form(case.format)
    char = bit * shape.bits
    settle = max(1.75 * MS, 3.5 * char) if case.baud > 19200 else 3.5 * char
    first = case.style == "A"
    if first:
        addresses = rng.sample(range(1, 12), rng.choice([1, 1, 2, 3, 4]))
        middle = settle + rng.uniform(0.3, 12) * MS
        wide = rng.uniform(0.02, 0.25)
    else:
        addresses = rng.sample(range(1, 248), rng.choice([1, 2, 2, 3, 6]))
        middle = settle * rng.uniform(1.1, 4) + rng.choice([0, 5, 10]) * MS
        wide = rng.uniform(0.05, 0.6)
    turns = random.Random(f"turnaround/{seed}")
    pauses = random.Random(f"pause/{seed}")
    rest = settle * 1.3 + 80 * MS * rng.random() ** 2

    def turnaround() -> float:
        if first:
            return max(settle, turns.gauss(middle, wide * middle))
        return middle * turns.lognormvariate(0, wide / 2) + (turns.random() < 0.01) * 8 * MS

    def pause() -> float:
        if first:
            return rest * pauses.uniform(0.95, 1.1)
        odd = pauses.random() < 0.01
        return settle * 1.2 + rest * pauses.lognormvariate(-0.2, 0.5) * (12 if odd else 1)

    errors = max(0.0005, rng.random() * 0.003)
    status_at = _status(rng) if first and rng.random() < 0.6 else None
    program = _program(rng, addresses, first, status_at)
    length = sum(len(each.frame(0)) + each.reply_length() for each in program) / len(program)
    cycle = length * char + middle + rest
    arc = Spans(_arcs(random.Random(f"arc/{seed}"), cycle, first))

    def status(address: int, now: float) -> int | None:
        if status_at is None or address > 4:
            return None
        lit = arc.at(now)
        return [0x0067 if lit else 0x0003, 0x07FF, 9 if lit else 2, 0, 0][address]

    refused = rng.randrange(3, 400) if rng.random() < 0.25 else None

    def knows(function: int, address: int) -> bool:
        return refused is None or address % 401 != refused or function in (6, 16)

    names = [f"s{place}" for place in range(1, len(addresses) + 1)]
    strict, votes = rng.random() < 0.7, 1 if first else 3
    own = {name: bit * (1 + rng.uniform(-errors, errors)) for name in [*names, "client", "tap"]}
    servers = [
        Server(
            name,
            address,
            own[name],
            shape,
            turnaround,
            registers(case.seed, name, status),
            knows,
            strict,
        )
        for name, address in zip(names, addresses, strict=True)
    ]
    client = Client(
        "client",
        program,
        own["client"],
        shape,
        pause,
        timeout=rng.choice([4, 8, 20]) * middle + rng.choice([30, 100, 250]) * MS,
        retries=rng.choice([0, 0, 1, 3]),
        patient=rng.random() < 0.6,
        strict=rng.random() < 0.7,
    )
    leads = {name: rng.choice([0.0, 0.3, 1.0, 3.0]) * bit for name in [*names, "client"]}
    ears = {name: Ear(name, Uart(own[name], shape, votes)) for name in [*names, "client", "tap"]}
    wire = Wire(fight=_fight(rng, first))
    manner = Manner(lambda name: leads.get(name, 0.0), settle)
    recorder = "s1" if case.vantage == "server" else case.vantage
    return Plan(
        rng,
        seed,
        case.style,
        bit,
        shape,
        recorder,
        wire,
        manner,
        [client],
        servers,
        ears,
        cycle,
        arc,
        middle,
        rest,
        facts={"status": status_at, "timeout": client.timeout},
    )


def _status(rng: random.Random) -> int:
    """Return how many registers of the status block are polled."""
    return rng.choice([3, 5, 8, 16, 32])


def _program(
    rng: random.Random, addresses: list[int], first: bool, status: int | None
) -> list[Ask]:
    """Return a poll: one block, several, reads and writes, one or several servers."""
    program = []
    if status is not None:
        program.append(Ask(addresses[0], 4, 0, status))
    size = rng.choice([1, 1, 2, 3, 5])
    base = rng.randrange(0, 300) if first else rng.randrange(1000, 60000)
    for _ in range(size):
        for server in addresses if rng.random() < 0.7 else addresses[:1]:
            function = rng.choice([3, 4, 4]) if first else rng.choice([3, 3, 3, 1, 2])
            many = rng.choice([1, 2, 4, 8, 10, 20, 30, 60])
            program.append(Ask(server, function, base + rng.randrange(100) + 10, many))
    for server in addresses[1:]:
        if all(each.server != server for each in program):
            program.append(Ask(server, 3, base + 5, rng.choice([1, 2, 6])))
    if rng.random() < 0.5:
        write = rng.choice([6, 16, 16])
        program.append(Ask(addresses[0], write, base + 300, rng.choice([1, 2, 3, 8]), base & 0xFF))
    if rng.random() < 0.1:
        program.append(Ask(0, 6, base + 320, 1, 7))
    rng.shuffle(program)
    return program


def _arcs(rng: random.Random, cycle: float, first: bool) -> Iterator[Span]:
    """Yield when the arc burns: some tens of transactions each time."""
    now = 0.0
    while True:
        now += cycle * rng.uniform(8, 40)
        wide = cycle * (rng.uniform(12, 45) if first else rng.choice([8, 30, 60]))
        yield now, now + wide
        now += wide


def _fight(
    rng: random.Random, first: bool
) -> Callable[[str, Sequence[tuple[str, int]]], int | None]:
    """Return who wins for a listener when drivers disagree: by strength (A), by nearness (B)."""
    salt = rng.random()

    def strength(ear: str, who: str) -> float:
        own = random.Random(f"{salt}/{ear if not first else ''}/{who}")
        return own.uniform(0.6, 1.4) if first else 1 / (0.15 + own.random())

    def fight(ear: str, drivers: Sequence[tuple[str, int]]) -> int | None:
        total = sum(strength(ear, who) * (1 if level else -1) for who, level in drivers)
        if first and abs(total) < 0.2:
            return None
        return int(total > 0)

    return fight


def _hurt(case: Case, played: Played) -> float:
    """Return the share of transactions that went wrong, for the client or the recording station."""
    turns = played.bus.turns
    if not turns:
        return 0.0
    causes = {cause for cause, _ in case.causes}
    wrong = 0
    heard, place = played.heard, 0
    blind = causes & FULL
    for number, turn in enumerate(turns):
        begin = turn.talk.on
        until = turns[number + 1].talk.on if number + 1 < len(turns) else played.end
        data = []
        while place < len(heard) and heard[place].start < until:
            if heard[place].start >= begin:
                data.append(heard[place])
            place += 1
        got = bytes(each.value for each in data if not each.errors)
        wanted = [
            talk.data
            for talk in (turn.talk, *turn.replies)
            if talk.who != played.plan.recorder and talk.end < until
        ]
        lost = not blind and any(frame not in got for frame in wanted)
        wrong += not turn.answered or lost
    share = wrong / len(turns)
    if played.stalled:
        share = max(share, played.stalled * 0.9)
    return share


def _write(path: Path, case: Case, played: Played, marks: bool, reports: bool) -> None:
    """Write what the recording station has."""
    plan, rng = played.plan, played.plan.own("write")
    shape = plan.ears[plan.recorder].uart.shape
    baud = plan.listen_baud or case.baud
    settings = LineSettings(baud, 8, shape.parity, shape.stop)
    bursts = _bursts(played, settings)
    uncertainty = 0
    if case.timing == "host":
        bursts, uncertainty = _late(case, played, bursts, settings, rng)
    if rng.random() < 0.1 and len(bursts) > 20:
        at, out, data = bursts[3]
        bursts = [(at, out, data[len(data) // 2 :]), *bursts[4:]] if not out else bursts[4:]
    rows: list[tuple[float, int, object]] = [
        (at, 1 if out else 2, (out, data)) for at, out, data in bursts if data
    ]
    if marks:
        shift = rng.uniform(-0.4, 0.4) * plan.cycle if case.style == "B" else 0.0
        for on, off in plan.arc.between(0, played.end):
            rows += [(max(0.0, on + shift), 0, "on"), (max(0.0, off + shift), 0, "off")]
    rows.sort(key=lambda row: row[:2])
    epoch = 0 if rng.random() < 0.5 else 1_700_000_000_000_000_000 + rng.randrange(10**15)
    with CaptureWriter(
        path,
        settings=settings,
        vantage=case.vantage,
        timing=case.timing,  # type: ignore[arg-type]
        clock="virtual" if not epoch else "wall",
        uncertainty_ns=uncertainty,
        program="line 1.0",
        overwrite=True,
        buffered=True,
    ) as writer:
        for at, _, what in rows:
            now = epoch + round(at)
            if isinstance(what, str):
                writer.mark("arc", what, now)
                continue
            out, chars = what  # type: ignore[misc]
            data = bytes(each.value for each in chars)
            errors = tuple(
                CharacterError(place, kind)
                for place, each in enumerate(chars)
                for kind in each.errors
                if reports
            )
            if out:
                writer.outbound(data, now)
            else:
                writer.inbound(Chunk(data, now, errors))
    if rng.random() < 0.1:
        path.write_bytes(path.read_bytes()[:-13])


_Burst = tuple[float, bool, list[Heard]]


def _bursts(played: Played, settings: LineSettings) -> list[_Burst]:
    """Return bursts as they are on the wire, at the end of their last stop bit."""
    plan, char = played.plan, settings.character_ns
    found: list[_Burst] = []
    group: list[Heard] = []
    for each in played.heard:
        if group and each.start - group[-1].start - char > char / 2:
            found.append((group[-1].start + char, False, group))
            group = []
        group.append(each)
    if group:
        found.append((group[-1].start + char, False, group))
    found += [
        (
            talk.end,
            True,
            [Heard(at, value) for at, value in zip(talk.starts, talk.data, strict=True)],
        )
        for talk in plan.wire.talks
        if talk.who == plan.recorder
    ]
    return sorted(found, key=lambda burst: (burst[0], not burst[1]))


def _late(
    case: Case, played: Played, bursts: list[_Burst], settings: LineSettings, rng: random.Random
) -> tuple[list[_Burst], int]:
    """Return the bursts as a host hands them over, and the longest delay it is believed to have."""
    timer = rng.choice([1, 2, 4, 16]) * MS if case.style == "A" else rng.choice([0.0, 1, 8]) * MS
    mean = rng.uniform(0.05, 0.4) * MS
    most = rng.choice([1, 2, 4]) * MS
    size = 62 if case.style == "A" else rng.choice([14, 62, 256])
    char, last, found = settings.character_ns, 0.0, []
    believed = timer + most + (0 if case.style == "A" else 4 * char)
    for at, out, chars in bursts:
        if out:
            last = max(last, at + min(rng.expovariate(1 / mean), most) * 0.2)
            found.append((last, True, chars))
            continue
        for part, ready in _lumps(case, chars, at, char, timer, size):
            last = max(last, ready + min(rng.expovariate(1 / mean), most))
            found.append((last, False, part))
    if played.stalled:
        found = _stall(found, played.stalled, believed, settings, rng)
    return found, round(believed)


def _lumps(
    case: Case, chars: list[Heard], at: float, char: float, timer: float, size: int
) -> Iterator[tuple[list[Heard], float]]:
    """Yield lumps and when they are ready: at a timer (A), or when full or quiet (B)."""
    lump: list[Heard] = []
    due = 0.0
    for each in chars:
        if case.style == "A" and lump and (each.start + char > due or len(lump) == size):
            yield lump, due if len(lump) < size else lump[-1].start + char
            lump = []
        elif lump and len(lump) == size:
            yield lump, lump[-1].start + char
            lump = []
        if not lump:
            due = each.start + char + timer
        lump.append(each)
    if lump:
        end = lump[-1].start + char
        yield lump, max(end, due) if case.style == "A" else end + timer / 2 + 3 * char


def _stall(
    bursts: list[_Burst], share: float, believed: float, settings: LineSettings, rng: random.Random
) -> list[_Burst]:
    """Return the bursts with some handed over in parts, further apart than is believed possible."""
    found: list[_Burst] = []
    floor = 0.0
    for number, (ready, out, chars) in enumerate(bursts):
        before, at = floor, max(ready, floor)
        floor = at
        if out or len(chars) < 4 or rng.random() > share:
            found.append((at, out, chars))
            continue
        cut = rng.randrange(1, len(chars))
        rest = len(chars) - cut
        gap = (
            settings.t15_ns * 1.2
            + believed * rng.uniform(1.05, 2.5)
            + rng.expovariate(1 / (4 * MS))
        )
        first = max(before, at - rest * settings.character_ns)
        second = max(at, first + rest * settings.character_ns + gap)
        follow = next((each[0] for each in bursts[number + 1 :] if each[1]), None)
        if follow is not None and second > follow:
            found.append((at, out, chars))
            continue
        found += [(first, out, chars[:cut]), (second, out, chars[cut:])]
        floor = second
    return found
