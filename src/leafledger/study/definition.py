"""The study definition: what ``study.yaml`` may say, section by section.

Every value arrives as the text that was typed and gets its type here. The JSON schema published
as ``config/study.schema.json`` is made from these models.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

ID_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"
ID_WORDS = "letters, digits, _ and -, beginning with a letter or digit, at most 64"
LABEL_PATTERN = r"^[^\x00-\x1f\x7f-\x9f]{1,64}$"
LABEL_WORDS = "printable text, at most 64 characters"
TRACKING_PATTERN = (
    r"^https?://(localhost|127\.0\.0\.1|\[::1\])(:[0-9]{1,5})?(/[A-Za-z0-9._~/-]{0,200})?$"
)
TRACKING_WORDS = (
    "a server on this machine such as http://127.0.0.1:5000, without name or password; another "
    "machine is named in the environment variable LEAFLEDGER_TRACKING_URI only, so that nobody's "
    "study can send data away"
)

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


def _nothing(value: Any) -> Any:
    empty = isinstance(value, str) and value.strip() in {"", *NOTHING_WORDS}
    return None if empty else value


def _blank(value: Any) -> Any:
    """Keep words such as `none`: they may be the label of a treatment."""
    return None if isinstance(value, str) and not value.strip() else value


def _one_or_many(value: Any) -> Any:
    return [value] if isinstance(value, str | dict) else value


class Section(BaseModel):
    """A part of ``study.yaml``; a key that it does not know is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Session(Section):
    """One day (or other occasion) of measuring."""

    session: Id
    date: dt.date | None = None
    phase: Literal["before", "after"] = "after"


class Design(Section):
    """Which units were treated how, and when they were measured."""

    unit: Annotated[Label | None, BeforeValidator(_nothing)] = Field(
        "plant", description="Word for the experimental unit in sentences; `none` if not known."
    )
    treatment: ColumnName = Field("treatment", description="Column that holds the treatment.")
    control: Annotated[Label | None, BeforeValidator(_blank)] = Field(
        None,
        description="The level of the treatment column that the others are compared with; `none` "
        "is that level if there is one of this name, else no control.",
    )
    block: Annotated[ColumnName | None, BeforeValidator(_nothing)] = Field(
        None, description="Column that holds the block, if the layout was in blocks."
    )
    factors: Annotated[list[ColumnName], BeforeValidator(_one_or_many)] = Field(
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
    scan_column: Annotated[ColumnName | None, BeforeValidator(_nothing)] = Field(
        None,
        description="Column that names the scan of a row; forms wide_table, parquet and, with "
        "`scans_in: rows`, spreadsheet.",
    )
    scans_in: Literal["sheets", "rows"] = Field(
        "sheets",
        description="Form spreadsheet: a scan in each sheet (a file of one sheet is one scan), or "
        "in each row of a wide table.",
    )
    sheet: Annotated[Label | None, BeforeValidator(_nothing)] = Field(
        None,
        description="Form spreadsheet: the sheet to read in each file; left out, the sheets that "
        "the items of the scan sheet name, or the only one.",
    )
    pixel_coefficients: Annotated[
        Annotated[list[Finite], Field(min_length=2, max_length=6)] | None,
        BeforeValidator(_nothing),
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
    items = _one_or_many(value)
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

    full_scale_counts: Annotated[Positive | None, BeforeValidator(_nothing)] = None
    gain_electrons_per_count: Literal["estimate"] | Positive = "estimate"
    read_noise_counts: Literal["estimate"] | NotNegative = "estimate"
    linearity: Annotated[Linearity | Literal["estimate"] | None, BeforeValidator(_nothing)] = Field(
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
    stray_light: Annotated[StrayShare | StrayRegion | None, BeforeValidator(_nothing)] = None
    smoothing: Annotated[Smoothing | None, BeforeValidator(_nothing)] = None


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


class UserFormula(Section):
    """An index of the user's own."""

    index: Id
    formula: Annotated[str, StringConstraints(min_length=1, max_length=500)]
    unit: Annotated[str, StringConstraints(max_length=32)] = "1"
    source: Annotated[str, StringConstraints(max_length=300)] = "user formula"


class BandMean(Section):
    """Bands averaged over a width instead of read at one wavelength."""

    mean_over_nm: Annotated[float, Field(gt=0, le=100)]


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

    use: Annotated[list[Id], BeforeValidator(_one_or_many)] = list(DEFAULT_INDICES)
    band_read: Literal["interpolate"] | BandMean = "interpolate"
    formulas: list[UserFormula] = []


class Primary(Section):
    """The one effect named before the data were seen."""

    index: Id
    question: Literal["change", "difference_in_change"] = "difference_in_change"
    session: Id | None = None


Method = Literal[
    "paired_t",
    "signed_rank",
    "sign_flip",
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
    "welch_t",
    "ancova",
    "summary_mean",
    "summary_slope",
    "summary_area",
    "mixed_model",
    "mixed_model_unstructured",
)


class Effects(Section):
    """Tests of the treatment on the indices; `n` counts units."""

    primary: Annotated[Primary | None, BeforeValidator(_nothing)] = None
    alpha: Fraction = 0.05
    interval: Fraction = 0.95
    methods: list[Method] = list(DEFAULT_METHODS)
    margin: dict[Id, Positive] = Field(
        {},
        description="Smallest difference in change that would matter, by index, in its unit; "
        "equivalence is claimed when the interval lies inside.",
    )
    strata: Annotated[ColumnName | None, BeforeValidator(_nothing)] = Field(
        None,
        description="A factor of the design: the difference in change also within each of its "
        "levels, and whether it differs between them.",
    )
    n_draws: Annotated[int, Field(ge=99, le=1_000_000)] = 9999
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1


class Folds(Section):
    """Folds of the outer loop; the inner loop uses the remaining outer folds."""

    outer: Annotated[int, Field(ge=2, le=50)] = 6
    repeats: Annotated[int, Field(ge=1, le=100)] = 10


class FixedSplit(Section):
    """A split that the study fixes."""

    column: ColumnName = Field(description="Column of units.csv that says `train` or `test`.")


class Classes(Section):
    """Training and honest validation of the discriminant classifier."""

    target: ColumnName
    sessions: Literal["all", "before", "after"] | list[Id] = "after"
    split: Literal["unit", "block", "session", "leave_one_unit_out"] | FixedSplit = Field(
        "unit",
        description="What is held out together; no unit is ever on both sides. `session`: train "
        "on earlier sessions, judge later ones; `{column: set}`: as that column says.",
    )
    max_components: Annotated[int, Field(ge=1, le=50)] = 15
    preprocessing: Annotated[
        list[
            Literal[
                "none",
                "standard_normal_variate",
                "multiplicative_scatter",
                "derivative_1",
                "derivative_2",
                "detrend",
                "autoscale",
            ]
        ],
        BeforeValidator(_one_or_many),
        Field(min_length=1),
    ] = ["none"]
    decision: Literal["largest_membership", "linear_discriminant"] = Field(
        "largest_membership",
        description="The class with the largest predicted membership, or the likeliest one of a "
        "linear discriminant on the scores.",
    )
    weights: Literal["equal", "balanced"] = Field(
        "equal",
        description="`balanced`: every class counts alike, whatever its number of scans.",
    )
    folds: Folds = Folds()
    n_permutations: Annotated[int, Field(ge=0, le=99_999)] = 999
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1


class Report(Section):
    """The page and the figures."""

    language: Literal["en"] = "en"
    figures: Annotated[list[Literal["svg", "png"]], BeforeValidator(_one_or_many)] = ["svg", "png"]


class Tracking(Section):
    """How much the ledger may keep, and where its copy in MLflow goes."""

    uri: Annotated[
        Annotated[str, StringConstraints(pattern=TRACKING_PATTERN)] | None,
        BeforeValidator(_nothing),
    ] = Field(
        None,
        description="Address of an MLflow server on this machine; `none` keeps the store in the "
        "study. A server elsewhere is named by LEAFLEDGER_TRACKING_URI only.",
    )
    store_gb: Annotated[float, Field(ge=0, le=10_000)] = Field(
        2.0, description="Space for results of earlier settings, so that going back is quick."
    )


class Definition(Section):
    """A whole ``study.yaml``."""

    version: Literal["1"] = "1"
    title: Annotated[str, StringConstraints(min_length=1, max_length=300)]
    question: Text = ""
    design: Design = Design()
    intake: Intake = Intake()
    instrument: Instrument = Instrument()
    reflectance: Reflectance = Reflectance()
    quality: Quality = Quality()
    indices: Indices = Indices()
    effects: Effects = Effects()
    classes: Annotated[Classes | None, BeforeValidator(_nothing)] = None
    report: Report = Report()
    tracking: Tracking = Tracking()
