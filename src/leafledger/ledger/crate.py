"""A run as an RO-Crate: the open standard for research data with their origin.

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
from pathlib import Path
from typing import Any
from urllib.parse import quote

from leafledger.ledger.crate_inputs import Entity, absent, at, made_here, reading, reference
from leafledger.ledger.exported import ExportedRun
from leafledger.records.digests import sha256_of_file
from leafledger.records.record import Record
from leafledger.study.defaults import settings_told

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


def crate(
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
    graph += [_file(run, path, place) for path, place in files.items()]
    graph += absent(run, files)
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
        "hasPart": [_to(at(path)) for path in files],
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
        told = licence or "No licence was stated: ask the authors before any reuse"
        yield {"@id": _NO_LICENCE, "@type": "CreativeWork", "name": told}


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


def _file(run: ExportedRun, path: str, place: Path) -> Entity:
    entity: Entity = {
        "@id": at(path),
        "@type": "File",
        "name": path,
        "encodingFormat": _format(path),
        "contentSize": str(place.stat().st_size),
        "sha256": sha256_of_file(place),
    }
    if path == WORKFLOW:
        entity["@type"] = ["File", "SoftwareSourceCode", "ComputationalWorkflow"]
        entity["programmingLanguage"] = _to(_LANGUAGE)
        entity["name"] = "workflow of leafledger"
    maker = _makers(run).get(path)
    if maker is not None:
        entity["prov:wasGeneratedBy"] = _to(f"#task-{maker}")
        entity["prov:wasAttributedTo"] = _to(_SOFTWARE)
    return entity


def _format(path: str) -> str:
    suffix = Path(path).suffix
    return _FORMATS.get(suffix) or mimetypes.guess_type(path)[0] or "application/octet-stream"


def _makers(run: ExportedRun) -> dict[str, str]:
    return {
        output["path"]: task for task, record in run.records.items() for output in record["outputs"]
    }


def _tasks(run: ExportedRun, files: Mapping[str, Path]) -> Iterator[Entity]:
    made = _makers(run)
    yield {
        "@id": _action(run),
        "@type": "CreateAction",
        "name": f"run {run.run['run']}",
        "instrument": _to(WORKFLOW),
        "object": [_to(reference(path, files)) for path in [*run.raw, *run.run["study"]]],
        "result": [_to(at(path)) for path in made],
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
    for setting in settings_told(record):
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
    names = dict.fromkeys(reading(run, given, files) for given in record["inputs"])
    read = [_to(name) for name in names]
    made = _makers(run)
    here = made_here(run).items()
    before = sorted({made[i["path"]] for i in record["inputs"] if (i["path"], i["sha256"]) in here})
    entity: Entity = {
        "@id": f"#task-{task}",
        "@type": ["CreateAction", "prov:Activity"],
        "name": f"stage {record['rule']}"
        + (f" of session {record['session']}" if record["session"] else ""),
        "instrument": _to(f"#stage-{record['rule']}"),
        "object": [*read, *(_to(setting["@id"]) for setting in settings)],
        "result": [_to(at(output["path"])) for output in record["outputs"]],
        "isPartOf": _to(_action(run)),
        "subjectOf": _to(at(f"records/{task}.json")),
        "prov:used": read,
        "prov:wasInformedBy": [_to(f"#task-{one}") for one in before],
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
