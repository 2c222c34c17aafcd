"""Figures that answer the pointer: what the page draws them from, and the library that draws them.

The drawing library and the values travel inside the page, compressed, so that the page stays one
file that asks nothing of any network. The values are rounded for drawing; tables keep them whole.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from leafledger.report.numbers import known
from leafledger.report.palette import looks

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
_LEVEL = 6


@dataclass(frozen=True)
class LiveView:
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


@dataclass(frozen=True)
class Library:
    """The drawing library: its text compressed, and the digest the page's policy lets run."""

    packed: str
    sha256: str


def packed(views: Sequence[LiveView]) -> str:
    """Return the values of all figures as compressed JSON in base64; the same bytes every time."""
    values = {view.name: view.values for view in views}
    text = json.dumps(values, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return _packed(text.encode())


def drawing_library() -> Library:
    """Return the drawing library as it is installed.

    Imported for its version too: a step whose libraries changed runs again.
    """
    from importlib.resources import files

    import plotly

    content = files(plotly).joinpath("package_data", "plotly.min.js").read_bytes()
    digest = base64.b64encode(hashlib.sha256(content).digest()).decode()
    return Library(_packed(content), digest)


def _packed(content: bytes) -> str:
    return base64.b64encode(gzip.compress(content, _LEVEL, mtime=0)).decode()


def significant(value: Any, digits: int = 5) -> float | None:
    """Round to so many significant figures, for drawing; ``None`` for what is not known.

    Examples
    --------
    >>> significant(0.123456789), significant(float("nan"))
    (0.12346, None)
    """
    if not known(value):
        return None
    rounded = float(f"{float(value):.{digits}g}")
    return int(rounded) if rounded.is_integer() and abs(rounded) < 1e9 else rounded


def row(values: Any, digits: int = 5) -> list[float | None]:
    """Round a sequence as :func:`significant` does."""
    return [significant(value, digits) for value in values]


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


def drawn_looks(names: Sequence[str]) -> list[dict[str, str]]:
    """Return colour, symbol and dashes of each name, the same as in the still figures.

    Examples
    --------
    >>> drawn_looks(["water", "iron"])[1]
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
