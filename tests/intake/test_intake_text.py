"""Text files of one scan: every dialect, every kind of damage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.intake.raw_scan import FileForm
from leafledger.intake.text import read_text

MARKS = {"tab": "\t", "comma": ",", "semicolon": ";", "space": "  "}
HEADERS = [
    "Integration time (ms): 100",
    "Pixels 2048",
    "Date 2026-05-04 09:12:30",
    "09:12:30 100",
    "100 ms",
    "Range: 340.5 1025",
    "Boxcar\t5",
    "Notes; leaf 3, upper side",
    ">>>>> Begin <<<<<",
    "# 12 34 56",
    "",
    "coefficients 1.2E+03 -4.5E-02",
    "Grün, 25 °C",
]


def scan_rows(n: int = 60) -> list[str]:
    return [f"{400 + 0.5 * i:.1f}\t{1000 + i}" for i in range(n)]


def text_of(rows: list[str], *, header: tuple[str, ...] = ("Scan of a leaf",), footer=()) -> bytes:
    return ("\n".join([*header, *rows, *footer]) + "\n").encode()


def read(data: bytes, **form):
    return read_text(data, "raw/a.txt", FileForm(**form))[0]


def problems(data: bytes, **form):
    with pytest.raises(InputFault) as caught:
        read(data, **form)
    assert all(p.file == "raw/a.txt" for p in caught.value.problems)
    return caught.value.problems


@st.composite
def dialects(draw):
    delimiter = draw(st.sampled_from(list(MARKS)))
    decimal = "point" if delimiter == "comma" else draw(st.sampled_from(["point", "comma"]))
    return {
        "delimiter": delimiter,
        "decimal": decimal,
        "newline": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "codec": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"])),
        "header": draw(st.lists(st.sampled_from(HEADERS), max_size=25)),
        "footer": draw(st.sampled_from([[], ["End of data"], ["", ">>>>> End <<<<<", ""]])),
        "last_newline": draw(st.booleans()),
        "falls": draw(st.booleans()),
        "exponent": draw(st.booleans()),
        "extra": draw(st.integers(0, 2)),
    }


@settings(max_examples=120, deadline=None)
@given(dialects(), st.integers(10, 80), st.integers(0, 2**32 - 1))
def test_what_is_written_in_any_dialect_is_read_back(dialect, n, seed) -> None:
    rng = np.random.default_rng(seed)
    axis = np.round(350.3 + np.cumsum(rng.uniform(0.2, 0.5, n)), 3)
    values = np.round(rng.normal(3000, 2000, n), 2)
    order = range(n - 1, -1, -1) if dialect["falls"] else range(n)
    shape = "{:.4E}" if dialect["exponent"] else "{:.2f}"
    rows = []
    for i in order:
        extra = [f"{rng.uniform(0, 9):.1f}" for _ in range(dialect["extra"])]
        fields = [f"{axis[i]:.3f}", shape.format(values[i]), *extra]
        if dialect["decimal"] == "comma":
            fields = [field.replace(".", ",") for field in fields]
        rows.append(MARKS[dialect["delimiter"]].join(fields))
    # A file of another encoding holds a character that shows it.
    lines = ["Blätter", *dialect["header"], *rows, *dialect["footer"]]
    text = dialect["newline"].join(lines) + (dialect["newline"] if dialect["last_newline"] else "")
    data = text.encode(dialect["codec"])
    expected = np.array([float(shape.format(v)) for v in values])

    scans, layout = read_text(data, "raw/a.txt", FileForm())
    assert np.array_equal(scans.wavelength_nm, axis)
    assert np.array_equal(scans.values[0], expected)
    assert not scans.notes
    again, _ = read_text(data, "raw/a.txt", FileForm(), layout)
    assert np.array_equal(again.wavelength_nm, axis)
    assert np.array_equal(again.values, scans.values)


def test_files_written_alike_take_the_fast_way_and_others_do_not() -> None:
    first = text_of(scan_rows())
    _, layout = read_text(first, "a", FileForm())
    assert layout is not None
    other = [row.replace("\t1", "\t2") for row in scan_rows()]
    assert layout.values(text_of(other))[0] == 2000
    assert layout.values(text_of(other[:-1])) is None
    for header in (("one", "two", "three"), ("Scan",), ()):  # the header may be longer or shorter
        values = layout.values(text_of(other, header=header))
        assert (values is None) == (not header)
        assert values is None or values[0] == 2000
    assert layout.values(text_of(other, header=("one", "399.5\t1000"))) is None
    assert layout.values(text_of(["399.5\t7", *other], header=())) is None  # a row is no header
    assert layout.values(text_of(other, footer=("430.0\t7",))) is None
    for bad in ("12a4", "NaN", "inf", "", "1 2", "1_0"):
        damaged = [*other[:30], f"415.0\t{bad}", *other[31:]]
        assert layout.values(text_of(damaged)) is None, bad


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_the_fast_way_never_differs_from_the_careful_one(data) -> None:
    """Mutate a file at random: fast reading gives the careful result or steps aside."""
    columns = data.draw(st.sampled_from([2, 3]))
    rows = [row + "\t7.5" * (columns - 2) for row in scan_rows(20)]
    base = text_of(rows, footer=data.draw(st.sampled_from([(), ("End",)])))
    _, layout = read_text(base, "a", FileForm())
    assert layout is not None
    mutated = bytearray(base)
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(mutated) - 1))
        piece = data.draw(st.sampled_from([b"", b"1", b"-", b"\t", b"\n", b" ", b".", b"x", b"E"]))
        mutated[at : at + data.draw(st.integers(0, 2))] = piece
    fast = layout.values(bytes(mutated))
    if fast is not None:
        careful, _ = read_text(bytes(mutated), "a", FileForm())
        assert np.array_equal(careful.values[0], fast)
        assert np.array_equal(careful.wavelength_nm, layout.axis)


@pytest.mark.parametrize("names", [("Wavelength", "Scope"), ("1", "Scope"), ("Wavelength", "3")])
def test_columns_by_name_and_number(names) -> None:
    rows = [f"{400 + i},{i}.5,{2 * i}.25" for i in range(20)]
    data = text_of(rows, header=("Scope of the study", "Wavelength,Dark,Scope"))
    scans = read(data, wavelength_column=names[0], value_column=names[1])
    assert scans.values[0, 3] == 6.25


def test_a_name_with_a_blank_in_a_file_split_by_blanks() -> None:
    rows = [f"{400 + i}   {i}.5   {2 * i}.25" for i in range(20)]
    data = text_of(rows, header=("Wave length   Dark   Leaf 1",))
    assert read(data, wavelength_column="Wave length", value_column="Leaf 1").values[0, 2] == 4.25


def test_a_name_that_is_not_there() -> None:
    (problem,) = problems(text_of(scan_rows(), header=("nm\tCounts",)), value_column="Count")
    assert problem.column == "value_column"
    assert "Counts" in problem.mend


@pytest.mark.parametrize("bad", ["12a4", "NaN", "nan", "inf", "-Infinity", "", "1.2.3", "1e999"])
@pytest.mark.parametrize("at", [0, 1, 30, 58, 59])
def test_text_in_a_row_is_named_wherever_it_stands(bad: str, at: int) -> None:
    rows = scan_rows()
    rows[at] = rows[at].split("\t")[0] + "\t" + bad
    for footer in ((), ("End of data",)):
        found = problems(text_of(rows, footer=footer))
        assert [p.row for p in found] == [at + 2]


@pytest.mark.parametrize("at", [0, 1, 30, 58, 59])
@pytest.mark.parametrize("bad", ["4x2.0", "NaN", "41?5"])
def test_a_damaged_wavelength_is_named(bad: str, at: int) -> None:
    rows = scan_rows()
    rows[at] = f"{bad}\t{1000 + at}"
    assert [p.row for p in problems(text_of(rows))] == [at + 2]


def test_words_inside_the_rows_are_no_footer() -> None:
    rows = [*scan_rows()[:40], "lamp was switched", *scan_rows()[40:]]
    assert [p.row for p in problems(text_of(rows))] == [42]


def test_every_damaged_row_is_reported_up_to_fifty() -> None:
    rows = scan_rows(200)
    for i in range(0, 200, 2):
        rows[i] = rows[i].replace("\t1", "\tx1")
    found = problems(text_of(rows))
    assert [p.row for p in found[:50]] == [i + 2 for i in range(0, 100, 2)]
    assert len(found) == 51
    assert "50 more" in found[-1].found


def test_footers_with_numbers_are_footers() -> None:
    footer = ("End of data", "Mean 1029.5", "100 ms", "Pixels: 60", "2026-05-04 09:12:30 5")
    assert read(text_of(scan_rows(), footer=footer)).values.shape == (1, 60)


def test_a_header_row_of_two_numbers_is_left_out_with_a_note() -> None:
    scans = read(text_of(scan_rows(), header=("x", "2048\t1")))
    assert scans.values.shape == (1, 60)
    assert "row 2" in scans.notes[0]


def test_a_header_table_of_numbers_is_header_but_a_second_scan_is_not() -> None:
    header = ("Gains", "1\t0.5", "2\t0.7", "3\t0.4", "Wavelength\tCounts")
    assert read(text_of(scan_rows(), header=header)).values.shape == (1, 60)
    two = text_of([*scan_rows(), "Second", *scan_rows()])
    assert "second table" in problems(two)[0].found


def test_cut_off_files() -> None:
    whole = text_of(scan_rows())
    assert problems(whole[:-7])[-1].row == 61  # inside the last wavelength: "429"
    assert "10" in problems(text_of(scan_rows(5)))[0].expected


@pytest.mark.parametrize("row", ["400,5,1000,2", "400,1000,3"])
def test_commas_that_may_be_both_are_asked_about(row: str) -> None:
    rows = [row.replace("400", str(400 + i)) for i in range(20)]
    (problem,) = problems(text_of(rows))
    assert "decimal: point" in problem.mend
    scans = read(text_of(rows), decimal="point")
    assert scans.values[0, 0] == float(row.split(",")[1])


def test_commas_that_change_in_number_are_asked_about() -> None:
    rows = [f"{400 + i // 2}{',5' if i % 2 else ''},{1000 + i}" for i in range(30)]
    assert "delimiters or decimal" in problems(text_of(rows))[0].expected


def test_quoted_decimal_commas_are_no_question() -> None:
    rows = [f'"{400 + i},5","{i},25"' for i in range(20)]
    scans = read(text_of(rows))
    assert (scans.wavelength_nm[0], scans.values[0, 2]) == (400.5, 2.25)


def test_point_and_comma_in_one_number_are_no_number() -> None:
    rows = [f"{400 + i}.5;1.0{i:02d},5" for i in range(20)]
    assert "no row of numbers" in problems(text_of(rows))[0].found


@pytest.mark.parametrize(
    ("change", "row", "word"),
    [
        (lambda r: [r[1], r[0], *r[2:]], 3, "rise"),
        (lambda r: [*r[:30], r[29], *r[30:]], 32, "not there yet"),
        (lambda r: [*r[:30], r[50], *r[31:]], 33, "rise"),
    ],
)
def test_order_of_wavelengths(change, row: int, word: str) -> None:
    found = problems(text_of(change(scan_rows())))
    assert [p.row for p in found] == [row]
    assert word in found[0].expected


@pytest.mark.parametrize(
    ("factor", "n", "word"),
    [(-1, 20, "wavelength"), (0.0001, 20, "wavelength"), (1000, 1, "a thousand times too long"),
     (0.001, 1, "micrometres")],
)  # fmt: skip
def test_absurd_wavelengths(factor: float, n: int, word: str) -> None:
    """Each has its row, but for another unit (a thousandth or a thousandfold), said once."""
    rows = [f"{(400 + i) * factor:.5f}\t{i}" for i in range(20)]
    found = problems(text_of(rows))
    assert len([p for p in found if "150 to 30000" in p.expected]) == n
    assert word in found[0].found


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b"  \r\n\t\n", "empty"),
        (b"Header only\nWavelength\tCounts\n", "no row of numbers"),
        (bytes(range(256)) * 40, "binary"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0", "binary"),
        (b"400 " + b"1" * 200_000, "a line of"),
        (b"\n" * 250_000 + b"1", "lines"),
    ],
)
def test_what_is_no_scan(data: bytes, word: str) -> None:
    assert word in problems(data)[0].found


def test_stated_dialects_are_obeyed() -> None:
    data = text_of(scan_rows())
    assert "`delimiter: comma`" in problems(data, delimiter="comma")[0].found
    assert "`decimal: comma`" in problems(data, decimal="comma")[0].found
    latin = text_of(scan_rows(), header=("x",)).replace(b"x", b"\xe9")
    assert read(latin).values.shape == (1, 60)
    assert problems(latin, encoding="utf-8")[0].row == 1


@pytest.mark.parametrize(("wavelength", "value"), [("0", "2"), ("1", "0"), ("2", "2"), ("1", "9")])
def test_columns_that_cannot_be(wavelength: str, value: str) -> None:
    assert problems(text_of(scan_rows()), wavelength_column=wavelength, value_column=value)


@pytest.mark.parametrize("delimiter", ["\t", ";", " "])
@pytest.mark.parametrize("unit", ["um", "\N{MICRO SIGN}m", "micrometres"])
def test_a_heading_in_micrometres_above_nm_is_said(delimiter: str, unit: str) -> None:
    rows = "".join(f"{400 + i}{delimiter}{i}\n" for i in range(15))
    head = f"Slit 25 um\nWavelength ({unit}){delimiter}Counts\n"
    scans, layout = read_text((head + rows).encode(), "a.txt", FileForm())
    (note,) = scans.notes
    assert f"({unit})" in note and "400 to 414 are read as nm" in note
    assert layout is None, "so that every such file is named"
    assert read((head.replace(f"({unit})", "(nm)") + rows).encode()).notes == ()
    assert read(f"Slit 25 um\n{rows}".encode()).notes == ()
