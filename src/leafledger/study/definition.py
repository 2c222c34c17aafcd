"""The study definition: what ``study.yaml`` may say, section by section.

Every value arrives as the text that was typed and gets its type here. The JSON schema published
as ``config/study.schema.json`` is made from these models.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints

from leafledger.study.analysis_sections import Classes, Effects, Indices
from leafledger.study.field_types import (
    NOTHING_WORDS,
    ColumnName,
    Id,
    Label,
    NotNegative,
    Section,
    Text,
    blank,
    nothing,
    one_or_many,
)
from leafledger.study.measurement_sections import Instrument, Intake, Quality, Reflectance

TRACKING_PATTERN = (
    r"^https?://(localhost|127\.0\.0\.1|\[::1\])(:[0-9]{1,5})?(/[A-Za-z0-9._~/-]{0,200})?$"
)
TRACKING_WORDS = (
    "a server on this machine such as http://127.0.0.1:5000, without name or password; another "
    "machine is named in the environment variable LEAFLEDGER_TRACKING_URI only, so that nobody's "
    "study can send data away"
)


class Session(Section):
    """One day (or other occasion) of measuring."""

    session: Id = Field(description="Name of the session in scans.csv and in file names.")
    date: dt.date | None = Field(
        None, description="Day of measuring, such as 2026-05-04; without it slopes are per session."
    )
    phase: Literal["before", "after"] = Field(
        "after", description="Before or after the treatment; several `before` are averaged."
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


class Report(Section):
    """The page and the figures."""

    language: Literal["en"] = Field("en", description="Language of the page.")
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
    report: Report = Report()
    tracking: Tracking = Tracking()
    variants: dict[Id, Variant] = Field(
        {},
        max_length=50,
        description="Named alternative settings, run by `leafledger run --variants`; no result of "
        "the study itself depends on them.",
    )
