"""All tables in one spreadsheet, the same bytes every time."""

from __future__ import annotations

import datetime as dt
import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.conclusions_held import out_of_date
from leafledger.report.gather import ClassTables, Material
from leafledger.report.numbers import plain
from leafledger.report.time_course_figures import summaries_by_group
from leafledger.study.table_files import FORMULA_SIGNS
from leafledger.study.tables import INDICES, STATED, TABLES, kind_of, meaning_of, unit_in

if TYPE_CHECKING:
    import pandas as pd


# A spreadsheet of several sheets, the same bytes every time.
# ----------------------------------------------------------------------
# Text stays text, whatever it looks like: a label that begins with ``=`` is shown, never run.
# Numbers are stored with 16 significant digits (the library writes no more, a sheet shows 15);
# those of the results folder are whole; a missing one is an empty cell.

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


# Which tables of a study stand in its workbook.
# ----------------------------------------------------------------------

_PARTS_OF_AN_INDEX = {
    "value": "index values",
    "u_scan": "index u scan",
    "u_reference": "index u reference",
    "u_panel": "index u panel",
}
_CLASS_TABLES = ("path", "predictions", "confusion", "per_class", "confused_pairs", "reliability",
                 "permutation", "rivals", "comparison", "questions")  # fmt: skip


def sheets_of(material: Material) -> list[Sheet]:
    """Return every table of the study as a sheet; tables without a row are left out."""
    found = [
        *_tested(material),
        *_index_sheets(material),
        *_measured(material),
        *(_class_sheets(material.classes, material) if material.classes else ()),
    ]
    found = [sheet for sheet in found if sheet.n_rows]
    return [_columns_sheet(found), *found]


def _tested(material: Material) -> Iterator[Sheet]:
    found = [row for row in material.effects_summary.get("findings") or [] if row]
    sentences = [[str(row.get("id", "")), str(row.get("sentence", ""))] for row in found]
    history = [["plan on record", text] for text in material.plan_sentences]
    marks = [
        [str(row.get("id", "")), f"Verdict: {mark}"]
        for row in found
        for mark in [_mark(material, str(row.get("id", "")))]
        if mark
    ]
    plan = [["plan", str(text)] for text in material.effects_summary.get("plan") or []]
    words = [Column("kind", "", "which finding, or plan"), Column("sentence", "", "in words")]
    if material.classes is not None:
        sentences.append(["classes", str(material.classes.summary.get("sentence") or "")])
    rows = [*history, *sentences, *marks, *plan]
    yield Sheet("findings", "What was found, when the plan was recorded, and what it is", words,
                rows, len(rows), ["effects.json"])  # fmt: skip
    for path, frame in (
        ("effects.csv", material.effects),
        ("sensitivity.csv", material.sensitivity),
        ("variants.csv", _current_variants(material)),
        ("unit_indices.csv", material.unit_indices),
        ("group_means.csv", material.group_means),
        ("spectrum_effects.csv", material.spectrum_effects),
        ("variance_components.csv", material.variance_components),
        ("power.csv", material.power),
    ):
        yield _sheet_of(path, frame, material)


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

    frames = [f for f in material.indices.values() if len(f)]
    if not frames:
        return
    whole = pd.concat(frames, ignore_index=True)
    files = [f"indices/{session}.parquet" for session in material.indices]
    labels = _labels(material)
    names = [i for i in material.catalogue if (whole["index"] == i).any()]
    for part, name in _PARTS_OF_AN_INDEX.items():
        if whole[part].isna().all():
            continue
        wide = whole.pivot(index="scan", columns="index", values=part).reindex(columns=names)
        frame = labels.join(wide, on="scan", how="inner")
        columns = [_column("accepted.csv", str(c), frame, material) for c in labels.columns]
        columns += [Column(i, _unit_of(material, i), _about_index(material, i)) for i in names]
        meaning = meaning_of("indices", part)[1]
        about = f"Every index on every leaf scan, accepted or not: {meaning}"
        yield Sheet(name, about, columns, _rows(frame), len(frame), files)
    gaps = whole[whole["status"] != "ok"].loc[:, [c for c in INDICES if c in whole.columns]]
    yield _sheet_of("indices", gaps, material, "index gaps", "Index values that could not be taken",
                    files)  # fmt: skip


def _labels(material: Material) -> pd.DataFrame:
    """Return the leaf scans with the labels of their units."""
    frame = material.accepted.copy()
    for column in sorted({c for row in material.units.values() for c in row}):
        if column not in frame.columns:
            frame[column] = [material.units.get(u, {}).get(column, "") for u in frame["unit"]]
    return frame


def _measured(material: Material) -> Iterator[Sheet]:
    yield _sheet_of("accepted.csv", _labels(material), material, "leaf scans")
    yield _sheet_of("exclusions.csv", material.exclusions, material)
    flags, signal = _stacked(material.quality), _stacked(material.signal)
    session = list(material.quality)
    yield _sheet_of("quality", flags, material, "quality flags",
                    files=[f"quality/{s}.parquet" for s in session])  # fmt: skip
    yield _sheet_of("session_effects.csv", material.session_effects, material)
    yield _sheet_of("order_effects.csv", material.order_effects, material)
    yield _sheet_of("signal", signal, material, "signal to noise",
                    files=[f"quality/{s}.signal.parquet" for s in session])  # fmt: skip
    yield _spectra_sheet(material)
    yield _sheet_of("levels", _stacked(material.levels), material,
                    files=[f"quality/{s}.levels.parquet" for s in session])  # fmt: skip
    for kind, name, tables in (
        ("scans", "all scans", material.scans),
        ("reflectance", "references used", material.reflectance),
    ):
        frame = _stacked({s: table.rows for s, table in tables.items()})
        yield _sheet_of(kind, frame, material, name, files=[f"{kind}/{s}.parquet" for s in tables])
    yield _catalogue_sheet(material)


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
        found = summaries_by_group(material.spectra, material.groups, session)
        for group, summary in found.items():
            n = f"{group} in {session}, n = {summary.n_units} {material.unit_words}"
            columns.append(Column(f"{group} {session} mean", "1", f"mean reflectance of {n}"))
            values.append(summary.mean)
            if summary.sd is not None:
                meaning = f"standard deviation of reflectance between units: {n}"
                columns.append(Column(f"{group} {session} sd", "1", meaning))
                values.append(summary.sd)
    rows = list(zip(*values, strict=True)) if len(values) > 1 else []
    about = "Reflectance of the groups, accepted scans in the trusted range: mean of the unit means"
    files = [f"reflectance/{s}.parquet" for s in material.reflectance]
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
    return Sheet("index catalogue", "Formula, unit and source of every index used", columns, rows,
                 len(rows), ["indices/catalogue.json"])  # fmt: skip


def _class_sheets(classes: ClassTables, material: Material) -> Iterator[Sheet]:
    for kind in _CLASS_TABLES:
        frame = getattr(classes, kind)
        name = f"classes {kind.replace('_', ' ')}"
        yield _sheet_of(f"classes/{kind}.csv", frame, material, name)
    yield _sheet_of("classes/spectra_terms.parquet", classes.terms, material, "classes terms")
    rows = [[key, value] for key, value in _flat(classes.summary, "")]
    words = [Column("entry", "", "name of the entry"), Column("value", "", "its value")]
    yield Sheet("classes summary", "The classifier: classes, rules, accuracy with intervals, p",
                words, rows, len(rows), ["classes/summary.json"])  # fmt: skip


def _flat(value: Any, place: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, f"{place}.{key}" if place else str(key))
    elif isinstance(value, list):
        for i, inner in enumerate(value, start=1):
            yield from _flat(inner, f"{place}.{i}")
    else:
        yield place, value


def _sheet_of(
    path: str,
    frame: pd.DataFrame,
    material: Material,
    name: str | None = None,
    about: str | None = None,
    files: Sequence[str] | None = None,
) -> Sheet:
    kind = kind_of(path)
    columns = [_column(path, str(column), frame, material) for column in frame.columns]
    return Sheet(
        name or kind.replace("_", " "),
        about or TABLES[kind],
        columns,
        _rows(frame),
        len(frame),
        files if files is not None else [path],
    )


def _column(path: str, name: str, frame: pd.DataFrame, material: Material) -> Column:
    units = [str(u) for u in frame["unit"].unique()] if "unit" in frame.columns else []
    indices = [_unit_of(material, index) for index in material.catalogue]
    unit = unit_in(path, name, units, indices)
    return Column(name, unit, meaning_of(path, name)[1] or "label of the unit")


def _unit_of(material: Material, index: str) -> str:
    return str(material.catalogue[index].get("unit", "1"))


def _about_index(material: Material, index: str) -> str:
    entry = material.catalogue[index]
    return str(entry.get("name") or entry.get("formula") or index)


def _rows(frame: pd.DataFrame) -> Iterator[Sequence[Any]]:
    return frame.itertuples(index=False, name=None)


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
    told = ", ".join(f"{name} {n}" for name, n in sizes.items())
    return f"{sum(sizes.values())} ({told})"


def _range_words(material: Material) -> str:
    trusted = material.trusted
    why = str(trusted.get("why", ""))
    span = f"{trusted['start_nm']:g} to {trusted['stop_nm']:g} nm"
    return f"{span}. {why[:1].upper()}{why[1:]}" if why else span
