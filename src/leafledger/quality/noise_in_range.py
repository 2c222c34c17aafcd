"""The largest noise to expect on a dark leaf within the trusted range, over all sessions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from leafledger.quality.dark_leaf_noise import DARK_REFLECTANCE

if TYPE_CHECKING:
    import pandas as pd

TOLERABLE = 0.1
"""Share of the reflectance above which the noise on a dark leaf is worth a warning."""


@dataclass(frozen=True)
class LargestNoise:
    """Noise in reflectance, and the session and wavelength (nm) it belongs to."""

    noise: float
    session: str
    wavelength_nm: float

    def warnings(self) -> list[str]:
        """Return a warning if the noise is more than a tenth of the reflectance."""
        if self.noise <= TOLERABLE * DARK_REFLECTANCE:
            return []
        return [
            f"Session {self.session}: at {self.wavelength_nm:g} nm one scan of a leaf that "
            f"reflects {DARK_REFLECTANCE:g} has a noise of {self.noise:.2g}, "
            f"{100 * self.noise / DARK_REFLECTANCE:.2g} % of it; the white's signal-to-noise, on "
            "which the trusted range rests, flatters dark leaves and says nothing of stray light."
        ]


def largest_noise(
    signals: Mapping[str, pd.DataFrame], start_nm: float, stop_nm: float
) -> LargestNoise | None:
    """Find the largest ``noise_at_005`` within a range.

    Parameters
    ----------
    signals
        Session -> table ``quality/<session>.signal.parquet``.
    start_nm, stop_nm
        The trusted range, nm.

    Returns
    -------
    LargestNoise or None
        ``None`` if no session knows its noise.
    """
    found: LargestNoise | None = None
    for session, table in signals.items():
        if "noise_at_005" not in table.columns:
            continue
        at = table["wavelength_nm"].to_numpy(dtype=np.float64)
        noise = table["noise_at_005"].to_numpy(dtype=np.float64)
        inside = np.flatnonzero((at >= start_nm) & (at <= stop_nm) & np.isfinite(noise))
        if not len(inside):
            continue
        worst = int(inside[np.argmax(noise[inside])])
        if found is None or noise[worst] > found.noise:
            found = LargestNoise(float(noise[worst]), session, float(at[worst]))
    return found
