"""What the treatment did at every wavelength, one contrast at a time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from leafledger.report.groups import contrast_in_words
from leafledger.report.lettering import plain
from leafledger.report.live import LiveView, row, step_for, thinning_words
from leafledger.report.numbers import known
from leafledger.report.spectra_figures import contrasts_in_order, units_of_contrast

if TYPE_CHECKING:
    import pandas as pd

_WAVELENGTHS_AT_MOST = 1000


def live_difference(
    frame: pd.DataFrame, words: Mapping[str, str], unit_words: str
) -> LiveView | None:
    """Return the estimate and its simultaneous band at every wavelength of every contrast.

    Parameters
    ----------
    frame
        spectrum_effects.csv.
    words
        Contrast -> words, in the order of display.
    unit_words
        The experimental units in the plural.
    """
    contrasts = contrasts_in_order(frame, words)
    if not contrasts:
        return None
    parts = [frame[frame["contrast"] == c].sort_values("wavelength_nm") for c in contrasts]
    step = step_for(max(len(part) for part in parts), _WAVELENGTHS_AT_MOST)
    values = {
        "unit_words": unit_words,
        "contrasts": [
            {
                "words": plain(contrast_in_words(contrast, words)),
                "n": units_of_contrast(part),
                **_band(part.iloc[::step]),
            }
            for contrast, part in zip(contrasts, parts, strict=True)
        ],
    }
    counts = "; ".join(f"{c['words']}: {c['n']}" for c in values["contrasts"])  # type: ignore[index]
    return LiveView(
        "difference",
        "What the treatment did at each wavelength",
        "Line: estimate at each wavelength. Band: simultaneous interval; it holds over all "
        "wavelengths and all contrasts together, so it is adjusted for every one of them. Bar "
        "along the bottom: wavelengths where the band leaves zero out. No band: too few "
        f"{unit_words}. All contrasts share one scale. n of {unit_words}: {counts}. "
        f"Rounded to four figures.{thinning_words(step)}",
        values,
    )


def _band(part: pd.DataFrame) -> dict[str, Any]:
    low, high = part["low"].to_numpy(float), part["high"].to_numpy(float)
    return {
        "wavelength": row(part["wavelength_nm"], 6),
        "estimate": row(part["estimate"], 4),
        "low": row(low, 4),
        "high": row(high, 4),
        # Judged by the whole numbers, not by the rounded ones.
        "apart": [
            int(known(a) and known(b) and (a > 0 or b < 0)) for a, b in zip(low, high, strict=True)
        ],
    }
