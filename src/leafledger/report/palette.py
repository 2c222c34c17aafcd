"""The look of the figures: colours that colour-blind readers tell apart, and never colour alone.

References
----------
Okabe M, Ito K (2008) Color Universal Design: how to make figures and presentations that are
friendly to colorblind people. Wong B (2011) Points of view: color blindness. Nature Methods 8:441.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

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
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
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
