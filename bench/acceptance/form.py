"""The form of an acceptance plan: which keys there are, and which a kind of step takes."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Annotated, Literal, NamedTuple

from kerfbus.bench.tomlform import Field, Form

Line = Annotated[str, Field(pattern=r"^[^\x00-\x1f\x7f-\x9f]*$", max_length=600)]
"""One line of text for people: no control characters, which would reach their terminal."""
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]*$", max_length=60)]
"""What a step may be called: an answers file has it as a key."""


class Manner(StrEnum):
    """How a step is done."""

    AUTOMATIC = "automatic"
    """Read-only, by itself."""
    ARMED = "armed"
    """Writes what cannot strike an arc, only with ``--arm`` on a real port, and puts it back."""
    ASKED = "asked"
    """A person measures or looks, and answers."""


class Kind(NamedTuple):
    """What a kind of step is and takes.

    Attributes:
        manner: how it is done.
        needed: keys that must be there.
        taken: keys that may be there, besides those that all take.
    """

    manner: Manner
    needed: frozenset[str] = frozenset()
    taken: frozenset[str] = frozenset()


def _kind(manner: Manner, needed: str = "", taken: str = "") -> Kind:
    return Kind(manner, frozenset(needed.split()), frozenset(taken.split()))


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "settings": _kind(Manner.AUTOMATIC, "", "baud format address expect count"),
        "identity": _kind(Manner.AUTOMATIC, "", "registers expect"),
        "map": _kind(Manner.AUTOMATIC, "", "may_be_missing"),
        "limits": _kind(Manner.AUTOMATIC, "", "registers"),
        "error-rate": _kind(Manner.AUTOMATIC, "claim", "registers seconds"),
        "turnaround": _kind(Manner.AUTOMATIC, "max", "registers count percentile"),
        "silent-interval": _kind(Manner.AUTOMATIC, "", "registers count"),
        "watchdog": _kind(Manner.AUTOMATIC, "register", "min max expect"),
        "set-point": _kind(Manner.ARMED, "register idle", "values points tolerance first also"),
        "refused": _kind(Manner.ARMED, "register idle", "values first also"),
        "selection": _kind(Manner.ARMED, "register idle values", "shows first also"),
        "confirm": _kind(Manner.ASKED, "question", ""),
        "measure": _kind(
            Manner.ASKED, "question unit", "min max judged given inputs tolerance_percent"
        ),
    }
)
"""All kinds of steps."""
ALL_TAKE = frozenset(("name", "kind", "title", "method", "source", "caution", "required"))

Value = bool | int | float | str


class StepForm(Form):
    """One ``[[step]]``."""

    name: Name
    kind: Literal[
        "settings",
        "identity",
        "map",
        "limits",
        "error-rate",
        "turnaround",
        "silent-interval",
        "watchdog",
        "set-point",
        "refused",
        "selection",
        "confirm",
        "measure",
    ]
    title: Line = Field(min_length=1)
    method: Line = ""
    source: Line = ""
    caution: Line = ""
    required: bool = True
    # what is asked of the line
    register_name: str | None = Field(default=None, alias="register")
    registers: list[str] = Field(default=[])
    expect: dict[str, Value] = Field(default={})
    baud: int | None = Field(default=None, ge=1, le=4_000_000)
    format: str | None = None
    address: int | None = Field(default=None, ge=1, le=247)
    claim: str | None = None
    seconds: float = Field(default=600.0, gt=0, le=1e6)
    count: int = Field(default=200, ge=10, le=1_000_000)
    percentile: int = Field(default=99, ge=1, le=100)
    may_be_missing: list[str] = Field(default=[])
    # what is set
    values: list[Value] = Field(default=[])
    points: int = Field(default=5, ge=2, le=1000)
    tolerance: float | None = Field(default=None, ge=0)
    first: dict[str, Value] = Field(default={})
    also: list[str] = Field(default=[])
    idle: dict[str, list[str]] = Field(default={})
    shows: str | None = None
    # what is asked of a person
    question: Line = ""
    unit: Line | None = None
    min: float | None = None
    max: float | None = None
    judged: Literal["divider", "bias", "termination", "pair"] | None = None
    given: dict[str, float] = Field(default={})
    inputs: dict[str, Line] = Field(default={})
    tolerance_percent: float = Field(default=5.0, gt=0, le=100)

    @property
    def manner(self) -> Manner:
        """Return how it is done."""
        return KINDS[self.kind].manner


class HeaderForm(Form):
    """The ``[plan]`` table."""

    name: Name
    title: Line = Field(min_length=1)
    note: Line = ""
    version: int = Field(default=1, ge=0)
    cautions: list[Line] = Field(default=[])
    missing_registers: Literal["error", "skip"] = "error"


class PlanForm(Form):
    """A whole plan."""

    header: HeaderForm = Field(alias="plan")
    steps: list[StepForm] = Field(alias="step", min_length=1, max_length=500)
