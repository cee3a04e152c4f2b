"""What can be wrong with a pair: each cause of trouble, from barely visible to dead.

A cause is a change of plant, noise or manners, never of what a station hears, so that its symptoms
follow from it. How much is changed at which severity is invented; 0 is meant to spoil about one
transaction in a hundred or fewer, 1 nearly all that the cause can reach. Several may be laid on one
another. What the seed decides (which server, which direction) is drawn for each cause anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import inf
from types import MappingProxyType
from typing import Any, NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.adapter import Lumps
from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.noisecauses import Case, arc_noise, ground_offset, intermittent, random_noise
from kerfbus.sim.pair.noiseplan import Drift
from kerfbus.sim.pair.plant import Place
from kerfbus.sim.pair.serving import Intrusion
from kerfbus.sim.pair.setup import (
    CLIENT,
    STRANGER,
    TAP,
    TWIN,
    Setup,
    server_name,
)

US, MS, SECOND = 1_000, 1_000_000, 1_000_000_000
RESPONSE_NS = 300 * MS
"""Time-out of the controllers that ask on simulated lines."""


Apply = Callable[[Setup, Case], Setup]


class Cause(NamedTuple):
    """A cause.

    Attributes:
        text: what is physically so.
        apply: changes a setup.
        seen_by: vantages that can see it.
        sampled: it shows on the sampled line only.
    """

    text: str
    apply: Apply
    seen_by: tuple[str, ...] = ("client", "server", "tap")
    sampled: bool = False


def with_cause(setup: Setup, cause: str, severity: float, span_ns: int = 60 * SECOND) -> Setup:
    """Return a setup with something wrong.

    Args:
        setup: to change.
        cause: its slug.
        severity: 0, barely visible, to 1, dead.
        span_ns: about how long will be recorded, for what is so for a share of the time only.

    Raises:
        UsageError: there is no such cause, or the severity is out of range.
    """
    if cause not in CAUSES:
        raise UsageError(f"there is no cause {cause!r}; there are {', '.join(CAUSES)}")
    if not 0.0 <= severity <= 1.0:
        raise UsageError(f"severity {severity:g}: give 0 (barely visible) to 1 (dead)")
    found = CAUSES[cause]
    changed = found.apply(setup, Case(severity, dice(setup.seed, cause, 0), span_ns))
    return replace(changed, fidelity="sampled") if found.sampled else changed


# --- cable and terminals -------------------------------------------------------------------------


def _missing_termination(setup: Setup, case: Case) -> Setup:
    """Leave the far end open on a cable that is long for its bit rate, with stiff drivers.

    A stiff driver at the near end (6 ohm) lets the level at the far end undershoot from two to four
    times the way along the cable; that spoils a bit once its middle falls into that time, which is
    from an eighth of a bit one way on. It takes a thick cable: a thin one swallows the echo. What
    is said at the far end is heard well, for the near end has its terminator.
    """
    plant = setup.plant
    fastest = max(place.settings.baud for place in plant.stations)
    one_way_ns = case.between(0.090, 0.135) * SECOND / fastest
    cable = replace(plant.cable, awg=14, loss_db=0.2)
    metres = min(max(one_way_ns * cable.metres_per_ns, 5.0), 2000.0)
    stations = []
    for place in plant.stations:
        driver = None if place.driver is None else replace(place.driver, ohms=6.0)
        share = 0.0 if place.name == CLIENT else 0.9 + 0.1 * place.metres / plant.cable.metres
        stations.append(replace(place, metres=round(share * metres, 1), driver=driver))
    cable = replace(cable, metres=metres)
    noise = replace(setup.noise, gaussian=max(setup.noise.gaussian, 0.05))
    plant = replace(plant, stations=tuple(stations), cable=cable, far_ohms=inf)
    return replace(setup, plant=plant, noise=noise)


def _missing_bias(setup: Setup, case: Case) -> Setup:
    """Take the bias away; the undriven pair drifts, further and faster at a high severity.

    Its receivers tell 25 mV either way: with a faint background strays are seldom, and with the
    usual one the pair babbles.
    """
    characters = case.grown(100.0, 5.0)
    knot_ns = round(characters * setup.place(CLIENT).settings.character_ns)
    drift = Drift(case.grown(0.010, 0.1), knot_ns)
    noise = replace(setup.noise, drift=drift, gaussian=case.grown(0.002, 0.03))
    return replace(setup, noise=noise, plant=replace(setup.plant, bias=None))


def _swapped_pair(setup: Setup, case: Case) -> Setup:
    """Exchange D0 and D1 at the tap or at a server; at a low severity somebody soon mends it."""
    return _for_a_time(setup, case, _suspect(setup, case), swapped=True)


def _for_a_time(setup: Setup, case: Case, name: str, **changes: Any) -> Setup:
    """Return a setup with a station's place changed for a share of the time, from the beginning."""
    mended = setup.plant
    setup = setup.with_place(name, **changes)
    if case.severity >= 0.95:
        return setup
    at = round(case.grown(0.02, 1.0) * case.span_ns)
    return replace(setup, changes=(*setup.changes, (at, mended)))


def _suspect(setup: Setup, case: Case) -> str:
    """Return the station that is wrong by itself: the one that records, or some server."""
    servers = [server_name(each) for each in setup.addresses]
    drawn = case.draw.choice(servers)
    return drawn if setup.vantage == CLIENT else setup.vantage


# --- drivers -------------------------------------------------------------------------------------


def _talkers(setup: Setup, case: Case, client: float) -> tuple[str, ...]:
    """Return one side of the talk: the client, with this probability, or all servers."""
    if case.draw.random() < client:
        return (CLIENT,)
    return tuple(server_name(each) for each in setup.addresses)


def _early_release(setup: Setup, case: Case) -> Setup:
    """Let the drivers of one side go before the last character has ended."""
    bits = case.draw.uniform(3.0, 6.0) + case.between(0.0, 4.0)
    share = case.grown(0.02, 1.0)
    for name in _talkers(setup, case, 0.5):
        bit = setup.place(name).settings.bit_ns
        setup = setup.with_manner(name, slip_ns=-round(bits * bit), slip_share=share)
    return setup


def _late_release(setup: Setup, case: Case) -> Setup:
    """Let the drivers of one side hold the line into what the other side says next."""
    share = case.grown(0.02, 1.0)
    characters = case.draw.uniform(1.0, 2.0) + case.between(0.0, 6.0)
    line = setup.place(CLIENT).settings
    for name in _talkers(setup, case, 0.8):
        if name == CLIENT:
            waits = [setup.manner(server_name(each)).turnaround_ns for each in setup.addresses]
            hold = line.t35_ns + max(waits) + round(characters * line.character_ns)
        else:
            hold = round(case.draw.uniform(40, 120) * MS)
        setup = setup.with_manner(name, slip_ns=hold, slip_share=share)
    return setup


def _echo(setup: Setup, case: Case) -> Setup:
    """Leave the receiver of an adapter on while it sends; at a low severity only now and then."""
    name = CLIENT if setup.vantage == TAP else setup.vantage
    setup = setup.with_place(name, hears_itself=True)
    return setup.with_manner(name, echo_share=case.grown(0.03, 1.0))


def _adapter_gaps(setup: Setup, case: Case) -> Setup:
    """Let the recording station's host deliver in lumps with stalls between them."""
    lumps = Lumps(
        latency_ns=case.draw.choice((1, 2, 4)) * MS,
        stall_share=case.grown(0.004, 0.6),
        stall_ns=round(case.grown(8, 25) * MS),
    )
    return replace(setup, lumps=lumps)


# --- stations ------------------------------------------------------------------------------------


def _new_place(setup: Setup, case: Case, name: str, metres: float) -> Place:
    settings = setup.place(CLIENT).settings
    return Place(name, metres, settings, clock_ppm=round(case.draw.uniform(-60.0, 60.0), 1))


def _duplicate_address(setup: Setup, case: Case) -> Setup:
    """Put a second server with the same address on the line, which misses requests at first."""
    address = case.draw.choice(setup.addresses)
    metres = round(case.draw.uniform(2.0, setup.plant.cable.metres), 1)
    setup = setup.with_station(_new_place(setup, case, TWIN, metres))
    usual = setup.manner(server_name(address))
    offset = round(case.draw.uniform(0.0, 2.0) * MS)
    setup = setup.with_manner(
        TWIN,
        turnaround_ns=usual.turnaround_ns + offset,
        spread_ns=usual.spread_ns,
        answers=case.grown(0.03, 1.0),
    )
    return replace(setup, twin=address)


def _second_client(setup: Setup, case: Case) -> Setup:
    """Put a client on the line that knows nothing of the first one."""
    metres = round(case.draw.uniform(0.0, setup.plant.cable.metres), 1)
    setup = setup.with_station(_new_place(setup, case, STRANGER, metres))
    every = round(case.grown(2.5 * SECOND, 30 * MS))
    count = case.draw.randint(1, 6)
    return replace(setup, intrusion=Intrusion(every, setup.addresses, 0, count))


def _wrong_baud(setup: Setup, case: Case) -> Setup:
    """Run a station at another rate: a few percent off at first, at another usual rate in the end.

    5 % is where 8N1 begins to fail, 4.5 % where 8E1 does (sum of both clocks; references, 5).
    """
    name = _suspect(setup, case)
    if case.severity < 0.6:
        sign = case.draw.choice((-1, 1))
        ppm = sign * (37_000 + 50_000 * case.severity)
        return setup.with_place(name, clock_ppm=ppm)
    settings = setup.place(name).settings
    other = settings.baud // 2 if case.draw.random() < 0.5 else settings.baud * 2
    return setup.with_place(name, settings=replace(settings, baud=other))


_MISFITS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "8N1": ("8N2", "8E1", "8O1"),
        "8N2": ("8N1", "8E1", "8O1"),
        "8E1": ("8N2", "8N1", "8O1"),
        "8O1": ("8N2", "8N1", "8E1"),
    }
)
"""Formats by the line's own, the more harmful the later: one that may not be noticed, or spoils
half of the characters; half of them or the alignment; nearly all."""


def _wrong_format(setup: Setup, case: Case) -> Setup:
    """Set a station to another parity or number of stop bits."""
    name = _suspect(setup, case)
    settings = setup.place(name).settings
    misfits = _MISFITS.get(settings.format, ("8N2", "8N1", "8O1"))
    other = misfits[min(int(case.severity * len(misfits)), len(misfits) - 1)]
    return setup.with_place(name, settings=LineSettings.parse(settings.baud, other))


def _slow_server(setup: Setup, case: Case) -> Setup:
    """Let a server answer about when the client gives up."""
    name = server_name(case.draw.choice(setup.addresses))
    wait = round(case.between(0.45, 1.25) * RESPONSE_NS)
    return setup.with_manner(name, turnaround_ns=wait, spread_ns=RESPONSE_NS // 9)


def _no_server(setup: Setup, case: Case) -> Setup:
    """Take a server away; at a low severity it is asked for seldom."""
    address = case.draw.choice(setup.addresses)
    left = tuple(each for each in setup.addresses if each != address)
    slower = {**setup.slower, address: case.grown(25.0, 1.0)}
    return replace(setup, addresses=left, slower=MappingProxyType(slower))


CAUSES: Mapping[str, Cause] = MappingProxyType(
    {
        "healthy": Cause("nothing is wrong", lambda setup, _: setup),
        "arc-noise": Cause("noise bursts while the arc starts and burns", arc_noise),
        "random-noise": Cause("white noise, whatever the arc does", random_noise),
        "missing-termination": Cause("the far end is open", _missing_termination, sampled=True),
        "missing-bias": Cause("nothing holds the undriven pair", _missing_bias),
        "early-release": Cause("drivers let go before their last stop bit", _early_release),
        "late-release": Cause("drivers hold the line for too long", _late_release),
        "echo": Cause("the adapter hears its own transmission", _echo, ("client", "server")),
        "adapter-gaps": Cause("the host delivers in lumps", _adapter_gaps),
        "duplicate-address": Cause("two servers answer one address", _duplicate_address),
        "second-client": Cause("another client asks as well", _second_client),
        "intermittent-contact": Cause("the pair opens now and then", intermittent),
        "ground-offset": Cause("common mode beyond a receiver's range", ground_offset),
        "swapped-pair": Cause("D0 and D1 are exchanged", _swapped_pair, ("client", "tap")),
        "wrong-baud": Cause("a station runs at another rate", _wrong_baud, ("client", "tap")),
        "wrong-format": Cause("parity or stop bits differ", _wrong_format, ("client", "tap")),
        "slow-server": Cause("replies come near the time-out", _slow_server, ("client", "tap")),
        "no-server": Cause("one address never answers", _no_server, ("client", "tap")),
    }
)
"""All causes, by slug."""
