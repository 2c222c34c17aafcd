"""A run handed on as a folder: crate, fields of the plant phenotyping checklist, methods, files."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from leafledger.errors import InputFault, Problem
from leafledger.ledger.crate import METADATA, PREVIEW, WORKFLOW, crate
from leafledger.ledger.exported import ExportedRun
from leafledger.ledger.methods_words import methods
from leafledger.ledger.miappe import FIELDS, TO_FILL_IN, miappe_csv
from leafledger.ledger.plans import files_of_lodged
from leafledger.records import events
from leafledger.records.digests import files_below, sha256_of_file
from leafledger.study.links import refuse_links
from leafledger.study.tables import write_bytes, write_json, write_text

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
    found = ExportedRun(folder, run)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise _fault(out.name, "a folder that is not empty", "Name a new one.")
    authors = list(authors)
    sources: dict[str, Path] = dict(found.results)
    if raw:
        sources |= _raw(found)
    for path, place in sources.items():
        (out / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(place, out / path)
    for name in found.run["study"]:
        data = found.sheet(name)
        if data is None:
            raise _fault(name, "a copy that is no longer kept whole", "Export a newer run.")
        write_bytes(out / name, data)
    for task, record in found.records.items():
        write_json(out / "records" / f"{task}.json", record)
    entry = f"{events.RUNS}/{found.run['run']}.json"
    write_bytes(out / entry, (folder / entry).read_bytes())
    for path in files_of_lodged(found.run):
        if not (folder / path).is_file():
            raise _fault(path, "a recorded plan that is gone", "Put it back.")
        write_bytes(out / path, (folder / path).read_bytes())
    write_bytes(out / WORKFLOW, workflow.read_bytes())
    write_text(out / METHODS, methods(found))
    write_text(out / MIAPPE, miappe_csv(found))
    files = {path.relative_to(out).as_posix(): path for path in files_below(out)}
    told = crate(found, files, licence, authors)
    write_text(out / PREVIEW, preview(told))
    write_json(out / METADATA, told)
    return _to_fill_in(licence, authors)


def _raw(found: ExportedRun) -> dict[str, Path]:
    places = {}
    for path, given in found.raw.items():
        place = found.folder / path
        if not place.is_file() or sha256_of_file(place) != given["sha256"]:
            raise _fault(
                path,
                "a raw file that is gone or has changed since the run",
                "Put it back, or export without raw data.",
            )
        places[path] = place
    return places


def _fault(file: str, found: str, mend: str) -> InputFault:
    return InputFault(Problem(file, found, "what the run was made of, and a place for it", mend))


def _to_fill_in(licence: str | None, authors: list[str]) -> list[str]:
    names = [FIELDS[number][1] for number in TO_FILL_IN]
    notes = [f"{MIAPPE}: no study file holds these, fill them in: {', '.join(names)}"]
    if licence is None:
        notes.append("no licence was stated (--licence): nobody may reuse the data")
    if not authors:
        notes.append("no author was named (--author)")
    return notes


# --- for a person to look at -----------------------------------------------------------------


def preview(told: Mapping[str, Any]) -> str:
    """Return a crate's metadata as a page: what it is, its files, how each was made, by whom."""
    graph = {entity["@id"]: entity for entity in told["@graph"]}
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
    given = [one["@id"] for one in task["object"]]
    settings = [graph[i] for i in given if i.startswith("#setting-")]
    read = [unquote(i.lstrip("#")) for i in given if not i.startswith("#setting-")]
    more = f" and {len(read) - 8} more" if len(read) > 8 else ""
    return (
        task["name"],
        task.get("startTime", ""),
        "; ".join(f"{s['name']} = {s['value']}" for s in settings) or "all as by default",
        ", ".join(read[:8]) + more,
    )
