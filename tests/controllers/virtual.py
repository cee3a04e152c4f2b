"""A controller and a director on one table of time: no port, no process, no real seconds."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controllers.table_program import SERVER, STATUS, Manner, TableProgram

from kerfbus.bench import wire
from kerfbus.bench.crc import crc16
from kerfbus.bench.framing import Frame
from kerfbus.bench.line import LineSettings
from kerfbus.bench.shapes import Shape, expected_reply_length
from kerfbus.sim.maps import default_map
from kerfbus.sim.qualification.director import Director
from kerfbus.sim.qualification.record import Record, What
from kerfbus.sim.qualification.schedule import PLANS, Trial
from kerfbus.sim.qualification.unit import make_unit

NS = 1_000_000_000
STEP_NS = 10_000_000
PATIENCE_NS = 200_000_000
LONGEST_NS = 600 * NS
WORDS = {What.PROMPT_START: "start", What.PROMPT_CLEAR: "clear"}

Reader = Callable[[bytes, list[bytes]], bytes | None]
"""Picks the answer to a request out of what came: frames, in order."""


def strict(request: bytes, heard: list[bytes]) -> bytes | None:
    """Return the frame that is the answer by address, CRC, function and length."""
    for frame in heard:
        good = len(frame) >= 5 and not crc16(frame) and frame[0] == request[0]
        if good and frame[1] == request[1] | 0x80:
            return frame
        if good and frame[1] == request[1] and len(frame) == expected_reply_length(request):
            return frame
    return None


def first(request: bytes, heard: list[bytes]) -> bytes | None:
    """Return whatever came first."""
    return heard[0] if heard else None


class Virtual:
    """Runs a controller against a director.

    Args:
        trials: the rows; None for those of the plan.
        plan: its name.
        manner: of the controller.
        reader: how it reads.
        patience_ns: so long it waits for a reply.
        heeds: it starts and clears when it is asked to.
    """

    def __init__(
        self,
        trials: Sequence[Trial] | None = None,
        plan: str = "quick",
        manner: Manner | None = None,
        reader: Reader = strict,
        patience_ns: int = PATIENCE_NS,
        heeds: bool = True,
    ) -> None:
        settings = LineSettings()
        self.now = NS
        unit = make_unit(default_map(), SERVER, settings, self.now)
        self.record = Record(settings, signals=True, address=SERVER)
        self.director = Director(unit, PLANS[plan], self.record, trials=trials)
        self.supply = unit.device.supply
        self.program = TableProgram(manner or Manner(), self._said)
        self._reader = reader
        self._patience_ns = patience_ns
        self._heeds = heeds
        self._poll_ns = (manner or Manner()).poll_ns

    def _said(self, word: str) -> None:
        self.director.moving(self.now, moves=word == "moving")

    def run(self) -> Record:
        """Run to the end of the schedule and return the record."""
        begun = self.now
        while not self.director.done:
            assert self.now - begun < LONGEST_NS, "the schedule does not end"
            self._exchange()
        return self.record

    def _exchange(self) -> None:
        program, program_at, due = self.program, self.now, self.now + self._poll_ns
        asked = program.ask(self.now)
        request = wire.adu(SERVER, asked)
        self.director.heard(Frame(request, self.now, 0, None, int(Shape.REQUEST)))
        answer, end = None, self.now + self._patience_ns
        while answer is None and self.now < end and not self.director.done:
            assert self.now - program_at < LONGEST_NS, "nobody answers"
            heard = self.director.sendings(self.now)
            if heard:
                self.director.sent(self.now)
            answer = self._reader(request, heard)
            if answer is None:
                self._pass(STEP_NS)
        self._take(asked, answer)
        while self.now < due:
            self._pass(STEP_NS)
            self.director.sendings(self.now)  # late ones find nobody

    def _pass(self, span_ns: int) -> None:
        self.now += span_ns
        self.director.tick(self.now)
        for prompt in self.director.prompts:
            if self._heeds:
                self.program.order(WORDS[prompt], self.now)
        self.director.prompts.clear()

    def _take(self, asked: wire.Request, answer: bytes | None) -> None:
        program = self.program
        if answer is None:
            program.silence(self.now)
        elif program.queue and asked is program.queue[0]:
            program.obeyed(self.now, refused=bool(answer[1] & 0x80))
        elif asked is STATUS and not answer[1] & 0x80:
            words = answer[3:-2]
            program.told(
                tuple(int.from_bytes(words[at : at + 2], "big") for at in range(0, len(words), 2)),
                self.now,
            )
