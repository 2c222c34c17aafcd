"""A spreadsheet of several sheets, the same bytes every time.

Text stays text, whatever it looks like: a label that begins with ``=`` is shown, never run.
Numbers are stored with 16 significant digits (the library writes no more, a sheet shows 15);
those of the results folder are whole; a missing one is an empty cell.
"""

from __future__ import annotations

import datetime as dt
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np

from leafledger.report.lettering import plain
from leafledger.study.tables import FORMULA_SIGNS

MOST_ROWS = 1_048_576
"""Rows of a sheet, the heading included (limit of the file format)."""
_MOST_CHARACTERS = 32_767
_CUT = " ... (cut)"
_EXACT = 2**53
_CREATED = dt.datetime(1980, 1, 1)
_WIDEST, _NARROWEST, _LOOKED_AT = 60, 8, 200


@dataclass(frozen=True)
class Column:
    """A column of a sheet; unit ``1`` for a plain number, empty for text."""

    name: str
    unit: str
    meaning: str

    @property
    def heading(self) -> str:
        """Name and unit: ``estimate (1)``, ``wavelength_nm (nm)``, ``scan``."""
        return f"{self.name} ({self.unit})" if self.unit else self.name


@dataclass(frozen=True)
class Sheet:
    """One sheet.

    Attributes
    ----------
    name
        At most 31 characters, ours.
    about
        What it holds, one sentence.
    columns
        In order.
    rows
        One sequence for each row, in the order of the columns.
    n_rows
        How many rows there are.
    files
        The results it holds, below ``results/``.
    """

    name: str
    about: str
    columns: Sequence[Column]
    rows: Iterable[Sequence[Any]]
    n_rows: int
    files: Sequence[str]


def written(title: str, front: Sequence[Sequence[Any]], sheets: Sequence[Sheet]) -> bytes:
    """Return a workbook.

    Parameters
    ----------
    title
        Of the study.
    front
        Rows of the first sheet, ``about``; a text that names a sheet becomes a link to it.
    sheets
        The further sheets in order. Rows beyond :data:`MOST_ROWS` are left out; :func:`fits` says
        which sheets have any, for the first sheet to tell.
    """
    import xlsxwriter

    out = io.BytesIO()
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    book = xlsxwriter.Workbook(out, options)
    book.set_properties({"title": plain(title)[:255], "created": _CREATED})
    looks = _Looks(book)
    _write_front(book, looks, front, {sheet.name for sheet in sheets})
    for sheet in sheets:
        _write_sheet(book, looks, sheet)
    book.close()
    return out.getvalue()


def fits(sheet: Sheet) -> int:
    """Return how many rows of a sheet fit below its heading."""
    return min(sheet.n_rows, MOST_ROWS - 1)


class _Looks:
    def __init__(self, book: Any) -> None:
        self.head = book.add_format(
            {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1, "bg_color": "#E6EFE7"}
        )
        self.title = book.add_format({"bold": True, "font_size": 14})
        self.bold = book.add_format({"bold": True, "valign": "top"})
        self.wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        self.as_text = book.add_format({"quote_prefix": True})
        self.link = book.get_default_url_format()


def _write_front(book: Any, looks: _Looks, front: Sequence[Sequence[Any]], names: set[str]) -> None:
    page = book.add_worksheet("about")
    page.hide_gridlines(2)
    for i, width in enumerate((24, 70, 11, 44, 68)):
        page.set_column(i, i, width)
    for at, row in enumerate(front):
        for column, value in enumerate(row):
            if column == 0 and value in names:
                page.write_url(at, column, f"internal:'{value}'!A1", looks.link, value)
            elif at == 0:
                _write_cell(page, at, column, value, looks, looks.title)
            else:
                _write_cell(page, at, column, value, looks, looks.wrapped)


def _write_sheet(book: Any, looks: _Looks, sheet: Sheet) -> None:
    page = book.add_worksheet(sheet.name)
    rows = iter(sheet.rows)
    first = list(islice(rows, _LOOKED_AT))
    for i, column in enumerate(sheet.columns):
        values = [row[i] for row in first]
        long = any(isinstance(v, str) and len(v) > _WIDEST and " " in v for v in values)
        page.set_column(i, i, _width(column.heading, values), looks.wrapped if long else None)
        page.write_string(0, i, plain(column.heading), looks.head)
    at = 0
    for source in (first, rows):
        for row in source:
            if at == fits(sheet):
                break
            at += 1
            for i, value in enumerate(row):
                _write_cell(page, at, i, value, looks)
    page.freeze_panes(1, 1)
    page.autofilter(0, 0, at, max(0, len(sheet.columns) - 1))


def _width(heading: str, values: Iterable[Any]) -> float:
    """Return the width of a column: that of its longest value, the heading over two lines."""
    shown = [len(_shown(value)) for value in values]
    longest = max([*shown, -(-len(heading) // 2), *(len(w) + 3 for w in heading.split())])
    return float(min(_WIDEST, max(_NARROWEST, longest + 2)))


def _shown(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:.11g}" if isinstance(value, float) else str(value)


def _write_cell(
    page: Any, row: int, column: int, value: Any, looks: _Looks, look: Any = None
) -> None:
    """Write one value as what it is; nothing at all for a missing one."""
    if type(value) is float:  # by far the most cells
        _write_number(page, row, column, value, look)
    elif isinstance(value, str):
        if value:
            _write_text(page, row, column, value, looks, look)
    elif isinstance(value, bool | np.bool_):
        page.write_boolean(row, column, bool(value), look)
    elif isinstance(value, int | float | np.integer | np.floating):
        _write_number(page, row, column, value, look)
    elif not is_missing(value):
        text = value.isoformat() if isinstance(value, dt.datetime) else str(value)
        _write_text(page, row, column, text, looks, look)


def is_missing(value: Any) -> bool:
    """Tell whether a value of a table is missing: ``None``, ``NaN``, ``NaT``, ``NA``."""
    import pandas as pd

    return bool(pd.isna(value)) if pd.api.types.is_scalar(value) else False


def _write_number(page: Any, row: int, column: int, value: Any, look: Any) -> None:
    if value != value:
        return
    is_whole = isinstance(value, int | np.integer)
    if not math.isfinite(value) or (is_whole and abs(int(value)) > _EXACT):
        # The format has no infinity, and whole numbers beyond 2^53 would lose digits.
        page.write_string(row, column, str(value), look)
    else:
        page.write_number(row, column, value.item() if hasattr(value, "item") else value, look)


def _write_text(page: Any, row: int, column: int, text: str, looks: _Looks, look: Any) -> None:
    clean = plain(text)
    if len(clean) > _MOST_CHARACTERS:
        clean = clean[: _MOST_CHARACTERS - len(_CUT)] + _CUT
    if look is None and clean.startswith(FORMULA_SIGNS):
        look = looks.as_text  # so that it stays text when somebody edits the cell
    page.write_string(row, column, clean, look)
