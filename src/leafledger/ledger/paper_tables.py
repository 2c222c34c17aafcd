"""Which texts, tables and sentences does a paper have: methods, means, tests, indices, contents?

Tables are made of the tables of the run and no others; they stand as LaTeX and in the document.
Contents are those by assay, by a calibrated index, by the whole spectrum and by the leaf model,
where the study has any.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from leafledger.ledger.book import on_record
from leafledger.ledger.crate import ExportedRun
from leafledger.records.digests import sha256_of_file
from leafledger.report.gather import Material, contrast_in_words, contrast_words
from leafledger.report.methods_text import FromTheBook, MethodsText, methods_text
from leafledger.report.numbers import (
    format_df,
    format_interval,
    format_number,
    format_p,
    is_number,
    method_words,
    table_rows,
    unit_suffix,
)
from leafledger.report.works import OF_LIBRARY, cite, tex, works_of_index
from leafledger.study.rules import PLAN_HISTORY_FILE, VARIANTS_TABLE
from leafledger.study.study import VARIANTS_TASK
from leafledger.study.table_files import read_json
from leafledger.study.tables import STATED
from leafledger.study.written_plan import mark_of, plan_of, sentences_of, words_of_others
from leafledger.words import counted, listed, plural

# What the book adds to the methods text: lots, plan, variants and software.
# ----------------------------------------------------------------------


def methods_of_run(run: ExportedRun) -> MethodsText:
    """Return the methods of a run, with the works they name."""
    tested = run.settings("effects")["design"]["unit"] is not None
    primary = run.settings("effects")["effects"]["primary"]
    return methods_text(
        run,
        FromTheBook(
            randomised=list(_randomised(run)),
            plan=list(_plan(run, named=bool(primary))) if tested else [],
            variants=list(_variants(run)),
            software=list(_software(run)),
        ),
    )


def _randomised(run: ExportedRun) -> Iterator[str]:
    """Yield how treatments were allocated, where `leafledger plan` drew them.

    The table of lots tells who should have got what; the run, who got it.
    """
    table = run.folder / "plan" / "allocation.csv"
    if not table.is_file():
        return
    digest = sha256_of_file(table)
    allocations = [
        _lots_drawn(run.folder / "plan" / name) for name in ("plan.json", "allocation.json")
    ]
    lots = next(
        (allocation for allocation in allocations if allocation.get("sha256") == digest), None
    )
    with table.open(encoding="utf-8", newline="") as file:
        drawn = {row.get("unit"): row.get("treatment") for row in csv.DictReader(file)}
    settings = run.settings("effects")
    column = settings["design"]["treatment"]
    got = {unit: labels.get(column) for unit, labels in settings["units"].items()}
    if lots is None:
        yield "What plan/allocation.csv holds is not what was drawn by lot: its digest differs."
    elif drawn == got:
        words = str(lots["words"]).removesuffix(".")
        yield f"{words} (seed {lots['seed']}, SHA-256 of the allocation {digest})."
    else:
        odd = sum(got.get(unit) != treatment for unit, treatment in drawn.items())
        yield (
            f"Treatments were drawn by lot; {counted(odd, 'unit')} of {len(drawn)} did not have "
            f"the treatment that was drawn (SHA-256 of the allocation {digest})."
        )


def _lots_drawn(path: Path) -> dict[str, Any]:
    """Return words, seed and digest of lots from a file of the plan; empty if it tells of none."""
    try:
        plan = read_json(path)
    except (OSError, ValueError):
        return {}
    if not isinstance(plan, dict):
        return {}
    lots = plan.get("allocation", plan) if "answers" in plan else plan
    if not isinstance(lots, dict) or "words" not in lots:
        return {}
    return {"seed": plan.get("seed"), "words": lots["words"], "sha256": lots.get("sha256")}


def _plan(run: ExportedRun, *, named: bool) -> Iterator[str]:
    """Yield what the book says of when the plan was made, as of this run."""
    if run.run.get("variant"):
        return  # its settings are not the study's plan
    has_history = PLAN_HISTORY_FILE in run.results
    facts = run.json(PLAN_HISTORY_FILE) if has_history else None
    yield from sentences_of(facts, primary=named)
    if mark_of(facts) and named:
        yield f"The verdict on the primary outcome is {mark_of(facts)}."
    plan = plan_of(run.settings("effects"), run.settings("catalogue").get("indices"))
    yield from words_of_others(on_record(run.book, until=run.run["run"]), plan)


def _variants(run: ExportedRun) -> Iterator[str]:
    """Yield the sentences about the variants of a run; none if it has no table of them."""
    record = run.records.get(VARIANTS_TASK.name)
    if record is None:
        return
    named: dict[str, str] = record["settings"]["variants"]
    ran = {given["role"].partition("/")[2] for given in record["inputs"]} - {STATED}
    many = "1 other set" if len(named) == 1 else f"{len(named)} other sets"
    settings = "; ".join(f"{name} ({words or 'no difference'})" for name, words in named.items())
    yield f"The same data were also analysed under {many} of settings: {settings}."
    failed = [name for name in named if name not in ran]
    if failed:
        yield f"Without result, for the analysis did not run to its end: {', '.join(failed)}."
    classified = any(given["role"].startswith("classes") for given in record["inputs"])
    accuracy = " and the accuracy of the classifier" if classified else ""
    yield f"The primary effects{accuracy} under each are in {VARIANTS_TABLE}."
    old = _out_of_date(run)
    if old:
        yield f"That table was made before {old} changed; it does not belong to this run."


def _out_of_date(run: ExportedRun) -> str:
    from leafledger.report.conclusions_held import out_of_date

    table = run.table(VARIANTS_TABLE)
    rows = table.loc[table["variant"] == STATED].to_dict("records")
    return out_of_date([{str(k): v for k, v in row.items()} for row in rows], run.records)


def _software(run: ExportedRun) -> Iterator[str]:
    libraries: dict[str, str] = {}
    for record in run.records.values():
        libraries |= record["libraries"]
    names = listed(
        [
            f"{name} {version}{cite(OF_LIBRARY[name]) if name in OF_LIBRARY else ''}"
            for name, version in sorted(libraries.items())
        ]
    )
    yield (
        f"Computed with leafledger {run.run['package']} on Python {run.run['python']} ({names}), "
        f"as a workflow of Snakemake{cite(OF_LIBRARY['snakemake'])}; run {run.run['run']}."
    )


# Means, tests and indices.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class PaperTable:
    """A table of a paper; its texts may hold marks of works.

    Attributes
    ----------
    name
        Of its file, without ending.
    caption
        Above the table.
    columns
        A letter for each column as LaTeX has it: ``l`` and ``r``, or ``p{42mm}`` for text of
        several lines.
    heading, rows
        Plain text, cell by cell.
    """

    name: str
    caption: str
    columns: str
    heading: Sequence[str]
    rows: Sequence[Sequence[str]]

    def as_tex(self) -> str:
        """Return the table as LaTeX; it may run over pages, its heading on each of them."""
        columns = "".join(
            rf">{{\{'raggedleft' if right else 'raggedright'}\arraybackslash}}p{{{width:.1f}mm}}"
            for width, right in zip(self.widths_mm, self.to_the_right, strict=True)
        )
        heading = [r"\toprule", _row_tex(self.heading), r"\midrule"]
        lines = [
            r"{\footnotesize\setlength{\tabcolsep}{0.75mm}",
            rf"\begin{{longtable}}{{{columns}}}",
            rf"\caption{{{tex(self.caption)}}}\label{{tab:{self.name}}}\\",
            *heading,
            r"\endfirsthead",
            *heading,
            r"\endhead",
            *map(_row_tex, self.rows),
            r"\bottomrule",
            r"\end{longtable}}",
        ]
        return "\n".join(lines) + "\n"

    @property
    def to_the_right(self) -> list[bool]:
        """Whether the cells of a column end at its right edge, as numbers do."""
        return [letter == "r" for letter, _ in _COLUMN.findall(self.columns)]

    @property
    def widths_mm(self) -> list[float]:
        """Width of every column in millimetres, together no wider than the text.

        A column is as wide as its longest cell, or as stated for text of several lines, if all
        fit; else all give way in proportion, down to their longest word. Numbers are never broken.

        Examples
        --------
        >>> heading, row = ["Index", "What", "n"], ["NDVI", "so many words " * 30, "12"]
        >>> [round(w) for w in PaperTable("a", "", "lp{42mm}r", heading, [row]).widths_mm]
        [9, 42, 7]
        >>> round(sum(PaperTable("a", "", "llr", heading, [row]).widths_mm) + 3 * 1.5)
        180
        """
        stated = [float(width) if width else None for _, width in _COLUMN.findall(self.columns)]
        cells = list(zip(self.heading, *self.rows, strict=True))
        least = [
            _room(
                max(_longest_part(head), *(len(c) if right else _longest_part(c) for c in column))
            )
            for (head, *column), right in zip(cells, self.to_the_right, strict=True)
        ]
        longest = [max(map(len, column)) for column in cells]
        wished = [
            max(small, _room(letters) if width is None else min(width, _room(letters)))
            for letters, width, small in zip(longest, stated, least, strict=True)
        ]
        spare, extra = _TEXT_MM - BETWEEN_MM * len(cells) - sum(least), sum(wished) - sum(least)
        if extra <= spare:
            return wished
        share = max(0.0, spare / extra)
        return [small + share * (large - small) for small, large in zip(least, wished, strict=True)]


_COLUMN: Final = re.compile(r"([lrp])(?:\{([\d.]+)mm\})?")
_TEXT_MM: Final = 180.0
BETWEEN_MM: Final = 1.5
"""Between two columns."""
_LETTER_MM: Final = 1.55
"""Width of a letter of a table: the mean of a text with numbers at 8 pt, and some to spare."""
_LEAST_MM: Final = 7.0


def _longest_part(cell: str) -> int:
    return max(map(len, cell.split()), default=0)


def _room(letters: int) -> float:
    return max(_LEAST_MM, _LETTER_MM * letters + 1.0)


def _row_tex(cells: Sequence[str]) -> str:
    return " & ".join(tex(cell) for cell in cells) + r" \\"


def group_means_table(material: Material) -> PaperTable:
    """Return number, mean and standard deviation of every index, treatment and session."""
    rows = []
    for row in table_rows(material.group_means):
        index = f"{row['index']}{_in_parentheses(str(row['unit']))}"
        n: Any = row["n_units"]
        rows.append(
            [
                index,
                str(row["treatment"]),
                str(row["session"]),
                f"{int(n)}" if is_number(n) else "",
                format_number(row["mean"], 4),
                format_number(row["sd"], 2),
            ]
        )
    caption = (
        f"Means of the {material.unit_words} by index, treatment and session. n: "
        f"{material.unit_words} with a value; SD: standard deviation between them."
    )
    heading = ("Index", "Treatment", "Session", "n", "Mean", "SD")
    return PaperTable("group_means", caption, "lllrrr", heading, rows)


def _in_parentheses(unit: str) -> str:
    words = unit_suffix(unit).strip()
    return f" ({words})" if words else ""


def effects_table(material: Material) -> PaperTable | None:
    """Return the tests that answer the question of the study, for every index.

    These are the rows of ``effects.csv`` with the question and the method of the primary contrast;
    without one, those of the first question and method between treatments. ``None`` where nothing
    is tested, or not yet.
    """
    frame = material.effects
    whole = frame[frame["stratum"] == "all"]
    tested = table_rows(whole)
    first = next((row for row in tested if row["primary"]), tested[0] if tested else None)
    if first is None:
        return None
    reported = [
        row
        for row in tested
        if (row["question"], row["method"]) == (first["question"], first["method"])
        and is_number(row["estimate"])
    ]
    if not reported:
        return None
    words = contrast_words(
        material.stated_sessions, material.groups.names, ["before", "mean_before"]
    )
    rows = []
    for row in reported:
        estimate, low, high = format_interval(row["estimate"], row["ci_low"], row["ci_high"])
        n = [row["n_units"], row["n_units_reference"]]
        rows.append(
            [
                f"{row['index']}{_in_parentheses(str(row['unit']))}",
                contrast_in_words(str(row["contrast"]), words),
                estimate,
                f"{low} to {high}" if is_number(row["ci_low"]) else "none",
                " + ".join(f"{int(value)}" for value in n if is_number(value)),
                format_number(row["statistic"]),
                format_df(row["df"]),
                format_p(row["p"]),
                format_p(row["p_holm"]),
            ]
        )
    level: Any = first["ci_level"]
    interval = f"{100 * float(level):.4g} % interval" if is_number(level) else "interval"
    caption = (
        f"{str(first['question']).replace('_', ' ').capitalize()} of every index by "
        f"{method_words(str(first['method']))}. n counts {material.unit_words}. Intervals are for "
        f"each test by itself; p adjusted by Holm{cite('holm1979')} within the family"
        f"{', but for the primary contrast, which stands alone' if first['primary'] else ''}."
    )
    statistic = str(first["statistic_name"] or "statistic")
    heading = ("Index", "Contrast", "Estimate", interval, "n", statistic, "df", "p", "p (Holm)")
    return PaperTable("tests", caption, r"lp{42mm}rrrrrrr", heading, rows)


def indices_table(material: Material) -> PaperTable:
    """Return the indices of the study: formula, what each follows, and its works."""
    rows = [
        [
            index,
            str(entry.get("formula") or ""),
            str(entry.get("responds_to") or ""),
            cite(*(work.key for work in works_of_index({"index": index, **entry}))),
        ]
        for index, entry in material.catalogue.items()
    ]
    caption = "Indices. R(705): reflectance at 705 nm; R(750, 800): its mean from 750 to 800 nm."
    heading = ("Index", "Formula", "Follows", "Source")
    return PaperTable("indices", caption, r"lp{62mm}p{52mm}p{22mm}", heading, rows)


# Contents of leaves: what is said of them, and their tables.
# ----------------------------------------------------------------------

CONTENT_TABLES: Final = {
    "pigments/contents": "pigment_contents",
    "pigments/calibrations": "pigment_calibrations",
    "pigments/chromatograms": "chromatograms",
    "traits/measures": "trait_measures",
    "traits/effects": "trait_effects",
    "leaf_model/units": "leaf_model_units",
}
"""Table of the results, without ending -> its name in the kit."""


def content_sentences(material: Material) -> list[str]:
    """Return a paragraph on each content, as the report has its sentences.

    The order is that of the report: calibrated indices, chromatograms, leaf model, traits by the
    whole spectrum, effects of the treatments on these.
    """
    paragraphs: list[str] = []
    if material.pigments is not None:
        paragraphs += [str(entry["sentence"]) for entry in material.pigments["sentences"]]
        paragraphs += [str(entry) for entry in material.pigments["strips"]]
    if material.leaf_model is not None:
        paragraphs.append(" ".join(map(str, material.leaf_model["sentences"])))
    if material.traits is not None:
        paragraphs += [_sentences_of(target) for target in material.traits["targets"]]
        paragraphs += [str(row["sentence"]) for row in _asked(material)]
    return [_without_keys(paragraph, material) for paragraph in paragraphs if paragraph]


def _sentences_of(target: Mapping[str, Any]) -> str:
    sentences = [target["sentence"]]
    if target["trained"]:
        sentences += [target["error_sentence"], target["interval_sentence"], *target["rivals"]]
    return " ".join(map(str, sentences))


def _asked(material: Material) -> list[dict[str, Any]]:
    """Return the tests of estimated traits between treatments; those within them if there are none.

    As for the indices, a paper has the tests of one question; all stand in the CSV table.
    """
    table = material.tables.get("trait_effects")
    if table is None or not len(table):
        return []
    whole = [row for row in table_rows(table) if row["stratum"] == "all"]
    between = [row for row in whole if row["question"] != "change"]
    return between or whole


def _without_keys(text: str, material: Material) -> str:
    """Return text with the names of contents as words."""
    names: set[str] = set()
    if material.pigments is not None:
        names |= {str(entry["quantity"]) for entry in material.pigments["sentences"]}
    if material.traits is not None:
        names |= {str(entry["target"]) for entry in material.traits["targets"]}
    for name in sorted(names, key=len, reverse=True):
        text = text.replace(name, _words(name))
    return text


def _words(name: object) -> str:
    return str(name).replace("_", " ")


def content_tables(material: Material) -> list[PaperTable]:
    """Return every table of contents that the study has."""
    tables = (
        calibrations_table(material),
        traits_table(material),
        trait_tests_table(material),
        leaf_model_table(material),
    )
    return [table for table in tables if table is not None]


def calibrations_table(material: Material) -> PaperTable | None:
    """Return the chosen calibration of every content; ``None`` if there is none."""
    if material.pigments is None:
        return None
    table = material.tables["pigment_calibrations"]
    rows = [
        [
            f"{_words(row['quantity'])}{_in_parentheses(str(row['unit_of_value']))}",
            str(row["index"]),
            str(row["form"]),
            ", ".join(format_number(row[b], 4) for b in ("b0", "b1", "b2") if is_number(row[b])),
            f"{int(row['n_leaves'])} ({int(row['n_units'])})",
            format_number(row["rmse_cv"]),
            format_number(row["rmse_nested"]) if is_number(row["rmse_nested"]) else "none",
            f"{format_number(row['range_low'])} to {format_number(row['range_high'])}",
        ]
        for row in table_rows(table)
        if row["chosen"]
    ]
    if not rows:
        return None
    caption = (
        f"Indices calibrated to assayed contents. Coefficients: of a linear or quadratic form in "
        f"rising powers of the index; of a power, exp(first) times the index to the second. n: "
        f"leaves ({material.unit_words}). Error: root mean square error of {material.unit_words} "
        "left out; anew: with index and form chosen anew without each. Range: of the index."
    )
    heading = ("Content", "Index", "Form", "Coefficients", "n", "Error", "Anew", "Range")
    return PaperTable("calibrations", caption, r"lllp{38mm}rrrr", heading, rows)


_MEASURES: Final = ("rmsep", "r2", "bias", "slope", "rpd")


def traits_table(material: Material) -> PaperTable | None:
    """Return how well every trait is estimated from the whole spectrum; ``None`` if none is."""
    trained = [
        trait for trait in (material.traits or {"targets": []})["targets"] if trait["trained"]
    ]
    if not trained:
        return None
    rows = []
    for trait in trained:
        measures = []
        for name in _MEASURES:
            estimate, low, high = trait["measures"][name]
            if is_number(estimate) and is_number(low) and is_number(high):
                interval = format_interval(estimate, low, high)
                measures.append(f"{interval[0]} ({interval[1]} to {interval[2]})")
            else:
                measures.append(format_number(estimate) if is_number(estimate) else "none")
        rows.append(
            [
                f"{_words(trait['target'])}{_in_parentheses(str(trait['unit_of_value']))}",
                f"{trait['n_leaves']} ({trait['n_units']})",
                str(trait["n_components"]),
                *measures,
            ]
        )
    level = 100 * float(trained[0]["interval"])
    caption = (
        f"Traits estimated from the whole spectrum by partial least squares regression"
        f"{cite('wold1983')}, on {material.unit_words} left out, with {level:.4g} % intervals"
        f"{cite('efron1981')}. n: leaves ({material.unit_words}). RMSEP: root mean square error of "
        "prediction; slope: of the known on the estimated; RPD: spread of the known values over "
        "the error."
    )
    heading = ("Trait", "n", "Latent variables", "RMSEP", "R2", "Bias", "Slope", "RPD")
    columns = r"lrp{14mm}p{22mm}p{22mm}p{22mm}p{22mm}p{22mm}"
    return PaperTable("traits", caption, columns, heading, rows)


def trait_tests_table(material: Material) -> PaperTable | None:
    """Return the tests of the treatments on estimated traits; ``None`` if there are none."""
    tests = _asked(material)
    if not tests:
        return None
    words = contrast_words(
        material.stated_sessions, material.groups.names, ["before", "mean_before"]
    )
    rows = []
    for row in tests:
        has_estimate = is_number(row["estimate"])
        bounded = has_estimate and is_number(row["ci_low"]) and is_number(row["ci_high"])
        ends = format_interval(row["estimate"], row["ci_low"], row["ci_high"]) if bounded else None
        n = [row["n_units"], row["n_units_reference"]]
        rows.append(
            [
                f"{_words(row['target'])}{_in_parentheses(str(row['unit_of_value']))}",
                contrast_in_words(str(row["contrast"]), words),
                ends[0] if ends else format_number(row["estimate"]) if has_estimate else "none",
                f"{ends[1]} to {ends[2]}" if ends else "none",
                " + ".join(f"{int(value)}" for value in n if is_number(value)),
                format_df(row["df"]) if is_number(row["df"]) else "",
                format_p(row["p"]) if is_number(row["p"]) else "",
                format_p(row["p_holm"]) if is_number(row["p_holm"]) else "",
            ]
        )
    level = 100 * float(tests[0]["ci_level"])
    methods = " and ".join(dict.fromkeys(method_words(str(row["method"])) for row in tests))
    caption = (
        f"Treatments compared in traits estimated from spectra, by {methods}. n counts "
        f"{material.unit_words}. Intervals and p hold the uncertainty of the model that estimates "
        f"the trait; p (Holm) is adjusted by Holm{cite('holm1979')} over the tests of all traits."
    )
    heading = ("Trait", "Contrast", "Estimate", f"{level:.4g} % interval", "n", "df", "p",
               "p (Holm)")  # fmt: skip
    return PaperTable("trait_tests", caption, r"lp{46mm}rrrrrr", heading, rows)


def leaf_model_table(material: Material) -> PaperTable | None:
    """Return the contents by the leaf model in every session; ``None`` for a study without it."""
    if material.leaf_model is None:
        return None
    table = material.tables["leaf_model_units"]
    table = table[table["value"].notna()]
    weak = set(map(str, material.leaf_model["determined_by_prior"]))
    rows = []
    for (quantity, unit, session), group in table.groupby(
        ["quantity", "unit_of_value", "session"], sort=False
    ):
        values = group["value"].astype(float)
        name = f"{_words(quantity)}{_in_parentheses(str(unit))}"
        rows.append(
            [
                f"{name}, by its prior" if quantity in weak else name,
                str(session),
                str(len(group)),
                format_number(float(values.mean()), 3),
                format_number(float(values.std()), 2) if len(group) > 1 else "none",
                format_number(float(group["u"].astype(float).median()), 2),
            ]
        )
    if not rows:
        return None
    caption = (
        f"Contents by inversion of the leaf model {material.leaf_model['model']}{cite('feret2017')}"
        f", without an assay. n: {material.unit_words}; SD: standard deviation between them; u: "
        f"median standard uncertainty of {plural(material.unit_word)} (k = 1)."
    )
    heading = ("Content", "Session", "n", "Mean", "SD", "u")
    return PaperTable("leaf_model", caption, "llrrrr", heading, rows)
