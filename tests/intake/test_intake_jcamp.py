"""JCAMP-DX against the strings of the standard.

McDonald and Wilks (1988) Appl. Spectrosc. 42, 151-162 (JCAMP-DX 4.24), Tables VI and VII. The
files A to C and the multi-digit strings are constructed by the same rules.
"""

import time
from itertools import groupby, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.intake.jcamp_dx import OrdinatesError, ordinates, read_jcamp
from leafledger.intake.raw_scan import FileForm

TABLE_VII = [1, 2, 3, 3, 2, 1, 0, -1, -2, -3]
MULTI = [1000, 1012, 1012, 1012, 998, 998, -5, 0, 0, 0, 0, 37, 37]
HEAD = (
    "##TITLE= {title}\n##JCAMP-DX= 4.24\n##DATA TYPE= UV/VIS SPECTRUM\n##ORIGIN= constructed\n"
    "##OWNER= public domain\n##XUNITS= NANOMETERS\n##YUNITS= REFLECTANCE\n##FIRSTX= 400\n"
    "##LASTX= 412\n##NPOINTS= 13\n##XFACTOR= 1\n##YFACTOR= 0.001\n##FIRSTY= 1.0\n"
)
BODIES = {
    "AFFN": "400 1000 1012 1012 1012 998 998 -5\n407 0 0 0 0 37 37\n",
    "SQZ": "400A000A012A012A012I98I98e\n407@@@@C7C7\n",
    "PAC": "400+1000+1012+1012+1012+998+998-5\n407+0+0+0+0+37+37\n",
    "DIFDUP": "400A000J2%Tj4%j003\n406eN%UL7%\n412C7 $$ checkpoint\n",
}


def jcamp(body: str, head: str = HEAD, title: str = "check A") -> bytes:
    return (head.format(title=title) + "##XYDATA= (X++(Y..Y))\n" + body + "##END=\n").encode()


def read(data: bytes, quantity: str = "reflectance"):
    return read_jcamp(data, "raw/a.jdx", FileForm(form="jcamp_dx", quantity=quantity))


def problems(data: bytes, quantity: str = "reflectance"):
    with pytest.raises(InputFault) as caught:
        read(data, quantity)
    return caught.value.problems


@pytest.mark.parametrize(
    "text",
    ["1 2 3 3 2 1 0 -1 -2 -3", "1+2+3+3+2+1+0-1-2-3", "1BCCBA@abc", "1JJ%jjjjjj", "1JT%jX"],
)
def test_strings_of_table_seven(text: str) -> None:
    assert ordinates(text, 10).values == TABLE_VII


@pytest.mark.parametrize(
    ("digits", "first"), [("@ABCDEFGHI", 0), ("abcdefghi", -1), ("%JKLMNOPQR", 0)]
)
def test_pseudo_digits_of_table_six(digits: str, first: int) -> None:
    sign = -1 if first < 0 else 1
    for i, digit in enumerate(digits):
        expected = first + sign * i
        if digit in "%JKLMNOPQR":
            assert ordinates(f"0{digit}", 2).values == [0, expected]
        else:
            assert ordinates(digit, 1).values == [expected]


def test_repeat_digits_of_table_six() -> None:
    for count, digit in enumerate("STUVWXYZs", start=1):
        assert ordinates(f"7{digit}", 9).values == [7.0] * count


@pytest.mark.parametrize(
    "text",
    [
        "A000A012A012A012I98I98e@@@@C7C7",
        "+1000+1012+1012+1012+998+998-5+0+0+0+0+37+37",
        "A000J2%%j4%j003N%%%L7%",
        "A000J2%Tj4%j003N%UL7%",
    ],
)
def test_numbers_of_several_digits(text: str) -> None:
    assert ordinates(text, 13).values == MULTI


def test_e_is_an_exponent_only_before_a_sign() -> None:
    assert ordinates("1.5E+03 2E-1", 9).values == [1500.0, 0.2]
    assert ordinates("1E3", 9).values == [1.0, 53.0]


@pytest.mark.parametrize("form", list(BODIES))
def test_whole_files(form: str) -> None:
    scans = read(jcamp(BODIES[form]))
    assert scans.wavelength_nm.tolist() == list(range(400, 413))
    np.testing.assert_allclose(scans.values[0], np.array(MULTI) / 1000, rtol=0, atol=1e-15)
    assert scans.items == ("check A",)
    assert not scans.notes


def test_labels_compare_as_the_standard_says() -> None:
    head = (
        HEAD.replace("##FIRSTX", "##first-x").replace("##X", "##x_").replace("NPOINTS", "N Points")
    )
    assert len(read(jcamp(BODIES["SQZ"], head + "##$PRIVATE= 12\n")).wavelength_nm) == 13


def test_a_falling_axis_is_reversed() -> None:
    head = HEAD.replace("FIRSTX= 400", "FIRSTX= 412").replace("LASTX= 412", "LASTX= 400")
    body = "412 1000 1012 1012 1012 998 998 -5\n405 0 0 0 0 37 37\n"
    scans = read(jcamp(body, head))
    assert scans.wavelength_nm.tolist() == list(range(400, 413))
    assert scans.values[0, -1] == 1.0


def test_micrometers_become_nm() -> None:
    head = HEAD.replace("NANOMETERS", "MICROMETERS").replace("= 400", "= 0.400")
    body = "0.4 1000 1012 1012 1012 998 998 -5\n0.407 0 0 0 0 37 37\n"
    scans = read(jcamp(body, head.replace("LASTX= 412", "LASTX= 0.412")))
    np.testing.assert_allclose(scans.wavelength_nm, np.arange(400, 413), rtol=1e-12)


def test_nm_under_a_label_of_micrometers_are_said_once() -> None:
    (problem,) = problems(jcamp(BODIES["SQZ"], HEAD.replace("NANOMETERS", "MICROMETERS")))
    assert "from 400000 to 412000 nm" in problem.found
    assert "Correct the unit" in problem.mend


def test_points_in_pairs() -> None:
    pairs = "".join(f"{400 + i}, {i}.5; " + ("\n" if i % 3 == 2 else "") for i in range(13))
    data = (HEAD.format(title="t") + f"##XYPOINTS= (XY..XY)\n{pairs}\n##END=\n").encode()
    scans = read(data)
    np.testing.assert_allclose(scans.values[0], (np.arange(13) + 0.5) / 1000)
    odd = problems(data.replace(b"400, 0.5;", b"400;"))
    assert odd[0].row == 15


def test_compound_files_by_title_or_number() -> None:
    inner = "".join(jcamp(BODIES["SQZ"], title=f"leaf {i}").decode() for i in (1, 2))
    head = "##TITLE= all\n##JCAMP-DX= 5.01\n##DATA TYPE= LINK\n##BLOCKS= 3\n"
    scans = read((head + inner + "##END=\n").encode())
    assert scans.items == ("leaf 1", "leaf 2")
    assert scans.aliases == ("1", "2")
    assert scans.values.shape == (2, 13)


def test_blocks_with_other_axes() -> None:
    other = HEAD.replace("400", "500").replace("412", "512")
    body = BODIES["AFFN"].replace("400 ", "500 ").replace("407 ", "507 ")
    head = "##TITLE= all\n##DATA TYPE= LINK\n"
    data = head.encode() + jcamp(BODIES["AFFN"]) + jcamp(body, other, "b") + b"##END=\n"
    assert '"b"' in problems(data)[0].found


@pytest.mark.parametrize(
    ("old", "new", "row", "word"),
    [
        ("I98I98e", "I98?e", 15, "missing ordinate"),
        ("I98I98e", "I98!e", 15, "belongs to no form"),
        ("407@", "409@", 16, "abscissa 409"),
        ("407@", "@", 16, "no abscissa"),
        ("407@@@@C7C7\n", "", 14, "7 ordinates"),
        ("C7C7", "C7C7C7", 16, "more ordinates"),
        ("C7C7", "C7V999999999", 16, "repeat count"),
        ("##XUNITS= NANOMETERS", "##XUNITS= 1/CM", 6, "1/CM"),
        ("##YUNITS= REFLECTANCE", "##YUNITS= ABSORBANCE", 7, "ABSORBANCE"),
        ("##YUNITS= REFLECTANCE", "##YUNITS= % REFLECTANCE", 7, "% REFLECTANCE"),
        ("##NPOINTS= 13", "##NPOINTS= 1000000000", 10, "1e+09"),
        ("##NPOINTS= 13", "##NPOINTS= many", 10, "many"),
        ("##FIRSTX= 400\n", "", 1, "FIRSTX"),
        ("##XFACTOR= 1", "##DELTAX= 2", 11, "DELTAX"),
        ("##XYDATA= (X++(Y..Y))", "##XYDATA= (X++(R..R))", 14, "(X++(R..R))"),
        ("##XYDATA=", "##NTUPLES=", 14, "NTUPLES"),
        ("##END=", "", 16, "end of the file"),
    ],
)
def test_faults_are_named_with_their_row(old: str, new: str, row: int, word: str) -> None:
    data = jcamp(BODIES["SQZ"]).decode()
    assert old in data
    found = problems(data.replace(old, new).encode())
    assert any(word in p.found and p.row == row for p in found), [p.sentence() for p in found]


def test_the_check_ordinate_of_differences() -> None:
    found = problems(jcamp(BODIES["DIFDUP"].replace("406e", "406f")))
    assert found[0].row == 16
    assert "check ordinate" in found[0].expected


def test_counts_need_counts() -> None:
    assert problems(jcamp(BODIES["SQZ"]), "counts")[0].row == 7
    data = jcamp(BODIES["SQZ"]).replace(b"= REFLECTANCE", b"= COUNTS")
    assert read(data, "counts").values.shape == (1, 13)
    assert "quantity: counts" in problems(data)[0].mend


def test_a_small_file_never_costs_memory() -> None:
    start = time.perf_counter()
    for body in ("400A999999999\n", "400A" + "S9" * 300 + "\n", "400A s999999999999\n"):
        assert problems(jcamp(body))
    assert time.perf_counter() - start < 1
    with pytest.raises(OrdinatesError):
        ordinates("7V999999999", 13)


def test_no_jcamp_at_all() -> None:
    assert "TITLE" in problems(b"400 1\n401 2\n")[0].found
    assert "TITLE" in problems(b"##JCAMP-DX= 4.24\n")[0].expected


@pytest.mark.parametrize(
    ("form", "x", "row"), [("AFFN", "407 ", 16), ("SQZ", "407@", 16), ("PAC", "407+", 16)]
)
@pytest.mark.parametrize("off", [-1, 1])
def test_the_check_of_abscissas_sees_one_lost_ordinate(form, x, row, off) -> None:
    """A line that begins one step off: an ordinate was lost or doubled before it."""
    body = BODIES[form].replace(x, f"{407 + off}{x[3:]}")
    assert body != BODIES[form]
    found = problems(jcamp(body))
    assert [(p.row, p.found) for p in found] == [(row, f"abscissa {407 + off}")]


def test_abscissas_of_few_digits_may_be_rounded_or_cut_off() -> None:
    head = HEAD.replace("FIRSTX= 400", "FIRSTX= 400.4").replace("LASTX= 412", "LASTX= 407.6")
    for second in ("404", "405"):  # 404.6
        body = f"400 1000 1012 1012 1012 998 998 -5\n{second} 0 0 0 0 37 37\n"
        assert len(read(jcamp(body, head)).wavelength_nm) == 13
    assert problems(jcamp("400 1000 1012 1012 1012 998 998 -5\n403 0 0 0 0 37 37\n", head))


@pytest.mark.parametrize("end", ["412C7", "412C8", "412C6", "412c7", "412@"])
def test_the_last_check_ordinate_alone_in_its_line(end: str) -> None:
    data = jcamp(BODIES["DIFDUP"].replace("412C7", end))
    if end == "412C7":
        assert read(data).values.shape == (1, 13)
    else:
        assert problems(data)[0].row == 17


def test_differences_of_decimals_add_up() -> None:
    """0.1 added up five times is not 0.5 to the last bit; the check ordinate allows for that."""
    head = HEAD.replace("YFACTOR= 0.001", "YFACTOR= 1")
    body = "400A.1" + 5 * "%.1" + "\n405A.6" + 7 * "%.1" + "\n412B.3\n"
    scans = read(jcamp(body, head))
    np.testing.assert_allclose(scans.values[0], 1.1 + 0.1 * np.arange(13), atol=1e-12)
    assert "check ordinate" in problems(jcamp(body.replace("A.6", "A.61"), head))[0].expected


def test_a_line_that_ends_in_no_difference_has_no_check_ordinate() -> None:
    """Mixed forms: the second line begins with a new ordinate, for the first ends in SQZ."""
    scans = read(jcamp("400A000J2%%j4%C7\n407@@@@C7C7\n"))
    expected = [1.0, 1.012, 1.012, 1.012, 0.998, 0.998, 0.037, 0, 0, 0, 0, 0.037, 0.037]
    np.testing.assert_allclose(scans.values[0], expected, atol=1e-15)


@settings(max_examples=120, deadline=None)
@given(
    st.lists(st.integers(-99_999, 99_999), min_size=12, max_size=60),
    st.sampled_from(["AFFN", "PAC", "SQZ", "DIF", "DIFDUP"]),
    st.integers(3, 12),
)
def test_every_form_decodes_to_the_same_numbers(values, form: str, per_line: int) -> None:
    """Encode by the rules of the standard, decode, and compare; runs are made long on purpose."""
    values = [v for v in values for _ in range(1 + (v % 3 == 0) * 4)]
    body = encoded(values, form, per_line)
    head = (
        HEAD.replace("LASTX= 412", f"LASTX= {399 + len(values)}")
        .replace("NPOINTS= 13", f"NPOINTS= {len(values)}")
        .replace("YFACTOR= 0.001", "YFACTOR= 1")
        .replace("FIRSTY= 1.0", f"FIRSTY= {values[0]}")
    )
    scans = read(jcamp(body, head))
    assert scans.values[0].tolist() == values
    assert not scans.notes


def encoded(values, form: str, per_line: int) -> str:
    """Write ordinates in one form, ``per_line`` new ones a line (Tables VI and VII)."""
    lines, at = [], 0
    difference = form in {"DIF", "DIFDUP"}
    while at < len(values):
        part = values[at : at + per_line]
        start = at
        if difference and at:
            part, start = [values[at - 1], *part], at - 1
        lines.append(f"{400 + start}" + line_of(part, form))
        at += per_line
    if difference:
        lines.append(f"{399 + len(values)}" + pseudo(values[-1], "@ABCDEFGHI", " abcdefghi"))
    return "\n".join(lines) + "\n"


def line_of(part, form: str) -> str:
    if form == "AFFN":
        return "".join(f" {v}" for v in part)
    if form == "PAC":
        return "".join(f"{v:+d}" for v in part)
    if form == "SQZ":
        return "".join(pseudo(v, "@ABCDEFGHI", " abcdefghi") for v in part)
    out = pseudo(part[0], "@ABCDEFGHI", " abcdefghi")
    steps = [b - a for a, b in pairwise(part)]
    if form == "DIF":
        return out + "".join(pseudo(s, "%JKLMNOPQR", " jklmnopqr") for s in steps)
    for step, run in groupby(steps):
        count = len(list(run))
        out += pseudo(step, "%JKLMNOPQR", " jklmnopqr")
        if count > 1:
            out += pseudo(count, " STUVWXYZs", "")
    return out


def pseudo(value: int, plus: str, minus: str) -> str:
    digits = str(abs(value))
    return (minus if value < 0 else plus)[int(digits[0])] + digits[1:]


@pytest.mark.parametrize("word", ["PEAK TABLE", "PEAK ASSIGNMENTS", "RADATA"])
def test_other_kinds_of_data_are_refused_by_name(word: str) -> None:
    data = jcamp(BODIES["SQZ"]).replace(b"##XYDATA=", f"##{word}=".encode())
    assert "plain spectrum" in problems(data)[0].mend


def test_a_whole_block_of_ntuples_is_refused() -> None:
    """Shape of an NTUPLES block as JCAMP-DX 5.0 describes it; the numbers are ours."""
    body = (
        "##NTUPLES= SPECTRUM\n##VAR_NAME= WAVELENGTH, COUNTS, PAGE NUMBER\n##SYMBOL= X, Y, N\n"
        "##VAR_DIM= 4, 4, 1\n##PAGE= N=1\n##DATA TABLE= (X++(Y..Y)), XYDATA\n400 1 2 3 4\n"
        "##END NTUPLES= SPECTRUM\n##END=\n"
    )
    found = problems((HEAD.format(title="n") + body).encode())
    assert "NTUPLES" in found[0].found
    assert found[0].row == 14
    assert "plain spectrum" in found[0].mend


def test_compound_files_hold_blocks_of_different_forms() -> None:
    inner = "".join(jcamp(body, title=form).decode() for form, body in BODIES.items())
    head = "##TITLE= all\n##JCAMP-DX= 5.01\n##DATA TYPE= LINK\n##BLOCKS= 5\n"
    scans = read((head + inner + "##END= $$ all\n").encode())
    assert scans.items == tuple(BODIES)
    for row in scans.values:
        np.testing.assert_allclose(row, np.array(MULTI) / 1000, rtol=0, atol=1e-15)
