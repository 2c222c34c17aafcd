"""Which indices does a study compute, and is each formula fit for its spectra? Rule `catalogue`.

The catalogue of published indices and the study's own formulas become one table, parsed once; what
is wrong with a formula is said at `check`, and the same table is the page of the documentation.
"""

from __future__ import annotations

import csv
import functools
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.records.record import Job, Metric, Outcome
from leafledger.spectra.formula import (
    FUNCTIONS,
    LARGEST_EXPONENT,
    LONGEST_NM,
    MOST_BANDS,
    MOST_CHARACTERS,
    MOST_DEPTH,
    SHORTEST_NM,
    FormulaError,
    Node,
    bands_of,
    parse,
    tree_as_json,
    tree_from_json,
    widened,
    written,
)
from leafledger.spectra.grid import Band
from leafledger.study.table_files import write_json

# The catalogue
# ----------------------------------------------------------------------

_FILE = Path(__file__).with_name("catalogue.csv")


@dataclass(frozen=True)
class Formula:
    """What has to be computed of an index.

    Attributes
    ----------
    index
        Its id, as in the tables.
    tree
        The formula as it is computed.
    """

    index: str
    tree: Node

    @property
    def bands(self) -> list[Band]:
        """The bands that are read, by rising wavelength."""
        return bands_of(self.tree)


@dataclass(frozen=True)
class Entry(Formula):
    """An index: published, or a formula of the user's own.

    Attributes
    ----------
    name
        What it is, in words.
    formula
        As published (in our formula language), before any averaging over a width.
    unit
        ``1``, or the unit of the value.
    band_width_nm
        Width over which single wavelengths are averaged unless the study says otherwise; 0 reads
        them by interpolation.
    domain
        ``leaf``, ``canopy`` (of doubtful meaning for a leaf in a clip) or ``user``.
    responds_to, confusions
        In words; empty for a user formula.
    source
        Authors, year and journal, with the words "from memory": the sources of the catalogue were
        written down without the papers at hand, and column ``seen`` says where a formula was found
        since. For a user formula what the user wrote.
    authors, year, journal
        Parts of the source of a published index; empty for a user formula.
    """

    name: str
    formula: str
    unit: str
    band_width_nm: float
    domain: str
    responds_to: str
    confusions: str
    source: str
    authors: str = ""
    year: str = ""
    journal: str = ""

    def as_dict(self) -> dict[str, object]:
        """Return what ``indices/catalogue.json`` says of the index.

        ``formula`` is what was computed, with the ranges over which bands were averaged;
        ``published_formula`` is the definition. ``bands_nm`` holds ``[start, stop]`` of every
        band, equal for a single wavelength.
        """
        return {
            "index": self.index,
            "name": self.name,
            "formula": written(self.tree),
            "published_formula": self.formula,
            "unit": self.unit,
            "source": self.source,
            "bands_nm": [[band.start_nm, band.stop_nm] for band in self.bands],
            "domain": self.domain,
            "responds_to": self.responds_to,
            "confusions": self.confusions,
        }


@functools.cache
def catalogue() -> dict[str, Entry]:
    """Return all published indices by id, in the order of the file, read as published."""
    return {row["index"]: _entry(row) for row in published_rows()}


@functools.cache
def published_rows() -> tuple[dict[str, str], ...]:
    """Return the rows of the catalogue's file, in its order."""
    with _FILE.open(encoding="utf-8", newline="") as lines:
        return tuple(csv.DictReader(lines))


def source_of(row: Mapping[str, str]) -> str:
    """Return where an index was published, in one line, from its row of the catalogue's file."""
    authors = row["authors"]
    memory = "from memory" + (f"; {row['seen']}" if row["seen"] else "")
    when = authors if "(" in authors else f"{authors} ({row['year']})"
    return f"{when}. {row['journal']} ({memory})"


def averaged(entry: Entry, width_nm: float) -> Entry:
    """Return the index with every single wavelength read as a mean over ``width_nm``."""
    values = {**entry.__dict__, "tree": widened(entry.tree, width_nm)}
    return Entry(**values) if width_nm else entry


def _entry(row: dict[str, str]) -> Entry:
    return Entry(
        index=row["index"],
        name=row["name"],
        formula=row["formula"],
        unit=row["unit"],
        band_width_nm=float(row["band_width_nm"] or 0),
        domain=row["domain"],
        responds_to=row["responds_to"],
        confusions=row["confusions"],
        source=source_of(row),
        tree=parse(row["formula"]),
        authors=row["authors"],
        year=row["year"],
        journal=row["journal"],
    )


def formulas_as_json(formulas: Iterable[Formula]) -> dict[str, Any]:
    """Return what ``indices/formulas.json`` holds: ids and formulas, read and ready to compute."""
    return {"indices": [{"index": f.index, "tree": tree_as_json(f.tree)} for f in formulas]}


def formulas_from_json(value: Mapping[str, Any]) -> list[Formula]:
    """Return the formulas that :func:`formulas_as_json` wrote."""
    return [Formula(row["index"], tree_from_json(row["tree"])) for row in value["indices"]]


# The indices of a study
# ----------------------------------------------------------------------

ALL = "all"
_STUDY_FILE = "study.yaml"
_AROUND = 18


def check_indices(settings: Mapping[str, Any]) -> list[Problem]:
    """Return every fault in the ``indices`` section of a study.

    Parameters
    ----------
    settings
        The section as plain values: ``use``, ``band_read``, ``formulas``.

    Returns
    -------
    list of Problem
        Unknown names (with the nearest valid one), names given twice, formulas that take the
        name of a published index, formulas that cannot be read. Empty if all is well.
    """
    formulas = list(settings["formulas"])
    own_names = [str(formula["index"]) for formula in formulas]
    return [
        *_names_problems([str(name) for name in settings["use"]], own_names),
        *_ids_problems(own_names),
        *[problem for formula in formulas for problem in _formula_problems(formula)],
    ]


def chosen(settings: Mapping[str, Any]) -> list[Entry]:
    """Return the indices a study asks for, as they are computed.

    Parameters
    ----------
    settings
        As in :func:`check_indices`.

    Returns
    -------
    list of Entry
        In the order of ``use`` (``all``: the whole catalogue), then the user's formulas that
        ``use`` does not name. ``band_read: {mean_over_nm: w}`` averages every single wavelength
        of every formula over w; otherwise only published indices with a width of their own are
        averaged (WI over 10 nm).

    Raises
    ------
    InputFault
        If :func:`check_indices` finds anything.
    """
    problems = check_indices(settings)
    if problems:
        raise InputFault(problems)
    own_entries = {formula["index"]: _user_entry(formula) for formula in settings["formulas"]}
    names: dict[str, None] = {}
    for name in settings["use"]:
        names.update(dict.fromkeys(catalogue() if name == ALL else [name]))
    names.update(dict.fromkeys(own_entries))
    entries = {**catalogue(), **own_entries}
    read = settings["band_read"]
    return [
        averaged(
            entries[name],
            entries[name].band_width_nm if isinstance(read, str) else float(read["mean_over_nm"]),
        )
        for name in names
    ]


def _names_problems(use: list[str], own_names: list[str]) -> list[Problem]:
    valid = [*catalogue(), *own_names]
    problems = [
        Problem(
            file=_STUDY_FILE,
            column="indices.use",
            found=quoted(name),
            expected=f"an index of the catalogue, of indices.formulas, or {ALL}",
            mend=_hint(name, [*valid, ALL]),
        )
        for name in dict.fromkeys(use)
        if name != ALL and name not in valid
    ]
    problems += [
        Problem(
            file=_STUDY_FILE,
            column="indices.use",
            found=f"{quoted(name)} {times} times",
            expected="each index once",
            mend="Leave it in once.",
        )
        for name, times in Counter(use).items()
        if times > 1
    ]
    if not use and not own_names:
        problems.append(
            Problem(
                file=_STUDY_FILE,
                column="indices.use",
                found="no index",
                expected="at least one index or formula",
                mend="Name an index, such as NDVI, or leave the key out for the default ones.",
            )
        )
    return problems


def _ids_problems(own_names: list[str]) -> list[Problem]:
    problems = []
    for name, times in Counter(own_names).items():
        if name in catalogue() or name == ALL:
            whose = "the word for all indices" if name == ALL else "the name of a published index"
            expected = "a name that the catalogue does not use"
        elif times > 1:
            whose, expected = f"the name of {times} formulas", "each name once"
        else:
            continue
        problems.append(
            Problem(
                file=_STUDY_FILE,
                column=f"indices.formulas.{name}",
                found=f"{quoted(name)}, {whose}",
                expected=expected,
                mend="Give the formula another name.",
            )
        )
    return problems


def _formula_problems(formula: Mapping[str, Any]) -> list[Problem]:
    text = str(formula["formula"])
    try:
        parse(text)
    except FormulaError as fault:
        return [
            Problem(
                file=_STUDY_FILE,
                column=f"indices.formulas.{formula['index']}",
                found=_where(text, fault.place),
                expected=fault.expected,
                mend=fault.mend,
            )
        ]
    return []


def _where(text: str, position: int) -> str:
    """Return the offending character, its position counted from 1, and the text around it."""
    start, stop = max(0, position - _AROUND), position + _AROUND
    excerpt = ("..." if start else "") + text[start:stop] + ("..." if stop < len(text) else "")
    if position >= len(text):
        return f"the end of the formula after {quoted(excerpt)} (character {position + 1})"
    return f"{quoted(text[position])} at character {position + 1} of {quoted(excerpt)}"


def _hint(name: str, valid: list[str]) -> str:
    by_case = {word.casefold(): word for word in valid}
    if name.casefold() in by_case:
        return f'Did you mean "{by_case[name.casefold()]}"?'
    return nearest(name[:64], valid)


def _user_entry(formula: Mapping[str, Any]) -> Entry:
    return Entry(
        index=str(formula["index"]),
        name="formula of this study",
        formula=str(formula["formula"]),
        unit=str(formula["unit"]),
        band_width_nm=0.0,
        domain="user",
        responds_to="",
        confusions="",
        source=str(formula["source"]),
        tree=parse(str(formula["formula"])),
    )


# The page of the documentation
# ----------------------------------------------------------------------

_HEAD = f"""# Indices

<!-- Made from src/leafledger/indices/catalogue.csv; do not edit. A test says how to renew it. -->

`indices.use` in study.yaml names indices of this page, or `all`. `indices.formulas` adds your own.
An index stands in for a pigment or for water only as far as leaves like yours were calibrated;
without extracted pigment say "index", not "pigment".

## How bands are read

`R(705)` is the reflectance (a fraction, not percent) at 705 nm by linear interpolation between the
neighbouring wavelengths. `R(750, 800)` is the mean of the interpolated reflectance at every whole
nanometre from 750 to 800 nm, both ends included. `indices.band_read: {{mean_over_nm: 5}}` reads
every single wavelength, also of your own formulas, as the mean over 5 nm around it. Without that
setting only WI is averaged (over 10 nm); write `R(900) / R(970)` as a formula of your own for the
published single bands.

An index with a band outside the trusted range is named in a warning and gets the status
`outside_range` and no value; nothing is extrapolated. A division by zero, or the root, logarithm
or fractional power of a negative number, gives the status `undefined` and no value.

## Uncertainty

`u_scan`, `u_reference` and `u_panel` are standard uncertainties (k = 1) by the law of propagation
(JCGM 100:2008, equations 10 and 13), with exact derivatives of the formula. Noise is taken as
independent from wavelength to wavelength, and a pixel that two bands share counts once for both.
What moves all wavelengths together (drift of the lamp, a dark that is off as a whole, stray light,
linearity, the axis, integration times; the panel) goes through the formula as one spectrum with
its signs, so that it cancels or adds up as it does in the index. Where the grid is finer than the
pixels of the instrument, the noise of neighbouring wavelengths is one: the uncertainty of an
average over a range is then too small, by up to the square root of the wavelengths per pixel.
Unknown uncertainty stays empty.

## Your own formulas

Numbers with a decimal point, `R(...)`, `+ - * / ^`, parentheses, and the functions
{", ".join(f"`{name}`" for name in FUNCTIONS)}. `-R(700)^2` is the negative of the square. At most
{MOST_CHARACTERS} characters, {MOST_DEPTH} levels and {MOST_BANDS} bands from {SHORTEST_NM:g} to
{LONGEST_NM:g} nm; exponents are plain numbers from -{LARGEST_EXPONENT:g} to
{LARGEST_EXPONENT:g}.

```yaml
indices:
  use: [NDVI, CI_rededge]
  formulas:
    - {{index: RE_contrast, formula: "(R(750) - R(705)) / (R(750) + R(705))", source: "ours"}}
```

## Catalogue
"""


def document() -> str:
    """Return ``docs/indices.md`` as text."""
    return _HEAD + "".join(_section(entry) for entry in catalogue().values())


def _section(entry: Entry) -> str:
    lines = ["", f"### {entry.index}: {entry.name}", "", f"`{entry.formula}`", ""]
    if entry.band_width_nm:
        computed = written(averaged(entry, entry.band_width_nm).tree)
        lines.append(f"- computed as: `{computed}`")
    lines += [
        f"- unit: {entry.unit}; bands: {', '.join(band.words() for band in entry.bands)}",
        f"- responds to: {entry.responds_to}",
        f"- beware: {entry.confusions}",
        f"- source: {entry.source}",
    ]
    if entry.domain == "canopy":
        lines.insert(4, "Made for a canopy; of doubtful meaning for a leaf in a clip.\n")
    return "\n".join(lines) + "\n"


# The rule `catalogue`: what the indices of a study are, from the settings alone
# ----------------------------------------------------------------------

_VISIBLE_NM = (385.0, 700.0)
"""Lines of room lamps, and the light of a room that is measured, lie here."""


def run(job: Job) -> Outcome:
    """Write which indices were asked for, in that order.

    ``indices/catalogue.json`` holds them all. ``indices/visible.json`` holds id and formula of
    those that read a band in 385 to 700 nm: the checks of room light read these, and nothing else
    of an index can make them run again.

    ``indices/formulas.json`` holds what their values rest on: ids and formulas as they are
    computed. A change of a source or a unit leaves it, and with it the values, as they were.

    Raises
    ------
    InputFault
        If an index is unknown or a formula cannot be read.
    """
    entries = chosen(job.settings["indices"])
    write_json(job.outputs["catalogue"], {"indices": [entry.as_dict() for entry in entries]})
    write_json(job.outputs["formulas"], formulas_as_json(entries))
    visible = [entry for entry in entries if any(map(_is_visible, entry.bands))]
    write_json(
        job.outputs["visible_indices"],
        {"indices": [{"index": e.index, "formula": written(e.tree)} for e in visible]},
    )
    doubtful = [entry.index for entry in entries if entry.domain == "canopy"]
    warnings = []
    if doubtful:
        warnings.append(
            f"{', '.join(doubtful)}: made for a canopy over soil; of doubtful meaning for a leaf "
            "in a clip."
        )
    return Outcome(metrics=[Metric("n_indices", len(entries))], warnings=warnings)


def _is_visible(band: Band) -> bool:
    return band.stop_nm >= _VISIBLE_NM[0] and band.start_nm <= _VISIBLE_NM[1]
