"""What each rule does, and which results stand behind each part of the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

RULES: Final[dict[str, tuple[str, str]]] = {
    "intake": ("Intake", "Reads the raw files of a session into one table of scans."),
    "reflectance": (
        "Reflectance",
        "Turns counts, dark and white into reflectance with its uncertainty.",
    ),
    "quality": ("Quality", "Checks every scan and reference of a session."),
    "acceptance": (
        "Acceptance",
        "Decides which scans take part, from the checks and the decisions of persons, and how far "
        "wavelengths can be trusted.",
    ),
    "catalogue": ("Catalogue", "Lists the indices of the study with formula and source."),
    "indices": ("Indices", "Computes every index on every leaf scan of a session."),
    "validation": ("Validation", "Holds the tables against what is expected of them."),
    "unit_means": ("Unit means", "Averages scans within leaf and leaves within unit."),
    "effects": ("Effects", "Tests what the treatment changed."),
    "classes": ("Classes", "Trains the classifier and tests it on scans left out."),
    "rivals": ("Rivals", "Holds the classifier against simpler procedures."),
    "negative_controls": (
        "Negative controls",
        "Asks the classifier for the session, the block, and the treatment before it was given.",
    ),
}
"""Rule -> its title and what it does."""

ORDER: Final = tuple(RULES)


@dataclass(frozen=True)
class Origin:
    """A part of the page and the results that it shows.

    Attributes
    ----------
    part
        Id of its heading.
    title
        As a reader names it.
    files
        Below ``results/``; ``*`` stands for each session.
    """

    part: str
    title: str
    files: tuple[str, ...]


ORIGINS: Final = (
    Origin("found", "What was found", ("effects.json", "sensitivity.csv", "classes/summary.json")),
    Origin("trust", "Units, sessions, scans and range in short", ("accepted.csv", "range.json")),
    Origin("went-in", "What went in", ("scans/*.parquet", "accepted.csv")),
    Origin("left-out", "What was left out", ("accepted.csv", "exclusions.csv", "quality/*.parquet",
                                             "reflectance/*.parquet")),
    Origin("references", "Whites and darks over time", ("quality/*.levels.parquet",)),
    Origin("range", "The trusted range", ("range.json", "quality/*.signal.parquet")),
    Origin("session-effects", "Shifts of a whole session", ("session_effects.csv",)),
    Origin("order-effects", "Effects of the order of measuring", ("order_effects.csv",)),
    Origin("expectations", "Expectations of the tables", (
        "validation/scans.json", "validation/reflectance.json", "validation/indices.json")),
    Origin("index-courses", "Indices", ("unit_indices.csv", "group_means.csv", "effects.csv")),
    Origin("effects", "Effects", ("effects.csv", "effects.json")),
    Origin("spectra", "Spectra of the groups", ("reflectance/*.parquet", "accepted.csv",
                                                "range.json")),
    Origin("whole-spectrum", "The whole spectrum", ("spectrum_effects.csv",)),
    Origin("holds", "Does the conclusion hold?", ("sensitivity.csv", "effects.json")),
    Origin("assumptions", "What the test leans on", ("effects.json",)),
    Origin("accuracy", "Accuracy by latent variables", ("classes/path.csv",
                                                        "classes/summary.json")),
    Origin("confusion", "What is taken for what", ("classes/confusion.csv",)),
    Origin("each-class", "How each class fares", ("classes/per_class.csv",
                                                  "classes/confused_pairs.csv")),
    Origin("sureness", "Is it as sure as it says?", ("classes/reliability.csv",
                                                     "classes/summary.json")),
    Origin("which-wavelengths", "By which wavelengths", ("classes/spectra_terms.parquet",
                                                         "classes/summary.json")),
    Origin("rivals", "Would something simpler do?", ("classes/rivals.csv",
                                                     "classes/comparison.csv")),
    Origin("day-or-treatment", "What else do the spectra tell?", ("classes/questions.csv",)),
    Origin("chance", "Against chance", ("classes/permutation.csv", "classes/summary.json")),
    Origin("variation", "Where the variation lies", ("variance_components.csv",)),
    Origin("detectable", "What a next study would find", ("power.csv",)),
    Origin("indices", "Indices and their sources", ("indices/catalogue.json",)),
    Origin("decisions", "Decisions of a person", ("exclusions.csv",)),
)  # fmt: skip
"""In the order of the page."""

VARIANTS: Final = Origin("variants", "Under other settings", ("variants.csv",))
"""Made by no step, but from the results of finished runs."""

PLAN_HISTORY: Final = Origin("plan", "When the plan was made", ("plan_history.json",))
"""Made by no step, but from the plans on record in the book of runs."""

PLATES: Final[dict[str, str]] = {
    "accuracy_by_latent_variables": "accuracy",
    "confusion_matrices": "confusion",
    "detectable_difference": "detectable",
    "effect_sizes": "effects",
    "importance": "which-wavelengths",
    "index_courses": "index-courses",
    "loadings": "which-wavelengths",
    "permutation": "chance",
    "primary_index": "index-courses",
    "reliability": "sureness",
    "replicates": "left-out",
    "residuals": "assumptions",
    "rivals": "rivals",
    "scans_at_fault": "left-out",
    "sensitivity": "holds",
    "signal_to_noise": "range",
    "spectra_by_group": "spectra",
    "spectrum_difference": "whole-spectrum",
    "variance_shares": "variation",
    "variants": VARIANTS.part,
    "whites_over_time": "references",
    "darks_over_time": "references",
}
"""Figure -> the part of the page whose results it shows."""
