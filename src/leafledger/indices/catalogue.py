"""The catalogue of published indices: one row each in ``catalogue.csv``, with its source."""

from __future__ import annotations

import csv
import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leafledger.spectra.bands import Band
from leafledger.spectra.formula import (
    Node,
    bands_of,
    parse,
    tree_as_json,
    tree_from_json,
    widened,
    written,
)

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
    with _FILE.open(encoding="utf-8", newline="") as lines:
        return {row["index"]: _entry(row) for row in csv.DictReader(lines)}


def averaged(entry: Entry, width_nm: float) -> Entry:
    """Return the index with every single wavelength read as a mean over ``width_nm``."""
    values = {**entry.__dict__, "tree": widened(entry.tree, width_nm)}
    return Entry(**values) if width_nm else entry


def _entry(row: dict[str, str]) -> Entry:
    authors = row["authors"]
    memory = "from memory" + (f"; {row['seen']}" if row["seen"] else "")
    when = authors if "(" in authors else f"{authors} ({row['year']})"
    return Entry(
        index=row["index"],
        name=row["name"],
        formula=row["formula"],
        unit=row["unit"],
        band_width_nm=float(row["band_width_nm"] or 0),
        domain=row["domain"],
        responds_to=row["responds_to"],
        confusions=row["confusions"],
        source=f"{when}. {row['journal']} ({memory})",
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
    return [Formula(one["index"], tree_from_json(one["tree"])) for one in value["indices"]]
