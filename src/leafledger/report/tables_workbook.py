"""All tables in one spreadsheet, the same bytes every time."""

from __future__ import annotations

import datetime as dt
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from itertools import islice
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np

from leafledger.report.conclusions_held import out_of_date
from leafledger.report.gather import Material
from leafledger.report.numbers import plain
from leafledger.report.time_course_figures import summaries_by_group
from leafledger.study.table_files import FORMULA_SIGNS
from leafledger.study.tables import BY_NAME, INDICES, RESULTS, STATED, TABLES, meaning_of, unit_in

if TYPE_CHECKING:
    import pandas as pd


# A spreadsheet of several sheets, the same bytes every time.
# ----------------------------------------------------------------------
# Text stays text, whatever it looks like: a label that begins with ``=`` is shown, never run.
# Numbers are stored with 16 significant digits (the library writes no more, a sheet shows 15);
# those of the results folder are whole; a missing one is an empty cell. Rows below a heading are
# written as text of the format at once. Through the library, cell by cell, the workbook of the demo
# (370,000 cells) took 2.3 s of processor time, so 0.8 s; a test holds both to the same bytes.

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
    for row_index, row in enumerate(front):
        for column, value in enumerate(row):
            if column == 0 and value in names:
                page.write_url(row_index, column, f"internal:'{value}'!A1", looks.link, value)
            elif row_index == 0:
                _write_cell(page, row_index, column, value, looks.title)
            else:
                _write_cell(page, row_index, column, value, looks.wrapped)


def _write_sheet(book: Any, looks: _Looks, sheet: Sheet) -> None:
    page = book.add_worksheet(sheet.name, worksheet_class=_row_sheet())
    rows = iter(sheet.rows)
    first = list(islice(rows, _LOOKED_AT))
    for i, column in enumerate(sheet.columns):
        values = [row[i] for row in first]
        long = any(isinstance(v, str) and len(v) > _WIDEST and " " in v for v in values)
        page.set_column(i, i, _width(column.heading, values), looks.wrapped if long else None)
        page.write_string(0, i, plain(column.heading), looks.head)
    row_index = 0
    cells = _Cells(page, looks, len(sheet.columns))
    for source in (first, rows):
        for row in source:
            if row_index == fits(sheet):
                break
            row_index += 1
            page.put_row(row_index, cells.of(row_index + 1, row))
    page.freeze_panes(1, 1)
    page.autofilter(0, 0, row_index, max(0, len(sheet.columns) - 1))


def _width(heading: str, values: Iterable[Any]) -> float:
    """Return the width of a column: that of its longest value, the heading over two lines."""
    lengths = [len(_shown(value)) for value in values]
    longest = max([*lengths, -(-len(heading) // 2), *(len(w) + 3 for w in heading.split())])
    return float(min(_WIDEST, max(_NARROWEST, longest + 2)))


def _shown(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:.11g}" if isinstance(value, float) else str(value)


def _write_cell(page: Any, row: int, column: int, value: Any, look: Any) -> None:
    """Write one value of the first sheet; nothing at all for a missing one."""
    if isinstance(value, str):
        if value:
            page.write_string(row, column, _cut(plain(value)), look)
    elif not is_missing(value):
        page.write_number(row, column, value, look)


def is_missing(value: Any) -> bool:
    """Tell whether a value of a table is missing: ``None``, ``NaN``, ``NaT``, ``NA``."""
    import pandas as pd

    return bool(pd.isna(value)) if pd.api.types.is_scalar(value) else False


@cache
def _row_sheet() -> Any:
    """Return the library's sheet, which takes whole rows as text of the format besides."""
    from xlsxwriter.worksheet import Worksheet

    class RowSheet(Worksheet):  # type: ignore[misc]
        def put_row(self, row: int, cells: str) -> None:
            """Write a row below all rows before, without its cells being looked at."""
            if not cells:
                return
            if row > self.previous_row:
                self._write_single_row(row)
            self._check_dimensions(row, 0)
            self.fh.write(f'<row r="{row + 1}">{cells}</row>')

    return RowSheet


class _Cells:
    """The cells of a sheet as text of the format (ECMA-376, part 1, 18.3.1.4: ``c``).

    Parameters
    ----------
    page, looks
        The sheet, whose columns have their format, and the formats of the workbook.
    n_columns
        How many columns it has.
    """

    def __init__(self, page: Any, looks: _Looks, n_columns: int) -> None:
        from xlsxwriter.utility import xl_col_to_name

        self._looks = looks
        self._names = [xl_col_to_name(i) for i in range(n_columns)]
        formats = [
            info.column_format if info else None
            for info in map(page.col_info.get, range(n_columns))
        ]
        self._styles = [_style(of_column) for of_column in formats]
        self._texts: dict[str, tuple[bool, str]] = {}

    def of(self, number: int, row: Sequence[Any]) -> str:
        """Return the cells of the row with this number, counted from one; missing ones are none."""
        out = []
        for name, style, value in zip(self._names, self._styles, row, strict=True):
            if type(value) is float:  # by far the most cells
                if value - value == 0.0:
                    out.append(f'<c r="{name}{number}"{style}><v>{value:.16G}</v></c>')
                elif value == value:
                    out.append(self._text(f"{name}{number}", style, str(value)))
            else:
                out.append(self._other(f"{name}{number}", style, value))
        return "".join(out)

    def _other(self, cell: str, style: str, value: Any) -> str:
        if isinstance(value, str):
            return self._text(cell, style, value) if value else ""
        if isinstance(value, bool | np.bool_):
            return f'<c r="{cell}"{style} t="b"><v>{int(value)}</v></c>'
        if isinstance(value, int | np.integer) and abs(int(value)) <= _EXACT:
            return f'<c r="{cell}"{style}><v>{int(value):.16G}</v></c>'
        if isinstance(value, float | np.floating) and math.isfinite(value):
            return f'<c r="{cell}"{style}><v>{float(value):.16G}</v></c>'
        if is_missing(value):
            return ""
        # The format has no infinity, and whole numbers beyond 2^53 would lose digits.
        text = value.isoformat() if isinstance(value, dt.datetime) else str(value)
        return self._text(cell, style, text)

    def _text(self, cell: str, style: str, text: str) -> str:
        prepared = self._texts.get(text)
        if prepared is None:
            prepared = self._texts[text] = _inline_text(text)
        as_text, inline = prepared
        if as_text:  # so that it stays text when somebody edits the cell
            style = _style(self._looks.as_text)
        return f'<c r="{cell}"{style} t="inlineStr"><is>{inline}</is></c>'


def _style(look: Any) -> str:
    return "" if look is None else f' s="{look._get_xf_index()}"'


_ESCAPED = re.compile("(_x[0-9a-fA-F]{4}_)")


def _inline_text(text: str) -> tuple[bool, str]:
    """Return whether a text could pass for a formula, and the text as an element of the format."""
    clean = _cut(plain(text))
    # Excel reads _x0041_ as a sign of its own (ECMA-376, part 1, 22.9.2.19): the first is escaped.
    escaped = escape(_ESCAPED.sub(r"_x005F\1", clean))
    kept = ' xml:space="preserve"' if clean != clean.strip() else ""
    return clean.startswith(FORMULA_SIGNS), f"<t{kept}>{escaped}</t>"


def _cut(text: str) -> str:
    """Return a text that is no longer than a cell may hold, counted as the format does: UTF-16."""
    if len(text) <= _MOST_CHARACTERS // 2 or len(text.encode("utf-16-le")) // 2 <= _MOST_CHARACTERS:
        return text
    most = 2 * (_MOST_CHARACTERS - len(_CUT))
    return text.encode("utf-16-le")[:most].decode("utf-16-le", errors="ignore") + _CUT


# Which tables of a study stand in its workbook.
# ----------------------------------------------------------------------

_PARTS_OF_AN_INDEX = {
    "value": "index values",
    "u_scan": "index u scan",
    "u_reference": "index u reference",
    "u_panel": "index u panel",
}


def sheets_of(material: Material) -> list[Sheet]:
    """Return every table of the study as a sheet; tables without a row are left out."""
    makers: dict[str, Callable[[Material], Iterable[Sheet]]] = {
        "effects_summary": _findings,
        "variants": lambda m: [_sheet_of("variants", _current_variants(m), m)],
        "indices": _index_sheets,
        "accepted": lambda m: [_sheet_of("accepted", _labels(m), m)],
        "signal": lambda m: [*_sheets("signal", m), _spectra_sheet(m)],
        "catalogue": lambda m: [_catalogue_sheet(m)],
        "classes_summary": _class_summary,
    }
    declared = sorted((r for r in RESULTS if r.is_table or r.name in makers), key=lambda r: r.place)
    names = [result.name for result in declared if result.sheet]
    sheets = [
        sheet for name in names for sheet in makers.get(name, partial(_sheets, name))(material)
    ]
    filled = [sheet for sheet in sheets if sheet.n_rows]
    return [_columns_sheet(filled), *filled]


def _sheets(name: str, material: Material) -> Iterator[Sheet]:
    """Yield the sheet of a table as it is: those of the sessions below each other."""
    table = TABLES[name]
    if table.of_classes and material.classes is None:
        return
    if not table.per_session:
        yield _sheet_of(name, material.tables[name], material)
        return
    spectra = {"scans": material.scans, "reflectance": material.reflectance}
    by_session = (
        {session: table.rows for session, table in spectra[name].items()}
        if name in spectra
        else material.by_session[name]
    )
    yield _sheet_of(name, _stacked(by_session), material, files=_files(name, by_session))


def _files(name: str, sessions: Iterable[str]) -> list[str]:
    return [BY_NAME[name].path.format(session=session) for session in sessions]


def _findings(material: Material) -> Iterator[Sheet]:
    findings = [row for row in material.effects_summary.get("findings") or [] if row]
    sentences = [[str(row.get("id", "")), str(row.get("sentence", ""))] for row in findings]
    history = [["plan on record", text] for text in material.plan_sentences]
    marks = [
        [str(row.get("id", "")), f"Verdict: {mark}"]
        for row in findings
        for mark in [_mark(material, str(row.get("id", "")))]
        if mark
    ]
    plan = [["plan", str(text)] for text in material.effects_summary.get("plan") or []]
    words = [Column("kind", "", "which finding, or plan"), Column("sentence", "", "in words")]
    if material.classes is not None:
        sentences.append(["classes", str(material.classes.summary.get("sentence") or "")])
    rows = [*history, *sentences, *marks, *plan]
    about = "What was found, when the plan was recorded, and what it is"
    yield _document("effects_summary", words, rows, about)


def _mark(material: Material, finding: str) -> str:
    marks = {"primary": material.primary_mark, "equivalence": material.margin_mark}
    return marks.get(finding, "")


def _current_variants(material: Material) -> pd.DataFrame:
    """Return the results under other settings; none if they belong to other results than these."""
    frame = material.variants
    stated = [row for row in _records(frame) if row["variant"] == STATED]
    return frame.iloc[:0] if out_of_date(stated, material.records) else frame


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def _index_sheets(material: Material) -> Iterator[Sheet]:
    """Yield each part of the index values with a row for each scan and a column for each index."""
    import pandas as pd

    # Of all rows only the wide tables are held: the sessions are read one after the other.
    tables = material.by_session["indices"]
    wides: dict[str, list[pd.DataFrame]] = {part: [] for part in _PARTS_OF_AN_INDEX}
    not_ok = []
    for table in tables.values():
        if len(table):
            for part, held in wides.items():
                held.append(table.pivot(index="scan", columns="index", values=part))
            not_ok.append(table[table["status"] != "ok"])
    if not not_ok:
        return
    files = _files("indices", tables)
    labels = _labels(material)
    for part, name in _PARTS_OF_AN_INDEX.items():
        wide = pd.concat(wides.pop(part))
        if wide.isna().all(axis=None):
            continue
        names = [i for i in material.catalogue if i in wide.columns]
        wide = wide.reindex(columns=names)
        frame = labels.join(wide, on="scan", how="inner")
        columns = [_column("accepted", str(c), frame, material) for c in labels.columns]
        columns += [Column(i, _unit_of(material, i), _about_index(material, i)) for i in names]
        meaning = meaning_of("indices", part)[1]
        about = f"Every index on every leaf scan, accepted or not: {meaning}"
        rows = _rows_of(frame)
        yield Sheet(name, about, columns, rows, len(frame), files)
    gaps = pd.concat(not_ok, ignore_index=True)
    gaps = gaps.loc[:, [c for c in INDICES if c in gaps.columns]]
    yield _sheet_of("indices", gaps, material, "Index values that could not be taken", files)


def _labels(material: Material) -> pd.DataFrame:
    """Return the leaf scans with the labels of their units."""
    frame = material.accepted.copy()
    for column in sorted({c for row in material.units.values() for c in row}):
        if column not in frame.columns:
            frame[column] = [material.units.get(u, {}).get(column, "") for u in frame["unit"]]
    return frame


def _stacked(by_session: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    import pandas as pd

    frames = [f.assign(session=s) for s, f in by_session.items() if len(f)]
    if not frames:
        return pd.DataFrame()
    whole = pd.concat(frames, ignore_index=True)
    return whole[["session", *(c for c in whole.columns if c != "session")]]


def _spectra_sheet(material: Material) -> Sheet:
    axis = material.spectra.wavelength_nm
    columns = [Column("wavelength", "nm", "wavelength in air")]
    values: list[Any] = [axis]
    for session in material.days.sessions:
        summaries = summaries_by_group(material.spectra, material.groups, session)
        for group, summary in summaries.items():
            n = f"{group} in {session}, n = {summary.n_units} {material.unit_words}"
            columns.append(Column(f"{group} {session} mean", "1", f"mean reflectance of {n}"))
            values.append(summary.mean)
            if summary.sd is not None:
                meaning = f"standard deviation of reflectance between units: {n}"
                columns.append(Column(f"{group} {session} sd", "1", meaning))
                values.append(summary.sd)
    rows = list(zip(*values, strict=True)) if len(values) > 1 else []
    about = "Reflectance of the groups, accepted scans in the trusted range: mean of the unit means"
    files = _files("reflectance", material.reflectance)
    return Sheet("mean spectra", about, columns, rows, len(rows), files)


def _catalogue_sheet(material: Material) -> Sheet:
    columns = [Column("index", "", "name of the index")]
    columns += [Column(name, "", meaning) for name, meaning in (
        ("formula", "R(w) is the reflectance at w nm"), ("unit", "unit of the index"),
        ("source", "where it was published"), ("confusions", "what else moves it"),
    )]  # fmt: skip
    rows = [
        [index, *(entry.get(c.name, "") for c in columns[1:])]
        for index, entry in material.catalogue.items()
    ]
    return _document("catalogue", columns, rows)


def _class_summary(material: Material) -> Iterator[Sheet]:
    if material.classes is not None:
        rows = list(_flat(material.classes.summary, ""))
        words = [Column("entry", "", "name of the entry"), Column("value", "", "its value")]
        yield _document("classes_summary", words, rows)


def _flat(value: Any, key_path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, f"{key_path}.{key}" if key_path else str(key))
    elif isinstance(value, list):
        for i, inner in enumerate(value, start=1):
            yield from _flat(inner, f"{key_path}.{i}")
    else:
        yield key_path, value


def _sheet_of(
    name: str,
    frame: pd.DataFrame,
    material: Material,
    about: str = "",
    files: Sequence[str] | None = None,
) -> Sheet:
    """Return a table of the registry as a sheet."""
    table = TABLES[name]
    columns = [_column(name, str(column), frame, material) for column in frame.columns]
    rows = _rows_of(frame)
    return Sheet(
        table.sheet,
        about or table.about,
        columns,
        rows,
        len(frame),
        [table.path] if files is None else files,
    )


def _rows_of(frame: pd.DataFrame) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of a table; its texts are taken column by column, which is far faster."""
    columns = [frame.iloc[:, i] for i in range(frame.shape[1])]
    yield from zip(*(c.to_numpy(object) if c.dtype == "str" else c for c in columns), strict=True)


def _document(
    name: str, columns: Sequence[Column], rows: Sequence[Sequence[Any]], about: str = ""
) -> Sheet:
    """Return a document of the registry as a sheet."""
    result = BY_NAME[name]
    return Sheet(result.sheet, about or result.about, columns, rows, len(rows), [result.path])


def _column(table: str, name: str, frame: pd.DataFrame, material: Material) -> Column:
    units = [str(u) for u in frame["unit"].unique()] if "unit" in frame.columns else []
    indices = [_unit_of(material, index) for index in material.catalogue]
    unit = unit_in(table, name, units, indices)
    return Column(name, unit, meaning_of(table, name)[1] or "label of the unit")


def _unit_of(material: Material, index: str) -> str:
    return str(material.catalogue[index].get("unit", "1"))


def _about_index(material: Material, index: str) -> str:
    entry = material.catalogue[index]
    return str(entry.get("name") or entry.get("formula") or index)


def _columns_sheet(sheets: Sequence[Sheet]) -> Sheet:
    columns = [
        Column("sheet", "", "name of the sheet"),
        Column("column", "", "name of the column"),
        Column("unit", "", "1 is a plain number; empty for text"),
        Column("meaning", "", "what it holds"),
    ]
    rows = [[s.name, c.name, c.unit, c.meaning] for s in sheets for c in s.columns]
    return Sheet("columns", "What every column of every sheet means", columns, rows, len(rows), [])


# The first sheet of the workbook: the study, and what each sheet holds.
# ----------------------------------------------------------------------


def front_of(material: Material, sheets: Sequence[Sheet]) -> list[list[Any]]:
    """Return the rows of the first sheet: the study, and what each sheet holds."""
    accepted = material.accepted["accepted"]
    wrote = {
        str(file["path"]).removeprefix("results/"): str(file["sha256"])
        for record in material.records.values()
        for file in record.get("outputs", [])
    }
    packages = {str(r.get("code", {}).get("package", "")) for r in material.records.values()}
    rows: list[list[Any]] = [
        [material.title],
        [],
        ["question", material.question or "none stated"],
        ["made by", f"leafledger {' and '.join(sorted(packages - {''}))}".strip()],
        [f"number of {material.unit_words}", _sizes(material)],
        ["sessions", ", ".join(material.days.sessions)],
        ["leaf scans", f"{int(accepted.sum())} accepted of {len(accepted)}"],
        ["trusted range", _range_words(material)],
        ["numbers", "have 16 digits; an empty cell is a missing value"],
        [],
        ["sheet", "what it holds", "rows (1)", "the same in the results folder", "SHA-256 of it"],
    ]
    for sheet in sheets:
        cut = "" if fits(sheet) == sheet.n_rows else (
            f" Only the first {fits(sheet)} of {sheet.n_rows} rows fit into a sheet; the file "
            "beside holds all."
        )  # fmt: skip
        digest = wrote.get(sheet.files[0], "") if len(sheet.files) == 1 else ""
        rows.append([sheet.name, sheet.about + cut, fits(sheet), ", ".join(sheet.files), digest])
    return rows


def _sizes(material: Material) -> str:
    sizes = material.groups.sizes()
    counts = ", ".join(f"{name} {n}" for name, n in sizes.items())
    return f"{sum(sizes.values())} ({counts})"


def _range_words(material: Material) -> str:
    trusted = material.trusted
    why = str(trusted.get("why", ""))
    span = f"{trusted['start_nm']:g} to {trusted['stop_nm']:g} nm"
    return f"{span}. {why[:1].upper()}{why[1:]}" if why else span
