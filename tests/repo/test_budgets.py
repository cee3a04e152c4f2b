"""Small by budget: modules, classes, functions and parameter lists that fit into a head."""

from __future__ import annotations

import ast
import statistics
from collections.abc import Iterator
from pathlib import Path

import pytest
import tree

MODULE_LINES = 400
CLASS_LINES = 250
BODY_LINES = 50
PARAMETERS = 5
TYPICAL_MODULE_LINES = 200
TYPICAL_BODY_LINES = 8
LONG_BODY_LINES = 25
"""What nine bodies in ten stay within."""

EXCEPTIONS: dict[str, str] = {
    "bench/diagnosis/causes.py": "the table of causes, which a contributor reads as a whole",
}
"""What may break a budget, `path` or `path:name`, and why. A table may; logic may not."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


def body_lines(function: Function) -> int:
    """Return the lines from the first statement to the last, the docstring left out."""
    body = function.body
    if ast.get_docstring(function) is not None:
        body = body[1:]
    return body[-1].end_lineno - body[0].lineno + 1 if body else 0  # type: ignore[operator]


def parameters(function: Function) -> int:
    """Return the parameters that a caller gives (self and cls are not given)."""
    given = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    return len([each for each in given if each.arg not in ("self", "cls")])


def named(node: ast.AST, inside: str = "") -> Iterator[tuple[str, ast.ClassDef | Function]]:
    """Yield each class and function below a node with its dotted name."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            name = f"{inside}{child.name}"
            yield name, child
            yield from named(child, f"{name}.")
        else:
            yield from named(child, inside)


def overdrawn(path: Path) -> dict[str, str]:
    """Return what breaks a budget in a module: key -> what it has."""
    found = {}
    lines = len((tree.ROOT / path).read_text().splitlines())
    if lines > MODULE_LINES:
        found[str(path)] = f"{lines} lines, the budget is {MODULE_LINES}"
    for name, node in named(tree.parsed(path)):
        key = f"{path}:{name}"
        if isinstance(node, ast.ClassDef):
            lines = (node.end_lineno or 0) - node.lineno + 1
            if lines > CLASS_LINES:
                found[key] = f"class of {lines} lines, the budget is {CLASS_LINES}"
        elif (body := body_lines(node)) > BODY_LINES:
            found[key] = f"body of {body} lines, the budget is {BODY_LINES}"
        elif (count := parameters(node)) > PARAMETERS and node.name != "__init__":
            found[key] = (
                f"{count} parameters, the budget is {PARAMETERS}; make a settings dataclass"
            )
    return found


@pytest.mark.parametrize("path", tree.product_modules(), ids=str)
def test_module_keeps_its_budgets(path: Path) -> None:
    broken = {key: what for key, what in overdrawn(path).items() if key not in EXCEPTIONS}
    assert not broken


def test_exceptions_are_needed_and_reasoned() -> None:
    broken = {key for path in tree.product_modules() for key in overdrawn(path)}
    assert set(EXCEPTIONS) <= broken, "an exception that is no longer needed must go"
    assert all(len(reason.split()) >= 4 for reason in EXCEPTIONS.values())


def test_the_typical_module_and_body_are_short() -> None:
    modules = [len((tree.ROOT / path).read_text().splitlines()) for path in tree.product_modules()]
    bodies = sorted(
        body_lines(node)
        for path in tree.product_modules()
        for _, node in named(tree.parsed(path))
        if not isinstance(node, ast.ClassDef)
    )
    assert statistics.median(modules) <= TYPICAL_MODULE_LINES
    assert statistics.median(bodies) <= TYPICAL_BODY_LINES
    assert bodies[len(bodies) * 9 // 10] <= LONG_BODY_LINES


@pytest.mark.parametrize("path", tree.product_modules(), ids=str)
def test_module_says_what_it_is_for(path: Path) -> None:
    first = (ast.get_docstring(tree.parsed(path)) or "").split("\n")[0]
    assert first.endswith((".", ":", "?")), (
        "the first line of a module docstring is a full sentence"
    )


def test_a_long_function_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    statements = "\n".join(f"    x = {number}" for number in range(BODY_LINES + 1))
    (tmp_path / "long.py").write_text(f'class A:\n  def f(self):\n    """Say."""\n{statements}\n')
    monkeypatch.setattr(tree, "ROOT", tmp_path)
    assert list(overdrawn(Path("long.py"))) == ["long.py:A.f"]
