"""On which way errors happen: the server's own counters against what its client has seen.

A server that has the diagnostic counters of function 08 (MODBUS Application Protocol V1.1b3, 6.8)
says how many messages to it it has heard and how many it heard damaged. Of the requests that were
sent, those that it has not heard were lost or damaged on the way there; the other transactions that
went wrong were so on the way back. Nothing here changes anything in the server: counters are read,
never cleared.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.account import AccountingTransport
from kerfbus.bench.client import Client, Outcome
from kerfbus.bench.wire import DiagnosticSub

TRIES = 8
"""How often a counter is asked for on a line that loses replies (chosen)."""
RANGE = 1 << 16
"""The counters are 16 bits wide and wrap (6.8.1)."""
READ_EVERY = 20_000
"""Requests between two looks, well under a wrap."""


class Counters(NamedTuple):
    """A server's counters and its client's account at one moment.

    Attributes:
        sent: requests that the client had sent when it got `heard`, that one included.
        wrong: transactions that had gone wrong by then, requests for counters among them.
        heard: messages to the server that it heard (sub-function 0E); like those below it runs on
            past 16 bits.
        damaged: messages that it heard damaged, whoever they were for (0C).
        overruns: characters that its receiver lost (12).
    """

    sent: int
    wrong: int
    heard: int
    damaged: int
    overruns: int


_SUBS = (
    DiagnosticSub.SERVER_MESSAGE_COUNT,
    DiagnosticSub.BUS_COMMUNICATION_ERROR_COUNT,
    DiagnosticSub.BUS_CHARACTER_OVERRUN_COUNT,
)


class Direction:
    """Follows a server's counters through a run.

    Args:
        line: the port, counted; only requests to this one server are sent on it.
        server: its address.

    Attributes:
        trouble: why nothing can be said, "" while something can.
    """

    def __init__(self, line: AccountingTransport, server: int) -> None:
        self.trouble = ""
        self._line = line
        self._server = server
        self._failed = 0
        self._first: Counters | None = None
        self._last: Counters | None = None

    async def look(self, client: Client) -> None:
        """Read the counters; at the beginning, at the end, and every `READ_EVERY` requests.

        Args:
            client: on the line.
        """
        if self.trouble:
            return
        values: list[int] = []
        sent = wrong = 0
        for sub in _SUBS:
            value = await self._counter(client, sub)
            if value is None:
                what = "stopped giving" if self._first is not None else "does not give"
                self.trouble = f"server {self._server} {what} its counters (function 08)"
                return
            if not values:
                sent = self._line.sent
                wrong = self._line.quality.total.wrong + self._failed
            values.append(value)
        last = self._last
        if last is not None:
            before = (last.heard, last.damaged, last.overruns)
            values = [old + (new - old) % RANGE for old, new in zip(before, values, strict=True)]
        self._last = Counters(sent, wrong, *values)
        self._first = self._first or self._last

    async def _counter(self, client: Client, sub: DiagnosticSub) -> int | None:
        """Return a counter, None where the server has none or does not answer."""
        request = wire.Diagnostics(sub, b"\0\0")
        for _ in range(TRIES):
            result = await client.request(self._server, request)
            if isinstance(result.reply, wire.DiagnosticsReply):
                data = result.reply.data
                return int.from_bytes(data[:2], "big") if len(data) >= 2 else None
            if result.outcome is Outcome.EXCEPTION:
                return None
            self._failed += 1
        return None

    def to_json(self) -> dict[str, Any] | None:
        """Return how the transactions that went wrong divide, None where nothing can be said."""
        first, last = self._first, self._last
        if self.trouble or first is None or last is None or last is first:
            return None
        sent, heard = last.sent - first.sent, last.heard - first.heard
        if heard > sent:  # somebody else asks this server, too, or it began to count anew
            return None
        there = sent - heard
        return {
            "requests_sent": sent,
            "requests_heard": heard,
            "wrong_there": there,
            "wrong_back": max(last.wrong - first.wrong - there, 0),
            "server_damaged": last.damaged - first.damaged,
            "server_overruns": last.overruns - first.overruns,
        }
