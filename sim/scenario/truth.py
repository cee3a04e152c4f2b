"""What was really so while a capture was made: the truth beside it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from math import inf
from os import PathLike, fspath
from pathlib import Path
from typing import Any

from kerfbus.bench.errors import CaptureError
from kerfbus.bench.exchange import Outcome
from kerfbus.sim.pair.ledger import NOTHING, WHOLE, Ledger, Spoken
from kerfbus.sim.pair.setup import CLIENT, Setup
from kerfbus.sim.scenario.taker import vantage_of

TRUTH_SUFFIX = ".truth.json"


@dataclass(frozen=True, slots=True)
class Transaction:
    """What became of one request of the client.

    Attributes:
        at_ns: end of the request's last stop bit.
        server, function: that it asks.
        foreign: it is a second client's.
        request: how the server heard it (`kerfbus.sim.pair.ledger`); None without a server.
        replies: how many servers answered.
        reply: how the client heard the first reply; None without any.
        seen_request, seen_reply: how the recording station heard them; None for what it said itself
            and for what there was not.
        echo: the recording station heard itself.
        outcome: as the client sees it; None for a foreign request and where nobody noted it.
    """

    at_ns: int
    server: int
    function: int
    foreign: bool
    request: str | None
    replies: int
    reply: str | None
    seen_request: str | None
    seen_reply: str | None
    echo: bool
    outcome: str | None

    @property
    def hurt(self) -> bool:
        """Return whether it did not go as it should: damage, silence, or an answer too many."""
        return (
            self.request not in (WHOLE, None)
            or self.replies != 1
            or self.reply != WHOLE
            or self.outcome not in ("reply", "exception", None)
            or self.seen_request not in (WHOLE, None)
            or self.seen_reply not in (WHOLE, None)
        )


@dataclass(frozen=True)
class Truth:
    """What was really so while a capture was made.

    Attributes:
        causes: slugs with severities; empty for a healthy pair.
        setup: the pair.
        transactions: all, in order.
        arc: instants at which the arc came on or went out.
        scenario: name of the scenario.
    """

    causes: tuple[tuple[str, float], ...]
    setup: Setup
    transactions: tuple[Transaction, ...]
    arc: tuple[tuple[int, str], ...] = ()
    scenario: str = ""

    @property
    def hurt(self) -> int:
        """Return how many transactions did not go as they should."""
        return sum(each.hurt for each in self.transactions)

    def as_json(self) -> dict[str, Any]:
        """Return it as the file beside a capture holds it."""
        setup = self.setup
        said = {
            "kerfbus_truth": 1,
            "scenario": self.scenario,
            "causes": [{"cause": name, "severity": severity} for name, severity in self.causes],
            "seed": setup.seed,
            "vantage": vantage_of(setup),
            "station": setup.vantage,
            "fidelity": setup.fidelity,
            "plant": setup.plant,
            "routing": setup.routing,
            "noise": setup.noise,
            "manners": setup.manners,
            "servers": list(setup.addresses),
            "twin": setup.twin,
            "second_client": setup.intrusion,
            "lumps": setup.lumps,
            "changes_ns": [at for at, _ in setup.changes],
            "hurt": self.hurt,
            "transactions": [{**_plain(each), "hurt": each.hurt} for each in self.transactions],
            "arc": [{"at_ns": at, "arc": state} for at, state in self.arc],
        }
        return {key: _plain(value) for key, value in said.items()}

    def write(self, capture: str | PathLike[str]) -> Path:
        """Write it beside a capture and return where.

        Raises:
            CaptureError: the file cannot be written.
        """
        path = Path(f"{fspath(capture)}{TRUTH_SUFFIX}")
        text = json.dumps(self.as_json(), allow_nan=False, separators=(",", ":"))
        try:
            path.write_text(text + "\n", "utf-8")
        except OSError as error:
            raise CaptureError(str(path), f"cannot be written: {error.strerror}") from error
        return path


def _plain(value: Any) -> Any:
    """Return what JSON can hold: keys are texts, sets are sorted lists, infinity is None."""
    if isinstance(value, str | bool | int | float | None) and not isinstance(value, Enum):
        return None if value in (inf, -inf) else value
    if is_dataclass(value):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, Mapping):
        return {_key(key): _plain(each) for key, each in value.items()}
    if isinstance(value, frozenset):
        return sorted(_key(each) for each in value)
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return _key(value)


def _key(value: object) -> str:
    """Return a text for a member of an enumeration or a number."""
    return value.name.lower() if isinstance(value, Enum) else str(value)


def transactions(ledger: Ledger, setup: Setup, outcomes: Sequence[Outcome]) -> list[Transaction]:
    """Return what became of the requests in a ledger.

    A reply belongs to the last request before it that asks its address.
    """
    asked: list[tuple[Spoken, list[Spoken]]] = []
    for spoken in sorted(ledger.spoken, key=lambda each: each.talk.start):
        if not spoken.heard:
            continue  # under way when it ended
        if spoken.role != "reply":
            asked.append((spoken, []))
            continue
        for request, replies in reversed(asked):
            if request.talk.data[0] == spoken.talk.data[0]:
                replies.append(spoken)
                break
    recorder, client = setup.index(setup.vantage), setup.index(CLIENT)
    stations = {
        int(place.name.partition(" ")[2]): index
        for index, place in enumerate(setup.plant.stations)
        if place.name.startswith("server ")
    }
    echoes = setup.plant.stations[recorder].hears_itself
    noted = iter(outcomes)
    found = []
    for request, replies in asked:
        foreign = request.role == "foreign"
        address = request.talk.data[0]
        server = stations.get(address) if address in setup.addresses else None
        outcome = None if foreign else next(noted, None)
        first = replies[0] if replies else None
        found.append(
            Transaction(
                request.end,
                address,
                request.talk.data[1],
                foreign,
                None if server is None else request.heard.get(server),
                len(replies),
                None if first is None else first.heard.get(client),
                _seen(request, recorder),
                None if first is None else _seen(first, recorder),
                echoes and any(_echoed(each, recorder) for each in (request, *replies)),
                None if outcome is None else outcome.value,
            )
        )
    return found


def _seen(spoken: Spoken, recorder: int) -> str | None:
    """Return how the recording station heard somebody else."""
    return None if spoken.talk.station == recorder else spoken.heard.get(recorder)


def _echoed(spoken: Spoken, recorder: int) -> bool:
    own = spoken.talk.station == recorder
    return own and spoken.heard.get(recorder) != NOTHING
