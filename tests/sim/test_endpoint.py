"""Where to listen, as a person writes it."""

from __future__ import annotations

import pytest

from kerfbus.bench.errors import SettingsError
from kerfbus.sim.endpoint import Endpoint


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [
        ("127.0.0.1:5020", "127.0.0.1", 5020),
        (":5020", "127.0.0.1", 5020),
        ("5020", "127.0.0.1", 5020),
        ("0", "127.0.0.1", 0),
        ("0.0.0.0:502", "0.0.0.0", 502),
        ("bench.example:502", "bench.example", 502),
        ("[::1]:502", "::1", 502),
        (" localhost:502 ", "localhost", 502),
    ],
)
def test_forms(text: str, host: str, port: int) -> None:
    found = Endpoint.parse(text)
    assert (found.host, found.port) == (host, port)
    assert Endpoint.parse(str(found)) == found


def test_a_host_alone_takes_the_usual_port() -> None:
    assert Endpoint.parse("bench.example", 502) == Endpoint("bench.example", 502)


@pytest.mark.parametrize("text", ["127.0.0.1:", "h:65536", "h:-1", "h:x", "::1:502", "h:٣"])
def test_what_is_no_endpoint(text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        Endpoint.parse(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "loopback"),
    [
        ("5020", True),
        ("localhost:1", True),
        ("127.9.9.9:1", True),
        ("[::1]:1", True),
        ("0.0.0.0:1", False),
        ("[::]:1", False),
        ("192.0.2.1:1", False),
        ("bench.example:1", False),
    ],
)
def test_who_can_reach_it_is_said(text: str, loopback: bool) -> None:
    found = Endpoint.parse(text)
    assert found.loopback is loopback
    assert "no authentication" in found.notice
    assert ("this machine" in found.notice) is loopback
