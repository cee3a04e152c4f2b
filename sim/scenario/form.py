"""The form of a scenario file: which keys there are and what kind of thing each holds.

Only the form; what values mean together is checked in `kerfbus.sim.scenario.plan`. Times are in
seconds from the beginning, lengths in mm, speeds in mm/min, pressures in bar gauge.
"""

from __future__ import annotations

from typing import Any, Literal

from kerfbus.bench.tomlform import Field, Form
from kerfbus.sim.scenario.lineform import LineForm

MAX_SECONDS = 864_000.0
"""Longest span that a scenario may name: ten days."""
NAME = r"^[A-Za-z][A-Za-z0-9_-]*$"
LINE = r"^[^\x00-\x1f\x7f-\x9f]*$"
"""One line of text: no control characters, which would reach a terminal."""


class SiteForm(Form):
    """``[supply.site]``: plumbing, and wear in percent of life, by part."""

    hose_metres: float | None = None
    hose_millimetres: float | None = None
    receiver_litres: float | None = None
    wear: dict[str, float] = Field(default={})


class CutForm(Form):
    """``[[supply.table.cut]]``: one cut; what is not given comes from the process.

    Attributes:
        length: of the cut, mm.
        times: how often it is made in a row.
        pause: after it, s.
        kerfs: distances from its beginning at which an open kerf is crossed, mm.
        edge: it runs off the plate, so the arc goes out by itself.
    """

    length: float = Field(gt=0, le=100_000)
    times: int = Field(default=1, ge=1, le=10_000)
    process: int | None = Field(default=None, ge=1, le=999)
    speed: float | None = Field(default=None, gt=0, le=20_000)
    stand_off: float | None = Field(default=None, ge=0, le=50)
    pierce_height: float | None = Field(default=None, ge=0, le=50)
    pierce_delay: float | None = Field(default=None, ge=0, le=60)
    pause: float | None = Field(default=None, ge=0, le=MAX_SECONDS)
    kerfs: list[float] = Field(default=[], max_length=1000)
    edge: bool = False


class TableForm(Form):
    """``[supply.table]``: what the table does, and the controller that lets it.

    Attributes:
        process: number of the process for all cuts that name none.
        start: how the controller starts the arc: over the link, or by the start contact.
        poll: from one request to the next, s.
        begin: when the controller switches the supply on, s.
        pause: after each cut that names none, s.
        repeat: begin again at the end of the list.
        fault_pause: after a fault, before the controller clears it, s.
        fault_tries: how many failures in a row it takes before it gives up.
        when_asked: what the table does when the caller is the client on the line: its torch
            follows the caller's arc, or its own controller goes on cutting by wires of its own.
        cuts: the cut list.
    """

    process: int = Field(ge=1, le=999)
    start: Literal["link", "contact"] = "link"
    poll: float = Field(default=0.1, ge=0.005, le=10)
    begin: float = Field(default=0.0, ge=0, le=MAX_SECONDS)
    pause: float = Field(default=3.0, ge=0, le=MAX_SECONDS)
    repeat: bool = True
    fault_pause: float = Field(default=3.0, ge=0, le=MAX_SECONDS)
    fault_tries: int = Field(default=3, ge=1, le=10_000)
    when_asked: Literal["follows", "cuts"] = "follows"
    cuts: list[CutForm] = Field(alias="cut", min_length=1, max_length=1000)


class SupplyForm(Form):
    """``[[supply]]``: one supply on the line.

    Attributes:
        name: in events and in the log; without one its address.
        address: on the line.
        options: fitted, by their names in the register map; None for the usual ones.
        plant: surroundings at the beginning, by name.
        site: plumbing and wear.
        settings: registers, by name, as they are stored when it is switched on.
        table: what cuts with it; without one nobody asks it.
    """

    name: str | None = Field(default=None, pattern=NAME, max_length=40)
    address: int = Field(default=1, ge=1, le=247)
    options: list[str] | None = None
    plant: dict[str, Any] = Field(default={})
    site: SiteForm = SiteForm()
    settings: dict[str, Any] = Field(default={})
    table: TableForm | None = None


class EventForm(Form):
    """``[[event]]``: something that happens to a supply.

    One of `at`, `on`, `on_fault` and `when` says when, one of `inject`, `set` and `act` says what.

    Attributes:
        supply: name or address; not needed where there is one supply.
        at: time, s.
        every: with `at`: again and again, s.
        on: a mode is entered, by its name in the register map.
        on_fault: a fault is latched, by its name in the register map.
        when: a reading passes a limit, e.g. ``"cut_time > 1.5"``.
        count: which time of `on`, `on_fault` or `when` is meant, from 1.
        repeat: and every time after that.
        after: so much later, s.
        chance: probability, each time.
        inject: a defect, by its name in `kerfbus.sim.scenario.causes`.
        set: surroundings, by name.
        act: what a person does, by its name in `kerfbus.sim.scenario.causes`.
        lasts: for so long, s; then as before.
        over: reached along a straight line, s.
        note: for the log.
    """

    supply: str | int | None = None
    at: float | None = Field(default=None, ge=0, le=MAX_SECONDS)
    every: float | None = Field(default=None, ge=0.001, le=MAX_SECONDS)
    on: str | None = None
    on_fault: str | None = None
    when: str | None = Field(default=None, max_length=200)
    count: int = Field(default=1, ge=1, le=1_000_000)
    repeat: bool = False
    after: float = Field(default=0.0, ge=0, le=MAX_SECONDS)
    chance: float = Field(default=1.0, ge=0, le=1)
    inject: str | None = None
    set: dict[str, Any] | None = None
    act: str | None = None
    lasts: float | None = Field(default=None, gt=0, le=MAX_SECONDS)
    over: float | None = Field(default=None, gt=0, le=MAX_SECONDS)
    note: str = Field(default="", pattern=LINE, max_length=500)


class ScenarioForm(Form):
    """A whole file.

    Attributes:
        title: in a line.
        note: what it shows.
        seed: of all chance.
        duration: how long a run takes when nobody says, s.
        line: rate and format, and what the pair is like.
        supplies: on the line, in the order in which they are asked.
        events: what happens.
    """

    title: str = Field(pattern=LINE, min_length=1, max_length=100)
    note: str = Field(default="", pattern=LINE, max_length=1000)
    seed: int = Field(default=0, ge=0, le=2**31 - 1)
    duration: float = Field(default=60.0, gt=0, le=MAX_SECONDS)
    line: LineForm = LineForm()
    supplies: list[SupplyForm] = Field(alias="supply", min_length=1, max_length=32)
    events: list[EventForm] = Field(default=[], alias="event", max_length=10_000)
