"""Everything the report reads, in memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.effects.words import plural
from leafledger.records.job import Job
from leafledger.report.groups import Days, Groups, days_of, groups_of
from leafledger.study.columns import (
    COMPARISON,
    CONFUSED_PAIRS,
    FLAGS,
    GROUP_MEANS,
    PER_CLASS,
    POWER,
    QUESTIONS,
    RELIABILITY,
    SENSITIVITY,
    TEXT,
    VARIANCE_COMPONENTS,
    VARIANTS,
)
from leafledger.study.plan import digest_of, plan_of
from leafledger.study.plan_history import Facts, mark_of, mark_of_margins, sentences_of
from leafledger.study.spectra import Spectra, load_spectra
from leafledger.study.tables import (
    SpectraTable,
    read_csv,
    read_json,
    read_parquet,
    read_spectra,
)

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class ClassTables:
    """What the classifier left behind."""

    path: pd.DataFrame
    predictions: pd.DataFrame
    confusion: pd.DataFrame
    terms: pd.DataFrame
    permutation: pd.DataFrame
    rivals: pd.DataFrame
    per_class: pd.DataFrame
    reliability: pd.DataFrame
    confused_pairs: pd.DataFrame
    comparison: pd.DataFrame
    questions: pd.DataFrame
    summary: Mapping[str, Any]
    model_card: Mapping[str, Any]


@dataclass(frozen=True)
class Material:
    """A whole study as the report sees it; tables as contracts.md has them."""

    title: str
    question: str
    design: Mapping[str, Any]
    units: Mapping[str, Mapping[str, str]]
    groups: Groups
    days: Days
    scans: Mapping[str, SpectraTable]
    reflectance: Mapping[str, SpectraTable]
    quality: Mapping[str, pd.DataFrame]
    signal: Mapping[str, pd.DataFrame]
    levels: Mapping[str, pd.DataFrame]
    all_spectra: Spectra
    spectra: Spectra
    accepted: pd.DataFrame
    exclusions: pd.DataFrame
    trusted: Mapping[str, Any]
    session_effects: pd.DataFrame
    order_effects: pd.DataFrame
    catalogue: Mapping[str, Mapping[str, Any]]
    validation: Mapping[str, Any]
    indices: Mapping[str, pd.DataFrame]
    unit_indices: pd.DataFrame
    effects: pd.DataFrame
    effects_summary: Mapping[str, Any]
    spectrum_effects: pd.DataFrame
    sensitivity: pd.DataFrame
    group_means: pd.DataFrame
    variance_components: pd.DataFrame
    power: pd.DataFrame
    variants: pd.DataFrame
    classes: ClassTables | None
    records: Mapping[str, Mapping[str, Any]]
    plan_facts: Facts | None = None

    @property
    def plan_sentences(self) -> list[str]:
        """What the book of runs says of when the plan was made."""
        named = bool(self.effects["primary"].astype(bool).any())
        return sentences_of(self.plan_facts, primary=named)

    @property
    def primary_mark(self) -> str:
        """The mark of every verdict on a primary contrast, empty for none."""
        return mark_of(self.plan_facts)

    @property
    def margin_mark(self) -> str:
        """The mark of every verdict on equivalence, empty for none."""
        return mark_of_margins(self.plan_facts)

    @property
    def unit_word(self) -> str:
        """The word for the experimental unit; ``scan`` where units are not known."""
        return str(self.design.get("unit") or "scan")

    @property
    def names(self) -> frozenset[str]:
        """Ids and labels of the study that sentences may hold."""
        labels = {label for row in self.units.values() for label in row.values()}
        return frozenset({*self.units, *labels, *self.days.sessions, *self.catalogue})

    @property
    def unit_words(self) -> str:
        """The same in the plural."""
        return plural(self.unit_word)


def gather(job: Job) -> Material:
    """Read every table of the study.

    Raises
    ------
    InputFault
        If the sessions do not share one wavelength axis.
    """
    settings, inputs = job.settings, job.inputs
    design = settings["design"]
    reflectance = job.by_session("reflectance")
    sessions = list(design.get("sessions") or []) or [{"session": s} for s in reflectance]
    units = settings.get("units") or {}
    spectra = load_spectra(
        reflectance, inputs["accepted"], inputs["range"], units, only_accepted=False
    )
    return Material(
        title=settings["title"],
        question=settings.get("question") or "",
        design={**design, "sessions": sessions},
        units=units,
        groups=groups_of(design, units),
        days=days_of(sessions),
        scans={s: read_spectra(p, ()) for s, p in job.by_session("scans").items()},
        reflectance={s: read_spectra(p, ("reflectance",)) for s, p in reflectance.items()},
        quality={s: read_parquet(p) for s, p in job.by_session("quality").items()},
        signal={s: read_parquet(p) for s, p in job.by_session("signal").items()},
        levels={
            s: read_parquet(p, leave_out=("digest",)) for s, p in job.by_session("levels").items()
        },
        all_spectra=spectra,
        spectra=accepted_only(spectra),
        accepted=_table(inputs["accepted"]),
        exclusions=_table(inputs["exclusions"]),
        trusted=read_json(inputs["range"]),
        session_effects=_table(inputs["session_effects"]),
        order_effects=_table(inputs["order_effects"]),
        catalogue={row["index"]: row for row in read_json(inputs["catalogue"])["indices"]},
        validation={
            part: read_json(inputs[f"validation_{part}"])
            for part in ("scans", "reflectance", "indices")
        },
        indices={s: read_parquet(p) for s, p in job.by_session("indices").items()},
        unit_indices=_table(inputs["unit_indices"]),
        effects=_effects(inputs["effects"]),
        effects_summary=read_json(inputs["effects_summary"]),
        spectrum_effects=_table(inputs["spectrum_effects"]),
        sensitivity=table_or_empty(inputs.get("sensitivity"), SENSITIVITY),
        group_means=table_or_empty(inputs.get("group_means"), GROUP_MEANS),
        variance_components=table_or_empty(inputs.get("variance_components"), VARIANCE_COMPONENTS),
        power=table_or_empty(inputs.get("power"), POWER),
        variants=table_or_empty(inputs.get("variants"), VARIANTS),
        classes=_classes(inputs) if "classes_summary" in inputs else None,
        records={
            role.removeprefix("record/"): read_json(path)
            for role, path in inputs.items()
            if role.startswith("record/")
        },
        plan_facts=plan_facts(inputs),
    )


def plan_facts(inputs: Mapping[str, Path]) -> Facts | None:
    """Return what the book says of the plan, ``None`` if nothing is there of this very plan.

    Plain Snakemake makes no such file: one that lies there may be of another plan than the present
    results.

    Parameters
    ----------
    inputs
        Role -> file that the report reads.
    """
    if "plan_history" not in inputs:
        return None
    facts: Facts = read_json(inputs["plan_history"])
    effects, catalogue = (
        read_json(inputs[f"record/{name}"])["settings"] for name in ("effects", "catalogue")
    )
    plan = plan_of(effects, catalogue.get("indices"))
    return facts if facts["plan_sha256"] == digest_of(plan) else None


def accepted_only(spectra: Spectra) -> Spectra:
    """Return the accepted scans."""
    kept = spectra.rows["accepted"].to_numpy(dtype=bool)
    return Spectra(
        spectra.reflectance[kept], spectra.wavelength_nm, spectra.rows[kept].reset_index(drop=True)
    )


def _classes(inputs: Mapping[str, Path]) -> ClassTables:
    return ClassTables(
        path=_table(inputs["classes_path"]),
        predictions=_table(inputs["classes_predictions"]),
        confusion=_table(inputs["classes_confusion"]),
        terms=read_parquet(inputs["classes_terms"]),
        permutation=_table(inputs["classes_permutation"]),
        rivals=_table(inputs["classes_rivals"]),
        per_class=table_or_empty(inputs.get("classes_per_class"), PER_CLASS),
        reliability=table_or_empty(inputs.get("classes_reliability"), RELIABILITY),
        confused_pairs=table_or_empty(inputs.get("classes_confused_pairs"), CONFUSED_PAIRS),
        comparison=table_or_empty(inputs.get("classes_comparison"), COMPARISON),
        questions=table_or_empty(inputs.get("classes_questions"), QUESTIONS),
        summary=read_json(inputs["classes_summary"]),
        model_card=read_json(inputs["model_card"]),
    )


def _table(path: Path) -> pd.DataFrame:
    return read_csv(path, text=tuple(TEXT), flags=tuple(FLAGS))


def table_or_empty(path: Path | None, columns: Sequence[str]) -> pd.DataFrame:
    """Read a table that a study may lack; without it, no rows.

    Parameters
    ----------
    path
        The file, ``None`` if the study has none.
    columns
        Columns of the contract; one that an older table lacks is empty.
    """
    import pandas as pd

    if path is None or not path.exists():
        return pd.DataFrame(columns=list(columns))
    frame = _table(path)
    for name in columns:
        if name not in frame.columns:
            frame[name] = "" if name in TEXT else None
    return frame


def _effects(path: Path) -> pd.DataFrame:
    """Read effects.csv, the primary rows first."""
    frame = _table(path)
    return frame.sort_values("primary", ascending=False, kind="stable", ignore_index=True)
