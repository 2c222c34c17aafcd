"""Which methods and sources stand behind the results: in words to paste, and as references?

The methods text is made of the settings that a run really used. Each sentence carries marks of the
works it rests on (:mod:`leafledger.report.works`).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from leafledger.report.works import (
    WORKS,
    Work,
    cite,
    keys_in,
    with_short_citations,
    without_code_marks,
    works_of_equation,
    works_of_index,
)
from leafledger.words import counted, listed

if TYPE_CHECKING:
    import pandas as pd

PIGMENTS = "results/pigments/pigments.json"
TRAITS = "results/traits/traits.json"
LEAF_MODEL = "results/leaf_model/leaf_model.json"

# The words of settings.
# ----------------------------------------------------------------------

_METHODS = {
    "paired_t": ("paired t tests", "student1908"),
    "signed_rank": ("exact signed-rank tests", "wilcoxon1945"),
    "sign_flip": ("sign-flip tests", "fisher1935"),
    "linear_model": (
        "a linear model of the value after on treatment, value before and block, with HC2 errors "
        "and working variances by treatment",
        "mackinnon1985",
    ),
    "linear_model_equal": (
        "the same model with Bell and McCaffrey's degrees of freedom",
        "bell2002",
    ),
    "welch_t": ("Welch t tests on the change of each unit", "welch1947"),
    "label_permutation": (
        "permutation of the labels among units, studentised within blocks",
        "janssen1997",
    ),
    "ancova": ("analysis of covariance of the change on the value before", "senn2006"),
    "summary_mean": ("the mean of each unit's course", "matthews1990"),
    "summary_slope": ("the slope of each unit's course", "matthews1990"),
    "summary_area": ("the area under each unit's course", "matthews1990"),
    "mixed_model": ("a mixed model with a random intercept", "kenward1997"),
    "mixed_model_slope": ("a mixed model with random slopes", "kenward1997"),
    "mixed_model_unstructured": ("a mixed model with unstructured covariance", "kenward1997"),
}

_REFERENCES = {
    "bracket": "the white references before and after each leaf, weighted by time",
    "nearest": "the white reference nearest in time",
    "mean": "the mean of the session's white references",
}
_QUESTIONS = {
    "change": "change",
    "difference_in_change": "difference in change",
    "difference": "difference after",
    "equivalence": "equivalence",
}

# The methods text of a run.
# ----------------------------------------------------------------------


class RunFacts(Protocol):
    """What the methods text reads of a run: its records, settings and some results."""

    @property
    def decisions(self) -> Sized:
        """The decisions of persons."""

    @property
    def records(self) -> Mapping[str, Mapping[str, Any]]:
        """Task -> its record."""

    def settings(self, rule: str) -> Mapping[str, Any]:
        """Return the settings of a rule; of one that runs per session, those of the first."""

    def json(self, path: str) -> Any:
        """Return a JSON result."""

    def table(self, path: str) -> pd.DataFrame:
        """Return a CSV result."""


@dataclass(frozen=True)
class FromTheBook:
    """Sentences that only the book of runs can give; the report page has the plan alone."""

    randomised: Sequence[str] = ()
    plan: Sequence[str] = ()
    variants: Sequence[str] = ()
    software: Sequence[str] = ()


@dataclass(frozen=True)
class MethodsText:
    """The methods of a run.

    Attributes
    ----------
    marked
        The sentences, with marks of works.
    works
        Key -> every work that they mark.
    formulas
        A line for each index: name, formula, source.
    sections
        The same sentences in parts: heading and marked text.
    """

    marked: str
    works: Mapping[str, Work]
    formulas: Sequence[str] = field(default_factory=tuple)
    sections: Sequence[tuple[str, str]] = ()

    @property
    def sources(self) -> list[str]:
        """The lines of the list of sources."""
        works = [WORKS[key] for key in keys_in(self.marked) if key in WORKS]
        return [*self.formulas, *(work.listed for work in works)]

    def as_text(self) -> str:
        """Return text to paste, part by part, with the list of sources."""
        parts = [f"{heading}\n{text}" for heading, text in self.paragraphs]
        lines = "\n".join(f"- {source}" for source in self.sources)
        return "\n\n".join([*parts, f"Sources\n{lines}"]) + "\n"

    @property
    def paragraphs(self) -> list[tuple[str, str]]:
        """Heading and sentences of every part, works in parentheses."""
        return [(heading, self._shown(text)) for heading, text in self.sections]

    @property
    def sentences(self) -> str:
        """The sentences alone, works in parentheses."""
        return self._shown(self.marked)

    def _shown(self, marked: str) -> str:
        return without_code_marks(with_short_citations(marked, self.works))


def methods_text(run: RunFacts, book: FromTheBook) -> MethodsText:
    """Return the methods of a run by the settings that it really used."""
    parts: list[tuple[str, Iterable[str]]] = [
        ("Design", [*_design(run), *book.randomised]),
        ("Reflectance", _reflectance(run)),
        ("Checks of the scans", _quality(run)),
        ("Indices", _indices(run)),
        ("Statistics", _effects(run, book.plan)),
        ("Classification", _classes(run)),
        ("Contents of leaves", _pigments(run)),
        ("Traits from whole spectra", _traits(run)),
        ("Leaf model", _leaf_model(run)),
        ("Other settings", book.variants),
        ("Software", book.software),
    ]
    sections = [(heading, " ".join(sentences)) for heading, sentences in parts]
    sections = [(heading, text) for heading, text in sections if text]
    marked = " ".join(text for _, text in sections)
    entries = run.json("results/indices/catalogue.json")["indices"]
    works = {work.key: work for entry in entries for work in works_of_index(entry)}
    return MethodsText(
        marked,
        {key: work for key, work in (WORKS | works).items() if key in keys_in(marked)},
        [f"{e['index']} = {e['formula']}: {e['source']}" for e in entries],
        sections,
    )


def _design(run: RunFacts) -> Iterator[str]:
    settings = run.settings("effects")
    design, units = settings["design"], settings["units"]
    word = design["unit"]
    sessions = [s for s in design["sessions"] if not (s.get("to_come") or s.get("skipped"))]
    counts: dict[str, int] = {}
    for labels in units.values():
        label = labels.get(design["treatment"], "")
        counts[label] = counts.get(label, 0) + 1
    groups = ", ".join(f"{n} {label}" for label, n in sorted(counts.items()) if label)
    dates = [s["date"] for s in sessions if s["date"]]
    when = ""
    if dates:
        when = f" ({dates[0]})" if len(set(dates)) == 1 else f" ({dates[0]} to {dates[-1]})"
    if design["unit"] is None:
        n_spectra = "1 leaf spectrum" if len(units) == 1 else f"{len(units)} leaf spectra"
        yield (
            f"{n_spectra} were analysed; which of them "
            f"share an experimental unit is not known{' (' + groups + ')' if groups else ''}."
        )
        return
    yield (
        f"Reflectance of leaves was measured in {counted(len(sessions), 'session')}{when} on "
        f"{counted(len(units), 'experimental unit')} ({word}{': ' + groups if groups else ''})."
    )
    if design["block"]:
        yield f"Units stood in blocks ({design['block']})."
    if design.get("unallocated"):
        treatments = listed([str(level) for level in design["unallocated"]])
        yield f"The treatments ({treatments}) had not been allocated when this was computed."
    yield from _sessions_without_scans(design["sessions"])
    yield from _noted(run)


def _sessions_without_scans(sessions: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Say which sessions were skipped, with their reasons, and which are still to come."""
    for session in sessions:
        if reason := session.get("skipped"):
            yield f"Session {session['session']} was planned and not measured: {reason}."
    coming = [str(session["session"]) for session in sessions if session.get("to_come")]
    if coming:
        still = "was still to be measured" if len(coming) == 1 else "were still to be measured"
        yield f"When this was computed, {listed(coming)} {still}."


def _noted(run: RunFacts) -> Iterator[str]:
    """Say what persons noted in the field, and which scans the sheet leaves out, by reason."""
    settings = run.settings("report")
    notes = settings.get("field_notes") or {}
    for session, noted in (notes.get("sessions") or {}).items():
        words = [f"{name} {text}" for name in ("weather", "light") if (text := noted.get(name))]
        yield f"Noted at {session}: {'; '.join(words)}."
    scans = notes.get("scans") or {}
    n_notes = sum("note" in noted for noted in scans.values())
    n_photos = sum("photo" in noted for noted in scans.values())
    kinds = [counted(n_notes, "scan") + " with a note"] * bool(n_notes)
    kinds += [counted(n_photos, "scan") + " with a photograph"] * bool(n_photos)
    if kinds:
        yield f"The scan sheet has {listed(kinds)}."
    omitted = settings.get("omitted") or []
    if omitted:
        reasons = Counter(str(row["reason"]) for row in omitted)
        noted = "; ".join(f"{reason} ({n})" for reason, n in reasons.items())
        n = f"{counted(len(omitted), 'scan')} of the sheet"
        yield f"{n} {'was' if len(omitted) == 1 else 'were'} omitted for a stated reason: {noted}."


def _reflectance(run: RunFacts) -> Iterator[str]:
    settings = run.settings("reflectance")
    instrument, how = settings["instrument"], settings["reflectance"]
    forms = [r["settings"]["form"] for r in run.records.values() if r["rule"] == "intake"]
    if any(form["quantity"] == "counts" for form in forms):
        yield (
            "Counts were turned into reflectance with the dark signal subtracted "
            f"({how['dark'].replace('_', ' ')}) and divided by {_REFERENCES[how['references']]}"
            f"; the panel's reflectance was taken as {instrument['panel']['reflectance']} "
            f"(relative standard uncertainty {instrument['panel']['u_relative']:g})."
        )
        yield from _corrections(instrument, how)
    if any(form["quantity"] != "counts" for form in forms):
        yield "Spectra that came as reflectance were taken as they were."
    grid = how["grid"]
    if isinstance(grid, Mapping):
        yield (
            f"Spectra were read at {grid['start_nm']:g} to {grid['stop_nm']:g} nm in steps of "
            f"{grid['step_nm']:g} nm."
        )
    smoothing = how["smoothing"]
    if smoothing:
        yield (
            f"They were smoothed by local polynomials of order {smoothing['order']} over "
            f"{smoothing['window_nm']:g} nm."
        )
    else:
        yield "They were not smoothed."


def _corrections(instrument: Mapping[str, Any], how: Mapping[str, Any]) -> Iterator[str]:
    if instrument["linearity"]:
        estimated = (
            ", estimated from the references" if instrument["linearity"] == "estimate" else ""
        )
        yield f"The detector's departure from linearity was corrected{estimated}."
    if how["stray_light"]:
        yield "Stray light was subtracted."
    if how["wavelengths"] == "from_lamp":
        yield "Wavelengths were corrected by the lines of a lamp."


def _quality(run: RunFacts) -> Iterator[str]:
    trusted = run.json("results/range.json")
    yield (
        f"Wavelengths from {trusted['start_nm']:g} to {trusted['stop_nm']:g} nm were used: "
        f"{trusted['why']}."
    )
    table = run.table("results/accepted.csv")
    out = int((~table["accepted"]).sum())
    apply = {
        "none": "no check excluded a scan",
        "faults": "scans with a fault were excluded",
        "faults_and_outliers": "scans with a fault and outliers were excluded",
    }[run.settings("acceptance")["apply"]]
    yield (
        f"By rules fixed in the settings {apply}, and {counted(len(run.decisions), 'decision')} "
        f"of a person {'was' if len(run.decisions) == 1 else 'were'} recorded with a reason; "
        f"{out} of {counted(len(table), 'leaf scan')} "
        f"{'was' if out == 1 else 'were'} left out."
    )


def _indices(run: RunFacts) -> Iterator[str]:
    entries = run.json("results/indices/catalogue.json")["indices"]
    names = [
        entry["index"] + cite(*(work.key for work in works_of_index(entry))) for entry in entries
    ]
    read = run.settings("catalogue")["indices"]["band_read"]
    how = (
        "interpolated at the wavelengths of each formula"
        if read == "interpolate"
        else f"averaged over {read['mean_over_nm']:g} nm"
    )
    yield f"The indices {listed(names)} were computed from reflectance {how}."
    yield "Scans were averaged within leaves and leaves within units; n counts units throughout."


def _effects(run: RunFacts, plan: Sequence[str]) -> Iterator[str]:
    settings = run.settings("effects")["effects"]
    if run.settings("effects")["design"]["unit"] is None:
        yield "Units were not known, so that effects were described and not tested."
        return
    primary = settings["primary"]
    if primary:
        question = _QUESTIONS[primary["question"]]
        session = f" at {primary['session']}" if primary["session"] else ""
        yield (
            f"The primary outcome was the {question} of {primary['index']}{session}, judged at "
            f"{settings['alpha']:g}."
        )
    yield from plan
    named = [_METHODS[m] for m in settings["methods"]]
    yield f"Effects were estimated by {listed([words + cite(key) for words, key in named])}."
    yield (
        "Other tests were adjusted within families of one question and one method by Holm's "
        f"procedure{cite('holm1979')}; intervals are at {100 * settings['interval']:g} %."
    )
    if settings["margin"]:
        margins = [f"{name} {value:g}" for name, value in settings["margin"].items()]
        yield (
            f"Equivalence was tested by two one-sided tests{cite('schuirmann1987')} (margins "
            f"{listed(margins)})."
        )
    yield (
        f"Tests by resampling drew {settings['n_draws']} times where full enumeration was out of "
        f"reach (seed {settings['seed']})."
    )


def _classes(run: RunFacts) -> Iterator[str]:
    settings = run.settings("classes").get("classes")
    if not settings:
        return
    folds = settings["folds"]
    split = settings["split"]
    split = split if isinstance(split, str) else f"as column {split['column']} says"
    prepared = [p.replace("_", " ") for p in settings["preprocessing"] if p not in ("none", "auto")]
    if "auto" in settings["preprocessing"]:
        prepared.append("preprocessing and decision rule chosen in inner folds")
    most, outer = settings["max_components"], folds["outer"]
    most = "more while the error fell" if most == "auto" else f"at most {most}"
    outer = "as many outer folds as the median class has units" if outer == "auto" else outer
    outer = f"{outer} outer folds" if isinstance(outer, int) else outer
    times = folds["repeats"]
    times = "3 to 10 times" if times == "auto" else f"{times} times"
    yield (
        f"A discriminant classifier of {settings['target']} by partial least squares"
        f"{cite('barker2003', 'dayal1997')} was trained "
        f"on the spectra ({listed(prepared) if prepared else 'without preprocessing'}), with the "
        f"number of latent variables ({most}) chosen in inner folds "
        f"and its accuracy estimated in {outer}, {times}; "
        f"whole groups were held out together ({split.replace('_', ' ')})."
    )
    yield (
        f"Its accuracy was compared with {settings['n_permutations']} permutations of the labels "
        f"(seed {settings['seed']}); intervals of accuracy"
        f"{cite('wilson1927')} count units."
    )


# Contents of leaves: by assay, by an index held against assays, by the spectrum, by a leaf model.
# ----------------------------------------------------------------------


def _pigments(run: RunFacts) -> Iterator[str]:
    """Say how contents were assayed and indices calibrated, and how chromatograms were read."""
    settings = run.settings("pigments")
    if not settings:
        return
    summary = run.json(PIGMENTS)
    for equation in summary["equations"]:
        read_at = listed(list(dict.fromkeys(re.findall(r"\bA([0-9.]+)", equation["formula"]))))
        keys = [work.key for work in works_of_equation(equation["source"])]
        only = ", for comparison only" if equation["comparison_only"] else ""
        yield (
            f"Pigments were extracted in {equation['solvent']}, and their contents computed from "
            f"absorbances at {read_at} nm by published equations{cite(*keys)}{only}."
        )
    if summary["sentences"] and not summary["equations"]:
        yield "Contents of leaves were taken from assays as they were handed in."
    if summary["equations"]:
        yield (
            "The standard uncertainty of a content was propagated from those stated for "
            "absorbance, volume, dilution and area or mass; that of the coefficients is not in it."
        )
    if any(entry["index"] for entry in summary["sentences"]):
        named = settings["pigments"]["index"]
        choice = (
            f"The index {named} was calibrated, as the settings name it"
            if named
            else "Every index was fitted, and the one with the smallest error taken; that error "
            "was estimated again with the whole choice made anew without each unit"
        )
        yield (
            f"For each content, linear, quadratic and power forms were compared by the error of "
            f"units left out. {choice}. Every unit weighed the same, and intervals of a leaf "
            f"({100 * settings['pigments']['interval']:g} %) are by Student's t"
            f"{cite('student1908')} on units less coefficients; outside the range of the assayed "
            "leaves nothing was estimated."
        )
    if summary["strips"]:
        yield (
            "On chromatograms, the Rf of each spot is its distance from the start over that of the "
            "front; pigments were named by colour, order and tables of this system, which "
            "suggests and does not prove them."
        )


def _traits(run: RunFacts) -> Iterator[str]:
    """Say how traits were estimated from the whole spectrum, and effects on them tested."""
    settings = run.settings("traits").get("traits")
    if not settings:
        return
    trained = [trait for trait in run.json(TRAITS)["targets"] if trait["trained"]]
    if not trained:
        names = listed([_in_words(str(name)) for name in settings["targets"]])
        yield f"A model of {names} from the spectrum was asked for; too few leaves were known."
        return
    for split in dict.fromkeys(str(trait["split"]) for trait in trained):
        of_split = [_in_words(str(trait["target"])) for trait in trained if trait["split"] == split]
        yield (
            f"From the whole spectrum {listed(of_split)} of leaves "
            f"{'was' if len(of_split) == 1 else 'were'} estimated by partial least squares "
            f"regression{cite('wold1983', 'burnett2021')}: {split}."
        )
    parts = any("CV+" in str(trait["interval_sentence"]) for trait in trained)
    how = "CV+, its form for parts of the units" if parts else "the jackknife+"
    yield (
        f"Intervals of a leaf ({100 * settings['interval']:g} %) are by {how}"
        f"{cite('barber2021')}, with one leaf drawn of every unit{cite('dunn2023')}; intervals of "
        f"measures of error leave out each unit in turn{cite('efron1981')}."
    )
    if settings["n_permutations"]:
        yield (
            f"The error was compared with {settings['n_permutations']} exchanges of the known "
            f"values between units (seed {settings['seed']})."
        )
    if run.settings("trait_effects") and not all(trait.get("unclear") for trait in trained):
        yield (
            "Treatments were compared in the unit means of estimates, each by a model that had not "
            f"seen the unit: between treatments by a linear model{cite('mackinnon1985')}, within "
            f"them by paired t tests{cite('student1908')}, in families of their own"
            f"{cite('holm1979')}; intervals and p hold the uncertainty of the model too."
        )


def _leaf_model(run: RunFacts) -> Iterator[str]:
    """Say how contents were estimated without an assay."""
    settings = run.settings("leaf_model").get("leaf_model")
    if not settings:
        return
    summary = run.json(LEAF_MODEL)
    low, high = summary["wavelength_nm"]
    priors = [
        f"{_in_words(str(prior['quantity']))} {prior['mean']:g} (SD {prior['sd']:g}"
        f"{'' if prior['unit'] == '1' else ' ' + str(prior['unit'])})"
        for prior in summary["priors"]
    ]
    yield (
        f"Contents were also estimated without an assay, by inversion of the leaf model "
        f"{summary['model']}{cite('feret2017')} over {low:g} to {high:g} nm, with the coefficients "
        f"in {summary['coefficients']}. The estimate is the maximum of the posterior distribution "
        f"under normal priors within bounds ({'; '.join(priors)}); its standard uncertainty is "
        f"that of this distribution. Intervals are at {100 * float(settings['interval']):g} %. "
        f"Scans with a misfit above {summary['largest_misfit']:g} or another sign that the "
        "model does not describe them took no part in means."
    )


def _in_words(name: str) -> str:
    return name.replace("_", " ")
