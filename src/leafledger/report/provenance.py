"""Where does every number of the page come from: files, settings, code, decisions?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from leafledger.records.digests import sha256_of_file
from leafledger.report.gather import Material
from leafledger.report.methods_text import (
    LEAF_MODEL,
    PIGMENTS,
    TRAITS,
    FromTheBook,
    MethodsText,
    methods_text,
)
from leafledger.report.works import OF_LIBRARY, cite
from leafledger.study.rules import RULES as REGISTRY
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.settings import Setting, settings_of_record
from leafledger.study.tables import RESULTS, result_at
from leafledger.words import listed

if TYPE_CHECKING:
    import pandas as pd

# What each rule does, and which results stand behind each part of the page.
# ----------------------------------------------------------------------

RULES: Final[dict[str, tuple[str, str]]] = {
    rule.name: (rule.title, rule.does) for rule in REGISTRY if rule.name != "report"
}
"""Rule -> its title and what it does."""

ORDER: Final = tuple(RULES)


PARTS: Final[dict[str, str]] = {
    "plan": "When the plan was made",
    "found": "What was found",
    "trust": "Units, sessions, scans and range in short",
    "went-in": "What went in",
    "left-out": "What was left out",
    "references": "Whites and darks over time",
    "range": "The trusted range",
    "session-effects": "Shifts of a whole session",
    "order-effects": "Effects of the order of measuring",
    "expectations": "Expectations of the tables",
    "index-courses": "Indices",
    "effects": "Effects",
    "spectra": "Spectra of the groups",
    "whole-spectrum": "The whole spectrum",
    "holds": "Does the conclusion hold?",
    "assumptions": "What the test leans on",
    "accuracy": "Why this size?",
    "confusion": "Who is taken for whom?",
    "each-class": "How each class fares",
    "sureness": "Is it as sure as it says?",
    "which-wavelengths": "By which wavelengths?",
    "rivals": "Would something simpler do?",
    "day-or-treatment": "What else do the spectra tell?",
    "chance": "Against chance",
    "pigment-calibration": "Estimated contents",
    "pigment-contents": "Contents by assay",
    "leaf-model": "Contents by a model of the leaf",
    "chromatograms": "Chromatograms",
    "trait-models": "Estimated from the whole spectrum",
    "trait-effects": "Effects on estimated traits",
    "variation": "Where the variation lies",
    "detectable": "What a next study would find",
    "indices": "Indices and their sources",
    "decisions": "Decisions of a person",
    "variants": "Under other settings",
}
"""Part of the page (id of its heading) -> its title, in the order of the page.

The registry says which results a part shows (:attr:`~leafledger.study.tables.Result.shown`).
"""

PLATES: Final[dict[str, str]] = {
    "accuracy_by_latent_variables": "accuracy",
    "answer": "found",
    "balance": "found",
    "class_weights": "which-wavelengths",
    "confusion_matrices": "confusion",
    "detectable_difference": "detectable",
    "effect_sizes": "effects",
    "importance": "which-wavelengths",
    "index_courses": "index-courses",
    "chromatograms": "chromatograms",
    "leaf_model_assays": "leaf-model",
    "leaf_model_residuals": "leaf-model",
    "loadings": "which-wavelengths",
    "permutation": "chance",
    "pigment_calibration": "pigment-calibration",
    "primary_index": "index-courses",
    "reliability": "sureness",
    "replicates": "left-out",
    "residuals": "assumptions",
    "rivals": "rivals",
    "scans_at_fault": "left-out",
    "sensitivity": "holds",
    "signal_to_noise": "range",
    "spectra_by_group": "spectra",
    "spectrum_difference": "whole-spectrum",
    "strip_profiles": "chromatograms",
    "trait_estimates": "trait-models",
    "trait_path": "trait-models",
    "trait_wavelengths": "trait-models",
    "taken_for": "confusion",
    "variance_shares": "variation",
    "variants": "variants",
    "whites_over_time": "references",
    "darks_over_time": "references",
}
"""Figure -> the part of the page whose results it shows."""


# The lineage of every number: which files, settings and code, and whose decision.
# ----------------------------------------------------------------------
# Read from the records alone, which hold content only: no run, no time, no machine.

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
    named = [(_name(record), record) for record in material.records.values()]
    named.sort(key=lambda n: (_place(n[1]["rule"]), places.get(str(n[1].get("session")), -1), n[0]))
    return dict(named)


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
    sentences = []
    for name, record in records.items():
        for file in record.get("inputs", []):
            path = str(file["path"])
            maker, wrote = makers.get(path, ("", ""))
            if maker and wrote != file["sha256"]:
                sentences.append(f"{name} read another {path} than {maker} wrote")
            elif not maker and path.startswith("results/"):
                sentences.append(f"{name} read {path}, and no record tells who wrote it")
    return sentences


def n_links(records: Mapping[str, Record]) -> int:
    """Return how many files pass from one step to another."""
    makers = makers_of(records)
    return sum(f["path"] in makers for r in records.values() for f in r.get("inputs", []))


def _reads(record: Record, makers: Mapping[str, tuple[str, str]]) -> list[str]:
    tasks = [makers[f["path"]][0] for f in record.get("inputs", []) if f["path"] in makers]
    return list(dict.fromkeys(tasks))


def _all_before(name: str, before: Mapping[str, Sequence[str]], order: Sequence[str]) -> list[str]:
    reached: set[str] = set()
    waiting = list(before[name])
    while waiting:
        step = waiting.pop()
        if step not in reached:
            reached.add(step)
            waiting += before[step]
    return [step for step in order if step in reached - {name}]


def _step(
    name: str,
    record: Record,
    makers: Mapping[str, tuple[str, str]],
    before: list[str],
    material: Material,
) -> Step:
    settings = settings_of_record(record)
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


# The appendix of the page: its parts, the results they show, and the steps behind them.
# ----------------------------------------------------------------------


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
    from_the_book = [variants, plan_history if material.plan_facts else None]
    files = files_by_path(steps) | {
        path.name: File(f"results/{path.name}", sha256_of_file(path), path.stat().st_size)
        for path in from_the_book
        if path is not None
    }
    parts = _parts(files)
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
    files_of: dict[str, list[File]] = {}
    for path, file in files.items():
        if (result := result_at(path)) is not None:
            files_of.setdefault(result.name, []).append(file)
    parts = {
        part: {
            "title": title,
            "files": [f for r in RESULTS if part in r.shown for f in files_of.get(r.name, ())],
        }
        for part, title in PARTS.items()
    }
    return {part: view for part, view in parts.items() if view["files"]}


def _anchors(parts: Mapping[str, Mapping[str, Any]]) -> dict[str, str]:
    """Return part and path below ``results/`` -> id of the row that tells of this file there."""
    return {
        f"{part}/{file.path.removeprefix('results/')}": f"result-{part}-{i}"
        for part, view in parts.items()
        for i, file in enumerate(view["files"], start=1)
    }


def files_by_path(steps: Sequence[Step]) -> dict[str, File]:
    """Return path below ``results/`` -> file and the step that wrote it."""
    return {
        f.path.removeprefix("results/"): File(f.path, f.sha256, f.size, step.name)
        for step in steps
        for f in step.wrote
    }


# Last part of the page: indices, decisions, versions and seeds behind the numbers.
# ----------------------------------------------------------------------


def provenance_part(material: Material) -> dict[str, Any]:
    """Return what the last part of the page shows."""
    return {
        "versions": _versions(material.records),
        "packages": sorted(
            {str(r.get("code", {}).get("package", "")) for r in material.records.values()} - {""}
        ),
        "seeds": _seeds(material.records),
        "catalogue": [{"index": name, **entry} for name, entry in material.catalogue.items()],
        "decisions": _decisions(material),
        "methods": methods_of_page(material),
    }


_BEHIND_METHODS = ("intake", "reflectance", "acceptance", "catalogue", "effects", "report")
"""Rules whose settings the methods text needs."""


@dataclass(frozen=True)
class _MaterialFacts:
    """The facts of a methods text, from what the report reads."""

    material: Material

    @property
    def decisions(self) -> Sized:
        return _decisions(self.material)

    @property
    def records(self) -> Mapping[str, Record]:
        return self.material.records

    def settings(self, rule: str) -> Mapping[str, Any]:
        if rule == "report":
            return {"field_notes": self.material.field_notes, "omitted": self.material.omitted}
        return next((r["settings"] for r in self.records.values() if r["rule"] == rule), {})

    def json(self, path: str) -> Any:
        if path.endswith("catalogue.json"):
            return {"indices": list(self.material.catalogue.values())}
        of_contents = {
            PIGMENTS: self.material.pigments,
            TRAITS: self.material.traits,
            LEAF_MODEL: self.material.leaf_model,
        }
        return of_contents.get(path, self.material.trusted)

    def table(self, path: str) -> pd.DataFrame:
        return self.material.tables[Path(path).stem]


def methods_of_page(material: Material) -> MethodsText | None:
    """Return the methods of the study as text to copy; ``None`` where records are missing.

    The page is a function of content: the run, the lots that were drawn and the versions stand in
    the text that ``leafledger export paper`` writes, and here where they are folded away.
    """
    facts = _MaterialFacts(material)
    if not all(facts.settings(rule) for rule in _BEHIND_METHODS):
        return None
    libraries = [
        f"{name} {version}{cite(OF_LIBRARY[name]) if name in OF_LIBRARY else ''}"
        for name, version in _versions(material.records)
    ]
    package = " and ".join(sorted({str(r["code"]["package"]) for r in material.records.values()}))
    software = f"Computed with leafledger {package} ({listed(libraries)})."
    return methods_text(facts, FromTheBook(plan=material.plan_sentences, software=[software]))


def _versions(records: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, str]]:
    versions_of: dict[str, set[str]] = {}
    for record in records.values():
        for name, version in record.get("libraries", {}).items():
            versions_of.setdefault(str(name), set()).add(str(version))
    return [
        (name, " and ".join(sorted(versions))) for name, versions in sorted(versions_of.items())
    ]


def _seeds(records: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, str, str]]:
    return [
        (str(record["rule"]), str(name), str(seed))
        for record in sorted(records.values(), key=lambda r: _place(str(r["rule"])))
        for name, seed in sorted(record.get("seeds", {}).items())
    ]
