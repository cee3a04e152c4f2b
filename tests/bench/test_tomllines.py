"""Lines of keys in TOML files, against what `tomllib` finds in the same text."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
import tree
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.tomllines import key_lines, line_of


def paths(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Yield the path of everything below a value that `tomllib` returned."""
    if path:
        yield path
    if isinstance(value, dict):
        for key, each in value.items():
            yield from paths(each, (*path, key))
    elif isinstance(value, list):
        for index, each in enumerate(value):
            yield from paths(each, (*path, index))


CASES = """\
a = 1 # comment = [
b.c = 'x # not a comment'
"d e" = "quote \\" and ]"
'f.g' = { h = 1, "i\\tj" = [ 2, { k = 3 } ] }
l = [ # first
  1,
  # between
  [ 2, "three" ], 4,
]
m = \"\"\"
n = 1
[o]
still \\\"\"\" in it\"\"\"\"\"
p = '''
[q] '''''
when = 1979-05-27 07:32:00Z
day = 1979-05-27
inf = -inf
empty = []
nothing = {}
[r.s]
t = 1
[[u]]
v = 1
[u.w]
x = 2
[[u]]
v = 3
[[u.y]]
z = 4
[[u.y]]
z = { aa.bb = 5 }
[ "r" . cc ]
dd = ""
"""
LINES = {
    ("b", "c"): 2,
    ("d e",): 3,
    ("f.g", "i\tj", 1, "k"): 4,
    ("l",): 5,
    ("l", 0): 6,
    ("l", 1, 1): 8,
    ("m",): 10,
    ("p",): 14,
    ("when",): 16,
    ("r",): 21,
    ("r", "s", "t"): 22,
    ("u",): 23,
    ("u", 0, "w", "x"): 26,
    ("u", 1): 27,
    ("u", 1, "v"): 28,
    ("u", 1, "y", 1, "z", "aa", "bb"): 32,
    ("r", "cc", "dd"): 34,
}


def test_every_key_has_its_line() -> None:
    found = key_lines(CASES)
    assert set(found) == set(paths(tomllib.loads(CASES)))
    assert {path: found[path] for path in LINES} == LINES


@pytest.mark.parametrize("path", sorted((tree.ROOT / "sim").rglob("*.toml")), ids=lambda p: p.name)
def test_all_shipped_files_are_found_through(path: Any) -> None:
    text = path.read_text()
    found = key_lines(text)
    assert set(found) == set(paths(tomllib.loads(text)))
    lines = text.splitlines()
    for at, line in found.items():
        if isinstance(at[-1], str):
            assert at[-1] in lines[line - 1]


def test_what_is_missing_is_looked_for_around() -> None:
    found = key_lines("[a]\nb = 1\n[[c]]\nd = 2\n")
    assert line_of(found, ("c", 0, "e")) == 3
    assert line_of(found, ("c", 7, "e")) == 3
    assert line_of(found, ("a", "b", "z")) == 2
    assert line_of(found, ("zz",)) == 1


SPACES = st.sampled_from(["", " ", "\t"])
BREAKS = st.sampled_from(["", " ", "\n", " # ] } = \n", "\n\n  "])
KEYS = st.sampled_from(["a", "b-c", "d_1", '"q # r"', "'s.t'", '"\\u00e9"'])


@st.composite
def values(draw: st.DrawFn, depth: int = 2) -> str:
    """Return a value as it is written."""
    kind = draw(st.sampled_from(["number", "text", "array", "table"][: 2 + depth]))
    if kind == "number":
        return draw(st.sampled_from(["1", "-2.5e3", "true", "0x1F", "1979-05-27 07:32:00", "nan"]))
    if kind == "text":
        quote = draw(st.sampled_from(["'", '"', '"""', "'''"]))
        inside = draw(st.sampled_from(["", "x", "[a]", "# b", "= {", "\n c=1"]))
        return quote + (inside if len(quote) == 3 else inside.strip("\n")) + quote
    count = draw(st.integers(0, 3))
    if kind == "array":
        parts = [
            draw(BREAKS) + draw(values(depth - 1)) + draw(BREAKS)  # type: ignore[call-arg]
            for _ in range(count)
        ]
        return "[" + ",".join(parts) + "]"
    keys = draw(st.lists(KEYS, min_size=count, max_size=count, unique=True))
    parts = [
        f" {key}{draw(SPACES)}= {draw(values(depth - 1))} "  # type: ignore[call-arg]
        for key in keys
    ]
    return "{" + ",".join(parts) + "}"


@st.composite
def documents(draw: st.DrawFn) -> str:
    """Return a document with tables, arrays of tables and pairs."""
    text = ""
    for header in ["", "[x.y]", "[[z]]", "[[z]]", "[z.w]", "[[ z.v ]]"]:
        if header and draw(st.booleans()) and "[[z]]" in text + header:
            text += f"{header}{draw(SPACES)}# {header}\n"
        elif header:
            continue
        for key in draw(st.lists(KEYS, max_size=3, unique=True)):
            text += f"{draw(SPACES)}{key} {draw(SPACES)}= {draw(values())}\n"  # type: ignore[call-arg]
    return text


@settings(max_examples=300, deadline=None)
@given(documents())
def test_any_document_is_found_through(text: str) -> None:
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return  # the same table twice, or nesting that TOML forbids
    found = key_lines(text)
    assert set(found) == set(paths(content))
    marked = text.replace("\r\n", "\n").split("\n")
    for path, line in found.items():
        key = path[-1]
        if isinstance(key, str):
            written = {key, f'"{key}"', f"'{key}'", '"\\u00e9"'}
            assert any(each in marked[line - 1] for each in written)
