"""The second half of the tour: a cable that goes bad, what tells, and the record in the end.

Each stop runs the command that it names, in this process and in virtual time, and shows the part of
its answer that matters. The measured values that acceptance asks a person for are invented.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import textwrap
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from kerfbus.tui.output import BAD, FAINT, GOOD, HEADING, Output
from kerfbus.tui.soaking import comparison_line, condition_lines

BAD_LINE = "sim:arc-noise?severity=0.7"
MENDED_LINE = "sim:healthy"
WIDTH = 76
MEASURED: Mapping[str, object] = MappingProxyType(
    {
        "supply-space": 0.4,
        "supply-incline": 1.0,
        "torch-square-along": 90.0,
        "torch-square-across": 90.1,
        "torch-lead-bend": 120,
        "cable-separation": 1.2,
        "work-clamp-resistance": 0.01,
        "bonding": 0.05,
        "pair-resistance": {"value": 5.1, "metres": 30},
        "termination": 60,
        "idle-voltage": 0.25,
        "driven-voltage": 2.1,
        "gas-static": 6.5,
        "gas-flow": 5.9,
        "divided-voltage": {"value": 2.38, "arc_volts": 120},
    }
)
"""What somebody might have measured on a table in order; the rest is answered with yes."""
_QUESTION = re.compile(r"^# ([a-z][a-z0-9-]*) = ", re.MULTILINE)

Run = Callable[[Sequence[str]], int]


class Trouble:
    """Goes through the second half.

    Args:
        output: where it is told.
        folder: for recordings and files in between.
        record: where the record goes; None for the folder, and then it does not stay.
        run: runs a command line in this process.
    """

    def __init__(self, output: Output, folder: Path, record: Path | None, run: Run) -> None:
        self._output = output
        self._folder = folder
        self._record = record
        self._run = run
        self.answer: dict[str, Any] = {}

    def take(self) -> None:
        """Go from stop to stop."""
        self._soak_the_bad_line()
        self._explain()
        self._soak_the_mended_line()
        self._accept()

    def _soak_the_bad_line(self) -> None:
        capture = self._folder / "bad.pcapng"
        found = self._stop(
            5,
            "The cable lies beside the torch lead: what happens when the arc strikes?",
            ("soak", "--port", BAD_LINE, "--count", "300", "--every", "20ms"),
            ("--capture", str(capture)),
        )
        say = self._output.text
        say(f"   {found['transactions']} transactions, {found['wrong']} wrong.", BAD)
        self._output.texts(f"   {line}" for line in condition_lines(found["quality"]["conditions"]))
        for each in found["comparisons"]:
            say(f"   {comparison_line(each)}")
        self.answer["soak"] = found

    def _explain(self) -> None:
        capture = str(self._folder / "bad.pcapng")
        found = self._stop(6, "What is wrong with it?", ("explain", capture))
        for each in found["causes"][:3]:
            self._output.text(f"   {100 * each['probability']:3.0f} %  {each['cause']}")
        first = found["causes"][0]
        for line in textwrap.wrap(f"Next: {first['next_check']}", WIDTH, subsequent_indent="  "):
            self._output.text(f"   {line}")
        self.answer["explain"] = found

    def _soak_the_mended_line(self) -> None:
        found = self._stop(
            7,
            "The cable is moved away and its shield bonded: does the link hold now?",
            ("soak", "--port", MENDED_LINE, "--claim", "1%@95%"),
        )
        rate, done = found["claim"]["rate"], found["transactions"]
        good = found["verdict"] == "claim shown"
        said = f"fewer than {100 * rate:g} % go wrong, 95 % sure, after {done} transactions"
        self._output.text(f"   {found['verdict']}: {said}", GOOD if good else BAD)
        self.answer["mended"] = found

    def _accept(self) -> None:
        record = self._record or self._folder / "record.html"
        answers = self._folder / "answers.toml"
        answers.write_text(self._answers())
        found = self._stop(
            8,
            "Acceptance, with the values that somebody measured, and the record.",
            ("accept", "--port", "sim:", "--answers", str(answers), "--record", str(record)),
        )
        grades = [each["grade"] for each in found["checks"]]
        counts = ", ".join(f"{grades.count(each)} {each}" for each in dict.fromkeys(grades))
        passed = found["verdict"] == "pass"
        self._output.text(f"   {found['verdict']}: {counts}", GOOD if passed else BAD)
        size = record.stat().st_size
        kept = f"in {record}" if self._record else "(--record FILE keeps it)"
        self._output.text(
            f"   The record: one page of {size // 1024} kB that any browser opens {kept}"
        )
        self.answer["accept"] = found

    def _answers(self) -> str:
        """Return an answers file to the plan that ships."""
        form = self._said(("accept", "--print-answers"))
        names = _QUESTION.findall(form.partition("[answers]")[2])
        given = (f"{name} = {_toml(MEASURED.get(name, 'yes'))}\n" for name in names)
        return "[answers]\n" + "".join(given)

    def _stop(
        self, number: int, what: str, command: Sequence[str], quietly: Sequence[str] = ()
    ) -> dict[str, Any]:
        """Write the heading of a stop, run its command and return its answer."""
        self._output.text()
        self._output.text(f"{number}  {what}", HEADING)
        shown = [Path(each).name if self._is_ours(each) else each for each in (*command, *quietly)]
        line = " ".join(f'"{each}"' if "?" in each else each for each in ("kerfbus", *shown))
        for part in textwrap.wrap(f"$ {line}", WIDTH, subsequent_indent="    "):
            self._output.text(f"   {part}", FAINT)
        self._output.flush()
        answer: dict[str, Any] = json.loads(self._said((*command, *quietly, "--json")))
        return answer

    def _is_ours(self, text: str) -> bool:
        return str(self._folder) in text

    def _said(self, command: Sequence[str]) -> str:
        """Run a command and return what it said."""
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(io.StringIO()) as told:
            code = self._run(command)
        if code > 1:
            raise RuntimeError(f"{' '.join(command)}: {told.getvalue().strip()}")
        return said.getvalue()


def _toml(value: object) -> str:
    """Return a value as TOML has it."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
    return json.dumps(value)
