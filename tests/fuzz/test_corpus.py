"""The kept inputs of the fuzzer, and what Hypothesis makes of them, break no promise.

`make fuzz` looks for new ones with a coverage-guided fuzzer, which is not installed everywhere.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz import targets
from hypothesis import given, settings
from hypothesis import strategies as st

CORPORA = {name: targets.seeds(name) or [b""] for name in targets.TARGETS}


@pytest.mark.parametrize("name", targets.TARGETS)
def test_what_was_kept_breaks_no_promise(name: str) -> None:
    for data in targets.seeds(name):
        targets.TARGETS[name](data)


def test_every_target_has_a_corpus() -> None:
    assert {each.stem for each in targets.CORPUS.glob("*.hex")} == set(targets.TARGETS)


@st.composite
def spoilt(draw: st.DrawFn, inputs: list[bytes]) -> bytes:
    """Return a kept input that was cut, doubled, joined to another or changed in places."""
    data = bytearray(draw(st.sampled_from(inputs)))
    for _ in range(draw(st.integers(0, 4))):
        begin = draw(st.integers(0, len(data)))
        end = min(len(data), begin + draw(st.integers(0, 40)))
        match draw(st.sampled_from(("put", "cut", "double", "join", "end"))):
            case "put":
                data[begin:end] = draw(st.binary(max_size=8))
            case "cut":
                del data[begin:end]
            case "double":
                data[begin:begin] = data[begin:end]
            case "join":
                data[begin:] = draw(st.sampled_from(inputs))[begin:]
            case _:
                del data[end:]
    return bytes(data)


@pytest.mark.slow
@pytest.mark.parametrize("name", targets.TARGETS)
def test_what_becomes_of_it_breaks_no_promise(name: str) -> None:
    @given(spoilt(CORPORA[name]))
    @settings(max_examples=60, deadline=None)
    def hold(data: bytes) -> None:
        targets.TARGETS[name](data)

    hold()


def test_a_reader_that_breaks_its_promise_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(targets, "parse_map", lambda text, file: int(text))
    with pytest.raises(ValueError, match="invalid literal"):
        targets.map_(b"no number")


@pytest.mark.slow
def test_the_guided_fuzzer_runs_or_says_what_it_needs() -> None:
    program = Path(targets.__file__).with_name("fuzz.py")
    run = subprocess.run(
        [sys.executable, str(program), "pdu", "--seconds", "1"],
        capture_output=True,
        text=True,
        check=False,
    )
    if importlib.util.find_spec("atheris") is None:
        assert run.returncode == 2
        assert "pip install atheris" in run.stderr
    else:
        assert run.returncode == 0, run.stderr
        assert "promises held" in run.stdout
