"""Sheets of assays and chromatograms: what is read, and everything that is refused, in words."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.pigments.assay_sheets import Assay, Spot, read_assays, read_chromatograms
from leafledger.pigments.extracts import PER_AREA, PER_MASS

LEAVES = [(f"p{i:02d}", day, leaf) for i in range(1, 4) for day in ("day0", "day12")
          for leaf in ("1", "2")]  # fmt: skip
HEAD = "unit,session,leaf,solvent,A663.2,A646.8,A470,A750,volume_ml,leaf_area_cm2\n"
GOOD = "p01,day12,1,80 % acetone,0.712,0.318,0.935,0.004,10,8\n"
CONTENT = "unit,session,leaf,quantity,value,unit_of_value,u,method\n"


def assays(folder: Path, text: str) -> list[Assay]:
    (folder / "assays.csv").write_text(text, encoding="utf-8")
    return read_assays(folder / "assays.csv", "assays.csv", LEAVES)


def refused(folder: Path, text: str) -> str:
    with pytest.raises(InputFault) as caught:
        assays(folder, text)
    return str(caught.value)


def test_an_extract_is_read_whole(tmp_path: Path) -> None:
    (one,) = assays(
        tmp_path,
        "unit,session,leaf,solvent,A663.2,A646.8,A470,A750,u_absorbance,path_cm,volume_ml,"
        "u_volume_ml,dilution,u_dilution,leaf_area_cm2,u_leaf_area_cm2,fresh_mass_g,"
        "u_fresh_mass_g,band_width_nm,method,extract\n"
        "p01,day12,1,80 % acetone,0.712,0.318,0.935,0.004,0.003,0.5,10,0.05,2,0.01,8,0.1,0.25,"
        "0.002,0.3,by hand,e1\n",
    )
    extract = one.extract
    assert extract is not None
    assert one.leaf == ("p01", "day12", "1") and (one.method, one.extract_id) == ("by hand", "e1")
    assert extract.equation.name == "lichtenthaler1987_acetone80"
    assert extract.absorbance == {663.2: 0.712, 646.8: 0.318, 470.0: 0.935, 750.0: 0.004}
    assert (extract.u_absorbance, extract.path_cm, extract.band_nm) == (0.003, 0.5, 0.3)
    assert (extract.volume_ml.value, extract.volume_ml.u) == (10, 0.05)
    assert (extract.dilution.value, extract.dilution.u) == (2, 0.01)
    assert extract.area_cm2 is not None and (extract.area_cm2.value, extract.area_cm2.u) == (8, 0.1)
    assert extract.mass_g is not None and (extract.mass_g.value, extract.mass_g.u) == (0.25, 0.002)


def test_what_is_not_stated(tmp_path: Path) -> None:
    (one,) = assays(tmp_path, HEAD + GOOD)
    assert one.extract is not None
    assert (one.extract.path_cm, one.extract.dilution.value, one.extract.dilution.u) == (1, 1, 0)
    assert math.isnan(one.extract.u_absorbance) and one.extract.mass_g is None


@pytest.mark.parametrize(
    ("quantity", "value", "stated", "unit", "kept"),
    [
        ("chlorophyll", 34.2, "ug/cm2", PER_AREA, 34.2),
        ("chlorophyll", 342.0, "mg/m2", PER_AREA, 34.2),
        ("chlorophyll", 342.0, "mg m-2", PER_AREA, 34.2),
        ("chlorophyll", 0.342, "g/m²", PER_AREA, 34.2),
        ("carotenoids", 7.0, "µg/cm²", PER_AREA, 7.0),
        ("chlorophyll", 3.42, "mg/dm2", PER_AREA, 34.2),
        ("chlorophyll", 1500.0, "ug/g", PER_MASS, 1.5),
        ("chlorophyll", 1.5, "mg g-1", PER_MASS, 1.5),
        ("chlorophyll_a", 300.0, "umol/m2", PER_AREA, 26.805),
        ("chlorophyll_b", 100.0, "µmol m^-2", PER_AREA, 9.075),
        ("chlorophyll_a_to_b", 3.1, "", "1", 3.1),
        ("nitrogen", 2.4, "%", "%", 2.4),
    ],
)
def test_contents_are_kept_in_one_unit(
    tmp_path: Path, quantity: str, value: float, stated: str, unit: str, kept: float
) -> None:
    text = f"{CONTENT}p01,day12,1,{quantity},{value},{stated},{value / 10},x\n"
    (one,) = assays(tmp_path, text)
    assert one.unit == unit and one.content is not None
    assert one.content.value == pytest.approx(kept)
    assert one.content.u == pytest.approx(kept / 10)


REFUSED = {
    "unit": (HEAD + GOOD.replace("p01", "p10"), '"p10"', 'Did you mean "p0'),
    "session": (HEAD + GOOD.replace("day12", "day21"), '"day21"', "a session with leaf scans"),
    "leaf": (HEAD + GOOD.replace(",1,80", ",9,80"), '"9"', "a leaf of p01 in day12: 1, 2"),
    "no leaf": (HEAD + GOOD.replace(",1,80", ",,80"), "leaf: found nothing", "Name the leaf"),
    "solvent": (HEAD + GOOD.replace("80 % acetone", "N,N-DMF"), "cells", ""),
    "dmf": (HEAD + GOOD.replace("80 % acetone", "dimethylformamide"), '"dimethylformamide"',
            "hand them in as quantity, value"),
    "mixture": (HEAD + GOOD.replace("80 % acetone", "acetone-ethanol 1:1"), '"acetone-ethanol 1:1"',
                "acetone 80 %, acetone 100 %, methanol 100 %"),
    "share of water": (HEAD + GOOD.replace("80 % acetone", "acetone"), '"acetone"', "acetone 80 %"),
    "wavelengths": (HEAD.replace("663.2", "661.6").replace("646.8", "644.8") + GOOD,
                    "A661.6, A644.8 and A470 of an extract in acetone 80 %", "A663.2 and A646.8"),
    "663 at 661.6": (HEAD.replace("663.2", "663").replace("646.8", "645") +
                     GOOD.replace("80 %", "100 %"), "A663, A645", "A661.6 and A644.8"),
    "swapped": (HEAD + GOOD.replace("0.712,0.318", "0.318,0.712"), "less at 663.2 nm",
                "The two readings are swapped"),
    "comma": (HEAD + GOOD.replace("0.712", '"0,712"'), '"0,712"', "Write a decimal point: 0.712"),
    "word": (HEAD + GOOD.replace("0.712", "high"), '"high"', "an absorbance from 0 to 5"),
    "too dark": (HEAD + GOOD.replace("0.712", "7.12"), '"7.12"', "an absorbance from 0 to 5"),
    "below zero": (HEAD + GOOD.replace("0.712", "-0.712"), '"-0.712"', "an absorbance from 0 to 5"),
    "nan": (HEAD + GOOD.replace("0.712", "nan"), '"nan"', "an absorbance"),
    "inf": (HEAD + GOOD.replace(",10,8", ",inf,8"), '"inf"', "a number above 0"),
    "no volume": (HEAD + GOOD.replace(",10,8", ",,8"), "volume_ml: found nothing", ""),
    "zero area": (HEAD + GOOD.replace(",10,8", ",10,0"), '"0"', "the leaf area in cm2"),
    "no base": (HEAD + GOOD.replace(",10,8", ",10,"), "neither leaf area nor fresh mass", ""),
    "doubled": (HEAD + GOOD + GOOD, "once more, as in row 2", "column extract"),
    "nothing": (HEAD + "p01,day12,1,,,,,,,\n", "neither a content nor readings", ""),
    "empty": (HEAD, "no row", "a row for each assay"),
    "heading": (HEAD.replace("A663.2", "Abs 663.2") + GOOD, '"Abs 663.2"', "A663.2"),
    "heading nm": (HEAD.replace("A663.2", "663.2 nm") + GOOD, '"663.2 nm"', "Rename the column"),
    "misspelt": (HEAD.replace("volume_ml", "volum_ml") + GOOD, '"volum_ml"', "volume_ml"),
    "bad unit": (CONTENT + "p01,day12,1,chlorophyll,34,ml,1,x\n", '"ml"', "ug/cm2"),
    "no unit": (CONTENT + "p01,day12,1,chlorophyll,34,,1,x\n", "unit_of_value: found nothing", ""),
    "moles of a sum": (CONTENT + "p01,day12,1,chlorophyll,34,umol/m2,1,x\n", '"umol/m2"', "mg/m2"),
    "negative": (CONTENT + "p01,day12,1,chlorophyll,-3,ug/cm2,1,x\n", '"-3"', "0 or more"),
    "negative u": (CONTENT + "p01,day12,1,chlorophyll,3,ug/cm2,-1,x\n", '"-1"', "0 or more"),
    "capital": (CONTENT + "p01,day12,1,Chlorophyll,3,ug/cm2,1,x\n", '"Chlorophyll"', "small"),
    "formula": (CONTENT + "p01,day12,1,=1+1,3,ug/cm2,1,x\n", '"=1+1"', "chlorophyll"),
    "two units": (CONTENT + "p01,day12,1,nitrogen,3,%,1,x\np01,day12,2,nitrogen,30,mg/g,1,x\n",
                  'nitrogen in "mg/g"', "one unit for a quantity"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused_and_in_which_words(tmp_path: Path, case: str) -> None:
    text, found, mend = REFUSED[case]
    told = refused(tmp_path, text)
    assert found in told and mend in told
    assert "assays.csv" in told


def test_both_in_one_row(tmp_path: Path) -> None:
    head = HEAD.strip() + ",quantity,value,unit_of_value\n"
    told = refused(tmp_path, head + GOOD.strip() + ",chlorophyll,34,ug/cm2\n")
    assert "a content and the readings of an extract in one row" in told


def test_every_problem_at_once(tmp_path: Path) -> None:
    rows = [
        GOOD.replace("p01", "p77"),
        GOOD.replace("80 % acetone", "petrol"),
        GOOD.replace("0.712,0.318", "0.318,0.712"),
        GOOD.replace(",10,8", ",,8").replace(",1,80", ",2,80"),
    ]
    told = refused(tmp_path, HEAD + "".join(rows))
    for row, word in ((2, "p77"), (3, "petrol"), (4, "swapped"), (5, "volume_ml")):
        assert f"row {row}" in told and word in told


def test_two_extracts_of_a_leaf_stand_apart(tmp_path: Path) -> None:
    head = HEAD.strip() + ",extract\n"
    found = assays(tmp_path, head + GOOD.strip() + ",a\n" + GOOD.strip() + ",b\n")
    assert [one.extract_id for one in found] == ["a", "b"]


def test_session_and_leaf_may_stay_empty_where_there_is_one(tmp_path: Path) -> None:
    (tmp_path / "assays.csv").write_text(
        "unit,quantity,value,unit_of_value\np01,chlorophyll,30,ug/cm2\n"
    )
    (one,) = read_assays(tmp_path / "assays.csv", "assays.csv", [("p01", "all", "3")])
    assert one.leaf == ("p01", "all", "3")


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=12), min_size=10, max_size=10))
def test_any_cells_give_a_result_or_a_fault(tmp_path_factory, cells: list[str]) -> None:
    import csv

    path = tmp_path_factory.mktemp("any") / "assays.csv"
    with path.open("w", newline="", encoding="utf-8", errors="replace") as out:
        csv.writer(out).writerows([HEAD.strip().split(","), cells])
    try:
        found = read_assays(path, "assays.csv", LEAVES)
    except InputFault as fault:
        assert all(problem.mend or problem.expected for problem in fault.problems)
    else:
        assert all(one.extract is not None or one.content is not None for one in found)


# Chromatograms.
# ----------------------------------------------------------------------

STRIPS = "strip,system,front_mm,spot_mm,colour,u_mm,unit,session\n"
SPOT = '{s},"paper, petroleum ether-acetone 9:1",{f},{d},{c},0.5,p01,day12\n'


def spots(folder: Path, text: str) -> list[Spot]:
    (folder / "chromatograms.csv").write_text(text, encoding="utf-8")
    return read_chromatograms(folder / "chromatograms.csv", "chromatograms.csv", LEAVES)


def row(strip: str = "s1", front: str = "82", spot: str = "53", colour: str = "green") -> str:
    return SPOT.format(s=strip, f=front, d=spot, c=colour)


def test_a_spot_is_read_whole(tmp_path: Path) -> None:
    (one,) = spots(tmp_path, STRIPS + row())
    assert one == Spot(2, "s1", "paper, petroleum ether-acetone 9:1", 82.0, 53.0, "green", 0.5,
                       "p01", "day12")  # fmt: skip


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (row(spot="90"), "90, beyond the front at 82"),
        (row() + row(front="80", spot="40"), '"80", and "82" in row 2 of the same strip'),
        (row() + row().replace("9:1", "8:2").replace("53", "40"), "of the same strip"),
        (row() + row(), "the spot of row 2 once more"),
        (row(front="0"), '"0"'),
        (row(spot="-3"), '"-3"'),
        (row(colour=""), "colour: found nothing"),
        (row(strip="a b"), '"a b"'),
        (row().replace("p01", "p09"), '"p09"'),
        ("", "no row"),
    ],
)
def test_strips_that_cannot_be_meant(tmp_path: Path, text: str, found: str) -> None:
    with pytest.raises(InputFault) as caught:
        spots(tmp_path, STRIPS + text)
    assert found in str(caught.value)
