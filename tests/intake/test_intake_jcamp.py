"""JCAMP-DX against the strings of the standard.

McDonald and Wilks (1988) Appl. Spectrosc. 42, 151-162 (JCAMP-DX 4.24), Tables VI and VII. The
files A to C and the multi-digit strings are constructed by the same rules.
"""

import time

import numpy as np
import pytest

from leafledger.errors import InputFault
from leafledger.intake.jcamp_dx import read_jcamp
from leafledger.intake.jcamp_ordinates import OrdinatesError, ordinates
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
