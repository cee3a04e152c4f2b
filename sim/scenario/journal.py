"""The log of a scenario: what happened when, and which defect it goes back to.

Each entry is plain data with stable keys, one JSON object a line. An *injection* is everything that
is not as usual: what a supply begins with (its plant, its worn parts) and each defect or change
that an event brings. It is *open* from its beginning until it is undone and, after that, until no
fault is latched any more. A fault is tied by ``because`` to those open injections that can lead to
it and are not hidden behind a later one; where there are none, to all that are open. Stops are tied
as their fault is.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from kerfbus.sim.faults import Fault
from kerfbus.sim.scenario.causes import leads_to
from kerfbus.sim.scenario.plan import NS

Entry = dict[str, Any]
"""An entry. Keys of all: ``at_ns`` and ``kind``; of nearly all: ``supply``."""


def plain(changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return surroundings as JSON has them: sets as lists, infinity as null."""
    return {
        name: sorted(value)
        if isinstance(value, frozenset)
        else None
        if value == math.inf
        else value
        for name, value in changes.items()
    }


def slug(name: str) -> str:
    """Return an enumeration's name as the register map has it."""
    return name.lower().replace("_", "-")


@dataclass
class Injection:
    """Something that is not as usual, and what followed.

    Attributes:
        number: counts the injections, from 1.
        supply: name of the supply.
        what: name of the defect, "set", the act, or "start" for what is so from the beginning.
        at_ns: since when.
        names: of what is not as usual, as `causes.LEADS_TO` has them.
        undone_at_ns: until when; None while it lasts.
        closed: it is over, and so is all that it has led to.
        faults: fault entries tied to it.
        recovered_at_ns: when its last fault was cleared.
    """

    number: int
    supply: str
    what: str
    at_ns: int
    names: frozenset[str]
    undone_at_ns: int | None = None
    closed: bool = False
    faults: list[Entry] = field(default_factory=list)
    recovered_at_ns: int | None = None

    def entry(self, end_ns: int) -> Entry:
        """Return the line of the summary: the injection and what followed from it."""
        return {
            "at_ns": end_ns,
            "kind": "injection",
            "id": self.number,
            "supply": self.supply,
            "what": self.what,
            "since_ns": self.at_ns,
            "undone_at_ns": self.undone_at_ns,
            "faults": [
                {
                    "fault": fault["fault"],
                    "code": fault["code"],
                    "mode": fault["mode"],
                    "at_ns": fault["at_ns"],
                    "after_ns": fault["at_ns"] - self.at_ns,
                }
                for fault in self.faults
            ],
            "recovered_at_ns": self.recovered_at_ns,
        }


class Journal:
    """Keeps the log.

    Args:
        write: called with each entry as it is made; None for nobody.
        keep: whether `entries` keeps them.

    Attributes:
        entries: all of them, in order; empty when they are not kept.
        injections: all of them, by number.
        listeners: called with each entry as it is made.
    """

    def __init__(self, write: Callable[[Entry], None] | None = None, *, keep: bool = True) -> None:
        self.listeners = [] if write is None else [write]
        self._keep = keep
        self.entries: list[Entry] = []
        self.injections: list[Injection] = []

    def add(self, at_ns: int, kind: str, **values: Any) -> Entry:
        """Add an entry and return it."""
        entry = {"at_ns": at_ns, "kind": kind, **values}
        if self._keep:
            self.entries.append(entry)
        for listener in self.listeners:
            listener(entry)
        return entry

    def inject(
        self,
        at_ns: int,
        supply: str,
        what: str,
        names: Iterable[str],
        **values: Any,
    ) -> Injection:
        """Note that something is not as usual from now on."""
        number = len(self.injections) + 1
        injection = Injection(number, supply, what, at_ns, frozenset(names))
        self.injections.append(injection)
        self.add(at_ns, "inject", id=number, supply=supply, what=what, **values)
        return injection

    def undo(self, at_ns: int, injection: Injection, *, faulty: bool) -> None:
        """Note that an injection is undone; `faulty` says that a fault is latched."""
        injection.undone_at_ns = at_ns
        injection.closed = not faulty
        self.add(at_ns, "undo", id=injection.number, supply=injection.supply, what=injection.what)

    def fault(self, at_ns: int, supply: str, fault: Fault, **values: Any) -> list[int]:
        """Note that a fault was latched; return the numbers of what it goes back to."""
        because = self._behind(supply, fault) or self._open(supply)
        numbers = [injection.number for injection in because]
        entry = self.add(
            at_ns,
            "fault",
            supply=supply,
            fault=slug(fault.name),
            code=int(fault),
            **values,
            because=numbers,
        )
        for injection in because:
            injection.faults.append(entry)
        return numbers

    def cleared(self, at_ns: int, supply: str, fault: Fault) -> None:
        """Note that a fault was cleared."""
        self.add(at_ns, "cleared", supply=supply, fault=slug(fault.name), code=int(fault))
        for injection in self.injections:
            if injection.supply != supply or injection.closed:
                continue
            if injection.faults:
                injection.recovered_at_ns = at_ns
            injection.closed = injection.undone_at_ns is not None

    def end(self, at_ns: int, **values: Any) -> None:
        """Note the end, with a line for each injection before it."""
        for injection in self.injections:
            entry = injection.entry(at_ns)
            self.add(entry.pop("at_ns"), entry.pop("kind"), **entry)
        self.add(at_ns, "end", **values)

    def numbers(self, supply: str, fault: Fault) -> list[int]:
        """Return the numbers of the open injections that can lead to a fault, latched or not."""
        return [each.number for each in self._behind(supply, fault)]

    def _open(self, supply: str) -> list[Injection]:
        return [each for each in self.injections if each.supply == supply and not each.closed]

    def _behind(self, supply: str, fault: Fault) -> list[Injection]:
        """Return the open injections that can lead to a fault, hidden ones left out."""
        found: list[Injection] = []
        hidden: set[str] = set()
        for injection in reversed(self._open(supply)):
            if fault in leads_to(injection.names - hidden):
                found.append(injection)
            if injection.undone_at_ns is None:
                hidden |= injection.names
        return found[::-1]


def json_line(entry: Mapping[str, Any]) -> str:
    """Return an entry as a line of JSON, without the line's end."""
    return json.dumps(entry, allow_nan=False)


# --- for a person --------------------------------------------------------------------------------


def text_line(entry: Mapping[str, Any]) -> str:
    """Return an entry as a line for a person: time, supply, what.

    >>> text_line({"at_ns": 1_500_000_000, "kind": "cleared", "supply": "a", "fault": "no-gas"})
    '     1.500  a         fault no-gas cleared'
    """
    make = _TEXTS.get(entry["kind"], _others)
    return f"{entry['at_ns'] / NS:10.3f}  {entry.get('supply', ''):<8}  {make(entry)}".rstrip()


def _numbers(given: Iterable[int]) -> str:
    return ", ".join(f"#{number}" for number in given)


def _because(entry: Mapping[str, Any]) -> str:
    return f"  (because of {_numbers(entry['because'])})" if entry.get("because") else ""


def _inject(entry: Mapping[str, Any]) -> str:
    changes = ", ".join(f"{name} = {value}" for name, value in entry.get("changes", {}).items())
    over = f" over {entry['over_ns'] / NS:g} s" if entry.get("over_ns") else ""
    note = f"; {entry['note']}" if entry.get("note") else ""
    what = {"start": "from the beginning", "set": "set"}.get(entry["what"], entry["what"])
    return f"#{entry['id']} {what}{': ' if changes else ''}{changes}{over}{note}"


def _act(entry: Mapping[str, Any]) -> str:
    note = f"; {entry['note']}" if entry["note"] else ""
    return f"{entry['what']}{'' if entry['done'] else ': not possible now'}{note}"


def _summary(entry: Mapping[str, Any]) -> str:
    found = [f"{each['fault']} after {each['after_ns'] / NS:.3f} s" for each in entry["faults"]]
    shown = "; ".join(found[:3]) + (f"; {len(found) - 3} more" if len(found) > 3 else "")
    return f"#{entry['id']} {entry['what']} led to: {shown or 'no fault'}"


def _others(entry: Mapping[str, Any]) -> str:
    known = ("at_ns", "kind", "supply", "because")
    values = ", ".join(f"{key} {value}" for key, value in entry.items() if key not in known)
    return f"{entry['kind']} {values}".rstrip() + _because(entry)


_TEXTS: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "begin": lambda entry: f"{entry['scenario']}, seed {entry['seed']}: {entry['title']}",
    "inject": _inject,
    "undo": lambda entry: f"#{entry['id']} {entry['what']} is over",
    "skipped": lambda entry: f"{entry['what']}: not this time (chance {entry['chance']})",
    "act": _act,
    "mode": lambda entry: f"{entry['before']} -> {entry['after']}  ({entry['event']})",
    "fault": lambda entry: (
        f"FAULT {entry['code']} {entry['fault']} while {entry['mode']}{_because(entry)}"
    ),
    "cleared": lambda entry: f"fault {entry['fault']} cleared",
    "stop": lambda entry: f"arc ended: {entry['cause']}{_because(entry)}",
    "warning": lambda entry: f"warning {entry['warning']} {'comes' if entry['on'] else 'goes'}",
    "table": lambda entry: f"table: {entry['does']}",
    "controller": lambda entry: f"controller: {entry['does']}",
    "injection": _summary,
    "end": lambda _: "end",
}
