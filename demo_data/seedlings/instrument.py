"""The invented spectrometer: two lamps, a leaf clip, a silicon detector of 16 bit.

Every number is ours. Both ends of the spectrum are weak, so that they are noise in the data.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seedlings.roomlight import light
from seedlings.scenario import Array, stream

FULL_SCALE = 65535.0
FIRST_NM, LAST_NM = 350.0, 1050.0
RESPONSE_FWHM_NM = 1.8
RESPONSE_SD_NM = RESPONSE_FWHM_NM / 2.3548200450309493
WHITE_MS, LEAF_MS = 12.0, 18.0
AVERAGES = 10
WHITE_PEAK_COUNTS = 48_000.0
ELECTRONS_PER_COUNT = 1.0
READ_NOISE_COUNTS = 12.0
BIAS_COUNTS, DARK_COUNTS_PER_MS, PATTERN_COUNTS = 1000.0, 2.0, 6.0
PANEL, PANEL_U = 0.985, 0.005
SESSION_LAMP_SD, WANDER_SD, WHITE_PLACEMENT_SD = 0.010, 0.0015, 0.0003
SESSION_GAIN_SD, SESSION_OFFSET_SD = 0.005, 0.001
SCAN_GAIN_SD, SCAN_OFFSET_SD = 0.012, 0.002

FINE_NM = np.arange(FIRST_NM - 10, LAST_NM + 10.25, 0.5)
"""Wavelengths on which light is added up, fine against the response of the instrument."""


def response(wavelength_nm: Array) -> Array:
    """Return the Gaussian instrument response, shape ``(n, len(FINE_NM))``, rows of sum 1."""
    distance = (wavelength_nm[:, None] - FINE_NM) / RESPONSE_SD_NM
    weights = np.exp(-0.5 * distance**2)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def lamp_and_detector() -> Array:
    """Return lamp light times detector response on ``FINE_NM``, largest value 1."""
    planck = FINE_NM**-5.0 / np.expm1(1.4388e7 / (FINE_NM * 2850.0))
    halogen = planck / planck.max()
    violet = 0.30 * np.exp(-0.5 * ((FINE_NM - 435.0) / 34.0) ** 2)
    rises = 1.0 / (1.0 + np.exp(-(FINE_NM - 424.0) / 7.5))
    falls = 1.0 / (1.0 + np.exp((FINE_NM - 972.0) / 12.0))
    silicon = np.exp(-0.5 * ((FINE_NM - 680.0) / 200.0) ** 2)
    seen = (halogen + violet) * rises * falls * silicon
    return np.asarray(seen / seen.max())


def spacing_nm(n_pixels: int) -> float:
    """Return the spacing of the pixels: even, with three decimals, as the raw files print it."""
    return round((LAST_NM - FIRST_NM) / (n_pixels - 1), 3)


@dataclass(frozen=True)
class Day:
    """State of the instrument on one day, in shares of its normal state."""

    lamp: float
    drift: float
    gain: float
    offset: float


class Spectrometer:
    """One instrument with its panel, as built for one seed.

    Attributes
    ----------
    wavelength_nm
        Centres of the pixels, shape ``(n_pixels,)``, nm.
    panel
        True reflectance factor of the panel: the certified one, off by its uncertainty.
    """

    def __init__(self, seed: int, n_pixels: int) -> None:
        self.seed = seed
        step = spacing_nm(n_pixels)
        self.wavelength_nm = np.round(FIRST_NM + step * np.arange(n_pixels), 3)
        matrix = response(self.wavelength_nm)
        seen = lamp_and_detector()
        per_ms = WHITE_PEAK_COUNTS / WHITE_MS / PANEL
        self._through = (per_ms * matrix * seen).T
        self.full_light = self._through.sum(axis=0)
        draw = stream(seed, "instrument")
        self.panel = PANEL * (1.0 + PANEL_U * draw.standard_normal())
        self._pattern = PATTERN_COUNTS * draw.standard_normal(n_pixels)

    def day(self, session: str, drift: float) -> Day:
        """Return the state on a day; ``drift`` is the planted change of the lamp."""
        z = stream(self.seed, "day", session).standard_normal(4)
        return Day(
            lamp=1.0 + SESSION_LAMP_SD * z[0],
            drift=drift + WANDER_SD * z[1],
            gain=1.0 + SESSION_GAIN_SD * z[2],
            offset=SESSION_OFFSET_SD * z[3],
        )

    def placement(self, scan: str) -> tuple[float, float]:
        """Return gain and offset that come from how the clip sat on the leaf in this scan."""
        z = stream(self.seed, "placement", scan).standard_normal(2)
        return 1.0 + SCAN_GAIN_SD * z[0], SCAN_OFFSET_SD * z[1]

    def leaf_rate(self, reflectance: Array) -> Array:
        """Return counts per ms of leaves given on ``FINE_NM``, shape ``(n, n_pixels)``."""
        return np.asarray(reflectance @ self._through)

    def white_rate(self, scan: str) -> Array:
        """Return counts per ms of the panel; it never lies quite the same way twice."""
        z = stream(self.seed, "placement", scan).standard_normal()
        return np.asarray(self.full_light * self.panel * (1.0 + WHITE_PLACEMENT_SD * z))

    def leak_rate(self, lamp: str, level: float) -> Array:
        """Return counts per ms of room light; ``level`` is its largest share of a perfect white.

        The largest share is taken from 500 nm up, where the strongest lines can be judged.
        """
        seen = light(lamp, self.wavelength_nm, RESPONSE_SD_NM)
        judged = (self.wavelength_nm >= 500.0) & (self.wavelength_nm <= 900.0)
        share = seen[judged] / self.full_light[judged]
        return np.asarray(seen * (level / share.max()))

    def read_out(self, scan: str, rate: Array, integration_ms: float, averages: int) -> Array:
        """Return the counts the instrument writes: dark level, noise, full scale, one decimal."""
        signal = rate * integration_ms
        dark = BIAS_COUNTS + DARK_COUNTS_PER_MS * integration_ms + self._pattern
        variance = np.maximum(signal, 0.0) / ELECTRONS_PER_COUNT + READ_NOISE_COUNTS**2
        z = stream(self.seed, "noise", scan).standard_normal(len(rate))
        counts = signal + dark + z * np.sqrt(variance / averages)
        return np.asarray(np.round(np.clip(counts, 0.0, FULL_SCALE), 1), dtype=np.float64)
