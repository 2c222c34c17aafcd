"""What is the reflectance of a leaf from counts and panel, and how uncertain is it, by source?

The measurement equation, and the law of propagation of uncertainty for it (GUM, JCGM 100:2008)::

    R = R_panel * (linear(S - D_s) - s) / t_s / rate
    rate = sum of weight * (linear(W - D_w) - s) / t_w

with leaf S, white W, darks D of their integration times t, stray light s of each scan (0 if it is
not corrected), and R_panel the panel's reflectance.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, bounded, quoted
from leafledger.reflectance.count_corrections import Linearity, StrayLight
from leafledger.reflectance.detector import Noise, same_time

# The equation, and the uncertainty of each source
# ----------------------------------------------------------------------

Floats = NDArray[np.float64]

_ROUNDING = 1e-12


@dataclass(frozen=True)
class DarkPart:
    """Dark of leaf scans that share an integration time.

    Attributes
    ----------
    counts
        The dark, shape ``(n_pixels,)``.
    weights
        Weight of each pooled dark in it, ``(n_dark_times,)``.
    variance
        Noise variance of each pooled dark, ``(n_dark_times,)``, counts squared.
    spread
        Standard uncertainty of each pooled dark as a whole, ``(n_dark_times,)``, counts.
    """

    counts: Floats
    weights: Floats
    variance: Floats
    spread: Floats


@dataclass(frozen=True)
class WhitePart:
    """White rate of leaf scans that share their blocks.

    Attributes
    ----------
    rate
        ``(n_scans or 1, n_pixels)``, linear counts per ms, above zero.
    variance
        Its noise variance, independent over pixels; same shape.
    drift
        Change of the rate for one standard uncertainty of the lamp's drift, with its sign at every
        pixel; same shape.
    dark_slope
        How the rate falls with each pooled dark, ``(n_dark_times, n_scans or 1, n_pixels)``.
    stray
        Stray light taken off the rate, linear counts per ms, ``(n_scans or 1, 1)`` or a number.
    bends
        How the rate changes with an estimated linearity, ``(n_modes, n_scans or 1, n_pixels)``.
    time_shares
        Share of the rate that rests on whites of each integration time, ``(n_times, n_scans or 1,
        n_pixels)``; empty where integration times are taken as exact.
    """

    rate: Floats
    variance: Floats
    drift: Floats
    dark_slope: Floats
    stray: Floats | float = 0.0
    bends: Floats = field(default_factory=lambda: np.zeros((0, 1, 1)))
    time_shares: Floats = field(default_factory=lambda: np.zeros((0, 1, 1)))


@dataclass(frozen=True)
class IntegrationTimes:
    """Integration times of the whites of a session, and how well any of them is known.

    Attributes
    ----------
    white_ms
        Distinct times, rising, shape ``(n_times,)``, ms.
    u_ms
        Standard uncertainty of every time, ms. Scans of one time share its error, so that it
        cancels where leaf and white have the same; different times err independently.
    """

    white_ms: Floats = field(default_factory=lambda: np.zeros(0))
    u_ms: float = 0.0


@dataclass(frozen=True)
class Part:
    """Reflectance of some scans and the parts of its variance, all ``(n_scans, n_pixels)``.

    Attributes
    ----------
    reflectance
        A fraction.
    scan
        Variance from the leaf scan alone: shot and read noise; independent over scans and pixels.
    reference
        Variance from noise in darks and whites: shared by scans, independent over pixels.
    shared
        Source -> change of reflectance for one standard uncertainty of a source that moves all
        pixels together, with its sign at every pixel (:func:`source_name`): drift of the lamp,
        darks that disagree, stray light, an estimated linearity, integration times.
    """

    reflectance: Floats
    scan: Floats
    reference: Floats
    shared: Mapping[str, Floats]

    @property
    def drift(self) -> Floats:
        """Standard uncertainty (not variance) of all sources in :attr:`shared` together."""
        total = np.zeros_like(self.reflectance)
        for change in self.shared.values():
            total += change**2
        return np.asarray(np.sqrt(total), dtype=np.float64)


def reflect(
    counts: Floats,
    integration_ms: float,
    averages: Floats,
    dark: DarkPart,
    white: WhitePart,
    panel: float | Floats,
    linearity: Linearity,
    noise: Noise,
    stray: StrayLight | None = None,
    times: IntegrationTimes | None = None,
) -> Part:
    """Return reflectance and its uncertainty, parts kept apart by what they share.

    Sensitivities (R over S - D and so on) with the linearity slope in each; a dark that enters
    both leaf and white enters with the sum of its two sensitivities, and so does the error of an
    estimated linearity, which cancels where leaf and white have equal counts, and that of an
    integration time, which cancels where leaf and white have the same.

    Parameters
    ----------
    counts
        Leaf scans, shape ``(n_scans, n_pixels)``.
    integration_ms
        Their integration time, ms.
    averages
        Readings per scan, shape ``(n_scans,)``.
    dark, white
        Their references.
    panel
        Reflectance of the white panel, a number or ``(n_pixels,)``. Its uncertainty is carried
        apart, as ``panel_u_relative``.
    linearity, noise
        Of the detector.
    stray
        Correction of stray light. An error of its level is common to leaf and white, and so
        cancels in part.
    times
        Integration times of the whites, as ``white.time_shares`` has them; None for exact times.

    References
    ----------
    JCGM 100:2008 (GUM), equations 10 and 13.
    """
    raw = counts - dark.counts
    signal, slope = linearity.value(raw), linearity.slope(raw)
    factor = panel / (integration_ms * white.rate)
    by_scan = noise.variance(signal, slope, averages[:, None])
    level: Floats | float = 0.0
    if stray is not None:
        level = stray.level(signal)
        by_scan += stray.variance(by_scan)
    by_scan *= factor**2
    value = factor * (signal - level)
    relative = value / white.rate
    reference = relative**2 * white.variance
    shared: dict[str, Floats] = {}
    if white.drift.any():
        shared[source_name("drift")] = -relative * white.drift
    if stray is not None:
        by_stray = relative * white.stray - factor * level
        shared[source_name("stray")] = stray.u_relative * by_stray
    bends = zip(linearity.bends(raw), white.bends, strict=True)
    for number, (leaf_bend, white_bend) in enumerate(bends):
        own_bend = leaf_bend if stray is None else leaf_bend - stray.level(leaf_bend)
        shared[source_name("linearity", number)] = factor * own_bend - relative * white_bend
    kept = 1.0 if stray is None else stray.kept_offset
    by_leaf = factor * slope
    number = 0
    for weight, variance, spread, fall in zip(
        dark.weights, dark.variance, dark.spread, white.dark_slope, strict=True
    ):
        if not (variance > 0 or spread > 0) or (weight == 0 and not fall.any()):
            continue
        by_dark = relative * fall - weight * by_leaf
        reference += by_dark**2 * variance
        if spread > 0:
            shared[source_name("dark", number)] = kept * spread * by_dark
            number += 1
    if times is not None:
        shared |= _by_times(value, integration_ms, white.time_shares, times)
    return Part(value, by_scan, reference, shared)


def _by_times(
    value: Floats,
    leaf_ms: float,
    shares: Floats,
    times: IntegrationTimes,
) -> dict[str, Floats]:
    """Return what one standard uncertainty of each integration time does to reflectance.

    R is proportional to the leaf's 1 / t_s and, by way of the rate of the white, to a mean of its
    t_w; the error of a time that both have enters with the sum of the two.
    """
    sources: dict[str, Floats] = {}
    leaf_term = 1.0 / leaf_ms
    for white_ms, share in zip(times.white_ms, shares, strict=True):
        by_time = share / white_ms
        if same_time(float(white_ms), leaf_ms):
            by_time, leaf_term = by_time - leaf_term, 0.0
        if np.abs(by_time).max() > _ROUNDING / leaf_ms:
            sources[source_name("integration", len(sources))] = times.u_ms * by_time * value
    if leaf_term:
        sources[source_name("integration", len(sources))] = -times.u_ms * leaf_term * value
    return sources


def source_name(source: str, number: int = 0) -> str:
    """Return the column of a shared source, the second and later of a kind with their number.

    Examples
    --------
    >>> source_name("dark"), source_name("dark", 1)
    ('u_dark', 'u_dark_2')
    """
    return f"u_{source}" if number == 0 else f"u_{source}_{number + 1}"


_SOURCES = ("drift", "stray", "linearity", "dark", "integration", "axis")


def source_order(column: str) -> tuple[int, int]:
    """Return the place of a shared source among all, by its column, whatever scan had it first.

    A sum over sources taken in this order has the same last digit for every split of the scans.

    Examples
    --------
    >>> sorted(["u_axis", "u_dark_2", "u_drift", "u_dark"], key=source_order)
    ['u_drift', 'u_dark', 'u_dark_2', 'u_axis']
    """
    source, _, number = column.removeprefix("u_").partition("_")
    return _SOURCES.index(source), int(number or 1)


def interpolate(before: WhitePart, after: WhitePart, after_weight: Floats) -> WhitePart:
    """Interpolate the white rate in time between the block before and the block after.

    What the lamp did in between is not known better than the two ends allow: the change between
    the blocks counts as the full width of a rectangular distribution, (W2 - W1)^2 / 12.

    Parameters
    ----------
    before, after
        The blocks, each of one scan (shapes ``(1, n_pixels)``).
    after_weight
        Share of the block after, shape ``(n_scans,)``.

    References
    ----------
    JCGM 100:2008 (GUM), 4.3.7 for the rectangular distribution.
    """
    late = after_weight[:, None]
    early = 1.0 - late
    rate = early * before.rate + late * after.rate
    weighted = early * (before.time_shares * before.rate) + late * (after.time_shares * after.rate)
    return WhitePart(
        rate=rate,
        variance=early**2 * before.variance + late**2 * after.variance,
        drift=np.broadcast_to((after.rate - before.rate) / np.sqrt(12), rate.shape),
        dark_slope=early * before.dark_slope + late * after.dark_slope,
        stray=early * before.stray + late * after.stray,
        bends=early * before.bends + late * after.bends,
        time_shares=np.divide(weighted, rate, out=np.zeros_like(weighted), where=rate > 0),
    )


# What the white panel reflects: a stated number, or a table over wavelength
# ----------------------------------------------------------------------

WAVELENGTH, REFLECTANCE, U_RELATIVE = "wavelength_nm", "reflectance", "u_relative"
_LARGEST_BYTES = 4_000_000
_LARGEST = {WAVELENGTH: 30_000.0, REFLECTANCE: 1.2, U_RELATIVE: 1.0}

_LONGEST_UM = 30.0


@dataclass(frozen=True)
class Panel:
    """What the panel reflects.

    Attributes
    ----------
    reflectance
        A fraction: one number, or one for each native pixel.
    u_relative
        Relative standard uncertainty, the same for all scans: one number, or one for each
        wavelength of the grid.
    """

    reflectance: float | Floats
    u_relative: float | Floats

    @property
    def u_for_file(self) -> float | list[float]:
        """The uncertainty as metadata of the reflectance table."""
        if isinstance(self.u_relative, float):
            return self.u_relative
        return [float(u) for u in self.u_relative]


def panel_of(
    settings: Mapping[str, Any],
    table: Path | None,
    file: str,
    wavelength_nm: Floats,
    grid_nm: Floats,
) -> Panel:
    """Return the panel of a session.

    Parameters
    ----------
    settings
        Section ``instrument.panel``.
    table, file
        The table and its name in messages, if ``reflectance`` names one.
    wavelength_nm, grid_nm
        Native axis and grid of the reflectance, nm.

    Raises
    ------
    InputFault
        If the table is missing, at fault, or does not cover the grid.
    """
    if table is None:
        return Panel(float(settings["reflectance"]), float(settings["u_relative"]))
    table_nm, factor, u = read_panel(table, file)
    if table_nm[0] > grid_nm[0] or table_nm[-1] < grid_nm[-1]:
        raise InputFault(too_short(file, table_nm, grid_nm))
    # Only pixels less than a grid step outside the table, if any, get its end value.
    on_pixels = np.interp(wavelength_nm, table_nm, factor)
    if u is None:
        return Panel(on_pixels, float(settings["u_relative"]))
    return Panel(on_pixels, np.interp(grid_nm, table_nm, u))


def too_short(file: str, table_nm: Floats, grid_nm: Floats) -> Problem:
    """Return the problem of a table that ends inside the range of the reflectance.

    Parameters
    ----------
    file
        Name of the table.
    table_nm, grid_nm
        Wavelengths of the table and of the reflectance, rising, nm.
    """
    return Problem(
        file=file,
        column=WAVELENGTH,
        found=f"{table_nm[0]:g} to {table_nm[-1]:g} nm",
        expected=f"the whole range of the reflectance, {grid_nm[0]:g} to {grid_nm[-1]:g} nm",
        mend="Complete the table, or state a reflectance.grid inside it.",
    )


def read_panel(path: Path, file: str) -> tuple[Floats, Floats, Floats | None]:
    """Read a table of wavelength, reflectance factor and, if it has it, relative uncertainty.

    Returns
    -------
    tuple
        Wavelengths (rising, nm), reflectance factors, relative standard uncertainties or None.

    Raises
    ------
    InputFault
        With every problem of the table, each with its row and column.
    """
    if not path.is_file():
        raise InputFault(Problem(file, "no such file", "the table of the panel", "Put it there."))
    if path.stat().st_size > _LARGEST_BYTES:
        raise InputFault(
            Problem(
                file=file,
                found=f"{path.stat().st_size / 1e6:.0f} MB",
                expected=f"at most {_LARGEST_BYTES / 1e6:.0f} MB",
                mend="Check that the file is the table of the panel.",
            )
        )
    rows = _rows(path, file)
    columns = _columns(file, [cell.strip() for cell in rows[0][1]] if rows else [])
    other_unit = _other_unit(file, rows[1:], columns)
    if other_unit:
        raise InputFault(other_unit)
    values: list[list[float]] = []
    problems: list[Problem] = []
    for line, cells in rows[1:]:
        numbers, wrong = _numbers(file, line, cells, columns)
        previous = values[-1][0] if values else -math.inf
        if not wrong and numbers[0] <= previous:
            wrong = [_falls(file, line, numbers[0], previous)]
        problems += wrong
        if not wrong:
            values.append(numbers)
    if len(values) < 2 and not problems:
        problems = [_empty(file, len(values))]
    if problems:
        raise InputFault(bounded(problems))
    table = np.array(values)
    return table[:, 0], table[:, 1], table[:, 2] if len(columns) == 3 else None


def stated_wavelengths(path: Path, file: str) -> Floats | None:
    """Return the wavelengths of a table whose reflectance may be at fault; ``None`` if they are.

    So that a table which is in percent and too short is refused for both.
    """
    if path.stat().st_size > _LARGEST_BYTES:
        return None
    try:
        rows = _rows(path, file)
        columns = _columns(file, [cell.strip() for cell in rows[0][1]] if rows else [])
    except InputFault:
        return None
    column = columns[WAVELENGTH]
    numbers = [
        _number(cells[column].strip()) if column < len(cells) else None for _, cells in rows[1:]
    ]
    nm = np.array([math.nan if number is None else number for number in numbers])
    return nm if len(nm) > 1 and bool(np.all(np.diff(nm) > 0)) and nm[-1] > _LONGEST_UM else None


def _rows(path: Path, file: str) -> list[tuple[int, list[str]]]:
    """Return line and cells of every row that holds something."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        return [(reader.line_num, cells) for cells in reader if any(c.strip() for c in cells)]
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputFault(
            Problem(
                file=file,
                found="text that is no CSV in UTF-8",
                expected=f"a sheet that begins with {WAVELENGTH},{REFLECTANCE}",
                mend="Save the table as CSV (UTF-8).",
            )
        ) from error


def _columns(file: str, heading: list[str]) -> dict[str, int]:
    """Return the position of each column that is used."""
    missing = [name for name in (WAVELENGTH, REFLECTANCE) if heading.count(name) != 1]
    if missing or heading.count(U_RELATIVE) > 1:
        raise InputFault(
            Problem(
                file=file,
                row=1,
                column=missing[0] if missing else U_RELATIVE,
                found=f"the headings {quoted(','.join(heading))}",
                expected=f"{WAVELENGTH}, {REFLECTANCE} and, if known, {U_RELATIVE}, each once",
                mend="Save the table as CSV with commas, not semicolons."
                if len(heading) == 1 and ";" in heading[0]
                else "Correct the heading row; wavelengths are in nm, not micrometres."
                if any(text in ",".join(heading).lower() for text in ("_um", "\N{MICRO SIGN}m"))
                else "Correct the heading row.",
            )
        )
    used = (WAVELENGTH, REFLECTANCE, U_RELATIVE)
    return {name: heading.index(name) for name in used if name in heading}


def _numbers(
    file: str, line: int, cells: list[str], columns: Mapping[str, int]
) -> tuple[list[float], list[Problem]]:
    numbers, problems = [], []
    for name, index in columns.items():
        text = cells[index].strip() if index < len(cells) else ""
        number = _number(text)
        lowest = 0.0 if name == U_RELATIVE else math.ulp(0.0)
        if number is None or not lowest <= number <= _LARGEST[name]:
            above = "from 0" if name == U_RELATIVE else "above 0"
            problems.append(
                Problem(
                    file=file,
                    row=line,
                    column=name,
                    found=quoted(text),
                    expected=f"a number {above} up to {_LARGEST[name]:g}",
                    mend="Correct the cell (reflectance is a fraction, not percent).",
                )
            )
        else:
            numbers.append(number)
    return numbers, problems


def _other_unit(
    file: str, rows: list[tuple[int, list[str]]], columns: Mapping[str, int]
) -> list[Problem]:
    """Return one problem for a column that is in percent or micrometres from top to bottom."""
    problems = []
    for name, unit, least, most, times in (
        (REFLECTANCE, "percent", _LARGEST[REFLECTANCE], 100 * _LARGEST[REFLECTANCE], "0.01"),
        (WAVELENGTH, "micrometres", 0.1, _LONGEST_UM, "1000"),
    ):
        texts = [cells[columns[name]].strip() for _, cells in rows if columns[name] < len(cells)]
        numbers = [number for number in map(_number, texts) if number is not None]
        if len(numbers) == len(rows) > 1 and all(least < number <= most for number in numbers):
            problems.append(
                Problem(
                    file=file,
                    column=name,
                    found=f"values from {min(numbers):g} to {max(numbers):g}, which look like "
                    f"{unit}",
                    expected="nm" if name == WAVELENGTH else "a fraction, at most about 1",
                    mend=f"Multiply the column by {times}.",
                )
            )
    return problems


def _number(text: str) -> float | None:
    try:
        return float(text) if text.isascii() and "_" not in text else None
    except ValueError:
        return None


def _falls(file: str, line: int, here: float, before: float) -> Problem:
    return Problem(
        file=file,
        row=line,
        column=WAVELENGTH,
        found=f"{here:g} after {before:g}",
        expected="rising wavelengths, each once",
        mend="Sort the rows by wavelength and take out doubles.",
    )


def _empty(file: str, n_rows: int) -> Problem:
    return Problem(
        file=file,
        found=f"{n_rows} rows of numbers",
        expected="two or more",
        mend="Fill in the panel's certificate, or state one number in instrument.panel.",
    )
