"""How is a result declared: its path, its key, and its columns with dtype, unit and meaning?

:mod:`leafledger.study.tables` declares every result with what stands here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Literal

Dtype = Literal["text", "number", "whole number", "true or false", "date and time", "spectrum"]

OF_UNIT: Final = "{unit}"
"""Unit that the row states in its own column ``unit``."""
OF_INDEX: Final = "{index}"
"""Unit of the index that the row names."""
OF_VALUE: Final = "{unit_of_value}"
"""Unit that the row states in its column ``unit_of_value``, beside the experimental unit."""
OF_SESSION: Final = "{session}"
BY_ROW: Final = {
    OF_UNIT: "as in column unit",
    f"square of {OF_UNIT}": "square of column unit",
    OF_INDEX: "unit of the index",
    OF_VALUE: "as in column unit_of_value",
}


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    name, meaning
        As it stands in the heading, and in words.
    unit
        ``1`` for a plain number, empty for text, flags and times; :data:`OF_UNIT` or
        :data:`OF_INDEX` where it depends on the row.
    dtype
        What its cells hold; a spectrum is a number for every wavelength of the table.
    optional
        Written only if the study asks for the correction or states the uncertainty.
    """

    name: str
    meaning: str
    unit: str = "1"
    dtype: Dtype = "number"
    optional: bool = False


text = partial(Column, unit="", dtype="text")
flag = partial(Column, unit="", dtype="true or false")
time = partial(Column, unit="", dtype="date and time")
number = partial(Column, dtype="number")
whole = partial(Column, dtype="whole number")
spectrum = partial(Column, dtype="spectrum")


@dataclass(frozen=True)
class Result:
    """A file that a rule leaves behind: a table with columns, or a document without.

    Attributes
    ----------
    name
        Unique; of a table also its kind, such as ``effects``.
    path
        Below ``results/``; ``{session}`` stands for a session, a final ``/`` for a folder.
    rule
        Rule that writes it; ``variants`` and ``plan_history`` are made of the book of runs.
    about
        What it holds, in one sentence.
    columns
        In order, spectra last.
    key
        Columns that name a row: no two rows share them.
    role
        Name of the file among the outputs of its rule.
    shown
        Parts of the page whose statements are read from it.
    sheet
        Name of its sheet in the workbook, empty for none.
    place
        Where the sheet stands: lower numbers first, results before what they rest on. Sheets
        without a place of their own come last, in the order of declaration.
    saved
        Part of the page that offers it for saving, empty if none does.
    note
        What a reader of the reference should know besides.
    per_class
        A further column for each class, whose name stands in place of ``{}``.
    """

    name: str
    path: str
    rule: str
    about: str
    columns: tuple[Column, ...] = ()
    key: tuple[str, ...] = ()
    role: str = ""
    shown: tuple[str, ...] = ()
    sheet: str = ""
    place: int = 1000
    saved: str = ""
    note: str = ""
    per_class: Column | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns that are no spectra, in order."""
        return tuple(c.name for c in self.columns if c.dtype != "spectrum")

    @property
    def is_table(self) -> bool:
        """Whether it has columns."""
        return bool(self.columns)

    @property
    def holds_spectra(self) -> bool:
        """Whether a row holds whole spectra."""
        return any(c.dtype == "spectrum" for c in self.columns)

    @property
    def per_session(self) -> bool:
        """Whether there is one file for each session."""
        return OF_SESSION in self.path

    @property
    def in_report(self) -> bool:
        """Whether the page reads it: it says something, or vouches for what does."""
        return bool(self.shown or self.sheet or self.saved) or self.role in {"passed", "model_card"}

    @property
    def of_classes(self) -> bool:
        """Whether only a study with a classifier has it."""
        return self.path.startswith("classes/")

    @property
    def of_pigments(self) -> bool:
        """Whether only a study with assays or chromatograms has it."""
        return self.path.startswith("pigments/")

    @property
    def of_leaf_model(self) -> bool:
        """Whether only a study that asks for the leaf model has it."""
        return self.path.startswith("leaf_model/")

    @property
    def of_traits(self) -> bool:
        """Whether only a study that asks for traits has it."""
        return self.path.startswith("traits/")

    @property
    def report_role(self) -> str:
        """Name of the file among the inputs of the report; of a session, ``/SESSION`` follows."""
        folder = self.path.partition("/")[0]
        if folder not in {"classes", "validation"} or self.role in {
            "model",
            "model_card",
            "passed",
        }:
            return self.role
        return f"{folder}_{self.role}"

    def column(self, name: str) -> Column | None:
        """Return a column by its name, ``None`` if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        if self.per_class is not None:
            before, after = self.per_class.name.split("{}")
            if name.startswith(before) and name.endswith(after):
                label = name.removeprefix(before).removesuffix(after)
                return Column(name, self.per_class.meaning.format(label))
        return None


COMMON: Final = {
    column.name: column
    for column in (
        text("scan", "id of the scan"),
        text("session", "id of the session"),
        text("unit", "experimental unit"),
        text("role", "sample, white, dark, lamp, ambient or check (a stable tile)"),
        text("index", "name of the index in the catalogue"),
        number("wavelength_nm", "wavelength in air", "nm"),
        number("integration_ms", "integration time", "ms"),
        text("reason", "why a number is missing, or what it rests on"),
        text("sentence", "the same in words"),
        whole("n_units", "number of units"),
        whole("n_units_reference", "number of units in the group compared with"),
        whole("n_scans", "number of scans"),
        number("ci_low", "lower end of the confidence interval", OF_UNIT),
        number("ci_high", "upper end of the confidence interval", OF_UNIT),
        number("ci_level", "confidence level of the interval"),
        number("df", "degrees of freedom"),
        number("p", "p-value, two-sided unless the method says otherwise"),
        number("p_holm", "p adjusted after Holm within its family"),
        whole("n_draws", "random arrangements drawn; 0: all were enumerated"),
        text(
            "question",
            "change, difference_in_change, difference (after only), course, trend, factorial or "
            "equivalence",
        ),
        text("contrast", "what is compared: sessions, then @ and groups"),
        text("stratum", "all, or the level of a factor within which was tested"),
        text("method", "method of the test"),
        text("verdict", "significant, not_significant, equivalent or undefined"),
        whole("repeat", "repeat of the splitting, from 1"),
        whole("fold", "outer fold, from 1"),
        whole("n_components", "number of latent variables"),
        text("true", "class that the scan is of"),
        text("predicted", "class that the classifier named"),
        whole("n_correct", "scans named rightly"),
        number("accuracy", "share named rightly"),
        number("share_of_true", "share of the scans of the true class"),
        text("procedure", "way of classifying"),
    )
}
"""Columns that mean the same in every table that names them in plain words."""


def _columns(*parts: str | Column) -> tuple[Column, ...]:
    """Return columns in order; a string names columns of :data:`COMMON`, with spaces between."""
    columns: list[Column] = []
    for part in parts:
        columns += [part] if isinstance(part, Column) else [COMMON[name] for name in part.split()]
    return tuple(columns)


UNIT_OF_INDEX = text("unit", "unit of the index")
QUANTITY = text("quantity", "pigment, ratio or other content that was assayed")
MODEL_QUANTITY = text(
    "quantity",
    "structure (plates N), chlorophyll, carotenoids, anthocyanins, brown_pigments, water, "
    "dry_matter or gloss (reflectance added to all wavelengths)",
)
MODEL_UNIT = text("unit_of_value", "unit of the quantity; 1 for a plain number or a reflectance")
MODEL_INTERVAL: Final = (
    number("interval_low", "lower end of the interval, cut off at the bound", OF_VALUE),
    number("interval_high", "upper end of the interval, cut off at the bound", OF_VALUE),
    number("interval_level", "level of the interval"),
)
TARGET = text("target", "trait that is estimated: a quantity of the assays, or a column")
UNIT_OF_VALUE = text(
    "unit_of_value",
    "unit of the content: ug/cm2 of leaf, mg/g of fresh mass, 1 for a ratio, or as stated",
)
CONTRAST: Final = _columns(
    number("estimate", "estimate of the contrast", OF_UNIT),
    "ci_low ci_high ci_level",
    text("unit", "unit of the index, in which estimate and interval are"),
    whole("n_units", "number of units (never leaves) in the group"),
    "n_units_reference",
)
SHIFT: Final = _columns(
    "wavelength_nm",
    number("estimate", "estimated shift", OF_UNIT),
    "ci_low ci_high ci_level",
    whole("n_units", "number of units; of repeats where references are judged"),
    "p p_holm",
)
UNIT_OF_SHIFT = text("unit", "unit of estimate and interval: 1 or count")


def shared_source(name: str, source: str, optional: bool = False) -> Column:
    """Return a spectrum of reflectance for one standard uncertainty of a source."""
    return spectrum(
        name,
        f"part of u_reference: change for one standard uncertainty of {source}, with its sign; "
        "there where the study has it, a second one as ..._2",
        optional=optional,
    )


def declare(
    name: str,
    path: str,
    rule: str,
    about: str,
    *columns: str | Column,
    key: str = "",
    shown: str = "",
    **more: Any,
) -> Result:
    """Return a declaration; names in ``key`` and ``shown`` have spaces between."""
    lists = {
        "columns": _columns(*columns),
        "key": tuple(key.split()),
        "shown": tuple(shown.split()),
    }
    return Result(name, path, rule, about, **{"role": name, **lists, **more})
