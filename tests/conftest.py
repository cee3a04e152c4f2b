"""Rules for every test.

A test that needs a program which the system's package manager gives (ser2net, gcc, tmux) skips
where it is missing. Continuous integration installs them all and sets KERFBUS_NO_SKIPS, so that a
missing one cannot pass for a pass.
"""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest
from hypothesis import settings

# A busy machine is no reason for a property to fail; `timeout` in pyproject.toml ends what hangs.
settings.register_profile("kerfbus", deadline=None)
settings.load_profile("kerfbus")

OTHER_PLATFORM = "other platform: "
"""How the reason of a skip begins that is right even in continuous integration."""


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure where all that tests need is said to be installed."""
    report = yield
    if not (os.environ.get("KERFBUS_NO_SKIPS") and report.skipped) or hasattr(report, "wasxfail"):
        return report
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    if OTHER_PLATFORM not in reason:
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped although KERFBUS_NO_SKIPS is set: {reason}"
    return report
