"""The causes of `explain`, done to the second line model, in two manners "A" and "B".

Each trouble changes a `Plan`: it adds spans of noise, shifts the instants at which drivers let go,
adds a station. `much` from 0 to 1 says how much; the caller searches it. The manners differ in how
noise is made and when, so that nothing that only one of them has can be learnt. All invented, from
the physics of the causes.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from diagnosis.otherbus import MS, Ask, Bus, Client, Manner, Server, registers
from diagnosis.otheruart import Form, Uart
from diagnosis.otherwave import Ear, Span, Spans, Talk, Wire


@dataclass
class Plan:
    """A case before it is played.

    Attributes:
        rng: for what is drawn once.
        seed: of the case, with the style.
        style: A or B.
        bit: length of a bit of the line.
        shape: format of the line.
        recorder: name of the station that records.
        cycle: about how long a transaction takes, in ns.
        arc: when the arc burns.
        listen_baud: rate of the recording tap, 0 where it is the line's.
        stall: share of received frames that are handed over in two parts, and how far apart.
    """

    rng: random.Random
    seed: str
    style: str
    bit: float
    shape: Form
    recorder: str
    wire: Wire
    manner: Manner
    clients: list[Client]
    servers: list[Server]
    ears: dict[str, Ear]
    cycle: float
    arc: Spans
    turnaround: float
    pause: float
    stall: float = 0.0
    listen_baud: int = 0
    needs_errors: bool = False
    facts: dict[str, object] = field(default_factory=dict)

    @property
    def char(self) -> float:
        return self.bit * self.shape.bits

    def own(self, what: str) -> random.Random:
        """Return a stream of chance of its own."""
        return random.Random(f"{self.seed}/{what}")

    def all_ears(self, what: str, make: Callable[[random.Random], Iterator[Span]]) -> None:
        """Add noise to every listener: the same (most often in manner A) or each its own."""
        shared = self.own(what).random() < (0.7 if self.style == "A" else 0.3)
        one = Spans(make(self.own(what + "/all")))
        for name in sorted(self.ears):
            self.ears[name].xor.append(one if shared else Spans(make(self.own(f"{what}/{name}"))))


Trouble = Callable[[Plan, float], None]


def scale(much: float, low: float, high: float) -> float:
    """Return a value between two on a logarithmic scale."""
    return float(low * (high / low) ** much)


def burst(
    rng: random.Random, at: float, length: float, step: float, share: float
) -> Iterator[Span]:
    """Yield flips of a burst: time falls into random steps, a share of which are flipped."""
    now = at
    while now < at + length:
        wide = rng.expovariate(1 / step)
        if rng.random() < share:
            yield now, now + wide
        now += wide + 1


def arc_noise(plan: Plan, much: float) -> None:
    """Bursts at the start, now and then while cutting, at the end; nothing while the arc is off."""
    step = plan.own("step").uniform(4e3, 3e4)

    def bursts(rng: random.Random) -> Iterator[Span]:
        for on, off in _all(plan.arc):
            ignition = on + rng.uniform(0.0, 0.05) * (off - on)
            times = [on + rng.random() * (ignition - on) for _ in range(int(scale(much, 1, 30)))]
            rate = scale(much, 0.05, 8) / plan.cycle
            now = on + rng.expovariate(rate)
            while now < off:
                times.append(now)
                now += rng.expovariate(rate)
            for at in sorted([*times, off - 2 * MS]):
                wide = min(rng.lognormvariate(0, 0.7) * MS, 12 * MS)
                yield from burst(rng, at, wide, step, rng.uniform(0.1, 0.45))

    def gilbert(rng: random.Random) -> Iterator[Span]:
        for on, off in _all(plan.arc):
            early = on - rng.uniform(0, 0.06) * (off - on)
            now = early
            bad = True
            while now < off:
                mean = scale(much, 0.15, 3) if bad else scale(1 - much, 0.7, 12)
                until = min(off, now + rng.expovariate(1 / (mean * plan.cycle)))
                if bad:
                    rate = rng.uniform(0.02, 0.3) / plan.char
                    at = now + rng.expovariate(rate)
                    while at < until:
                        yield at, at + plan.bit * rng.uniform(0.4, 2.5)
                        at += plan.bit * 3 + rng.expovariate(rate)
                now, bad = until, not bad

    plan.all_ears("arc-noise", bursts if plan.style == "A" else gilbert)


def _all(spans: Spans) -> Iterator[Span]:
    """Yield endless spans one after another."""
    now = 0.0
    while True:
        for span in spans.between(now, now + 5e9):
            if span[0] >= now:
                yield span
        now += 5e9


def random_noise(plan: Plan, much: float) -> None:
    """Single bits, evenly in time (A), or single bits of single characters (B)."""
    if plan.style == "A":
        low, high = plan.own("wide").choice([(0.3, 1.2), (0.8, 2.0), (0.15, 0.6)])

        def hits(rng: random.Random) -> Iterator[Span]:
            now = 0.0
            while True:
                now += rng.expovariate(scale(much, 2e-5, 2e-2) / plan.char)
                yield now, now + rng.uniform(low, high) * plan.bit

        plan.all_ears("random-noise", hits)
        return
    share, rng = scale(much, 5e-5, 5e-2), plan.own("random-noise")
    noise = {name: Spans() for name in sorted(plan.ears)}
    shared = rng.random() < 0.5
    for name, spans in noise.items():
        plan.ears[name].xor.append(noise[min(noise)] if shared else spans)

    def corrupt(bus: Bus, talk: Talk) -> None:
        for spans in [noise[min(noise)]] if shared else noise.values():
            for start in talk.starts:
                if rng.random() < share:
                    place = rng.randrange(talk.shape.bits)
                    spans.add(
                        start + place * talk.bit, start + (place + rng.choice([1, 1, 2])) * talk.bit
                    )

    chain(plan, corrupt)


def chain(plan: Plan, act: Callable[[Bus, Talk], None]) -> None:
    """Have something done to each talk, behind what is already done to it."""
    before = plan.manner.on_talk

    def both(bus: Bus, talk: Talk) -> None:
        before(bus, talk)
        act(bus, talk)

    plan.manner.on_talk = both


def missing_termination(plan: Plan, much: float) -> None:
    """Waves that come back from an open end: a lattice (A), a damped ring (B), by talker."""
    rng = plan.own("termination")
    steps = 16
    names = sorted({each.name for each in plan.servers} | {plan.clients[0].name})
    far = rng.choice(names)
    weight = {name: 1.0 if name == far else rng.uniform(0.2, 0.9) for name in names}
    metres = rng.uniform(500, 1200) if plan.bit > 40e3 else rng.uniform(150, 1000)
    trip = metres * 10 / plan.bit  # there and back at 5 ns a metre, in bits
    rough_volts = rng.uniform(0.1, 0.3)

    def kernel(strength: float) -> np.ndarray:
        """Return what a step of level becomes, as differences, 16 a bit."""
        time = (np.arange(128) + 0.5) / steps
        if plan.style == "A":  # an open end, a source of low impedance: waves of either sign
            trips = np.floor(time / trip) + 1
            step = 1 - (-strength) ** (trips + 1)
        else:
            decay = -1 / math.log(strength)
            step = 1 - np.exp(-time / trip / decay) * np.cos(np.pi * time / trip) * strength
        return np.diff(step, prepend=0.0)

    kernels = {
        name: kernel(min(0.97, scale(much, 0.2, 0.97) * share)) for name, share in weight.items()
    }

    def shaped(talk: Talk, ear: str) -> list[float]:
        taps = kernels.get(talk.who)
        if taps is None or talk.who == ear:
            return talk.changes
        noise = np.random.default_rng(
            random.Random(f"{plan.seed}/{talk.on}/{ear}").randrange(2**32)
        )
        first, many = (
            talk.starts[0] - 8 * talk.bit,
            int((talk.end - talk.starts[0]) / talk.bit) + 24,
        )
        grid = first + (np.arange(many * steps) + 0.5) * talk.bit / steps
        level = 1.0 - 2.0 * (np.searchsorted(talk.changes, grid) & 1)
        seen = np.convolve(level - 1.0, taps)[: len(level)] + 1.0
        rough = noise.normal(0, rough_volts, many * 4 + 1)
        seen += np.interp(grid, first + np.arange(len(rough)) * talk.bit / 4, rough)
        sure = np.where(np.abs(seen) > 0.08, np.sign(seen), 0.0)
        kept = np.maximum.accumulate(np.where(sure != 0, np.arange(len(sure)), 0))
        held = np.where(sure[kept] < 0, 0, 1)
        return [float(grid[at + 1]) for at in np.flatnonzero(np.diff(held))]

    plan.wire.shape_edges = shaped


def missing_bias(plan: Plan, much: float) -> None:
    """The undriven line wanders: a random level (A), hum that crosses the threshold (B)."""
    rng = plan.own("bias")
    plan.wire.hold = rng.uniform(0.5, 6) * plan.char
    mains, phase = rng.choice([50, 60]), rng.uniform(0, 0.02)

    def wander(rng: random.Random) -> Iterator[Span]:
        now = 0.0
        while True:
            now += rng.expovariate(scale(much, 0.02, 6) / plan.cycle)
            wide = rng.lognormvariate(math.log(plan.char), 1.3)
            yield now, now + min(wide, 60 * plan.char)
            now += wide + plan.bit

    def hum(rng: random.Random) -> Iterator[Span]:
        now, period = phase * 1e9, 1e9 / mains
        strong = True
        while True:
            if rng.random() < 0.04:
                strong = rng.random() < scale(much, 0.05, 1)
            if strong:
                wide = period * 0.5 * rng.uniform(0.3, 0.9)
                yield now, now + wide
            now += period * rng.uniform(0.999, 1.001)

    make = wander if plan.style == "A" else hum
    one = Spans(make(plan.own("bias/all")))
    for name in sorted(plan.ears):
        same = plan.own(f"bias/{name}").random() < 0.7
        plan.ears[name].space = one if same else Spans(make(plan.own(f"bias/{name}/spans")))


def early_release(plan: Plan, much: float) -> None:
    """A driver that lets go too soon: spread around a mean (A), or at a tick now and then (B)."""
    rng = plan.own("early")
    client = plan.clients[0].name
    who = {client} if _pick(plan, rng) else {rng.choice(plan.servers).name}
    plan.facts["who"] = sorted(who)
    before = plan.manner.trail

    def trail(talk: Talk) -> float:
        if talk.who not in who:
            return before(talk)
        if plan.style == "A":
            cut = rng.gauss(scale(much, 0.02, 0.9), 0.18)
        else:
            cut = rng.uniform(0.15, 2.2) if rng.random() < scale(much, 0.01, 0.9) else 0.0
        return -min(max(0.0, cut), 2.6) * plan.char

    plan.manner.trail = trail


def _pick(plan: Plan, rng: random.Random) -> bool:
    """Return whether the client is to blame: only what the recording station can see."""
    if plan.recorder == "tap":
        return rng.random() < 0.5
    return plan.recorder != plan.clients[0].name


def late_release(plan: Plan, much: float) -> None:
    """A driver that stays on into the head of what the other side says next."""
    rng = plan.own("late")
    client = plan.clients[0].name
    mine = plan.recorder == client or (plan.recorder == "tap" and rng.random() < 0.6)
    share = scale(much, 0.01, 0.9)
    if mine:
        plan.facts["who"] = [client]
    else:
        holder = plan.recorder if plan.recorder != "tap" else rng.choice(plan.servers).name
        plan.facts["who"] = [holder]
        quick = rng.uniform(1.2, 9) * MS
        plan.clients[0] = replace(plan.clients[0], pause=lambda: quick * rng.uniform(0.9, 1.3))
    spread = plan.turnaround if mine else quick

    def extend(bus: Bus, talk: Talk) -> None:
        last = bus.wire.talks[-1] if bus.wire.talks else None
        if last is None or last.who not in plan.facts["who"] or talk.who == last.who:  # type: ignore[operator]
            return
        gap = talk.starts[0] - last.end
        if gap < 0 or gap > 60 * MS:
            return
        if plan.style == "A":
            hold = rng.gauss(spread * (0.4 + 0.7 * much) + plan.char, 0.3 * spread + plan.char)
            hold = min(hold, gap + 5 * plan.char)
        else:
            hold = gap + rng.uniform(0.2, 4) * plan.char if rng.random() < share else 0.0
        last.off = max(last.off, last.end + hold)

    chain(plan, extend)


def echo(plan: Plan, much: float) -> None:
    """The recording station hears itself."""
    plan.ears[plan.recorder].echo = True
    if plan.recorder == plan.clients[0].name:
        strips = plan.own("echo").random() < 0.7
        plan.clients[0] = replace(plan.clients[0], strips=strips, patient=True)


def adapter_gaps(plan: Plan, much: float) -> None:
    """Frames come in two parts (A), or the client's own adapter sends in lumps as well (B)."""
    plan.stall = scale(much, 0.01, 0.7)
    plan.facts["gaps"] = True


def duplicate_address(plan: Plan, much: float) -> None:
    """A second server with an address that is in use, with other values and another pace."""
    rng = plan.own("twin")
    first = plan.servers[0]
    name = "twin"
    pace = rng.uniform(0.7, 1.4) if plan.style == "A" else rng.uniform(0.97, 1.05)
    jitter = rng.uniform(0.2, 2) * plan.char
    alone = len({each.server for each in plan.clients[0].program}) == 1
    share = scale(much, 0.03, 0.9) if alone else 0.5 + much / 2
    other = registers(int(rng.random() * 1e9), name, lambda *_: None)
    alike = rng.random() < 0.3

    def value(function: int, address: int, now: float) -> int:
        if alike and (address * 7 + 3) % 11 > 3:
            return first.value(function, address, now)
        return other(function, address, now)

    plan.servers.append(
        replace(
            first,
            name=name,
            bit=first.bit * rng.uniform(0.997, 1.003),
            turnaround=lambda: first.turnaround() * pace + rng.random() * jitter,
            value=value,
            answers=lambda _: rng.random() < share,
        )
    )
    plan.ears[name] = Ear(name, plan.ears[first.name].uart)


def second_client(plan: Plan, much: float) -> None:
    """Another client with its own poll, that looks before it talks or does not."""
    rng = plan.own("second")
    first = plan.clients[0]
    target = rng.choice(plan.servers).address
    program = [
        Ask(target, rng.choice([3, 4]), rng.randrange(0, 400), rng.choice([1, 2, 4, 10]))
        for _ in range(rng.randrange(1, 4))
    ]
    every = scale(1 - much, 1.2, 30) * plan.cycle
    wide = 0.05 if plan.style == "A" else 0.5
    plan.clients.append(
        replace(
            first,
            name="other",
            program=program,
            bit=plan.bit * rng.uniform(0.996, 1.004),
            pause=lambda: every * rng.uniform(1 - wide, 1 + wide),
            polite=rng.random() < 0.4,
            limit=10**9,
            retries=rng.choice([0, 1]),
        )
    )
    plan.ears["other"] = Ear("other", Uart(plan.bit, plan.shape))


def intermittent_contact(plan: Plan, much: float) -> None:
    """The pair opens: now and then (A), in clusters that chatter (B)."""
    rng = plan.own("contact")

    def openings(rng: random.Random) -> Iterator[Span]:
        now = 0.0
        rate = scale(much, 0.004, 0.35) / plan.cycle
        while True:
            now += rng.expovariate(rate)
            wide = min(max(rng.lognormvariate(math.log(60 * MS), 1.2), 2 * MS), 2000 * MS)
            yield now, now + wide
            now += wide

    def chatter(rng: random.Random) -> Iterator[Span]:
        now = 0.0
        rate = scale(much, 0.002, 0.12) / plan.cycle
        while True:
            now += rng.expovariate(rate)
            for _ in range(rng.randrange(1, 9)):
                wide = scale(rng.random(), 2, 900) * MS
                yield now, now + wide
                now += wide + scale(rng.random(), 0.3, 60) * MS

    spans = Spans((openings if plan.style == "A" else chatter)(plan.own("contact/spans")))
    client = plan.clients[0].name
    aside = plan.recorder == "tap" and rng.random() < 0.6  # the tap's side of the break
    for name, ear in plan.ears.items():
        ear.apart = spans
        ear.side = 0 if name == client or (name == "tap" and not aside) else 1
        if name in {each.name for each in plan.servers}:
            plan.wire.sides[name] = 1
    if aside and plan.recorder == "tap" and rng.random() < 0.5:  # the break is in the tap's branch
        for name, ear in plan.ears.items():
            ear.side = int(name == "tap")
            plan.wire.sides[name] = ear.side


def ground_offset(plan: Plan, much: float) -> None:
    """One listener leaves its common-mode range while a load is on."""
    rng = plan.own("ground")
    by_arc = rng.random() < 0.4

    def load(rng: random.Random) -> Iterator[Span]:
        if by_arc:
            for on, off in _all(plan.arc):
                if rng.random() < min(1.0, much * 2.2):
                    yield on + rng.uniform(0, 0.1) * (off - on), off
            return
        now = 0.0
        while True:
            now += rng.uniform(0.5, 1.5) * scale(1 - much, 12, 150) * plan.cycle
            wide = rng.uniform(4, 25) * plan.cycle
            yield now, now + wide
            now += wide

    spans = Spans(load(plan.own("ground/load")))
    client, names = plan.clients[0].name, [each.name for each in plan.servers]
    level = rng.choice([1, 1, 0]) if plan.style == "A" else rng.choice([2, 2, 1])
    if plan.recorder == client:
        hit, to = [client], names
    elif plan.recorder == "tap":
        one = rng.choice(names)
        hit, to = ([client, "tap"], names) if rng.random() < 0.6 else ([one], [client])
    else:
        hit, to = [plan.recorder], [client]
    noise = plan.own("ground/babble")
    share = noise.uniform(0.1, 0.5)

    def babble() -> Iterator[Span]:
        for start, end in _all(spans):
            yield from burst(noise, start, end - start, plan.bit * 0.8, share)

    for name in hit:
        ear = plan.ears[name]
        ear.deaf, ear.deaf_to, ear.deaf_level = spans, frozenset(to), level
        if level == 2:
            ear.babble = Spans(babble())
    plan.facts["hit"] = hit


def swapped_pair(plan: Plan, much: float) -> None:
    """The tap's pair is exchanged; seen from a client, a server's is, and it is silent."""
    if plan.recorder == "tap":
        plan.ears["tap"].swapped = True
        plan.needs_errors = plan.own("swapped").random() < 0.7
        return
    plan.ears[plan.servers[-1].name].swapped = True


def wrong_baud(plan: Plan, much: float) -> None:
    """The tap listens at another rate; seen from a client, a server does, and it is silent."""
    rng = plan.own("baud")
    mine = 1e9 / plan.bit
    name = "tap" if plan.recorder == "tap" else plan.servers[-1].name
    uart = plan.ears[name].uart
    if plan.style == "B" and plan.recorder == "tap" and rng.random() < 0.25:
        off = 1 + rng.choice([-1, 1]) * rng.uniform(
            0.06, 0.12
        )  # the line is off, its stations agree
        plan.clients[0] = replace(plan.clients[0], bit=plan.clients[0].bit * off)
        plan.servers = [replace(each, bit=each.bit * off) for each in plan.servers]
        for ear in plan.ears.values():
            if ear.name != "tap":
                ear.uart = Uart(ear.uart.bit * off, uart.shape, len(uart.offsets))
        plan.facts["rate"] = mine / off
        return
    usual = [1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200]
    rate = rng.choice(
        [each for each in usual if abs(each / mine - 1) > 0.1 and 1 / 7 < each / mine < 7]
    )
    plan.ears[name].uart = Uart(1e9 / rate, uart.shape, len(uart.offsets))
    plan.listen_baud = rate if name == "tap" else 0
    plan.facts["rate"] = rate


def wrong_format(plan: Plan, much: float) -> None:
    """The tap listens with another format; seen from a client, a server does, and it is silent."""
    rng = plan.own("format")
    other = {"N": "EO", "E": "NO", "O": "NE"}[plan.shape.parity]
    parity = rng.choice(other)
    if plan.recorder != "tap" and plan.shape.parity == "N":
        parity = "E"
    name = "tap" if plan.recorder == "tap" else plan.servers[-1].name
    uart = plan.ears[name].uart
    stop = 2 if parity == "N" and rng.random() < 0.5 else 1
    plan.ears[name].uart = Uart(uart.bit, Form(parity, stop), len(uart.offsets))
    plan.needs_errors = True
    plan.facts["format"] = f"8{parity}{stop}"


def slow_server(plan: Plan, much: float) -> None:
    """A server whose replies come near the time-out: always (A), or while it is busy (B)."""
    rng = plan.own("slow")
    place = rng.randrange(len(plan.servers))
    limit = plan.clients[0].timeout
    if plan.style == "A":
        middle, spread = scale(much, 0.35, 1.1), rng.uniform(0.15, 0.35)

        def late() -> float:
            return limit * middle * rng.lognormvariate(0, spread)

    else:
        usual = plan.servers[place].turnaround

        def late() -> float:
            if rng.random() < scale(much, 0.03, 0.9):
                return limit * rng.uniform(0.7, 1.9)
            return usual()

    plan.servers[place] = replace(plan.servers[place], turnaround=late)


def no_server(plan: Plan, much: float) -> None:
    """An address that is asked for and where nobody is."""
    rng = plan.own("absent")
    used = {each.address for each in plan.servers}
    absent = rng.choice([each for each in range(1, 248) if each not in used])
    client = plan.clients[0]
    program = list(client.program) * max(1, round(scale(1 - much, 1, 12) / len(client.program)))
    like = rng.choice(client.program)
    program.insert(rng.randrange(len(program) + 1), like._replace(server=absent))
    plan.clients[0] = replace(client, program=program)
    plan.facts["absent"] = absent


def healthy(plan: Plan, much: float) -> None:
    """Nothing is wrong."""


TROUBLES: dict[str, Trouble] = {
    "healthy": healthy,
    "arc-noise": arc_noise,
    "random-noise": random_noise,
    "missing-termination": missing_termination,
    "missing-bias": missing_bias,
    "early-release": early_release,
    "late-release": late_release,
    "echo": echo,
    "adapter-gaps": adapter_gaps,
    "duplicate-address": duplicate_address,
    "second-client": second_client,
    "intermittent-contact": intermittent_contact,
    "ground-offset": ground_offset,
    "swapped-pair": swapped_pair,
    "wrong-baud": wrong_baud,
    "wrong-format": wrong_format,
    "slow-server": slow_server,
    "no-server": no_server,
}
