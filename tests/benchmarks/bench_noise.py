"""What it costs to ask what disturbs a pair, against one Poisson number of numpy, in one run.

Run: python tests/benchmarks/bench_noise.py [questions a block]

Asked is for stretches of one character at 19200, one after the other, as a line asks, while the arc
starts and stops every few seconds: under nothing but a background, under a plasma table with the
worst routing, and under that with fast transients and a rattling contact. Drawing a Poisson number
for each stretch is the least that a model without memory of what comes next would do. Blocks take
turns; the processor's time is taken, medians are compared.

Judged: a question under a plasma table costs at most twice a Poisson number.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from kerfbus.sim.pair.coupling import WORST
from kerfbus.sim.pair.noise import Disturbances, NoisePlan
from kerfbus.sim.pair.noiseplan import PLASMA, Dropouts, Transients
from kerfbus.sim.pair.talk import Arc

QUESTIONS = 100_000
BLOCKS = 7
CHARACTER_NS = 572_917
MS = 1_000_000
CYCLE = ((0, Arc.IGNITION_CONTACT), (60, Arc.PILOT), (200, Arc.TRANSFER), (260, Arc.CUTTING))
"""What the arc does from a start on, ms."""
CUT_MS, PERIOD_MS = 3000, 5000
BUDGET = 2.0
BUSY = replace(PLASMA, transients=(Transients(4.0),), dropouts=(Dropouts(0.01),))
PLANS = {
    "background alone": NoisePlan(),
    "plasma table": PLASMA,
    "the same, fast transients, contact": BUSY,
}
YARDSTICK = "numpy, a Poisson number"


def asking(plan: NoisePlan) -> Callable[[int], int]:
    """Return what asks for so many stretches and returns how many episodes were told."""
    noise = Disturbances(plan, WORST, 1)
    states = [*CYCLE, (CUT_MS, Arc.EXTINCTION), (CUT_MS + 100, Arc.OFF)]
    at, number = 0, 0

    def ask(count: int) -> int:
        nonlocal at, number
        told = 0
        for _ in range(count):
            cycle, step = divmod(number, len(states))
            since, state = states[step]
            if (instant := (cycle * PERIOD_MS + since) * MS) <= at:
                noise.arc(instant, state)
                number += 1
            told += len(noise.episodes(at, at + CHARACTER_NS))
            at += CHARACTER_NS
        return told

    return ask


def drawing(count: int) -> int:
    """Draw so many Poisson numbers."""
    draw = np.random.default_rng(1).poisson
    return sum(int(draw(0.001)) for _ in range(count))


def main() -> int:
    """Print the figures; fail where the budget is not kept."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else QUESTIONS
    work = {YARDSTICK: drawing, **{name: asking(plan) for name, plan in PLANS.items()}}
    spent: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(BLOCKS):
        for name, run in work.items():
            begin = time.process_time()
            run(count)
            spent[name].append((time.process_time() - begin) / count * 1e6)
    medians = {name: statistics.median(each) for name, each in spent.items()}
    for name, cost in medians.items():
        print(f"{name:36} {cost:6.2f} us   {cost / medians[YARDSTICK]:5.2f} times")
    kept = medians["plasma table"] <= BUDGET * medians[YARDSTICK]
    print(f"plasma table at most {BUDGET:g} times: {'kept' if kept else 'NOT KEPT'}")
    return not kept


if __name__ == "__main__":
    sys.exit(main())
