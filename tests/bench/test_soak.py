"""Soaking: it ends when it should, counts what happened, and says on which way it happened."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench import wire
from kerfbus.bench.account import AccountingTransport
from kerfbus.bench.arcsign import ArcSign, parse_arc_sign
from kerfbus.bench.capture import CaptureReader
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.confidence import Claim
from kerfbus.bench.decode import Decoder
from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.quality import Quality
from kerfbus.bench.recorder import recorded
from kerfbus.bench.regmap import ReadSpan, Table
from kerfbus.bench.soak import DEAD_AFTER, NS, Soak, SoakPlan, Verdict
from kerfbus.bench.transport import Chunk, Through, Transport
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.settings import StartSource

SPAN = ReadSpan(Table.INPUT, 0, 8)
POLICY = Policy(response_timeout=0.2, retries=0)
Which = Callable[[int], bool]


def never(_: int) -> bool:
    return False


class Faulty(Through):
    """A line that damages some requests on the way there and some replies on the way back.

    Counted from 1, each way for itself. What a server hears damaged it must not answer.
    """

    def __init__(self, inner: Transport, there: Which = never, back: Which = never) -> None:
        super().__init__(inner)
        self._there, self._back = there, back
        self.requests = self.replies = 0
        self.hurt_there = self.hurt_back = 0

    async def send(self, data: bytes) -> int:
        self.requests += 1
        if self._there(self.requests):
            self.hurt_there += 1
            data = data[:-1] + bytes((data[-1] ^ 0x10,))
        return await self._inner.send(data)

    async def receive(self, until: int | None) -> Chunk | None:
        chunk = await self._inner.receive(until)
        if chunk is None:
            return None
        self.replies += 1
        if self._back(self.replies):
            self.hurt_back += 1
            return chunk._replace(data=chunk.data[:-1] + bytes((chunk.data[-1] ^ 0x10,)))
        return chunk


async def sim(address: int = 1) -> Transport:
    return await open_port("sim:", LineSettings(), PortOptions(speed="fast", address=address))


async def soaked(line: Transport, plan: SoakPlan) -> Soak:
    soak = Soak(AccountingTransport(line), plan, POLICY)
    await soak.run()
    return soak


async def test_a_count_is_kept_exactly() -> None:
    soak = await soaked(await sim(), SoakPlan(1, (SPAN,), count=250))
    answer = soak.to_json()
    assert (answer["transactions"], answer["wrong"]) == (250, 0)
    assert answer["quality"]["requests"] == answer["quality"]["answered"] == 250
    assert soak.verdict is Verdict.CLEAN
    assert answer["claim"] is None


async def test_a_duration_is_kept() -> None:
    soak = await soaked(await sim(), SoakPlan(1, (SPAN,), duration_ns=10 * NS))
    assert 10 <= soak.to_json()["seconds"] < 10.1


async def test_a_pause_between_transactions() -> None:
    soak = await soaked(await sim(), SoakPlan(1, (SPAN,), count=20, pause_ns=NS))
    assert soak.to_json()["seconds"] >= 20


async def test_a_claim_is_shown_by_just_enough_transactions() -> None:
    claim = Claim(0.01, 0.9)
    soak = await soaked(await sim(), SoakPlan(1, (SPAN,), claim=claim))
    assert soak.verdict is Verdict.SHOWN
    assert soak.done == claim.needed(0)


async def test_errors_make_a_claim_cost_more() -> None:
    claim = Claim(0.02, 0.9)
    line = Faulty(await sim(), back=lambda number: number == 40)
    soak = await soaked(line, SoakPlan(1, (SPAN,), claim=claim))
    assert soak.verdict is Verdict.SHOWN
    assert soak.done == claim.needed(1) > claim.needed(0)


async def test_a_claim_is_refused_when_too_much_goes_wrong() -> None:
    line = Faulty(await sim(), back=lambda number: number % 10 == 0)
    soak = await soaked(line, SoakPlan(1, (SPAN,), claim=Claim(1e-3)))
    assert soak.verdict is Verdict.REFUSED
    assert soak.done < 200


async def test_a_claim_is_open_when_the_count_comes_first() -> None:
    soak = await soaked(await sim(), SoakPlan(1, (SPAN,), count=100, claim=Claim(1e-3)))
    assert soak.verdict is Verdict.OPEN
    assert soak.to_json()["claim"]["left"] == Claim(1e-3).needed(0) - 100


async def test_nobody_there_is_said_soon() -> None:
    soak = await soaked(await sim(), SoakPlan(9, (SPAN,), count=100_000))
    assert soak.verdict is Verdict.DEAD
    assert soak.done == DEAD_AFTER
    assert soak.to_json()["quality"]["timeouts"] == DEAD_AFTER


@given(there=st.integers(7, 60), back=st.integers(7, 60))
@settings(max_examples=8)
def test_directions_are_told_apart(there: int, back: int) -> None:
    import asyncio

    async def run() -> tuple[Faulty, Soak]:
        line = Faulty(await sim(), lambda n: n % there == 0, lambda n: n % back == 0)
        return line, await soaked(line, SoakPlan(1, (SPAN,), count=600))

    line, soak = asyncio.run(run())
    answer = soak.to_json()
    found = answer["direction"]
    assert found is not None
    # The looks at the counters are themselves transactions on the faulty line, hence the margin.
    assert found["wrong_there"] == pytest.approx(line.hurt_there, abs=3)
    assert found["wrong_back"] == pytest.approx(line.hurt_back, abs=3)
    assert found["server_damaged"] == pytest.approx(line.hurt_there, abs=3)
    assert answer["wrong"] == pytest.approx(line.hurt_there + line.hurt_back, abs=8)


async def test_a_server_without_counters() -> None:
    class Deaf(Through):
        """Refuses function 08, as a server does that does not have it."""

        async def send(self, data: bytes) -> int:
            if data[1] == 8:
                data = wire.adu(data[0], wire.RawRequest(0x41, b""))
            return await self._inner.send(data)

        async def receive(self, until: int | None) -> Chunk | None:
            chunk = await self._inner.receive(until)
            if chunk is not None and chunk.data[1] == 0xC1:
                return chunk._replace(data=wire.adu(chunk.data[0], wire.ExceptionReply(8, 1)))
            return chunk

    soak = await soaked(Deaf(await sim()), SoakPlan(1, (SPAN,), count=50))
    answer = soak.to_json()
    assert answer["direction"] is None
    assert "does not give its counters" in answer["direction_note"]
    assert answer["wrong"] == 0


async def test_the_arc_is_followed_by_a_register() -> None:
    """The supply is struck halfway, over the link, by another client on the same line."""
    found = default_map()
    line = await sim()
    marks: list[tuple[str, str, int]] = []
    account = AccountingTransport(line)
    sign = ArcSign(found.by_name("arc_transferred"))
    plan = SoakPlan(1, (SPAN,), duration_ns=4 * NS, arc=sign)
    await Soak(account, plan, POLICY, lambda *mark: marks.append(mark)).run()
    await _cut(Client(line, POLICY))
    await Soak(account, plan, POLICY, lambda *mark: marks.append(mark)).run()
    assert [value for _, value, _ in marks] == ["off", "off", "on"]
    conditions = account.quality.conditions
    assert conditions["arc", "on"].trials > 50
    assert conditions["arc", "off"].trials > 50
    assert account.quality.comparisons()[0]["first"] == "arc=on"


async def _cut(client: Client) -> None:
    """Start the arc, as a controller does over the link."""
    at = default_map().by_name
    for request in (
        wire.WriteMultipleRegisters(at("current_setpoint").address, (600, 520, 400)),
        wire.WriteSingleRegister(at("start_source").address, StartSource.LINK),
        wire.WriteMultipleCoils(at("enable").address, (True,)),
    ):
        assert (await client.request(1, request)).ok
    await client.transport.clock.sleep_until(client.transport.clock.now() + 2 * NS)
    key = at("command_key").address
    for values in ((COMMAND_KEY, Order.ARM_LINK), (COMMAND_KEY, Order.NONE, 1)):
        assert (await client.request(1, wire.WriteMultipleRegisters(key, values))).ok


async def test_account_of_the_recording_is_the_account_of_the_run(tmp_path: Path) -> None:
    """Live and recorded traffic have one account."""
    path = tmp_path / "soak.pcapng"
    faulty = Faulty(await sim(), lambda n: n % 31 == 0, lambda n: n % 17 == 0)
    line = AccountingTransport(recorded(faulty, path, "client"))
    client = Client(line, POLICY)
    for _ in range(200):
        await client.request(1, wire.ReadInputRegisters(0, 8))
    line.finish()
    await line.close()
    with CaptureReader(path) as reader:
        quality = Quality(reader.info.settings)
        decoder = Decoder(reader.info)
        rows = [row for record in reader for row in decoder.feed(record)] + decoder.finish()
    for row in rows:
        if row.message is not None:
            quality.take(row.message)
    quality.finish()
    assert quality.to_json() == line.quality.to_json()
    assert quality.total.wrong == faulty.hurt_there + faulty.hurt_back


@pytest.mark.parametrize(
    ("arguments", "message"),
    [({"spans": (SPAN,)}, "without end"), ({"spans": (), "count": 5}, "asks for nothing")],
)
def test_plans_that_are_none(arguments: dict[str, object], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        SoakPlan(1, **arguments)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "value", "raw", "expected"),
    [
        ("arc_transferred", None, (1,), True),
        ("arc_transferred", None, (0,), False),
        ("mode", "cutting", (9,), True),
        ("mode", "cutting", (2,), False),
        ("mode", None, (9,), True),
    ],
)
def test_signs_of_the_arc(
    name: str, value: str | None, raw: tuple[int, ...], expected: bool
) -> None:
    sign = ArcSign(default_map().by_name(name), value)
    assert sign.on(sign.span, raw) is expected


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("nothing", "nothing"),
        ("mode=sleeping", "never holds 'sleeping'; give one of off"),
        ("arc_transferred=yes", "give its name alone"),
        ("arc_command", "written only"),
    ],
)
def test_signs_that_are_none(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        parse_arc_sign(text, default_map())
