"""Questions to a person at the keyboard, one at a time, while the event loop runs."""

from __future__ import annotations

import asyncio
import os
import sys
import textwrap
import threading
from typing import TextIO

from kerfbus.bench.acceptance.asked import Answer, expected_of, judged, parsed
from kerfbus.bench.acceptance.form import StepForm
from kerfbus.bench.errors import UsageError

WIDTH = 79
HELP = 'Answer, "? " for the method, "skip REASON" to pass over; "# NOTE" may follow an answer.'


def anybody_there() -> bool:
    """Return whether a person can be asked: standard input is a terminal."""
    try:
        return sys.stdin is not None and sys.stdin.isatty()
    except ValueError:  # closed
        return False


class Keyboard:
    """Asks on standard error, hears on standard input.

    Lines are read by a thread, because a console cannot be waited for otherwise; it is a daemon, so
    that a read that never ends does not keep the program from ending.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stderr
        self._lines: asyncio.Queue[str | None] = asyncio.Queue()
        self._reading = False
        self._helped = False

    async def ask(self, step: StepForm) -> Answer | None:
        """Return a person's answer to a step; None once there is no more to be heard."""
        self._say(f"\n{step.title}")
        if step.caution:
            self._say(f"Caution: {step.caution}")
        limit = expected_of(step)
        if step.kind == "measure":
            self._say(f"Limit: {limit} (source: {step.source or 'the plan'})")
        if not self._helped:
            self._say(HELP)
            self._helped = True
        inputs: dict[str, float] = {}
        note = ""
        try:
            for name, question in step.inputs.items():
                inputs[name] = float(await self._number(step, question))
            while True:
                value, note = await self._value(step)
                answer = Answer(value, inputs, note)
                try:
                    judged(step, answer)
                except UsageError as error:
                    self._say(str(error))
                    continue
                return answer
        except _SkippedError as skipped:
            return Answer(why=skipped.why)
        except EOFError:
            return None

    async def _value(self, step: StepForm) -> tuple[bool | float, str]:
        unit = "yes or no" if step.kind == "confirm" else step.unit or ""
        while True:
            text, note = await self._typed(step, f"{step.question} [{unit}] ")
            try:
                return parsed(step, text), note
            except UsageError as error:
                self._say(str(error))

    async def _number(self, step: StepForm, question: str) -> float:
        while True:
            text, _ = await self._typed(step, f"{question} ")
            try:
                return float(text.replace(",", "."))
            except ValueError:
                self._say(f"{text!r}: answer with a number")

    async def _typed(self, step: StepForm, prompt: str) -> tuple[str, str]:
        """Return what was typed, and the note behind it.

        Raises:
            EOFError: there is no more to be heard.
            _SkippedError: the person passes the step over.
        """
        while True:
            line = await self._line(prompt)
            text, _, note = line.partition("#")
            text, note = text.strip(), note.strip()
            word, _, rest = text.partition(" ")
            if text == "?":
                self._say(step.method or "The plan names no method.")
            elif word.lower() == "skip":
                raise _SkippedError(rest.strip() or note)
            elif text:
                return text, note

    async def _line(self, prompt: str) -> str:
        if not self._reading:
            self._reading = True
            loop = asyncio.get_running_loop()
            arguments = (sys.stdin.fileno(), loop, self._lines)
            threading.Thread(target=_read, args=arguments, daemon=True).start()
        *before, last = textwrap.wrap(prompt, WIDTH, drop_whitespace=False) or [""]
        self._say("\n".join(before)) if before else None
        self._stream.write(last)
        self._stream.flush()
        line = await self._lines.get()
        if line is None:
            self._lines.put_nowait(None)  # the end stays the end
            self._say("")
            raise EOFError
        return "".join(each for each in line if each.isprintable())

    def _say(self, text: str) -> None:
        for paragraph in text.split("\n"):
            for line in textwrap.wrap(paragraph, WIDTH) or [""]:
                self._stream.write(line + "\n")
        self._stream.flush()


class _SkippedError(Exception):
    """The person passes a step over."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why


def _read(
    descriptor: int, loop: asyncio.AbstractEventLoop, lines: asyncio.Queue[str | None]
) -> None:
    """Put each line into the queue, and None at the end."""
    rest = b""
    while True:
        try:
            data = os.read(descriptor, 4096)
        except OSError:
            data = b""
        *whole, rest = (rest + data).split(b"\n")
        found: list[str | None] = [each.decode(errors="replace") for each in whole]
        if not data:
            found += [rest.decode(errors="replace")] * bool(rest) + [None]
        try:
            for each in found:
                loop.call_soon_threadsafe(lines.put_nowait, each)
        except RuntimeError:  # the loop is closed: nobody asks any more
            return
        if not data:
            return
