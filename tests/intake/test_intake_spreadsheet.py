"""Workbooks: a scan in each sheet, in each row, in each file; and cells that are no numbers.

The form of the files is ECMA-376 (SpreadsheetML). Whole workbooks are written by xlsxwriter and
openpyxl; what openpyxl reads of them is the outside value.
"""

import io
import re
from datetime import date

import numpy as np
import openpyxl
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st
from workbooks import MAIN, number_rows, parts, relations, scan, wide, workbook, zipped

from leafledger.errors import InputFault
from leafledger.intake.raw_scan import FileForm
from leafledger.intake.spreadsheet import read_spreadsheet


def read(data: bytes, items=("",), **form):
    return read_spreadsheet(data, "raw/a.xlsx", FileForm(form="spreadsheet", **form), items)


def rows(data: bytes, **form):
    form.setdefault("scan_column", "label")
    return read(data, scans_in="rows", **form)


def problems(data: bytes, items=("",), **form):
    with pytest.raises(InputFault) as caught:
        read(data, items, **form)
    assert all(p.file == "raw/a.xlsx" and p.expected for p in caught.value.problems)
    return caught.value.problems


def edited(write) -> bytes:
    """Return a workbook written by openpyxl, which keeps formulas without their results."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Data"
    write(book, sheet)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def filled(book, sheet) -> None:
    for row in scan():
        sheet.append(row)


def test_a_file_of_one_scan() -> None:
    scans = read(workbook({"Sheet1": scan()}))
    assert scans.wavelength_nm.tolist() == [400.0 + i for i in range(15)]
    assert scans.values.tolist() == [[0.25 + i for i in range(15)]]
    assert scans.items == ("Sheet1",)
    assert not scans.notes


def test_a_sheet_for_each_scan() -> None:
    data = workbook({"Info": [["made by", "us"]], "p1": scan(first=1), "p2": scan(first=2)})
    scans = read(data, ["p2", "p1"])
    assert scans.items == ("p2", "p1")
    assert scans.values[:, 0].tolist() == [2.0, 1.0]
    assert scans.notes == ("sheets that the scan sheet does not name: Info",)


def test_the_sheet_that_the_form_names() -> None:
    data = workbook({"Info": [["made by", "us"]], "Data": scan()})
    assert read(data, sheet="Data").items == ("Data",)
    assert "3 sheets" in problems(workbook({k: scan() for k in "abc"}))[0].found
    assert 'Did you mean "Data"?' in problems(data, sheet="Date")[0].mend
    assert "no sheet" in problems(data, ["p1"])[0].found


def test_a_hidden_sheet_is_not_taken_by_itself_and_told() -> None:
    data = workbook({"old": scan(first=9), "new": scan()}, old=True)
    assert read(data).values[0, 0] == 0.25
    told = read(data, ["old"])
    assert told.values[0, 0] == 9.0
    assert 'sheet "old" is hidden, and was read' in told.notes


def test_a_wide_table() -> None:
    scans = rows(workbook({"all": [["a title"], [], *wide()]}))
    assert scans.wavelength_nm.tolist() == [500.0 + 10 * i for i in range(12)]
    assert scans.items == ("leaf0", "leaf1", "leaf2")
    assert scans.values[2, 7] == 2.07


def test_a_wide_table_falls_and_has_numbers_for_names() -> None:
    table = [[row[0], *row[:1:-1]] for row in wide()]
    for i, row in enumerate(table[1:]):
        row[0] = 7 + i
    scans = rows(workbook({"all": table}))
    assert scans.items == ("7", "8", "9")
    assert scans.wavelength_nm[0] == 500.0
    assert scans.values[1, 0] == 1.0


def test_header_above_footer_below_and_columns_by_name() -> None:
    table = [["Instrument", "s1"], ["n", "wavelength", "counts"]]
    table += [[i, 400 + i, i * 2.5] for i in range(20)] + [[], ["end of data"]]
    data = workbook({"x": table})
    scans = read(data, wavelength_column="wavelength", value_column="counts")
    assert scans.values[0].tolist() == [i * 2.5 for i in range(20)]
    np.testing.assert_array_equal(
        read(data, wavelength_column="2", value_column="3").values, scans.values
    )
    wrong = problems(data, wavelength_column="wavelenght", value_column="counts")
    assert wrong[0].column == "wavelength_column"
    assert '"wavelength"' in wrong[0].mend


def test_empty_rows_are_passed_over() -> None:
    table = scan()
    table[5:5] = [[], [None, None], []]
    assert read(workbook({"x": table})).values.shape == (1, 15)


def test_numbers_typed_as_text() -> None:
    table = [["nm", "counts"], *([f"{400 + i},5", f"{i},25"] for i in range(15))]
    scans = read(workbook({"x": table}))
    assert scans.wavelength_nm[0] == 400.5
    assert scans.values[0, 3] == 3.25
    assert scans.notes == ('sheet "x": 30 numbers are typed as text',)
    table[4][1] = "3.25"
    found = problems(workbook({"x": table}))
    assert "decimal comma" in found[0].found
    assert "B5" in found[0].found
    assert problems(workbook({"x": table}), decimal="comma")[0].row == 5


@pytest.mark.parametrize("form", ["sheets", "rows"])
@pytest.mark.parametrize(
    ("value", "word"),
    [
        ("n.a.", '"n.a."'),
        (date(2026, 5, 12), "shown as a date"),
        ("=1/0", "a formula whose result is not in the file"),
        (True, "TRUE or FALSE"),
        ("#N/A", "the error"),
        (None, "an empty cell"),
    ],
)
def test_a_cell_that_is_no_number_is_named(form: str, value, word: str) -> None:
    def write(book, sheet) -> None:
        for row in scan() if form == "sheets" else wide(n=8):
            sheet.append(row)
        sheet["B7" if form == "sheets" else "H7"] = value

    found = problems(edited(write), scans_in=form, scan_column="label")
    assert len(found) == 1
    assert word in found[0].found
    assert found[0].row == 7
    assert found[0].column == f'sheet "Data", column {"B" if form == "sheets" else "H"}'


def test_all_odd_cells_are_told_together() -> None:
    def write(book, sheet) -> None:
        filled(book, sheet)
        for cell in ("B3", "B9", "A12"):
            sheet[cell] = "#VALUE!"

    assert [p.row for p in problems(edited(write))] == [3, 9, 12]


def test_the_results_of_formulas_are_read() -> None:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out)
    sheet = book.add_worksheet("x")
    for i in range(15):
        sheet.write(i, 0, 400 + i)
        sheet.write_formula(i, 1, f"=A{i + 1}*2", None, 2 * (400 + i))
    book.close()
    assert read(out.getvalue()).values[0, 3] == 806.0


def test_merged_cells_in_the_scan_are_refused_above_it_not() -> None:
    def above(book, sheet) -> None:
        sheet.append(["a title"])
        sheet.merge_cells("A1:D1")
        filled(book, sheet)

    def inside(book, sheet) -> None:
        filled(book, sheet)
        sheet.merge_cells("B6:B7")

    assert read(edited(above)).values.shape == (1, 15)
    found = problems(edited(inside))
    assert any(p.found == "merged cells B6:B7" and p.row == 6 for p in found)

    def labels(book, sheet) -> None:
        for row in wide():
            sheet.append(row)
        sheet.merge_cells("A2:A3")

    found = problems(edited(labels), scans_in="rows", scan_column="label")
    assert {p.row for p in found} == {2, 3}


def test_hidden_rows_are_told() -> None:
    def write(book, sheet) -> None:
        filled(book, sheet)
        sheet.row_dimensions[4].hidden = True

    assert read(edited(write)).notes == ('sheet "Data": 1 hidden rows were read like the others',)


@pytest.mark.parametrize("code", ["0%", "0.00%", '0.0" of white" %'])
def test_fractions_shown_as_percent_are_not_divided_again(code: str) -> None:
    """ECMA-376, 18.8.31: the percent sign in a format shows the number times one hundred."""

    def write(book, sheet) -> None:
        for row in scan(first=0):
            sheet.append([row[0], row[1] if row[1] == "counts" else row[1] / 100])
        for row in sheet.iter_rows(min_row=2, min_col=2):
            row[0].number_format = code

    data = edited(write)
    assert read(data, quantity="reflectance").values[0, 7] == 0.07
    found = problems(data, quantity="percent")
    assert "shown as percent" in found[0].found
    assert "quantity: reflectance" in found[0].mend
    assert found[0].column == 'sheet "Data", column B'


@pytest.mark.parametrize(
    ("head", "word"),
    [(date(2026, 5, 12), "shown as a date"), (None, "no heading"), (-505, '"-505"')],
)
def test_headings_that_are_no_wavelengths(head, word: str) -> None:
    def write(book, sheet) -> None:
        for row in wide(p=14):
            sheet.append(row)
        sheet["F1"] = head

    found = problems(edited(write), scans_in="rows", scan_column="label")
    assert word in found[0].found
    assert found[0].row == 1
    assert found[0].column == 'sheet "Data", column F'


@pytest.mark.parametrize("unit", ["", " um", " \N{MICRO SIGN}m"])
def test_headings_in_micrometres_are_said_once(unit: str) -> None:
    def head(i: int) -> object:
        return f"{0.4 + i / 100:.2f}{unit}" if unit else round(0.4 + i / 100, 2)

    table = [["title"], ["label", *(head(i) for i in range(60))]]
    table += [[f"leaf{k}", *(0.2 + k + i / 200 for i in range(60))] for k in range(9)]
    (found,) = problems(workbook({"x": table}), scans_in="rows", scan_column="label")
    assert "micrometres" in found.found
    assert found.row == 2
    assert "multiply them by 1000" in found.mend


@pytest.mark.parametrize("form", [{}, {"wavelength_column": "Axis (um)", "value_column": "y"}])
def test_a_heading_in_micrometres_above_nm_is_said(form) -> None:
    rows = [["Slit", "25 um"], ["Axis (um)", "y"], *([400 + i, 0.25 + i] for i in range(15))]
    (note,) = read(workbook({"Leaf": rows}), **form).notes
    assert note.startswith('sheet "Leaf": the heading "Axis (um)" says micrometres')
    rows[1] = ["Axis (nm)", "y"]
    assert read(workbook({"Leaf": rows})).notes == ()


def test_a_wide_table_needs_a_scan_column_and_whole_rows() -> None:
    data = workbook({"x": wide()})
    assert "scan_column" in problems(data, scans_in="rows")[0].found
    assert "label" in problems(data, scans_in="rows", scan_column="lable")[0].mend
    table = [*wide(), ["a remark below the table"]]
    found = problems(workbook({"x": table}), scans_in="rows", scan_column="label")
    assert found[0].found == "a row without any value"
    assert found[0].row == 5
    assert "scans_in: sheets" in problems(workbook({"x": scan()}), scans_in="rows")[0].mend


def test_a_row_without_name() -> None:
    table = wide()
    table[2][0] = None
    found = problems(workbook({"x": table}), scans_in="rows", scan_column="label")
    assert [(p.row, p.expected) for p in found] == [(3, "the name of the scan")]


def test_sheets_with_other_wavelengths() -> None:
    data = workbook({"a": scan(), "b": scan(20)})
    assert 'sheet "b" with 20 wavelengths' in problems(data, ["a", "b"])[0].found


def test_rich_and_inline_text_prefixes_and_cells_without_places() -> None:
    head = (
        '<x:row><x:c t="inlineStr"><x:is><x:r><x:t>wave</x:t></x:r><x:r><x:t>length</x:t></x:r>'
        '</x:is></x:c><x:c t="s"><x:v>0</x:v></x:c></x:row>'
    )
    body = "".join(
        f"<x:row><x:c><x:v>{400 + i}</x:v></x:c><x:c><x:v>{i}.5</x:v></x:c></x:row>"
        for i in range(12)
    )
    named = parts()
    named["xl/worksheets/sheet1.xml"] = (
        f'<x:worksheet xmlns:x="{MAIN}"><x:sheetData>{head}{body}</x:sheetData></x:worksheet>'
    )
    named["xl/sharedStrings.xml"] = (
        f'<sst xmlns="{MAIN}"><si><r><t>la</t></r><r><t>bel</t></r><rPh><t>x</t></rPh></si></sst>'
    )
    scans = read(zipped(named), wavelength_column="wavelength", value_column="label")
    assert scans.values[0].tolist() == [i + 0.5 for i in range(12)]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.booleans(), st.booleans())
def test_round_trip_against_openpyxl(seed: int, as_rows: bool, falls: bool) -> None:
    rng = np.random.default_rng(seed)
    axis = np.round(400 + 0.7 * np.arange(14), 3)[:: -1 if falls else 1]
    values = rng.normal(50, 30, (3, 14)) * 10.0 ** rng.integers(-9, 9, (3, 14))
    if as_rows:
        table = [["label", *axis.tolist()]]
        table += [[f"s{i}", *row.tolist()] for i, row in enumerate(values)]
        data = workbook({"t": table})
        scans = rows(data)
    else:
        sheets = {
            f"s{i}": [["nm", "v"], *zip(axis.tolist(), row.tolist(), strict=True)]
            for i, row in enumerate(values)
        }
        data = workbook(sheets)
        scans = read(data, list(sheets))
    book = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
    if as_rows:
        other = np.array([row[1:] for row in book["t"].iter_rows(min_row=2, values_only=True)])
    else:
        other = np.array(
            [[v for _, v in book[s].iter_rows(min_row=2, values_only=True)] for s in sheets]
        )
    np.testing.assert_array_equal(scans.values, other[:, :: -1 if falls else 1].astype(float))
    # xlsxwriter writes 16 significant digits, so that one digit in the last place may be lost.
    np.testing.assert_allclose(scans.values, values[:, :: -1 if falls else 1], rtol=1e-15)


@pytest.mark.parametrize(
    ("part", "old", "new", "word"),
    [
        ("xl/worksheets/sheet1.xml", "<sheetData>", "<!DOCTYPE a><sheetData>", "broken XML"),
        ("xl/worksheets/sheet1.xml", "<worksheet", "<!DOCTYPE a []><worksheet", "document type"),
        (
            "xl/sharedStrings.xml",
            "<sst",
            '<!DOCTYPE s [<!ENTITY a "b"><!ENTITY c "&a;&a;">]><sst',
            "document type",
        ),
        (
            "xl/workbook.xml",
            "<workbook",
            '<!DOCTYPE w SYSTEM "file:///etc/passwd"><workbook',
            "document type",
        ),
        ("xl/workbook.xml", 'r:id="r1"', 'r:id="r9"', "without worksheets"),
        ("xl/workbook.xml", "<workbook", '<?xml version="1.0" encoding="utf-7"?><workbook', ""),
        ("xl/worksheets/sheet1.xml", "</worksheet>", "", "broken XML"),
        ("xl/worksheets/sheet1.xml", 'r="A3"', 'r="XFE3"', "out of its place"),
        ("xl/worksheets/sheet1.xml", 'r="B3"', 'r="A3"', "out of its place"),
        ("xl/worksheets/sheet1.xml", 'row r="3"', 'row r="9999999"', "rows that rise"),
        ("xl/worksheets/sheet1.xml", 'row r="3"', 'row r="1"', "rows that rise"),
        ("xl/worksheets/sheet1.xml", '<c r="B3">', '<c r="B3" t="s">', "shared text"),
        ("xl/worksheets/sheet1.xml", "<v>2.25</v>", "<v>1e999</v>", "no finite number"),
        ("xl/worksheets/sheet1.xml", "<v>2.25</v>", "<v>1_0</v>", "no finite number"),
        ("xl/worksheets/sheet1.xml", "<sheetData>", "<a>" * 70 + "<sheetData>", "nested deeper"),
        ("xl/_rels/workbook.xml.rels", "worksheets/sheet1.xml", "../../x.xml", "no part"),
    ],
)
def test_broken_and_hostile_parts(part: str, old: str, new: str, word: str) -> None:
    named = parts(number_rows())
    assert old in named[part]
    named[part] = named[part].replace(old, new, 1)
    found = problems(zipped(named))
    said = " ".join(f"{p.found} {p.expected}" for p in found)
    assert word in said, said


def test_links_to_other_workbooks_are_refused() -> None:
    named = parts(number_rows())
    named["xl/_rels/workbook.xml.rels"] = relations(
        ("r1", "worksheet", "worksheets/sheet1.xml"),
        ("r2", "externalLink", "externalLinks/externalLink1.xml"),
    )
    assert "other workbooks" in problems(zipped(named))[0].found
    named = parts(number_rows()) | {"xl/externalLinks/externalLink1.xml": "<externalLink/>"}
    assert "other workbooks" in problems(zipped(named))[0].found


def test_no_workbook_at_all() -> None:
    assert "password" in problems(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))[0].found
    assert "no whole .xlsx" in problems(b"nm;counts\n400;1\n")[0].found
    assert "no whole .xlsx" in problems(workbook({"x": scan()})[:-30])[0].found
    assert "no part" in problems(zipped({"a.txt": "x"}))[0].found
    with_binary = parts(number_rows())
    with_binary["_rels/.rels"] = with_binary["_rels/.rels"].replace("workbook.xml", "workbook.bin")
    assert "without a workbook" in problems(zipped(with_binary))[0].found


def test_a_false_size_of_the_sheet_is_not_believed() -> None:
    named = parts(number_rows())
    text = named["xl/worksheets/sheet1.xml"]
    named["xl/worksheets/sheet1.xml"] = re.sub(
        "<sheetData>", '<dimension ref="A1:XFD1048576"/><sheetData>', text
    )
    assert read(zipped(named)).values.shape == (1, 15)
