"""The appendix of the page: its parts, the results they show, and the steps behind them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from leafledger.records.digests import sha256_of_file
from leafledger.report.gather import Material
from leafledger.report.lineage import File, Step, broken_links, n_links, steps_of
from leafledger.report.lineage_words import ORIGINS, PLAN_HISTORY, PLATES, RULES, VARIANTS, Origin


def lineage(
    material: Material, variants: Path | None = None, plan_history: Path | None = None
) -> dict[str, Any]:
    """Return what the appendix shows: the parts of the page, and the steps behind them.

    Parameters
    ----------
    material
        The whole study.
    variants
        The table of results under other settings, if there is one; no step wrote it.
    plan_history
        What the book of runs says of the plan, if it is of this plan; no step wrote it.

    Returns
    -------
    dict
        ``rules``: rule -> its steps, with a title and what the rule does; ``parts``: part of the
        page -> title and files; ``anchors``: part and path below ``results/``, as
        ``found/effects.json`` -> id of that row of the appendix; ``plates``: figure -> part;
        ``broken``: links that do not hold, in words; ``n_links``; ``n_given``: files of a
        person's hand.
    """
    steps = steps_of(material)
    parts = {
        **(_from_the_book(PLAN_HISTORY, plan_history) if material.plan_facts else {}),
        **_parts(files_by_path(steps)),
        **_from_the_book(VARIANTS, variants),
    }
    rules: dict[str, dict[str, Any]] = {}
    for step in steps:
        title, does = RULES.get(step.rule, (step.rule.replace("_", " ").capitalize(), ""))
        entry = rules.setdefault(step.rule, {"title": title, "does": does, "steps": []})
        entry["steps"].append(step)
    return {
        "rules": rules,
        "steps": steps,
        "parts": parts,
        "anchors": _anchors(parts),
        "plates": PLATES,
        "broken": broken_links(material.records),
        "n_links": n_links(material.records),
        "n_given": len({f.path for step in steps for f in step.given}),
    }


def _parts(files: Mapping[str, File]) -> dict[str, dict[str, Any]]:
    """Return part of the page -> its title and the results it shows; parts without any left out."""
    found = {o.part: {"title": o.title, "files": files_like(files, o.files)} for o in ORIGINS}
    return {part: told for part, told in found.items() if told["files"]}


def _anchors(parts: Mapping[str, Mapping[str, Any]]) -> dict[str, str]:
    """Return part and path below ``results/`` -> id of the row that tells of this file there."""
    return {
        f"{part}/{file.path.removeprefix('results/')}": f"result-{part}-{i}"
        for part, told in parts.items()
        for i, file in enumerate(told["files"], start=1)
    }


def _from_the_book(origin: Origin, path: Path | None) -> dict[str, dict[str, Any]]:
    if path is None:
        return {}
    file = File(f"results/{path.name}", sha256_of_file(path), path.stat().st_size)
    return {origin.part: {"title": origin.title, "files": [file]}}


def files_by_path(steps: Sequence[Step]) -> dict[str, File]:
    """Return path below ``results/`` -> file and the step that wrote it."""
    return {
        f.path.removeprefix("results/"): File(f.path, f.sha256, f.size, step.name)
        for step in steps
        for f in step.wrote
    }


def files_like(files: Mapping[str, File], patterns: Sequence[str]) -> list[File]:
    """Return the files whose path below ``results/`` is like one of the patterns.

    ``*`` stands for one session; where the study lacks a file, nothing is returned for it.

    Examples
    --------
    >>> there = {n: File(n, "", 0) for n in ("quality/d0.parquet", "quality/d0.signal.parquet")}
    >>> [f.path for f in files_like(there, ["quality/*.parquet"])]
    ['quality/d0.parquet']
    """
    found = []
    for pattern in patterns:
        like = re.compile(re.escape(pattern).replace(r"\*", "[^./]+"))
        found += [file for path, file in files.items() if like.fullmatch(path)]
    return found
