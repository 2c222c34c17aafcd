"""How is a figure drawn: which colours and panels, and how does it reach page and files?

A figure is built here with matplotlib and drawn by :mod:`leafledger.report.drawing`. An interactive
figure is a set of rounded values that the page draws itself. Every figure states n,
error bars and adjustment in its caption, and no group is told by its colour alone.

References
----------
Okabe M, Ito K (2008) Color Universal Design: how to make figures and presentations that are
friendly to colorblind people. Wong B (2011) Points of view: color blindness. Nature Methods 8: 441.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from leafledger.records.store import KeptFiles
from leafledger.report.drawing import (
    DPI,
    RASTER_ABOVE_BYTES,
    Drawing,
    Order,
    draw_all,
    draw_for_page,
    inline_svg,
    picture,
    words_of_lacking,
)
from leafledger.report.numbers import is_number, plain, short

# Colours, markers and dashes.
# ----------------------------------------------------------------------

Floats = NDArray[np.float64]

_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
_DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (7, 2, 1.5, 2)), (0, (3, 1)))
_HATCHES = ("", "////", "....", "\\\\\\\\", "xxxx")

INK = "#23302a"
FAINT = "#6b756f"
RULE = "#d6dcd7"

STYLE: dict[str, Any] = {
    "text.parse_math": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "leafledger",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial", "Liberation Sans"],
    "font.size": 8.5,
    "axes.titlesize": 9,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titley": 1.0,  # else its place is searched anew in every drawing
    "axes.labelsize": 8.5,
    "axes.labelcolor": INK,
    "axes.edgecolor": FAINT,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "text.color": INK,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "xtick.major.size": 3,
    "ytick.major.size": 3,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "legend.handlelength": 3.2,
    "lines.linewidth": 1.5,
    "hatch.linewidth": 0.35,
    "path.simplify": True,
    "path.simplify_threshold": 0.2,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
}
"""matplotlib settings of every figure; mathematics in text is off, so no label is ever parsed."""


@dataclass(frozen=True)
class Look:
    """How one group is drawn: colour, marker, dashes and hatching all differ."""

    colour: str
    marker: str
    dashes: Any
    hatch: str


def looks(names: Sequence[str]) -> dict[str, Look]:
    """Give each name its look; names beyond the seventh reuse a colour with another marker.

    Examples
    --------
    >>> looks(["water", "iron"])["iron"].colour
    '#D55E00'
    """
    return {
        name: Look(
            _COLOURS[i % len(_COLOURS)],
            _MARKERS[i % len(_MARKERS)],
            _DASHES[i % len(_DASHES)],
            _HATCHES[i % len(_HATCHES)],
        )
        for i, name in enumerate(names)
    }


BLUE, VERMILLION = _COLOURS[:2]
"""The first two colours: a single series, and what stands out against it."""


# Values of interactive figures, rounded for drawing; the tables keep them whole.
# ----------------------------------------------------------------------

_SYMBOLS = {
    "o": "circle",
    "s": "square",
    "^": "triangle-up",
    "D": "diamond",
    "v": "triangle-down",
    "P": "cross",
    "X": "x",
    "*": "star",
}
_DASH_SCALE = 1.7


@dataclass(frozen=True)
class InteractiveFigure:
    """One figure that answers the pointer.

    Attributes
    ----------
    name
        Ours, never the user's: the key of the values and the start of the ids on the page.
    title, caption
        Plain text: heading, and what is drawn, n, error bars and adjustment, and what was thinned.
    values
        What is drawn; becomes JSON. Labels of the study stand here as they are.
    """

    name: str
    title: str
    caption: str
    values: Mapping[str, Any]


def round_significant(value: Any, digits: int = 5) -> float | None:
    """Round to so many significant figures, for drawing; ``None`` for what is not known.

    Examples
    --------
    >>> round_significant(0.123456789), round_significant(float("nan"))
    (0.12346, None)
    """
    if not is_number(value):
        return None
    rounded = float(f"{float(value):.{digits}g}")
    return int(rounded) if rounded.is_integer() and abs(rounded) < 1e9 else rounded


def round_all(values: Any, digits: int = 5) -> list[float | None]:
    """Round a sequence as :func:`round_significant` does."""
    return [round_significant(value, digits) for value in values]


def step_for(n: int, at_most: int) -> int:
    """Return the step that leaves at most so many of ``n``.

    Examples
    --------
    >>> step_for(601, 700), step_for(2048, 700)
    (1, 3)
    """
    return max(1, math.ceil(n / at_most))


def thinning_words(step: int) -> str:
    """Return what a caption says of wavelengths that are not drawn; nothing if all are.

    Examples
    --------
    >>> thinning_words(1), thinning_words(3)
    ('', ' One wavelength in 3 is drawn.')
    """
    return f" One wavelength in {step} is drawn." if step > 1 else ""


def interactive_looks(names: Sequence[str]) -> list[dict[str, str]]:
    """Return colour, symbol and dashes of each name, the same as in the still figures.

    Examples
    --------
    >>> interactive_looks(["water", "iron"])[1]
    {'colour': '#D55E00', 'symbol': 'square', 'dash': '8.5px,3.4px'}
    """
    look = looks(names)
    return [
        {
            "colour": look[name].colour,
            "symbol": _SYMBOLS[look[name].marker],
            "dash": _dash(look[name].dashes),
        }
        for name in names
    ]


def _dash(dashes: Any) -> str:
    if isinstance(dashes, str):
        return "solid"
    return ",".join(f"{length * _DASH_SCALE:g}px" for length in dashes[1])


# From a matplotlib figure to files and to the page.
# ----------------------------------------------------------------------

NOT_TESTED = " Nothing is tested here."
"""What a caption says of a figure without a test; others tell what their p is adjusted for."""


class Figure:
    """One figure as the page shows it: asked for markup or caption, its set draws what waits.

    Attributes
    ----------
    name, title, alt
        As given to :meth:`FigureSet.add`.
    wide
        Scrolls on a narrow screen.
    files
        Names of its files.
    narrow
        The same figure for a narrow screen, where it would have to be swiped; ``None`` for none.
    """

    def __init__(
        self, book: FigureSet, name: str, title: str, alt: str, caption: str, wide: bool
    ) -> None:
        self._book, self._caption = book, caption
        self.name, self.title, self.alt, self.wide = name, title, plain(alt), wide
        self.files = tuple(f"{name}.{form}" for form in book.forms)
        self.narrow: Figure | None = None

    @property
    def markup(self) -> Markup:
        """The drawing for the page: SVG, or a picture where that is lighter."""
        files = self._book.drawing_of(self.name).files
        svg, png = files["svg"], files.get("png", b"")
        if len(svg) > RASTER_ABOVE_BYTES and len(png) < len(svg):
            return picture(png, self.alt)
        return inline_svg(svg.decode(), self.name, self.alt)

    @property
    def caption(self) -> str:
        """What n, error bars and adjustment are, and which signs the font lacks."""
        return plain(self._caption + words_of_lacking(self._book.drawing_of(self.name).lacking))


@dataclass
class FigureSet:
    """Collects the figures of one report; they are drawn together once one is asked for.

    Attributes
    ----------
    forms
        File forms wanted in ``figures/``: svg, png.
    kept
        Drawings of earlier reports, to be used where a figure is the same; ``None`` for none.
    figures
        The figures in the order they were added.
    interactive
        What the figures that answer the pointer are drawn from.
    """

    forms: Sequence[str]
    kept: KeptFiles | None = None
    figures: list[Figure] = field(default_factory=list)
    interactive: list[InteractiveFigure] = field(default_factory=list)
    _waiting: dict[str, Order] = field(default_factory=dict)
    _drawn: dict[str, Drawing] = field(default_factory=dict)

    def add(
        self, figure: Any, name: str, title: str, alt: str, caption: str, *, wide: bool = False
    ) -> Figure:
        """Take a figure: its files, and its drawing for the page.

        Parameters
        ----------
        figure
            From :func:`new_figure`; nothing may be changed in it afterwards.
        name
            File name without ending; ours, never the user's.
        title, alt, caption
            Plain text: heading, description for who cannot see it, and what n, error bars and
            adjustment are.
        wide
            Several panels side by side: scrolls on a narrow screen instead of shrinking.
        """
        self._waiting[name] = self.order(figure)
        added = Figure(self, name, title, alt, caption, wide)
        self.figures.append(added)
        return added

    def add_for_phones_too(self, draw: Callable[[FigureSet], Figure]) -> Figure:
        """Take a figure of the first layer, drawn once more at the width of a phone.

        Parameters
        ----------
        draw
            Builds the figure and hands it to :meth:`add` of the set that it is given.
        """
        whole = draw(self)
        token = JOURNAL_WIDTH_MM.set(_PHONE_MM)
        try:
            whole.narrow = draw(_NarrowFigures(self))
        finally:
            JOURNAL_WIDTH_MM.reset(token)
        return whole

    def order(self, figure: Any) -> Order:
        """Return what is to be drawn, and how."""
        return Order(figure, STYLE, draw_for_page, ("png" in self.forms,))

    def add_interactive(self, view: InteractiveFigure | None) -> InteractiveFigure | None:
        """Keep the values of a figure that answers the pointer, if there is one; return it."""
        if view is not None:
            self.interactive.append(view)
        return view

    def drawing_of(self, name: str) -> Drawing:
        """Return the drawing of a figure; all that wait are drawn first, side by side."""
        if self._waiting:
            drawn = draw_all(list(self._waiting.values()), self.kept)
            self._drawn.update(zip(self._waiting, drawn, strict=True))
            self._waiting.clear()
        return self._drawn[name]

    @property
    def files(self) -> dict[str, bytes]:
        """File name -> content, of all figures."""
        return {
            f"{figure.name}.{form}": self.drawing_of(figure.name).files[form]
            for figure in self.figures
            for form in self.forms
        }

    def captions(self) -> str:
        """Return the captions of all figures as one text, for ``figures/captions.txt``."""
        return "\n".join(
            f"{p.name}\n{p.title}{'' if p.title.endswith('?') else '.'} {p.caption}\n"
            for p in self.figures
        )


class _NarrowFigures(FigureSet):
    """Collects figures for a narrow screen: part of the page, never files."""

    def __init__(self, book: FigureSet) -> None:
        super().__init__(())
        self._book = book

    def add(
        self, figure: Any, name: str, title: str, alt: str, caption: str, *, wide: bool = False
    ) -> Figure:
        """Take a figure under a name of its own; it is drawn with those of the page."""
        own = f"{name}-narrow"
        self._book._waiting[own] = self.order(figure)
        return Figure(self._book, own, title, alt, caption, wide)


FULL_WIDTH = 7.08
"""Inches of the widest figure: 180 mm, two columns of a journal."""
JOURNAL_WIDTH_MM: ContextVar[float | None] = ContextVar("JOURNAL_WIDTH_MM", default=None)
"""Width that figures are drawn at for a journal; ``None`` for the page, each at its own width."""
_NARROW_MM = 120.0
_PHONE_MM = 85.0
"""Width at which text of 8 points is as large on a phone of 390 pixels as elsewhere on the page."""


def new_figure(width: float, height: float) -> Any:
    """Return an empty figure in our style (inches); it belongs to no global state.

    None is wider than two columns of a journal, so that text of 8 points stays so in print. For a
    journal it has the width of the column instead, and keeps its height.
    """
    from matplotlib.figure import Figure

    journal_mm = JOURNAL_WIDTH_MM.get()
    width = min(width, FULL_WIDTH) if journal_mm is None else journal_mm / 25.4
    return Figure(figsize=(width, height), dpi=DPI, layout="constrained")


def is_narrow() -> bool:
    """Return whether figures are drawn for a single column of a journal."""
    journal_mm = JOURNAL_WIDTH_MM.get()
    return journal_mm is not None and journal_mm < _NARROW_MM


# Panels, labels and legends.
# ----------------------------------------------------------------------


def columns_for(n: int) -> int:
    """Return how many panels stand side by side.

    Examples
    --------
    >>> columns_for(1), columns_for(4), columns_for(12)
    (1, 2, 3)
    """
    if JOURNAL_WIDTH_MM.get() is not None:
        return 1 if n == 1 or is_narrow() else 2
    return 1 if n == 1 else 2 if n <= 4 else 3


def panels(n: int, height: float, extra: float, *, same_y: bool = True) -> tuple[Any, Any, int]:
    """Return a figure with room for ``n`` panels, its axes in reading order, and the columns.

    Parameters
    ----------
    n
        Panels, at least one.
    height
        Inches of one row of panels.
    extra
        Inches besides, for legend and labels.
    same_y
        All panels share one vertical scale.
    """
    columns = columns_for(n)
    rows = -(-n // columns)
    figure = new_figure(5.2 if columns == 1 else FULL_WIDTH, height * rows + extra)
    axes = figure.subplots(rows, columns, sharex=same_y, sharey=same_y, squeeze=False).ravel()
    return figure, axes, columns


def finish_panels(axes: Any, used: int, columns: int, x_label: str, y_label: str) -> None:
    """Label the outer panels and take away those that are not used."""
    for i, axis in enumerate(axes):
        if i >= used:
            axis.set_axis_off()
            continue
        if i % columns == 0:
            axis.set_ylabel(y_label)
        if i + columns >= used:
            axis.set_xlabel(x_label)
            axis.tick_params(labelbottom=True)


def legend_label(text: str, limit: int = 28) -> str:
    """Return a label cut to fit; matplotlib hides labels that begin with an underscore."""
    label = short(text, limit)
    return f"\N{ZERO WIDTH SPACE}{label}" if label.startswith("_") else label


def group_legend(figure: Any, names: Sequence[str]) -> None:
    """Add a legend of the groups above the panels, with line and marker of each."""
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], color=look.colour, linestyle=look.dashes, marker=look.marker)
        for look in looks(names).values()
    ]
    labels = [legend_label(name) for name in names]
    figure.legend(handles, labels, loc="outside upper left", ncols=min(4, len(names)))


def index_axis(axis: Any, labels: Sequence[str]) -> None:
    """Give a panel one row per label, the first on top, without ticks or a left spine."""
    axis.set_yticks(range(len(labels)), labels)
    axis.set_ylim(len(labels) - 0.4, -0.6)
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)


def wrap_text(text: str, width: int, lines: int) -> str:
    """Return text broken into lines; what does not fit is cut with an ellipsis.

    Examples
    --------
    >>> wrap_text("one two three four", 8, 2)
    'one two\\nthree …'
    """
    parts = textwrap.wrap(plain(text).replace("\n", " "), width, break_long_words=True)
    if len(parts) > lines:
        last = parts[lines - 1]
        parts = [*parts[: lines - 1], f"{last[: width - 2].rstrip()} …"]
    return "\n".join(parts)


def and_more(n_left: int, where: str) -> str:
    """Return what a caption says of panels left out; nothing if none is.

    Examples
    --------
    >>> and_more(0, "the table"), and_more(3, "the table")
    ('', ' And 3 more, see the table.')
    """
    return f" And {n_left} more, see {where}." if n_left > 0 else ""


def n_behind(rows: Sequence[Mapping[str, Any]], unit_words: str) -> str:
    """Return what a caption says of the n of estimates: units of all groups together.

    Examples
    --------
    >>> n_behind([{"n_units": 12, "n_units_reference": 12}, {"n_units": 11,
    ...          "n_units_reference": None}], "plants")
    ' n of plants: 11 to 24.'
    """
    totals = [
        sum(int(row[name]) for name in ("n_units", "n_units_reference") if is_number(row[name]))
        for row in rows
        if is_number(row["n_units"])
    ]
    if not totals:
        return ""
    low, high = min(totals), max(totals)
    return f" n of {unit_words}: {low}{f' to {high}' if high > low else ''}."


# Means, standard deviations and extremes that figures show; units count, not scans.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class SpectrumSummary:
    """One group of spectra.

    Attributes
    ----------
    mean
        Mean of the unit means, shape ``(n_wavelengths,)``.
    sd
        Standard deviation between unit means; ``None`` with fewer than two units.
    low, high
        Lowest and highest single scan at each wavelength.
    n_units, n_scans
        How many.
    """

    mean: Floats
    sd: Floats | None
    low: Floats
    high: Floats
    n_units: int
    n_scans: int


def means_of(values: Floats, labels: Sequence[str]) -> tuple[list[str], Floats]:
    """Average rows that share a label.

    Parameters
    ----------
    values
        Shape ``(n_rows, n_columns)``.
    labels
        One per row.

    Returns
    -------
    names, means
        The labels, sorted, and the mean of each, shape ``(n_labels, n_columns)``.

    Examples
    --------
    >>> means_of(np.array([[1.0], [3.0], [5.0]]), ["b", "b", "a"])
    (['a', 'b'], array([[5.],
           [2.]]))
    """
    names, codes = np.unique(np.asarray(labels, dtype=str), return_inverse=True)
    sums = np.zeros((len(names), values.shape[1]))
    np.add.at(sums, codes, values)
    return [str(n) for n in names], sums / np.bincount(codes)[:, None]


def summarise_spectra(
    reflectance: Floats, units: Sequence[str], leaves: Sequence[str]
) -> SpectrumSummary:
    """Summarise scans of one group: scans are averaged within leaf, leaves within unit.

    Parameters
    ----------
    reflectance
        Shape ``(n_scans, n_wavelengths)``, at least one scan.
    units, leaves
        Unit and leaf of every scan.
    """
    pairs = [f"{unit}\t{leaf}" for unit, leaf in zip(units, leaves, strict=True)]
    names, leaf_means = means_of(reflectance, pairs)
    owners, unit_means = means_of(leaf_means, [name.split("\t")[0] for name in names])
    return SpectrumSummary(
        mean=unit_means.mean(axis=0),
        sd=unit_means.std(axis=0, ddof=1) if len(owners) > 1 else None,
        low=reflectance.min(axis=0),
        high=reflectance.max(axis=0),
        n_units=len(owners),
        n_scans=len(reflectance),
    )


@dataclass(frozen=True)
class MeanInterval:
    """Mean of unit means; half width of its two-sided t interval, ``None`` for one unit."""

    mean: float
    half: float | None
    n: int


def mean_interval(values: Floats, level: float = 0.95) -> MeanInterval:
    """Return the mean and the half width of its t interval.

    Parameters
    ----------
    values
        One value per unit, finite, at least one.
    level
        Confidence level.

    References
    ----------
    Student's t interval, e.g. NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.2.
    """
    from scipy.special import stdtrit

    n, mean = len(values), float(values.mean())
    if n < 2:
        return MeanInterval(mean, None, n)
    quantile = float(stdtrit(n - 1, 0.5 + level / 2.0))
    return MeanInterval(mean, quantile * float(values.std(ddof=1)) / float(np.sqrt(n)), n)


def thinning(wavelength_nm: Floats, at_most: int = 250) -> slice:
    """Return the step that leaves at most so many points to draw; numbers are never thinned."""
    return slice(None, None, step_for(len(wavelength_nm), at_most))
