"""How is a run described as an RO-Crate, the open standard for research data with their origin?

The library rocrate 0.16 was tried (one package more, arcp): it took over the 537 entities of the
demo unchanged, so that only 22 lines here would go; it puts the clock into `datePublished`, names
another version of the standard and orders the graph anew with its own versions.

References
----------
RO-Crate 1.1 (w3id.org/ro/crate/1.1); Workflow Run Crate profile 0.5 (w3id.org/ro/wfrun/workflow);
W3C PROV-O (www.w3.org/TR/prov-o): used, wasGeneratedBy, wasDerivedFrom, wasAssociatedWith,
wasInformedBy.
"""

from __future__ import annotations

import datetime as dt
import mimetypes
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from leafledger.errors import input_fault
from leafledger.ledger.view import BookView
from leafledger.records.digests import sha256_of_file
from leafledger.records.record import Record
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.scan_sheet import Decision
from leafledger.study.settings import settings_of_record
from leafledger.study.table_files import read_json

if TYPE_CHECKING:
    import pandas as pd


# What is exported: one run with its records, settings, decisions and tables
# ----------------------------------------------------------------------

_MADE = ("results/", "records/")


class ExportedRun:
    """One run that ended well, as it will be handed on.

    Parameters
    ----------
    folder
        The study folder.
    name
        The run's id, how it begins, or ``latest``.

    Raises
    ------
    InputFault
        If the run did not end well, or some of its records or results are no longer kept.
    """

    def __init__(self, folder: Path, name: str) -> None:
        self.book = BookView(folder)
        self.folder = folder
        self.run = self.book.run(name)
        self.records = self.book.records_of(self.run)
        missing = [] if self.run["outcome"] == "done" else ["the run did not end well"]
        missing += [f"record of {task}" for task in set(self.run["records"]) - set(self.records)]
        missing += [path for path, file in self._contents() if file is None]
        if missing or not self.records:
            raise input_fault(
                file=f"ledger/runs/{self.run['run']}.json",
                found=f"{', '.join(sorted(missing)[:3]) or 'no record'}: not there as recorded",
                expected="a run that ended well, with all its results kept",
                mend="Run the study again, then export that run; `leafledger runs` lists them.",
            )

    def _contents(self) -> Iterator[tuple[str, Path | None]]:
        for record in self.records.values():
            for output in record["outputs"]:
                yield output["path"], self.book.content(record, output)

    @cached_property
    def results(self) -> dict[str, Path]:
        """Path -> where the recorded content of every result lies."""
        return {path: file for path, file in self._contents() if file is not None}

    @cached_property
    def makers(self) -> dict[str, str]:
        """Path of every result -> the task that made it."""
        return {o["path"]: task for task, r in self.records.items() for o in r["outputs"]}

    @cached_property
    def digests(self) -> dict[str, str]:
        """Path of every result -> its digest."""
        return {o["path"]: o["sha256"] for r in self.records.values() for o in r["outputs"]}

    @cached_property
    def raw(self) -> dict[str, dict[str, Any]]:
        """Path -> digest and bytes of every file that a person wrote and a stage read."""
        return {
            given["path"]: given
            for record in self.records.values()
            for given in record["inputs"]
            if not given["path"].startswith(_MADE) and given["path"] not in self.run["study"]
        }

    @cached_property
    def decisions(self) -> list[Decision]:
        """The decisions that were applied, in file order."""
        digest = self.run["study"].get(DECISIONS)
        return (self.book.decisions(digest) or []) if digest else []

    def settings(self, rule: str) -> Mapping[str, Any]:
        """Return the settings of a rule; of one that runs per session, those of the first."""
        of_rule = (r["settings"] for r in self.records.values() if r["rule"] == rule)
        return next(of_rule, {})

    def json(self, path: str) -> Any:
        """Return a JSON result."""
        return read_json(self.results[path])

    def table(self, path: str) -> pd.DataFrame:
        """Return a CSV result."""
        from leafledger.study.table_files import read_csv

        return read_csv(self.results[path])


# What its tasks read: files of the crate, and content that is not in it
# ----------------------------------------------------------------------

Entity = dict[str, Any]


def file_id(path: str) -> str:
    """Return the identifier of a file: its path, as an address."""
    return quote(path, safe="/-_.~")


def file_reference(path: str, files: Mapping[str, Path]) -> str:
    """Return the identifier of a file of the crate, or of one that is only known by digest."""
    return file_id(path) if path in files else f"#{file_id(path)}"


def input_id(run: ExportedRun, given: Mapping[str, Any], files: Mapping[str, Path]) -> str:
    """Return the identifier of what a task read.

    The table of the variants reads results of their runs, which have the same paths as those of
    this run and another content.
    """
    if _of_another_run(run, given):
        return f"#{file_id(given['path'])}-{given['sha256'][:12]}"
    return file_reference(given["path"], files)


def _of_another_run(run: ExportedRun, given: Mapping[str, Any]) -> bool:
    path = str(given["path"])
    return path.startswith("results/") and run.digests.get(path) != given["sha256"]


def external_files(run: ExportedRun, files: Mapping[str, Path]) -> Iterator[Entity]:
    """Yield what was read and is not in the crate: known by digest."""
    outside = [(given, "read by the run") for path, given in run.raw.items() if path not in files]
    outside += [
        (given, "result of the run of a variant")
        for record in run.records.values()
        for given in record["inputs"]
        if _of_another_run(run, given)
    ]
    for given, what in outside:
        yield {
            "@id": input_id(run, given, files),
            "@type": ["CreativeWork", "prov:Entity"],
            "name": given["path"],
            "description": f"{what}, not part of this crate",
            "contentSize": str(given["bytes"]),
            "sha256": given["sha256"],
        }


# The metadata
# ----------------------------------------------------------------------

METADATA = "ro-crate-metadata.json"
PREVIEW = "ro-crate-preview.html"
WORKFLOW = "workflow/Snakefile"
CONTEXT = [
    "https://w3id.org/ro/crate/1.1/context",
    {"prov": "http://www.w3.org/ns/prov#", "sha256": "https://schema.org/sha256"},
]
PROFILES = (
    "https://w3id.org/ro/wfrun/process/0.5",
    "https://w3id.org/ro/wfrun/workflow/0.5",
    "https://w3id.org/workflowhub/workflow-ro-crate/1.0",
)
_LANGUAGE = "https://w3id.org/workflowhub/workflow-ro-crate#snakemake"
_SOFTWARE = "#leafledger"
_NO_LICENCE = "#no-licence"
_FORMATS = {
    ".parquet": "application/vnd.apache.parquet",
    ".skops": "application/zip",
    ".yaml": "application/yaml",
    "": "text/plain",
}


def crate_metadata(
    run: ExportedRun, files: Mapping[str, Path], licence: str | None, authors: Iterable[str]
) -> dict[str, Any]:
    """Return the metadata of a crate as JSON-LD.

    Parameters
    ----------
    run
        The run that is exported.
    files
        Path in the crate -> where the file lies now; all of them are described.
    licence
        Address or text of the licence, ``None`` if none was stated.
    authors
        Names of the authors.
    """
    graph = [_descriptor(), *_root(run, files, licence, authors), *_software(run)]
    graph += [_file(run, path, file) for path, file in files.items()]
    graph += external_files(run, files)
    graph += _tasks(run, files)
    graph += _decisions(run)
    return {"@context": CONTEXT, "@graph": list({e["@id"]: e for e in graph}.values())}


def _to(identifier: str) -> dict[str, str]:
    return {"@id": identifier}


def _descriptor() -> Entity:
    return {
        "@id": METADATA,
        "@type": "CreativeWork",
        "about": _to("./"),
        "conformsTo": [
            _to("https://w3id.org/ro/crate/1.1"),
            _to("https://w3id.org/workflowhub/workflow-ro-crate/1.0"),
        ],
    }


def _root(
    run: ExportedRun, files: Mapping[str, Path], licence: str | None, authors: Iterable[str]
) -> Iterator[Entity]:
    question = run.settings("report").get("question") or run.run["title"]
    people = [f"#person-{quote(name, safe='')}" for name in authors]
    root: Entity = {
        "@id": "./",
        "@type": "Dataset",
        "name": run.run["title"],
        "description": question,
        "datePublished": str(run.run["ended"])[:10],
        "license": _to(licence if licence and _is_address(licence) else _NO_LICENCE),
        "conformsTo": [_to(profile) for profile in PROFILES],
        "mainEntity": _to(WORKFLOW),
        "mentions": [_to(_action(run))],
        "hasPart": [_to(file_id(path)) for path in files],
    }
    if people:
        root["author"] = [_to(person) for person in people]
    yield root
    for name, person in zip(authors, people, strict=True):
        yield {"@id": person, "@type": "Person", "name": name}
    for profile in PROFILES:
        name, version = profile.split("/")[-2:]
        yield {"@id": profile, "@type": "CreativeWork", "name": name, "version": version}
    if licence and _is_address(licence):
        yield {"@id": licence, "@type": "CreativeWork", "name": licence}
    else:
        name = licence or "No licence was stated: ask the authors before any reuse"
        yield {"@id": _NO_LICENCE, "@type": "CreativeWork", "name": name}


def _is_address(licence: str) -> bool:
    return licence.startswith(("http://", "https://"))


def _action(run: ExportedRun) -> str:
    return f"#run-{run.run['run']}"


def _software(run: ExportedRun) -> Iterator[Entity]:
    yield {
        "@id": _SOFTWARE,
        "@type": "SoftwareApplication",
        "name": "leafledger",
        "softwareVersion": run.run["package"],
    }
    yield {"@id": _LANGUAGE, "@type": "ComputerLanguage", "name": "Snakemake"}
    by_rule = {record["rule"]: record for record in run.records.values()}
    for rule, record in by_rule.items():
        libraries = ", ".join(f"{k} {v}" for k, v in record["libraries"].items())
        yield {
            "@id": f"#stage-{rule}",
            "@type": "SoftwareApplication",
            "name": f"leafledger, stage {rule}",
            "softwareVersion": record["code"]["package"],
            "identifier": f"sha256:{record['code']['sha256']}",
            "softwareRequirements": libraries,
            "isPartOf": _to(_SOFTWARE),
        }


def _file(run: ExportedRun, path: str, file: Path) -> Entity:
    entity: Entity = {
        "@id": file_id(path),
        "@type": "File",
        "name": path,
        "encodingFormat": _format(path),
        "contentSize": str(file.stat().st_size),
        "sha256": sha256_of_file(file),
    }
    if path == WORKFLOW:
        entity["@type"] = ["File", "SoftwareSourceCode", "ComputationalWorkflow"]
        entity["programmingLanguage"] = _to(_LANGUAGE)
        entity["name"] = "workflow of leafledger"
    maker = run.makers.get(path)
    if maker is not None:
        entity["prov:wasGeneratedBy"] = _to(f"#task-{maker}")
        entity["prov:wasAttributedTo"] = _to(_SOFTWARE)
    return entity


def _format(path: str) -> str:
    suffix = Path(path).suffix
    return _FORMATS.get(suffix) or mimetypes.guess_type(path)[0] or "application/octet-stream"


def _tasks(run: ExportedRun, files: Mapping[str, Path]) -> Iterator[Entity]:
    yield {
        "@id": _action(run),
        "@type": "CreateAction",
        "name": f"run {run.run['run']}",
        "instrument": _to(WORKFLOW),
        "object": [_to(file_reference(path, files)) for path in [*run.raw, *run.run["study"]]],
        "result": [_to(file_id(path)) for path in run.makers],
        "startTime": run.run["started"],
        "endTime": run.run["ended"],
        "actionStatus": _to("http://schema.org/CompletedActionStatus"),
    }
    for task, record in run.records.items():
        settings = list(_settings(task, record))
        yield from settings
        yield _task(run, task, record, settings, files)


def _settings(task: str, record: Record) -> Iterator[Entity]:
    """Yield the settings that differ from the defaults; the record in the crate holds them all."""
    for setting in settings_of_record(record):
        if setting.changed:
            yield {
                "@id": f"#setting-{task}-{quote(setting.name, safe='')}",
                "@type": "PropertyValue",
                "name": setting.name,
                "value": setting.value,
            }


def _task(
    run: ExportedRun,
    task: str,
    record: Record,
    settings: list[Entity],
    files: Mapping[str, Path],
) -> Entity:
    names = dict.fromkeys(input_id(run, given, files) for given in record["inputs"])
    read = [_to(name) for name in names]
    before = sorted(
        {
            run.makers[given["path"]]
            for given in record["inputs"]
            if run.digests.get(given["path"]) == given["sha256"]
        }
    )
    entity: Entity = {
        "@id": f"#task-{task}",
        "@type": ["CreateAction", "prov:Activity"],
        "name": f"stage {record['rule']}"
        + (f" of session {record['session']}" if record["session"] else ""),
        "instrument": _to(f"#stage-{record['rule']}"),
        "object": [*read, *(_to(setting["@id"]) for setting in settings)],
        "result": [_to(file_id(output["path"])) for output in record["outputs"]],
        "isPartOf": _to(_action(run)),
        "subjectOf": _to(file_id(f"records/{task}.json")),
        "prov:used": read,
        "prov:wasInformedBy": [_to(f"#task-{maker}") for maker in before],
        "prov:wasAssociatedWith": _to(_SOFTWARE),
    }
    event = run.book.made.get(record["key"])
    if event is not None:
        begun = dt.datetime.fromisoformat(event["started"])
        ended = begun + dt.timedelta(seconds=float(event["seconds"]))
        entity["startTime"] = event["started"]
        entity["endTime"] = ended.isoformat(timespec="milliseconds")
    return entity


def _decisions(run: ExportedRun) -> Iterator[Entity]:
    for i, decision in enumerate(run.decisions, start=1):
        person = f"#person-{quote(decision.by, safe='')}"
        yield {"@id": person, "@type": ["Person", "prov:Agent"], "name": decision.by}
        entity: Entity = {
            "@id": f"#decision-{i}",
            "@type": ["AssessAction", "prov:Activity"],
            "name": f"{decision.action} {decision.scan}",
            "description": decision.reason,
            "agent": _to(person),
            "prov:wasAssociatedWith": _to(person),
        }
        if decision.when:
            entity["endTime"] = decision.when
        yield entity
