"""Figures at the width of a journal: drawn by the same functions, large enough to read.

A PDF states its page in points of 1/72 inch (ISO 32000-1, 8.3.2.3); 85 mm are 240.94 of them.
"""

from __future__ import annotations

import io
import re
import warnings

import numpy as np
import pytest
from PIL import Image

from leafledger.report import classification_figures as c
from leafledger.report import journal_figures as j
from leafledger.report.drawing import lacking_signs
from leafledger.report.figures import (
    FigureSet,
    SpectrumSummary,
    columns_for,
    new_figure,
    panels,
)


def draw(figures: FigureSet, labels: int = 3, title: str = "one panel") -> None:
    figure = new_figure(9.0, 3.0)
    axis = figure.subplots()
    axis.plot(range(labels), range(labels))
    axis.set_xticks(range(labels), [f"session number {i}" for i in range(labels)])
    axis.set_title(title, fontsize=6)
    figures.add(figure, "drawn", "A title", "alt", "A caption.")


@pytest.mark.parametrize(("width", "points", "pixels"), [(85, 240.94, 2007), (180, 510.24, 4251)])
def test_files_have_the_width_and_the_resolution(width: int, points: float, pixels: int) -> None:
    with j._drawn_at(width) as figures:
        draw(figures, 2)
    drawn = figures.drawing_of("drawn")
    files, why = drawn.files, drawn.unfit
    assert why == ""
    box = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", files["pdf"])
    assert box is not None and float(box[1]) == pytest.approx(points, abs=0.05)
    with Image.open(io.BytesIO(files["png"])) as png:
        assert abs(png.width - pixels) <= 1
        assert png.info["dpi"] == pytest.approx((600, 600), abs=0.1)
    sizes = re.findall(rb"font-size: ([\d.]+)px", files["svg"])
    assert sizes and min(map(float, sizes)) >= 8
    assert b"CreationDate" not in files["pdf"] and b"<dc:date>" not in files["svg"]


def test_the_same_bytes_every_time() -> None:
    first, second = [], []
    for kept in (first, second):
        with j._drawn_at(85) as figures:
            draw(figures, 2)
        kept.append(figures.drawing_of("drawn").files)
    assert first == second


def test_a_figure_that_does_not_fit_is_not_given_and_the_reason_is() -> None:
    with j._drawn_at(85) as figures:
        draw(figures, 12)
    drawn = figures.drawing_of("drawn")
    files, why = drawn.files, drawn.unfit
    assert files == {} and why == "labels of its axes would overlap"


def test_a_long_title_is_broken_into_lines() -> None:
    with j._drawn_at(85) as figures:
        draw(figures, 2, "a title that is much too long for a column of a journal " * 2)
    assert figures.drawing_of("drawn").unfit == ""


def test_panels_stand_below_each_other_in_a_column_and_the_page_is_as_before() -> None:
    assert columns_for(12) == 3
    with j._drawn_at(85):
        assert columns_for(12) == 1
        figure, _, columns = panels(3, 2.0, 0.5)
        assert columns == 1
        assert figure.get_figwidth() * 25.4 == pytest.approx(85)
    with j._drawn_at(180):
        assert columns_for(12) == 2
    assert new_figure(6.0, 3.0).get_figwidth() == 6.0


@pytest.mark.parametrize("width", [85, 180])
@pytest.mark.parametrize("n_classes", [2, 6])
@pytest.mark.parametrize("are_confused", [True, False])
def test_the_weights_of_classes_fit_both_widths(
    monkeypatch: pytest.MonkeyPatch, width: int, n_classes: int, are_confused: bool
) -> None:
    monkeypatch.setattr(j, "_files_of", lambda figure: {"pdf": b""})  # at 600 dpi it takes seconds
    nm = np.linspace(450.0, 950.0, 120)
    weights = {
        f"cultivar number {i}": c.Loading(0.013 * np.sin(nm / 40 + i), np.full(120, 0.002))
        for i in range(n_classes)
    }
    mean = 0.3 + 0.2 * np.tanh((nm - 700) / 30)
    spectra = SpectrumSummary(mean, 0.02 + 0 * nm, mean - 0.1, mean + 0.1, 12, 24)
    names = ("cultivar number 0", "cultivar number 1")
    confused = c.MostConfused(names, 2.5, (spectra, spectra), (705.0, 550.0))
    with j._drawn_at(width) as figures:
        c.draw_class_weights(
            figures, nm, weights, confused if are_confused else None, nm, ("reflectance", "plants")
        )
    drawn = figures.drawing_of("class_weights")
    assert (drawn.unfit, set(drawn.files)) == ("", {"pdf"})
    assert "Left" not in figures.figures[0].caption, "the place of a panel follows the width"


def test_signs_that_the_font_lacks_warn_of_nothing_and_stand_in_the_caption(
    recwarn: pytest.WarningsRecorder,
) -> None:
    said = " The font of PDF and PNG files lacks \u6c34 \u9244: a box stands there."
    with j._drawn_at(85) as narrow:
        draw(narrow, 2, "\u6c34 and \u9244 and \u6c34")
    drawn = narrow.drawing_of("drawn")
    assert (drawn.unfit, set(drawn.files)) == ("", {"pdf", "svg", "png"}), "no sign makes it unfit"
    assert narrow.figures[0].caption == f"A caption.{said}"
    page = FigureSet(("png",))
    draw(page, 2, "\u6c34 and \u9244")
    assert page.figures[0].caption == f"A caption.{said}"
    assert not recwarn.list
    draw(page, 2, "water and iron")
    assert page.figures[1].caption == "A caption."


def test_other_warnings_of_a_drawing_are_given() -> None:
    with pytest.warns(UserWarning, match="another"), lacking_signs() as lacking:
        warnings.warn("another", UserWarning, stacklevel=1)
    assert lacking == []


def test_captions_name_the_widths_that_a_figure_does_not_fit() -> None:
    from leafledger.ledger.paper_kit import captions_text

    drawn = j.Drawn("x", "What?", "A caption.", "alt", {180: {}}, {85: "text would reach beyond"})
    assert captions_text([drawn]) == "x\nWhat? A caption.\nNot at 85 mm: text would reach beyond.\n"
