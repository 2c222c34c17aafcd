"""The study definition: what ``study.yaml`` may say, section by section.

Every value arrives as the text that was typed and gets its type here. The JSON schema published
as ``config/study.schema.json`` is made from these models.
"""

from __future__ import annotations

import datetime as dt
import json
import sys
import types
import typing
from collections.abc import Collection
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)
from pydantic_core import PydanticCustomError

from leafledger.study.table_files import write_text

# Types of the values in ``study.yaml``, and what all its sections share.
# ----------------------------------------------------------------------

ID_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"
ID_WORDS = "letters, digits, _ and -, beginning with a letter or digit, at most 64"
LABEL_PATTERN = r"^[^\x00-\x1f\x7f-\x9f]{1,64}$"
LABEL_WORDS = "printable text, at most 64 characters"
NOTE_PATTERN = r"^[^\x00-\x1f\x7f-\x9f]{1,500}$"
NOTE_WORDS = "printable text, at most 500 characters"
Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
Label = Annotated[str, StringConstraints(pattern=LABEL_PATTERN)]
ColumnName = Annotated[str, StringConstraints(pattern=LABEL_PATTERN)]
Text = Annotated[str, StringConstraints(max_length=2000)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Fraction = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]


NOTHING_WORDS = frozenset({"none", "null", "~"})
"""What may be typed for nothing at all; quoted or not, the text is the same."""


def nothing(value: Any) -> Any:
    """Read an empty value and the words for nothing as no value."""
    empty = isinstance(value, str) and value.strip() in {"", *NOTHING_WORDS}
    return None if empty else value


def blank(value: Any) -> Any:
    """Keep words such as `none`: they may be the label of a treatment."""
    return None if isinstance(value, str) and not value.strip() else value


def one_line(value: Any) -> Any:
    """Read a text that may run over several lines as one line; an empty one is no value.

    Characters that are not printable, which may steer a terminal or turn text around, are left out.
    """
    if not isinstance(value, str):
        return value
    return nothing("".join(c for c in " ".join(value.split()) if c.isprintable()))


def one_or_many(value: Any) -> Any:
    """Let a list of one be written without brackets."""
    return [value] if isinstance(value, str | dict) else value


def each_once(names: list[str]) -> list[str]:
    """Refuse a name that stands twice in a list."""
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        quoted_names = ", ".join(f'"{name}"' for name in twice)
        raise PydanticCustomError(
            "named_twice", "each name once, not {said} twice", {"said": quoted_names}
        )
    return names


class Section(BaseModel):
    """A part of ``study.yaml``; a key that it does not know is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


# What ``study.yaml`` may say of raw files, instrument, reflectance and quality.
# ----------------------------------------------------------------------


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


# What ``study.yaml`` may say of indices, effects and classes.
# ----------------------------------------------------------------------


class UserFormula(Section):
    """An index of the user's own."""

    index: Id = Field(description="Its name in tables and figures.")
    formula: Annotated[str, StringConstraints(min_length=1, max_length=500)] = Field(
        description="In the language of the page on indices: `R(705)` is the reflectance at 705 nm."
    )
    unit: Annotated[str, StringConstraints(max_length=32)] = Field(
        "1", description="Its unit; 1 for a ratio."
    )
    source: Annotated[str, StringConstraints(max_length=300)] = Field(
        "user formula", description="Where the formula comes from."
    )


class BandMean(Section):
    """Bands averaged over a width instead of read at one wavelength."""

    mean_over_nm: Annotated[float, Field(gt=0, le=100)] = Field(
        description="Width over which every single wavelength is averaged."
    )


DEFAULT_INDICES = (
    "NDVI",
    "PRI",
    "CI_rededge",
    "ND705",
    "MTCI",
    "REP_linear",
    "CI_green",
    "ARI1",
    "CRI1",
    "PSRI",
    "SIPI",
    "WI",
)


class Indices(Section):
    """Which index of the catalogue, and which of the user's own, to compute."""

    use: Annotated[list[Id], BeforeValidator(one_or_many)] = Field(
        list(DEFAULT_INDICES), description="Names of the catalogue, or `all`."
    )
    band_read: Literal["interpolate"] | BandMean = Field(
        "interpolate", description="How a band of a formula is read from the spectrum."
    )
    formulas: list[UserFormula] = Field([], description="Indices of your own.")


PrimaryMethod = Literal[
    "paired_t",
    "signed_rank",
    "sign_flip",
    "linear_model",
    "linear_model_equal",
    "welch_t",
    "label_permutation",
    "ancova",
    "tost",
]


class Primary(Section):
    """The one effect that is asked about before all others."""

    index: Id = Field(description="The index.")
    question: Literal["change", "difference_in_change", "difference", "equivalence"] = Field(
        "difference_in_change",
        description="The change under treatment; how it differs from that of the control "
        "(`difference` where no session lies before; either word serves); or equivalence within "
        "the margin.",
    )
    session: Id | None = Field(
        None, description="The after-session; left out, the last one of the study."
    )
    method: PrimaryMethod | None = Field(
        None,
        description="Its test; left out, the first of `methods` that answers the question, in the "
        "order of the page on the method: the linear model between treatments, the paired t test "
        "for a change.",
    )


Method = Literal[
    "paired_t",
    "signed_rank",
    "sign_flip",
    "linear_model",
    "linear_model_equal",
    "welch_t",
    "label_permutation",
    "ancova",
    "summary_mean",
    "summary_slope",
    "summary_area",
    "mixed_model",
    "mixed_model_slope",
    "mixed_model_unstructured",
]
DEFAULT_METHODS: tuple[Method, ...] = (
    "paired_t",
    "signed_rank",
    "linear_model",
    "linear_model_equal",
    "welch_t",
    "summary_mean",
    "summary_slope",
    "summary_area",
    "mixed_model",
    "mixed_model_unstructured",
)


Pair = Annotated[list[Label], Field(min_length=2, max_length=2)]
"""A treatment, and the one that it is compared with."""


class Effects(Section):
    """Tests of the treatment on the indices; `n` counts units."""

    primary: Annotated[Primary | None, BeforeValidator(nothing)] = Field(
        None,
        description="The one effect to be planned before measuring; left out, every effect is "
        "exploratory. `leafledger plan record` puts it on record.",
    )
    alpha: Fraction = Field(0.05, description="Level with which a (adjusted) p is compared.")
    interval: Fraction = Field(0.95, description="Level of the intervals.")
    methods: list[Method] = Field(
        list(DEFAULT_METHODS), description="The tests; the page on the method explains each."
    )
    margin: dict[Id, Positive] = Field(
        {},
        description="Smallest difference that would matter, by index, in its unit; equivalence is "
        "claimed when two one-sided tests, adjusted within their family, show that it is smaller.",
    )
    covariates: Annotated[list[ColumnName], BeforeValidator(one_or_many)] = Field(
        [],
        description="Columns of units.csv that stand in the linear model beside the block, as "
        "factors.",
    )
    compare: Literal["control", "all"] | list[Pair] = Field(
        "control",
        description="Which treatments are compared: each with the control, all pairs, or the pairs "
        "listed, such as `[[chelate, sulphate]]` (the second one is the reference).",
    )
    crossed: Annotated[ColumnName | None, BeforeValidator(nothing)] = Field(
        None,
        description="A factor that the treatment is crossed with: main effects and interaction are "
        "tested, each at its own level of the layout.",
    )
    strata: Annotated[ColumnName | None, BeforeValidator(nothing)] = Field(
        None,
        description="A factor of the design: the difference in change also within each of its "
        "levels, and whether it differs between them.",
    )
    n_draws: Annotated[int, Field(ge=99, le=1_000_000)] = Field(
        9999, description="Draws of a permutation that is too large to be enumerated."
    )
    seed: Annotated[int, Field(ge=0, lt=2**32)] = Field(1, description="Start of the draws.")
    responses: Annotated[
        list[ColumnName], BeforeValidator(one_or_many), AfterValidator(each_once)
    ] = Field(
        [],
        max_length=20,
        description="Targets of `traits` whose estimates are tested like an index, in a family of "
        "their own, with the uncertainty of the calibration in the interval.",
    )


Preprocessings = Annotated[
    list[
        Literal[
            "auto",
            "none",
            "standard_normal_variate",
            "multiplicative_scatter",
            "derivative_1",
            "derivative_2",
            "detrend",
            "autoscale",
        ]
    ],
    BeforeValidator(one_or_many),
    Field(min_length=1),
]
"""What the inner loop of a latent-variable model chooses among."""


class Folds(Section):
    """Folds of the outer loop; from five on, the inner loop uses the remaining outer folds."""

    outer: Literal["auto"] | Annotated[int, Field(ge=2, le=50)] = Field(
        "auto",
        description="Parts that are held out in turn; `auto`: as many as the median class has "
        "units, 3 to 10.",
    )
    repeats: Literal["auto"] | Annotated[int, Field(ge=1, le=100)] = Field(
        "auto",
        description="How often the parts are dealt out anew; `auto`: 10, of many units fewer, at "
        "least 3.",
    )


class FixedSplit(Section):
    """A split that the study fixes."""

    column: ColumnName = Field(description="Column of units.csv that says `train` or `test`.")


class Classes(Section):
    """Training and honest validation of the discriminant classifier."""

    target: ColumnName = Field(
        description="Column to tell: the treatment, the block, a factor, or a column of the scan "
        "sheet, whose labels may change from session to session (stage of a disease)."
    )
    sessions: Literal["all", "before", "after"] | list[Id] = Field(
        "after", description="Sessions whose scans take part."
    )
    split: Literal["unit", "block", "session", "leave_one_unit_out"] | FixedSplit = Field(
        "unit",
        description="What is held out together; no unit is ever on both sides. `session`: train "
        "on earlier sessions, judge later ones; `{column: set}`: as that column says.",
    )
    max_components: Literal["auto"] | Annotated[int, Field(ge=1, le=50)] = Field(
        "auto",
        description="Largest number of latent variables that is tried; `auto`: more while the "
        "error still falls, up to 40 or what the smallest training part carries.",
    )
    preprocessing: Preprocessings = Field(
        ["auto"],
        description="What the inner loop chooses among; `auto`: none, standard_normal_variate and, "
        "where the wavelengths allow it, derivative_1.",
    )
    decision: Literal["auto", "largest_membership", "linear_discriminant"] = Field(
        "auto",
        description="The class with the largest predicted membership, or the likeliest one of a "
        "linear discriminant on the scores; `auto`: the inner loop chooses.",
    )
    weights: Literal["equal", "balanced"] = Field(
        "equal",
        description="`balanced`: every class counts alike, whatever its number of scans.",
    )
    margin: Annotated[float, Field(gt=0, lt=1)] = Field(
        0.05,
        description="Share of accuracy that a rival may lie behind the classifier and still be "
        "called as good; also the gap to held-out sessions that is warned of.",
    )
    folds: Folds = Folds()
    n_permutations: Annotated[int, Field(ge=0, le=99_999)] = Field(
        999, description="Draws of the permutation test; 0 for none."
    )
    seed: Annotated[int, Field(ge=0, lt=2**32)] = Field(
        1, description="Start of folds, permutations and resamples."
    )


# What ``study.yaml`` may say of design, pigments, traits, report, tracking and variants.
# ----------------------------------------------------------------------

TRACKING_PATTERN = (
    r"^https?://(localhost|127\.0\.0\.1|\[::1\])(:[0-9]{1,5})?(/[A-Za-z0-9._~/-]{0,200})?$"
)
TRACKING_WORDS = (
    "a server on this machine such as http://127.0.0.1:5000, without name or password; another "
    "machine is named in the environment variable LEAFLEDGER_TRACKING_URI only, so that nobody's "
    "study can send data away"
)


FieldNote = Annotated[
    Annotated[str, StringConstraints(pattern=NOTE_PATTERN)] | None, BeforeValidator(one_line)
]
"""What a person notes on one line; ``None`` if nothing is."""


class Session(Section):
    """One day (or other occasion) of measuring."""

    session: Id = Field(description="Name of the session in scans.csv and in file names.")
    date: dt.date | None = Field(
        None, description="Day of measuring, such as 2026-05-04; without it slopes are per session."
    )
    phase: Literal["before", "after"] = Field(
        "after", description="Before or after the treatment; several `before` are averaged."
    )
    skipped: FieldNote = Field(
        None,
        description="Why the session was never measured and will not be; contrasts that need it "
        "are stated as not answered, with this reason.",
    )
    weather: FieldNote = Field(
        None, description="Weather of the day, for the methods; nothing is computed of it."
    )
    light: FieldNote = Field(
        None,
        description="Light in which the plants stood or were measured, for the methods; nothing is "
        "computed of it.",
    )


class Design(Section):
    """Which units were treated how, and when they were measured."""

    unit: Annotated[Label | None, BeforeValidator(nothing)] = Field(
        "plant", description="Word for the experimental unit in sentences; `none` if not known."
    )
    treatment: ColumnName = Field("treatment", description="Column that holds the treatment.")
    control: Annotated[Label | None, BeforeValidator(blank)] = Field(
        None,
        description="The level of the treatment column that the others are compared with; `none` "
        "is that level if there is one of this name, else no control.",
    )
    levels: Annotated[list[Label], BeforeValidator(one_or_many)] = Field(
        [],
        max_length=1000,
        description="All levels of the treatment, for `check` to refuse any other; left out: the "
        "levels are those of the units, and two that differ by a slip of the pen are refused.",
    )
    distinct: Annotated[list[Label], BeforeValidator(one_or_many)] = Field(
        [],
        max_length=1000,
        description="Labels of the block, the whole plot or the factors that read alike and are "
        "all meant, such as two cultivars that differ by a letter.",
    )
    block: Annotated[ColumnName | None, BeforeValidator(nothing)] = Field(
        None, description="Column that holds the block, if the layout was in blocks."
    )
    whole_plot: Annotated[ColumnName | None, BeforeValidator(nothing)] = Field(
        None,
        description="Column that holds the tray, bench or plot that units stand in, if it was "
        "treated or laid out as a whole. If each bears one treatment it is what n counts; else "
        "it is the block.",
    )
    factors: Annotated[list[ColumnName], BeforeValidator(one_or_many)] = Field(
        [], description="Further columns used in effects or classes, such as cultivar."
    )
    doses: dict[Label, NotNegative] = Field(
        {},
        description="Amount of each treatment level, for a dose-response trend; left out: the "
        "levels themselves where all of them are numbers.",
    )
    sessions: list[Session] = Field(
        [],
        max_length=1000,
        description="In the order of measuring; left out: one session called `all`.",
    )


def without_a_word_for_nothing(design: Design, levels: Collection[str]) -> Design:
    """Return the design with no control where a word such as `none` names no level.

    Parameters
    ----------
    design
        As read; its control is the text that was typed.
    levels
        Levels of the treatment column.
    """
    if design.control in NOTHING_WORDS and design.control not in levels:
        return design.model_copy(update={"control": None})
    return design


class Pigments(Section):
    """Calibration of an index to the assays of `assays.csv`; without that sheet it does nothing."""

    index: Annotated[Id | None, BeforeValidator(nothing)] = Field(
        None,
        description="The index that estimates contents; left out, the one that best predicts the "
        "units left out, with an error that counts the choice.",
    )
    interval: Fraction = Field(0.95, description="Level of the intervals of estimated contents.")


class LeafModel(Section):
    """Contents of every leaf by inversion of a model of light in leaves, without an assay."""

    coefficients: TableFile = Field(
        description="CSV of the study folder with the coefficients of the leaf model, which "
        "leafledger does not bring along: wavelength_nm, refractive_index, chlorophyll and further "
        "constituents.",
    )
    brown_pigments: bool = Field(
        False, description="Whether brown pigments are fitted, for leaves that die."
    )
    interval: Fraction = Field(0.95, description="Level of the intervals.")


class TraitFolds(Section):
    """Folds of the outer loop of trait models; units are held out whole."""

    outer: Literal["auto"] | Annotated[int, Field(ge=3, le=100)] = Field(
        "auto",
        description="Parts that are held out in turn; `auto`: every unit by itself up to 30 units, "
        "else 10 parts.",
    )
    repeats: Literal["auto"] | Annotated[int, Field(ge=1, le=50)] = Field(
        "auto",
        description="How often the parts are dealt out anew; `auto`: 3, and 1 where every unit is "
        "held out by itself.",
    )


class Traits(Section):
    """Models that estimate a trait from the whole spectrum, and contents by a leaf model."""

    targets: Annotated[
        list[ColumnName], BeforeValidator(one_or_many), AfterValidator(each_once)
    ] = Field(
        [],
        max_length=20,
        description="What is estimated: quantities of assays.csv such as `chlorophyll`, or columns "
        "of numbers of units.csv or scans.csv.",
    )
    preprocessing: Preprocessings = Field(
        ["auto"], description="What the inner loop chooses among; as classes.preprocessing."
    )
    max_components: Literal["auto"] | Annotated[int, Field(ge=1, le=50)] = Field(
        "auto",
        description="Largest number of latent variables that is tried; `auto`: more while the "
        "error still falls, up to 20 or a third of the units that train.",
    )
    folds: TraitFolds = TraitFolds()
    interval: Fraction = Field(0.95, description="Level of the intervals of estimated traits.")
    n_permutations: Annotated[int, Field(ge=0, le=99_999)] = Field(
        199, description="Draws of the permutation test; 0 for none."
    )
    seed: Annotated[int, Field(ge=0, lt=2**32)] = Field(
        1, description="Start of folds and permutations."
    )
    leaf_model: Annotated[LeafModel | None, BeforeValidator(nothing)] = Field(
        None, description="Contents by inversion of a leaf model; `none` or left out: not done."
    )

    @model_validator(mode="after")
    def _something_is_asked(self) -> Traits:
        """Refuse a section that asks for nothing."""
        if not self.targets and self.leaf_model is None:
            raise PydanticCustomError(
                "nothing_asked", "targets to estimate or a leaf_model; without both leave it out"
            )
        return self


class Report(Section):
    """The page and the figures."""

    @model_validator(mode="before")
    @classmethod
    def _without_language(cls, stated: object) -> object:
        """Pass over ``language: en`` of older studies: there is one language, and no choice."""
        if isinstance(stated, dict) and stated.get("language") == "en":
            return {key: value for key, value in stated.items() if key != "language"}
        return stated

    figures: Annotated[list[Literal["svg", "png"]], BeforeValidator(one_or_many)] = Field(
        ["svg", "png"], description="In which forms figures are written."
    )


class Tracking(Section):
    """How much the ledger may keep, and where its copy in MLflow goes."""

    uri: Annotated[
        Annotated[str, StringConstraints(pattern=TRACKING_PATTERN)] | None,
        BeforeValidator(nothing),
    ] = Field(
        None,
        description="Address of an MLflow server on this machine; `none` keeps the store in the "
        "study. A server elsewhere is named by LEAFLEDGER_TRACKING_URI only.",
    )
    store_gb: Annotated[float, Field(ge=0, le=10_000)] = Field(
        2.0, description="Space for results of earlier settings, so that going back is quick."
    )


Overrides = dict[str, Any]
"""Some keys of a section; what they hold is checked once they are laid over the study's own."""


class Variant(Section):
    """The same study under other settings: only what differs is said.

    A section or mapping is merged key by key into the study's own; any other value replaces it.
    """

    intake: Overrides = Field({}, description="Keys of `intake` that differ.")
    instrument: Overrides = Field({}, description="Keys of `instrument` that differ.")
    reflectance: Overrides = Field({}, description="Keys of `reflectance` that differ.")
    quality: Overrides = Field({}, description="Keys of `quality` that differ.")
    indices: Overrides = Field({}, description="Keys of `indices` that differ.")
    effects: Overrides = Field({}, description="Keys of `effects` that differ.")
    classes: Annotated[Overrides | None, BeforeValidator(nothing)] = Field(
        {}, description="Keys of `classes` that differ; `none`: without a classifier."
    )


class Definition(Section):
    """A whole ``study.yaml``."""

    version: Literal["1"] = Field("1", description="Version of this form of study file.")
    title: Annotated[str, StringConstraints(min_length=1, max_length=300)] = Field(
        description="What the study is called; shown in the report."
    )
    question: Text = Field("", description="What is asked of the data; shown in the report.")
    design: Design = Design()
    intake: Intake = Intake()
    instrument: Instrument = Instrument()
    reflectance: Reflectance = Reflectance()
    quality: Quality = Quality()
    indices: Indices = Indices()
    effects: Effects = Effects()
    classes: Annotated[Classes | None, BeforeValidator(nothing)] = None
    pigments: Pigments = Pigments()
    traits: Annotated[Traits | None, BeforeValidator(nothing)] = None
    report: Report = Report()
    tracking: Tracking = Tracking()
    variants: dict[Id, Variant] = Field(
        {},
        max_length=50,
        description="Named alternative settings, run by `leafledger run --variants`; no result of "
        "the study itself depends on them.",
    )


# Which sections may stand in a place of ``study.yaml``, read from the models.
# ----------------------------------------------------------------------

_AROUND = (typing.Union, types.UnionType, list, dict, typing.Annotated)


def sections_in(annotation: Any) -> list[type[BaseModel]]:
    """Return every section that a field's annotation names, one for each form it may take."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if typing.get_origin(annotation) in _AROUND:
        return [model for part in typing.get_args(annotation) for model in sections_in(part)]
    return []


# The published JSON schema of ``study.yaml``: ``python -m leafledger.study.definition FILE``.
# ----------------------------------------------------------------------


def schema_text() -> str:
    """Return the schema as it is published under ``config/study.schema.json``."""
    schema = Definition.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    write_text(Path(sys.argv[1]).resolve(), schema_text())
