"""Register maps in the forms that a controller's developer needs, and back from a table.

One module a form; `FORMS` names them. All come from the same map that drives everything else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import NamedTuple

from kerfbus.bench.mapexport.cheader import c_header
from kerfbus.bench.mapexport.csvtable import csv_table
from kerfbus.bench.mapexport.markdown import markdown
from kerfbus.bench.mapexport.pythonmodule import python_module
from kerfbus.bench.mapexport.structuredtext import structured_text
from kerfbus.bench.regmap import RegisterMap

__all__ = ["FORMS", "Form"]


class Form(NamedTuple):
    """A form that a map can be exported to.

    Attributes:
        text: what it is.
        suffix: of its files.
        write: makes the whole text.
    """

    text: str
    suffix: str
    write: Callable[[RegisterMap], str]


FORMS: Mapping[str, Form] = MappingProxyType(
    {
        "c": Form("C header with constants and conversions (C99)", ".h", c_header),
        "st": Form("IEC 61131-3 structured text", ".st", structured_text),
        "markdown": Form("a table for people", ".md", markdown),
        "csv": Form("a table for spreadsheets; `map import` reads it", ".csv", csv_table),
        "python": Form("Python constants and enumerations", ".py", python_module),
    }
)
