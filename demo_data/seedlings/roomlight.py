"""Light of the room that enters a clip which is not closed.

Lines of mercury: Sansonetti, Salit & Reader 1996, Applied Optics 35:74-77 (air wavelengths).
Bands of the rare-earth phosphors (Tb3+, Eu3+, Eu2+): positions as commonly labelled on spectra of
compact fluorescent lamps, from memory. Strengths and widths are ours, of a plausible lamp.
"""

from __future__ import annotations

import numpy as np

from seedlings.scenario import Array

# Centre in nm, strength (area), own width as a standard deviation in nm.
FLUORESCENT = (
    (404.6565, 0.30, 0.0),
    (435.8335, 0.90, 0.0),
    (546.0750, 1.00, 0.0),
    (576.9610, 0.14, 0.0),
    (579.0670, 0.14, 0.0),
    (487.7, 0.60, 2.5),
    (542.4, 1.20, 1.6),
    (584.0, 0.35, 2.5),
    (587.6, 0.20, 1.5),
    (593.0, 0.18, 1.5),
    (599.0, 0.12, 1.5),
    (611.6, 1.70, 0.7),
    (622.0, 0.15, 2.5),
    (631.0, 0.25, 1.5),
    (650.8, 0.08, 1.5),
    (662.6, 0.05, 1.5),
    (687.7, 0.05, 1.5),
    (693.7, 0.05, 1.5),
    (707.5, 0.15, 2.0),
    (712.0, 0.06, 2.0),
    (450.0, 1.50, 18.0),
)
# A white diode: its blue line and the broad glow of its phosphor; no mercury.
DIODE = ((450.0, 10.0, 9.0), (565.0, 40.0, 50.0))
LAMPS = {"open_clip": FLUORESCENT, "led_leak": DIODE}


def light(lamp: str, wavelength_nm: Array, response_sd_nm: float) -> Array:
    """Return the lamp's light as a spectrometer sees it, in no particular unit.

    Parameters
    ----------
    lamp
        ``open_clip`` (tri-band fluorescent tube) or ``led_leak`` (white diode).
    wavelength_nm
        Where, shape ``(n,)``.
    response_sd_nm
        Standard deviation of the instrument's Gaussian response.
    """
    out = np.zeros_like(wavelength_nm)
    for centre, area, width in LAMPS[lamp]:
        sd = np.hypot(width, response_sd_nm)
        out += area / sd * np.exp(-0.5 * ((wavelength_nm - centre) / sd) ** 2)
    return out
