"""The lineage of every number: which files, settings and code, and whose decision.

Read from the records alone, which hold content only: no run, no time, no machine.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from leafledger.report.gather import Material
from leafledger.report.lineage_words import ORDER
from leafledger.study.defaults import Setting, settings_told
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS

Record = Mapping[str, Any]


@dataclass(frozen=True)
class File:
    """A file at one content; ``maker`` is the step that wrote it, empty if a person did."""

    path: str
    sha256: str
    size: int
    maker: str = ""


@dataclass(frozen=True)
class Step:
    """One task, as its record tells it.

    Attributes
    ----------
    name, rule, session
        ``indices.day4``, ``indices``, ``day4``; the session is empty for the whole study.
    key
        Names the result in the content store.
    changed, design, same
        Settings that differ from the defaults, those of the design (which have no default that
        would mean anything), and those as by default.
    per_scan
        What else the step was told, scan by scan or unit by unit: name and how many.
    package, code, libraries, seeds
        Version and digest of the code, versions of the libraries, seeds of chance.
    metrics
        Its numbers of record.
    wrote, read, given
        Files it wrote, files of other steps, files that a person wrote.
    before
        All steps it rests on, in the order of the data.
    decisions
        Decisions of persons that it applied.
    """

    name: str
    rule: str
    session: str
    key: str
    changed: list[Setting]
    design: list[Setting]
    same: list[Setting]
    per_scan: list[tuple[str, int]]
    package: str
    code: str
    libraries: list[tuple[str, str]]
    seeds: list[tuple[str, str]]
    metrics: list[Mapping[str, Any]]
    wrote: list[File]
    read: list[File]
    given: list[File]
    before: list[str]
    decisions: list[Mapping[str, Any]]


def steps_of(material: Material) -> list[Step]:
    """Return every task of the study, in the order of the data."""
    records = _ordered(material)
    makers = makers_of(records)
    before = {name: _reads(record, makers) for name, record in records.items()}
    return [
        _step(name, record, makers, _all_before(name, before, list(records)), material)
        for name, record in records.items()
    ]


def _ordered(material: Material) -> dict[str, Record]:
    places = {s: i for i, s in enumerate(material.days.sessions)}
    found = [(_name(record), record) for record in material.records.values()]
    found.sort(key=lambda n: (_place(n[1]["rule"]), places.get(str(n[1].get("session")), -1), n[0]))
    return dict(found)


def _name(record: Record) -> str:
    session = record.get("session")
    return f"{record['rule']}.{session}" if session else str(record["rule"])


def _place(rule: str) -> int:
    return ORDER.index(rule) if rule in ORDER else len(ORDER)


def makers_of(records: Mapping[str, Record]) -> dict[str, tuple[str, str]]:
    """Return path -> the task that wrote it, and the digest of what it wrote."""
    return {
        str(file["path"]): (name, str(file["sha256"]))
        for name, record in records.items()
        for file in record.get("outputs", [])
    }


def broken_links(records: Mapping[str, Record]) -> list[str]:
    """Return where a step read a result that no step wrote, or another content of it, in words."""
    makers = makers_of(records)
    told = []
    for name, record in records.items():
        for file in record.get("inputs", []):
            path = str(file["path"])
            maker, wrote = makers.get(path, ("", ""))
            if maker and wrote != file["sha256"]:
                told.append(f"{name} read another {path} than {maker} wrote")
            elif not maker and path.startswith("results/"):
                told.append(f"{name} read {path}, and no record tells who wrote it")
    return told


def n_links(records: Mapping[str, Record]) -> int:
    """Return how many files pass from one step to another."""
    makers = makers_of(records)
    return sum(f["path"] in makers for r in records.values() for f in r.get("inputs", []))


def _reads(record: Record, makers: Mapping[str, tuple[str, str]]) -> list[str]:
    found = [makers[f["path"]][0] for f in record.get("inputs", []) if f["path"] in makers]
    return list(dict.fromkeys(found))


def _all_before(name: str, before: Mapping[str, Sequence[str]], order: Sequence[str]) -> list[str]:
    reached: set[str] = set()
    waiting = list(before[name])
    while waiting:
        one = waiting.pop()
        if one not in reached:
            reached.add(one)
            waiting += before[one]
    return [one for one in order if one in reached - {name}]


def _step(
    name: str,
    record: Record,
    makers: Mapping[str, tuple[str, str]],
    before: list[str],
    material: Material,
) -> Step:
    settings = settings_told(record)
    design = [s for s in settings if s.name.startswith("design.")]
    others = [s for s in settings if not s.name.startswith("design.")]
    read = [_file(f, makers) for f in record.get("inputs", [])]
    given = [f for f in read if not f.maker]
    code = record.get("code", {})
    return Step(
        name=name,
        rule=str(record["rule"]),
        session=str(record.get("session") or ""),
        key=str(record.get("key", "")),
        changed=[s for s in others if s.changed],
        design=design,
        same=[s for s in others if not s.changed],
        per_scan=list(_per_scan(record.get("settings", {}))),
        package=str(code.get("package", "")),
        code=str(code.get("sha256", "")),
        libraries=sorted((str(k), str(v)) for k, v in record.get("libraries", {}).items()),
        seeds=sorted((str(k), str(v)) for k, v in record.get("seeds", {}).items()),
        metrics=list(record.get("metrics", [])),
        wrote=[_file(f, {}) for f in record.get("outputs", [])],
        read=[f for f in read if f.maker],
        given=given,
        before=before,
        decisions=_decisions(material) if any(f.path == DECISIONS for f in given) else [],
    )


def _file(entry: Mapping[str, Any], makers: Mapping[str, tuple[str, str]]) -> File:
    path = str(entry["path"])
    maker, _ = makers.get(path, ("", ""))
    return File(path, str(entry["sha256"]), int(entry.get("bytes", 0)), maker)


def _per_scan(settings: Mapping[str, Any]) -> Iterator[tuple[str, int]]:
    for name in ("scans", "units"):
        if isinstance(settings.get(name), Mapping | list):
            yield name, len(settings[name])


def _decisions(material: Material) -> list[Mapping[str, Any]]:
    rows = material.exclusions.to_dict("records")
    return [{str(k): v for k, v in row.items()} for row in rows if row["rule"] == "decision"]
