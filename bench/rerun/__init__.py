"""Captures as tests: recorded requests asked again, recorded replies given again, differences told.

`Rerun` is the client and `ReplayServer` the server; `Comparison` says what differs between two
transactions under `Rules`. Nothing here opens a port.
"""

from kerfbus.bench.rerun.answering import ReplayPlan, ReplayServer, play
from kerfbus.bench.rerun.asking import Rerun, RerunPlan
from kerfbus.bench.rerun.comparison import Comparison, Difference
from kerfbus.bench.rerun.gate import Gate
from kerfbus.bench.rerun.report import Report
from kerfbus.bench.rerun.rules import DEVICE, SIMULATED, Rules, load_rules, rules_beside

__all__ = [
    "DEVICE",
    "SIMULATED",
    "Comparison",
    "Difference",
    "Gate",
    "ReplayPlan",
    "ReplayServer",
    "Report",
    "Rerun",
    "RerunPlan",
    "Rules",
    "load_rules",
    "play",
    "rules_beside",
]
