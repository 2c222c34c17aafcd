"""Points on a photograph: distances, density, and what cannot be meant."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.pigments.chromatograms import PROFILE_COLUMNS, read_profile
from leafledger.pigments.strip_photograph import (
    MarkedSpot,
    MarkedStrip,
    density_profile,
    lane_light_problems,
    linear_light,
    marking_problems,
    profile_text,
    read_photograph,
    spots_of,
)
from leafledger.review.strip_page import sheet_with
from leafledger.study.reading import read_study

from .painted_strips import SIZE, SPOTS, SYSTEM, Painted, painted


def marked(strip: Painted, name: str = "s1") -> MarkedStrip:
    return MarkedStrip(
        name, SYSTEM, 82.0, (strip.left, strip.right), strip.front,
        tuple(MarkedSpot(at, colour) for at, colour in strip.spots),
    )  # fmt: skip


@pytest.mark.parametrize("angle", [0.0, 12.0, -20.0])
def test_distances_are_those_of_the_strip_however_it_lies(angle: float) -> None:
    found = spots_of(marked(painted(angle)))
    assert [spot.spot_mm for spot in found] == pytest.approx([82 * rf for rf, _ in SPOTS], abs=0.01)
    assert [spot.colour for spot in found] == [colour for _, colour in SPOTS]
    assert {spot.front_mm for spot in found} == {82.0}


def test_the_ends_of_the_start_line_in_either_order() -> None:
    one = marked(painted(8.0))
    assert spots_of(replace(one, start=one.start[::-1])) == spots_of(one)


@pytest.mark.parametrize("angle", [0.0, 12.0])
def test_the_density_of_the_lane_is_the_painted_one(tmp_path: Path, angle: float) -> None:
    """Beer: density = -log10(I / I0); the mean over the lane from the painted light itself."""
    strip = painted(angle)
    pixels = read_photograph(strip.save(tmp_path / "strip.png"))
    profile = density_profile(pixels, marked(strip))
    assert tuple(profile) == PROFILE_COLUMNS
    rf = profile["distance_mm"] / 82.0
    across = np.linspace(-42, 42, 200)
    for at, peak in ((0.65, (0.7, 0.2, 0.35)), (0.4, (0.3, 0.1, 0.5))):
        shape = np.exp(-0.5 * (across / 60) ** 2)
        row = int(np.abs(rf - at).argmin())
        for channel, density in zip(("red", "green", "blue"), peak, strict=True):
            expected = -np.log10(np.mean(10 ** (-density * shape)))
            assert profile[f"density_{channel}"][row] == pytest.approx(expected, abs=0.015)
    # The darkest places of the lane are the spots, and bare paper has no density.
    assert rf[profile["density"].argmax()] == pytest.approx(0.65, abs=0.005)
    assert rf[profile["density_blue"].argmax()] == pytest.approx(0.95, abs=0.005)
    bare = (rf > 0.1) & (rf < 0.3)
    assert np.abs(profile["density"][bare]).max() < 0.02


def test_light_of_pixel_values() -> None:
    """IEC 61966-2-1: 10 lies on the straight part, 188 is about half of the light."""
    assert linear_light(np.array([0, 10, 188, 255], dtype=np.uint8)) == pytest.approx(
        [0, 10 / 255 / 12.92, 0.502886, 1.0], abs=1e-6
    )


def test_a_photograph_is_turned_upright(tmp_path: Path) -> None:
    """Orientation 6 of Exif: the camera was held upright, its rows run down the right side."""
    picture = Image.new("RGB", (200, 100), "white")
    picture.putpixel((0, 0), (255, 0, 0))
    exif = Image.Exif()
    exif[0x0112] = 6
    picture.save(tmp_path / "turned.png", exif=exif)
    pixels = read_photograph(tmp_path / "turned.png")
    assert pixels.shape == (200, 100, 3)
    assert pixels[0, 99].tolist() == [255, 0, 0]


@pytest.mark.parametrize("kind", ["none", "text", "cut", "tiny"])
def test_what_is_no_photograph(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "strip.png"
    if kind == "text":
        path.write_text("a picture")
    elif kind == "cut":
        data = painted().save(path).read_bytes()
        path.write_bytes(data[: len(data) // 2])
    elif kind == "tiny":
        Image.new("RGB", (59, 400)).save(path)
    with pytest.raises(InputFault, match=r"strip\.png"):
        read_photograph(path)


def _said(strip: MarkedStrip) -> str:
    return " ".join(p.sentence() for p in marking_problems(strip, SIZE, "strip.png"))


def test_points_that_cannot_be_meant() -> None:
    good = marked(painted())
    assert _said(good) == ""
    assert "a point of the photograph" in _said(replace(good, front=(200.0, 900.0)))
    assert "a point of the photograph" in _said(replace(good, front=(float("nan"), 1.0)))
    assert "a front below the start line" in _said(replace(good, front=(200.0, 850.0)))
    assert "29 pixels above" in _said(replace(good, front=(200.0, 751.0)))
    assert "up and down" in _said(replace(good, start=((100.0, 700.0), (110.0, 800.0))))
    assert "pixels apart" in _said(replace(good, start=((100.0, 700.0), (101.0, 700.0))))
    assert "front_mm" in _said(replace(good, front_mm=0.0))
    assert "no spot" in _said(replace(good, spots=()))
    below = replace(good, spots=(MarkedSpot((200.0, 800.0), "green"),))
    assert "below the start line" in _said(below)
    beyond = replace(good, spots=(MarkedSpot((200.0, 100.0), "green"),))
    assert "beyond the front" in _said(beyond)
    both = replace(good, front=(-1.0, 5.0), spots=(MarkedSpot((200.0, 950.0), "green"),))
    assert len(marking_problems(both, SIZE, "strip.png")) == 2


def test_a_spot_beside_the_lane_and_an_uncertainty_beyond_a_quarter_of_the_way() -> None:
    """The lane is 120 pixels wide about column 200; 82 / 4 = 20.5 mm."""
    good = marked(painted())
    for x, said in ((261.0, "1 pixels beside the lane"), (40.0, "100 pixels beside the lane")):
        assert said in _said(replace(good, spots=(MarkedSpot((x, 500.0), "green"),)))
    assert _said(replace(good, spots=(MarkedSpot((259.0, 500.0), "green"),))) == ""
    assert "at most 20.5 mm" in _said(replace(good, u_mm=500.0))
    assert "u_mm" in _said(replace(good, u_mm=20.6)) and _said(replace(good, u_mm=20.5)) == ""
    turned = marked(painted(12.0))
    assert _said(turned) == ""


@pytest.mark.parametrize(
    ("kind", "said"),
    [("black", "0.0 % of full light"), ("transparent", "one even tone"), ("grey", "one even tone")],
)
def test_a_lane_that_shows_nothing_is_not_written(
    small_study: Path, tmp_path: Path, kind: str, said: str
) -> None:
    strip = painted()
    colour = {"black": (0, 0, 0, 255), "transparent": (0, 0, 0, 0), "grey": (128, 128, 128, 255)}
    path = tmp_path / "strip.png"
    Image.new("RGBA", SIZE, colour[kind]).save(path)
    done = _strip(small_study, path, strip)
    assert isinstance(done.exception, InputFault) and said in str(done.exception)
    assert not (small_study / "chromatograms.csv").exists()


def test_a_pale_spot_is_enough_and_a_dim_lane_is_none() -> None:
    strip = painted()
    pale = np.full((SIZE[1], SIZE[0], 3), 220, dtype=np.uint8)
    assert lane_light_problems(pale, marked(strip), "s.png")
    pale[390:410, :, 2] = 214  # the blue of a faint yellow spot: density 0.027
    assert lane_light_problems(pale, marked(strip), "s.png") == []
    dim = pale // 8
    (problem,) = lane_light_problems(dim, marked(strip), "s.png")
    assert "of full light" in problem.found


def test_a_kept_profile_is_read_again(tmp_path: Path) -> None:
    strip = painted()
    profile = density_profile(read_photograph(strip.save(tmp_path / "s.png")), marked(strip))
    path = tmp_path / "s1.csv"
    path.write_text(profile_text(profile))
    found = read_profile(path, "chromatograms/s1.csv")
    for name in PROFILE_COLUMNS:
        np.testing.assert_allclose(found[name], profile[name], atol=6e-4)
    whole = path.read_text()
    for text, said in (
        ("a,b\n1,2\n", "a,b"),
        (whole + "1,2,3,4,x\n", "1,2,3,4,x"),
        (whole + "0,0,0,0,0\n", "do not rise"),
        ("", "the profile"),
    ):
        path.write_text(text)
        with pytest.raises(InputFault, match=said):
            read_profile(path, "chromatograms/s1.csv")


# Rows of the sheet.
# ----------------------------------------------------------------------

MINE = (
    '\ufeff# my notes\r\ncolour,strip,system,front_mm,spot_mm,u_mm,unit,session,note\r\n'
    'green,old,"paper, mine",80,40,1,,,"a, b"\r\n'
)  # fmt: skip


def test_rows_are_added_and_no_other_byte_changes() -> None:
    spots = spots_of(marked(painted()))
    after = sheet_with(MINE, spots)
    assert after.startswith(MINE)
    assert after[len(MINE) :].splitlines(keepends=True)[0] == (
        f'yellow,s1,"{SYSTEM}",82,77.9,0.5,,,\r\n'
    )
    with pytest.raises(InputFault, match="3 rows of strip") as caught:
        sheet_with(after, spots)
    assert "--replace" in str(caught.value)
    assert sheet_with(after, spots, replace=True) == after
    assert sheet_with(MINE.rstrip("\r\n"), spots) == after
    with pytest.raises(InputFault, match="u_mm"):
        sheet_with("strip,system,front_mm,spot_mm,colour\n", spots)


def _strip(study: Path, photograph: Path, strip: Painted, *more: str) -> Result:
    words = ["assay", "strip", str(study), str(photograph), "--strip", "s1", "--system", SYSTEM]
    words += ["--front-mm", "82"]
    for x, y in (strip.left, strip.right):
        words += ["--start", f"{x:.2f},{y:.2f}"]
    words += ["--front", f"{strip.front[0]:.2f},{strip.front[1]:.2f}"]
    for (x, y), colour in strip.spots:
        words += ["--spot", f"{x:.2f},{y:.2f},{colour}"]
    return CliRunner().invoke(cli, [*words, *more])


def test_by_flags_alone(small_study: Path, tmp_path: Path) -> None:
    strip = painted(12.0)
    photograph = strip.save(tmp_path / "strip.png")
    done = _strip(small_study, photograph, strip)
    assert done.exit_code == 0, done.output
    assert "Rf 0.65 " in done.output and "chlorophyll a" in done.output
    sheet = small_study / "chromatograms.csv"
    assert len(sheet.read_text().splitlines()) == 4
    points = json.loads((small_study / "chromatograms/s1.json").read_text())
    assert points["photograph"] == "strip.png" and len(points["spots"]) == 3
    assert str(tmp_path) not in json.dumps(points)
    before = sheet.read_bytes()
    profile = (small_study / "chromatograms/s1.csv").read_bytes()
    # Again: refused, and nothing changes; with --replace the same bytes.
    again = _strip(small_study, photograph, strip)
    assert isinstance(again.exception, InputFault) and sheet.read_bytes() == before
    assert _strip(small_study, photograph, strip, "--replace").exit_code == 0
    assert sheet.read_bytes() == before
    assert (small_study / "chromatograms/s1.csv").read_bytes() == profile
    told = _strip(small_study, photograph, strip, "--replace", "--json")
    found = json.loads(told.output)
    assert [one["rf"] for one in found["spots"]] == [0.95, 0.65, 0.4]
    assert found["written"][0] == "chromatograms.csv"


def test_what_the_sheet_refuses_is_not_written(small_study: Path, tmp_path: Path) -> None:
    strip = painted()
    photograph = strip.save(tmp_path / "strip.png")
    for more, said in (
        (("--unit", "p999"), "p999"),
        (("--strip", "../up"), "up"),
        (("--strip", "=1"), "=1"),
        (("--u-mm", "-1"), "u_mm"),
        (("--spot", "1,green"), "no point and no colour"),
        (("--spot", "222,300"), "without a colour"),
        (("--spot", "222,300,"), "without a colour"),
        (("--spot", "222,380,blue, green"), "more than three parts"),
        (("--spot", "222,x,green"), "a point such as"),
        (("--u-mm", "500"), "20.5 mm"),
        (("--start", "5,5"), "3 points"),
        (("--spot", "200,500,=cmd()"), "=cmd"),
    ):
        done = _strip(small_study, photograph, strip, *more)
        assert isinstance(done.exception, InputFault), more
        assert said in str(done.exception)
    assert not (small_study / "chromatograms.csv").exists()
    assert not (small_study / "chromatograms").exists()


def test_a_workbook_is_left_alone(small_study: Path, tmp_path: Path) -> None:
    strip = painted()
    (small_study / "chromatograms.xlsx").write_bytes(b"PK")
    done = _strip(small_study, strip.save(tmp_path / "strip.png"), strip)
    assert isinstance(done.exception, InputFault) and "a workbook" in str(done.exception)


@pytest.mark.slow
def test_the_report_shows_the_profile(small_study_run: Path, tmp_path: Path) -> None:
    from leafledger.runner.run import run_study

    study = Path(shutil.copytree(small_study_run, tmp_path / "study"))
    strip = painted(5.0)
    assert _strip(study, strip.save(tmp_path / "strip.png"), strip).exit_code == 0
    done = run_study(study, cores=2)
    assert done.outcome == "done", (done.message, done.problems)
    table = read_study(study).table("pigments/strip_profiles.csv")
    assert set(table["strip"]) == {"s1"}
    assert table.loc[table["density"].idxmax(), "rf"] == pytest.approx(0.65, abs=0.005)
    record = json.loads((study / "records/pigments.json").read_text())
    assert "strip_profiles/chromatograms/s1.csv" in {one["role"] for one in record["inputs"]}
    page = (study / "results/report.html").read_text(encoding="utf-8")
    assert "Density along the lanes" in page
