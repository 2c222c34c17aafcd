"""What ``study.yaml`` may say of raw files, instrument, reflectance and quality."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints

from leafledger.study.field_types import (
    ColumnName,
    Finite,
    Label,
    NotNegative,
    Positive,
    Section,
    nothing,
    one_or_many,
)


class Form(Section):
    """How the raw files of a session are written."""

    form: Literal["text", "wide_table", "jcamp_dx", "parquet", "spreadsheet"] = "text"
    quantity: Literal["counts", "reflectance", "percent"] = "counts"
    wavelength_column: str = Field(
        "1", description="Number (from 1) or name; forms text and spreadsheet."
    )
    value_column: str = Field(
        "2", description="Number (from 1) or name; forms text and spreadsheet."
    )
    decimal: Literal["auto", "point", "comma"] = "auto"
    delimiter: Literal["auto", "tab", "comma", "semicolon", "space"] = "auto"
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1"] = "auto"
    scan_column: Annotated[ColumnName | None, BeforeValidator(nothing)] = Field(
        None,
        description="Column that names the scan of a row; forms wide_table, parquet and, with "
        "`scans_in: rows`, spreadsheet.",
    )
    scans_in: Literal["sheets", "rows"] = Field(
        "sheets",
        description="Form spreadsheet: a scan in each sheet (a file of one sheet is one scan), or "
        "in each row of a wide table.",
    )
    sheet: Annotated[Label | None, BeforeValidator(nothing)] = Field(
        None,
        description="Form spreadsheet: the sheet to read in each file; left out, the sheets that "
        "the items of the scan sheet name, or the only one.",
    )
    pixel_coefficients: Annotated[
        Annotated[list[Finite], Field(min_length=2, max_length=6)] | None,
        BeforeValidator(nothing),
    ] = Field(
        None,
        description="Wavelength in nm = c0 + c1 p + c2 p^2 ..., p the pixel from 0; for files that "
        "number their pixels or, with `wavelength_column: none`, hold counts alone.",
    )


class Pattern(Section):
    """File names that stand in for rows of the scan sheet."""

    pattern: Annotated[str, StringConstraints(min_length=1, max_length=300)]
    role: Literal["sample", "white", "dark", "lamp", "ambient", "check"] = "sample"


def _patterns(value: Any) -> Any:
    items = one_or_many(value)
    if isinstance(items, list):
        return [{"pattern": item} if isinstance(item, str) else item for item in items]
    return items


class Intake(Section):
    """Where the raw scans are and how to read them."""

    sheet: str = "scans.csv"
    pattern: Annotated[list[Pattern], BeforeValidator(_patterns)] = Field(
        [], description="Instead of a sheet: `raw/{session}/{unit}_{leaf}_{replicate}.txt`."
    )
    forms: dict[str, Form] = Field(
        {}, description="A form for each session that has its own, and `default` for the rest."
    )


class Linearity(Section):
    """Polynomial that turns counts above dark into counts of a linear detector."""

    coefficients: list[Finite] = Field(
        min_length=1,
        max_length=8,
        description="linear = counts * (c0 + c1 * counts + c2 * counts^2 ...).",
    )


TABLE_PATTERN = r"^([A-Za-z0-9_-][A-Za-z0-9_. -]*/)*[A-Za-z0-9_-][A-Za-z0-9_. -]*[.][cC][sS][vV]$"
"""A CSV inside the study folder: no part of the path begins with a point."""
TableFile = Annotated[str, StringConstraints(pattern=TABLE_PATTERN, max_length=300)]


class Panel(Section):
    """Reflectance factor of the white reference panel."""

    reflectance: Annotated[float, Field(gt=0, le=1.2)] | TableFile = Field(
        1.0,
        description="A number, or a CSV of the study folder with the columns wavelength_nm, "
        "reflectance and, if known, u_relative (then the key below is not used).",
    )
    u_relative: NotNegative = Field(0.0, description="Relative standard uncertainty (k = 1).")


class Instrument(Section):
    """What is known of the spectrometer and its white reference."""

    full_scale_counts: Annotated[Positive | None, BeforeValidator(nothing)] = None
    gain_electrons_per_count: Literal["estimate"] | Positive = "estimate"
    read_noise_counts: Literal["estimate"] | NotNegative = "estimate"
    linearity: Annotated[Linearity | Literal["estimate"] | None, BeforeValidator(nothing)] = Field(
        None, description="`estimate`: from whites of each session at four or more times."
    )
    panel: Panel = Panel(reflectance=1.0, u_relative=0.0)


class Grid(Section):
    """Evenly spaced wavelengths that all sessions are brought to."""

    start_nm: Positive
    stop_nm: Positive
    step_nm: Annotated[float, Field(gt=0, le=100)] = 1.0


class Smoothing(Section):
    """Savitzky-Golay smoothing of reflectance."""

    window_nm: Positive
    order: Annotated[int, Field(ge=1, le=6)] = 2


class StrayShare(Section):
    """Stray light as a stated share of the mean signal of a scan."""

    fraction: Annotated[float, Field(gt=0, lt=0.2, allow_inf_nan=False)]
    u_relative: NotNegative = Field(0.29, description="Relative standard uncertainty (k = 1).")


class StrayRegion(Section):
    """Stray light as the mean signal of a part of the array that no light can reach."""

    dark_region_nm: Annotated[list[Positive], Field(min_length=2, max_length=2)]
    u_relative: NotNegative = Field(
        0.29, description="Relative standard uncertainty (k = 1) of the level elsewhere."
    )


class Reflectance(Section):
    """From counts to reflectance."""

    grid: Literal["auto", "native"] | Grid = Field(
        "auto",
        description="`native`: as the file has it; `auto`: native, but 1 nm where finer than that.",
    )
    wavelengths: Literal["as_read", "from_lamp"] = Field(
        "as_read",
        description="`from_lamp`: put right by a scan of a mercury-argon lamp in every session.",
    )
    references: Literal["bracket", "nearest", "mean"] = "bracket"
    dark: Literal["per_integration_time", "scaled"] = "per_integration_time"
    stray_light: Annotated[StrayShare | StrayRegion | None, BeforeValidator(nothing)] = None
    smoothing: Annotated[Smoothing | None, BeforeValidator(nothing)] = None


class Checks(Section):
    """Thresholds of the checks on every scan."""

    saturated_share: Annotated[float, Field(ge=0, le=1)] = Field(
        0.0, description="Share of pixels at full scale that is still tolerated."
    )
    low_signal_to_noise: NotNegative = 20.0
    replicate_distance: Positive = Field(
        4.5, description="Robust distance (z) from the other scans of the same leaf position."
    )
    lamp_lines: bool = True
    ambient_share: Positive = Field(
        0.005,
        description="Largest share of the white that an `ambient` scan (lamp off, leaf in the "
        "clip) may show.",
    )
    reference_drift: Positive = Field(0.03, description="Relative change of the white signal.")


class FoundRange(Section):
    """The trusted range, found from the white references."""

    signal_to_noise: Positive = 200.0
    margin_nm: NotNegative = 5.0


class StatedRange(Section):
    """The trusted range, set by hand."""

    start_nm: Positive
    stop_nm: Positive


Severity = Literal["error", "warning"]


class Severities(Section):
    """What a broken expectation does: `error` stops the run, `warning` is reported."""

    scans: Severity = "error"
    reflectance: Severity = "error"
    indices: Severity = "warning"


class Quality(Section):
    """Checks, the trusted range, and what is done with a flagged scan."""

    checks: Checks = Checks()
    range: FoundRange | StatedRange = FoundRange()
    apply: Literal["none", "faults", "faults_and_outliers"] = "faults"
    severity: Severities = Severities()
