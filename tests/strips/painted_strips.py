"""Photographs of strips with spots at known places, painted for these tests."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

SIZE = (400, 900)
PAPER = 0.8
SPOTS = ((0.95, "yellow"), (0.65, "blue-green"), (0.4, "yellow-green"))
"""Rf and colour; of the system `cellulose paper, petroleum ether-acetone 9:1`."""
SYSTEM = "cellulose paper, petroleum ether-acetone 9:1"
_TAKES = {
    "yellow": (0.02, 0.05, 0.6),
    "blue-green": (0.7, 0.2, 0.35),
    "yellow-green": (0.3, 0.1, 0.5),
}
"""Density of the middle of a spot in red, green and blue."""


@dataclass(frozen=True)
class Painted:
    """A photograph and the points on it.

    Attributes
    ----------
    light
        Linear light, shape (rows, columns, 3).
    left, right, front
        Ends of the start line and a point of the front.
    spots
        Middle and colour of each spot.
    """

    light: NDArray[np.float64]
    left: tuple[float, float]
    right: tuple[float, float]
    front: tuple[float, float]
    spots: tuple[tuple[tuple[float, float], str], ...]

    def save(self, path: Path) -> Path:
        """Write it as PNG, so that pixels are kept as they are."""
        v = np.where(
            self.light <= 0.0031308,
            12.92 * self.light,
            1.055 * np.maximum(self.light, 1e-9) ** (1 / 2.4) - 0.055,
        )
        Image.fromarray(np.round(255 * v).astype(np.uint8)).save(path)
        return path


def painted(angle_deg: float = 0.0) -> Painted:
    """Return a strip of 600 pixels from start line to front, turned clockwise by an angle."""
    middle, length, width = np.array([200.0, 780.0]), 600.0, 120.0
    turn = np.radians(angle_deg)
    across = np.array([np.cos(turn), np.sin(turn)])
    along = np.array([np.sin(turn), -np.cos(turn)])
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    at = np.stack([x, y], axis=2) - middle
    light = np.full((SIZE[1], SIZE[0], 3), PAPER)
    spots = []
    for rf, colour in SPOTS:
        s, t = at @ across, at @ along - rf * length
        shape = np.exp(-0.5 * ((s / 60) ** 2 + (t / 9) ** 2))
        light *= 10 ** -(shape[:, :, None] * np.array(_TAKES[colour]))
        spots.append((_point(middle + rf * length * along), colour))
    return Painted(
        light,
        _point(middle - width / 2 * across),
        _point(middle + width / 2 * across),
        _point(middle + length * along + 20 * across),
        tuple(spots),
    )


def _point(at: NDArray[np.float64]) -> tuple[float, float]:
    return float(at[0]), float(at[1])
