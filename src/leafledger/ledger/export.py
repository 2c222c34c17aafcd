"""How is a run handed on: as a folder with crate, plant phenotyping checklist, methods, files?"""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections.abc import Iterable, Iterator, Mapping
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from leafledger.errors import InputFault, input_fault
from leafledger.ledger.book import plan_files
from leafledger.ledger.crate import METADATA, PREVIEW, WORKFLOW, ExportedRun, crate_metadata
from leafledger.ledger.paper_tables import methods_of_run
from leafledger.records import events
from leafledger.records.digests import files_below, sha256_of_file
from leafledger.study.table_files import (
    escape_formula_cell,
    refuse_links,
    write_bytes,
    write_json,
    write_text,
)

# The study in the fields of MIAPPE 1.1, the checklist for plant phenotyping experiments
# ----------------------------------------------------------------------
# References
# ----------
# Papoutsoglou, E. A. et al. (2020). Enabling reusability of plant phenomic datasets with
# MIAPPE 1.1.
# New Phytologist 227, 260-273. Field numbers, names and cardinalities are those of the checklist.

FIELDS: dict[str, tuple[str, str, str]] = {
    "DM-8": ("Investigation", "MIAPPE version", "1"),
    "DM-3": ("Investigation", "Investigation title", "1"),
    "DM-12": ("Study", "Study title", "1"),
    "DM-14": ("Study", "Start date of study", "1"),
    "DM-16": ("Study", "Contact institution", "1"),
    "DM-17": ("Study", "Geographic location (country)", "1"),
    "DM-18": ("Study", "Experimental site name", "1"),
    "DM-22": ("Study", "Description of the experimental design", "1"),
    "DM-24": ("Study", "Observation unit level hierarchy", "0-1"),
    "DM-25": ("Study", "Observation unit description", "1"),
    "DM-26": ("Study", "Description of growth facility", "1"),
    "DM-37": ("Data File", "Data file link", "1"),
    "DM-38": ("Data File", "Data file description", "1"),
    "DM-39": ("Data File", "Data file version", "1"),
    "DM-41": ("Biological Material", "Biological material ID", "1"),
    "DM-42": ("Biological Material", "Organism", "1"),
    "DM-58": ("Environment", "Environment parameter", "1+"),
    "DM-59": ("Environment", "Environment parameter value", "1 per parameter"),
    "DM-61": ("Experimental Factor", "Experimental Factor type", "1"),
    "DM-62": ("Experimental Factor", "Experimental Factor description", "0-1"),
    "DM-63": ("Experimental Factor", "Experimental Factor values", "2+ per factor"),
    "DM-65": ("Event", "Event type", "1"),
    "DM-68": ("Event", "Event date", "1+"),
    "DM-70": ("Observation Unit", "Observation unit ID", "1"),
    "DM-71": ("Observation Unit", "Observation unit type", "1"),
    "DM-73": ("Observation Unit", "Spatial distribution", "0+"),
    "DM-74": ("Observation Unit", "Observation Unit factor value", "0+"),
    "DM-76": ("Sample", "Sample ID", "1"),
    "DM-77": ("Sample", "Plant structure development stage", "0-1"),
    "DM-78": ("Sample", "Plant anatomical entity", "1"),
    "DM-79": ("Sample", "Sample description", "0-1"),
    "DM-80": ("Sample", "Collection date", "1"),
    "DM-83": ("Observed Variable", "Variable ID", "1"),
    "DM-86": ("Observed Variable", "Trait", "1"),
    "DM-88": ("Observed Variable", "Method", "1"),
    "DM-92": ("Observed Variable", "Scale", "1"),
    "DM-94": ("Observed Variable", "Time scale", "0+"),
}
"""Number -> section, field, how often it occurs."""

TO_FILL_IN = ("DM-16", "DM-17", "DM-18", "DM-26", "DM-41", "DM-42", "DM-58", "DM-59", "DM-65")
"""Fields that must be given and that no study file holds: they are written empty."""

UNIT_TYPES = ("study", "block", "sub-block", "plot", "sub-plot", "pot", "plant")
"""What the checklist lets an observation unit be (a leaf is a sample); empty if none of them."""

HEADING = ("number", "section", "entry", "field", "cardinality", "value")
Row = tuple[str, str, str]
"""Number of the field, entry (such as the unit's id), value."""


def miappe_csv(run: ExportedRun) -> str:
    """Return the study's MIAPPE fields as CSV, one line per value; empty where nobody said."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADING)
    for number, entry, value in _rows(run):
        section, name, times = FIELDS[number]
        writer.writerow(
            [number, section, escape_formula_cell(entry), name, times, escape_formula_cell(value)]
        )
    return text.getvalue()


def miappe_fields_filled(run: ExportedRun) -> set[str]:
    """Return the numbers of the fields that have a value for this run."""
    return {number for number, _, value in _rows(run) if value}


def _rows(run: ExportedRun) -> Iterator[Row]:
    settings = run.settings("effects")
    design, units = settings["design"], settings["units"]
    yield from _study(run, design)
    for path in sorted(run.results):
        if path.endswith((".csv", ".parquet")):
            yield "DM-37", path, path
            yield "DM-38", path, f"table of the stage {run.makers[path]}"
            yield "DM-39", path, run.run["run"]
    for number in ("DM-41", "DM-42"):
        yield number, "", ""
    yield from _environment(run)
    yield from _factors(design, units)
    yield "DM-65", "", ""
    for session in design["sessions"]:
        what = "to be measured" if session.get("to_come") else "measured"
        if session.get("skipped"):
            what = f"not measured ({session['skipped']})"
        yield "DM-68", f"{what}, {session['session']}", session["date"] or ""
    yield from _units(design, units)
    yield from _samples(run, design)
    yield from _variables(run, design)


def _study(run: ExportedRun, design: Mapping[str, Any]) -> Iterator[Row]:
    dates = sorted(s["date"] for s in design["sessions"] if s["date"])
    word = design["unit"] or "leaf"
    blocks = f", in blocks ({design['block']})" if design["block"] else ""
    yield "DM-8", "", "1.1"
    yield "DM-3", "", run.run["title"]
    yield "DM-12", "", run.run["title"]
    yield "DM-14", "", dates[0] if dates else ""
    for number in ("DM-16", "DM-17", "DM-18"):
        yield number, "", ""
    question = str(run.settings("report").get("question") or "")
    layout = f"{design['treatment']} dealt out to each {word}{blocks}"
    yield "DM-22", "", f"{question} {layout}".strip()
    yield "DM-24", "", " > ".join([w for w in (design["block"], word) if w])
    yield "DM-25", "", f"one {word}, measured on several leaves in each session"
    yield "DM-26", "", ""


def _environment(run: ExportedRun) -> Iterator[Row]:
    """Return weather and light of each session, as noted; empty fields where nobody noted any."""
    notes = (run.settings("report").get("field_notes") or {}).get("sessions") or {}
    recorded = [
        (name, session, text[name])
        for name in ("weather", "light")
        for session, text in notes.items()
        if name in text
    ]
    if not recorded:
        yield "DM-58", "", ""
        yield "DM-59", "", ""
    for name in dict.fromkeys(name for name, _, _ in recorded):
        yield "DM-58", name, name
    for name, session, text in recorded:
        yield "DM-59", f"{name}, {session}", text


def _factors(design: Mapping[str, Any], units: Mapping[str, Any]) -> Iterator[Row]:
    for name in [design["treatment"], *design["factors"]]:
        yield "DM-61", name, name
        yield "DM-62", name, f"control: {design['control']}" if name == design["treatment"] else ""
        for level in sorted({labels.get(name, "") for labels in units.values()} - {""}):
            yield "DM-63", name, level


def _units(design: Mapping[str, Any], units: Mapping[str, Any]) -> Iterator[Row]:
    for unit, labels in units.items():
        yield "DM-70", unit, unit
        yield "DM-71", unit, design["unit"] if design["unit"] in UNIT_TYPES else ""
        if design["block"] and labels.get(design["block"]):
            yield "DM-73", unit, f"{design['block']}:{labels[design['block']]}"
        for name in [design["treatment"], *design["factors"]]:
            if labels.get(name):
                yield "DM-74", unit, f"{name}: {labels[name]}"


def _samples(run: ExportedRun, design: Mapping[str, Any]) -> Iterator[Row]:
    dates = {s["session"]: s["date"] or "" for s in design["sessions"]}
    places = run.settings("unit_means")["scans"].values()
    leaves = dict.fromkeys((p["session"], p["unit"], p["leaf"]) for p in places)
    noted = _noted(run)
    for session, unit, leaf in leaves:
        sample = "-".join(part for part in (session, unit, leaf) if part)
        yield "DM-76", sample, sample
        yield "DM-77", sample, ""
        yield "DM-78", sample, "leaf"
        described = f"leaf {leaf} of {unit}" if leaf else f"leaf of {unit}"
        yield "DM-79", sample, "; ".join([described, *noted.get((session, unit, leaf), ())])
        yield "DM-80", sample, dates.get(session, "")


def _noted(run: ExportedRun) -> dict[tuple[str, str, str], list[str]]:
    """Return session, unit and leaf -> notes and photographs of its scans."""
    notes = (run.settings("report").get("field_notes") or {}).get("scans") or {}
    sample_of = run.settings("unit_means")["scans"]
    notes_by_leaf: dict[tuple[str, str, str], list[str]] = {}
    for scan, noted in notes.items():
        sample = sample_of.get(scan)
        if sample is None:
            continue  # a reference
        of_leaf = notes_by_leaf.setdefault((sample["session"], sample["unit"], sample["leaf"]), [])
        of_leaf += [f"note: {noted['note']}"] if "note" in noted else []
        of_leaf += [f"photograph: {noted['photo']}"] if "photo" in noted else []
    return notes_by_leaf


def _variables(run: ExportedRun, design: Mapping[str, Any]) -> Iterator[Row]:
    sessions = ", ".join(s["session"] for s in design["sessions"])
    for entry in run.json("results/indices/catalogue.json")["indices"]:
        index = entry["index"]
        yield "DM-83", index, index
        yield "DM-86", index, entry.get("name") or index
        yield "DM-88", index, f"{entry['formula']} ({entry['source']})"
        yield "DM-92", index, entry["unit"]
        yield "DM-94", index, sessions


# The folder
# ----------------------------------------------------------------------

METHODS = "methods.txt"
MIAPPE = "miappe.csv"


def export(
    folder: Path,
    out: Path,
    workflow: Path,
    run: str = "latest",
    raw: bool = False,
    licence: str | None = None,
    authors: Iterable[str] = (),
) -> list[str]:
    """Write a run of a study as an RO-Crate into the new folder ``out``.

    Parameters
    ----------
    folder, run
        The study folder and the run.
    out
        Where the crate goes; it must not exist yet, or be empty.
    workflow
        The Snakefile that the run followed.
    raw
        Put the raw files in as well; else only their digests are told.
    licence, authors
        What the study does not say.

    Returns
    -------
    list of str
        What the user should still fill in.

    Raises
    ------
    InputFault
        If ``out`` is taken, a link leads out of the study, or a part of the run is no longer kept.
    """
    refuse_links(folder)
    exported = ExportedRun(folder, run)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise _fault(out.name, "a folder that is not empty", "Name a new one.")
    authors, entry = list(authors), exported.run
    for path, file in {**exported.results, **(_raw_files(exported) if raw else {})}.items():
        (out / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(file, out / path)
    for name, digest in entry["study"].items():
        data = exported.book.history(digest)
        if data is None:
            raise _fault(name, "a copy that is no longer kept whole", "Export a newer run.")
        write_bytes(out / name, data)
    for task, record in exported.records.items():
        write_json(out / "records" / f"{task}.json", record)
    for path in (f"{events.RUNS}/{entry['run']}.json", *plan_files(entry)):
        if not (folder / path).is_file():
            raise _fault(path, "a recorded plan that is gone", "Put it back.")
        write_bytes(out / path, (folder / path).read_bytes())
    write_bytes(out / WORKFLOW, workflow.read_bytes())
    write_text(out / METHODS, methods_of_run(exported).as_text())
    write_text(out / MIAPPE, miappe_csv(exported))
    files = {path.relative_to(out).as_posix(): path for path in files_below(out)}
    metadata = crate_metadata(exported, files, licence, authors)
    write_text(out / PREVIEW, preview(metadata))
    write_json(out / METADATA, metadata)
    return _to_fill_in(exported, licence, authors)


def _raw_files(exported: ExportedRun) -> dict[str, Path]:
    places = {path: exported.folder / path for path in exported.raw}
    for path, file in places.items():
        if not file.is_file() or sha256_of_file(file) != exported.raw[path]["sha256"]:
            raise _fault(
                path,
                "a raw file that is gone or has changed since the run",
                "Put it back, or export without raw data.",
            )
    return places


def _fault(file: str, found: str, mend: str) -> InputFault:
    return input_fault(file, found, "what the run was made of, and a place for it", mend)


def _to_fill_in(run: ExportedRun, licence: str | None, authors: list[str]) -> list[str]:
    given = {number for number, _, value in _environment(run) if value}
    names = [FIELDS[number][1] for number in TO_FILL_IN if number not in given]
    notes = [f"{MIAPPE}: no study file holds these, fill them in: {', '.join(names)}"]
    if licence is None:
        notes.append("no licence was stated (--licence): nobody may reuse the data")
    if not authors:
        notes.append("no author was named (--author)")
    return notes


# The page to look at
# ----------------------------------------------------------------------


def preview(metadata: Mapping[str, Any]) -> str:
    """Return a crate's metadata as a page: what it is, its files, how each was made, by whom."""
    graph = {entity["@id"]: entity for entity in metadata["@graph"]}
    root = graph["./"]
    files = [graph[part["@id"]] for part in root["hasPart"] if part["@id"] in graph]
    tasks = [e for e in graph.values() if str(e["@id"]).startswith("#task-")]
    decisions = [e for e in graph.values() if str(e["@id"]).startswith("#decision-")]
    licence = graph.get(root["license"]["@id"], {"name": root["license"]["@id"]})
    sections = [
        f"<h1>{_text(root['name'])}</h1><p>{_text(root['description'])}</p>",
        f"<p>{_text(root['datePublished'])}. Licence: {_text(licence['name'])}</p>",
        _table("Files", ("file", "bytes", "made by", "SHA-256"), map(_file_row, files)),
        _table(
            "Stages", ("stage", "began", "settings", "reads"), (_task_row(t, graph) for t in tasks)
        ),
        _table(
            "Decisions",
            ("decision", "reason", "by", "when"),
            (
                (
                    d["name"],
                    d["description"],
                    graph[d["agent"]["@id"]]["name"],
                    d.get("endTime", ""),
                )
                for d in decisions
            ),
        ),
    ]
    style = (
        "body{font:16px/1.5 sans-serif;margin:2rem auto;max-width:70rem;padding:0 1rem}"
        "table{border-collapse:collapse;width:100%}td,th{border:1px solid #999;padding:.25rem "
        ".5rem;text-align:left;vertical-align:top;overflow-wrap:anywhere}"
    )
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{_text(root['name'])}</title><style>{style}</style></head>\n<body>\n"
        + "\n".join(sections)
        + "\n</body></html>\n"
    )


def _text(value: Any) -> str:
    return escape(str(value), quote=True)


def _table(title: str, heading: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    cells = ["".join(f"<td>{_text(cell)}</td>" for cell in row) for row in rows]
    if not cells:
        return f"<h2>{_text(title)}</h2><p>none</p>"
    head = "".join(f'<th scope="col">{_text(name)}</th>' for name in heading)
    body = "\n".join(f"<tr>{row}</tr>" for row in cells)
    return f"<h2>{_text(title)}</h2>\n<table><tr>{head}</tr>\n{body}\n</table>"


def _file_row(entity: Mapping[str, Any]) -> tuple[str, ...]:
    maker = entity.get("prov:wasGeneratedBy", {}).get("@id", "").removeprefix("#task-")
    return unquote(str(entity["@id"])), entity["contentSize"], maker, entity["sha256"]


def _task_row(task: Mapping[str, Any], graph: Mapping[str, Any]) -> tuple[str, ...]:
    given = [entity["@id"] for entity in task["object"]]
    settings = [graph[i] for i in given if i.startswith("#setting-")]
    read = [unquote(i.lstrip("#")) for i in given if not i.startswith("#setting-")]
    more = f" and {len(read) - 8} more" if len(read) > 8 else ""
    return (
        task["name"],
        task.get("startTime", ""),
        "; ".join(f"{s['name']} = {s['value']}" for s in settings) or "all as by default",
        ", ".join(read[:8]) + more,
    )


# For who cites the software, and for the data repository.
# ----------------------------------------------------------------------


def citation_file(version: str) -> str:
    """Return ``CITATION.cff`` of the software."""
    return (
        "cff-version: 1.2.0\n"
        "message: If you use this software, please cite it as below.\n"
        "type: software\n"
        "title: leafledger\n"
        "abstract: Carries a leaf reflectance study from raw spectrometer files to tested effects, "
        "an honest classifier and a ledger of every run.\n"
        "authors:\n"
        "  - name: The leafledger developers\n"
        f"version: {json.dumps(version)}\n"
        "license: MIT\n"
    )


_UNKNOWN = ":unav"
"""What the DataCite schema writes for a value that is not available."""


def datacite(
    run: ExportedRun, methods: str, licence: str | None, authors: Iterable[str]
) -> dict[str, Any]:
    """Return the metadata for a data repository; what nobody said is ``:unav``.

    Parameters
    ----------
    run
        The run that is handed on.
    methods
        The methods text.
    licence, authors
        What the study does not say.

    References
    ----------
    DataCite Metadata Working Group, DataCite Metadata Schema 4 (schema.datacite.org).
    """
    settings = run.settings("effects")
    dates = sorted(str(s["date"]) for s in settings["design"]["sessions"] if s["date"])
    question = str(run.settings("report").get("question") or run.run["title"])
    rights = (
        {"rightsUri": licence}
        if (licence or "").startswith(("http://", "https://"))
        else {"rights": licence or "No licence was stated: ask the authors before any reuse"}
    )
    people = [{"name": name, "nameType": "Personal"} for name in authors]
    about: dict[str, Any] = {
        "schemaVersion": "http://datacite.org/schema/kernel-4",
        "identifiers": [],
        "creators": people or [{"name": _UNKNOWN}],
        "titles": [{"title": str(run.run["title"])}],
        "publisher": _UNKNOWN,
        "publicationYear": str(run.run["ended"])[:4],
        "types": {"resourceTypeGeneral": "Dataset", "resourceType": "leaf reflectance study"},
        "subjects": [{"subject": s} for s in ("leaf reflectance", "plant phenotyping")],
        "language": "en",
        "version": str(run.run["run"]),
        "rightsList": [rights],
        "descriptions": [
            {"descriptionType": "Abstract", "description": question},
            {"descriptionType": "Methods", "description": methods},
        ],
    }
    if dates:
        span = dates[0] if dates[0] == dates[-1] else f"{dates[0]}/{dates[-1]}"
        about["dates"] = [{"date": span, "dateType": "Collected"}]
    return about
