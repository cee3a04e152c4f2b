"""How far a run has come, in a file that is written anew after every step.

The file is replaced as a whole, so that whatever happens there is either the state before a step
or the one after it. What must be put back after an armed step stands there before the first write.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kerfbus.bench.acceptance.result import Finding, Grade, Limit, Result
from kerfbus.bench.acceptance.session import Kept
from kerfbus.bench.errors import StateError
from kerfbus.bench.textfile import read_text
from kerfbus.bench.tomlform import Field, Form, Source, first_of

VERSION = 1


class KeptForm(Form):
    """A register that must be put back."""

    name: str
    raw: list[int]


class CaptureForm(Form):
    """A recording of the run."""

    file: str
    sha256: str


class ResultForm(Form):
    """A result, as it is in an answer."""

    check: str
    grade: str = Field(pattern="^(pass|fail|skipped)$")
    measured: bool | int | float | str | None
    limit: str | None
    unit: str | None
    source: str | None
    low: float | None
    high: float | None
    title: str
    kind: str
    method: str
    required: bool
    detail: str
    note: str
    at: str | None
    earlier: list[dict[str, Any]]
    figures: list[dict[str, Any]]

    def result(self) -> Result:
        """Return the result."""
        limit = Limit(self.low, self.high, self.unit or "", self.limit or "")
        finding = Finding(
            Grade(self.grade), self.measured, limit, self.detail, self.note, tuple(self.figures)
        )
        return Result(
            self.check,
            self.title,
            self.kind,
            self.method,
            self.source or "",
            self.required,
            finding,
            self.at or "",
            tuple(self.earlier),
        )


class StateForm(Form):
    """A whole file."""

    version: int
    plan_sha256: str
    map_sha256: str
    port: str
    server: int
    results: list[ResultForm]
    pending: list[KeptForm]
    captures: list[CaptureForm]


@dataclass
class State:
    """A run so far.

    Attributes:
        plan_sha256, map_sha256: of the files.
        port: the port string.
        server: the address.
        file: where it is written, None for nowhere.
        results: by the name of the step.
        pending: what must still be put back.
        captures: file and SHA-256 of each recording that is closed.
    """

    plan_sha256: str
    map_sha256: str
    port: str
    server: int
    file: Path | None = None
    results: dict[str, Result] = field(default_factory=dict)
    pending: tuple[Kept, ...] = ()
    captures: list[tuple[str, str]] = field(default_factory=list)

    def changing(self, kept: Sequence[Kept]) -> None:
        """Write down what must be put back."""
        self.pending = tuple(kept)
        self.save()

    def restored(self) -> None:
        """Note that all is as it was."""
        self.pending = ()
        self.save()

    def add(self, result: Result) -> None:
        """Take in a result, and keep what it takes the place of, if that was done at all."""
        before = self.results.get(result.check)
        if before is not None and before.at:
            record = before.to_json()
            old = {key: record[key] for key in ("grade", "measured", "unit", "detail", "at")}
            result = _with_earlier(result, (*before.earlier, old))
        self.results[result.check] = result
        self.save()

    def save(self) -> None:
        """Write the file, if there is one.

        Raises:
            OSError: it cannot be written; what was there before is still there.
        """
        if self.file is None:
            return
        text = json.dumps(self._record(), allow_nan=False)
        beside = self.file.with_name(f".{self.file.name}.{os.getpid()}.new")
        try:
            with beside.open("w", encoding="utf-8") as stream:
                stream.write(text + "\n")
                stream.flush()
                os.fsync(stream.fileno())
            beside.replace(self.file)
        finally:
            beside.unlink(missing_ok=True)

    def _record(self) -> Mapping[str, Any]:
        return {
            "version": VERSION,
            "plan_sha256": self.plan_sha256,
            "map_sha256": self.map_sha256,
            "port": self.port,
            "server": self.server,
            "results": [each.to_json() for each in self.results.values()],
            "pending": [{"name": each.name, "raw": list(each.raw)} for each in self.pending],
            "captures": [{"file": file, "sha256": sha} for file, sha in self.captures],
        }


def load_state(path: str | Path, fresh: State) -> State:
    """Return the state in a file, if it belongs to the run that `fresh` begins.

    Raises:
        StateError: it cannot be read, is no state, or belongs to another run.
    """
    file = str(path)
    text = read_text(path, StateError)
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise StateError(file, "is no state of an acceptance run") from error
    # No text: lines mean nothing in a file of one line.
    form, mistakes = Source(file, "", StateError, raw).fill(StateForm)
    if form is None:
        raise first_of(mistakes)
    if form.version != VERSION:
        raise StateError(file, f"is of version {form.version}; this program knows {VERSION}")
    for what in ("plan_sha256", "map_sha256", "port", "server"):
        if getattr(form, what) != getattr(fresh, what):
            name = what.removesuffix("_sha256")
            raise StateError(file, f"belongs to a run with another {name}; name a new file")
    return State(
        fresh.plan_sha256,
        fresh.map_sha256,
        fresh.port,
        fresh.server,
        Path(path),
        {each.check: each.result() for each in form.results},
        tuple(Kept(each.name, tuple(each.raw)) for each in form.pending),
        [(each.file, each.sha256) for each in form.captures],
    )


def sha256_of(path: str | Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal.

    Raises:
        OSError: it cannot be read.
    """
    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _with_earlier(result: Result, earlier: tuple[Mapping[str, Any], ...]) -> Result:
    return Result(
        result.check,
        result.title,
        result.kind,
        result.method,
        result.source,
        result.required,
        result.finding,
        result.at,
        earlier,
    )
