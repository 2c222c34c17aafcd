"""Figures of what the classifier learned: loadings over their spectra, and importance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.report.drawing import NOT_TESTED, Book, Plate, new_figure
from leafledger.report.palette import FAINT, INK, RULE, looks
from leafledger.report.summaries import thinned

Floats = NDArray[np.float64]
_BAND = "#b9c3bc"


@dataclass(frozen=True)
class Training:
    """The spectra a classifier learned from, in short; ``quantity`` says what they are."""

    mean: Floats
    sd: Floats
    low: Floats
    high: Floats
    n: int
    quantity: str


@dataclass(frozen=True)
class Loading:
    """Loading of one latent variable, and its standard deviation over resamples of the units."""

    value: Floats
    sd: Floats


@dataclass(frozen=True)
class _Scale:
    """Puts reflectance from ``bottom`` to ``top`` over the height of a panel from -span to span."""

    bottom: float
    top: float
    span: float

    def place(self, reflectance: Floats) -> Floats:
        share = (reflectance - self.bottom) / (self.top - self.bottom)
        return share * 2 * self.span - self.span


def draw_loadings(
    book: Book,
    wavelength_nm: Floats,
    loadings: Mapping[int, Loading],
    training: Training,
    stable: int | None = None,
) -> Plate:
    """Draw the loading of every latent variable over the training spectra it comes from.

    Parameters
    ----------
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    loadings
        Latent variable -> its loading; NaN where the deviation is not known.
    training
        The spectra behind, on the same axis.
    stable
        Latent variables before the point where loadings turn to noise; ``None`` if not known.
    """
    steps = sorted(loadings)
    columns = min(3, len(steps))
    rows = -(-len(steps) // columns)
    figure = new_figure(3.2 * columns + 0.6, 1.85 * rows + 0.5)
    axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False).ravel()
    cut = thinned(wavelength_nm, 100)
    scale = _Scale(
        min(0.0, 1.05 * float(training.low[cut].min())),
        1.05 * float(training.high[cut].max()),
        1.1 * max(float(np.abs(loading.value).max()) for loading in loadings.values()),
    )
    for i, (axis, step) in enumerate(zip(axes, steps, strict=False)):
        _draw_training(axis, wavelength_nm, training, cut, scale)
        if i % columns == columns - 1:
            _right_scale(axis, scale.bottom, scale.top)
        _draw_loading(axis, wavelength_nm, loadings[step], cut)
        axis.set_ylim(-scale.span, scale.span)
        noise = stable is not None and step > stable
        axis.set_title(f"latent variable {step}" + (" (noise)" if noise else ""), fontsize=8.5)
    for i, axis in enumerate(axes):
        if i >= len(steps):
            axis.set_axis_off()
        elif i + columns >= len(steps):
            axis.tick_params(labelbottom=True)
    figure.supxlabel("wavelength (nm)", fontsize=8.5)
    figure.supylabel("loading (blue line)", fontsize=8.5)
    return book.add(
        figure,
        "loadings",
        "Loadings of the latent variables over the training spectra",
        f"Loadings of {len(steps)} latent variables against wavelength, with the training spectra "
        "behind.",
        _loadings_caption(loadings, training, cut.step)
        + (
            ""
            if stable is None
            else " Noise: beyond the point where loadings are no longer steady "
            "over resamples of the units; not to be read."
        )
        + NOT_TESTED,
        wide=columns > 1,
    )


def _draw_training(
    axis: Any, wavelength_nm: Floats, training: Training, cut: slice, scale: _Scale
) -> None:
    x, place = wavelength_nm[cut], scale.place
    mean, sd = training.mean[cut], training.sd[cut]
    low, high = place(training.low[cut]), place(training.high[cut])
    axis.fill_between(x, low, high, color=RULE, alpha=0.5, linewidth=0)
    axis.fill_between(x, place(mean - sd), place(mean + sd), color=_BAND, linewidth=0)
    axis.plot(x, place(mean), color=FAINT, linewidth=0.9)


def _draw_loading(axis: Any, wavelength_nm: Floats, loading: Loading, cut: slice) -> None:
    x, value, sd = wavelength_nm[cut], loading.value[cut], loading.sd[cut]
    colour = looks("a")["a"].colour
    axis.axhline(0, color=INK, linewidth=0.5)
    if np.isfinite(sd).all():
        axis.fill_between(x, value - sd, value + sd, color=colour, alpha=0.25, linewidth=0)
    axis.plot(x, value, color=colour, linewidth=1.4)


def _loadings_caption(loadings: Mapping[int, Loading], training: Training, step: int) -> str:
    resampled = any(bool(np.isfinite(loading.sd).any()) for loading in loadings.values())
    return (
        "Blue line: loading (left scale; sign chosen so that the largest weight is positive). "
        + ("Blue band: its standard deviation over resamples of the units. " if resampled else "")
        + f"Grey: the n = {training.n} training spectra (right scale, {training.quantity}): mean, "
        "one standard deviation between scans, lowest and highest."
        + (f" One wavelength in {step} is drawn." if step > 1 else "")
    )


def _right_scale(axis: Any, bottom: float, top: float) -> None:
    """Give a panel a right scale that runs from ``bottom`` to ``top`` over its whole height."""
    right = axis.twinx()
    right.set_ylim(bottom, top)
    right.spines["right"].set_visible(True)


def draw_importance(
    book: Book, wavelength_nm: Floats, vip: Floats, n_components: int, n_spectra: int
) -> Plate:
    """Draw the variable importance in projection."""
    figure = new_figure(6.4, 2.5)
    axis = figure.subplots()
    cut = thinned(wavelength_nm, 400)
    colour = looks("a")["a"].colour
    axis.axhline(1, color=INK, linewidth=0.8, linestyle=(0, (2, 2)))
    axis.fill_between(wavelength_nm[cut], 1, vip[cut], where=vip[cut] > 1, color=colour, alpha=0.2,
                      linewidth=0)  # fmt: skip
    axis.plot(wavelength_nm[cut], vip[cut], color=colour)
    axis.set_ylim(bottom=0)
    axis.set_xlabel("wavelength (nm)")
    axis.set_ylabel("importance (VIP)")
    return book.add(
        figure,
        "importance",
        "Which wavelengths the classifier leans on",
        "Variable importance in projection against wavelength.",
        f"Variable importance in projection of the model with {n_components} latent variables; its "
        "mean square over wavelengths is 1 (dotted line). Above 1 is a rule of thumb, not a test: "
        f"neighbouring wavelengths carry the same information. n = {n_spectra} training spectra; "
        f"no error bars.{NOT_TESTED}",
    )
