"""How `make docs` builds these pages (Sphinx with MyST); a wrong page or link is an error."""

from __future__ import annotations

import tomllib
from pathlib import Path

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
    "page_width": "64em",
}
html_show_sourcelink = False
html_copy_source = False
