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

    form: Literal["text", "wide_table", "jcamp_dx", "parquet", "spreadsheet"] = Field(
        "text",
        description="A text file for each scan, a text table with a row for each scan, JCAMP-DX, "
        "Parquet, or a workbook.",
    )
    quantity: Literal["counts", "reflectance", "percent"] = Field(
        "counts",
        description="What the numbers are: counts need dark and white scans; percent is divided "
        "by 100.",
    )
    wavelength_column: str = Field(
        "1", description="Number (from 1) or name; forms text and spreadsheet."
    )
    value_column: str = Field(
        "2", description="Number (from 1) or name; forms text and spreadsheet."
    )
    decimal: Literal["auto", "point", "comma"] = Field(
        "auto", description="The decimal mark; `auto` finds it."
    )
    delimiter: Literal["auto", "tab", "comma", "semicolon", "space"] = Field(
        "auto", description="What stands between cells; `auto` finds it."
    )
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1"] = Field(
        "auto", description="How characters are stored; `auto` finds it."
    )
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

    pattern: Annotated[str, StringConstraints(min_length=1, max_length=300)] = Field(
        description="A path in which each `{field}` stands for part of a name and `{}` for a part "
        "that means nothing."
    )
    role: Literal["sample", "white", "dark", "lamp", "ambient", "check"] = Field(
        "sample", description="What the files are that fit."
    )


def _patterns(value: Any) -> Any:
    items = one_or_many(value)
    if isinstance(items, list):
        return [{"pattern": item} if isinstance(item, str) else item for item in items]
    return items


class Intake(Section):
    """Where the raw scans are and how to read them."""

    sheet: str = Field(
        "scans.csv",
        description="The scan sheet, CSV or .xlsx, with a row for each raw scan; or one CSV table "
        "of labelled spectra.",
    )
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

    full_scale_counts: Annotated[Positive | None, BeforeValidator(nothing)] = Field(
        None,
        description="Counts at which the detector is full, such as 65535 for 16 bit; left out, "
        "proposed from the data with a warning.",
    )
    gain_electrons_per_count: Literal["estimate"] | Positive = Field(
        "estimate",
        description="Electrons for each count; `estimate`: from how repeated references scatter.",
    )
    read_noise_counts: Literal["estimate"] | NotNegative = Field(
        "estimate",
        description="Noise of reading the detector out (standard deviation); `estimate`: from "
        "repeated darks.",
    )
    linearity: Annotated[Linearity | Literal["estimate"] | None, BeforeValidator(nothing)] = Field(
        None, description="`estimate`: from whites of each session at four or more times."
    )
    integration_u_ms: NotNegative = Field(
        0.0,
        description="Standard uncertainty (k = 1) of every integration time; it cancels where leaf "
        "and white have the same.",
    )
    panel: Panel = Panel(reflectance=1.0, u_relative=0.0)


class Grid(Section):
    """Evenly spaced wavelengths that all sessions are brought to."""

    start_nm: Positive = Field(description="First wavelength.")
    stop_nm: Positive = Field(description="Last wavelength.")
    step_nm: Annotated[float, Field(gt=0, le=100)] = Field(1.0, description="Step.")


class Smoothing(Section):
    """Savitzky-Golay smoothing of reflectance."""

    window_nm: Positive = Field(description="Width of the moving window.")
    order: Annotated[int, Field(ge=1, le=6)] = Field(2, description="Degree of the polynomial.")


class StrayShare(Section):
    """Stray light as a stated share of the mean signal of a scan."""

    fraction: Annotated[float, Field(gt=0, lt=0.2, allow_inf_nan=False)] = Field(
        description="Share of the mean signal of the scan."
    )
    u_relative: NotNegative = Field(0.29, description="Relative standard uncertainty (k = 1).")


class StrayRegion(Section):
    """Stray light as the mean signal of a part of the array that no light can reach."""

    dark_region_nm: Annotated[list[Positive], Field(min_length=2, max_length=2)] = Field(
        description="First and last wavelength of the part that no light can reach."
    )
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
    references: Literal["bracket", "nearest", "mean"] = Field(
        "bracket",
        description="Which whites stand for a leaf: those before and after it, weighted by time; "
        "the nearest in time; or the mean of the session.",
    )
    dark: Literal["per_integration_time", "scaled"] = Field(
        "per_integration_time",
        description="Darks of the same integration time; or `scaled`: offset + rate x time.",
    )
    stray_light: Annotated[StrayShare | StrayRegion | None, BeforeValidator(nothing)] = Field(
        None, description="Stray light to take off, stated or read from a dark part of the array."
    )
    smoothing: Annotated[Smoothing | None, BeforeValidator(nothing)] = Field(
        None, description="Savitzky-Golay smoothing of reflectance."
    )


class Checks(Section):
    """Thresholds of the checks on every scan."""

    saturated_share: Annotated[float, Field(ge=0, le=1)] = Field(
        0.0, description="Share of pixels at full scale that is still tolerated."
    )
    low_signal_to_noise: NotNegative = Field(
        20.0,
        description="Median signal-to-noise of a leaf at 550-750 nm below which it is a fault.",
    )
    replicate_distance: Positive = Field(
        4.5, description="Robust distance (z) from the other scans of the same leaf position."
    )
    lamp_lines: bool = Field(
        True, description="Whether to look for lines of room lamps that leaked into the clip."
    )
    ambient_share: Positive = Field(
        0.005,
        description="Largest share of the white that an `ambient` scan (lamp off, leaf in the "
        "clip) may show, and that lines of room lamps may add to a leaf or a white. Less is a "
        "fault in a leaf if it moves an index in use by more than its uncertainty.",
    )
    reference_drift: Positive = Field(0.03, description="Relative change of the white signal.")


class FoundRange(Section):
    """The trusted range, found from the white references."""

    signal_to_noise: Positive = Field(
        200.0, description="Signal-to-noise of the white that the worst session must still reach."
    )
    margin_nm: NotNegative = Field(5.0, description="Width taken off at both ends.")


class StatedRange(Section):
    """The trusted range, set by hand."""

    start_nm: Positive = Field(description="First wavelength.")
    stop_nm: Positive = Field(description="Last wavelength.")


Severity = Literal["error", "warning"]


class Severities(Section):
    """What a broken expectation does: `error` stops the run, `warning` is reported."""

    scans: Severity = Field("error", description="Of the raw scans.")
    reflectance: Severity = Field("error", description="Of the reflectance.")
    indices: Severity = Field("warning", description="Of the index values.")


class Quality(Section):
    """Checks, the trusted range, and what is done with a flagged scan."""

    checks: Checks = Checks()
    range: FoundRange | StatedRange = Field(
        FoundRange(), description="The wavelengths that results may use, found or stated."
    )
    apply: Literal["none", "faults", "faults_and_outliers"] = Field(
        "faults",
        description="Which flagged scans leave the analysis where no person has decided.",
    )
    severity: Severities = Severities()
