"""The study definition: what ``study.yaml`` may say, section by section.

Every value arrives as the text that was typed and gets its type here. The JSON schema published
as ``config/study.schema.json`` is made from these models.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

ID_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"
ID_WORDS = "letters, digits, _ and -, beginning with a letter or digit, at most 64"
LABEL_PATTERN = r"^[^\x00-\x1f\x7f-\x9f]{1,64}$"
LABEL_WORDS = "printable text, at most 64 characters"

Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
Label = Annotated[str, StringConstraints(pattern=LABEL_PATTERN)]
ColumnName = Annotated[str, StringConstraints(pattern=LABEL_PATTERN)]
Text = Annotated[str, StringConstraints(max_length=2000)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Fraction = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]


def _nothing(value: Any) -> Any:
    return None if isinstance(value, str) and value.strip() in {"", "none", "null", "~"} else value


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
    control: Annotated[Label | None, BeforeValidator(_nothing)] = Field(
        None, description="The level of the treatment column that the others are compared with."
    )
    block: Annotated[ColumnName | None, BeforeValidator(_nothing)] = Field(
        None, description="Column that holds the block, if the layout was in blocks."
    )
    factors: Annotated[list[ColumnName], BeforeValidator(_one_or_many)] = Field(
        [], description="Further columns used in effects or classes, such as cultivar."
    )
    sessions: list[Session] = Field(
        [],
        max_length=1000,
        description="In the order of measuring; left out: one session called `all`.",
    )


class Form(Section):
    """How the raw files of a session are written."""

    form: Literal["text", "wide_table", "jcamp_dx", "parquet"] = "text"
    quantity: Literal["counts", "reflectance", "percent"] = "counts"
    wavelength_column: str = Field("1", description="Number (from 1) or name; form text.")
    value_column: str = Field("2", description="Number (from 1) or name; form text.")
    decimal: Literal["auto", "point", "comma"] = "auto"
    delimiter: Literal["auto", "tab", "comma", "semicolon", "space"] = "auto"
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1"] = "auto"
    scan_column: Annotated[ColumnName | None, BeforeValidator(_nothing)] = Field(
        None, description="Column that names the scan of a row; forms wide_table and parquet."
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


class Panel(Section):
    """Reflectance factor of the white reference panel."""

    reflectance: Annotated[float, Field(gt=0, le=1.2)] = 1.0
    u_relative: NotNegative = Field(0.0, description="Relative standard uncertainty (k = 1).")


class Instrument(Section):
    """What is known of the spectrometer and its white reference."""

    full_scale_counts: Annotated[Positive | None, BeforeValidator(_nothing)] = None
    gain_electrons_per_count: Literal["estimate"] | Positive = "estimate"
    read_noise_counts: Literal["estimate"] | NotNegative = "estimate"
    linearity: Annotated[Linearity | None, BeforeValidator(_nothing)] = None
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


class Reflectance(Section):
    """From counts to reflectance."""

    grid: Literal["auto", "native"] | Grid = Field(
        "auto",
        description="`native`: as the file has it; `auto`: native, but 1 nm where finer than that.",
    )
    references: Literal["bracket", "nearest", "mean"] = "bracket"
    dark: Literal["per_integration_time", "scaled"] = "per_integration_time"
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


class Effects(Section):
    """Tests of the treatment on the indices; `n` counts units."""

    primary: Annotated[Primary | None, BeforeValidator(_nothing)] = None
    alpha: Fraction = 0.05
    interval: Fraction = 0.95
    methods: list[
        Literal["paired_t", "signed_rank", "sign_flip", "welch_t", "label_permutation"]
    ] = ["paired_t", "signed_rank", "welch_t"]
    margin: dict[Id, Positive] = Field(
        {}, description="Largest change that does not matter, by index, in the index's unit."
    )
    n_draws: Annotated[int, Field(ge=99, le=1_000_000)] = 9999
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1


class Folds(Section):
    """Folds of the outer loop; the inner loop uses the remaining outer folds."""

    outer: Annotated[int, Field(ge=2, le=50)] = 6
    repeats: Annotated[int, Field(ge=1, le=100)] = 10


class Classes(Section):
    """Training and honest validation of the discriminant classifier."""

    target: ColumnName
    sessions: Literal["all", "before", "after"] | list[Id] = "after"
    split: Literal["unit", "block"] = Field(
        "unit", description="What is never on both sides of a split."
    )
    max_components: Annotated[int, Field(ge=1, le=50)] = 15
    preprocessing: list[Literal["none", "standard_normal_variate"]] = ["none"]
    folds: Folds = Folds()
    n_permutations: Annotated[int, Field(ge=0, le=99_999)] = 999
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1


class Report(Section):
    """The page and the figures."""

    language: Literal["en"] = "en"
    figures: Annotated[list[Literal["svg", "png"]], BeforeValidator(_one_or_many)] = ["svg", "png"]


class Tracking(Section):
    """How much the ledger may keep."""

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
