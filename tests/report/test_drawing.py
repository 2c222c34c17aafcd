"""A figure is laid out once, and looks as matplotlib by itself would have drawn it."""

from __future__ import annotations

import io

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import axis as mpl_axis
from matplotlib.figure import Figure
from PIL import Image

from leafledger.report.figures import STYLE, FigureSet, new_figure


def drawn(figure: Figure) -> None:
    """Draw panels of which some have no title and some no labels."""
    axes = figure.subplots(2, 2)
    for i, axis in enumerate(axes.ravel()):
        axis.plot([0, 1, 2], [10.0**i, 5, -3], label="leaf")
        if i != 3:
            axis.set_title(f"panel {i}")
        if i % 2 == 0:
            axis.set_ylabel("reflectance")
        if i >= 2:
            axis.set_xlabel("wavelength (nm)")
    figure.legend(*axes[0, 0].get_legend_handles_labels(), loc="outside upper left")


def pixels(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"), dtype=int)


def test_it_looks_as_if_matplotlib_had_laid_it_out_for_this_form():
    with mpl.rc_context(STYLE):
        figure = new_figure(6, 4)
        drawn(figure)
        book = FigureSet(["png"])
        book.add(figure, "panels", "Panels", "Four panels", "n = 1.")
        plain = new_figure(6, 4)
        drawn(plain)
        out = io.BytesIO()
        plain.savefig(out, dpi=plain.dpi)
    ours, theirs = pixels(book.files["panels.png"]), pixels(out.getvalue())
    assert ours.shape == theirs.shape
    assert np.mean(np.abs(ours - theirs) > 60) < 0.001


def test_labels_are_not_sought_anew_in_each_drawing(monkeypatch: pytest.MonkeyPatch):
    sought = []
    whole = mpl_axis.Axis._get_tick_boxes_siblings

    def counted(self, renderer):
        sought.append(self)
        return whole(self, renderer)

    monkeypatch.setattr(mpl_axis.Axis, "_get_tick_boxes_siblings", counted)
    with mpl.rc_context(STYLE):
        figure = new_figure(6, 4)
        drawn(figure)
        FigureSet(["svg", "png"]).add(figure, "panels", "Panels", "Four panels", "n = 1.")
    # Two passes of the layout over the four labels there are, and none in the two drawings.
    assert len(sought) == 8
