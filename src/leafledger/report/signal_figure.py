"""Figure of the signal-to-noise ratio of the white references."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.effects.words import counted
from leafledger.report.drawing import NOT_TESTED, Book, Plate, new_figure
from leafledger.report.gather import Material
from leafledger.report.numbers import number
from leafledger.report.palette import FAINT, INK, RULE, Look, looks
from leafledger.report.spectra_figures import label_text
from leafledger.report.summaries import thinned

if TYPE_CHECKING:
    import pandas as pd

_MOST_NAMED = 12
"""Sessions with a line of their own; more would not be told apart."""


def draw_signal(book: Book, material: Material, threshold: float | None) -> Plate | None:
    """Draw the signal-to-noise ratio of the white references against wavelength."""
    signal = {s: frame for s, frame in material.signal.items() if len(frame)}
    if not signal:
        return None
    figure = new_figure(7.2, 3.0)
    axis = figure.subplots()
    start, stop = material.trusted["start_nm"], material.trusted["stop_nm"]
    named = _named_sessions(material, list(signal))
    look = looks(named)
    for session, frame in signal.items():
        if session not in look:
            _draw_ratio(axis, frame, Look(FAINT, "", "-", ""), None)
    for session in named:
        _draw_ratio(axis, signal[session], look[session], label_text(session))
    axis.axvspan(start, stop, color=RULE, alpha=0.45, linewidth=0, zorder=0)
    axis.annotate("trusted range", ((start + stop) / 2, 0.03), xycoords=("data", "axes fraction"),
                  ha="center", color=FAINT, fontsize=8)  # fmt: skip
    if threshold:
        axis.axhline(threshold, color=INK, linewidth=0.8, linestyle=(0, (2, 2)))
    _plain_log(axis)
    axis.set_xlabel("wavelength (nm)")
    axis.set_ylabel("signal-to-noise ratio")
    figure.legend(
        *axis.get_legend_handles_labels(), loc="outside upper left", ncols=min(5, len(named))
    )
    return book.add(
        figure,
        "signal_to_noise",
        "Signal-to-noise ratio of the white references",
        f"Signal-to-noise ratio against wavelength for {counted(len(signal), 'session')} on a "
        f"logarithmic scale; the trusted range from {start:g} to {stop:g} nm is shaded.",
        _signal_caption(signal, named, threshold),
    )


def _named_sessions(material: Material, there: Sequence[str]) -> list[str]:
    """Return the sessions with a line of their own; with many, only the one that sets the limit."""
    if len(there) <= _MOST_NAMED:
        return list(there)
    limiting = str(material.trusted.get("limiting_session") or "")
    return [limiting] if limiting in there else [there[0]]


def _signal_caption(
    signal: Mapping[str, pd.DataFrame], named: Sequence[str], threshold: float | None
) -> str:
    asked = f" Dotted line: the {number(threshold)} that was asked for." if threshold else ""
    lines = "One line per session"
    if len(named) < len(signal):
        lines += f"; {named[0]} by name, the other {len(signal) - 1} in grey"
    whites = [int(f["n_references"].max()) for f in signal.values()]
    n = ", ".join(f"{s} {k}" for s, k in zip(signal, whites, strict=True))
    if len(named) < len(signal):
        n = f"{min(whites)} to {max(whites)} a session"
    return (
        f"{lines}. Number of white references: {n}.{asked} Shaded: the trusted range. The scale is "
        "logarithmic. A dark leaf has a lower ratio than the white panel. No error bars: each "
        f"ratio is a single number.{NOT_TESTED}"
    )


def _draw_ratio(axis: Any, frame: pd.DataFrame, look: Look, label: str | None) -> None:
    x, y = frame["wavelength_nm"].to_numpy(float), frame["signal_to_noise"].to_numpy(float)
    step = thinned(x, 400)
    good = np.isfinite(y[step]) & (y[step] > 0)
    axis.plot(
        x[step][good],
        y[step][good],
        color=look.colour,
        linestyle=look.dashes,
        linewidth=1 if label else 0.5,
        label=label,
    )


def _plain_log(axis: Any) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.set_yscale("log")
    axis.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5), numticks=8))
    axis.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{y:g}"))
    axis.yaxis.set_minor_formatter(NullFormatter())
