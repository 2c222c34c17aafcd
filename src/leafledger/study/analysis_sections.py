"""What ``study.yaml`` may say of indices, effects and classes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, StringConstraints

from leafledger.study.field_types import (
    ColumnName,
    Fraction,
    Id,
    Label,
    Positive,
    Section,
    nothing,
    one_or_many,
)


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
    preprocessing: Annotated[
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
    ] = Field(
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
