"""How do the figures of the report look at the width of a journal's column?

The same functions draw them, once for each width: no figure is drawn a second way. Text is at
least 8 pt at the final width. A figure whose labels or panels do not fit into a width is not given
at that width, and the reason is kept.
"""

from __future__ import annotations

import itertools
import textwrap
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from leafledger.report.drawing import (
    LACKING_MESSAGE,
    Drawing,
    Order,
    hold_ticks,
    lacking_signs,
    pdf_bytes,
    png_bytes,
    svg_bytes,
)
from leafledger.report.figures import (
    JOURNAL_WIDTH_MM,
    STYLE,
    Figure,
    FigureSet,
    InteractiveFigure,
)
from leafledger.report.gather import Material
from leafledger.report.numbers import plain

WIDTHS_MM = (85, 180)
"""Width of one column and of the whole page of a journal, in millimetres."""
TALLEST_MM = 230
"""Height of the text of a journal's page, in millimetres."""
LEAST_POINTS = 8.0
"""Size of the smallest text at final width, in points."""
DPI = 600
_LEAST_PANEL_MM = 14.0
_SLACK_PX = 2.0
_LETTER_OF_POINT = 0.6
"""Width of a letter over the size of its type, for wrapping."""
_SHORT_LINE = 0.6
_BESIDE_POINTS = 46.0
"""Room beside a panel for its labels, and in a legend for the line before a label."""

_FONTS: dict[str, Any] = {
    "font.size": LEAST_POINTS,
    "axes.titlesize": LEAST_POINTS,
    "axes.labelsize": LEAST_POINTS,
    "xtick.labelsize": LEAST_POINTS,
    "ytick.labelsize": LEAST_POINTS,
    "legend.fontsize": LEAST_POINTS,
    "pdf.fonttype": 42,
}


# All figures of a study, once for each width.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Drawn:
    """One figure for a journal.

    Attributes
    ----------
    name, title, caption, alt
        As on the page.
    files
        Width in millimetres -> form (pdf, svg, png) -> content.
    unfit
        Width in millimetres -> why it is not given at that width.
    """

    name: str
    title: str
    caption: str
    alt: str
    files: dict[int, dict[str, bytes]] = field(default_factory=dict)
    unfit: dict[int, str] = field(default_factory=dict)


def journal_figures(
    material: Material, widths: Sequence[int] = WIDTHS_MM
) -> tuple[list[Drawn], dict[str, Any]]:
    """Return every figure of the report at the widths of a journal, and the parts of the page.

    Parameters
    ----------
    material
        The whole study.
    widths
        In millimetres.

    Returns
    -------
    figures, findings
        The figures in the order of the page, and what its first part says.
    """
    drawn: dict[str, Drawn] = {}
    findings: dict[str, Any] = {}
    for width in widths:
        with _drawn_at(width) as figures:
            findings = _draw_all(material, figures)
        for figure in figures.figures:
            drawing = figures.drawing_of(figure.name)
            entry = Drawn(figure.name, plain(figure.title), figure.caption, figure.alt)
            entry = drawn.setdefault(figure.name, entry)
            if drawing.unfit:
                entry.unfit[width] = drawing.unfit
            else:
                entry.files[width] = dict(drawing.files)
    return list(drawn.values()), findings


def _draw_all(material: Material, figures: FigureSet) -> dict[str, Any]:
    """Draw what the report draws, in its order; return what its first part says."""
    from leafledger.report.answer import findings_part
    from leafledger.report.classification import classification_part
    from leafledger.report.conclusions_held import robustness_part
    from leafledger.report.next_study import next_study_part, unfinished_part
    from leafledger.report.pigments import pigments_part, traits_part
    from leafledger.report.time_course import time_course_part
    from leafledger.report.trust import trust_part

    findings = findings_part(material, figures)
    for part in (
        trust_part,
        time_course_part,
        robustness_part,
        classification_part,
        next_study_part,
        unfinished_part,
        pigments_part,
        traits_part,
    ):
        part(material, figures)
    return findings


@contextmanager
def _drawn_at(width_mm: int) -> Iterator[JournalFigures]:
    import matplotlib as mpl

    token = JOURNAL_WIDTH_MM.set(float(width_mm))
    try:
        with mpl.rc_context({**STYLE, **_FONTS}):
            yield JournalFigures(())
    finally:
        JOURNAL_WIDTH_MM.reset(token)


class JournalFigures(FigureSet):
    """Collects the figures of one report at one width; each is drawn as PDF, SVG and PNG."""

    def order(self, figure: Any) -> Order:
        """Return what is to be drawn, and how: all of it must fit into the width."""
        return Order(figure, {**STYLE, **_FONTS}, draw_for_journal)

    def add_for_phones_too(self, draw: Callable[[FigureSet], Figure]) -> Figure:
        """Take a figure once: paper has one width at a time."""
        return draw(self)

    def add_interactive(self, view: InteractiveFigure | None) -> InteractiveFigure | None:
        """Keep nothing: paper does not answer the pointer."""
        return view


# One figure: its text large enough, its parts inside the width, its files.
# ----------------------------------------------------------------------


def draw_for_journal(figure: Any) -> Drawing:
    """Draw a figure as PDF, SVG and PNG, if all of it fits into the width that it has."""
    figure.set_figheight(min(figure.get_figheight(), TALLEST_MM / 25.4))
    _enlarge_text(figure)
    _wrap_titles(figure)
    _narrow_legends(figure)
    with lacking_signs() as lacking:
        why = _lay_out(figure)
        if not why:
            hold_ticks(figure)
        files = {} if why else _files_of(figure)
    return Drawing(files, tuple(lacking), why)


def _texts(figure: Any) -> list[Any]:
    from matplotlib.text import Text

    return [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]


def _enlarge_text(figure: Any) -> None:
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        if text.get_fontsize() < LEAST_POINTS:
            text.set_fontsize(LEAST_POINTS)


def _wrap_titles(figure: Any) -> None:
    """Break the titles of panels, and labels of axes, into lines that the panels can hold."""
    for part in figure.axes:
        spec = part.get_subplotspec()
        rows, columns = (spec.get_gridspec().nrows, spec.get_gridspec().ncols) if spec else (1, 1)
        wide = 72 * figure.get_figwidth() / columns - _BESIDE_POINTS
        tall = 72 * figure.get_figheight() / rows - _BESIDE_POINTS
        for title in (part.title, part._left_title, part._right_title, part.xaxis.label):
            title.set_text(_wrapped(title.get_text(), _letters(wide)))
        part.yaxis.label.set_text(_wrapped(part.yaxis.label.get_text(), _letters(tall)))
        legend = part.get_legend()
        for text in legend.get_texts() if legend else ():
            text.set_text(_wrapped(text.get_text(), _letters(0.6 * wide)))


def _letters(points: float) -> int:
    return max(10, int(points / (_LETTER_OF_POINT * LEAST_POINTS)))


def _wrapped(text: str, letters: int) -> str:
    """Return text in lines of so many letters.

    Where lines are too long, those that were broken for the page are joined first: a line ends a
    paragraph only if it is clearly shorter than the longest.

    Examples
    --------
    >>> _wrapped("short\\none two three\\nfour five", 11)
    'short\\none two\\nthree four\\nfive'
    """
    lines = text.split("\n")
    longest = max(map(len, lines))
    if longest <= letters:
        return text
    paragraphs = [""]
    for line in lines:
        paragraphs[-1] = f"{paragraphs[-1]} {line}".strip()
        if len(line) < _SHORT_LINE * longest:
            paragraphs.append("")
    broken = (textwrap.wrap(words, letters, break_long_words=False) for words in paragraphs)
    return "\n".join(part for words in broken for part in words)


def _narrow_legends(figure: Any) -> None:
    """Give a legend of the whole figure as many columns as fit."""
    points = 72 * figure.get_figwidth()
    for legend in figure.legends:
        labels = [text.get_text() for text in legend.get_texts()]
        widest = max((len(label) for label in labels), default=1) * _LETTER_OF_POINT * LEAST_POINTS
        legend.set_ncols(max(1, min(len(labels), int(points / (widest + _BESIDE_POINTS)))))


def _lay_out(figure: Any) -> str:
    """Find the place of everything; return why the figure does not fit, empty if it does."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    with warnings.catch_warnings():
        warnings.simplefilter("error", UserWarning)
        warnings.filterwarnings("always", message=LACKING_MESSAGE)
        try:
            canvas.draw()
        except UserWarning:
            return "its labels leave no room for the panels"
    figure.set_layout_engine("none")
    return _crowded_ticks(figure, canvas.get_renderer()) or _cut_off(figure, canvas.get_renderer())


def _crowded_ticks(figure: Any, renderer: Any) -> str:
    """Return why the panels are too small: their sides, or tick labels that overlap."""
    not_drawn = set(map(id, _labels_not_drawn(figure)))
    for part in figure.axes:
        if not part.get_visible() or not part.axison:
            continue
        box = part.get_window_extent(renderer)
        if min(box.width, box.height) / figure.dpi * 25.4 < _LEAST_PANEL_MM:
            return "its panels would be too small"
        for axis in (part.xaxis, part.yaxis):
            boxes = [
                label.get_window_extent(renderer)
                for label in axis.get_ticklabels()
                if label.get_text() and label.get_visible() and id(label) not in not_drawn
            ]
            if any(a.overlaps(b) for a, b in itertools.pairwise(boxes)):
                return "labels of its axes would overlap"
    return ""


def _cut_off(figure: Any, renderer: Any) -> str:
    """Return whether text would reach beyond the edge."""
    width, height = figure.bbox.width, figure.bbox.height
    not_drawn = set(map(id, _labels_not_drawn(figure)))
    for text in _texts(figure):
        box = text.get_window_extent(renderer)
        if id(text) not in not_drawn and box.width > 0:
            beyond = max(-box.x0, -box.y0, box.x1 - width, box.y1 - height)
            if beyond > _SLACK_PX:
                return "text would reach beyond its edge"
    return ""


def _labels_not_drawn(figure: Any) -> Iterator[Any]:
    """Yield the labels of ticks beyond the ends of their axis, and of axes that are not shown."""
    for part in figure.axes:
        is_visible = part.get_visible() and part.axison
        for axis in (part.xaxis, part.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if not is_visible or not low <= tick.get_loc() <= high:
                    yield from (tick.label1, tick.label2)


def _files_of(figure: Any) -> dict[str, bytes]:
    """Return a figure as PDF, SVG and PNG; the same bytes every time."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    files = {"pdf": pdf_bytes(figure), "svg": svg_bytes(figure)}
    return {**files, "png": png_bytes(figure, FigureCanvasAgg(figure), DPI)}
