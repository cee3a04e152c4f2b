"""How `make docs` builds these pages (Sphinx with MyST); a wrong page or link is an error."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sphinx.application import Sphinx

ROOT = Path(__file__).resolve().parent.parent
_ABOUT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]

project = "Kerfbus"
version = release = _ABOUT["version"]
project_copyright = "the contributors of Kerfbus, Apache-2.0"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["*.py", "*.toml"]
nitpicky = True
myst_heading_anchors = 3
html_theme = "alabaster"
html_theme_options = {
    "description": _ABOUT["description"],
    "fixed_sidebar": True,
    "page_width": "60em",
}
html_static_path = ["_static"]
html_css_files = ["kerfbus.css"]
html_show_sourcelink = False
html_copy_source = False

FIRST = ("index", "developer", "installer", "qa", "units", "reference")
"""Pages that index.md names itself; all others follow in the order of their names."""


def list_others(app: Sphinx, name: str, source: list[str]) -> None:
    """Put the pages that nobody has listed into the index, so that a new one needs no line."""
    if name == "index":
        others = sorted(app.project.docnames - set(FIRST))
        source[0] = source[0].replace("(others)", "\n".join(others))


def setup(app: Sphinx) -> None:
    """Hook into the build."""
    app.connect("source-read", list_others)
