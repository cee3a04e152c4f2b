"""Finding settings: by asking on exact simulated lines, by listening to real UART behaviour."""

from __future__ import annotations

import random

import pytest

from kerfbus.bench import wire
from kerfbus.bench.bittiming import ParityCount, Sample, first_low, slower_rates
from kerfbus.bench.clock import ManualClock
from kerfbus.bench.errors import KerfbusError, PortError, UsageError
from kerfbus.bench.find import Finder
from kerfbus.bench.findings import Findings
from kerfbus.bench.line import USUAL_BAUDS, LineSettings
from kerfbus.bench.searchplan import ADDRESSES, BAUDS, FORMATS, REPLY_LENGTH, SearchPlan
from kerfbus.bench.transport import CharacterError, Chunk, Through, Transport
from kerfbus.sim.cleanline import CleanLine
from kerfbus.sim.pair.bitline import BitLine
from kerfbus.sim.pair.plant import Place, Plant
from kerfbus.sim.pair.talk import Talk
from kerfbus.sim.port import make_server
from kerfbus.sim.vantage import ClientTransport, Seat, SimTransport

NS = 1_000_000_000
START = LineSettings()


def line_with(*servers: tuple[int, LineSettings]) -> ClientTransport:
    """Return a client's seat on a line with servers of these addresses and settings."""
    on_it = tuple(make_server(address, 0, 0, settings) for address, settings in servers)
    return ClientTransport(Seat("sim:", START, ManualClock(), "test"), CleanLine(on_it, START))


async def found_on(transport: Transport, plan: SearchPlan | None = None) -> Findings:
    return await Finder(transport, plan or SearchPlan()).run()


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("baud", BAUDS)
async def test_any_server_is_found_at_any_setting(baud: int, form: str) -> None:
    """One address in each pass of the search for each setting."""
    settings = LineSettings.parse(baud, form)
    dice = random.Random(f"{baud} {form}")
    rare = dice.choice([each for each in range(1, 248) if each not in ADDRESSES])
    for address in (dice.choice(ADDRESSES), rare):
        findings = await found_on(line_with((address, settings)))
        (found,) = findings.found
        assert (found.settings, found.servers) == (settings, (address,))
        assert found.confidence > 0.999
        assert findings.requests < SearchPlan().longest_ns(8)


async def test_all_servers_of_a_line_are_found() -> None:
    settings = LineSettings.parse(38400, "8N2")
    findings = await found_on(line_with(*((each, settings) for each in (7, 80, 247))))
    assert findings.found[0].servers == (7, 80, 247)
    assert findings.shared == []


async def test_nobody_there_is_said() -> None:
    findings = await found_on(line_with())
    assert findings.found == []
    assert findings.tried == len(BAUDS) * len(FORMATS)
    assert findings.reasoning[-1] == "Nobody answers."
    # Shorter than planned only by what the plan allows for replies that did not come.
    assert findings.seconds <= SearchPlan().longest_ns(8) / NS + 3


async def test_two_servers_with_one_address_are_named() -> None:
    findings = await found_on(line_with((5, START), (5, START)))
    assert findings.shared == [5]
    assert any("two servers share this address" in line for line in findings.reasoning)


async def test_a_server_slower_than_the_short_wait_is_found_by_its_late_reply() -> None:
    transport = line_with((77, START))
    transport.line.turnaround_ns = 150_000_000
    findings = await found_on(transport)
    assert findings.found[0].servers == (77,)


class Garbling(Through):
    """Spoils every reply."""

    async def receive(self, until: int | None) -> Chunk | None:
        chunk = await self._inner.receive(until)
        if chunk is None:
            return None
        return chunk._replace(data=chunk.data[:-1] + bytes((chunk.data[-1] ^ 1,)))


async def test_an_answer_that_is_never_whole_is_said() -> None:
    findings = await found_on(Garbling(line_with((1, START))))
    assert findings.damaged == [(START, 1)]
    assert [(each.settings, each.servers) for each in findings.found] == [(START, (1,))]
    assert findings.found[0].confidence < 0.95


async def test_nothing_but_reads_is_ever_sent() -> None:
    sent: list[bytes] = []

    class Watched(Through):
        async def send(self, data: bytes) -> int:
            sent.append(data)
            return await self._inner.send(data)

    await found_on(Watched(line_with((200, LineSettings.parse(57600, "8O1")))))
    assert {frame[1] for frame in sent} == {0x03}
    assert {frame[0] for frame in sent} == set(range(1, 248))


async def test_settings_that_the_port_refuses_are_left_out() -> None:
    class Picky(Through):
        async def reconfigure(self, settings: LineSettings) -> None:
            if settings.parity != "N":
                raise PortError("sim:", "no parity here")
            await self._inner.reconfigure(settings)

    transport = line_with((3, LineSettings.parse(9600, "8N2")))
    findings = await found_on(Picky(transport))
    assert findings.found[0].settings == LineSettings.parse(9600, "8N2")
    assert findings.refused


def test_the_plan_asks_everything_once_a_pass_and_likely_things_first() -> None:
    plan = SearchPlan()
    assert plan.settings[0] == START
    assert len(set(plan.settings)) == len(BAUDS) * len(FORMATS)
    for each in plan.passes[1:]:
        probes = list(plan.probes(each))
        assert len({(probe.settings, probe.address) for probe in probes}) == len(probes)
        assert len(probes) == 247 * len(plan.settings)


def test_the_whole_search_is_as_short_as_its_waits() -> None:
    """The second pass alone, without any wait, is what the wire needs; waits add little to it."""
    plan = SearchPlan()
    wire_ns = (
        sum(each.characters_ns(8 + REPLY_LENGTH) + 2 * each.t35_ns for each in plan.settings) * 247
    )
    short = SearchPlan(usual=247, long_ns=plan.short_ns)
    assert short.longest_ns(8) < 1.8 * wire_ns


@pytest.mark.parametrize("kwargs", [{"bauds": ()}, {"formats": ()}])
def test_plans_for_nothing(kwargs: dict[str, tuple[()]]) -> None:
    with pytest.raises(UsageError):
        SearchPlan(**kwargs)  # type: ignore[arg-type]


@pytest.mark.parametrize("kwargs", [{"formats": ("8X1",)}, {"addresses": (0,)}, {"bauds": (0,)}])
def test_plans_that_cannot_be(kwargs: dict[str, tuple[int | str, ...]]) -> None:
    with pytest.raises(KerfbusError):
        SearchPlan(**kwargs)  # type: ignore[arg-type]


# --- listening -----------------------------------------------------------------------------------


class Overheard(SimTransport):
    """A tap beside a client and a server that talk with settings of their own, bit by bit."""

    def __init__(self, talking: LineSettings, address: int = 9) -> None:
        super().__init__(Seat("sim:tap", START, ManualClock(), "test"))
        self._talking, self._address = talking, address
        self._rebuild(0)

    def _rebuild(self, at: int) -> None:
        stations = (
            Place("client", 0.0, self._talking),
            Place("server", 20.0, self._talking, clock_ppm=300.0),
            Place("tap", 10.0, self.settings, driver=None, clock_ppm=-400.0),
        )
        self._pair = BitLine(Plant(stations))
        self._at = at + 5_000_000
        self._count = 0

    async def reconfigure(self, settings: LineSettings) -> None:
        self.settings = settings
        self._inbox.clear()
        self._rebuild(self.clock.now())

    async def send(self, data: bytes) -> int:
        raise AssertionError("a finder that hears others must not send")

    def _look_ahead(self, until: int) -> None:
        talking, pair = self._talking, self._pair
        self._count += 1
        ask = wire.adu(self._address, wire.ReadInputRegisters(self._count % 7 * 16, 4))
        values = tuple((self._count * 7919 + place * 4001) % 65536 for place in range(4))
        reply = wire.adu(self._address, wire.ReadInputRegistersReply(values))
        at = self._at
        for station, frame in ((0, ask), (1, reply)):
            end = at + talking.characters_ns(len(frame))
            pair.say(Talk(station, frame, at, talking, at, end))
            at = end + talking.t35_ns + 1_000_000
        self._at = at + 50_000_000
        settled = at - talking.t35_ns  # all that was said is over, the next has not begun
        for character in pair.hear(2, settled):
            errors = tuple(CharacterError(0, kind) for kind in character.errors)
            self._deliver([Chunk(bytes((character.value,)), character.at, errors)])


@pytest.mark.parametrize("form", ["8E1", "8N1", "8N2", "8O1"])
@pytest.mark.parametrize("baud", USUAL_BAUDS)
async def test_traffic_tells_rate_format_and_server(baud: int, form: str) -> None:
    settings = LineSettings.parse(baud, form)
    finder = Finder(Overheard(settings), SearchPlan(), listen_ns=10 * NS)
    findings = await finder.run()
    assert findings.traffic
    assert findings.requests == 0
    expected = {settings.format} if settings.parity != "N" else {"8N1", "8N2"}
    assert {each.settings.baud for each in findings.found} == {baud}
    assert {each.settings.format for each in findings.found} == expected
    assert all(each.servers == (9,) for each in findings.found)
    assert sum(each.confidence for each in findings.found) == pytest.approx(1, abs=1e-3)
    assert findings.tried <= 4  # where a blind search would take up to 32


def test_low_runs() -> None:
    assert [first_low(Sample(value, False)) for value in (0xFF, 0xFE, 0x80, 0x00)] == [1, 2, 8, 9]
    assert first_low(Sample(0, True)) == 10


def test_too_few_characters_say_nothing() -> None:
    assert slower_rates([Sample(0x55, False)] * 5, 115200) == []
    assert ParityCount.of([Sample(0x03, True), Sample(0x01, False)]).parity is None


def test_noise_gives_no_parity() -> None:
    dice = random.Random(1)
    samples = [Sample(dice.randrange(256), dice.random() < 0.5) for _ in range(400)]
    assert ParityCount.of(samples).parity is None
