"""Characters that no receiver can mishear, without sampling them.

Nearly all characters of a long run are of this kind: one station talks, alone and for the whole of
its character, nothing disturbs, the levels are clear of the thresholds by all that the noise can
reach, and sender and receiver agree on format and rate. What a UART delivers then is known: this
module says it, with the very instants that sampling would give.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor
from typing import NamedTuple

from kerfbus.sim.pair.clocks import TickClock
from kerfbus.sim.pair.talk import Talk
from kerfbus.sim.pair.uart import OVERSAMPLING, Form, form_of

RATE_ERROR = 0.01
"""Up to which error of rate every sample that votes lies in its own bit: it is off by 0.1 bit at
the end of a character and by a sixteenth for sampling, and the votes lie 0.4 bit from the edges."""


class Spoken(NamedTuple):
    """A talk as it arrives.

    Attributes:
        talk: what was said.
        start: of the first start bit.
        end: the driver is off from here.
        rate: true bits a nanosecond.
    """

    talk: Talk
    start: int
    end: int
    rate: float


def heard_plainly(spoken: Spoken, clock: TickClock, form: Form) -> list[tuple[int, int]] | None:
    """Return value and end of each character, in ticks of the receiver; None where it may mishear.

    Args:
        spoken: the talk; its levels are clear and nobody else talks.
        clock: of the receiver, with 16 ticks a bit.
        form: the receiver's format.
    """
    settings = spoken.talk.settings
    bits = settings.character_bits
    ratio = spoken.rate * clock.tick_ns * OVERSAMPLING
    if form_of(settings) != form or settings.data_bits != 8 or abs(ratio - 1.0) > RATE_ERROR:
        return None
    data = spoken.talk.data
    if spoken.end < spoken.start + ceil(len(data) * bits / spoken.rate):
        return None  # its driver lets go before the end
    length = bits * OVERSAMPLING
    return [
        (value, tick + length) for value, tick in zip(data, _starts(spoken, clock), strict=True)
    ]


def _starts(spoken: Spoken, clock: TickClock) -> Sequence[int]:
    """Return the first tick of each start bit."""
    start, rate, bits = spoken.start, spoken.rate, spoken.talk.settings.character_bits
    found = []
    for place in range(0, len(spoken.talk.data) * bits, bits):
        tick = clock.last(start + int(place / rate))
        # The sampled way asks which bit an instant lies in, so the same question decides here.
        while floor((clock.at(tick) - start) * rate) >= place:
            tick -= 1
        while floor((clock.at(tick) - start) * rate) < place:
            tick += 1
        found.append(tick)
    return found
