"""Figures of spectra: the groups, and their difference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.drawing import NOT_TESTED, Book, Plate
from leafledger.report.gather import Material
from leafledger.report.groups import Groups, contrast_in_words
from leafledger.report.lettering import short
from leafledger.report.numbers import known, whole
from leafledger.report.palette import INK, Look, looks
from leafledger.report.panels import finish_panels, panels
from leafledger.report.summaries import SpectrumSummary, summarise_spectra, thinned
from leafledger.study.spectra import Spectra

if TYPE_CHECKING:
    import pandas as pd

_AXIS = "wavelength (nm)"

_CALLED = {"significant": True, "not_significant": False}
"""Verdicts of a test of difference; those of equivalence say something else."""


def label_text(text: str) -> str:
    """Return a label that a legend shows even if it begins with an underscore."""
    cut = short(text)
    return f"\N{ZERO WIDTH SPACE}{cut}" if cut.startswith("_") else cut


def summaries_by_group(
    spectra: Spectra, groups: Groups, session: str
) -> dict[str, SpectrumSummary]:
    """Return group -> summary of its accepted spectra in one session; empty groups are left out."""
    rows = spectra.rows
    here = (rows["session"] == session).to_numpy(dtype=bool)
    group = np.array([groups.of_unit.get(unit, "all") for unit in rows["unit"]], dtype=object)
    found = {}
    for name in groups.names:
        chosen = np.flatnonzero(here & (group == name))
        if len(chosen):
            part = rows.iloc[chosen]
            found[name] = summarise_spectra(
                spectra.reflectance[chosen], list(part["unit"]), list(part["leaf"])
            )
    return found


def draw_groups(
    book: Book, material: Material, by_session: Mapping[str, Mapping[str, SpectrumSummary]]
) -> Plate:
    """Draw mean, standard deviation band and extremes of every group, a panel per session."""
    shown = [s for s in material.days.sessions if by_session.get(s)]
    figure, axes, columns = panels(len(shown), 2.5, 0.6)
    look = looks(material.groups.names)
    wavelength_nm = material.spectra.wavelength_nm
    for axis, session in zip(axes, shown, strict=False):
        for name, summary in by_session[session].items():
            _draw_summary(axis, wavelength_nm, summary, look[name])
        axis.set_title(short(session))
        axis.set_ylim(bottom=0)
    finish_panels(axes, len(shown), columns, _AXIS, "reflectance")
    _legend(figure, material.groups.names, look)
    return book.add(
        figure,
        "spectra_by_group",
        "Reflectance spectra of the groups, session by session",
        f"Reflectance against wavelength, one panel for each of {len(shown)} sessions, one line "
        f"for each of {len(material.groups.names)} groups.",
        _groups_caption(material, by_session),
        wide=columns > 1,
    )


def _draw_summary(axis: Any, wavelength_nm: Any, summary: SpectrumSummary, look: Look) -> None:
    step = thinned(wavelength_nm)
    x = wavelength_nm[step]
    if summary.sd is not None:
        low, high = summary.mean - summary.sd, summary.mean + summary.sd
        axis.fill_between(x, low[step], high[step], color=look.colour, alpha=0.2, linewidth=0)
    for edge in (summary.low, summary.high):
        axis.plot(x, edge[step], color=look.colour, linewidth=0.6, linestyle=look.dashes, alpha=0.6)
    axis.plot(
        x,
        summary.mean[step],
        color=look.colour,
        linestyle=look.dashes,
        marker=look.marker,
        markersize=3.5,
        markevery=max(1, len(x) // 9),
    )


def _groups_caption(
    material: Material, by_session: Mapping[str, Mapping[str, SpectrumSummary]]
) -> str:
    word = material.unit_words
    stated = bool(material.design.get("unit"))
    means = f"the {material.unit_word} means" if stated else "the scans"
    counts = "; ".join(
        f"{session}: "
        + ", ".join(
            f"{name} {s.n_units} {word}{_scans_of(s, stated)}" for name, s in groups.items()
        )
        for session, groups in by_session.items()
        if groups
    )
    lone = any(s.sd is None for groups in by_session.values() for s in groups.values())
    return (
        f"Thick lines: mean of {means}. Bands: one standard deviation "
        f"between {word} on either side"
        + (f" (no band where a group has a single {material.unit_word})" if lone else "")
        + ". Thin lines: lowest and highest single scan at each wavelength. Accepted scans in the "
        f"trusted range. n: {counts}.{NOT_TESTED}"
    )


def _scans_of(summary: SpectrumSummary, units_stated: bool) -> str:
    return f" ({summary.n_scans} scans)" if units_stated else ""


def _legend(figure: Any, names: Sequence[str], look: Mapping[str, Look]) -> None:
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], color=look[n].colour, linestyle=look[n].dashes, marker=look[n].marker)
        for n in names
    ]
    labels = [label_text(n) for n in names]
    figure.legend(handles, labels, loc="outside upper left", ncols=min(4, len(names)))


def contrasts_in_order(frame: pd.DataFrame, words: Mapping[str, str]) -> list[str]:
    """Return the contrasts of a table in the order of ``words``; others follow by name."""
    rank = {name: i for i, name in enumerate(words)}
    return sorted(set(frame["contrast"]), key=lambda c: (rank.get(c, len(rank)), c))


def units_of_contrast(part: pd.DataFrame) -> str:
    """Return how many units stand behind a contrast: treated and reference."""
    own, other = (part[c].iloc[0] for c in ("n_units", "n_units_reference"))
    return whole(own) + (f" and {whole(other)}" if known(other) else "")


def draw_difference(
    book: Book, frame: pd.DataFrame, words: Mapping[str, str], unit_words: str
) -> Plate | None:
    """Draw the effect at every wavelength with its simultaneous band, a panel per contrast."""
    contrasts = contrasts_in_order(frame, words)
    if not contrasts:
        return None
    figure, axes, columns = panels(len(contrasts), 2.3, 0.2)
    for axis, contrast in zip(axes, contrasts, strict=False):
        _draw_band(axis, frame[frame["contrast"] == contrast])
        axis.set_title(short(contrast_in_words(contrast, words), 52), fontsize=8)
    finish_panels(axes, len(contrasts), columns, _AXIS, "reflectance difference")
    return book.add(
        figure,
        "spectrum_difference",
        "What the treatment did to the whole spectrum",
        f"Estimated effect on reflectance against wavelength with a simultaneous band, "
        f"{len(contrasts)} panels.",
        _difference_caption(frame, contrasts, words, unit_words),
        wide=columns > 1,
    )


def _draw_band(axis: Any, part: pd.DataFrame) -> None:
    x = part["wavelength_nm"].to_numpy(float)
    estimate, low, high = (part[c].to_numpy(float) for c in ("estimate", "low", "high"))
    step = thinned(x)
    axis.axhline(0, color=INK, linewidth=0.7)
    axis.fill_between(x[step], low[step], high[step], color=looks("a")["a"].colour, alpha=0.22,
                      linewidth=0)  # fmt: skip
    axis.plot(x[step], estimate[step], color=looks("a")["a"].colour)
    apart = np.where((low > 0) | (high < 0), 0.02, np.nan)
    axis.plot(x, apart, color=INK, linewidth=3, transform=axis.get_xaxis_transform(),
              solid_capstyle="butt")  # fmt: skip


def _difference_caption(
    frame: pd.DataFrame, contrasts: Sequence[str], words: Mapping[str, str], unit_words: str
) -> str:
    counts = []
    for contrast in contrasts:
        n = units_of_contrast(frame[frame["contrast"] == contrast])
        counts.append(f"{contrast_in_words(contrast, words)}: {n}")
    return (
        "Line: estimate. Band: simultaneous interval; it holds over all wavelengths and all "
        "panels together, so it is adjusted for every one of them. Bar along the bottom: "
        f"wavelengths where the band leaves zero out. No band: too few {unit_words}. n of "
        f"{unit_words}: {'; '.join(counts)}."
    )


def disagreement_words(
    effects: pd.DataFrame, frame: pd.DataFrame, words: Mapping[str, str]
) -> list[str]:
    """Say where the band and a primary contrast do not call the same comparison.

    Parameters
    ----------
    effects
        effects.csv; the primary contrasts with a verdict of their own are compared.
    frame
        spectrum_effects.csv; the rows of the same contrast.
    words
        Contrast -> words.

    Returns
    -------
    list of str
        One sentence for each primary contrast that disagrees. A contrast without a band, or
        without a test, is not compared.
    """
    out = []
    primary = effects[effects["primary"].astype(bool) & (effects["stratum"] == "all")]
    for row in primary.to_dict("records"):
        part = frame[(frame["contrast"] == row["contrast"]) & frame["low"].notna()]
        verdict = str(row["verdict"])
        if verdict not in _CALLED or not len(part):
            continue
        apart = part.loc[(part["low"] > 0) | (part["high"] < 0), "wavelength_nm"]
        called = _CALLED[verdict]
        if called == bool(len(apart)):
            continue
        name = words.get(str(row["contrast"]), str(row["contrast"]))
        index = f"{row['index']} ({name})"
        if called:
            out.append(
                f"The primary contrast of {index} is significant, but the band leaves zero out at "
                "no wavelength: it is adjusted for all wavelengths and comparisons, the primary "
                "contrast stands on its own index."
            )
        else:
            out.append(
                f"The primary contrast of {index} is not significant, but the band leaves zero out "
                f"{_where(apart)}: the spectrum differs where this index does not show it."
            )
    return out


def _where(wavelengths: pd.Series) -> str:
    low, high = float(wavelengths.min()), float(wavelengths.max())
    if len(wavelengths) == 1:
        return f"at {low:g} nm"
    return f"at {whole(len(wavelengths))} wavelengths between {low:g} and {high:g} nm"
