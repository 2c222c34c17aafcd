"""The page: templates filled with the parts, style and script inside, nothing from outside."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from leafledger.report import downloads, numbers
from leafledger.report.figures import InteractiveFigure, drawing_library, pack_values

_HERE = Path(__file__).parent
_SCRIPTS = ("page.js", "downloads.js", *(f"live/{name}.js" for name in (
    "parts", "drawing", "frame", "spectra", "courses", "difference", "steps", "start",
)))  # fmt: skip


def render(
    parts: Mapping[str, Any], names: Collection[str] = (), live: Sequence[InteractiveFigure] = ()
) -> str:
    """Fill the page.

    Parameters
    ----------
    parts
        title, question, study (a :class:`~leafledger.report.gather.Material`), and the view of
        each part of the page: found, trust, days, apart, made, lineage; and downloads, the tables
        that can be saved.
    names
        Names of the study, which no filter may alter.
    live
        Figures that answer the pointer; without any, the drawing library stays out.

    Returns
    -------
    str
        HTML with style and script inside. The content security policy allows no request at all
        and no script but ours and the drawing library, by their digests.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        num=_number_filter(numbers.format_number),
        p=_number_filter(numbers.format_p),
        pct=_number_filter(numbers.format_percent),
        n=_number_filter(numbers.format_count),
        cnt=_number_filter(numbers.count),
        nm=_number_filter(numbers.format_nm),
        freedom=_number_filter(numbers.format_df),
        told=_escape_text,
        head=_escape_heading,
        said=_sentence_filter(names),
    )
    script = _script()
    return environment.get_template("page.html").render(
        **parts,
        style=Markup(_static("page.css") + _static("live.css") + _static("lineage.css")),  # noqa: S704 - our own file
        script=Markup(script),  # noqa: S704 - our own file
        script_digest=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        library=drawing_library() if live else None,
        live_values=pack_values(live),
        table_values=downloads.packed(parts["downloads"]),
    )


def _script() -> str:
    """Return all scripts as one, private to the page."""
    return "\n".join(['"use strict";', "(() => {", *map(_static, _SCRIPTS), "})();", ""])


def _static(name: str) -> str:
    return (_HERE / "static" / name).read_text(encoding="utf-8")


def _number_filter(write: Any) -> Any:
    """Return a filter that shows a number rounded and keeps the whole one in the markup."""

    def shown(value: Any, *options: Any) -> Markup:
        text = write(value, *options).replace(" ", numbers.NO_BREAK)
        if not numbers.is_number(value):
            return escape(text)
        return Markup('<data value="{}">{}</data>').format(repr(float(value)), text)

    return shown


def _escape_text(text: Any) -> Markup:
    """Return the user's text without control characters, escaped."""
    return escape(numbers.plain(text))


def _escape_heading(text: Any) -> Markup:
    """Return a word of ours or the user's as a heading: as ``told``, the first letter large."""
    clean = numbers.plain(text)
    return escape(clean[:1].upper() + clean[1:])


def _sentence_filter(names: Collection[str]) -> Callable[[Any], Markup]:
    """Return a filter for sentences of ours: a true minus, and no line that ends within a number.

    Everything else as with ``told``.
    """

    def said(text: Any) -> Markup:
        return escape(numbers.unbroken(numbers.with_true_minus(numbers.plain(text), names)))

    return said
