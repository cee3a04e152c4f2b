"""Causes of trouble that come from outside the pair, or from a joint in it."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from random import Random
from statistics import NormalDist
from types import MappingProxyType
from typing import NamedTuple

from kerfbus.sim.pair.episodes import Kind
from kerfbus.sim.pair.levels import Levels
from kerfbus.sim.pair.noiseplan import ALWAYS, ARC_ON, Bursts, Dropouts, Held, Opening, Steps
from kerfbus.sim.pair.plant import Bias, Driver
from kerfbus.sim.pair.setup import (
    CLIENT,
    TAP,
    Setup,
)
from kerfbus.sim.pair.talk import Arc

US, MS, SECOND = 1_000, 1_000_000, 1_000_000_000
RESPONSE_NS = 300 * MS
"""Time-out of the controllers that ask on simulated lines."""


class Case(NamedTuple):
    """What a cause is applied with.

    Attributes:
        severity: 0 to 1.
        draw: its dice.
        span_ns: about how long will be recorded.
    """

    severity: float
    draw: Random
    span_ns: int

    def grown(self, least: float, most: float) -> float:
        """Return a value between two by severity, along a geometric scale."""
        return float(least * (most / least) ** self.severity)

    def between(self, least: float, most: float) -> float:
        """Return a value between two by severity, along a straight scale."""
        return least + (most - least) * self.severity


def margin(setup: Setup) -> float:
    """Return the least noise margin between any two stations, and of the idle line, V."""
    levels, stations = Levels(setup.plant), setup.plant.stations
    found = []
    for talker, place in enumerate(stations):
        for listener in range(len(stations)):
            if place.driver is not None and listener != talker:
                talked = levels.talked(talker, listener)
                found += [talked.mark_margin, talked.space_margin]
                if setup.plant.bias is not None:
                    found.append(talked.idle - stations[listener].receiver.low)
    return max(min(found), 0.02)


def arc_noise(setup: Setup, case: Case) -> Setup:
    """Let bursts of every phase of the arc arrive, at first seldom and weak."""
    differential = max(setup.routing.coupling.differential, 1e-6)
    volts = case.between(1.8, 3.5) / differential
    quiet = Bursts(0.0)
    cutting = Bursts(case.grown(0.5, 60.0), round(case.grown(0.5, 12.0) * MS), volts=volts)
    openings = {
        state: Opening(
            1 + round(case.between(0, 5)),
            2 + round(case.between(0, 10)),
            within_ns=60 * MS,
            shortest_ns=round(case.between(1, 4) * MS),
            longest_ns=round(case.between(3, 20) * MS),
            volts=volts,
            rise=0.0,
        )
        for state in (Arc.IGNITION_CONTACT, Arc.TRANSFER, Arc.EXTINCTION)
    }
    bursts = {Arc.OFF: quiet, Arc.PILOT: cutting, Arc.TRANSFER: cutting, Arc.CUTTING: cutting}
    noise = replace(
        setup.noise, bursts=MappingProxyType(bursts), openings=MappingProxyType(openings)
    )
    return replace(setup, noise=noise)


def random_noise(setup: Setup, case: Case) -> Setup:
    """Let white noise make errors of bits, on a pair whose drivers have aged.

    With drivers as strong as new ones, such noise would first be heard in the silence, where only
    the bias stands against it; so drivers are weak here and the bias is strong.
    """
    plant = setup.plant
    stations = tuple(
        place if place.driver is None else replace(place, driver=Driver(volts=1.0, ohms=60.0))
        for place in plant.stations
    )
    weak = replace(setup, plant=replace(plant, stations=stations, bias=Bias(330.0, 330.0)))
    wrong_bits = case.grown(3e-5, 2e-2)
    # A majority of three is wrong with 3 q^2 nearly; see `kerfbus.sim.pair.comparator`.
    reach = -NormalDist().inv_cdf(sqrt(wrong_bits / 3.0))
    noise = replace(setup.noise, gaussian=margin(weak) / reach)
    return replace(weak, noise=noise)


def intermittent(setup: Setup, case: Case) -> Setup:
    """Let the trunk's first joint open now and then."""
    share = case.grown(0.008, 0.9)
    dropouts = Dropouts(share, round(case.grown(25, 400) * MS))
    noise = replace(setup.noise, dropouts=(*setup.noise.dropouts, dropouts))
    return replace(setup, noise=noise, plant=replace(setup.plant, weak_metres=0.0))


def ground_offset(setup: Setup, case: Case) -> Setup:
    """Let a load lift the common mode while it is on, so far that one side is deaf to the other.

    The servers' ground lies 6 V from the client's, which receivers bear; 4 V more is too much for
    the side that sees both, and several loads at once are no harm to the other.
    """
    replies_die = case.draw.random() < 0.5
    ground = 6.0 if replies_die else -6.0
    slow = max(setup.routing.coupling.common_slow, 1e-6)
    volts = case.draw.uniform(3.7, 3.85) / slow
    for place in setup.plant.stations:
        if place.name not in (CLIENT, TAP):
            setup = setup.with_place(place.name, ground=ground)
    noise = setup.noise
    # The load is the arc itself, whose current flows through what should only bond, or another one.
    states = ARC_ON if case.draw.random() < 0.4 else ALWAYS
    if case.severity > 0.9:
        noise = replace(noise, held=(*noise.held, Held(Kind.COMMON, volts, states)))
    else:
        often = case.grown(0.3, 3.0) if states is ARC_ON else case.grown(0.08, 1.3)
        steps = Steps(volts, often, round(case.grown(100, 800) * MS), states=states)
        noise = replace(noise, steps=(*noise.steps, steps))
    return replace(setup, noise=noise)
