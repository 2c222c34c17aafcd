"""Where are start line, front and spots of a strip on its photograph, and how dark is the lane?

A person points at the start line (two ends), the solvent front and the spots. The lane between the
two ends is turned upright, and its optical density is kept along the way from start line to front.

A photograph is no densitometer: light, paper and camera are not calibrated. Distances are those of
the strip; densities say where the lane is dark, and which colour it takes away, not how much
pigment there is.

References
----------
IEC 61966-2-1:1999 (the relation of pixel values and light, sRGB).
"""

from __future__ import annotations

import csv
import io
import math
import warnings
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, input_fault
from leafledger.pigments.assay_sheets import Spot
from leafledger.pigments.chromatograms import CHANNELS, PROFILE_COLUMNS

Array = NDArray[np.float64]
Point = tuple[float, float]
"""Column and row of a pixel of the upright photograph, from its upper left corner."""

FORMATS: Final = ("JPEG", "PNG", "WEBP")
MOST_PIXELS: Final = 120_000_000
LEAST_SIDE: Final = 60
"""Pixels of the shorter side below which nothing can be placed on a photograph."""
LEAST_LANE: Final = 30
"""Pixels between start line and front, and the width of the lane in tens, at the least."""
U_MM: Final = 0.5
"""Standard uncertainty of a distance where none is stated: how well the middle of a spot and a
front that is not quite even can be pointed at."""

LARGEST_U_SHARE: Final = 0.25
"""Share of the way of the solvent that the uncertainty of a distance may be at the most: beyond it
the Rf of no spot says anything."""
LEAST_PAPER: Final = 0.02
"""Linear light of bare paper (pixel value 38 of 255) below which a lane is too dark to be read."""
LEAST_CONTRAST: Final = 0.01
"""Density between the palest and the darkest place of a lane, in the channel that shows most, below
which no spot can be seen: about 3 in 255 of pale paper."""

# The photograph as pixels.
# ----------------------------------------------------------------------


def read_photograph(path: Path) -> NDArray[np.uint8]:
    """Return the pixels of a photograph, turned upright.

    Parameters
    ----------
    path
        A JPEG, PNG or WebP.

    Returns
    -------
    ndarray
        Shape (rows, columns, 3), sRGB.

    Raises
    ------
    InputFault
        If it is no such picture, is damaged, too large or too small.
    """
    from PIL import Image, ImageOps

    name = path.name
    if not path.is_file():
        raise _no_picture(name, "no such file")
    try:
        with warnings.catch_warnings():
            # Its own bound is a warning; ours, below, is held before a pixel is decoded.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            picture: Image.Image = Image.open(path, formats=FORMATS)
        if picture.width * picture.height > MOST_PIXELS:
            raise _no_picture(name, f"{picture.width * picture.height / 1e6:.0f} million pixels")
        picture.load()
        with suppress(Exception):  # metadata that cannot be read say nothing of sound pixels
            picture = ImageOps.exif_transpose(picture)
        coloured = picture.convert("RGBA")
        plain = Image.new("RGB", coloured.size, "white")
        plain.paste(coloured, mask=coloured.getchannel("A"))
    except InputFault:
        raise
    except Exception as error:
        # A damaged picture makes the decoders raise nearly anything, from SyntaxError to struct's.
        raise _no_picture(name, "a file that cannot be decoded as a picture") from error
    if min(plain.size) < LEAST_SIDE:
        raise _no_picture(name, f"a picture of {plain.width} x {plain.height} pixels")
    return np.asarray(plain, dtype=np.uint8)


def _no_picture(name: str, found: str) -> InputFault:
    return input_fault(
        name,
        found,
        f"a photograph (JPEG, PNG or WebP) of {LEAST_SIDE} pixels a side or more, at most "
        f"{MOST_PIXELS / 1e6:.0f} million in all",
        "Photograph the strip from straight above, in even light, and save it as JPEG.",
    )


def shown_jpeg(pixels: NDArray[np.uint8], longest: int = 1600) -> bytes:
    """Return the photograph as the page shows it: pixels only, small enough for a screen."""
    from PIL import Image

    picture = Image.fromarray(pixels)
    picture.thumbnail((longest, longest))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=88)
    return out.getvalue()


# The points.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class MarkedSpot:
    """A spot that was pointed at: its middle, and its colour in words."""

    at: Point
    colour: str


@dataclass(frozen=True)
class MarkedStrip:
    """What a person pointed at on a photograph, and said of the strip.

    Attributes
    ----------
    strip, system, unit, session
        As in the sheet of chromatograms.
    front_mm
        Distance from start line to front, measured on the strip with a ruler.
    start
        The two ends of the start line, across the lane.
    front
        A point of the solvent front, on the lane.
    spots
        The spots.
    u_mm
        Standard uncertainty of each distance.
    """

    strip: str
    system: str
    front_mm: float
    start: tuple[Point, Point]
    front: Point
    spots: tuple[MarkedSpot, ...]
    u_mm: float = U_MM
    unit: str = ""
    session: str = ""


@dataclass(frozen=True)
class Lane:
    """The frame of a strip on its photograph.

    Attributes
    ----------
    middle
        Of the start line.
    across, along
        Unit vectors, from left to right and from start line to front.
    width, length
        Of the lane in pixels: between the ends of the start line, and from there to the front.
    """

    middle: Array
    across: Array
    along: Array
    width: float
    length: float

    def aside(self, point: Point) -> float:
        """Return how far a point lies from the middle of the lane, in pixels, to either side."""
        return abs(float((np.asarray(point) - self.middle) @ self.across))

    def distance(self, point: Point) -> float:
        """Return how far a point lies from the start line, in pixels; positive to the front."""
        return float((np.asarray(point) - self.middle) @ self.along)


def lane_of(start: tuple[Point, Point], front: Point) -> Lane:
    """Return the frame of a strip: the way of the solvent is at a right angle to the start line.

    Examples
    --------
    >>> lane = lane_of(((10.0, 90.0), (30.0, 90.0)), (20.0, 10.0))
    >>> lane.width, lane.length, lane.distance((25.0, 50.0))
    (20.0, 80.0, 40.0)
    """
    left, right = sorted(
        (np.asarray(p, dtype=np.float64) for p in start), key=lambda p: float(p[0])
    )
    width = float(np.hypot(*(right - left)))
    across = (right - left) / (width or 1.0)
    along = np.array([across[1], -across[0]])  # up the photograph, where rows are counted down
    middle = (left + right) / 2
    return Lane(middle, across, along, width, float((np.asarray(front) - middle) @ along))


def marking_problems(marked: MarkedStrip, size: tuple[int, int], name: str) -> list[Problem]:
    """Return what is wrong with the points on a photograph.

    Parameters
    ----------
    marked
        The points.
    size
        Columns and rows of the photograph.
    name
        Of the photograph, for messages.
    """
    problems = []
    points = [("start", p) for p in marked.start] + [("front", marked.front)]
    points += [(f"spot {i}", spot.at) for i, spot in enumerate(marked.spots, start=1)]
    for what, (x, y) in points:
        if not (0 <= x < size[0] and 0 <= y < size[1]):  # not a number is outside as well
            problems.append(
                Problem(
                    file=name, column=what, found=f"the point {x:g}, {y:g}",
                    expected=f"a point of the photograph: 0 to {size[0] - 1}, 0 to {size[1] - 1}",
                    mend="Point at it again; pixels are counted from the upper left corner.",
                )
            )  # fmt: skip
    if not marked.spots:
        problems.append(
            Problem(name, "no spot", "at least one", "Point at the middle of each spot.")
        )
    if not (math.isfinite(marked.front_mm) and 0 < marked.front_mm <= 2000):
        problems.append(
            Problem(
                file=name, column="front_mm", found=f"{marked.front_mm:g} mm",
                expected="the distance from start line to front, above 0 and at most 2000 mm",
                mend="Measure it on the strip with a ruler: it gives the photograph its scale.",
            )
        )  # fmt: skip
    return problems or _lane_problems(marked, name)


def _lane_problems(marked: MarkedStrip, name: str) -> list[Problem]:
    lane = lane_of(marked.start, marked.front)
    if lane.width < LEAST_LANE / 10 or abs(lane.across[0]) < math.sqrt(0.5):
        return [
            Problem(
                file=name, column="start", found=f"two ends {lane.width:.0f} pixels apart"
                if lane.width < LEAST_LANE / 10 else "a start line that runs up and down",
                expected="the left and the right end of the start line, below the front",
                mend="Turn the photograph so that the solvent ran upwards, and point at both ends.",
            )
        ]  # fmt: skip
    if lane.length < LEAST_LANE:
        found = "a front below the start line" if lane.length < 0 else (
            f"a front {lane.length:.0f} pixels above the start line"
        )  # fmt: skip
        return [
            Problem(
                file=name, column="front", found=found,
                expected=f"a front at least {LEAST_LANE} pixels above the start line",
                mend="Turn the photograph so that the solvent ran upwards, or take a larger one.",
            )
        ]  # fmt: skip
    problems = []
    for i, spot in enumerate(marked.spots, start=1):
        share = lane.distance(spot.at) / lane.length
        if not 0 <= share <= 1:
            where = "below the start line" if share < 0 else "beyond the front"
            problems.append(
                Problem(
                    file=name, column=f"spot {i}", found=f"a spot {where} ({spot.colour})",
                    expected="a spot between start line and front",
                    mend="Point at it again, or at the front.",
                )
            )  # fmt: skip
        elif (aside := lane.aside(spot.at)) > lane.width / 2:
            problems.append(
                Problem(
                    file=name, column=f"spot {i}",
                    found=f"a spot {aside - lane.width / 2:.0f} pixels beside the lane "
                    f"({spot.colour})",
                    expected="a spot between the two ends of the start line",
                    mend="Point at it again, or at the ends of the start line of its own lane.",
                )
            )  # fmt: skip
    largest = LARGEST_U_SHARE * marked.front_mm
    if marked.u_mm > largest:
        problems.append(
            Problem(
                file=name, column="u_mm", found=f"{marked.u_mm:g} mm",
                expected=f"at most {largest:g} mm, a quarter of the way of the solvent",
                mend=f"Leave it out for {U_MM:g} mm, or state how well a spot can be pointed at.",
            )
        )  # fmt: skip
    return problems


def lane_light_problems(pixels: NDArray[np.uint8], marked: MarkedStrip, name: str) -> list[Problem]:
    """Return why nothing can be read of a lane: no light, or nothing that differs from the paper.

    Parameters
    ----------
    pixels
        The photograph.
    marked
        The points; they must be sound (:func:`marking_problems`).
    name
        Of the photograph, for messages.
    """
    mean = straightened(pixels, lane_of(marked.start, marked.front))[1].mean(axis=1)
    paper = float(np.percentile(mean, _PAPER_PERCENTILE, axis=0).max())
    mend = "Photograph the strip from straight above, in even light, or point at the lane itself."
    if paper < LEAST_PAPER:
        return [
            Problem(
                file=name, column="lane", found=f"{100 * paper:.1f} % of full light at its palest",
                expected="a lane with light, the paper bright", mend=mend,
            )
        ]  # fmt: skip
    density = -np.log10(np.maximum(mean, _LEAST_LIGHT))
    contrast = float(np.ptp(density, axis=0).max())
    if contrast < LEAST_CONTRAST:
        return [
            Problem(
                file=name, column="lane",
                found=f"one even tone (density differs by {contrast:.4f})",
                expected="a lane on which the spots that were pointed at can be seen", mend=mend,
            )
        ]  # fmt: skip
    return []


def spots_of(marked: MarkedStrip) -> list[Spot]:
    """Return the spots with their distances in mm, from the front down, as rows of the sheet.

    Examples
    --------
    >>> marked = MarkedStrip("s1", "paper", 80.0, ((10, 90), (30, 90)), (20, 10),
    ...                      (MarkedSpot((25, 50), "green"),))
    >>> [(spot.front_mm, spot.spot_mm, spot.colour) for spot in spots_of(marked)]
    [(80.0, 40.0, 'green')]
    """
    lane = lane_of(marked.start, marked.front)
    scale = marked.front_mm / lane.length
    spots = [
        Spot(
            0, marked.strip, marked.system, round(marked.front_mm, 2),
            round(lane.distance(spot.at) * scale, 2), spot.colour, marked.u_mm, marked.unit,
            marked.session,
        )
        for spot in marked.spots
    ]  # fmt: skip
    return sorted(spots, key=lambda spot: -spot.spot_mm)


# The lane, turned upright, and its density.
# ----------------------------------------------------------------------

_BEYOND: Final = 0.05
"""Share of the lane that is kept below the start line and above the front."""
_MIDDLE: Final = 0.7
"""Share of the width of the lane that is averaged: at its edges spots are thin."""
_PAPER_PERCENTILE: Final = 95.0
_LEAST_LIGHT: Final = 1e-3


def straightened(pixels: NDArray[np.uint8], lane: Lane) -> tuple[Array, Array]:
    """Return the lane turned upright, one row for each pixel of the way of the solvent.

    Parameters
    ----------
    pixels
        The photograph.
    lane
        Its frame.

    Returns
    -------
    distance
        From the start line in pixels, rising, shape (rows,). Rows outside the photograph are left
        out.
    light
        Linear light of the three channels, 0 to 1, shape (rows, columns, 3); bilinear between
        pixels.
    """
    from scipy.ndimage import map_coordinates

    edge = round(_BEYOND * lane.length)
    distance = np.arange(-edge, math.ceil(lane.length) + edge + 1, dtype=np.float64)
    n_columns = max(3, round(_MIDDLE * lane.width))
    across = (np.arange(n_columns) - (n_columns - 1) / 2) * (_MIDDLE * lane.width / n_columns)
    points = (
        lane.middle
        + distance[:, None, None] * lane.along
        + across[None, :, None] * lane.across
    )  # fmt: skip
    rows, columns = pixels.shape[:2]
    inside = (
        (points >= 0).all(axis=2) & (points[:, :, 0] <= columns - 1) & (points[:, :, 1] <= rows - 1)
    )
    whole = inside.all(axis=1)
    points, distance = points[whole], distance[whole]
    light = np.stack(
        [
            map_coordinates(
                linear_light(pixels[:, :, c]), (points[:, :, 1], points[:, :, 0]), order=1
            )
            for c in range(3)
        ],
        axis=2,
    )
    return distance, light


def linear_light(values: NDArray[np.uint8]) -> Array:
    """Return the light that pixel values of sRGB stand for, 0 to 1.

    Examples
    --------
    >>> linear_light(np.array([0, 188, 255], dtype=np.uint8)).round(3)
    array([0.   , 0.503, 1.   ])
    """
    v = values / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def density_profile(pixels: NDArray[np.uint8], marked: MarkedStrip) -> dict[str, Array]:
    """Return the optical density of a lane along the way of the solvent.

    Parameters
    ----------
    pixels
        The photograph.
    marked
        The points; they must be sound (:func:`marking_problems`).

    Returns
    -------
    dict
        ``PROFILE_COLUMNS``, one value for each pixel of the way.

    Notes
    -----
    The density of a channel is ``-log10(I / I_paper)`` with the mean light I across the middle of
    the lane. I_paper is the 95th percentile of I along the lane, which is bare paper. ``density``
    is the mean of the three.
    """
    lane = lane_of(marked.start, marked.front)
    distance, light = straightened(pixels, lane)
    mean = np.maximum(light.mean(axis=1), _LEAST_LIGHT)
    paper = np.percentile(mean, _PAPER_PERCENTILE, axis=0)
    density = -np.log10(mean / paper)
    profile = {"distance_mm": distance * marked.front_mm / lane.length}
    profile["density"] = density.mean(axis=1)
    profile |= {f"density_{name}": density[:, c] for c, name in enumerate(CHANNELS)}
    return profile


# What is kept: the profile as a CSV, one for each strip, and the points.
# ----------------------------------------------------------------------


def profile_text(profile: Mapping[str, Array]) -> str:
    """Return a profile as the text of a CSV."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow(PROFILE_COLUMNS)
    for row in zip(*(profile[name].tolist() for name in PROFILE_COLUMNS), strict=True):
        write.writerow([f"{row[0]:.3f}", *(f"{value:.4f}" for value in row[1:])])
    return out.getvalue()


def points_as_json(marked: MarkedStrip, photograph: str, sha256: str) -> dict[str, Any]:
    """Return what was pointed at, so that it can be seen and repeated."""

    def plain(points: Sequence[Point]) -> list[list[float]]:
        return [[round(float(x), 1), round(float(y), 1)] for x, y in points]

    return {
        "photograph": photograph,
        "sha256": sha256,
        "start": plain(marked.start),
        "front": plain([marked.front])[0],
        "front_mm": marked.front_mm,
        "spots": [
            {"at": plain([spot.at])[0], "colour": spot.colour} for spot in marked.spots
        ],
    }  # fmt: skip
