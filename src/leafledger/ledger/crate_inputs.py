"""What the tasks of an exported run read: files of the crate, and content that is not in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from leafledger.ledger.exported import ExportedRun

Entity = dict[str, Any]
_RESULTS = "results/"


def at(path: str) -> str:
    """Return the identifier of a file: its path, as an address."""
    return quote(path, safe="/-_.~")


def reference(path: str, files: Mapping[str, Path]) -> str:
    """Return the identifier of a file of the crate, or of one that is only known by digest."""
    return at(path) if path in files else f"#{at(path)}"


def reading(run: ExportedRun, given: Mapping[str, Any], files: Mapping[str, Path]) -> str:
    """Return the identifier of what a task read.

    The table of the variants reads results of their runs, which have the same paths as those of
    this run and another content.
    """
    if _of_another_run(run, given):
        return f"#{at(given['path'])}-{given['sha256'][:12]}"
    return reference(given["path"], files)


def _of_another_run(run: ExportedRun, given: Mapping[str, Any]) -> bool:
    path = str(given["path"])
    return path.startswith(_RESULTS) and made_here(run).get(path) != given["sha256"]


def made_here(run: ExportedRun) -> dict[str, str]:
    """Return path -> digest of every result of the run."""
    return {o["path"]: o["sha256"] for record in run.records.values() for o in record["outputs"]}


def absent(run: ExportedRun, files: Mapping[str, Path]) -> Iterator[Entity]:
    """Yield what was read and is not in the crate: known by digest."""
    for path, given in run.raw.items():
        if path not in files:
            yield _known_by_digest(reference(path, files), given, "read by the run")
    for record in run.records.values():
        for given in record["inputs"]:
            if _of_another_run(run, given):
                yield _known_by_digest(
                    reading(run, given, files), given, "result of the run of a variant"
                )


def _known_by_digest(identifier: str, given: Mapping[str, Any], what: str) -> Entity:
    return {
        "@id": identifier,
        "@type": ["CreativeWork", "prov:Entity"],
        "name": given["path"],
        "description": f"{what}, not part of this crate",
        "contentSize": str(given["bytes"]),
        "sha256": given["sha256"],
    }
