"""A capture run again on a simulated line, at once: `kerfbus.bench.rerun` without an event loop."""

from __future__ import annotations

from pathlib import Path

from kerfbus.bench.expectation import RerunAt
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.rerun import (
    SIMULATED,
    Gate,
    Report,
    Rerun,
    RerunPlan,
    load_rules,
    rules_beside,
)
from kerfbus.bench.transactions import read_transactions
from kerfbus.sim.plainline import PlainOptions, at_once, open_simulated


def rerun_in_virtual_time(
    capture: Path, where: RerunAt, register_map: RegisterMap, run: Path
) -> Report:
    """Send the recorded requests to a simulated line in recorded time, and compare what comes.

    Args:
        capture: whose requests; rules stand beside it, if any.
        where: the line and its seed.
        register_map: names the values.
        run: a new file that the run is recorded to.

    Raises:
        CaptureError: a capture cannot be read or written.
        FormError: the rules are wrong.
        PortError: there is no such line, or it went away.
    """
    recording = read_transactions(capture)
    beside = rules_beside(capture)
    rules = SIMULATED if beside is None else load_rules(beside, register_map)
    seed = recording.info.seed or 0 if where.seed is None else where.seed
    line = open_simulated(where.port, PlainOptions(run, seed=seed, register_map=register_map))
    rerun = Rerun(line.transport, recording, RerunPlan(Gate(register_map, real=False), rules))
    report = at_once(rerun.run())
    line.close()
    if rerun.trouble is not None:
        raise rerun.trouble
    return report
