"""From a matplotlib figure to the same bytes every time, as a file and inside the page."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from markupsafe import Markup, escape

from leafledger.errors import StageFailure
from leafledger.report.lettering import plain
from leafledger.report.live import LiveView
from leafledger.report.palette import STYLE

NOT_TESTED = " Nothing is tested here, so nothing is adjusted."
"""What a caption says of a figure without a test; every caption tells n, error bars, adjustment."""

_RASTER_ABOVE_BYTES = 300_000
_DPI = 200
_PIXELS_PER_POINT = 1.38
_TAG = re.compile(r"<[^>]+>")
_ID = re.compile(r'\sid="([^"]*)"')
_REFERENCE = re.compile(r'(url\(#|href="#)')


@dataclass(frozen=True)
class Plate:
    """One figure as the page shows it."""

    name: str
    title: str
    alt: str
    caption: str
    markup: Markup
    wide: bool
    files: tuple[str, ...]


@dataclass
class Book:
    """Collects the figures of one report.

    Attributes
    ----------
    forms
        File forms wanted in ``figures/``: svg, png.
    files
        File name -> content.
    plates
        The figures in the order they were drawn.
    live
        What the figures that answer the pointer are drawn from.
    """

    forms: Sequence[str]
    files: dict[str, bytes] = field(default_factory=dict)
    plates: list[Plate] = field(default_factory=list)
    live: list[LiveView] = field(default_factory=list)

    def add(
        self, figure: Any, name: str, title: str, alt: str, caption: str, *, wide: bool = False
    ) -> Plate:
        """Keep a figure: its files, and its drawing for the page.

        Parameters
        ----------
        figure
            From :func:`new_figure`.
        name
            File name without ending; ours, never the user's.
        title, alt, caption
            Plain text: heading, description for who cannot see it, and what n, error bars and
            adjustment are.
        wide
            Several panels side by side: scrolls on a narrow screen instead of shrinking.
        """
        import matplotlib as mpl

        with mpl.rc_context(STYLE):
            _lay_out(figure)
            svg = _bytes_of(figure, "svg")
            heavy = len(svg) > _RASTER_ABOVE_BYTES
            png = _bytes_of(figure, "png") if heavy or "png" in self.forms else b""
            heavy = heavy and len(png) < len(svg)  # else the raster would weigh more
        contents = {"svg": svg, "png": png}
        names = tuple(f"{name}.{form}" for form in self.forms)
        self.files.update({f"{name}.{form}": contents[form] for form in self.forms})
        alt = plain(alt)
        markup = _picture(png, alt) if heavy else inline_svg(svg.decode(), name, alt)
        plate = Plate(name, title, alt, plain(caption), markup, wide, names)
        self.plates.append(plate)
        return plate

    def enliven(self, view: LiveView | None) -> LiveView | None:
        """Keep the values of a figure that answers the pointer, if there is one; return it."""
        if view is not None:
            self.live.append(view)
        return view

    def captions(self) -> str:
        """Return the captions of all figures as one text, for ``figures/captions.txt``."""
        return "\n".join(
            f"{p.name}\n{p.title}{'' if p.title.endswith('?') else '.'} {p.caption}\n"
            for p in self.plates
        )


def new_figure(width: float, height: float) -> Any:
    """Return an empty figure in our style (inches); it belongs to no global state."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), dpi=_DPI, layout="constrained")


def _lay_out(figure: Any) -> None:
    """Find the place of everything once, for both forms.

    Otherwise each form would lay out the figure, and draw it once more to take its size; and each
    drawing would measure all tick labels three times over: for the titles (ours stand at a fixed
    height), for the labels of the axes, even empty ones, and for themselves.
    """
    axes = [axis for part in figure.axes for axis in (part.xaxis, part.yaxis)]
    for part in figure.axes:
        if not part.get_title("left"):
            part.set_title("", y=1.0)
    for axis in axes:
        if not axis.get_label_text():
            axis.set_label_coords(0.5, 0.5)
    figure.get_layout_engine().execute(figure)
    figure.set_layout_engine("none")
    to_figure = figure.transFigure.inverted()
    for axis in axes:
        if axis.get_label_text():
            place = axis.label.get_transform().transform(axis.label.get_position())
            axis.set_label_coords(*to_figure.transform(place), transform=figure.transFigure)


def _bytes_of(figure: Any, form: str) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.BytesIO()
    if form == "svg":
        # The SVG canvas sets 72 dpi and leaves it so.
        FigureCanvasSVG(figure).print_svg(out, metadata={"Date": None, "Creator": None})
    else:
        figure.set_dpi(_DPI)
        FigureCanvasAgg(figure).print_png(out, metadata={"Software": None})
    return out.getvalue()


def _picture(png: bytes, alt: str) -> Markup:
    data = base64.b64encode(png).decode()
    return Markup('<img class="plot" alt="{}" src="data:image/png;base64,{}">').format(alt, data)


def inline_svg(text: str, name: str, alt: str) -> Markup:
    """Make a stand-alone SVG fit to stand inside the page beside others.

    Prolog, metadata and the style sheet (which would reach the whole page) go; ids get the
    figure's name in front so that no two figures share one; the description becomes its title.

    Parameters
    ----------
    text
        SVG as matplotlib writes it: ``<`` and ``>`` in text are escaped there.
    name
        Prefix of the ids.
    alt
        Description, plain text.
    """
    start = text.index("<svg")
    body = re.sub(r"<metadata>.*?</metadata>", "", text[start:], count=1, flags=re.DOTALL)
    body = re.sub(r"<style[^>]*>.*?</style>", "", body, count=1, flags=re.DOTALL)
    body = _TAG.sub(lambda tag: _own_ids(tag.group(), name), body)
    head, rest = body.split(">", 1)
    box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', head)
    if box is None:
        raise StageFailure(f"{name}: the drawing has no size")
    # The same scale for every figure, so that text has one size all down the page.
    width = round(float(box.group(1)) * _PIXELS_PER_POINT)
    opening = (
        f'<svg class="plot" role="img" aria-labelledby="{name}-alt" style="max-width:{width}px" '
        f'xmlns="http://www.w3.org/2000/svg" {box.group()}>'
        f'<title id="{name}-alt">{escape(alt)}</title>'
    )
    return Markup(opening + re.sub(r"\n\s*", "\n", rest).strip())  # noqa: S704


def _own_ids(tag: str, name: str) -> str:
    own = "" if tag.startswith("<g ") else rf' id="{name}-\1"'
    tag = _ID.sub(own, tag).replace("xlink:href", "href")
    return _REFERENCE.sub(rf"\g<1>{name}-", tag)
