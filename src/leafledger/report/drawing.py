"""How does a built figure become files: laid out and drawn once, side by side, only if it changed?

A figure that matplotlib has built is drawn as SVG, PNG and PDF, the same bytes every time. They are
a function of the built figure, of this code and of the versions of the libraries: their digest is
the key under which the drawing is kept, so that a report draws only what is not as it was.

Notes
-----
Drawing took half of the processor time of a report, most of it in matplotlib's ticks and texts: it
seeks the ticks of every axis and measures every label six times over, twice for the layout and
twice for each form. Here ticks are sought once the layout stands, and a text is measured once for
each form; the bytes stay the same. With this and a quicker workbook a first report of the demo went
from 12.3 to 10.2 s of processor time. No public call of matplotlib allows for that; the methods
that are set aside are named below, and a test compares with matplotlib's own drawing.
"""

from __future__ import annotations

import base64
import copyreg
import gc
import io
import pickle
import re
import sys
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from leafledger.errors import StageFailure
from leafledger.platforms import beside, cores_at_hand
from leafledger.records.digests import digest_of_modules, sha256_of_bytes, sha256_of_value
from leafledger.records.store import KeptFiles

# All figures of a report, side by side, and only those that changed.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Drawing:
    """A figure as files.

    Attributes
    ----------
    files
        Form (svg, png, pdf) -> content.
    lacking
        Signs that the font lacks.
    unfit
        Why it is not drawn; empty if it is.
    """

    files: Mapping[str, bytes]
    lacking: tuple[str, ...] = ()
    unfit: str = ""


@dataclass(frozen=True)
class Order:
    """A figure to be drawn.

    Attributes
    ----------
    figure
        A matplotlib figure, built and not laid out.
    style
        Settings of matplotlib that hold while it is drawn.
    draw
        A function of a module: figure, what else is given -> drawing.
    given
        What else ``draw`` takes, plain values.
    """

    figure: Any
    style: Mapping[str, Any]
    draw: Callable[..., Drawing]
    given: tuple[Any, ...] = ()


def draw_all(orders: Sequence[Order], kept: KeptFiles | None) -> list[Drawing]:
    """Return the drawings in the order of the orders; those that are kept are not drawn again.

    The others are drawn in as many processes as there are cores at hand, the largest first and
    each by the process with the least to do.

    Parameters
    ----------
    orders
        Figures to be drawn.
    kept
        Drawings of earlier reports, to which the new ones are added; ``None`` for none.
    """
    built = [built_bytes(order) for order in orders]
    libraries = {name: version(name) for name in _LIBRARIES}
    keys = [
        None if content is None else _key(order, content, libraries)
        for order, content in zip(orders, built, strict=True)
    ]
    drawings: dict[int, Drawing] = {}
    for index, key in enumerate(keys):
        drawing = _as_drawing(kept.get(key)) if kept is not None and key is not None else None
        if drawing is not None:
            drawings[index] = drawing
    missing = [index for index in range(len(orders)) if index not in drawings]
    sizes = {index: len(built[index] or b"") for index in missing}
    shares = _shares(sizes, cores_at_hand())
    others = [beside(partial(_draw_share, orders, share), apart=True) for share in shares[1:]]
    for share in shares[:1]:
        drawings |= _draw_share(orders, share)
    for other in others:
        drawings |= other()
    if kept is not None:
        for index in missing:
            if (key := keys[index]) is not None:
                kept.put(key, _as_files(drawings[index]))
    return [drawings[index] for index in range(len(orders))]


def _shares(sizes: Mapping[int, int], n: int) -> list[list[int]]:
    """Deal things of these sizes to at most ``n`` shares of about the same sum.

    Examples
    --------
    >>> _shares({0: 5, 1: 9, 2: 3, 3: 4}, 2), _shares({}, 2)
    ([[1, 2], [0, 3]], [])
    """
    shares: list[list[int]] = [[] for _ in range(min(n, len(sizes)))]
    sums = [0] * len(shares)
    for index in sorted(sizes, key=lambda index: (-sizes[index], index)):
        least = sums.index(min(sums))
        shares[least].append(index)
        sums[least] += sizes[index]
    return shares


def _draw_share(orders: Sequence[Order], places: Sequence[int]) -> dict[int, Drawing]:
    with without_collecting():
        return {index: _drawn(orders[index]) for index in places}


def _drawn(order: Order) -> Drawing:
    import matplotlib as mpl

    with mpl.rc_context(dict(order.style)), texts_measured_once():
        return order.draw(order.figure, *order.given)


@contextmanager
def without_collecting() -> Iterator[None]:
    """Keep Python from searching for unreachable objects within the block.

    Figures are hundreds of thousands of small objects that all stay until they are drawn: the
    searches took a tenth of the time of a report and found next to nothing.
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


# The key of a drawing: the built figure, the code and the libraries.
# ----------------------------------------------------------------------

_LIBRARIES = ("contourpy", "kiwisolver", "matplotlib", "numpy", "pillow")


def built_bytes(order: Order) -> bytes | None:
    """Return what matplotlib has built as bytes: the same for the same figure in any process.

    They are never read back. References that only tell who hears of changes are left out: they name
    places in memory.

    Returns
    -------
    bytes or None
        ``None`` of a figure that calls a function without a name to be known by, such as a lambda:
        it is drawn each time.
    """
    out = io.BytesIO()
    pickler = pickle.Pickler(out, protocol=5)
    pickler.dispatch_table = _reductions()
    try:
        pickler.dump(order.figure)
    except (pickle.PicklingError, AttributeError, TypeError):
        return None
    return out.getvalue()


@cache
def _reductions() -> dict[type, Any]:
    """Return class -> what its objects are written as, for those of matplotlib that need it."""
    from matplotlib import projections  # every transform that a figure may hold
    from matplotlib.cbook import CallbackRegistry
    from matplotlib.transforms import TransformNode

    nodes = {TransformNode}
    while new := {sub for node in nodes for sub in node.__subclasses__()} - nodes:
        nodes |= new
    del projections
    table: dict[type, Any] = dict(copyreg.dispatch_table)
    table |= dict.fromkeys(nodes, _without_parents)
    table[CallbackRegistry] = lambda _: (str, ("",))
    return table


def _without_parents(node: Any) -> tuple[Any, ...]:
    state = {name: value for name, value in node.__dict__.items() if name != "_parents"}
    return copyreg.__newobj__, (type(node),), state  # type: ignore[attr-defined]


_OURS = re.compile(rb"leafledger(?:\.[a-z_0-9]+)+")


def _modules_in(built: bytes) -> list[str]:
    """Return the modules of this package whose functions a built figure calls when it is drawn."""
    named = {reference.decode() for reference in _OURS.findall(built)}
    return sorted(name for name in named if name in sys.modules)


def _key(order: Order, built: bytes, libraries: Mapping[str, str]) -> str:
    drawn_by = order.draw.__module__
    ours = sorted({__name__, drawn_by, *_modules_in(built)})
    return sha256_of_value(
        {
            "built": sha256_of_bytes(built),
            "style": {name: repr(value) for name, value in order.style.items()},
            "draw": [drawn_by, order.draw.__qualname__, repr(order.given)],
            "code": {module: digest_of_modules(module) for module in ours},
            "libraries": libraries,
            "python": sys.version,
            "fonts": _fonts(tuple(order.style.get("font.sans-serif", ()))),
        }
    ).removeprefix("sha256:")


@cache
def _fonts(names: tuple[str, ...]) -> list[list[Any]]:
    """Return the files of these fonts that this machine has: name, weight, style, size in bytes."""
    from matplotlib.font_manager import fontManager

    return sorted(
        [font.name, str(font.weight), font.style, Path(font.fname).stat().st_size]
        for font in fontManager.ttflist
        if font.name in names and Path(font.fname).is_file()
    )


_UNFIT, _LACKING_FILE = "unfit.txt", "lacking.txt"


def _as_files(drawing: Drawing) -> dict[str, bytes]:
    notes = {_UNFIT: drawing.unfit.encode(), _LACKING_FILE: "".join(drawing.lacking).encode()}
    return {**drawing.files, **notes}


def _as_drawing(files: Mapping[str, bytes] | None) -> Drawing | None:
    if files is None or not {_UNFIT, _LACKING_FILE} <= set(files):
        return None
    notes = {name: files[name].decode() for name in (_UNFIT, _LACKING_FILE)}
    forms = {form: content for form, content in files.items() if form not in notes}
    return Drawing(forms, tuple(notes[_LACKING_FILE]), notes[_UNFIT])


# One figure: laid out once, its ticks sought and its texts measured once.
# ----------------------------------------------------------------------

DPI = 200
"""Dots per inch of the figures of the page."""
_PNG_LEVEL = 3
RASTER_ABOVE_BYTES = 300_000
"""A drawing that weighs more as SVG stands in the page as PNG, if that is lighter."""


def draw_for_page(figure: Any, with_png: bool) -> Drawing:
    """Draw a figure as SVG, and as PNG if that is wanted or the SVG is heavy.

    Parameters
    ----------
    figure
        From :func:`leafledger.report.figures.new_figure`.
    with_png
        Whether the PNG is wanted whatever the SVG weighs.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with lacking_signs() as lacking:
        canvas = FigureCanvasAgg(figure)  # measures for the layout, too
        _lay_out_once(figure)
        files = {"svg": svg_bytes(figure)}
        if with_png or len(files["svg"]) > RASTER_ABOVE_BYTES:
            files["png"] = png_bytes(figure, canvas, DPI)
    return Drawing(files, tuple(lacking))


def _lay_out_once(figure: Any) -> None:
    """Find the place of everything once, for all forms.

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
            position = axis.label.get_transform().transform(axis.label.get_position())
            axis.set_label_coords(*to_figure.transform(position), transform=figure.transFigure)
    hold_ticks(figure)
    for axis in axes:
        # The boxes of tick labels are only needed for the place of the axis label, which is known,
        # and of the power of ten beside an axis.
        if not axis.major.formatter.get_offset():
            axis._get_ticklabel_bboxes = _no_boxes


def hold_ticks(figure: Any) -> None:
    """Seek the ticks of every axis once, now that its place is known, for all drawings to come."""
    for part in figure.axes:
        for axis in (part.xaxis, part.yaxis):
            if part.get_visible() and part.axison and axis.get_visible():
                axis._update_ticks = partial(list, axis._update_ticks())


def _no_boxes(_ticks: Any, _renderer: Any) -> tuple[list[Any], list[Any]]:
    return [], []


@contextmanager
def texts_measured_once() -> Iterator[None]:
    """Let matplotlib remember the boxes and the fonts of texts within the block.

    A box is known by all that it depends on, fonts by their properties.
    """
    from matplotlib import text as mpl_text
    from matplotlib.font_manager import fontManager

    Text: Any = mpl_text.Text  # the methods are not in the stubs
    manager: Any = fontManager
    measure, find = Text._get_layout, manager._find_fonts_by_props
    boxes: dict[tuple[Any, ...], Any] = {}
    fonts: dict[tuple[Any, ...], Any] = {}

    def measured(text: Any, renderer: Any) -> Any:
        if text.get_wrap() or text.get_usetex():
            return measure(text, renderer)  # depends on the place, or on another program
        key = (
            text.get_text(),
            hash(text.get_fontproperties()),
            text.get_rotation(),
            text.get_rotation_mode(),
            text.get_horizontalalignment(),
            text.get_verticalalignment(),
            text._get_multialignment(),
            text._linespacing,
            text.get_parse_math(),
            text.get_figure(root=True).dpi,
            id(renderer),
        )
        if key not in boxes:
            boxes[key] = (measure(text, renderer), renderer)  # held, so that its id is not reused
        return boxes[key][0]

    def found(properties: Any, *more: Any, **named: Any) -> Any:
        key = (hash(properties), more, tuple(named.items()))
        if key not in fonts:
            fonts[key] = find(properties, *more, **named)
        return fonts[key]

    Text._get_layout = measured
    manager._find_fonts_by_props = found
    try:
        yield
    finally:
        Text._get_layout = measure
        del manager._find_fonts_by_props


# The forms.
# ----------------------------------------------------------------------


def svg_bytes(figure: Any) -> bytes:
    """Return a figure as SVG."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.BytesIO()
    # The SVG canvas sets 72 dpi and leaves it so.
    FigureCanvasSVG(figure).print_svg(out, metadata={"Date": None, "Creator": None})
    return out.getvalue()


def pdf_bytes(figure: Any) -> bytes:
    """Return a figure as PDF."""
    from matplotlib.backends.backend_pdf import FigureCanvasPdf

    out = io.BytesIO()
    nothing = {"CreationDate": None, "Creator": None, "Producer": None}
    FigureCanvasPdf(figure).print_pdf(out, metadata=nothing)
    return out.getvalue()


def png_bytes(figure: Any, canvas: Any, dpi: int) -> bytes:
    """Return a figure as PNG.

    The picture is packed without its alpha, which is opaque everywhere, and at a lower level than
    matplotlib packs it: half the processor time for a file of the same size.

    Parameters
    ----------
    figure
        A figure of matplotlib.
    canvas
        Its Agg canvas, which knows the sizes of its texts if it has laid them out.
    dpi
        Dots per inch.
    """
    from PIL import Image

    figure.set_dpi(dpi)
    canvas.draw()
    size = canvas.get_width_height(physical=True)
    drawn = Image.frombuffer("RGBA", size, canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
    opaque = drawn.getextrema()[-1] == (255, 255)
    out = io.BytesIO()
    picture = drawn.convert("RGB") if opaque else drawn
    picture.save(out, "png", dpi=(dpi, dpi), compress_level=_PNG_LEVEL)
    return out.getvalue()


_LACKING = re.compile(r"Glyph (\d+) ")
LACKING_MESSAGE = "Glyph "
"""How the warnings of matplotlib begin that a font lacks a sign."""


@contextmanager
def lacking_signs() -> Iterator[list[str]]:
    """Collect the signs that the font lacks while a figure is drawn, in place of their warnings.

    The list is filled when the block ends; other warnings are given then.
    """
    lacking: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield lacking
    for warning in caught:
        glyph = _LACKING.match(str(warning.message))
        if glyph is None:
            warnings.warn_explicit(
                warning.message, warning.category, warning.filename, warning.lineno
            )
        elif chr(int(glyph[1])) not in lacking:
            lacking.append(chr(int(glyph[1])))


def words_of_lacking(signs: Sequence[str]) -> str:
    """Return what a caption says of signs that the font lacks; nothing if there are none.

    Examples
    --------
    >>> words_of_lacking([]), words_of_lacking(["\u6c34"])
    ('', ' The font of PDF and PNG files lacks \u6c34: a box stands there.')
    """
    if not signs:
        return ""
    return f" The font of PDF and PNG files lacks {' '.join(signs)}: a box stands there."


# The drawing as part of the page.
# ----------------------------------------------------------------------

_PIXELS_PER_POINT = 1.38
_TAG = re.compile(r"<[^>]+>")
_ID = re.compile(r'\sid="([^"]*)"')
_REFERENCE = re.compile(r'(url\(#|href="#)')


def picture(png: bytes, alt: str) -> Markup:
    """Return a PNG as an element of the page."""
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
    body = _TAG.sub(lambda tag: _prefix_ids(tag.group(), name), body)
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


def _prefix_ids(tag: str, name: str) -> str:
    prefixed = "" if tag.startswith("<g ") else rf' id="{name}-\1"'
    tag = _ID.sub(prefixed, tag).replace("xlink:href", "href")
    return _REFERENCE.sub(rf"\g<1>{name}-", tag)
